"""One crossing of the play, fitted to the turn as it is: turns near a stop or another turn are no parabolas.

Owns the fit of level and contact velocity; the shape and its first guess are those of controller/motion/easing.py.
"""

from __future__ import annotations

from math import cos, exp, sin, sqrt

import numpy as np
import numpy.typing as npt

from controller.motion.compiled import compiled

Vector = npt.NDArray[np.float64]

STEPS = 20
"""Steps of the simulation in each of entry, hold and exit."""

REACH = 0.3
"""A change by this share of the first guess counts as one in the pull back towards it..."""

PULL = 0.1
"""...whose weight, over that of the head's squared error, is this."""


@compiled
def balance(
    held: Vector,
    entry_s: float,
    hold_s: float,
    leave_s: float,
    w_start: float,
    dot_start: float,
    w_stop: float,
    dot_stop: float,
    level: float,
    meet: float,
    depth: float,
    omega: float,
    damping: float,
) -> tuple[float, float]:
    """Level and contact velocity (signed) of least squared error of the head, near the first guess given.

    held: (STEPS,) the wanted w at even instants of the hold, without its start. The head's error is linear in both
    numbers, so three simulations of the belt (the guess, one unit of each) and two equations are enough; what goes on
    ringing counts as one more stage. depth: how far w moves from the hold's start to the turn, the unit of the level.
    """
    # Columns: the guess, one unit of level, one unit of contact velocity.
    q, p, now = np.zeros(3), np.zeros(3), np.zeros(3)
    before, slope_before = np.zeros(3), np.zeros(3)
    units = np.array([1.0, REACH * max(depth, 1e-4), REACH * max(abs(meet), 1e-3)])
    errors = np.zeros(3)
    normal = np.zeros((3, 3))
    damped = omega * sqrt(1.0 - damping * damping)
    for stage in range(3):
        length = entry_s if stage == 0 else (hold_s if stage == 1 else leave_s)
        if length <= 0.0:
            continue
        dt = length / STEPS
        decay, c, s = exp(-damping * omega * dt), cos(damped * dt), sin(damped * dt)
        share = damping * omega / damped * s
        qq, qp, pp = decay * (c + share), decay * s / damped, decay * (c - share)
        pq = -decay * omega * omega / damped * s
        for i in range(1, STEPS + 1):
            x = 1.0 - i / STEPS if stage == 0 else i / STEPS
            cubed = (1.0 - x) ** 3
            value, slope_part = cubed * (1.0 + 3.0 * x), cubed * x * length
            if stage == 0:
                now[0], now[1], now[2] = (level - w_start) * value + dot_start * slope_part, value, 0.0
            elif stage == 1:
                now[0], now[1], now[2] = level - held[i - 1], 1.0, 0.0
            else:
                now[0] = (level - w_stop) * value + (meet - dot_stop) * slope_part
                now[1], now[2] = value, slope_part
            for k in range(3):
                slope = (now[k] - before[k]) / dt
                p[k] -= slope - slope_before[k]
                q[k], p[k] = qq * q[k] + qp * p[k], pq * q[k] + pp * p[k]
                slope_before[k], before[k] = slope, now[k]
                errors[k] = (q[k] + now[k]) * units[k]
            _add(normal, errors, 1.0)
    for k in range(3):
        errors[k] = q[k] * units[k]
    _add(normal, errors, STEPS)
    for k in range(3):
        errors[k] = (p[k] + slope_before[k] + damping * omega * q[k]) / damped * units[k]
    _add(normal, errors, STEPS)
    pull = PULL * (normal[1, 1] + normal[2, 2]) + 1e-12
    a, b, d = normal[1, 1] + pull, normal[1, 2], normal[2, 2] + pull
    f, g = -normal[0, 1], -normal[0, 2]
    whole = a * d - b * b
    return level + units[1] * (f * d - g * b) / whole, meet + units[2] * (g * a - f * b) / whole


@compiled
def _add(normal: Vector, errors: Vector, weight: float) -> None:
    for i in range(3):
        for k in range(3):
            normal[i, k] += weight * errors[i] * errors[k]
