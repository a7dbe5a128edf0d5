"""Profiles to ticks: where the path is at each tick boundary, and the integers that are streamed.

Owns sampling and rounding. Knows no head and no segments.

Each run (from stop to stop) is stretched in time to a whole number of ticks, so every stop is on a boundary and no
limit is exceeded. A tick's velocity is the difference of rounded *positions*: the planned position at every
boundary is within half a quantum of the path on each axis, and nothing accumulates, however long the schedule.
Between two boundaries the axes run at constant velocity and are off the path by at most A h^2 / 8 more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.motion.path import Index, Vector
from controller.motion.profile import Profile

_ON_TIME = 1e-7
"""A run that is longer than a whole number of ticks by less than this share of one tick is not made longer."""


@dataclass(frozen=True, slots=True)
class Boundaries:
    """Positions at the end of every tick of a profile.

    positions_mm: (k, 2), in order of time; ticks: (r,) number of ticks of each run.
    """

    positions_mm: Vector
    ticks: Index


def sample(profile: Profile, tick_s: float) -> Boundaries:
    """Stretch every run of ``profile`` to whole ticks of ``tick_s`` and sample it at their ends."""
    durations = profile.run_duration_s
    ticks = np.maximum(np.ceil(durations / tick_s - _ON_TIME), 1).astype(np.int64)
    ends = np.cumsum(ticks)
    run = np.repeat(np.arange(len(ticks)), ticks)
    number = np.arange(1, len(run) + 1) - np.repeat(ends - ticks, ticks)
    # Time within the run, unstretched: every run is looked up on the profile's own clock, its ticks spread evenly.
    within_s = number * (durations / ticks)[run]
    first = np.searchsorted(profile.run, np.arange(len(ticks)))
    ends_s = np.cumsum(profile.duration_s)
    starts_s = ends_s - profile.duration_s
    run_start_s = starts_s[first]
    last = np.append(first[1:], len(profile.run)) - 1
    part = np.searchsorted(ends_s, run_start_s[run] + within_s, side="left")
    part = np.clip(part, first[run], last[run])
    inside_s = np.clip(run_start_s[run] + within_s - starts_s[part], 0.0, profile.duration_s[part])
    on_chord = (
        profile.from_mm[part]
        + profile.speed_mm_s[part] * inside_s
        + 0.5 * profile.acceleration_mm_s2[part] * inside_s**2
    )
    chord = profile.chord[part]
    on_chord = np.clip(on_chord, 0.0, profile.path.length_mm[chord])
    positions = profile.path.vertices_mm[chord] + on_chord[:, None] * profile.path.direction[chord]
    positions[ends - 1] = profile.path.vertices_mm[profile.run_last_chord + 1]
    return Boundaries(positions, ticks)


def to_quanta(positions_mm: Vector, quanta_per_mm: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Machine mm to the nearest points of the quantum grid, (k, 2) int64. ``quanta_per_mm`` is signed, by axis."""
    scaled = np.asarray(positions_mm, dtype=np.float64) * np.asarray(quanta_per_mm, dtype=np.float64)
    return np.rint(scaled).astype(np.int64)


def to_velocities(
    start_quanta: npt.ArrayLike, boundaries_quanta: npt.NDArray[np.int64]
) -> npt.NDArray[np.int32]:
    """Velocity (k, 2) of every tick in drive units, from rounded boundary positions. Raises OverflowError."""
    start = np.asarray(start_quanta, dtype=np.int64).reshape(1, 2)
    velocities = np.diff(boundaries_quanta, axis=0, prepend=start)
    largest = int(np.abs(velocities).max(initial=0))
    if largest > np.iinfo(np.int32).max:
        raise OverflowError(f"velocity: expected up to {np.iinfo(np.int32).max} drive units, got {largest}")
    return velocities.astype(np.int32)
