"""Motor, play and switches of one axis on a stiff belt, compiled: exact between two commands, however time is cut.

Owns the equations of motion of the motor, the switches, and the sampling of the true motion at 1 kHz. Knows no drive
state, no object dictionary, no bus: a command is a target velocity, two ramps, and whether the motor has torque. A
belt that gives, friction and latency are the business of elastic.py, which takes the motor from here.

Frame: true mm of the axis, velocities mm/s, durations s, instants ns. The state of an axis is one row of float64
with the columns below.

* Reference: ``R`` runs towards ``TARGET`` at ``RAMP_UP`` while its size grows and ``RAMP_DOWN`` while it shrinks
  (infinite = a step).
* Velocity loop: V' = clamp((R - V) / LAG, +-ACCELERATION): first order, limited by what motor and belt can do.
* Without torque (drive off, or motor power cut by a limit switch) friction and brake slow the motor by ``COAST``
  until it stands, and hold it.
* Belt: a stiff one, so the head follows the motor through a play operator, H = max(X - r, min(X + r, H)), r half
  the gap (references: Krasnosel'skii-Pokrovskii).
* Limit switches stand at 0 and ``LENGTH`` of the head's travel and cut the motor's power; hard ends lie ``BUMPER``
  beyond. The home switch has a hysteresis, and an edge drawn anew each time that it opens.

Every stretch is solved in closed form and ends where the form changes: end of a ramp, begin or end of saturation,
a turn of the motor, a limit switch. So 4 ms at once or in a thousand cuts give the same state (to 1e-9).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from drivers.twin.compiled import compiled
from drivers.twin.parameters import POINTS_MAX, TwinAxis

# Columns of an axis' state.
X, V, R, TARGET, RAMP_UP, RAMP_DOWN, TORQUE = 0, 1, 2, 3, 4, 5, 6
HEAD, LIMIT, HOME_CLOSED, HOME_EDGE, APPROACHES, TRIPPED = 7, 8, 9, 10, 11, 12
LAG, ACCELERATION, COAST, HALF_GAP, LENGTH, BUMPER = 13, 14, 15, 16, 17, 18
HOME, HOME_BELOW, HOME_SCATTER, HOME_HYSTERESIS, SEED = 19, 20, 21, 22, 23
HOME_SHIFT, HOME_DRIFT = 24, 25  # the home switch's edge has moved by so much; mm/s
BELT, PULLEY, HEAD_V, DAMPING = 26, 27, 28, 29  # BELT: 1 where elastic.py moves the head
PLAY_FRICTION, RAIL, VISCOUS = 30, 31, 32
BELT_POINTS, PLAY_POINTS = 33, 34  # entries of the tables below
STEP_DECAY = 35  # 1 - exp(-100 us / LAG)
BELT_AT = 36
BELT_HZ = BELT_AT + POINTS_MAX
PLAY_AT = BELT_HZ + POINTS_MAX
PLAY_HALF = PLAY_AT + POINTS_MAX
COLUMNS = PLAY_HALF + POINTS_MAX

# Columns of a sample: motor, head, motor velocity, head velocity; of the first axis, then of the second.
SAMPLE_COLUMNS = 8
GRID_NS = 1_000_000
LIMIT_NEGATIVE, LIMIT_POSITIVE = 1.0, 2.0
POWER_CUT = 3.0  # in LIMIT's place: no switch, but the motor's power is off all the same

_LAG_MIN_S = 1e-6  # a lag of zero stands for this
_SWITCH_HYSTERESIS_MM = 0.2
_SNAP_MM_S = 1e-9  # a remaining velocity error below this is settled at once: at most 1e-10 mm away

State = npt.NDArray[np.float64]


def make_state(axis: TwinAxis, seed: int) -> State:
    """One axis at rest at its start, the head in the middle of its gap. Returns (COLUMNS,) float64."""
    state = np.zeros(COLUMNS, dtype=np.float64)
    state[RAMP_UP] = state[RAMP_DOWN] = math.inf
    state[LAG] = max(axis.loop_lag_ms * 1e-3, _LAG_MIN_S)
    state[STEP_DECAY] = -math.expm1(-1e-4 / state[LAG])
    state[ACCELERATION] = axis.acceleration_max_mm_s2
    state[COAST] = axis.coast_mm_s2
    state[HALF_GAP] = axis.play_mm / 2
    state[LENGTH] = axis.length_mm
    state[BUMPER] = axis.bumper_mm
    state[HOME] = axis.home_switch_mm
    state[HOME_BELOW] = 1.0 if axis.home_switch_active_below else -1.0
    state[HOME_SCATTER] = axis.home_switch_scatter_mm
    state[HOME_HYSTERESIS] = 0.02 + 6.0 * axis.home_switch_scatter_mm
    state[SEED] = float(seed % 2**32)
    state[HOME_EDGE] = draw_edge(state)
    state[HOME_DRIFT] = axis.home_switch_drift_mm_h / 3600.0
    state[PLAY_FRICTION] = math.inf if axis.play_friction_mm_s2 is None else axis.play_friction_mm_s2
    state[RAIL], state[VISCOUS] = axis.rail_friction_mm_s2, axis.rail_viscous_per_s
    if axis.belt is not None:
        state[BELT], state[DAMPING] = 1.0, axis.belt.damping
        n = len(axis.belt.position_mm)
        state[BELT_POINTS] = n
        state[BELT_AT : BELT_AT + n] = axis.belt.position_mm
        state[BELT_HZ : BELT_HZ + n] = axis.belt.frequency_hz
    if axis.play_table is not None:
        n = len(axis.play_table.position_mm)
        state[PLAY_POINTS] = n
        state[PLAY_AT : PLAY_AT + n] = axis.play_table.position_mm
        state[PLAY_HALF : PLAY_HALF + n] = np.array(axis.play_table.play_mm) / 2
        state[HALF_GAP] = np.interp(axis.start_mm, axis.play_table.position_mm, axis.play_table.play_mm) / 2
    place(state, axis.start_mm, axis.start_mm)
    return state


def place(state: State, motor_mm: float, head_mm: float, pulley_mm: float | None = None) -> None:
    """Put an axis at rest somewhere (start of a life, or a person's push); switches follow.

    The pulley stands where the head does (a slack belt) unless told otherwise; only a belt that gives can part them.
    """
    half = state[HALF_GAP]
    low, high = -state[BUMPER], state[LENGTH] + state[BUMPER]
    state[HEAD] = min(max(head_mm, low), high)
    state[PULLEY] = state[HEAD] if pulley_mm is None or state[BELT] == 0.0 else pulley_mm
    state[X] = min(max(motor_mm, state[PULLEY] - half), state[PULLEY] + half)
    state[V] = state[R] = state[HEAD_V] = 0.0
    state[LIMIT] = 0.0
    if state[HEAD] <= 0.0:
        state[LIMIT] = LIMIT_NEGATIVE
    elif state[HEAD] >= state[LENGTH]:
        state[LIMIT] = LIMIT_POSITIVE
    state[TRIPPED] = 0.0
    update_home_switch(state)


@compiled
def draw_edge(s: State) -> float:
    """Edge of the home switch for the present approach: normal scatter cut at three sigma, from the seed alone.

    A counter-based generator (splitmix64 finaliser, Box-Muller), so that the n-th approach has the same edge in
    every run with the same seed.
    """
    pair = np.empty(2)
    for k in range(2):
        z = np.uint64(s[SEED]) * np.uint64(0x9E3779B97F4A7C15)
        z += (np.uint64(2) * np.uint64(s[APPROACHES]) + np.uint64(k) + np.uint64(1)) * np.uint64(
            0xD1B54A32D192ED03
        )
        z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        z = z ^ (z >> np.uint64(31))
        pair[k] = (float(z >> np.uint64(11)) + 0.5) / 9007199254740992.0
    normal = math.sqrt(-2.0 * math.log(pair[0])) * math.cos(2.0 * math.pi * pair[1])
    return float(s[HOME] + s[HOME_SCATTER] * min(max(normal, -3.0), 3.0))


@compiled
def update_home_switch(s: State) -> None:
    """Close or open the home switch for the head's present place; a switch that opens gets its next edge."""
    inside = (s[HOME_EDGE] + s[HOME_SHIFT] - s[HEAD]) * s[HOME_BELOW]
    if s[HOME_CLOSED] == 0.0:
        if inside >= 0.0:
            s[HOME_CLOSED] = 1.0
    elif inside < -s[HOME_HYSTERESIS]:
        s[HOME_CLOSED] = 0.0
        s[APPROACHES] += 1.0
        s[HOME_EDGE] = draw_edge(s)


@compiled
def _ramp(s: State) -> tuple[float, float, float]:
    """Rate of the reference, how long it lasts (s), and the reference at its end."""
    r, target = s[R], s[TARGET]
    if r == target:
        return 0.0, math.inf, r
    if r * target < 0.0:
        rate, goal = s[RAMP_DOWN], 0.0
    elif abs(target) >= abs(r):
        rate, goal = s[RAMP_UP], target
    else:
        rate, goal = s[RAMP_DOWN], target
    if math.isinf(rate):
        s[R] = target if goal == target or math.isinf(s[RAMP_UP]) else 0.0
        if s[R] == target:
            return 0.0, math.inf, target
        rate, goal = s[RAMP_UP], target
    return math.copysign(rate, goal - s[R]), abs(goal - s[R]) / rate, goal


@compiled
def _lagged(x: float, r: float, rate: float, e: float, lag: float, t: float) -> tuple[float, float]:
    """Place and velocity after t of the linear loop: e(t) = rate*lag + (e - rate*lag) exp(-t/lag), v = r(t) - e(t)."""
    decay = -math.expm1(-t / lag)
    tail = e - rate * lag
    v = r + rate * t - (e - tail * decay)
    return x + r * t + 0.5 * rate * t * t - (rate * lag * t + tail * lag * decay), v


@compiled
def _stretch(
    s: State, left: float
) -> tuple[bool, float, float, float, bool, float, float, float, float, float, bool]:
    """The next smooth stretch of the motor, of at most ``left`` s, in which it does not turn.

    Returns whether it stands for good (then the rest says nothing), length, place and velocity at the end, whether
    the form is a parabola (else the lagging loop) with its acceleration, rate of the reference, reference and
    velocity error at the beginning, the ramp's goal, and whether the ramp ends with the stretch. Changes the
    reference of a motor without torque, and settles what is left of a velocity error below _SNAP_MM_S.
    """
    x, v, lag = s[X], s[V], s[LAG]
    parabola = True
    a, rate, goal, tail_r, e = 0.0, 0.0, 0.0, 0.0, 0.0
    settled = False  # the velocity at the end is known exactly and stands in v_end
    v_end = 0.0
    t = left
    if s[TORQUE] == 0.0 or s[LIMIT] != 0.0:
        s[R] = 0.0
        if v == 0.0:
            return True, left, x, v, parabola, a, rate, tail_r, e, goal, False
        a = -math.copysign(s[COAST], v)
        if abs(v) / s[COAST] <= t:
            t, settled = abs(v) / s[COAST], True
        ends_ramp = False
    else:
        rate, lasts, goal = _ramp(s)
        ends_ramp = lasts <= t
        t = min(t, lasts)
        tail_r = s[R]
        e = tail_r - v
        limit = s[ACCELERATION] * lag
        sign = 1.0 if e >= 0.0 else -1.0
        a = sign * s[ACCELERATION]
        outruns = rate * sign > s[ACCELERATION]
        # e is a difference of two large numbers: "at the limit" must be wider than their rounding
        slight = 1e-9 * limit + 1e-14 * (1.0 + abs(tail_r) + abs(v))
        if abs(e) > limit + slight or (outruns and abs(e) >= limit - slight):
            if not outruns and rate * sign < s[ACCELERATION]:
                until = (abs(e) - limit) / (s[ACCELERATION] - rate * sign)
                if until <= t:
                    ends_ramp = ends_ramp and until == t
                    t, settled = until, True
                    v_end = tail_r + rate * t - sign * limit
        else:
            parabola = False
            if abs(rate) > s[ACCELERATION]:
                edge = math.copysign(limit, rate)
                until = lag * math.log((rate * lag - e) / (rate * lag - edge))
                if until <= t:
                    ends_ramp = ends_ramp and until == t
                    t, settled = until, True
                    v_end = tail_r + rate * t - edge
            elif rate == 0.0 and abs(e) < _SNAP_MM_S:
                s[X] = x = x - e * lag
                s[V] = v = tail_r
                e = 0.0
                if v == 0.0:
                    return True, left, x, v, parabola, a, rate, tail_r, e, goal, False
            # v has its turning point where e passes zero: cut there, so that v is monotone in the stretch
            if rate != 0.0 and e != 0.0:
                ratio = (rate * lag - e) / (rate * lag)
                if ratio > 1.0:
                    until = lag * math.log(ratio)
                    if until < t:
                        t, settled, ends_ramp = until, True, False
                        v_end = tail_r + rate * t
    # the motor must not turn within a stretch
    if parabola:
        x_end = x + v * t + 0.5 * a * t * t
        if not settled:
            v_end = v + a * t
    else:
        x_end, v_free = _lagged(x, tail_r, rate, e, lag, t)
        if not settled:
            v_end = v_free
    if v * v_end < 0.0:
        if parabola:
            t = -v / a
            x_end = x + 0.5 * v * t
        else:
            if rate == 0.0:
                t = lag * math.log(e / tail_r)
            else:
                low, high = 0.0, t
                for _ in range(100):
                    middle = 0.5 * (low + high)
                    if middle in (low, high):
                        break
                    if _lagged(x, tail_r, rate, e, lag, middle)[1] * v > 0.0:
                        low = middle
                    else:
                        high = middle
                t = high
            x_end = _lagged(x, tail_r, rate, e, lag, t)[0]
        v_end, ends_ramp = 0.0, False
    return False, t, x_end, v_end, parabola, a, rate, tail_r, e, goal, ends_ramp


@compiled
def _piece(s: State, left: float) -> float:
    """Advance one axis on a stiff belt by one smooth stretch of at most ``left`` s; returns its length."""
    stands, t, x_end, v_end, parabola, a, rate, tail_r, e, goal, ends_ramp = _stretch(s, left)
    if stands:
        return left
    x, v, lag = s[X], s[V], s[LAG]
    half = s[HALF_GAP]
    head = max(x_end - half, min(x_end + half, s[HEAD]))
    # a limit switch: find the instant, cut the power there
    if s[LIMIT] == 0.0 and (head <= 0.0 or head >= s[LENGTH]):
        negative = head <= 0.0
        wanted = -half if negative else s[LENGTH] + half
        low, high = 0.0, t
        for _ in range(100):
            middle = 0.5 * (low + high)
            if middle in (low, high):
                break
            if parabola:
                there = x + v * middle + 0.5 * a * middle * middle
            else:
                there = _lagged(x, tail_r, rate, e, lag, middle)[0]
            if (there > wanted) == negative:
                low = middle
            else:
                high = middle
        t = high
        x_end = wanted
        v_end = v + a * t if parabola else _lagged(x, tail_r, rate, e, lag, t)[1]
        head = 0.0 if negative else s[LENGTH]
        s[LIMIT] = LIMIT_NEGATIVE if negative else LIMIT_POSITIVE
        s[TRIPPED] = 1.0
        ends_ramp = False
    elif (s[LIMIT] == LIMIT_NEGATIVE and head > _SWITCH_HYSTERESIS_MM) or (
        s[LIMIT] == LIMIT_POSITIVE and head < s[LENGTH] - _SWITCH_HYSTERESIS_MM
    ):
        s[LIMIT] = 0.0
    # a hard end: belt and head stop dead
    if head < -s[BUMPER]:
        head, x_end, v_end = -s[BUMPER], -s[BUMPER] - half, 0.0
    elif head > s[LENGTH] + s[BUMPER]:
        head, x_end, v_end = s[LENGTH] + s[BUMPER], s[LENGTH] + s[BUMPER] + half, 0.0
    s[X], s[V], s[HEAD] = x_end, v_end, head
    s[R] = goal if ends_ramp else s[R] + rate * t
    update_home_switch(s)
    return t


@compiled
def advance_axis(s: State, duration_s: float) -> None:
    """Advance one axis' state (COLUMNS,) by ``duration_s``."""
    left = duration_s
    while left > 0.0:
        left -= _piece(s, left)


@compiled
def advance_motor(s: State, duration_s: float, decay: float) -> None:
    """Advance the motor alone by ``duration_s``: what hangs on it is moved by somebody else.

    ``decay`` = 1 - exp(-duration_s / LAG), for whoever takes the same step again and again.
    """
    e = s[R] - s[V]
    is_linear = _SNAP_MM_S <= abs(e) <= s[ACCELERATION] * s[LAG]
    if is_linear and s[TORQUE] != 0.0 and s[LIMIT] == 0.0 and s[R] == s[TARGET]:
        s[X] += s[R] * duration_s - e * s[LAG] * decay
        s[V] = s[R] - (e - e * decay)
        return
    left = duration_s
    while left > 0.0:
        stands, t, x_end, v_end, _, _, rate, _, _, goal, ends_ramp = _stretch(s, left)
        if stands:
            return
        s[X], s[V] = x_end, v_end
        s[R] = goal if ends_ramp else s[R] + rate * t
        left -= t


@compiled
def _head_velocity(s: State) -> float:
    if s[BELT] != 0.0:
        return float(s[HEAD_V])
    slack = s[HALF_GAP] - abs(s[X] - s[HEAD])
    if slack > 1e-9 or (s[X] - s[HEAD]) * s[V] < 0.0:
        return 0.0
    return float(s[V])


@compiled
def advance(
    axes: State,
    from_ns: int,
    to_ns: int,
    stamps: npt.NDArray[np.int64],
    samples: npt.NDArray[np.float64],
    book: npt.NDArray[np.int64],
) -> int:
    """Advance both axes; returns the instant reached, which is earlier than ``to_ns`` when a limit switch tripped.

    axes: (2, COLUMNS). A sample (``samples`` (cap, SAMPLE_COLUMNS), ``stamps`` (cap,)) is written at every
    multiple of 1 ms at which something moves, and at the last still instant before a move. ``book``: [samples
    written, instant of a still sample held back or -1]. The caller leaves room for 2 samples a ms of the span.
    """
    t = from_ns
    while t < to_ns:
        grid = (t // GRID_NS + 1) * GRID_NS
        until = min(grid, to_ns)
        duration_s = (until - t) * 1e-9
        for k in range(axes.shape[0]):
            advance_axis(axes[k], duration_s)
        t = until
        if t == grid:
            sample(axes, t, stamps, samples, book)
        for k in range(axes.shape[0]):
            if axes[k, TRIPPED] != 0.0:
                return t
    return t


def warm_up(axes: State) -> None:
    """Compile now, on a copy, so that the first frame does not wait for the compiler."""
    book = np.array([0, -1], dtype=np.int64)
    advance(axes.copy(), 0, GRID_NS, np.zeros(4, dtype=np.int64), np.zeros((4, SAMPLE_COLUMNS)), book)


@compiled
def sample(
    axes: State,
    t: int,
    stamps: npt.NDArray[np.int64],
    samples: npt.NDArray[np.float64],
    book: npt.NDArray[np.int64],
) -> None:
    """Write one sample of both axes, unless nothing has moved since the last: then only its instant is kept."""
    n = book[0]
    still = n > 0
    for k in range(axes.shape[0]):
        still = still and axes[k, V] == 0.0
        still = still and samples[n - 1, 4 * k] == axes[k, X] and samples[n - 1, 4 * k + 2] == 0.0
        if axes[k, BELT] != 0.0:
            still = still and axes[k, HEAD_V] == 0.0 and samples[n - 1, 4 * k + 3] == 0.0
            still = still and samples[n - 1, 4 * k + 1] == axes[k, HEAD]
    if still:
        book[1] = t
        return
    if book[1] >= 0:
        stamps[n] = book[1]
        for c in range(SAMPLE_COLUMNS):
            samples[n, c] = samples[n - 1, c]
        n += 1
        book[1] = -1
    stamps[n] = t
    for k in range(axes.shape[0]):
        samples[n, 4 * k] = axes[k, X]
        samples[n, 4 * k + 1] = axes[k, HEAD]
        samples[n, 4 * k + 2] = axes[k, V]
        samples[n, 4 * k + 3] = _head_velocity(axes[k])
    book[0] = n + 1
