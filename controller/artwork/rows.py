"""The tables that a drawing is collected in while its document is walked: shapes, colours, layers, dashes, reports.

Owns flat buffers and the numbering of what recurs. Knows no XML.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from controller.artwork.flatten import SegmentTable
from controller.artwork.limits import Limits, TooMuchError
from controller.artwork.model import SHAPE_DTYPE, Skipped
from controller.config.errors import Mistake

_ROW: Final = struct.Struct("<iiiiBdBBdiiiddd?")
assert _ROW.size == SHAPE_DTYPE.itemsize

NAME_MAX: Final = 200


def short(text: str, most: int) -> str:
    """The text, its middle left out where it is longer than ``most``."""
    return text if len(text) <= most else f"{text[: most // 2]}...{text[3 - (most - most // 2) :]}"


def made_name(own: str | None, path: str, tag: str, number: int, inside_use: bool = False) -> str:
    """What an element is called in reports: its id, or where it stands; inside ``use`` that element's name first."""
    last = short(own, NAME_MAX) if own else f"{tag}[{number}]"
    if own and not inside_use:
        return last
    return f"{short(path, NAME_MAX)}/{last}".lstrip("/")


Kind = Literal["left out", "changed", "unseen"]


@dataclass(slots=True)
class ShapeRow:
    """One row of SHAPE_DTYPE; ``Drawing`` says what the fields mean."""

    element: int
    layer: int
    fill: int = -1
    stroke: int = -1
    rule: int = 0
    width_mm: float = math.nan
    cap: int = 0
    join: int = 0
    miter: float = math.nan
    dash: int = -1
    clip: int = -1
    pattern: int = -1
    dot_x: float = math.nan
    dot_y: float = math.nan
    dot_mm: float = math.nan
    bare: bool = False


@dataclass(slots=True)
class Reports:
    """What is left out or changed, and what cannot be read; both bounded, nothing dropped without a word."""

    file: Path
    limits: Limits
    skipped: list[Skipped] = field(default_factory=list)
    more: dict[tuple[str, Kind], int] = field(default_factory=dict)
    mistakes: list[Mistake] = field(default_factory=list)

    def skip(self, element_id: str, what: str, why: str, kind: Kind = "left out") -> None:
        """Report something that is not painted, or not as it is there."""
        if len(self.skipped) < self.limits.reports:
            self.skipped.append(Skipped(element_id, what, why, kind))
        else:
            self.more[what, kind] = self.more.get((what, kind), 0) + 1

    def all(self) -> tuple[Skipped, ...]:
        """Every report, those beyond the limit summed up."""
        rest = (
            Skipped("others", what, f"{count} more elements of which the same is true", kind)
            for (what, kind), count in self.more.items()
        )
        return (*self.skipped, *rest)

    def mistake(self, where: str, expected: str, got: str) -> None:
        """Report something that cannot be read. Raises FullError where there are too many to go on."""
        self.mistakes.append(
            Mistake(self.file, where, short(expected, 200), short(got, 200), code="artwork-syntax")
        )
        if len(self.mistakes) >= self.limits.mistakes:
            raise FullError


class FullError(Exception):
    """There are so many mistakes that the rest of the file is not looked at."""


class Tables:
    """What a walk collects."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.segments = SegmentTable()
        self.element_ids: list[str] = []
        self.colours: dict[str, int] = {}
        self.layers: dict[tuple[str, ...], int] = {(): 0}
        self.dashes: dict[tuple[float, ...], int] = {}
        self._layer_names: list[tuple[str, ...]] = [()]
        self._names = 0
        self._rows = bytearray()

    def __len__(self) -> int:
        return len(self._rows) // _ROW.size

    def add(self, row: ShapeRow, name: str) -> None:
        """Take in a shape, whose outlines have been written to ``segments`` under the row's number."""
        row.element = len(self.element_ids)
        self.element_ids.append(name)
        self._rows += _ROW.pack(
            row.element,
            row.layer,
            row.fill,
            row.stroke,
            row.rule,
            row.width_mm,
            row.cap,
            row.join,
            row.miter,
            row.dash,
            row.clip,
            row.pattern,
            row.dot_x,
            row.dot_y,
            row.dot_mm,
            row.bare,
        )
        if self.segments.segments > self.limits.segments:
            raise TooMuchError("segments of outlines", self.limits.segments)

    def shapes(self) -> npt.NDArray[np.void]:
        """All rows as an array of their own."""
        return np.frombuffer(self._rows, dtype=SHAPE_DTYPE).copy()

    def colour(self, text: str) -> int:
        """The number of a colour."""
        return self.colours.setdefault(text, len(self.colours))

    def layer(self, outer: int, group_id: str) -> int:
        """The number of a layer: group ``group_id`` inside layer ``outer``."""
        names = (*self._layer_names[outer], group_id)
        if names not in self.layers:
            self._names += len(names)
            if self._names > self.limits.layer_names:
                raise TooMuchError("names of groups around groups", self.limits.layer_names)
            self.layers[names] = len(self.layers)
            self._layer_names.append(names)
        return self.layers[names]

    def dash(self, lengths_mm: tuple[float, ...]) -> int:
        """The number of a dash pattern."""
        return self.dashes.setdefault(lengths_mm, len(self.dashes))
