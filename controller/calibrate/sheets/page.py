"""What a sheet is made of: inks with lines and dots, questions for its reader, and the numbers that readings need.

Owns the parts that all sheets share, teeth and crosses that come from a stated side among them, and that what is
drawn lies on the canvas and clear of its neighbours. Knows no file and no machine but its canvas. Frame: canvas mm.

A tooth is drawn so that it tells from which side the pen came: a hook, along the axis in question and longer than
any play that is looked for, then at a right angle the tooth itself. Motors, belts and play lie by the hook's
direction all along the tooth, and a tip that trails its holder has come to trail along the tooth by its end.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path
from typing import Annotated, Final, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from controller.calibrate.sheets import font
from controller.config.errors import InputError, Mistake
from controller.config.machine import Machine
from drivers.settings import Settings

Line = npt.NDArray[np.float64]
AxisName = Literal["x", "y"]

EDGE_MM: Final = 30.0
"""Paint keeps so far from the canvas' edge, a lead-in's length included."""
CAPTION: Final = "captions"
"""Name of the ink that paints words and scales."""
SLOW_MM_S: Final = 10.0
"""Teeth are drawn so slowly that a belt of 6 Hz with 5 % damping, jerked by a stop, rings by less than 0.02 mm at
the end of 16 mm: v / w exp(-z w L / v)."""
TOOTH_MM: Final = 16.0
COLOUR: Final = "#203a5c"
CAPTION_COLOUR: Final = "#5a6472"

Figures = Annotated[tuple[float, ...], Field(strict=False)]


class Question(Settings):
    """One reading that a person takes from the sheet.

    kind: "number" is a measure in ``unit``; "tooth" a label of a comb, or two with "to" between for all that look
    alike. least, most: what can be on the sheet, both included. step: the reading is a multiple of it where above 0.
    resolution: half the interval that one reading leaves open.
    """

    key: str
    words: str
    unit: str
    kind: Literal["number", "tooth"]
    least: float
    most: float
    step: float = 0.0
    resolution: float
    optional: bool = False


class Record(Settings):
    """What is kept beside a sheet for its reading: how it was drawn, and what the machine file stated then."""

    format: Literal[1] = 1
    sheet: str
    machine: str
    questions: tuple[Question, ...] = Field(strict=False)
    figures: dict[str, Figures] = Field(description="numbers by name; what they are is the sheet's own")

    def of(self, name: str) -> tuple[float, ...]:
        """Numbers by name; none where there are none."""
        return self.figures.get(name, ())


@dataclass(slots=True)
class SheetInk:
    """Lines and dots of one ink, in the order in which they are painted where ``in_sequence``.

    ``lines``: vertices (n, 2) and whether closed; ``dots``: (x, y, diameter). ``tags``: of each line, for pictures.
    """

    name: str
    tip_mm: float
    speed_mm_s: float | None = None
    in_sequence: bool = False
    colour: str = COLOUR
    lines: list[tuple[Line, bool]] = field(default_factory=list)
    tags: list[str] = field(default_factory=list)
    dots: list[tuple[float, float, float]] = field(default_factory=list)

    def line(self, points: npt.ArrayLike, tag: str = "", *, closed: bool = False) -> None:
        """Add a line."""
        self.lines.append((np.asarray(points, dtype=np.float64).reshape(-1, 2), closed))
        self.tags.append(tag)

    def length_mm(self) -> float:
        """Metres of lines, in mm; dots not counted."""
        return float(sum(np.hypot(*np.diff(points, axis=0).T).sum() for points, _ in self.lines))


@dataclass(frozen=True, slots=True)
class Look:
    """A part of the sheet shown large. box_mm: x, y, width, height. shifted_mm: how far the lines with ``tag`` are
    shown off, as a machine with that fault would draw them. ring_mm: middle and radius of a ring about what is read.
    instead: lines shown in place of those with ``tag``. aside: words on the picture, and where they begin."""

    words: str
    box_mm: tuple[float, float, float, float]
    tag: str = ""
    shifted_mm: tuple[float, float] = (0.0, 0.0)
    ring_mm: tuple[float, float, float] | None = None
    instead: tuple[Line, ...] = ()
    aside: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet, ready to be written. how: sentences for the reader, in order. marks_mm: register marks by name."""

    record: Record
    title: str
    size_mm: tuple[float, float]
    inks: tuple[SheetInk, ...]
    how: tuple[str, ...]
    looks: tuple[Look, ...]
    marks_mm: dict[str, tuple[float, float]] = field(default_factory=dict)
    places: tuple[tuple[str, tuple[float, float, float, float]], ...] = ()
    """Names and rectangles (x, y, width, height) of parts, for a picture of the whole."""


