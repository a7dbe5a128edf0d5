"""Minimum-time motion along a line under limits of speed, acceleration and jerk, in closed form.

Owns the scalar problem: times and the place at any instant, for many moves at once. Knows no path, no ticks and no
machine. Rest to rest there are four cases (L. Biagiotti, C. Melchiorri, Trajectory Planning for Automatic Machines
and Robots, 2008, ch. 3, from memory; equal to ruckig): speed and acceleration limit reached, only the acceleration
limit, only the speed limit, neither. All of them are one shape, seven phases symmetrical about the middle: jerk
time t_j, constant acceleration t_a, t_j again, cruise t_v, and the same backwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Vector = npt.NDArray[np.float64]

_HALVINGS = 100
"""Bisection of the peak speed of a general move: to the last bit of a float."""


@dataclass(frozen=True, slots=True)
class SCurve:
    """Rest-to-rest moves, one of them for each entry.

    distance_mm, jerk_s (t_j), constant_s (t_a), cruise_s (t_v), peak_mm_s2: arrays of one shape. Without a jerk
    limit t_j is 0 and the move is the trapezoid.
    """

    distance_mm: Vector
    jerk_s: Vector
    constant_s: Vector
    cruise_s: Vector
    peak_mm_s2: Vector

    @property
    def duration_s(self) -> Vector:
        """From rest to rest."""
        duration: Vector = 4.0 * self.jerk_s + 2.0 * self.constant_s + self.cruise_s
        return duration

    @property
    def peak_mm_s(self) -> Vector:
        """Largest speed."""
        peak: Vector = self.peak_mm_s2 * (self.jerk_s + self.constant_s)
        return peak

    def at(self, time_s: npt.ArrayLike) -> tuple[Vector, Vector, Vector]:
        """Place (mm), speed (mm/s) and acceleration (mm/s2) at ``time_s``, broadcast against the moves.

        Before the beginning the move rests at 0, after its end at the distance.
        """
        time, t_j, t_a, t_v, peak, whole = np.broadcast_arrays(
            np.asarray(time_s, dtype=np.float64),
            self.jerk_s,
            self.constant_s,
            self.cruise_s,
            self.peak_mm_s2,
            self.distance_mm,
        )
        total = 4.0 * t_j + 2.0 * t_a + t_v
        late = time > 0.5 * total
        clock = np.maximum(np.where(late, total - time, time), 0.0)
        first = np.minimum(clock, t_j)
        second = np.clip(clock - t_j, 0.0, t_a)
        third = np.clip(clock - t_j - t_a, 0.0, t_j)
        fourth = np.maximum(clock - 2.0 * t_j - t_a, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            jerk = np.where(t_j > 0.0, peak / t_j, 0.0)
        v1 = 0.5 * jerk * first**2
        v2 = v1 + peak * second
        v3 = v2 + peak * third - 0.5 * jerk * third**2
        place = (
            jerk * first**3 / 6.0
            + (v1 + 0.5 * peak * second) * second
            + (v2 + (0.5 * peak - jerk * third / 6.0) * third) * third
            + v3 * fourth
        )
        gone = clock >= 2.0 * t_j + t_a
        acceleration = np.where(gone, 0.0, np.where(clock < t_j, jerk * first, peak - jerk * third))
        return np.where(late, whole - place, place), v3, np.where(late, -acceleration, acceleration)


def rest_to_rest(
    distance_mm: npt.ArrayLike,
    speed_mm_s: npt.ArrayLike,
    acceleration_mm_s2: npt.ArrayLike,
    jerk_mm_s3: npt.ArrayLike = np.inf,
) -> SCurve:
    """The fastest moves over ``distance_mm`` >= 0 from rest to rest; limits > 0, jerk may be infinite.

    Arguments are broadcast against each other. Raises ValueError when one of them is out of range.
    """
    distance, speed, limit, jerk = np.broadcast_arrays(
        *(
            np.asarray(value, dtype=np.float64)
            for value in (distance_mm, speed_mm_s, acceleration_mm_s2, jerk_mm_s3)
        )
    )
    if not bool(np.all((distance >= 0.0) & (speed > 0.0) & (limit > 0.0) & (jerk > 0.0))):
        raise ValueError("expected a distance of 0 or more and limits above 0")
    ramp = limit / jerk  # time in which the acceleration limit is reached; 0 without a jerk limit
    reaches = speed >= limit * ramp
    t_j = np.where(reaches, ramp, np.sqrt(speed / jerk))
    t_a = np.where(reaches, speed / limit - ramp, 0.0)
    spare = distance - speed * (2.0 * t_j + t_a)
    # Too short for the speed limit: with and without a phase at the acceleration limit.
    root = ramp + np.sqrt(ramp**2 + 4.0 * distance / limit)
    peak = np.divide(2.0 * distance, root, out=np.zeros_like(root), where=root > 0.0)
    long_ramp = (distance >= 2.0 * limit * ramp**2) & (distance > 0.0)
    short_j = np.where(long_ramp, ramp, np.cbrt(0.5 * distance / jerk))
    short_a = np.where(long_ramp, np.maximum(peak / limit - ramp, 0.0), 0.0)
    cruises = spare >= 0.0
    t_j = np.where(cruises, t_j, short_j)
    t_a = np.where(cruises, t_a, short_a)
    t_v = np.where(cruises, np.maximum(spare, 0.0) / speed, 0.0)
    span = (t_j + t_a) * (2.0 * t_j + t_a + t_v)
    # From the times and the distance, so that every move ends exactly where it should.
    acceleration = np.divide(distance, span, out=np.zeros_like(span), where=span > 0.0)
    return SCurve(distance.copy(), t_j, t_a, t_v, acceleration)


def speed_change_s(
    from_mm_s: npt.ArrayLike,
    to_mm_s: npt.ArrayLike,
    acceleration_mm_s2: npt.ArrayLike,
    jerk_mm_s3: npt.ArrayLike = np.inf,
) -> Vector:
    """Shortest time in which a speed changes, the acceleration zero before and after.

    The way there is the mean of the two speeds times this time. To stop: ``to_mm_s`` 0.
    """
    change = np.abs(np.asarray(to_mm_s, dtype=np.float64) - np.asarray(from_mm_s, dtype=np.float64))
    limit = np.asarray(acceleration_mm_s2, dtype=np.float64)
    jerk = np.asarray(jerk_mm_s3, dtype=np.float64)
    time: Vector = np.where(
        change * jerk >= limit**2, change / limit + limit / jerk, 2.0 * np.sqrt(change / jerk)
    )
    return np.where(change > 0.0, time, 0.0)


def general_s(
    distance_mm: npt.ArrayLike,
    from_mm_s: npt.ArrayLike,
    to_mm_s: npt.ArrayLike,
    speed_mm_s: npt.ArrayLike,
    acceleration_mm_s2: npt.ArrayLike,
    jerk_mm_s3: npt.ArrayLike = np.inf,
) -> Vector:
    """Shortest time over ``distance_mm`` with speeds 0 <= v <= speed limit at both ends, never running backwards.

    nan where the distance is too short for the change of speed alone (one would have to run past and come back).
    """
    distance, begin, end, speed = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (distance_mm, from_mm_s, to_mm_s, speed_mm_s))
    )

    def way(peak: Vector) -> tuple[Vector, Vector]:
        up = speed_change_s(begin, peak, acceleration_mm_s2, jerk_mm_s3)
        down = speed_change_s(peak, end, acceleration_mm_s2, jerk_mm_s3)
        return 0.5 * (begin + peak) * up + 0.5 * (peak + end) * down, up + down

    low, high = np.maximum(begin, end), speed.copy()
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        fits = way(middle)[0] <= distance
        low, high = np.where(fits, middle, low), np.where(fits, high, middle)
    taken, time = way(low)
    with np.errstate(divide="ignore", invalid="ignore"):
        total = time + np.maximum(distance - taken, 0.0) / low
    result: Vector = np.where(
        taken <= distance * (1 + 1e-12) + 1e-12, np.where(distance > 0, total, 0.0), np.nan
    )
    return result
