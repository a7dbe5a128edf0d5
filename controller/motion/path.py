"""A polyline as the planner sees it: chords, places to stop, and the curvature the polyline stands for.

Owns the reading of curvature and corners from vertices. Knows no time and no machine.

A flattened curve is all corners, so neither its vertex angles nor its chords alone say how fast it may be driven.
Three facts about flattening are used (sagitta of an arc, e ~ l^2 / 8R, and vertex turn ~ l / R, so turn x chord ~ 8e):

* the turn at a vertex, divided by the mean length of the chords beside it, is the curve's curvature; where it is so
  small that rounded coordinates alone may be the reason, it is taken over a window of arc length, so that their
  noise does not look like curvature;
* a vertex whose turn x chord is more than 8e cannot come from flattening within e: it is a real corner. Sharp ones
  are stopped at, or rounded where the caller allows it; gentle ones are driven as the arc that passes their vertex
  within e, curvature turn^2 / 8e;
* so the jump of the velocity vector at any vertex that is not stopped at is at most sqrt(8 A e), whatever the radius.

The curve itself, arcs through the vertices, is made in ``controller.motion.corners``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt

FLATTENING_MM = 0.025
"""Largest sagitta that is taken for flattening rather than for a corner."""

ROUNDED_AT_MOST_DEG = 165.0
"""Corners sharper than this are stopped at even where rounding is allowed: the arc would be a pinpoint."""

TIGHT_RAD = 1.0
"""A vertex between short chords that turns by more is no corner but has no tangent either: it gets a tiny arc."""

TIGHTEST_RAD = 3.09
"""Beyond this even that arc would have no radius: a stop."""

FINE_MM = 0.0005
"""A vertex whose turn x chord is 8 times this or less may be bent by the rounding of its coordinates alone."""

WINDOW_MM = 0.15
"""Arc length on each side of such a vertex over which its turn is measured."""

WIDE_MM = 0.5
"""The same where that shows a radius of more than four times this, so that rounding counts for less."""

MERGED_MM = 0.002
"""Vertices nearer than this to the one before are left out, unless they are stops."""

SHORTEST_MM = 1e-9
"""Chords shorter than this are no chords."""

Vector = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Polyline:
    """A chain of straight chords with the vertices at which the speed is zero.

    vertices_mm: (n + 1, 2); direction: (n, 2) unit vectors; length_mm: (n,) > 0.
    along_mm: (n + 1,) arc length from the first vertex.
    stop: (n + 1,) bool, first and last always true.
    rounding_mm: (n + 1,) farthest that the curve may pass beside the vertex; 0 = through it.
    chord_of_input: (n,) index of the chord in the arrays that came in (chords without length are dropped).
    """

    vertices_mm: Vector
    direction: Vector
    length_mm: Vector
    along_mm: Vector
    stop: npt.NDArray[np.bool_]
    rounding_mm: Vector
    chord_of_input: Index

    @property
    def chords(self) -> int:
        """Number of chords."""
        return len(self.length_mm)


def polyline(
    vertices_mm: Vector,
    stop: npt.NDArray[np.bool_] | None = None,
    corner_angle_deg: float = 20.0,
    *,
    corners: Literal["stop", "round"] = "stop",
    corner_tolerance_mm: npt.ArrayLike = 0.0,
) -> Polyline:
    """The polyline through ``vertices_mm`` (n + 1, 2), stopping where ``stop`` says and at its sharp corners.

    corners: "stop" stops at every sharp corner; "round" passes beside it by at most ``corner_tolerance_mm``, one
    number or (n + 1,) by input vertex, on at most half of each chord beside it, and stops where that is 0.
    Chords without length are dropped; a stop on a dropped vertex moves to the one it coincides with. Vertices
    within MERGED_MM of the one before are dropped unless they are stops. Of what is merged the smallest tolerance
    counts.
    """
    points = np.asarray(vertices_mm, dtype=np.float64).reshape(-1, 2)
    wanted = (
        np.zeros(len(points), dtype=np.bool_) if stop is None else np.asarray(stop, dtype=np.bool_).copy()
    )
    wanted[[0, -1]] = True
    allowed = np.broadcast_to(np.asarray(corner_tolerance_mm, dtype=np.float64), (len(points),))
    kept = np.arange(len(points))
    steps = np.diff(points, axis=0)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    if bool((lengths < MERGED_MM).any()):
        kept, wanted = _apart(points, kept, wanted)
        thin = _compiled_thin()(points[kept], wanted, MERGED_MM)
        kept, wanted = _apart(points, kept[thin], wanted[thin])
        allowed = np.minimum.reduceat(allowed, kept)
        points = points[kept]
        steps = np.diff(points, axis=0)
        lengths = np.hypot(steps[:, 0], steps[:, 1])
    direction = steps / lengths[:, None]
    rounding = np.zeros(len(points))
    if len(lengths) > 1:
        turn = _turns(direction[:-1], direction[1:])
        real = turn * np.minimum(lengths[:-1], lengths[1:]) > 8 * FLATTENING_MM
        tight = ~real & (turn > TIGHT_RAD)
        sharp = real & (turn > np.radians(corner_angle_deg))
        rounding[1:-1][(real & ~sharp) | tight] = FLATTENING_MM
        if corners == "round":
            passed = sharp & (allowed[1:-1] > 0.0) & (turn < np.radians(ROUNDED_AT_MOST_DEG))
            rounding[1:-1][passed] = allowed[1:-1][passed]
            sharp &= ~passed
        wanted[1:-1] |= sharp | (tight & (turn > TIGHTEST_RAD))
        rounding[wanted] = 0.0
    return Polyline(
        points,
        direction,
        lengths,
        np.concatenate([[0.0], np.cumsum(lengths)]),
        wanted,
        rounding,
        (kept[1:] - 1).astype(np.int64),
    )


def _apart(points: Vector, kept: Index, stop: npt.NDArray[np.bool_]) -> tuple[Index, npt.NDArray[np.bool_]]:
    """Of ``kept`` points that coincide with the one before only the first, a stop when one of them is."""
    steps = np.diff(points[kept], axis=0)
    first = np.flatnonzero(np.concatenate([[True], np.hypot(steps[:, 0], steps[:, 1]) > SHORTEST_MM]))
    return kept[first], np.logical_or.reduceat(stop, first)


def _thin(points: Vector, stop: npt.NDArray[np.bool_], distance: float) -> npt.NDArray[np.bool_]:
    """Which points (n,) stay when none but a stop may be nearer than ``distance`` to the kept one before."""
    keep = np.ones(len(points), dtype=np.bool_)
    last = 0
    for i in range(1, len(points)):
        near = np.hypot(points[i, 0] - points[last, 0], points[i, 1] - points[last, 1]) < distance
        if near and not stop[i]:
            keep[i] = False
            continue
        if near and not stop[last]:
            keep[last] = False
        last = i
    return keep


@cache
def _compiled_thin() -> Callable[[Vector, npt.NDArray[np.bool_], float], npt.NDArray[np.bool_]]:
    from controller.motion.compiled import compiled

    return compiled(_thin)


def _turns(before: Vector, after: Vector) -> Vector:
    """Angle (n,) between vectors, 0 to pi."""
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    dot = np.einsum("ij,ij->i", before, after)
    turns: Vector = np.arctan2(np.abs(cross), dot)
    return turns


def vertex_curvature(path: Polyline, window_mm: float = WINDOW_MM) -> Vector:
    """Curvature (n + 1,) in 1/mm at every vertex, from the chords to places ``window_mm`` before and after.

    Zero where the path stops, there is none to drive.
    """
    curvature = np.zeros(path.chords + 1)
    inner = np.flatnonzero(~path.stop)
    if not len(inner):
        return curvature
    stops = np.flatnonzero(path.stop)
    piece = np.searchsorted(stops, inner)
    along = path.along_mm
    slack = 1e-12 * max(1.0, float(along[-1]))
    back = np.searchsorted(along, along[inner] - window_mm + slack, side="right") - 1
    back = np.maximum(np.minimum(back, inner - 1), stops[piece - 1])
    ahead = np.searchsorted(along, along[inner] + window_mm - slack, side="left")
    ahead = np.minimum(np.maximum(ahead, inner + 1), stops[piece])
    before = path.vertices_mm[inner] - path.vertices_mm[back]
    after = path.vertices_mm[ahead] - path.vertices_mm[inner]
    turn = _turns(before, after)
    # The arc that flattens to this turn with the largest sagitta: chord l = 8 e / turn, curvature turn / l.
    reach = 16 * FLATTENING_MM * np.sin(0.5 * turn) / np.maximum(turn, 1e-12) ** 2
    mean = 0.5 * (  # where the turn is tiny the reach is huge, and the chords count
        np.minimum(np.hypot(before[:, 0], before[:, 1]), reach)
        + np.minimum(np.hypot(after[:, 0], after[:, 1]), reach)
    )
    curvature[inner] = 2 * np.sin(0.5 * turn) / np.maximum(mean, SHORTEST_MM)
    # Next to a stop the window is cut short and shows noise: there the nearest whole window speaks.
    whole = (along[inner] - along[stops[piece - 1]] >= window_mm) & (
        along[stops[piece]] - along[inner] >= window_mm
    )
    good, short = np.flatnonzero(whole), np.flatnonzero(~whole)
    if len(good) and len(short):
        right = np.searchsorted(good, short)
        for side in (right - 1, right):
            near = good[np.clip(side, 0, len(good) - 1)]
            same = piece[near] == piece[short]
            curvature[inner[short[same]]] = curvature[inner[near[same]]]
    return curvature
