"""Curves to polylines within a stated tolerance, all curves of a drawing at once.

Owns the table of segments that a drawing's outlines are collected in, and the step counts: for cubics the bound of
second differences (Wang 1984), for arcs the sagitta of the chord. Knows no XML, no inks; coordinates are mm.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.artwork.limits import TooMuchError
from controller.artwork.pathdata import EllipseArc
from controller.artwork.units import Matrix, SyntaxMistake, apply, compose, stretches

Floats = npt.NDArray[np.float64]

_LINE, _CUBIC, _ARC = 0, 1, 2
_WIDTH = 10  # end (2), then cubic: three control points (6); arc: centre (2), axes (4), start, sweep
FARTHEST_MM = 1e6  # a kilometre: whatever lies farther out is a slip of a unit, not a picture
NEIGHBOURS_MM = 1e-6  # vertices nearer than this are one vertex
TURN_MAX = math.radians(
    15.0
)  # a curve turns less than this from chord to chord, so that no corner is seen in it


def arc_steps(radius: Floats, sweep: Floats, tolerance: float) -> npt.NDArray[np.int64]:
    """Number of equal steps for arcs of ``sweep`` rad whose largest radius is ``radius``.

    A chord over the angle h lies radius (1 - cos(h/2)) inside its circle; the affine image of the unit circle
    stretches that by at most its larger radius. Written with the half-angle sine, which keeps its digits for large
    radii: 1 - cos(h/2) = 2 sin^2(h/4).
    """
    share = np.minimum(tolerance / np.maximum(2.0 * radius, tolerance), 0.5)
    step = 4.0 * np.arcsin(np.sqrt(share))
    steps: npt.NDArray[np.int64] = np.maximum(np.ceil(np.abs(sweep) / step - 1e-9), 1).astype(np.int64)
    return steps


def cubic_steps(points: Floats, tolerance: float) -> npt.NDArray[np.int64]:
    """Number of equal parameter steps for cubics ``points`` (n, 4, 2): ceil sqrt(d(d-1)/8 M / tolerance), d = 3.

    M is the largest second difference of the control points (Wang's bound).
    """
    second = points[:, :-2] - 2.0 * points[:, 1:-1] + points[:, 2:]
    largest = np.hypot(second[..., 0], second[..., 1]).max(axis=1)
    steps: npt.NDArray[np.int64] = np.maximum(np.ceil(np.sqrt(0.75 * largest / tolerance) - 1e-9), 1).astype(
        np.int64
    )
    return steps


def _smooth_steps(points: Floats) -> npt.NDArray[np.int64]:
    """Steps after which a cubic's control polygon has turned by TURN_MAX each, were the turn even."""
    legs = np.diff(points, axis=1)
    cross = legs[:, :-1, 0] * legs[:, 1:, 1] - legs[:, :-1, 1] * legs[:, 1:, 0]
    dot = (legs[:, :-1] * legs[:, 1:]).sum(axis=2)
    turn = np.abs(np.arctan2(cross, dot)).sum(axis=1)
    steps: npt.NDArray[np.int64] = np.maximum(np.ceil(turn / TURN_MAX - 1e-9), 1).astype(np.int64)
    return steps


@dataclass(frozen=True, slots=True)
class Polylines:
    """Flattened outlines: points (N, 2), offsets (P + 1,), closed (P,), element (P,); all with length above zero.

    ``vanished``: elements (one entry an outline) whose outline had no length and was left out.
    """

    points: Floats
    offsets: npt.NDArray[np.int64]
    closed: npt.NDArray[np.bool_]
    element: npt.NDArray[np.int32]
    vanished: npt.NDArray[np.int32]


class SegmentTable:
    """Collects outlines as rows of numbers. A ``PathSink`` once ``begin`` has named the element and its matrix."""

    def __init__(self) -> None:
        self._rows = array("d")
        self._kinds = bytearray()
        self._first_row = array("q")
        self._closed = bytearray()
        self._element = array("i")
        self._matrix: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
        self._index = 0
        self._start = (0.0, 0.0)
        self._here = (0.0, 0.0)

    def begin(self, element: int, matrix: Matrix) -> None:
        """All that follows belongs to ``element`` and is in units that ``matrix`` turns into mm."""
        self._index, self._matrix = element, matrix

    def mark(self) -> tuple[int, int]:
        """A place to go back to with ``undo``."""
        return len(self._kinds), len(self._first_row)

    def undo(self, mark: tuple[int, int]) -> None:
        """Forget all that was added since ``mark``."""
        rows, outlines = mark
        del self._rows[rows * _WIDTH :], self._kinds[rows:]
        del self._first_row[outlines:], self._closed[outlines:], self._element[outlines:]

    def move(self, x: float, y: float) -> None:
        """Begin an outline."""
        self._first_row.append(len(self._kinds))
        self._closed.append(0)
        self._element.append(self._index)
        self._start = self._point(x, y)
        self._add(_LINE, self._start)

    def line(self, x: float, y: float) -> None:
        """A straight line."""
        self._add(_LINE, self._point(x, y))

    def cubic(self, x1: float, y1: float, x2: float, y2: float, x: float, y: float) -> None:
        """A cubic Bézier: its image is the curve of the images."""
        here = self._here
        self._add(_CUBIC, self._point(x, y), *here, *self._point(x1, y1), *self._point(x2, y2))

    def arc(self, arc: EllipseArc, x: float, y: float) -> None:
        """An elliptical arc: the image of a unit circle under the arc's own map and then the element's."""
        cosine, sine = math.cos(arc.rotation), math.sin(arc.rotation)
        axes = compose(
            self._matrix,
            (
                cosine * arc.radius_x,
                sine * arc.radius_x,
                -sine * arc.radius_y,
                cosine * arc.radius_y,
                arc.centre_x,
                arc.centre_y,
            ),
        )
        if not stretches(axes)[0] <= 1e3 * FARTHEST_MM:
            raise SyntaxMistake(
                f"arc radii below {1e3 * FARTHEST_MM:g} mm", f"{arc.radius_x}, {arc.radius_y}"
            )
        self._add(
            _ARC,
            self._point(x, y),
            axes[4],
            axes[5],
            axes[0],
            axes[1],
            axes[2],
            axes[3],
            arc.start,
            arc.sweep,
        )

    def close(self) -> None:
        """A straight line back to the start."""
        self._add(_LINE, self._start)
        self._closed[-1] = 1

    def _point(self, x: float, y: float) -> tuple[float, float]:
        point = apply(self._matrix, x, y)
        if not (abs(point[0]) <= FARTHEST_MM and abs(point[1]) <= FARTHEST_MM):
            raise SyntaxMistake(
                f"coordinates within {FARTHEST_MM:g} mm of the canvas' corner",
                f"({point[0]:g}, {point[1]:g}) mm",
            )
        return point

    def _add(self, kind: int, end: tuple[float, float], *rest: float) -> None:
        self._kinds.append(kind)
        self._rows.extend((*end, *rest, *([0.0] * (_WIDTH - 2 - len(rest)))))
        self._here = end

    @property
    def segments(self) -> int:
        """Number of segments taken in, the beginnings of outlines counted."""
        return len(self._kinds)

    def flatten(self, tolerance: float, vertices_max: int = 2**62) -> Polylines:
        """All outlines as polylines that stray at most ``tolerance`` (mm) from the true curves; ends the collecting.

        Raises TooMuchError before anything is worked out where more than ``vertices_max`` vertices would come.
        """
        kinds = np.frombuffer(self._kinds, dtype=np.uint8)
        rows = np.frombuffer(self._rows, dtype=np.float64).reshape(-1, _WIDTH)
        first_row = np.frombuffer(self._first_row, dtype=np.int64)
        closed = np.frombuffer(self._closed, dtype=np.uint8).astype(bool)
        element = np.frombuffer(self._element, dtype=np.int32)
        steps = np.ones(len(kinds), dtype=np.int64)
        cubics, arcs = np.flatnonzero(kinds == _CUBIC), np.flatnonzero(kinds == _ARC)
        control = rows[cubics][:, [2, 3, 4, 5, 6, 7, 0, 1]].reshape(-1, 4, 2)
        steps[cubics] = np.maximum(cubic_steps(control, tolerance), _smooth_steps(control))
        steps[arcs] = np.maximum(
            arc_steps(_largest_radius(rows[arcs]), rows[arcs, 9], tolerance),
            np.ceil(np.abs(rows[arcs, 9]) / TURN_MAX - 1e-9).astype(np.int64),
        )
        past = np.cumsum(steps)
        if len(past) and past[-1] > vertices_max:
            raise TooMuchError("vertices of flattened curves", vertices_max)
        points = np.empty((int(past[-1]) if len(past) else 0, 2))
        _fill_cubics(points, control, steps[cubics], past[cubics])
        _fill_arcs(points, rows[arcs], steps[arcs], past[arcs])
        points[past - 1] = rows[:, :2]  # ends as given, to the last bit
        begin = np.concatenate([[0], past]).astype(np.int64)
        offsets = begin[np.append(first_row, len(kinds))]
        return _without_repeats(points, offsets, closed, element)


def _largest_radius(rows: Floats) -> Floats:
    a, b, c, d = rows[:, 4], rows[:, 5], rows[:, 6], rows[:, 7]
    largest: Floats = (np.hypot(a + d, b - c) + np.hypot(a - d, b + c)) / 2.0
    return largest


def _places(
    steps: npt.NDArray[np.int64], past: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], Floats, npt.NDArray[np.int64]]:
    """For every point of the given segments: which segment, its share of the way (0, 1], its row in the output."""
    which = np.repeat(np.arange(len(steps)), steps)
    within = np.arange(len(which)) - np.repeat(np.cumsum(steps) - steps, steps) + 1
    return which, within / steps[which], past[which] - steps[which] + within - 1


