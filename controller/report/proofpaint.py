"""What a pass paints: stretches of stroke and copies of dots, each with the tip as wide as it is at that moment.

Owns the step from strokes and metres to lines with widths. Knows no files, no wanted areas and no colours' mixing.
Frame: canvas mm.

Dots are followed along the curve that the machine drives through their vertices; equal dots are one path and many
places. All other strokes are followed along their chords, as are the flattened areas that they are held against.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.motion.corners import elements
from controller.motion.path import polyline
from controller.strokes.strokeset import StrokeKind, StrokeSet

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

WidthAt = Callable[[Floats], Floats]
"""Width of the tip in mm at each of so many metres painted since it was new."""

CHORD_ERROR_MM: Final = 0.002
"""Round edges are polygons with their corners on the circle and their chords at most so far inside."""
STRETCH: Final = 64
"""Chords in a stretch, at most: near places are then found without looking at a whole stroke."""
_SAME_MM: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Stretches:
    """Runs of chords painted with one width and round ends.

    points_mm (N, 2): vertices; first, count (R,): stretch i has the vertices first[i]:first[i] + count[i], at least
    two; neighbours of one stroke share a vertex. width_mm (R,).
    """

    points_mm: Floats
    first: Ints
    count: Ints
    width_mm: Floats

    def __len__(self) -> int:
        return len(self.first)

    def rows(self, chosen: Ints) -> tuple[Ints, Ints]:
        """Vertices of the chosen stretches in turn: rows of ``points_mm``, and whose of ``chosen`` each is."""
        counts = self.count[chosen]
        which = np.repeat(np.arange(len(chosen)), counts)
        start = np.cumsum(counts) - counts
        return np.arange(int(counts.sum())) - np.repeat(start - self.first[chosen], counts), which

    def bounds_mm(self) -> Floats:
        """(R, 4): smallest x and y, largest x and y of the paint."""
        if not len(self):
            return np.empty((0, 4))
        rows, _ = self.rows(np.arange(len(self)))
        begin = np.cumsum(self.count) - self.count
        half = self.width_mm[:, None] / 2.0
        low = np.minimum.reduceat(self.points_mm[rows], begin) - half
        high = np.maximum.reduceat(self.points_mm[rows], begin) + half
        return np.hstack([low, high])


@dataclass(frozen=True, slots=True)
class DotKind:
    """Equal dots: path_mm (k, 2) around an origin, width_mm of the tip, place_mm (n, 2) where the origin goes.

    reach_mm: no paint of one is farther from its origin.
    """

    path_mm: Floats
    width_mm: float
    place_mm: Floats
    reach_mm: float

    def bounds_mm(self) -> Floats:
        """(n, 4): smallest x and y, largest x and y of the paint."""
        half = self.width_mm / 2.0
        return np.hstack(
            [
                self.place_mm + (self.path_mm.min(axis=0) - half),
                self.place_mm + (self.path_mm.max(axis=0) + half),
            ]
        )


@dataclass(frozen=True, slots=True)
class PassPaint:
    """One pass: name; ink, row of ``job.inks``; colour; the widths of its tip at its two ends; what it paints."""

    name: str
    ink: int
    colour: str
    strokes: int
    metres: float
    width_mm: tuple[float, float]
    stretches: Stretches
    dots: tuple[DotKind, ...]

    def bounds_mm(self) -> Floats:
        """(n, 4) of all that it paints, stretches first."""
        return np.vstack([self.stretches.bounds_mm(), *(one.bounds_mm() for one in self.dots)])


def pass_paint(
    name: str, ink: int, colour: str, strokes: StrokeSet, width_at: WidthAt, begin_m: float = 0.0
) -> PassPaint:
    """What ``strokes`` paint in their order, by a tip that has painted ``begin_m`` metres before."""
    lengths_mm = strokes.lengths_mm()
    ends_m = begin_m + np.cumsum(lengths_mm) / 1000.0
    dots = strokes.kind == StrokeKind.DOT
    metres = float(lengths_mm.sum()) / 1000.0
    ends = width_at(np.array([begin_m, begin_m + metres]))
    middles_m = ends_m - lengths_mm / 2000.0
    return PassPaint(
        name,
        ink,
        colour,
        len(strokes),
        metres,
        (float(ends[0]), float(ends[1])),
        _stretches(strokes, ~dots, begin_m, width_at),
        tuple(_dot_kinds(strokes, np.flatnonzero(dots), width_at(middles_m))),
    )


def _stretches(
    strokes: StrokeSet, chosen: npt.NDArray[np.bool_], begin_m: float, width_at: WidthAt
) -> Stretches:
    """The chosen strokes cut where their width changes, and after every STRETCH chords."""
    counts = np.diff(strokes.offsets)
    stroke = np.repeat(np.arange(len(strokes)), counts)
    chord_mm = np.hypot(*np.diff(strokes.points_mm, axis=0).T)
    chord_mm[stroke[1:] != stroke[:-1]] = 0.0
    middle_m = begin_m + (np.cumsum(chord_mm) - chord_mm / 2.0) / 1000.0
    of_one = np.flatnonzero((stroke[1:] == stroke[:-1]) & chosen[stroke[:-1]])
    if not len(of_one):
        none = np.zeros(0, dtype=np.int64)
        return Stretches(np.empty((0, 2)), none, none, np.empty(0))
    width = width_at(middle_m[of_one])
    owner = stroke[of_one]
    portion = (of_one - strokes.offsets[owner]) // STRETCH
    changes = (np.diff(owner) != 0) | (np.diff(width) != 0.0) | (np.diff(portion) != 0)
    begin = np.flatnonzero(np.concatenate([[True], changes]))
    chords = np.diff(np.append(begin, len(of_one)))
    return Stretches(strokes.points_mm, of_one[begin].astype(np.int64), chords + 1, width[begin])


def _dot_kinds(strokes: StrokeSet, dots: Ints, width_mm: Floats) -> list[DotKind]:
    """Dots sorted by path and width; a dot keeps the width of its middle."""
    counts = np.diff(strokes.offsets)[dots]
    begin = strokes.offsets[dots]
    place = strokes.points_mm[begin]
    found: list[DotKind] = []
    for count in np.unique(counts).tolist():
        some = np.flatnonzero(counts == count)
        # Paths are told apart by a sum of products with odd whole numbers: equal paths have equal sums.
        factors = np.random.default_rng(count).integers(1, 1 << 62, size=2 * count, dtype=np.int64) | 1
        key = np.empty(len(some), dtype=np.int64)
        for low in range(0, len(some), 4096):
            part = some[low : low + 4096]
            paths = strokes.points_mm[begin[part][:, None] + np.arange(count)] - place[part][:, None]
            with np.errstate(over="ignore"):
                key[low : low + 4096] = (
                    np.round(paths / _SAME_MM).astype(np.int64).reshape(len(part), -1) * factors
                ).sum(axis=1)
        pairs = np.column_stack([key, np.round(width_mm[dots[some]] / _SAME_MM).astype(np.int64)])
        _, first, which = np.unique(pairs, axis=0, return_index=True, return_inverse=True)
        which = which.reshape(-1)
        for row, one in enumerate(first.tolist()):
            dot = some[one]
            path = strokes.points_mm[begin[dot] : begin[dot] + count]
            driven, width = driven_mm(path - path[0]), float(width_mm[dots[dot]])
            reach = float(np.hypot(*driven.T).max()) + width / 2.0
            found.append(DotKind(driven, width, place[some[which == row]], reach))
    return found


def driven_mm(path_mm: Floats, error_mm: float = CHORD_ERROR_MM) -> Floats:
    """The curve that is driven through ``path_mm`` (n, 2), with chords at most ``error_mm`` beside it."""
    curve = elements(polyline(path_mm))
    bend = np.abs(curve.curvature)
    # Sagitta of an arc with the angle a and the radius r: r (1 - cos(a / 2)), about l^2 / 8 r.
    parts = np.maximum(1, np.ceil(curve.length_mm * np.sqrt(bend / (8.0 * error_mm)))).astype(np.int64)
    which = np.repeat(np.arange(len(parts)), parts)
    step = np.arange(len(which)) - np.repeat(np.cumsum(parts) - parts, parts)
    along = curve.length_mm[which] * step / parts[which]
    turn = curve.curvature[which] * along
    heading = curve.heading_rad[which] + turn / 2.0
    # The chord of an arc: its length is l sinc(turn / 2), its heading half the turn farther.
    chord = along * np.sinc(turn / (2.0 * np.pi))
    points = curve.start_mm[which] + chord[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
    return np.vstack([points, path_mm[-1:]])


def constant(width_mm: float) -> WidthAt:
    """A tip that does not wear."""
    return lambda metres: np.full(np.shape(metres), width_mm)


def whole_bounds(passes: Sequence[PassPaint]) -> tuple[float, float, float, float] | None:
    """Smallest x and y, largest x and y of all paint; None for none."""
    boxes = [box for one in passes if len(box := one.bounds_mm())]
    if not boxes:
        return None
    low = np.min([box[:, :2].min(axis=0) for box in boxes], axis=0)
    high = np.max([box[:, 2:].max(axis=0) for box in boxes], axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
