"""Strokes as lines for pictures: sampled at a step, on a grid of whole units, as SVG paths or as arrays.

Owns sampling and the frame that places canvas mm on a picture. Canvas mm, x right, y down. No colours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.strokes.strokeset import StrokeSet

UNITS = 4_000
"""The longer side of a picture in whole units."""

Vector = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Frame:
    """What of the canvas a picture shows: ``low`` and ``high`` corners in canvas mm, and units a mm."""

    low: tuple[float, float]
    high: tuple[float, float]

    @property
    def per_mm(self) -> float:
        """Units a mm."""
        return UNITS / max(self.high[0] - self.low[0], self.high[1] - self.low[1])

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in units."""
        wide, high = (round((self.high[k] - self.low[k]) * self.per_mm) for k in range(2))
        return max(wide, 1), max(high, 1)

    def units(self, points_mm: Vector) -> Index:
        """Canvas mm (n, 2) in whole units."""
        placed: Index = np.rint((points_mm - np.array(self.low)) * self.per_mm).astype(np.int64)
        return placed


def frame_of(parts: Sequence[tuple[StrokeSet, Index, float]]) -> Frame | None:
    """Around strokes, each (set, chosen, tip's width): with room for the tip and a little air. None for no stroke."""
    low, high = np.full(2, np.inf), np.full(2, -np.inf)
    for strokes, chosen, tip_mm in parts:
        if not len(chosen):
            continue
        kept = np.zeros(len(strokes), dtype=np.bool_)
        kept[chosen] = True
        points = strokes.points_mm[np.repeat(kept, np.diff(strokes.offsets))]
        low = np.minimum(low, points.min(axis=0) - tip_mm)
        high = np.maximum(high, points.max(axis=0) + tip_mm)
    if not bool(np.all(np.isfinite(low))):
        return None
    air = 0.03 * float((high - low).max()) + 1.0
    return Frame((float(low[0] - air), float(low[1] - air)), (float(high[0] + air), float(high[1] + air)))


class Sampler:
    """Points along the strokes of one set, by length."""

    def __init__(self, strokes: StrokeSet) -> None:
        steps = np.hypot(*np.diff(strokes.points_mm, axis=0).T)
        # One mm between strokes, so that places along all of them only rise.
        steps[strokes.offsets[1:-1] - 1] = 1.0
        self._along = np.concatenate([[0.0], np.cumsum(steps)])
        self._points = strokes.points_mm
        self._offsets = strokes.offsets
        self.lengths_mm: Vector = self._along[strokes.offsets[1:] - 1] - self._along[strokes.offsets[:-1]]

    def at(self, stroke: Index, along_mm: Vector) -> Vector:
        """Points (n, 2) of ``stroke`` (n,) at ``along_mm`` (n,) of their lengths."""
        place = self._along[self._offsets[stroke]] + np.clip(along_mm, 0.0, self.lengths_mm[stroke])
        return np.column_stack([np.interp(place, self._along, self._points[:, k]) for k in range(2)])

    def lines(self, chosen: Index, step_mm: float) -> tuple[Vector, Index]:
        """The ``chosen`` strokes as points (n, 2) and offsets (m + 1,): at most ``step_mm`` apart along them, or their
        own vertices where those are fewer."""
        length = self.lengths_mm[chosen]
        vertices = np.diff(self._offsets)[chosen]
        samples = np.maximum(np.ceil(length / step_mm), 3.0).astype(np.int64) + 1
        own = vertices <= samples
        counts = np.where(own, vertices, samples)
        offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        within = np.arange(offsets[-1]) - np.repeat(offsets[:-1], counts)
        first = self._offsets[chosen]
        vertex = np.repeat(first, counts) + np.where(np.repeat(own, counts), within, 0)
        share = within / np.repeat(np.maximum(counts - 1, 1), counts)
        place = np.where(
            np.repeat(own, counts),
            self._along[vertex],
            np.repeat(self._along[first], counts) + share * np.repeat(length, counts),
        )
        points = np.column_stack([np.interp(place, self._along, self._points[:, k]) for k in range(2)])
        return points, offsets


def paths(units: Index, offsets: Index) -> list[str]:
    """SVG path data of each line; steps are relative, and steps of nothing are left out."""
    steps = np.diff(units, axis=0, prepend=units[:1])
    begin = np.zeros(len(units), dtype=np.bool_)
    begin[offsets[:-1][np.diff(offsets) > 0]] = True
    kept = begin | (steps != 0).any(axis=1)
    values = np.where(begin[:, None], units, steps)
    words = [f"{x} {y}" if y >= 0 else f"{x}{y}" for x, y in values.tolist()]
    chosen = np.flatnonzero(kept)
    bounds = np.searchsorted(chosen, offsets)
    found: list[str] = []
    order = chosen.tolist()
    for a, b in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        first, rest = words[order[a]], [words[k] for k in order[a + 1 : b]]
        # A line without length is a dot where its caps are round.
        found.append(f"M{first}l" + " ".join(rest) if rest else f"M{first}h0")
    return found