def _fill_cubics(
    points: Floats, control: Floats, steps: npt.NDArray[np.int64], past: npt.NDArray[np.int64]
) -> None:
    which, share, rows = _places(steps, past)
    t = share[:, None]
    s = 1.0 - t
    # de Casteljau's weights written out; the control points are fetched once for all points of a curve.
    points[rows] = (
        s**3 * control[which, 0]
        + 3.0 * s**2 * t * control[which, 1]
        + 3.0 * s * t**2 * control[which, 2]
        + t**3 * control[which, 3]
    )


def _fill_arcs(
    points: Floats, arcs: Floats, steps: npt.NDArray[np.int64], past: npt.NDArray[np.int64]
) -> None:
    which, share, rows = _places(steps, past)
    angle = arcs[which, 8] + share * arcs[which, 9]
    cosine, sine = np.cos(angle), np.sin(angle)
    points[rows, 0] = arcs[which, 2] + arcs[which, 4] * cosine + arcs[which, 6] * sine
    points[rows, 1] = arcs[which, 3] + arcs[which, 5] * cosine + arcs[which, 7] * sine


def _without_repeats(
    points: Floats,
    offsets: npt.NDArray[np.int64],
    closed: npt.NDArray[np.bool_],
    element: npt.NDArray[np.int32],
) -> Polylines:
    """Drop vertices that repeat their forerunner, then outlines without length; let closed outlines end exactly."""
    count = len(offsets) - 1
    if count == 0:
        return Polylines(points, offsets, closed, element, element[:0])
    first = offsets[:-1]
    step = np.empty(len(points))
    step[1:] = np.hypot(*np.diff(points, axis=0).T)
    step[first] = np.inf
    keep = step > NEIGHBOURS_MM
    kept = np.concatenate([[0], np.cumsum(keep)])
    offsets = kept[offsets]
    points = points[keep]
    first, last = offsets[:-1], offsets[1:] - 1
    extent = np.maximum.reduceat(
        np.hypot(*(points - np.repeat(points[first], np.diff(offsets), axis=0)).T), first
    )
    alive = extent > NEIGHBOURS_MM
    ends = np.hypot(*(points[last] - points[first]).T)
    # An outline that comes back to its start is closed, whether or not it says so.
    closed = closed | (ends <= NEIGHBOURS_MM)
    points[last[closed]] = points[first[closed]]
    counts = np.diff(offsets)
    points = points[np.repeat(alive, counts)]
    offsets = np.concatenate([[0], np.cumsum(counts[alive])]).astype(np.int64)
    return Polylines(points, offsets, closed[alive], element[alive], element[~alive])
