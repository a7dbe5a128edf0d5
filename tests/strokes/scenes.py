"""Drawings and jobs made by hand, for tests of what is seen and how inks meet."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from controller.artwork.model import SHAPE_DTYPE, Clip, Drawing, Screen
from controller.config.job import Ink, Job, Technique, Traps

TEAL, OCHRE, BLACK, SAND = "#1f7a78", "#d9952b", "#1d1f24", "#e8d9b5"


def rectangle(x: float, y: float, width: float, height: float) -> npt.NDArray[np.float64]:
    """The closed outline of a rectangle, clockwise as seen (y points down)."""
    return np.array(
        [[x, y], [x + width, y], [x + width, y + height], [x, y + height], [x, y]], dtype=np.float64
    )


def circle(x: float, y: float, radius: float, count: int = 180) -> npt.NDArray[np.float64]:
    """A closed polygon with its vertices on a circle."""
    angle = np.linspace(0.0, 2.0 * np.pi, count + 1)
    ring = np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])
    ring[-1] = ring[0]
    return ring


@dataclass
class Sheet:
    """A drawing while it is made: shapes one on top of the other."""

    rows: list[dict[str, Any]] = field(default_factory=list)
    outlines: list[tuple[int, npt.NDArray[np.float64], bool]] = field(default_factory=list)
    colours: list[str] = field(default_factory=list)
    layers: list[tuple[str, ...]] = field(default_factory=list)
    dashes: list[tuple[float, ...]] = field(default_factory=list)
    clips: list[Clip] = field(default_factory=list)
    screens: list[Screen] = field(default_factory=list)

    def _colour(self, colour: str | None) -> int:
        if colour is None:
            return -1
        if colour not in self.colours:
            self.colours.append(colour)
        return self.colours.index(colour)

    def add(
        self,
        *outlines: npt.NDArray[np.float64],
        fill: str | None = None,
        stroke: str | None = None,
        layer: tuple[str, ...] = (),
        **more: Any,
    ) -> Self:
        """Put a shape on top; ``more`` are fields of its row."""
        if layer not in self.layers:
            self.layers.append(layer)
        for points in outlines:
            self.outlines.append((len(self.rows), points, bool(np.array_equal(points[0], points[-1]))))
        row = {"fill": self._colour(fill), "stroke": self._colour(stroke), "layer": self.layers.index(layer)}
        blank = {"dash": -1, "clip": -1, "pattern": -1, "width_mm": np.nan, "miter": 4.0}
        blank |= {"dot_x": np.nan, "dot_y": np.nan, "dot_mm": np.nan}
        self.rows.append(blank | row | more)
        return self

    def dot(self, x: float, y: float, diameter: float, fill: str, **more: Any) -> Self:
        """Put a filled circle on top."""
        return self.add(fill=fill, dot_x=x, dot_y=y, dot_mm=diameter, **more)

    def drawing(self, size_mm: tuple[float, float] = (1000.0, 1000.0)) -> Drawing:
        """The drawing; elements are named e0, e1, ... from the bottom up."""
        shapes = np.zeros(len(self.rows), dtype=SHAPE_DTYPE)
        for index, row in enumerate(self.rows):
            shapes[index]["element"] = index
            for name, value in row.items():
                shapes[index][name] = value
        points = [one[1] for one in self.outlines]
        return Drawing(
            np.vstack(points) if points else np.zeros((0, 2)),
            np.concatenate([[0], np.cumsum([len(one) for one in points])]).astype(np.int64),
            np.array([one[2] for one in self.outlines], dtype=np.bool_),
            np.array([one[0] for one in self.outlines], dtype=np.int32),
            shapes,
            tuple(self.colours),
            tuple(f"e{index}" for index in range(len(self.rows))),
            tuple(self.layers),
            tuple(dict.fromkeys(group for layer in self.layers for group in layer)),
            tuple(self.dashes),
            tuple(self.clips),
            tuple(self.screens),
            (),
            size_mm,
            0.02,
        )


def job(*inks: tuple[str, str] | Ink, trap_mm: float | None = None, **more: Any) -> Job:
    """A job with inks (name, colour); every fill is flat and every stroke a band unless ``more`` says otherwise."""
    more.setdefault("techniques", (Technique(fill="flat", stroke="band"),))
    return Job(
        format=1,
        name="low-tide",
        artwork="low-tide.svg",
        origin_mm=(0.0, 0.0),
        inks=tuple(
            one if isinstance(one, Ink) else Ink(name=one[0], colour=one[1], tip_mm=4.0) for one in inks
        ),
        traps=None if trap_mm is None else Traps(width_mm=trap_mm),
        **more,
    )


def with_traps(made: Job, width_mm: float) -> Job:
    """The same job with another trap width."""
    return made.model_copy(update={"traps": Traps(width_mm=width_mm)})


__all__ = [
    "BLACK",
    "OCHRE",
    "SAND",
    "TEAL",
    "Sheet",
    "circle",
    "job",
    "rectangle",
    "replace",
    "with_traps",
]
