"""The quintic B-spline that smooths raw boundary positions, and its derivatives at any phase of a tick.

Owns the weights. A raw sequence c[m] at instants m h stands for y(t) = sum c[m] B(t/h - m) with B the cardinal
B-spline of degree 5 (support 6, four continuous derivatives; Schoenberg 1946, from memory). B is a probability
density of variance 1/2, so y lies in the hull of six neighbours, no speed, acceleration or jerk grows, and on a
motion of acceleration a the path is left by a h^2 / 4.
"""

from __future__ import annotations

from math import comb, factorial

import numpy as np
import numpy.typing as npt

SUPPORT = 6
"""Raw positions that one smoothed position depends on."""

HALF_SUPPORT_TICKS = 3
"""Smoothing begins so many ticks before a motion and ends so many after it."""

DERIVATIVES = 4
"""Rows of ``weights``: position, velocity, acceleration, jerk."""


def weights(phase: float, tick_s: float) -> npt.NDArray[np.float64]:
    """Weights (4, 6) of c[m-2] ... c[m+3] for y, y', y'', y''' (per s, s^2, s^3) at the instant (m + phase) h.

    phase: in [0, 1).
    """
    # B(x) on its support 0 <= x <= 6 is a sum of truncated powers: sum (-1)^i C(6, i) max(x - i, 0)^5 / 5!.
    # At t/h - m' with m' = m - 2 ... m + 3 and B centred on 0, x = phase + 5, phase + 4, ... phase.
    out = np.zeros((DERIVATIVES, SUPPORT))
    for order in range(DERIVATIVES):
        power = SUPPORT - 1 - order
        for column in range(SUPPORT):
            x = phase + SUPPORT - 1 - column
            mirrored = x > 0.5 * SUPPORT  # B is even about its middle; the side with fewer terms cancels less
            x = SUPPORT - x if mirrored else x
            total = sum((-1) ** i * comb(SUPPORT, i) * (x - i) ** power for i in range(SUPPORT) if x > i)
            sign = (-1) ** order if mirrored else 1
            out[order, column] = sign * total / factorial(power) / tick_s**order
    return out
