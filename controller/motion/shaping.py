"""Input shapers: a straight move so commanded that an elastic belt does not ring after it.

Owns the two classic shapers, their residual vibration, and straight moves shaped exactly. Knows no path with bends
and no drive. Source: N. C. Singer, W. P. Seering, Preshaping Command Inputs to Reduce System Vibration, J. Dynamic
Systems, Measurement, and Control 112 (1990), from memory; the numbers follow from the formulae.

A shaper is a few impulses A_i at t_i, all positive with the sum one. The shaped move is the sum of A_i s(t - t_i):
a weighted mean of one motion at several instants, so it keeps every limit of speed, acceleration and jerk, and ends
the last delay later.
"""

from __future__ import annotations

from math import ceil, exp, pi, sqrt
from typing import Literal

import numpy as np
import numpy.typing as npt

from controller.motion.scurve import SCurve, Vector, rest_to_rest

Kind = Literal["none", "zv", "zvd"]
Shaper = tuple[Vector, Vector]
"""Amplitudes (sum 1) and delays in seconds (the first 0), both (n,)."""

_ON_TIME = 1e-7
"""A move longer than whole ticks by less than this share of a tick is not made longer."""


def shaper(kind: Kind, frequency_hz: float, damping: float = 0.0) -> Shaper:
    """Impulses that leave a mode of ``frequency_hz`` (undamped natural frequency) and ``damping`` at rest.

    zv: no residual at that frequency, half a period longer; zvd: nor a slope there, one period longer. Raises
    ValueError for an unknown kind, a frequency not above 0 or a damping outside 0..1.
    """
    if kind == "none":
        return np.ones(1), np.zeros(1)
    if kind not in ("zv", "zvd"):
        raise ValueError(f"expected one of none, zv, zvd, got {kind!r}")
    if not (frequency_hz > 0.0 and 0.0 <= damping < 1.0):
        raise ValueError(
            f"expected a frequency above 0 and a damping in 0..1, got {frequency_hz} and {damping}"
        )
    under = sqrt(1.0 - damping**2)
    ratio = exp(-damping * pi / under)
    half_period_s = 0.5 / (frequency_hz * under)
    weights = np.array([1.0, ratio]) if kind == "zv" else np.array([1.0, 2.0 * ratio, ratio**2])
    delays = np.arange(len(weights), dtype=np.float64)
    return weights / weights.sum(), half_period_s * delays


def residual(impulses: Shaper, frequency_hz: npt.ArrayLike, damping: float = 0.0) -> Vector:
    """Vibration left by a shaper in a mode, as a share of what one impulse of the same sum leaves; any shape.

    V = exp(-zeta w t_n) sqrt(C^2 + S^2), C and S the sums of A_i exp(zeta w t_i) times cosine and sine of w_d t_i.
    """
    amplitudes, delays = impulses
    omega = 2.0 * pi * np.asarray(frequency_hz, dtype=np.float64)[..., None]
    grown = amplitudes * np.exp(damping * omega * (delays - delays[-1]))
    phase = omega * sqrt(1.0 - damping**2) * delays
    left: Vector = np.hypot((grown * np.cos(phase)).sum(axis=-1), (grown * np.sin(phase)).sum(axis=-1))
    return left


def trapezoid_residual_mm(
    acceleration_mm_s2: npt.ArrayLike,
    ramp_s: npt.ArrayLike,
    cruise_s: npt.ArrayLike,
    frequency_hz: npt.ArrayLike,
) -> Vector:
    """Amplitude of the ringing of an undamped mode after an unshaped trapezoid move.

    4 A / w^2 |sin(w t_a / 2) sin(w (t_a + t_c) / 2)|, t_a the ramp and t_c the cruise: none when either ramp, or
    ramp and cruise, take whole periods.
    """
    omega = 2.0 * pi * np.asarray(frequency_hz, dtype=np.float64)
    ramp = np.asarray(ramp_s, dtype=np.float64)
    both = ramp + np.asarray(cruise_s, dtype=np.float64)
    size = 4.0 * np.asarray(acceleration_mm_s2, dtype=np.float64) / omega**2
    left: Vector = size * np.abs(np.sin(0.5 * omega * ramp) * np.sin(0.5 * omega * both))
    return left


def shaped_along_mm(move: SCurve, impulses: Shaper, time_s: npt.ArrayLike) -> Vector:
    """Place of a shaped move at ``time_s`` (k,) -> (k,): the sum of A_i s(t - t_i), exact."""
    amplitudes, delays = impulses
    time = np.asarray(time_s, dtype=np.float64)
    place: Vector = move.at(time[..., None] - delays)[0] @ amplitudes
    return place


def shaped_move_mm(
    start_mm: npt.ArrayLike,
    target_mm: npt.ArrayLike,
    speed_mm_s: float,
    acceleration_mm_s2: float,
    jerk_mm_s3: float,
    tick_s: float,
    shapers: tuple[Shaper, Shaper],
) -> Vector:
    """Positions (k, 2) at the ends of the ticks of a straight move, every axis shaped by its own impulses.

    With equal shapers the move stays on its line; with different ones it bends (pen up, no matter). The time is
    that of the S-curve plus the longest delay, made whole ticks by slowing the S-curve, not the delays. The last
    position is the target itself.
    """
    start = np.asarray(start_mm, dtype=np.float64).reshape(2)
    target = np.asarray(target_mm, dtype=np.float64).reshape(2)
    distance = float(np.hypot(*(target - start)))
    if distance == 0.0:
        return np.empty((0, 2))
    move = rest_to_rest(distance, speed_mm_s, acceleration_mm_s2, jerk_mm_s3)
    tail_s = max(float(delays[-1]) for _, delays in shapers)
    duration_s = float(move.duration_s)
    ticks = max(ceil((duration_s + tail_s) / tick_s - _ON_TIME), 1)
    pace = max((ticks * tick_s - tail_s) / duration_s, 1.0)
    time = tick_s * np.arange(1, ticks + 1)
    share = np.stack(
        [
            shaped_along_mm(move, (weights, delays / pace), time / pace) / distance
            for weights, delays in shapers
        ],
        axis=1,
    )
    positions: Vector = start + share * (target - start)
    positions[-1] = target
    return positions
