"""How long strokes take before there is a schedule: a model.

Owns the model of painting time. It looks at speed, acceleration, bends and stops, not at play, belt and pen: the
schedule does, and where it exists it counts (``passes.settled``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.config.job import Ink
from controller.config.machine import Machine
from controller.strokes.strokeset import StrokeSet
from controller.strokes.travel import TravelCost, first_signs

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LAGS_AT_REST: Final = 4.0
"""Rests around each stroke beside the pen's own, in loop lags of the slower axis: by comparison with schedules."""


@dataclass(frozen=True, slots=True)
class StrokeTimes:
    """Seconds of the strokes of one ink, in the order in which they are given.

    painting_s: (S,) pen down, with its lowering, raising and rests. length_mm: (S,). Ways with the pen up are asked for
    with ``approach_s``, since they depend on what was painted before. All are the model's times ``_pace``.
    """

    painting_s: Floats
    length_mm: Floats
    _entry_mm: Floats
    _leave_mm: Floats
    _signs: npt.NDArray[np.int8]
    _park_mm: tuple[float, float]
    _cost: TravelCost
    _pace: float = 1.0

    def __len__(self) -> int:
        return len(self.painting_s)

    @classmethod
    def of(cls, strokes: StrokeSet, ink: Ink, machine: Machine, pace: float = 1.0) -> StrokeTimes:
        """By the model. Tip and holder are taken for one, canvas and machine for parallel.

        pace: what schedules have taken over what the model says, where that is known.
        """
        motion, head = machine.motion, machine.head
        speed = ink.paint_speed_mm_s if ink.paint_speed_mm_s is not None else motion.paint_speed_mm_s
        lag_ms = max(axis.loop_lag_ms for axis in machine.axes.values())
        still_s = (head.settle_down_ms + head.settle_up_ms + LAGS_AT_REST * lag_ms) / 1000.0
        moving = painting_s(
            strokes,
            TravelCost(speed, motion.acceleration_mm_s2, motion.jerk_mm_s3),
            np.radians(motion.corner_angle_deg) if motion.corners == "stop" else np.pi,
        )
        first, last = strokes.offsets[:-1], strokes.offsets[1:] - 1
        park = (
            machine.park_mm[0] - machine.canvas.origin_mm[0],
            machine.park_mm[1] - machine.canvas.origin_mm[1],
        )
        return cls(
            pace * (moving + still_s),
            strokes.lengths_mm(),
            strokes.points_mm[first],
            strokes.points_mm[last],
            first_signs(strokes.points_mm, first, first + 1),
            park,
            TravelCost.of(machine),
            pace,
        )

    def approach_s(self, order: Ints) -> Floats:
        """Way with the pen up to each of the strokes ``order`` (n,), the first from the park position."""
        here = np.concatenate([np.reshape(self._park_mm, (1, 2)), self._leave_mm[order[:-1]]])[: len(order)]
        return self._pace * self._cost.links(here, self._entry_mm[order], self._signs[order])

    def from_park_s(self) -> Floats:
        """Way from the park position to every stroke (S,)."""
        park = np.broadcast_to(np.asarray(self._park_mm), self._entry_mm.shape)
        return self._pace * self._cost.links(park, self._entry_mm, self._signs)

    def to_park_s(self) -> Floats:
        """Way from the end of every stroke (S,) to the park position."""
        return self._pace * self._cost.straight(np.hypot(*(self._leave_mm - np.asarray(self._park_mm)).T))

    def begins_s(self, order: Ints) -> Floats:
        """When the pen comes down on each of ``order`` (n,) after the pass has begun."""
        each = self.painting_s[order]
        begins: Floats = np.cumsum(self.approach_s(order) + each) - each
        return begins

    def seconds(self, order: Ints) -> float:
        """A pass of ``order`` from park to park."""
        if not len(order):
            return 0.0
        return float(self.begins_s(order)[-1] + self.painting_s[order[-1]] + self.to_park_s()[order[-1]])


def painting_s(strokes: StrokeSet, cost: TravelCost, corner_rad: float) -> Floats:
    """Seconds (S,) from each stroke's first point to its last at the limits ``cost`` (of speed, acceleration, jerk).

    Sharper turns than ``corner_rad`` are stops. Between stops the S-curve from rest to rest over the way between them,
    and what bends cost: there the speed is sqrt(a r) at most, r from the turn at a vertex over half its chords.
    """
    points = strokes.points_mm
    count = len(points)
    if count < 2:
        return np.zeros(len(strokes))
    way = np.diff(points, axis=0)
    length = np.hypot(*way.T)
    inside = np.ones(count - 1, dtype=np.bool_)
    inside[strokes.offsets[1:-1] - 1] = False
    owner = np.searchsorted(strokes.offsets, np.arange(count - 1), side="right") - 1
    turn = np.zeros(count)
    turn[1:-1] = np.abs(
        np.arctan2(
            way[:-1, 0] * way[1:, 1] - way[:-1, 1] * way[1:, 0], np.einsum("ij,ij->i", way[:-1], way[1:])
        )
    )
    ends = np.zeros(count, dtype=np.bool_)
    ends[strokes.offsets[:-1]] = ends[strokes.offsets[1:] - 1] = True
    turn[ends] = 0.0
    stop = turn > corner_rad
    part = (
        np.cumsum(stop[:-1] | ends[:-1]) - 1
    )  # runs between stops, by chord; a last vertex begins an empty one
    ways = np.bincount(part[inside], weights=length[inside]).astype(np.float64)
    whose = np.zeros(len(ways), dtype=np.int64)
    whose[part[inside]] = owner[inside]
    moving = np.where(ways > 0.0, cost.straight(ways), 0.0)
    total = np.bincount(whose, weights=moving, minlength=len(strokes)).astype(np.float64)
    # Bends: the part of each chord's time beyond that at full speed.
    smooth = np.where(stop, 0.0, turn)
    half = 0.5 * (smooth[:-1] + smooth[1:])
    with np.errstate(divide="ignore", invalid="ignore"):
        slow = np.sqrt(cost.acceleration_mm_s2 * length / half)
        extra = np.where(
            half > 0.0, length / np.minimum(slow, cost.speed_mm_s) - length / cost.speed_mm_s, 0.0
        )
    total += np.bincount(owner[inside], weights=extra[inside], minlength=len(strokes))
    return total
