"""Where closed lines begin: at a place where an axis turns round anyway, and which of those is the nearest.

Owns the choice of a loop's start. Knows no machine, but one fact of all of them: where an axis turns round, its play
has to be taken up. A loop that begins at an extreme of an axis has that turn outside the stroke, in its lead-in,
with the pen up. Extremes that both axes share, and corners, where the pen stops anyway, are worth some way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.strokes.strokeset import StrokeKind, StrokeSet

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

EXTREME_MM = 1e-6
"""A vertex this near to the loop's largest or smallest x or y is an extreme of that axis."""

SWING_MM = 0.2
"""A smaller extreme counts when the axis goes at least so far to it and away from it."""

CORNER_RAD = np.radians(20.0)
CORNER_MM = 0.2
"""A vertex is a corner when its turn is above CORNER_RAD and turn x shorter chord above this, 8 x 0.025 mm: more
than flattening leaves."""

REVERSAL_WORTH_MM = 30.0
CORNER_WORTH_MM = 15.0
"""So much way with the pen up is gone farther for one reversal less in the stroke, and for a joint at a corner."""


@dataclass(frozen=True, slots=True)
class Starts:
    """Vertices at which loops may begin.

    loop: (L,) index of the stroke; first: (L + 1,) where its vertices begin in ``vertex``.
    vertex: (C,) number of the vertex within its stroke, rising; place_mm: (C, 2).
    price_mm: (C,) the way that beginning there costs beside the loop's best place.
    """

    loop: Ints
    first: Ints
    vertex: Ints
    place_mm: Floats
    price_mm: Floats

    def nearest_to(self, here_mm: Floats, there_mm: Floats) -> Ints:
        """For each loop (L,) the place in ``vertex`` with the shortest way, price included, from ``here_mm`` (L, 2)
        over it on to ``there_mm`` (L, 2); where that is not a number, only to it. The lowest of equal ones."""
        count = np.diff(self.first)
        way = np.hypot(*(self.place_mm - np.repeat(here_mm, count, axis=0)).T)
        onward = np.hypot(*(self.place_mm - np.repeat(there_mm, count, axis=0)).T)
        way += np.where(np.isnan(onward), 0.0, onward) + self.price_mm
        least = np.repeat(np.minimum.reduceat(way, self.first[:-1]), count)
        shortest = np.flatnonzero(way <= least + 1e-9)
        owner = np.searchsorted(self.first, shortest, side="right") - 1
        _, at = np.unique(owner, return_index=True)
        chosen: Ints = shortest[at].astype(np.int64)
        return chosen


def possible_starts(strokes: StrokeSet) -> Starts:
    """The best places to begin each loop of ``strokes``, its closing vertex left out."""
    loop = np.flatnonzero(
        (strokes.kind == StrokeKind.LOOP) & (np.diff(strokes.offsets) > 2) & _closed(strokes)
    ).astype(np.int64)
    if not len(loop):
        none = np.zeros(0, dtype=np.int64)
        return Starts(none, np.zeros(1, dtype=np.int64), none, np.zeros((0, 2)), np.zeros(0))
    begin, count = strokes.offsets[loop], np.diff(strokes.offsets)[loop] - 1
    edge = np.concatenate([[0], np.cumsum(count)])
    within = np.arange(edge[-1]) - np.repeat(edge[:-1], count)
    source = np.repeat(begin, count) + within
    points = strokes.points_mm[source]
    low = np.repeat(np.minimum.reduceat(points, edge[:-1], axis=0), count, axis=0)
    high = np.repeat(np.maximum.reduceat(points, edge[:-1], axis=0), count, axis=0)
    ahead = strokes.points_mm[source + 1] - points
    extreme = (points <= low + EXTREME_MM) | (points >= high - EXTREME_MM)
    for axis in range(2):
        extreme[:, axis] |= _swings(points[:, axis], ahead[:, axis], edge)
    behind = points - points[np.repeat(edge[:-1], count) + (within - 1) % np.repeat(count, count)]
    turn = np.abs(np.arctan2(_cross(behind, ahead), np.einsum("ij,ij->i", behind, ahead)))
    shorter = np.minimum(np.hypot(*behind.T), np.hypot(*ahead.T))
    corner = (turn > CORNER_RAD) & (turn * shorter > CORNER_MM)
    worth = REVERSAL_WORTH_MM * extreme.sum(axis=1) + CORNER_WORTH_MM * corner
    price = np.repeat(np.maximum.reduceat(worth, edge[:-1]), count) - worth
    chosen = np.flatnonzero(extreme.any(axis=1))
    owner = np.searchsorted(edge, chosen, side="right") - 1
    first = np.searchsorted(owner, np.arange(len(loop) + 1))
    return Starts(
        loop, first.astype(np.int64), within[chosen].astype(np.int64), points[chosen], price[chosen]
    )


def _swings(place: Floats, ahead: Floats, edge: Ints) -> Flags:
    """Where one axis turns round after SWING_MM at least, and goes back as far: (N,) by vertex of all loops.

    place: (N,) the axis' coordinate; ahead: (N,) the step from each vertex to the next, round the loop; edge:
    (L + 1,) where loops begin. Both ends of a stretch on which the axis rests count.
    """
    found = np.zeros(len(place), dtype=np.bool_)
    steps = np.flatnonzero(np.abs(ahead) > 1e-9)
    if not len(steps):
        return found
    before = _previous(steps, edge)
    turning = np.sign(ahead[steps]) != np.sign(ahead[before])
    at, came = steps[turning], before[turning]
    if not len(at):
        return found
    previous = _previous(at, edge)
    swing = np.abs(place[at] - place[previous])
    order = np.searchsorted(at, previous)
    following = np.empty(len(at))
    following[order] = swing
    real = (swing >= SWING_MM) & (following >= SWING_MM)
    owner = np.searchsorted(edge, came[real], side="right") - 1
    begin, size = edge[:-1][owner], np.diff(edge)[owner]
    found[at[real]] = True
    found[begin + (came[real] - begin + 1) % size] = True
    return found


def _previous(members: Ints, edge: Ints) -> Ints:
    """Of each of the rising ``members`` the one before it in its own loop, the last before the first."""
    owner = np.searchsorted(edge, members, side="right") - 1
    previous = np.roll(members, 1)
    first = np.concatenate([[True], owner[1:] != owner[:-1]])
    last = np.roll(first, -1)
    previous[first] = members[last]
    return previous


def _closed(strokes: StrokeSet) -> npt.NDArray[np.bool_]:
    starts, ends = strokes.points_mm[strokes.offsets[:-1]], strokes.points_mm[strokes.offsets[1:] - 1]
    same: npt.NDArray[np.bool_] = np.all(starts == ends, axis=1)
    return same


def _cross(a: Floats, b: Floats) -> Floats:
    product: Floats = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return product
