"""Canvas mm to axis mm and back: registration, squareness, sag and length tables as one exact, invertible map.

Owns how the plane of the canvas lies on the two axes. Knows no time, no play, no belt and no bus.

Frames, all x to the right, y downwards, seen facing the wall:

* **canvas mm** c: zero at the canvas' top left corner; the artwork is true to size in it.
* **machine mm** m: true millimetres on two axes at right angles.
* **axis mm** a: where belt pitch, teeth and gear say that the axes stand, zero by the homing switches; what the
  drives are told and what they report. Soft limits, homing and park position are axis mm.

From an axis place a to the canvas, with e_x, e_y the length tables, d the sag and q the squareness:

    s_x = a_x + e_x(a_x)         error = true place - place that the axis reads
    s_y = a_y + e_y(a_y)
    y   = s_y + d(a_x)           drop: positive hangs lower
    x   = s_x + q s_y            positive: x drifts to the right going down, squareness_mm_m = 1000 q
    m   = (x, y) = origin + M (c, 1)

M (2, 3) is the registration: canvas mm where the artwork says a place is, to canvas mm from the corner at ``origin``
where it truly is; by default the identity. All tables are read at the places that the axes show, straight lines
between their places, the first and last value held beyond. The inverse is in closed form and exact but for rounding:
u = x - q y = s_x - q d(a_x) depends on a_x alone, and a broken line is inverted by the broken line of its images.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import hypot
from typing import Self

import numpy as np
import numpy.typing as npt

from controller.config.machine import Machine
from controller.config.plane import Plane
from controller.motion.compiled import compiled
from controller.motion.frames import Vector

EDGE, FROM, ONTO, SLOPE, DROP, DROP_SLOPE = range(6)
"""Columns of a piece of a broken line: it holds from EDGE on, where FROM goes ONTO with SLOPE; the sag there."""

SAME_PLACE_MM = 1e-9
"""Places of two tables nearer than this are one: a straight line between them would have no slope to speak of."""


@dataclass(frozen=True, slots=True, eq=False)
class GeometryMap:
    """The map of one machine and one registration. Every method is vectorised and changes nothing.

    ``affine`` (2, 3): canvas mm to (u, y), u = x - q y. ``back`` (2, 3): its inverse. ``onto_x``, ``onto_y`` (k, 6):
    broken lines from u and s_y to axis mm; ``from_x``, ``from_y``: their inverses. ``size_mm`` (2,): of the canvas.
    """

    affine: Vector
    back: Vector
    onto_x: Vector
    onto_y: Vector
    from_x: Vector
    from_y: Vector
    size_mm: Vector

    @classmethod
    def of(cls, machine: Machine, registration: npt.ArrayLike | None = None) -> Self:
        """The map of ``machine``; ``registration`` (2, 3) as in the module's header, None for the identity.

        Raises ValueError when the registration is not finite, mirrors or flattens.
        """
        return cls.made(
            machine.plane,
            origin_mm=machine.canvas.origin_mm,
            size_mm=machine.canvas.size_mm,
            registration=registration,
        )

    @classmethod
    def made(
        cls,
        plane: Plane,
        *,
        origin_mm: npt.ArrayLike,
        size_mm: npt.ArrayLike,
        registration: npt.ArrayLike | None = None,
    ) -> Self:
        """The same without a machine: a plane, and a canvas of ``size_mm`` with its corner at ``origin_mm``.

        Raises ValueError for tables whose places or true places do not rise (no inverse), and as ``of``.
        """
        origin = np.asarray(origin_mm, dtype=np.float64).reshape(2)
        moved = _checked(np.eye(2, 3) if registration is None else registration)
        moved[:, 2] += origin
        shear = np.array([[1.0, -plane.squareness], [0.0, 1.0]])
        affine = shear @ moved
        inverse = np.linalg.inv(affine[:, :2])
        back = np.column_stack([inverse, -inverse @ affine[:, 2]])
        places_x, errors_x = _rising(*plane.lengths[0])
        places_y, errors_y = _rising(*plane.lengths[1])
        places_d, drops = _rising(*plane.sag)
        knots = np.union1d(places_x, places_d)
        knots = knots[np.diff(knots, prepend=-np.inf) > SAME_PLACE_MM]
        drop = np.interp(knots, places_d, drops)
        true_x = knots + np.interp(knots, places_x, errors_x) - plane.squareness * drop
        true_y = places_y + errors_y
        level = np.zeros_like(places_y)
        return cls(
            affine=affine,
            back=back,
            onto_x=_pieces(true_x, knots, drop),
            onto_y=_pieces(true_y, places_y, level),
            from_x=_pieces(knots, true_x, drop),
            from_y=_pieces(places_y, true_y, level),
            size_mm=np.asarray(size_mm, dtype=np.float64).reshape(2),
        )

    def to_axes(self, canvas_mm: npt.ArrayLike) -> Vector:
        """Canvas mm (..., 2) to axis mm of the same shape."""
        points = np.ascontiguousarray(canvas_mm, dtype=np.float64)
        return _to_axes(points.reshape(-1, 2), self.affine, self.onto_x, self.onto_y).reshape(points.shape)

    def to_canvas(self, axis_mm: npt.ArrayLike) -> Vector:
        """Inverse of ``to_axes``."""
        points = np.ascontiguousarray(axis_mm, dtype=np.float64)
        return _to_canvas(points.reshape(-1, 2), self.back, self.from_x, self.from_y).reshape(points.shape)

    def shape_error_mm(self, extent_mm: float) -> float:
        """Bound of what it costs to use one image of a shape at all of its places on the canvas, in axis mm.

        Let the points of a shape lie within ``extent_mm`` of its first point, and let it be mapped at any one place
        of the canvas: moved so that the first points meet, that image is nowhere farther than this from the image at
        any other place. 0 when the map is affine: a registration, a squareness or a uniform scale bend no shape.

        Along a straight line the map's difference is the mean of its Jacobian over the line, which lies in the
        convex hull of the pieces' Jacobians; the largest distance of two points of a hull is that of two corners.
        """
        rows = self._rows()
        spread = [
            max((float(np.linalg.norm(one - other)) for one, other in combinations(row, 2)), default=0.0)
            for row in rows
        ]
        return float(extent_mm) * hypot(*spread)

    def largest_stretch(self) -> float:
        """Bound of axis mm moved for one canvas mm, over the canvas: speeds and accelerations grow by no more."""
        x, y = self._rows()
        return max(float(np.linalg.norm(np.stack([one, other]), 2)) for one in x for other in y)

    def _rows(self) -> tuple[list[Vector], list[Vector]]:
        """Corners of hulls that hold the rows of every Jacobian d(a_x, a_y)/d(canvas) on the canvas.

        Row x is h u' with h = da_x/du, row y is g (y' - k u') with g = da_y/ds_y and k = d(drop)/du; u' and y' are
        the rows of ``affine``. Row y is linear in g and in k, so its values lie within the hull of the corners.
        """
        width, height = self.size_mm
        corners = np.array([[0.0, 0.0], [width, 0.0], [0.0, height], [width, height]])
        u, y = (corners @ self.affine[:, :2].T + self.affine[:, 2]).T
        of_x = _reached(self.onto_x, u.min(), u.max())
        drops = [_drop_at(self.onto_x, place) for place in (u.min(), u.max(), *of_x[1:, EDGE])]
        of_y = _reached(self.onto_y, y.min() - max(drops), y.max() - min(drops))
        u_row, y_row = self.affine[:, :2]
        row_x = [h * u_row for h in _ends(of_x[:, SLOPE])]
        row_y = [g * (y_row - k * u_row) for g in _ends(of_y[:, SLOPE]) for k in _ends(of_x[:, DROP_SLOPE])]
        return row_x, row_y


def _rising(places: npt.ArrayLike, values: npt.ArrayLike) -> tuple[Vector, Vector]:
    """Both as arrays, refused when they do not match or the places do not rise."""
    where, what = np.asarray(places, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if where.ndim != 1 or where.shape != what.shape or not len(where):
        raise ValueError(f"expected two lists of one length, got {where.shape} and {what.shape}")
    if not (np.isfinite(where).all() and np.isfinite(what).all() and (np.diff(where) > 0).all()):
        raise ValueError("expected finite numbers at places that rise")
    return where, what


def _checked(registration: npt.ArrayLike) -> Vector:
    """A copy of the registration, refused when it has no inverse or mirrors."""
    moved = np.array(registration, dtype=np.float64)
    if moved.shape != (2, 3) or not np.isfinite(moved).all():
        raise ValueError(f"expected a registration of 2 rows and 3 columns of finite numbers, got {moved}")
    if not np.linalg.det(moved[:, :2]) > 0:
        raise ValueError("expected a registration that neither mirrors nor flattens")
    return moved


def _pieces(places: Vector, images: Vector, drop: Vector) -> Vector:
    """A broken line as pieces (k + 1, 6), shifted by a constant beyond its ends. Raises ValueError if it folds."""
    if not (np.diff(places) > 0).all():
        raise ValueError("expected a length table whose true places rise with its places")
    inner = np.column_stack(
        [
            places[:-1],
            places[:-1],
            images[:-1],
            np.diff(images) / np.diff(places),
            drop[:-1],
            np.diff(drop) / np.diff(places),
        ]
    )
    before = [-np.inf, places[0], images[0], 1.0, drop[0], 0.0]
    after = [places[-1], places[-1], images[-1], 1.0, drop[-1], 0.0]
    return np.vstack([before, inner, after])


def _reached(pieces: Vector, low: float, high: float) -> Vector:
    """The pieces that hold somewhere between ``low`` and ``high``."""
    first = int(np.searchsorted(pieces[:, EDGE], low, side="right")) - 1
    last = int(np.searchsorted(pieces[:, EDGE], high, side="left"))
    return pieces[first : max(last, first + 1)]


def _drop_at(pieces: Vector, place: float) -> float:
    piece = pieces[int(np.searchsorted(pieces[:, EDGE], place, side="right")) - 1]
    return float(piece[DROP] + (place - piece[FROM]) * piece[DROP_SLOPE])


def _ends(values: Vector) -> tuple[float, ...]:
    return tuple({float(values.min()), float(values.max())})


@compiled
def _to_axes(points: Vector, affine: Vector, onto_x: Vector, onto_y: Vector) -> Vector:
    """Points come along paths: each begins its search at the last one's piece."""
    axes = np.empty_like(points)
    i = 0
    j = 0
    for n in range(len(points)):
        u = affine[0, 0] * points[n, 0] + affine[0, 1] * points[n, 1] + affine[0, 2]
        y = affine[1, 0] * points[n, 0] + affine[1, 1] * points[n, 1] + affine[1, 2]
        while u < onto_x[i, 0]:
            i -= 1
        while i + 1 < len(onto_x) and u >= onto_x[i + 1, 0]:
            i += 1
        along = u - onto_x[i, 1]
        axes[n, 0] = onto_x[i, 2] + along * onto_x[i, 3]
        s = y - (onto_x[i, 4] + along * onto_x[i, 5])
        while s < onto_y[j, 0]:
            j -= 1
        while j + 1 < len(onto_y) and s >= onto_y[j + 1, 0]:
            j += 1
        axes[n, 1] = onto_y[j, 2] + (s - onto_y[j, 1]) * onto_y[j, 3]
    return axes


@compiled
def _to_canvas(points: Vector, back: Vector, from_x: Vector, from_y: Vector) -> Vector:
    """Inverse of ``_to_axes``."""
    canvas = np.empty_like(points)
    i = 0
    j = 0
    for n in range(len(points)):
        a = points[n, 0]
        b = points[n, 1]
        while a < from_x[i, 0]:
            i -= 1
        while i + 1 < len(from_x) and a >= from_x[i + 1, 0]:
            i += 1
        while b < from_y[j, 0]:
            j -= 1
        while j + 1 < len(from_y) and b >= from_y[j + 1, 0]:
            j += 1
        along = a - from_x[i, 1]
        u = from_x[i, 2] + along * from_x[i, 3]
        y = from_y[j, 2] + (b - from_y[j, 1]) * from_y[j, 3] + (from_x[i, 4] + along * from_x[i, 5])
        canvas[n, 0] = back[0, 0] * u + back[0, 1] * y + back[0, 2]
        canvas[n, 1] = back[1, 0] * u + back[1, 1] * y + back[1, 2]
    return canvas
