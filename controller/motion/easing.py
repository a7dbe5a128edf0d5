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
from math import cos, exp, sin, sqrt

import numpy as np
import numpy.typing as npt

from controller.motion.compiled import compiled

Vector = npt.NDArray[np.float64]

RATIOS = np.array([0.0, 0.03, 0.06, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.7])
"""Accelerations of the turn, over the motor's, for which shapes are kept. Above the last, its shape is used."""

COLUMNS = 6
"""Of a row: hold's start, contact velocity over (a x hold), level over a/2 (hold's start)^2, entry, exit; error."""

HOLD, MEET, LEVEL, ENTRY, EXIT, ERROR = range(COLUMNS)

SIDE_MIN, SIDE_MAX = 0.1, 2.0
"""Shortest and longest entry and exit, in sqrt(g/A): turns that follow each other soon shall not meet."""

_STEPS = 32
"""Steps of the simulation in the hold; entry and exit have as many."""

_ROUGH, _FINE, _MOVES = 1, 3, 120
"""How often the search begins anew: to choose where to go on, and there; and its most moves each time."""

_SEEDS = (
    (-0.5, 2.5, 0.95, 1.6, 1.8),
    (-0.7, 3.3, 0.5, 0.8, 1.0),
    (-0.85, 2.5, 0.65, 1.9, 0.3),
    (-0.5, 2.0, 1.8, 1.0, 1.0),
)
"""Where it begins besides."""


@compiled
def crossing_time(gap: float, acceleration: float, meet: float) -> float:
    """Shortest time from rest over ``gap`` to arrive with the velocity ``meet``, braking included."""
    peak = sqrt(acceleration * gap + 0.5 * meet * meet)
    if peak < meet:  # no braking: the gap is too short for this velocity
        return sqrt(2.0 * gap / acceleration)
    return (2.0 * peak - meet) / acceleration


@compiled
def _cost(x: Vector, ratio: float, omega: float, damping: float) -> tuple[float, float]:
    """(largest error of the head with penalties, without them) of a crossing in units of g and sqrt(g/A)."""
    start, meet, level, entry, leave = x[0], x[1], x[2], x[3], x[4]
    if meet < 0.0 or min(entry, leave) < SIDE_MIN or max(entry, leave) > SIDE_MAX or start > -0.02:
        return 1e9, 1e9
    v2 = meet * ratio
    hold = crossing_time(1.0, 1.0, v2)
    stop = start + hold
    base = level * 0.5 * ratio * start * start
    excess = 0.0
    # In q = head error - delta the belt's equation q'' + 2 z w q' + w^2 q = 0 is free while delta is straight in time.
    q, p, worst = 0.0, 0.0, 0.0
    delta_before, slope_before = 0.0, 0.0
    damped = omega * sqrt(1.0 - damping * damping)
    for part in range(3):
        length = entry if part == 0 else (hold if part == 1 else leave)
        dt = length / _STEPS
        if omega > 0.0:
            decay, c, s = exp(-damping * omega * dt), cos(damped * dt), sin(damped * dt)
            share = damping * omega / damped * s
            qq, qp, pp, pq = decay * (c + share), decay * s / damped, decay * (c - share), 0.0
            pq = -decay * omega * omega / damped * s
        if part == 0:
            p0, p1 = base - 0.5 * ratio * start * start, entry * ratio * start
        else:
            p0, p1 = base - 0.5 * ratio * stop * stop, leave * (v2 - ratio * stop)
        k = p1 + 3.0 * p0
        for i in range(1, _STEPS + 1):
            if part == 1:
                t = start + dt * i
                delta = base - 0.5 * ratio * t * t
            else:
                y = 1.0 - i / _STEPS if part == 0 else i / _STEPS
                rest = 1.0 - y
                delta = rest**3 * (p0 + k * y)
                second = 6.0 * rest * (p0 + k * y - rest * k) / (length * length)
                excess = max(excess, abs(second + ratio) - 1.0)
            if omega > 0.0:
                slope = (delta - delta_before) / dt
                p -= slope - slope_before
                q, p = qq * q + qp * p, pq * q + pp * p
                slope_before = slope
                error = abs(q + delta)
            else:
                error = abs(delta)
            worst = max(worst, error)
            delta_before = delta
        if part == 0:  # the contact side has its strongest pull at the hold
            second = (6.0 * p0 - 6.0 * k) / (length * length)
            excess = max(excess, abs(second + ratio) - 1.0)
    if omega > 0.0:  # what goes on ringing
        p += slope_before
        worst = max(worst, sqrt(q * q + ((p + damping * omega * q) / damped) ** 2))
    return worst + ratio * excess + 1e-3 * ratio * (entry + leave), worst


