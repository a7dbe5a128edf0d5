"""What a way with the pen up costs: its length, or the time that a machine takes for it.

Owns the cost of one link between two strokes. Knows a machine's limits of travel, no schedule: what is planned in
ticks later may differ by a few hundredths of a second a link, and is what counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.config.machine import Machine

Floats = npt.NDArray[np.float64]
Signs = npt.NDArray[np.int8]

SIGNIFICANT_MM: Final = 0.005
"""A first chord says where an axis goes only by a part along it above this."""

LEAD_IN_MARGIN_MM: Final = 0.2
"""A stroke is approached over the play and this much more."""

ONE_AXIS, BOTH_AXES = 0.8, 1.05
"""Time lost at an approach in which one axis, or both, have to turn round, as a share of 2 sqrt(s / a) for the bend of
length s: measured over planned travels of two machine files, 3 to 800 mm in twelve directions each, within a fifth."""

Rules = Floats
"""The numbers that compiled loops read: see ``TravelCost.rules``."""


@dataclass(frozen=True, slots=True)
class TravelCost:
    """Cost of travelling from rest to rest in a straight line, and of axes that must turn round to begin a stroke.

    speed_mm_s, acceleration_mm_s2, jerk_mm_s3: along the path, above 0, the last two may be infinite (both, then).
    one_axis_s, both_axes_s: added where one or both axes do not arrive in the direction in which the stroke begins, or
    over less than ``reach_mm``. Seconds; with ``distance()`` mm take their place.
    """

    speed_mm_s: float
    acceleration_mm_s2: float = math.inf
    jerk_mm_s3: float = math.inf
    one_axis_s: float = 0.0
    both_axes_s: float = 0.0
    reach_mm: float = 0.0

    @classmethod
    def distance(cls) -> TravelCost:
        """Length in mm instead of time: reversals cost nothing."""
        return cls(1.0)

    @classmethod
    def of(cls, machine: Machine) -> TravelCost:
        """The time of travels on ``machine``; its largest play decides how long an approach is."""
        motion = machine.motion
        plays = [
            max(axis.play_table.play_mm) if axis.play_table is not None else axis.play_mm
            for axis in machine.axes.values()
        ]
        reach_mm = max(plays) + LEAD_IN_MARGIN_MM
        bend_s = 2.0 * math.sqrt(math.sqrt(2.0) * 2.0 * reach_mm / motion.acceleration_mm_s2)
        return cls(
            motion.travel_speed_mm_s,
            motion.acceleration_mm_s2,
            motion.jerk_mm_s3,
            ONE_AXIS * bend_s,
            BOTH_AXES * bend_s,
            reach_mm,
        )

    def rules(self) -> Rules:
        """(10,): speed, time and way of getting to it and to rest again, acceleration, its ramp's time, way up to which
        it is not reached, jerk, the prices of one axis and of both, reach."""
        v, a, j = self.speed_mm_s, self.acceleration_mm_s2, self.jerk_mm_s3
        ramp = a / j if math.isfinite(j) else 0.0
        if math.isinf(a):
            ramps_s, short_mm = 0.0, 0.0
        elif v >= a * ramp:
            ramps_s, short_mm = v / a + ramp, 2.0 * a * ramp**2
        else:  # the speed is reached before the acceleration is
            ramps_s, short_mm = 2.0 * math.sqrt(v / j), math.inf
        prices = (self.one_axis_s, self.both_axes_s, self.reach_mm)
        return np.array([v, ramps_s, v * ramps_s, a, ramp, short_mm, j, *prices])

    def straight(self, way_mm: Floats) -> Floats:
        """Cost of ways of ``way_mm`` (...), at rest at both ends, without reversals: the S-curve of Biagiotti and
        Melchiorri (Trajectory Planning for Automatic Machines and Robots, 2008, ch. 3)."""
        v, ramps_s, cruise_mm, a, ramp, short_mm, j = self.rules()[:7].tolist()
        time = way_mm / v + ramps_s
        if cruise_mm == 0.0:
            return np.asarray(time, dtype=np.float64)
        middle = ramp + np.sqrt(ramp**2 + 4.0 * way_mm / a)
        brief = 4.0 * np.cbrt(0.5 * way_mm / j)
        slower = np.where(way_mm >= short_mm, middle, brief)
        return np.asarray(np.where(way_mm >= cruise_mm, time, slower), dtype=np.float64)

    def links(self, from_mm: Floats, to_mm: Floats, first_sign: Signs) -> Floats:
        """Cost (n,) of the ways ``from_mm`` (n, 2) to ``to_mm`` (n, 2).

        first_sign: (n, 2) the direction in which each axis first moves in the stroke to come, 0 where it rests.
        """
        way = to_mm - from_mm
        against = ((first_sign != 0) & (first_sign * way < self.reach_mm)).sum(axis=1)
        price = np.array([0.0, self.one_axis_s, self.both_axes_s])[against]
        return np.asarray(self.straight(np.hypot(*way.T)) + price, dtype=np.float64)


def first_signs(points_mm: Floats, at: npt.NDArray[np.int64], after: npt.NDArray[np.int64]) -> Signs:
    """(n, 2): where the axes go on the chords from the vertices ``at`` (n,) to ``after`` (n,); 0 where not plain."""
    way = points_mm[after] - points_mm[at]
    signs: Signs = np.where(np.abs(way) > SIGNIFICANT_MM, np.sign(way), 0.0).astype(np.int8)
    return signs