class Page:
    """A sheet in the making: the canvas, its blocks and its captions."""

    def __init__(self, name: str, title: str, machine: Machine, tip_mm: float, hint: str) -> None:
        if not (isfinite(tip_mm) and 0.2 <= tip_mm <= 20.0):
            raise InputError(
                [Mistake(Path(f"sheet {name}"), "--tip-mm", "0.2 to 20", f"{tip_mm:g}", code="sheet-setting")]
            )
        self.name, self.title, self.machine, self.tip_mm = name, title, machine, tip_mm
        self.size_mm = machine.canvas.size_mm
        self.captions = SheetInk(CAPTION, tip_mm, colour=CAPTION_COLOUR)
        self.letter_mm = max(6.0, 6.5 * tip_mm)
        self._blocks: list[tuple[str, tuple[float, float, float, float]]] = []
        self._places: list[tuple[str, tuple[float, float, float, float]]] = []
        y = self._headline(
            f"{title} - {machine.name}", EDGE_MM, max(12.0, 9.0 * tip_mm, self.size_mm[0] / 130.0)
        )
        self.top_mm = self._headline(hint, y, max(8.0, 7.0 * tip_mm, self.size_mm[0] / 220.0)) + 4.0

    def _headline(self, words: str, top_mm: float, height_mm: float) -> float:
        """Write a line over the sheet, smaller where it is too long; answers where the next may begin."""
        height, room = height_mm, self.size_mm[0] - 2.0 * EDGE_MM
        while height > self.letter_mm and font.width_mm(words, height) > room:
            height = max(0.9 * height, self.letter_mm)
        self.write(words, (EDGE_MM, top_mm), height)
        self.block("the headline", (EDGE_MM, top_mm, font.width_mm(words, height), height))
        return top_mm + height + 2.0 * self.tip_mm + 8.0

    def write(
        self,
        words: str,
        at_mm: tuple[float, float],
        height_mm: float | None = None,
        anchor: Literal["left", "middle", "right"] = "left",
    ) -> None:
        """Add a line of words in the captions' ink."""
        for line in font.text(words, at_mm, height_mm if height_mm is not None else self.letter_mm, anchor):
            self.captions.line(line)

    def block(self, words: str, box_mm: tuple[float, float, float, float], name: str = "") -> None:
        """Take a rectangle (x, y, width, height). Raises InputError where it leaves the canvas or meets another.

        name: what the picture of the whole sheet calls it; nothing where empty.
        """
        x, y, width, height = box_mm
        size = f"a canvas with {EDGE_MM:g} mm to spare around {words}"
        off = min(x, y, self.size_mm[0] - x - width, self.size_mm[1] - y - height)
        where = Path(f"sheet {self.name}")
        if off < EDGE_MM - 1e-6:
            got = f"{self.size_mm[0]:g} x {self.size_mm[1]:g} mm, {EDGE_MM - off:.0f} mm too small"
            raise InputError([Mistake(where, "canvas.size_mm", size, got, code="sheet-no-room")])
        for other, (ox, oy, ow, oh) in self._blocks:
            if x < ox + ow and ox < x + width and y < oy + oh and oy < y + height:
                got = f"{self.size_mm[0]:g} x {self.size_mm[1]:g} mm, where it meets {other}"
                raise InputError(
                    [Mistake(where, "canvas.size_mm", f"room for {words}", got, code="sheet-no-room")]
                )
        self._blocks.append((words, box_mm))
        if name:
            self._places.append((name, box_mm))

    def painted_mm(self) -> tuple[float, float, float, float]:
        """Rectangle about everything but the headline."""
        boxes = np.array([box for words, box in self._blocks if words != "the headline"])
        x, y = boxes[:, :2].min(axis=0)
        right, low = (boxes[:, :2] + boxes[:, 2:]).max(axis=0)
        return float(x) - 6.0, float(y) - 6.0, float(right - x) + 12.0, float(low - y) + 18.0

    def sheet(
        self,
        inks: Iterable[SheetInk],
        questions: Sequence[Question],
        figures: dict[str, tuple[float, ...]],
        how: Sequence[str],
        looks: Sequence[Look],
        marks_mm: dict[str, tuple[float, float]] | None = None,
    ) -> Sheet:
        """The finished sheet, captions first."""
        record = Record(
            sheet=self.name,
            machine=self.machine.name,
            questions=tuple(questions),
            figures={"tip_mm": (self.tip_mm,), **figures},
        )
        return Sheet(
            record=record,
            title=self.title,
            size_mm=self.size_mm,
            inks=(self.captions, *inks),
            how=tuple(how),
            looks=tuple(looks),
            marks_mm=marks_mm or {},
            places=tuple(self._places),
        )


def turned(points: npt.ArrayLike, axis: AxisName, at_mm: tuple[float, float]) -> Line:
    """Points (n, 2) given along an axis and across it, from ``at_mm``, in canvas mm.

    Along x: (along, across) is (right, down). Along y: (down, right).
    """
    local = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    placed: Line = (local if axis == "x" else local[:, ::-1]) + np.asarray(at_mm, dtype=np.float64)
    return placed


def tooth(
    along_mm: float, from_across_mm: float, to_across_mm: float, hook_mm: float, side: Literal[-1, 1]
) -> Line:
    """A tooth across an axis at ``along_mm``, come to from the ``side`` below (-1) or above (+1), (3, 2) local."""
    return np.array(
        [
            [along_mm + side * hook_mm, from_across_mm],
            [along_mm, from_across_mm],
            [along_mm, to_across_mm],
        ]
    )


def cross(centre_mm: tuple[float, float], arm_mm: float, hook_mm: float) -> list[Line]:
    """A cross of which both arms are come to from below their axis: from the left, and from above."""
    return [
        turned(tooth(0.0, -arm_mm, arm_mm, hook_mm, -1), axis, centre_mm)
        for axis in ("x", "y")
    ]  # fmt: skip