@compiled
def _sure_cost(x: Vector, ratio: float, omega: float, damping: float) -> float:
    """Cost with the belt as believed, and a share of it with the belt a fifth softer and harder."""
    cost, _ = _cost(x, ratio, omega, damping)
    if omega > 0.0 and cost < 1e8:
        soft, _ = _cost(x, ratio, 0.8 * omega, damping)
        hard, _ = _cost(x, ratio, 1.2 * omega, damping)
        cost = 0.7 * cost + 0.15 * (soft + hard)
    return cost


@compiled
def _search(begin: Vector, ratio: float, omega: float, damping: float, restarts: int) -> tuple[Vector, float]:
    """Least cost near ``begin`` by the simplex of Nelder and Mead (1965), begun anew where it has shrunk."""
    n = len(begin)
    best, best_cost = begin.copy(), _sure_cost(begin, ratio, omega, damping)
    points = np.empty((n + 1, n))
    costs = np.empty(n + 1)
    for _ in range(restarts):
        for i in range(n + 1):
            points[i] = best
            if i > 0:
                points[i, i - 1] += -0.15 if i == 1 else 0.25
            costs[i] = _sure_cost(points[i], ratio, omega, damping)
        for _ in range(_MOVES):
            order = np.argsort(costs)
            points, costs = points[order], costs[order]
            if costs[n] - costs[0] <= 1e-3 * costs[0]:
                break
            centre = np.zeros(n)
            for i in range(n):
                centre += points[i] / n
            away = centre - points[n]
            trial = centre + away
            cost = _sure_cost(trial, ratio, omega, damping)
            if cost < costs[0]:
                further = centre + 2.0 * away
                further_cost = _sure_cost(further, ratio, omega, damping)
                if further_cost < cost:
                    trial, cost = further, further_cost
            elif cost >= costs[n - 1]:
                trial = centre + (0.5 if cost < costs[n] else -0.5) * away
                cost = _sure_cost(trial, ratio, omega, damping)
                if cost >= costs[n]:
                    for i in range(1, n + 1):
                        points[i] = 0.5 * (points[0] + points[i])
                        costs[i] = _sure_cost(points[i], ratio, omega, damping)
                    continue
            points[n], costs[n] = trial, cost
        least = int(np.argmin(costs))
        if costs[least] < best_cost:
            best, best_cost = points[least].copy(), costs[least]
    return best, best_cost


@lru_cache(maxsize=64)
def shapes(omega: float, damping: float) -> Vector:
    """Best crossings (len(RATIOS), COLUMNS) for a belt of ``omega`` rad per sqrt(g/A); 0 for a stiff belt.

    Times in sqrt(g/A); the level as a share of w at the hold's start; the contact velocity in a x sqrt(g/A); the
    last column is the head's largest error in g. Rows follow each other from large ratios to small ones, each begun at
    the one before, so that what lies between two rows is nearly as good.
    """
    out = np.zeros((len(RATIOS), COLUMNS))
    seeds = [np.array(seed) for seed in _SEEDS]
    before: list[Vector] = []
    for row in range(len(RATIOS) - 1, -1, -1):
        ratio = max(float(RATIOS[row]), 0.5 * float(RATIOS[1]))
        found = [_search(seed, ratio, omega, damping, _ROUGH) for seed in before + seeds]
        best, cost = found[0]
        for x, other in found[1:]:
            if other < 0.9 * cost:
                best, cost = x, other
        best, _ = _search(best, ratio, omega, damping, _FINE)
        before = [best]
        out[row, :ERROR] = best
        _, error = _cost(best, ratio, omega, damping)
        out[row, ERROR] = error / ratio * RATIOS[row]
    return out
