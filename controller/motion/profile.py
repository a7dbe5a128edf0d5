"""Speed along a path: the shortest time under a speed limit and one limit on the acceleration *vector*.

Owns the mathematics of time along a polyline, acceleration-limited (jerk is not limited yet). Knows no ticks, no
quanta, no machine.

The tangential and the centripetal part share the limit: a_t^2 + (v^2 k)^2 <= A^2. With w = v^2 and
dw/ds = 2 a_t, on a stretch of constant curvature k the fastest rise is w = (A/k) sin(2 k g), g the arc length that
a start from rest would have needed; on a straight one w = 2 A g. So g is the natural coordinate of a ramp: speeding
up it grows with s, slowing down it falls, and both passes, the peak inside a stretch and the times follow from it
in closed form. A circle's run-up comes out as 45 degrees, as it must. On curved ramps the acceleration is taken
constant over stretches of ``RAMP_STEP_RAD`` of 2 k g, which lets |a| exceed A there by a share of less than
RAMP_STEP_RAD / 4.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import cast

import numpy as np
import numpy.typing as npt

from controller.motion.path import Index, Polyline, Vector, cut_by_curvature

RAMP_STEP_RAD = 0.02
STRAIGHT_RAD = 1e-6
"""A stretch that turns less than this in its whole ramp is straight."""

Sweep = Callable[[Vector, Vector, Vector, float], Vector]


@dataclass(frozen=True, slots=True)
class Profile:
    """Motion along a polyline as stretches of constant tangential acceleration, in order of time.

    chord: (m,) chord of the path; from_mm: (m,) place on it at the beginning of the stretch.
    duration_s, speed_mm_s, acceleration_mm_s2: (m,) of the stretch, the speed at its beginning.
    run: (m,) index of the run (from stop to stop) that the stretch belongs to.
    run_duration_s: (r,); run_last_chord: (r,), both by run.
    """

    path: Polyline
    chord: Index
    from_mm: Vector
    duration_s: Vector
    speed_mm_s: Vector
    acceleration_mm_s2: Vector
    run: Index
    run_duration_s: Vector
    run_last_chord: Index

    @property
    def duration_s_total(self) -> float:
        """Time from end to end."""
        return float(self.run_duration_s.sum())


def _sweep(length: Vector, curvature: Vector, limit: Vector, acceleration: float) -> Vector:
    """Squared speed (n + 1,) at the nodes: forward then backward, never above ``limit``, ramps by the sine law.

    Plain loops over floats: each node needs the one before it. Compiled by ``_compiled_sweep``.
    """
    n = len(length)
    square = np.empty(n + 1)
    square[0] = limit[0]
    for i in range(n):
        k = curvature[i]
        w = square[i]
        if k * length[i] < 1e-12:
            w += 2.0 * acceleration * length[i]
        else:
            angle = np.arcsin(min(1.0, w * k / acceleration)) + 2.0 * k * length[i]
            w = acceleration / k * (1.0 if angle >= 0.5 * np.pi else np.sin(angle))
        square[i + 1] = min(w, limit[i + 1])
    for i in range(n - 1, -1, -1):
        k = curvature[i]
        w = square[i + 1]
        if k * length[i] < 1e-12:
            w += 2.0 * acceleration * length[i]
        else:
            angle = np.arcsin(min(1.0, w * k / acceleration)) + 2.0 * k * length[i]
            w = acceleration / k * (1.0 if angle >= 0.5 * np.pi else np.sin(angle))
        square[i] = min(w, square[i])
    return square


@cache
def _compiled_sweep() -> Sweep:
    """``_sweep`` as machine code. Imported on first use: planning needs it, ``--help`` does not."""
    from numba import njit

    try:
        return cast("Sweep", njit(cache=True)(_sweep))
    except RuntimeError:  # no folder that the compiled code could be kept in: compile anew each time
        return cast("Sweep", njit(_sweep))


def _ramp_mm(square: Vector, curvature: Vector, acceleration: float) -> Vector:
    """Arc length g that a start from rest needs to reach ``square`` = v^2 on the given curvature."""
    straight = square / (2.0 * acceleration)
    sine = np.minimum(1.0, square * curvature / acceleration)
    with np.errstate(divide="ignore", invalid="ignore"):
        curved = np.arcsin(sine) / (2.0 * curvature)
    ramp: Vector = np.where(sine < STRAIGHT_RAD, straight, curved)
    return ramp


def _ramp_square(ramp_mm: Vector, curvature: Vector, acceleration: float) -> Vector:
    """Inverse of ``_ramp_mm``: v^2 after ``ramp_mm`` from rest."""
    angle = 2.0 * curvature * ramp_mm
    with np.errstate(divide="ignore", invalid="ignore"):
        curved = acceleration / curvature * np.sin(np.minimum(angle, 0.5 * np.pi))
    square: Vector = np.where(angle < STRAIGHT_RAD, 2.0 * acceleration * ramp_mm, curved)
    return square


def plan_profile(path: Polyline, speed_mm_s: npt.ArrayLike, acceleration_mm_s2: float) -> Profile:
    """The fastest motion along ``path``, at rest at each of its stops.

    speed_mm_s: limit of the speed, one number or (chords,). acceleration_mm_s2: limit of the vector's length.
    """
    limit_speed = np.broadcast_to(np.asarray(speed_mm_s, dtype=np.float64), (path.chords,))
    cells = cut_by_curvature(path)
    acceleration = float(acceleration_mm_s2)
    n = len(cells.chord)
    with np.errstate(divide="ignore"):
        cap = np.minimum(limit_speed[cells.chord] ** 2, acceleration / cells.curvature)
    limit = np.empty(n + 1)
    limit[1:-1] = np.minimum(cap[:-1], cap[1:])
    starts_chord = np.concatenate([[True], cells.chord[1:] != cells.chord[:-1]])
    at_stop = starts_chord & path.stop[cells.chord]
    limit[:-1][at_stop] = 0.0
    limit[-1] = 0.0
    square = _compiled_sweep()(cells.length_mm, cells.curvature, limit, acceleration)

    before, after = square[:-1], square[1:]
    ramp_before = _ramp_mm(before, cells.curvature, acceleration)
    ramp_after = _ramp_mm(after, cells.curvature, acceleration)
    ramp_peak = np.minimum(
        0.5 * (ramp_before + ramp_after + cells.length_mm), _ramp_mm(cap, cells.curvature, acceleration)
    )
    rise = np.clip(ramp_peak - ramp_before, 0.0, cells.length_mm)
    fall = np.clip(ramp_peak - ramp_after, 0.0, cells.length_mm - rise)
    cruise = np.maximum(cells.length_mm - rise - fall, 0.0)
    peak = np.maximum(_ramp_square(ramp_peak, cells.curvature, acceleration), np.maximum(before, after))

    # Cut each cell into its ramps and its cruise; curved ramps into short stretches.
    negligible = 1e-9 * cells.length_mm
    count_rise = np.where(rise > negligible, np.ceil(2 * cells.curvature * rise / RAMP_STEP_RAD), 0)
    count_rise = np.maximum(count_rise, rise > negligible).astype(np.int64)
    count_fall = np.where(fall > negligible, np.ceil(2 * cells.curvature * fall / RAMP_STEP_RAD), 0)
    count_fall = np.maximum(count_fall, fall > negligible).astype(np.int64)
    count_cruise = (cruise > negligible).astype(np.int64)
    counts = np.stack([count_rise, count_cruise, count_fall], axis=1).ravel()
    parts = np.repeat(np.arange(3 * n), counts)
    step = np.arange(len(parts)) - np.repeat(np.cumsum(counts) - counts, counts)
    cell, phase = np.divmod(parts, 3)
    share = np.stack([step / counts[parts], (step + 1) / counts[parts]])
    k = cells.curvature[cell]
    ramp = np.where(
        phase == 0,
        ramp_before[cell] + share * rise[cell],
        np.where(phase == 2, ramp_after[cell] + (1 - share) * fall[cell], ramp_peak[cell]),
    )
    ends = np.minimum(_ramp_square(ramp, k, acceleration), peak[cell])
    speed = np.sqrt(ends)
    stretch = np.stack([rise, cruise, fall], axis=1).ravel()[parts] / counts[parts]
    offset = np.stack([np.zeros(n), rise, cells.length_mm - fall], axis=1).ravel()[parts]
    from_mm = cells.from_mm[cell] + offset + step * stretch
    duration = 2.0 * stretch / (speed[0] + speed[1])
    change = np.where(phase == 1, 0.0, (ends[1] - ends[0]) / (2.0 * stretch))

    chord = cells.chord[cell]
    run_of_chord = np.cumsum(path.stop[:-1]) - 1
    run = run_of_chord[chord]
    run_duration = np.bincount(run, weights=duration, minlength=int(run_of_chord[-1]) + 1)
    return Profile(
        path,
        chord,
        from_mm,
        duration,
        speed[0],
        change,
        run,
        run_duration.astype(np.float64),
        np.flatnonzero(path.stop[1:]).astype(np.int64),
    )
