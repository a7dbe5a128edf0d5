"""The honest axis, compiled: a motor that hears late, a belt that gives, friction, on a fixed grid of 0.1 ms.

Owns the belt, the play with its friction, the rail's friction and the orders on their way to the motor. The motor
itself, solved in closed form, and the switches come from physics.py. Knows no drive state and no bus.

Between two instants of the grid (whole multiples of ``STEP_NS``) the motor takes each order at its exact instant;
at the end of the step play, belt and head follow. Nothing is computed at other instants, so the result is the same
to the bit however time is cut by whoever asks.

One axis, with forces per mass of the head (mm/s2), k = (2 pi f(y))^2 and c = 2 zeta 2 pi f(y):

* motor X -> gap of 2 r -> pulley W, |X - W| <= r. Inside the gap friction F holds the pulley; the belt drags it when
  it pulls harder: 0 in k (W - y) + c (W' - y') + F sign(W'), solved in closed form from where it begins to slide
  (a play operator where F is infinite).
* head: y'' = k (W - y) + c (W' - y') - b y' - rail sign(y'), W' constant in a step; a step of the classical
  Runge-Kutta method (fourth order; stable and without gain of energy at these steps), cut where the head turns, with
  sticking where the belt cannot overcome the rail.
* the motor does not feel the belt: its velocity loop is taken for stiff.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from drivers.twin.compiled import compiled
from drivers.twin.physics import (
    BELT,
    BELT_AT,
    BELT_HZ,
    BELT_POINTS,
    BUMPER,
    DAMPING,
    GRID_NS,
    HALF_GAP,
    HEAD,
    HEAD_V,
    HOME_DRIFT,
    HOME_SHIFT,
    LAG,
    LENGTH,
    LIMIT,
    LIMIT_NEGATIVE,
    LIMIT_POSITIVE,
    PLAY_AT,
    PLAY_FRICTION,
    PLAY_HALF,
    PLAY_POINTS,
    PULLEY,
    RAIL,
    RAMP_DOWN,
    RAMP_UP,
    STEP_DECAY,
    TARGET,
    TORQUE,
    TRIPPED,
    VISCOUS,
    R,
    State,
    V,
    X,
    advance_axis,
    advance_motor,
    sample,
    update_home_switch,
)

STEP_NS = 100_000
ORDER_COLUMNS = 4  # target (mm/s), ramp up, ramp down (mm/s2), torque (0 or 1)
_SWITCH_HYSTERESIS_MM = 0.2
_SETTLED_MM = 1e-7  # an oscillation smaller than this, on a motor at rest, is over

Instants = npt.NDArray[np.int64]
Orders = npt.NDArray[np.float64]


@compiled
def _table(s: State, count: int, places: int, values: int, at: float) -> tuple[float, float]:
    """Value and slope at a place of the table whose columns begin at ``places`` and ``values``."""
    if count == 1 or at <= s[places]:
        return s[values], 0.0
    for j in range(1, count):
        if at < s[places + j]:
            slope = (s[values + j] - s[values + j - 1]) / (s[places + j] - s[places + j - 1])
            return s[values + j - 1] + slope * (at - s[places + j - 1]), slope
    return s[values + count - 1], 0.0


@compiled
def _belt_at(s: State, y: float) -> tuple[float, float, float]:
    """k = (2 pi f)^2 at a place, its slope dk/dy, and c = 2 zeta 2 pi f."""
    hertz, slope = _table(s, int(s[BELT_POINTS]), BELT_AT, BELT_HZ, y)
    omega = 2.0 * math.pi * hertz
    return omega * omega, 2.0 * omega * 2.0 * math.pi * slope, 2.0 * s[DAMPING] * omega


@compiled
def _pushed(force: float, v: float, b: float, rail: float) -> float:
    """Acceleration of a head at ``v`` on which the belt pulls with ``force``."""
    if v != 0.0:
        return force - b * v - math.copysign(rail, v)
    if abs(force) <= rail:
        return 0.0
    return force - math.copysign(rail, force)


@compiled
def _pulley(s: State, k: float, c: float, h: float) -> float:
    """Where the pulley stands after a step of ``h`` s, the motor being at its end already.

    ``pull`` is the belt's force on the head if the pulley stays. Where it passes the friction, the pulley slides so
    that the force is the friction: k z + c z' = P with z = W - y, so z goes to P / k by exp(-k t / c).
    """
    low, high = s[X] - s[HALF_GAP], s[X] + s[HALF_GAP]
    w, y, v = s[PULLEY], s[HEAD], s[HEAD_V]
    friction = s[PLAY_FRICTION]
    if low < high and not math.isinf(friction):
        b, rail = s[VISCOUS], s[RAIL]
        pull = k * (w - y) - c * v
        begins = 0.0
        if abs(pull) <= friction:
            a = _pushed(pull, v, b, rail)
            end = k * (w - y - v * h - 0.5 * a * h * h) - c * (v + a * h)
            begins = h
            if abs(end) > friction:
                begins = h * (math.copysign(friction, end) - pull) / (end - pull)
                y, v, pull = y + v * begins + 0.5 * a * begins * begins, v + a * begins, end
        left = h - begins
        if left > 0.0:
            force = math.copysign(friction, pull)
            stretch = force / k
            if c > 0.0:
                stretch += (w - y - stretch) * math.exp(-k * left / c)
            slid = y + v * left + 0.5 * _pushed(force, v, b, rail) * left * left + stretch
            w = min(w, slid) if pull > 0.0 else max(w, slid)
    return float(min(max(w, low), high))


@compiled
def _swing(
    y: float, v: float, h: float, w: float, dw: float, k: float, dk: float, c: float, b: float, rub: float
) -> tuple[float, float]:
    """Place and velocity of the head after ``h`` s: pulley from ``w`` at ``dw``, constant friction ``rub``."""
    half = 0.5 * h
    a1 = k * (w - y) + c * (dw - v) - b * v - rub
    y2, v2, w2 = y + half * v, v + half * a1, w + half * dw
    a2 = (k + dk * (y2 - y)) * (w2 - y2) + c * (dw - v2) - b * v2 - rub
    y3, v3 = y + half * v2, v + half * a2
    a3 = (k + dk * (y3 - y)) * (w2 - y3) + c * (dw - v3) - b * v3 - rub
    y4, v4, w4 = y + h * v3, v + h * a3, w + h * dw
    a4 = (k + dk * (y4 - y)) * (w4 - y4) + c * (dw - v4) - b * v4 - rub
    return y + h * (v + 2.0 * (v2 + v3) + v4) / 6.0, v + h * (a1 + 2.0 * (a2 + a3) + a4) / 6.0


@compiled
def _rubbed(
    y: float, v: float, h: float, w: float, dw: float, k: float, dk: float, c: float, b: float, rail: float
) -> tuple[float, float]:
    """The same with Coulomb friction ``rail``: cut where the head turns, held where the belt cannot move it."""
    t = 0.0
    for _ in range(4):
        sign = 1.0 if v > 0.0 else -1.0
        if v == 0.0:
            now = k * (w + dw * t - y) + c * dw
            end = k * (w + dw * h - y) + c * dw
            if abs(now) > rail:
                sign = 1.0 if now > 0.0 else -1.0
            elif abs(end) > rail:
                sign = 1.0 if end > 0.0 else -1.0
                t += (rail * sign - now) / (end - now) * (h - t)
            else:
                return y, 0.0
        left = h - t
        if left <= 0.0:
            return y, v
        y_end, v_end = _swing(y, v, left, w + dw * t, dw, k, dk, c, b, rail * sign)
        if v_end * sign >= 0.0:
            return y_end, v_end
        turn = v / (v - v_end) * left
        y += 0.5 * v * turn
        v = 0.0
        t += turn
    return y, v


@compiled
def _hang(s: State, h: float) -> None:
    """Pulley, belt and head after a step of ``h`` s in which the motor has gone where it is."""
    w, y, v = s[PULLEY], s[HEAD], s[HEAD_V]
    k, dk, c = _belt_at(s, y)
    w_end = _pulley(s, k, c, h)
    dw = (w_end - w) / h
    if s[RAIL] == 0.0:
        y_end, v_end = _swing(y, v, h, w, dw, k, dk, c, s[VISCOUS], 0.0)
    else:
        y_end, v_end = _rubbed(y, v, h, w, dw, k, dk, c, s[VISCOUS], s[RAIL])
    if s[V] == 0.0 and dw == 0.0 and v_end * v_end + k * (w_end - y_end) ** 2 < k * _SETTLED_MM**2:
        y_end, v_end = w_end, 0.0
    if s[LIMIT] == 0.0 and (y_end <= 0.0 or y_end >= s[LENGTH]):
        s[LIMIT] = LIMIT_NEGATIVE if y_end <= 0.0 else LIMIT_POSITIVE
        s[TRIPPED] = 1.0
    elif (s[LIMIT] == LIMIT_NEGATIVE and y_end > _SWITCH_HYSTERESIS_MM) or (
        s[LIMIT] == LIMIT_POSITIVE and y_end < s[LENGTH] - _SWITCH_HYSTERESIS_MM
    ):
        s[LIMIT] = 0.0
    # a hard end: head and belt stop dead
    if y_end < -s[BUMPER]:
        y_end, v_end = -s[BUMPER], max(v_end, 0.0)
        if s[V] < 0.0:
            s[V] = s[R] = 0.0
    elif y_end > s[LENGTH] + s[BUMPER]:
        y_end, v_end = s[LENGTH] + s[BUMPER], min(v_end, 0.0)
        if s[V] > 0.0:
            s[V] = s[R] = 0.0
    s[PULLEY], s[HEAD], s[HEAD_V] = w_end, y_end, v_end
    update_home_switch(s)


@compiled
def _warm(s: State, age_ns: int) -> None:
    """The home switch where the warmth has put it by ``age_ns``."""
    if s[HOME_DRIFT] != 0.0:
        s[HOME_SHIFT] = s[HOME_DRIFT] * age_ns * 1e-9
        update_home_switch(s)


@compiled
def _run(s: State, duration_s: float) -> None:
    """The motor alone, or motor and head where the belt is stiff."""
    if s[BELT] != 0.0:
        decay = s[STEP_DECAY] if duration_s == STEP_NS * 1e-9 else -math.expm1(-duration_s / s[LAG])
        advance_motor(s, duration_s, decay)
    else:
        advance_axis(s, duration_s)


@compiled
def step_axis(
    s: State, dues: Instants, orders: Orders, book: Instants, from_ns: int, to_ns: int, age_ns: int
) -> bool:
    """One axis from ``from_ns`` to ``to_ns``, at most one step apart; returns whether anything has changed.

    dues (n,), orders (n, ORDER_COLUMNS): orders and their instants in growing order; ``book``: [next to be taken,
    end of what is there]. Orders due before ``to_ns`` are taken. ``age_ns``: of the gantry, at ``to_ns``.
    """
    x, v, r, w, y, y_v = s[X], s[V], s[R], s[PULLEY], s[HEAD], s[HEAD_V]
    t = from_ns
    while book[0] < book[1] and dues[book[0]] < to_ns:
        order = orders[book[0]]
        due = dues[book[0]]
        if due > t:
            _run(s, (due - t) * 1e-9)
            t = due
        if order[3] == 0.0:
            s[TORQUE] = 0.0
        else:
            if s[TORQUE] == 0.0:
                s[R], s[TORQUE] = s[V], 1.0
            s[TARGET], s[RAMP_UP], s[RAMP_DOWN] = order[0], order[1], order[2]
        book[0] += 1
    _run(s, (to_ns - t) * 1e-9)
    if s[PLAY_POINTS] != 0.0:
        s[HALF_GAP] = _table(s, int(s[PLAY_POINTS]), PLAY_AT, PLAY_HALF, s[X])[0]
    if s[BELT] != 0.0:
        _hang(s, (to_ns - from_ns) * 1e-9)
    _warm(s, age_ns)
    return bool(
        x != s[X]
        or v != s[V]
        or r != s[R]
        or w != s[PULLEY]
        or y != s[HEAD]
        or y_v != s[HEAD_V]
        or t != from_ns
    )


@compiled
def _still_until(dues: Instants, pending: Instants, to_ns: int) -> int:
    """The instant of the grid until which no order acts, at most ``to_ns``."""
    goal = to_ns
    for k in range(pending.shape[0]):
        if pending[k, 0] < pending[k, 1]:
            goal = min(goal, dues[k, pending[k, 0]] // STEP_NS * STEP_NS)
    return goal


@compiled
def advance(
    axes: State,
    shown: State,
    dues: Instants,
    orders: Orders,
    pending: Instants,
    birth_ns: int,
    from_ns: int,
    to_ns: int,
    stamps: Instants,
    samples: npt.NDArray[np.float64],
    book: Instants,
) -> int:
    """Advance both axes from one instant of the grid to another; returns the instant reached, which is earlier than
    ``to_ns`` when a limit switch tripped.

    axes (2, COLUMNS): the true state. shown (2, COLUMNS): the same for others to see, who may have set limit switch,
    trip and length there; taken over first, and the whole put there at the end.
    dues (2, n), orders (2, n, ORDER_COLUMNS), pending (2, 2): as for ``step_axis``. Sampling and
    room for samples as in physics.advance. Still time is jumped over.
    """
    for k in range(axes.shape[0]):
        for column in (LIMIT, TRIPPED, LENGTH):
            axes[k, column] = shown[k, column]
    t = from_ns
    tripped = False
    while t < to_ns and not tripped:
        until = t + STEP_NS
        moved = False
        for k in range(axes.shape[0]):
            if step_axis(axes[k], dues[k], orders[k], pending[k], t, until, until - birth_ns):
                moved = True
        t = until
        goal = t if moved else _still_until(dues, pending, to_ns)
        if goal > t:  # nothing has changed in a step, so nothing will before the next order
            first, last = -(-t // GRID_NS) * GRID_NS, goal // GRID_NS * GRID_NS
            if first <= goal:
                sample(axes, first, stamps, samples, book)
            if last > first:
                sample(axes, last, stamps, samples, book)
            t = goal
            for k in range(axes.shape[0]):
                _warm(axes[k], t - birth_ns)
        elif t % GRID_NS == 0:
            sample(axes, t, stamps, samples, book)
        for k in range(axes.shape[0]):
            tripped = tripped or axes[k, TRIPPED] != 0.0
    shown[:] = axes
    return t


@compiled
def unit_draw(seed: int, number: int) -> float:
    """The n-th draw of a seed, evenly from [-1, 1): counter-based (splitmix64's finaliser)."""
    z = np.uint64(seed) * np.uint64(0x9E3779B97F4A7C15) + (np.uint64(number) + np.uint64(1)) * np.uint64(
        0xBF58476D1CE4E5B9
    )
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    drawn: float = np.float64(z >> np.uint64(11)) / 4503599627370496.0 - 1.0
    return drawn


@compiled
def shifted_ns(jitter_ns: int, seed: int, number: int) -> int:
    """How much later than its latency (or earlier) order ``number`` acts, at most ``jitter_ns``."""
    return math.floor(jitter_ns * unit_draw(seed, number) + 0.5)


@compiled
def due_instants(
    arrivals_ns: Instants, latency_ns: int, jitter_ns: int, seed: int, first: int, not_before_ns: int
) -> Instants:
    """When orders that arrive at ``arrivals_ns`` (n,) act: latency plus the draws from number ``first`` on.

    An order never overtakes the one before it (the last of earlier calls acts at ``not_before_ns``).
    """
    dues = np.empty(len(arrivals_ns), dtype=np.int64)
    last = not_before_ns
    for j in range(len(arrivals_ns)):
        due = arrivals_ns[j] + latency_ns
        if jitter_ns > 0:
            due += shifted_ns(jitter_ns, seed, first + j)
        last = max(last, due)
        dues[j] = last
    return dues


__all__ = ["ORDER_COLUMNS", "STEP_NS", "advance", "due_instants", "shifted_ns", "step_axis", "unit_draw"]
