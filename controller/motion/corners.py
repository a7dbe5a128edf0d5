"""The curve that a polyline stands for: straight lines and arcs, tangent to each other.

Owns the geometry between vertices. Knows no time and no machine.

A flattened curve is driven as the arcs through its vertices and not as its chords, so that the direction does not
jump at every vertex. The tangent at a vertex is that of the circle through it and its neighbours; between two
vertices runs a biarc (two arcs that touch), which gives a flattened circle back exactly and leaves the chord by no
more than the flattening did. Corners that are rounded become one arc, tangent to both chords, on at most half of
each. All is measured along the true curve, and curvature is constant on every element, so that what the time
planner believes about the path is what is driven.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.motion.path import (
    FINE_MM,
    FLATTENING_MM,
    WIDE_MM,
    Index,
    Polyline,
    Vector,
    vertex_curvature,
)

FINE_MARGIN = 1.06
"""Curvature read over a window limits an arc only where the arc shows more than this many times as much."""

STRAIGHT_RAD = 1e-9
"""Tangents nearer to their chord than this lie on it."""


@dataclass(frozen=True, slots=True)
class Elements:
    """Lines and arcs in order.

    chord: (m,) chord of the polyline that the element lies beside. start_mm: (m, 2). heading_rad: (m,) direction at
    its beginning, x to y. curvature: (m,) in 1/mm, positive where the heading grows. length_mm: (m,) > 0.
    limiting: (m,) curvature >= 0 in 1/mm that limits the speed: that of the arc, or less where the rounding of
    coordinates may be all that it shows.
    """

    chord: Index
    start_mm: Vector
    heading_rad: Vector
    curvature: Vector
    length_mm: Vector
    limiting: Vector


def elements(path: Polyline) -> Elements:
    """The curve of ``path``."""
    n = path.chords
    length = path.length_mm
    turn = np.zeros(n + 1)
    if n > 1:
        before, after = path.direction[:-1], path.direction[1:]
        cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
        turn[1:-1] = np.arctan2(cross, np.einsum("ij,ij->i", before, after))
    turn[path.stop] = 0.0
    rounded = path.rounding_mm > 0.0
    trim, radius = _fillets(path, turn, rounded)
    leaving, arriving = _tangents(path, turn, rounded)
    at_vertex = _curvature_of_fine_vertices(path, turn)

    heading = np.arctan2(path.direction[:, 1], path.direction[:, 0])
    normal = np.stack([-path.direction[:, 1], path.direction[:, 0]], axis=1)
    inner = np.maximum(length - trim[:-1] - trim[1:], 0.0)
    begin = path.vertices_mm[:-1] + trim[:-1, None] * path.direction
    middle, psi_one, psi_two, one, two = _biarcs(inner, leaving, arriving)
    joint = begin + middle[:, :1] * path.direction + middle[:, 1:] * normal
    chord_one, chord_two = np.hypot(*middle.T), np.hypot(inner - middle[:, 0], middle[:, 1])
    k_one = 2.0 * np.sin(psi_one) / np.where(one > 0.0, chord_one, 1.0)
    k_two = 2.0 * np.sin(psi_two) / np.where(two > 0.0, chord_two, 1.0)

    # The second half of the arc at the chord's beginning, from the arc's middle; the first half of that at its end.
    quarter = 0.25 * turn
    half_chord = 2.0 * radius * np.sin(np.abs(quarter))
    back = heading - quarter[:-1]
    mid_arc = begin - half_chord[:-1, None] * np.stack([np.cos(back), np.sin(back)], axis=1)
    arc_length = 0.5 * radius * np.abs(turn)
    arc_k = np.divide(np.sign(turn), radius, out=np.zeros(n + 1), where=radius > 0.0)
    arc_begin = path.vertices_mm[1:] - trim[1:, None] * path.direction

    start = np.stack([mid_arc, begin, joint, arc_begin], axis=1).reshape(-1, 2)
    headings = np.stack(
        [heading - 2.0 * quarter[:-1], heading + leaving, heading + leaving + 2.0 * psi_one, heading], axis=1
    ).ravel()
    curvature = np.stack([arc_k[:-1], k_one, k_two, arc_k[1:]], axis=1).ravel()
    lengths = np.stack([arc_length[:-1], one, two, arc_length[1:]], axis=1).ravel()
    head = np.where(path.stop[:-1], at_vertex[1:], at_vertex[:-1])
    tail = np.where(path.stop[1:], at_vertex[:-1], at_vertex[1:])
    at_ends = np.stack([head, head, tail, tail], axis=1).ravel()
    limiting = np.minimum(np.abs(curvature), at_ends)
    chord = np.repeat(np.arange(n, dtype=np.int64), 4)
    real = lengths > 1e-9 * length[chord]
    return Elements(chord[real], start[real], headings[real], curvature[real], lengths[real], limiting[real])


def _curvature_of_fine_vertices(path: Polyline, turn: Vector) -> Vector:
    """Curvature (n + 1,) read over a window at vertices that rounding alone may have bent; infinite at the others."""
    result = np.full(path.chords + 1, np.inf)
    fine = ~path.stop
    fine[1:-1] &= np.abs(turn[1:-1]) * np.minimum(path.length_mm[:-1], path.length_mm[1:]) <= 8 * FINE_MM
    if fine.any():
        narrow = vertex_curvature(path)
        wide = vertex_curvature(path, WIDE_MM)
        # The window sees a mean: where the curve's own peak is a little more, the arc's curvature is to count.
        result[fine] = FINE_MARGIN * np.where(narrow < 0.25 / WIDE_MM, wide, narrow)[fine]
    return result


def _fillets(path: Polyline, turn: Vector, rounded: npt.NDArray[np.bool_]) -> tuple[Vector, Vector]:
    """Length (n + 1,) cut off both chords at a rounded vertex, and the radius (n + 1,) of its arc; else 0.

    The arc passes beside the vertex by R (1 / cos(turn / 2) - 1) and needs R tan(turn / 2) of each chord.
    """
    trim, radius = np.zeros(len(turn)), np.zeros(len(turn))
    at = np.flatnonzero(rounded & (np.abs(turn) > STRAIGHT_RAD))
    half = 0.5 * np.abs(turn[at])
    wanted = path.rounding_mm[at] * np.cos(half) / (2.0 * np.sin(0.5 * half) ** 2)
    tangent = np.tan(half)
    room = 0.5 * np.minimum(path.length_mm[at - 1], path.length_mm[at])
    trim[at] = np.minimum(wanted * tangent, room)
    radius[at] = trim[at] / tangent
    return trim, radius


def _tangents(path: Polyline, turn: Vector, rounded: npt.NDArray[np.bool_]) -> tuple[Vector, Vector]:
    """Angles (n,) from each chord's direction to the curve's at its beginning and at its end.

    The circle through three vertices shares the turn between the chords by their lengths. A chord too long to be
    one of that circle is a straight line that runs into the curve: the other one takes the whole turn. Next to a
    stop the curve goes on as at the other end of the chord.
    """
    n = path.chords
    smooth = ~path.stop & ~rounded
    share = np.zeros(n + 1)
    if n > 1:
        before, after = path.length_mm[:-1], path.length_mm[1:]
        bend = 2.0 * np.abs(turn[1:-1]) / (before + after)
        share[1:-1] = before / (before + after)
        share[1:-1][(bend * before**2 > 8 * FLATTENING_MM) & (before > after)] = 0.0
        share[1:-1][(bend * after**2 > 8 * FLATTENING_MM) & (after > before)] = 1.0
    leaving = np.where(smooth, -turn * (1.0 - share), 0.0)[:-1]
    arriving = np.where(smooth, turn * share, 0.0)[1:]
    from_stop = path.stop[:-1] & smooth[1:]
    to_stop = path.stop[1:] & smooth[:-1]
    leaving[from_stop] = -arriving[from_stop]
    arriving[to_stop] = -leaving[to_stop]
    flat = (np.abs(leaving) < STRAIGHT_RAD) & (np.abs(arriving) < STRAIGHT_RAD)
    leaving[flat] = 0.0
    arriving[flat] = 0.0
    return leaving, arriving


def _biarcs(
    inner: Vector, leaving: Vector, arriving: Vector
) -> tuple[Vector, Vector, Vector, Vector, Vector]:
    """Biarcs from (0, 0) to (inner, 0) with the given tangent angles, the tangents' legs of equal length.

    Returns the joint (n, 2), half the turn of both arcs (n,), and their lengths (n,); one line where both angles
    are 0.
    """
    total = inner * (np.cos(leaving) + np.cos(arriving))
    apart = 2.0 * (1.0 - np.cos(leaving - arriving))
    leg = inner**2 / np.maximum(total + np.sqrt(total**2 + apart * inner**2), 1e-300)
    joint = np.stack(
        [
            0.5 * (inner + leg * (np.cos(leaving) - np.cos(arriving))),
            0.5 * leg * (np.sin(leaving) - np.sin(arriving)),
        ],
        axis=1,
    )
    straight = (leaving == 0.0) & (arriving == 0.0)
    joint[straight] = 0.0
    joint[straight, 0] = inner[straight]
    psi_one = np.where(straight, 0.0, np.arctan2(joint[:, 1], joint[:, 0]) - leaving)
    rest = np.arctan2(-joint[:, 1], inner - joint[:, 0])
    psi_two = np.where(straight, 0.0, rest - (leaving + 2.0 * psi_one))
    one = np.hypot(*joint.T) / np.sinc(psi_one / np.pi)
    two = np.hypot(inner - joint[:, 0], joint[:, 1]) / np.sinc(psi_two / np.pi)
    return joint, psi_one, psi_two, one, two
