"""How the motor crosses the play where an axis turns without resting: shapes found once for each machine.

Owns the shape of a crossing and the table of best shapes; knows neither ticks nor machines.

Where the belt side's wanted motion w turns, the motor must cross the gap g while the belt side stands still (held by
friction, the play operator's law). A crossing replaces w by w + delta:

* entry: before t1 w + delta runs ahead and brakes to a stop at the level L,
* hold: from t1 to t2 it stands at L while the motor crosses, faster and then slower at the acceleration A,
* exit: at t2 the motor meets the far side with the velocity v2 and leads w + delta back to w.

Entry and exit are (1 - x)^3 (p0 + p1 x), smooth to the second derivative where they join w. On a turn of acceleration
a everything scales: time with sqrt(g/A), length with g; what is left are a/A, the belt's frequency and its damping.
For each of them the five numbers (t1, v2, L, both lengths) are those for which the simulated head strays least,
with the motor's acceleration at most A. Meeting the far side at speed shortens the hold; the belt evens out what
the hold does, so long as the areas before, in and after it balance: that is what the search finds.
"""

from __future__ import annotations

from functools import lru_cache
from math import sqrt

import numpy as np
import numpy.typing as npt

from controller.motion.compiled import compiled

Vector = npt.NDArray[np.float64]

RATIOS = np.array([0.0, 0.03, 0.06, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6, 0.7, 0.8])
"""Accelerations of the turn, over the motor's, for which shapes are kept. Above the last, its shape is used."""

COLUMNS = 6
"""Of a row: hold's start, contact velocity over (a x hold), level over a/2 (hold's start)^2, entry, exit; error."""

HOLD, MEET, LEVEL, ENTRY, EXIT, ERROR = range(COLUMNS)

_STEPS = 48
"""Steps of the simulation in the hold; entry and exit have as many."""

_SWEEPS = 400
"""Most sweeps of the search over its five numbers."""


@compiled
def crossing_time(gap: float, acceleration: float, meet: float) -> float:
    """Shortest time from rest over ``gap`` to arrive with the velocity ``meet``, braking included."""
    peak = sqrt(acceleration * gap + 0.5 * meet * meet)
    if peak < meet:  # no braking: the gap is too short for this velocity
        return sqrt(2.0 * gap / acceleration)
    return (2.0 * peak - meet) / acceleration


@compiled
def _belt_step(q: float, p: float, omega: float, damping: float, dt: float) -> tuple[float, float]:
    """Free decay of q'' + 2 z w q' + w^2 q = 0 over ``dt`` from (q, q' = p)."""
    decay = np.exp(-damping * omega * dt)
    damped = omega * np.sqrt(1.0 - damping * damping)
    c, s = np.cos(damped * dt), np.sin(damped * dt)
    return (
        decay * (q * (c + damping * omega / damped * s) + p * s / damped),
        decay * (p * (c - damping * omega / damped * s) - q * omega * omega / damped * s),
    )


@compiled
def _cost(x: Vector, ratio: float, omega: float, damping: float) -> tuple[float, float]:
    """(largest error of the head with penalties, without them) of a crossing in units of g and sqrt(g/A)."""
    start, meet, level, entry, leave = x[0], x[1], x[2], x[3], x[4]
    if meet < 0.0 or entry < 0.05 or leave < 0.05 or start > -0.02:
        return 1e9, 1e9
    v2 = meet * ratio
    hold = crossing_time(1.0, 1.0, v2)
    stop = start + hold
    base = level * 0.5 * ratio * start * start
    penalty = 0.0
    # In q = head error - delta the belt's equation is free while delta is straight in time.
    q, p = 0.0, 0.0
    delta_before, slope_before = 0.0, 0.0
    worst = 0.0
    for part in range(3):
        length = entry if part == 0 else (hold if part == 1 else leave)
        dt = length / _STEPS
        if part == 0:
            p0, p1 = base - 0.5 * ratio * start * start, entry * ratio * start
        else:
            p0, p1 = base - 0.5 * ratio * stop * stop, leave * (v2 - ratio * stop)
        for i in range(1, _STEPS + 1):
            if part == 1:
                t = start + dt * i
                delta = base - 0.5 * ratio * t * t
            else:
                share = dt * i / length
                y = 1.0 - share if part == 0 else share
                rest = 1.0 - y
                delta = rest**3 * (p0 + (p1 + 3.0 * p0) * y)
                k = p1 + 3.0 * p0
                second = (6.0 * rest * (p0 + k * y) - 6.0 * rest * rest * k) / (length * length)
                excess = abs(second + ratio) - 1.0
                if excess > 0.0:
                    penalty = max(penalty, excess)
            if omega > 0.0:
                slope = (delta - delta_before) / dt
                p -= slope - slope_before
                q, p = _belt_step(q, p, omega, damping, dt)
                slope_before = slope
                error = abs(q + delta)
            else:
                error = abs(delta)
            worst = max(worst, error)
            delta_before = delta
    if omega > 0.0:  # what goes on ringing
        p += slope_before
        damped = omega * np.sqrt(1.0 - damping * damping)
        worst = max(worst, np.hypot(q, (p + damping * omega * q) / damped))
    return worst + ratio * penalty + 1e-4 * ratio * (entry + leave), worst


@compiled
def _search(x: Vector, ratio: float, omega: float, damping: float) -> float:
    """Pattern search from ``x``, which is left at the best place; returns the head's largest error there."""
    size = np.array([0.2, 0.5, 0.3, 0.3, 0.3])
    best, error = _cost(x, ratio, omega, damping)
    for _ in range(_SWEEPS):
        moved = False
        before = x.copy()
        for i in range(len(x)):
            kept = x[i]
            for sign in (1.0, -1.0):
                x[i] = kept + sign * size[i]
                cost, found = _cost(x, ratio, omega, damping)
                if cost < best:
                    best, error, moved = cost, found, True
                    break
                x[i] = kept
        if moved:  # once more the same way
            further = 2.0 * x - before
            cost, found = _cost(further, ratio, omega, damping)
            if cost < best:
                best, error = cost, found
                x[:] = further
        else:
            size *= 0.6
            if size[0] < 1e-3:
                break
    return error


@lru_cache(maxsize=64)
def shapes(omega: float, damping: float) -> Vector:
    """Best crossings (len(RATIOS), COLUMNS) for a belt of ``omega`` rad per sqrt(g/A); 0 for a stiff belt.

    Times in sqrt(g/A); the level as a share of w at the hold's start; the contact velocity in a x sqrt(g/A); the
    last column is the head's largest error in g.
    """
    out = np.zeros((len(RATIOS), COLUMNS))
    x = np.array([-0.9, 1.0, 0.5, 0.8, 0.8])
    for row, ratio in enumerate(RATIOS):
        small = max(ratio, 1e-3)
        best, error = x.copy(), np.inf
        starts = (x, np.array([-0.9, 1.0, 0.5, 0.8, 0.8]), np.array([-0.7, 2.0, 0.6, 1.2, 1.2]))
        for begin in starts:
            trial = begin.copy()
            found = _search(trial, small, omega, damping)
            if found < error * 0.98:
                best, error = trial, found
        x = best
        out[row, :ERROR] = x
        out[row, ERROR] = error / small * ratio
    return out
