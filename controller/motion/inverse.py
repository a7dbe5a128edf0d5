"""The compiled passes of the inverse chain, one axis at a time: belt, turns, crossings, lag.

Owns the loops; the set-up and the state between chunks belong to controller/motion/chain.py, the shapes of the
crossings to controller/motion/easing.py. Times in here are in ticks where named ``_ticks`` or ``at``, else in s.
"""

from __future__ import annotations

from math import exp, sqrt

import numpy as np
import numpy.typing as npt

from controller.motion.balance import STEPS, balance
from controller.motion.compiled import compiled
from controller.motion.easing import ENTRY, EXIT, HOLD, LEVEL, MEET, crossing_time

Vector = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

STILL_MM = 1e-9
"""The belt side stands still while it moves by less than this from tick to tick."""

FORGOTTEN_MM = 1e-7
"""A stretch of the belt that decays below this while the head rests is taken as gone."""

CUT_SHARE = 2.0
"""Entries and exits that had to be cut short may ask for so much of the crossings' acceleration."""

EVENT_NUMBERS = 8
"""Of an event: base tick, part of a tick, flank after it, acceleration (0: at rest), hold's start and end (both from
the turn, s), entry's and exit's length (s). Base ticks are whole, so that nothing depends on where chunks are cut."""

BASE, PART, FLANK, TURN, START, STOP, ENTRY_S, EXIT_S = range(EVENT_NUMBERS)


@compiled
def look_up(places: Vector, values: Vector, at: float) -> tuple[float, float]:
    """Value and slope of a table that is straight between its places and constant beyond."""
    last = len(places) - 1
    if last == 0 or at <= places[0]:
        return values[0], 0.0
    if at >= places[last]:
        return values[last], 0.0
    low, high = 0, last
    while high - low > 1:
        middle = (low + high) // 2
        if places[middle] <= at:
            low = middle
        else:
            high = middle
    slope = (values[high] - values[low]) / (places[high] - places[low])
    return values[low] + slope * (at - places[low]), slope


@compiled
def belt_pass(
    raw: Vector,
    taps: Vector,
    tick_s: float,
    places: Vector,
    omegas: Vector,
    damping: float,
    stretch: Vector,
    out: Vector,
    out_dot: Vector,
) -> None:
    """Raw head positions to the belt side's wanted position w and velocity w' at every tick's own instant.

    The belt gives 2 z / omega e' + e = y'' / omega^2 for the stretch e = w - y, with y'' nearly a cubic in a tick;
    solved exactly for the cubic through its values and slopes at both ends. ``stretch`` (3,): e, y''/omega^2 and
    its slope at the last instant before; left at the last. ``raw`` holds 5 positions more than there are ticks.
    """
    stiff = len(places) == 0
    e, g_before, slope_before = stretch[0], stretch[1], stretch[2]
    for j in range(len(out)):
        centre = raw[j + 2]
        y = y1 = y2 = y3 = 0.0
        for i in range(6):
            d = raw[j + i] - centre
            y += taps[0, i] * d
            y1 += taps[1, i] * d
            y2 += taps[2, i] * d
            y3 += taps[3, i] * d
        y += centre
        if stiff:
            out[j] = y
            out_dot[j] = y1
            continue
        omega, _ = look_up(places, omegas, y)
        g = y2 / (omega * omega)
        slope = y3 / (omega * omega)
        constant = 2.0 * damping / omega
        if constant < 1e-3 * tick_s:
            e = g - constant * slope
            e_dot = slope
        else:
            x = tick_s / constant
            fade = exp(-x)
            # The cubic in s = 0..1: g_before + c1 s + c2 s^2 + c3 s^3; answer of the lag by repeated parts.
            c1 = slope_before * tick_s
            c2 = 3.0 * (g - g_before) - (2.0 * slope_before + slope) * tick_s
            c3 = 2.0 * (g_before - g) + (slope_before + slope) * tick_s
            k = 1.0 / x
            d1, d2, d3 = c1 + 2.0 * c2 + 3.0 * c3, 2.0 * c2 + 6.0 * c3, 6.0 * c3
            end = g - k * (d1 - k * (d2 - k * d3))
            begin = g_before - k * (c1 - k * (2.0 * c2 - k * d3))
            e = end + (e - begin) * fade
            if abs(e) < FORGOTTEN_MM and g == 0.0:
                e = 0.0
            e_dot = (g - e) / constant
        g_before, slope_before = g, slope
        out[j] = y + e
        out_dot[j] = y1 + e_dot
    stretch[0], stretch[1], stretch[2] = e, g_before, slope_before


@compiled
def _turn_of(w: Vector, w_dot: Vector, sign: float, at: int) -> tuple[int, float]:
    """Tick and part of a tick at which the motion in direction ``sign`` has its extreme, at or beside tick ``at``."""
    left = at if sign * w_dot[at] >= 0.0 or at == 0 else at - 1
    if left + 1 >= len(w):
        return at, 0.0
    # A plateau turns in its middle.
    right = left
    while right + 2 < len(w) and abs(w[right + 1] - w[right]) < STILL_MM:
        right += 1
    if right > left:
        return left + (right - left) // 2, 0.5 * ((right - left) % 2)
    before, after = w_dot[left], w_dot[left + 1]
    if before * after < 0.0:
        return left, before / (before - after)
    return at, 0.0


@compiled
def find_turns(
    w: Vector,
    w_dot: Vector,
    tick_s: float,
    flank: float,
    hysteresis_mm: float,
    places: Vector,
    half_gaps: Vector,
    acceleration: float,
    speed_max: float,
    ratios: Vector,
    omegas: Vector,
    tables: Vector,
    belt_places: Vector,
    belt_omegas: Vector,
) -> tuple[Vector, float]:
    """Where the motor must change its flank: events (m, EVENT_NUMBERS) in order of time, and the flank at the end.

    A turn counts when w has come back from its extreme by more than ``hysteresis_mm``. The crossing lies wholly in the
    last rest that is long enough and lies after the extreme; otherwise about the extreme. Two crossings that would
    overlap are both left out: the belt side then skips that small, fast to and fro.
    """
    events = np.empty((16, EVENT_NUMBERS))
    count = 0
    sign = flank
    extreme, extreme_at, still_before = w[0] * sign, 0, 0
    rest_ticks, rest_end, still_at = 0, -1, 0
    for j in range(1, len(w)):
        if abs(w[j] - w[j - 1]) < STILL_MM:
            rest_ticks += 1
            if rest_ticks > 1:
                still_at = j
            half, _ = look_up(places, half_gaps, w[j])
            if rest_ticks * tick_s >= rest_crossing_s(half, acceleration, speed_max):
                rest_end = j
        else:
            rest_ticks = 0
        value = w[j] * sign
        if value > extreme:
            extreme, extreme_at, still_before = value, j, still_at
            continue
        if extreme - value <= hysteresis_mm:
            continue
        half, _ = look_up(places, half_gaps, extreme * sign)
        if half > 0.0:
            if count == len(events):
                longer = np.empty((2 * count, EVENT_NUMBERS))
                longer[:count] = events
                events = longer
            event = events[count]
            event[FLANK] = -sign
            if rest_end >= extreme_at:
                half, _ = look_up(
                    places, half_gaps, w[rest_end]
                )  # not the extreme: it may lie in another chunk
                event[BASE], event[PART], event[TURN] = rest_end, 0.0, 0.0
                event[START], event[STOP] = -rest_crossing_s(half, acceleration, speed_max), 0.0
                event[ENTRY_S] = event[EXIT_S] = 0.0
            else:
                base, part = _turn_of(w, w_dot, sign, extreme_at)
                event[BASE], event[PART] = base, part
                _fit(
                    event, w, tick_s, extreme, sign, half, acceleration, speed_max, ratios, omegas, tables,
                    belt_places, belt_omegas,
                )  # fmt: skip
                # Nothing moves in a rest before the turn: the entry begins with the motion.
                moving_s = (base - still_before + part) * tick_s + event[START]
                event[ENTRY_S] = max(min(event[ENTRY_S], moving_s), 0.0)
            if count > 0 and _apart_s(events[count - 1], event, tick_s) < 0.0:
                count -= 1
            else:
                count += 1
        sign = -sign
        extreme, extreme_at, still_before = w[j] * sign, j, still_at
        rest_end = -1
    return events[:count], sign


@compiled
def _apart_s(first: Vector, second: Vector, tick_s: float) -> float:
    """Time from the end of one hold to the start of the next."""
    ticks = (second[BASE] - first[BASE]) + (second[PART] - first[PART])
    return float(ticks * tick_s + second[START] - first[STOP])


@compiled
def rest_crossing_s(half: float, acceleration: float, speed_max: float) -> float:
    """How long the motor takes from rest to rest over the whole gap."""
    if half <= 0.0:
        return 0.0
    return crossing_time(2.0 * half, _gentle(2.0 * half, acceleration, speed_max, 0.0), 0.0)


@compiled
def _gentle(gap: float, acceleration: float, speed_max: float, meet: float) -> float:
    """The acceleration, or less where the motor would become faster than it may."""
    return min(acceleration, max(speed_max * speed_max - 0.5 * meet * meet, 1e-9) / gap)


@compiled
def _fit(
    event: Vector,
    w: Vector,
    tick_s: float,
    extreme: float,
    sign: float,
    half: float,
    acceleration: float,
    speed_max: float,
    ratios: Vector,
    omegas: Vector,
    tables: Vector,
    belt_places: Vector,
    belt_omegas: Vector,
) -> None:
    """Choose the crossing's shape for a turn in motion: its acceleration is measured on w itself."""
    gap = 2.0 * half
    motor = _gentle(gap, acceleration, speed_max, 0.0)
    unit_s = sqrt(gap / motor)
    reach = max(unit_s, tick_s)
    before, _ = at_time(w, w, tick_s, int(event[BASE]), event[PART], -reach, False)
    after, _ = at_time(w, w, tick_s, int(event[BASE]), event[PART], reach, False)
    turn = max(2.0 * extreme - sign * (before + after), 0.0) / (reach * reach)
    ratio = min(turn / motor, ratios[-1])
    omega = 0.0
    if len(belt_places) > 0:
        omega, _ = look_up(belt_places, belt_omegas, extreme * sign)
        omega *= unit_s
    shape = np.empty(tables.shape[2])
    mix(shape, ratio, omega, ratios, omegas, tables)
    event[TURN] = turn
    event[START] = shape[HOLD] * unit_s
    event[STOP] = event[START] + crossing_time(gap, motor, shape[MEET] * ratio * sqrt(gap * motor))
    event[ENTRY_S], event[EXIT_S] = shape[ENTRY] * unit_s, shape[EXIT] * unit_s


@compiled
def mix(shape: Vector, ratio: float, omega: float, ratios: Vector, omegas: Vector, tables: Vector) -> None:
    """The shape between the rows (by ratio) of the tables (by omega)."""
    row = 0
    while row < len(ratios) - 2 and ratios[row + 1] <= ratio:
        row += 1
    share = min(max((ratio - ratios[row]) / (ratios[row + 1] - ratios[row]), 0.0), 1.0)
    table, part = 0, 0.0
    if len(omegas) > 1:
        while table < len(omegas) - 2 and omegas[table + 1] <= omega:
            table += 1
        part = min(max((omega - omegas[table]) / (omegas[table + 1] - omegas[table]), 0.0), 1.0)
    other = min(table + 1, len(omegas) - 1)
    for i in range(len(shape)):
        low = tables[table, row, i] * (1.0 - share) + tables[table, row + 1, i] * share
        high = tables[other, row, i] * (1.0 - share) + tables[other, row + 1, i] * share
        shape[i] = low * (1.0 - part) + high * part


@compiled
def at_time(
    w: Vector, w_dot: Vector, tick_s: float, base: int, part: float, time_s: float, smooth: bool
) -> tuple[float, float]:
    """w and w' at ``time_s`` from tick ``base + part``: the cubic through values and slopes, or straight."""
    ticks = part + time_s / tick_s
    whole = int(np.floor(ticks))
    s = ticks - whole
    k = base + whole
    if k < 0:
        return w[0], 0.0
    if k >= len(w) - 1:
        return w[len(w) - 1], 0.0
    a, b = w[k], w[k + 1]
    if not smooth:
        return a + (b - a) * s, (b - a) / tick_s
    c1 = w_dot[k] * tick_s
    end = w_dot[k + 1] * tick_s
    c2 = 3.0 * (b - a) - 2.0 * c1 - end
    c3 = 2.0 * (a - b) + c1 + end
    return a + s * (c1 + s * (c2 + s * c3)), (c1 + s * (2.0 * c2 + 3.0 * s * c3)) / tick_s


@compiled
def motor_pass(
    w: Vector,
    w_dot: Vector,
    tick_s: float,
    flank: float,
    events: Vector,
    places: Vector,
    half_gaps: Vector,
    acceleration: float,
    speed_max: float,
    ratios: Vector,
    omegas: Vector,
    tables: Vector,
    belt_places: Vector,
    belt_omegas: Vector,
    lag_s: float,
    damping: float,
    motor: Vector,
    commands: Vector,
) -> None:
    """Belt side to motor positions u and commanded positions u + lag u' at every tick's own instant.

    ``w`` is left as the belt side that the play will make of u: changed inside the crossings.
    """
    sign = flank
    j = 0
    shape, held = np.empty(tables.shape[2]), np.empty(STEPS)
    last = len(events) - 1
    for number in range(last + 2):
        if number > last:
            begin = len(w)
        else:
            event = events[number]
            base, part = int(event[BASE]), event[PART]
            start, stop = event[START], event[STOP]
            entry, leave = event[ENTRY_S], event[EXIT_S]
            if number > 0:
                free = _apart_s(events[number - 1], event, tick_s)
                wanted = entry + events[number - 1][EXIT_S]
                if wanted > free:
                    entry *= free / wanted
            if number < last:
                free = _apart_s(event, events[number + 1], tick_s)
                wanted = leave + events[number + 1][ENTRY_S]
                if wanted > free:
                    leave *= free / wanted
            begin = min(max(base + int(np.ceil(part + (start - entry) / tick_s)), j), len(w))
        while j < begin:
            half, slope = look_up(places, half_gaps, w[j])
            u = w[j] + sign * half
            motor[j] = u
            commands[j] = u + lag_s * w_dot[j] * (1.0 + sign * slope)
            j += 1
        if number > last:
            break
        new = event[FLANK]
        in_motion = event[TURN] > 0.0 or leave > 0.0 or entry > 0.0
        w1, dot1 = at_time(w, w_dot, tick_s, base, part, start, True)
        w2, dot2 = at_time(w, w_dot, tick_s, base, part, stop, True)
        peak, _ = at_time(w, w_dot, tick_s, base, part, 0.0, True)
        level, meet = peak, 0.0
        half, _ = look_up(places, half_gaps, level)
        gap = 2.0 * half
        gentle = _gentle(gap, acceleration, speed_max, 0.0)
        if in_motion:
            ratio = min(event[TURN] / gentle, ratios[-1])
            omega = 0.0
            if len(belt_places) > 0:
                omega, _ = look_up(belt_places, belt_omegas, peak)
                omega *= sqrt(gap / gentle)
            mix(shape, ratio, omega, ratios, omegas, tables)
            level = peak + shape[LEVEL] * (w1 - peak)
            meet = shape[MEET] * ratio * sqrt(gap * gentle)
            if len(belt_places) > 0:
                for i in range(STEPS):
                    at = start + (stop - start) * (i + 1) / STEPS
                    held[i], _ = at_time(w, w_dot, tick_s, base, part, at, True)
                omega, _ = look_up(belt_places, belt_omegas, peak)
                level, meet = balance(
                    held, entry, stop - start, leave, w1, dot1, w2, dot2, level, new * meet, abs(w1 - peak),
                    omega, damping,
                )  # fmt: skip
                meet = max(new * meet, 0.0)
            # Entry and exit may have been cut: the level and the contact velocity follow what they can still do.
            bound = CUT_SHARE * gentle
            way = (bound * entry * entry) / 12.0
            middle = w1 - dot1 * entry / 2.0
            level = min(max(level, middle - way), middle + way)
            if leave > 0.0:
                speed = new * (dot2 - 2.0 * (level - w2) / leave)
                meet = min(max(meet, speed - bound * leave / 6.0), max(speed + bound * leave / 6.0, 0.0))
        length = stop - start
        meet = min(meet, gentle * length)
        rise = 0.5 * (length + meet / gentle)  # the motor gains speed so long, then loses it
        # A contact velocity that the hold does not allow, or a gap that changed with the level, is scaled away.
        top = gentle * rise
        reach = 0.5 * top * rise + 0.5 * (top + meet) * (length - rise)
        stretch = gap / reach if reach > 0.0 else 1.0
        entry_p0, entry_p1 = level - w1, entry * dot1
        leave_p0, leave_p1 = level - w2, leave * (new * meet - dot2)
        end = min(base + int(np.floor(part + (stop + leave) / tick_s)), len(w) - 1)
        while j <= end:
            t = (j - base - part) * tick_s
            if t <= start:
                if entry > 0.0:
                    x = min(max((start - t) / entry, 0.0), 1.0)
                    rest = 1.0 - x
                    k = entry_p1 + 3.0 * entry_p0
                    moved = rest**3 * (entry_p0 + k * x)
                    moved_dot = -(rest**3 * k - 3.0 * rest * rest * (entry_p0 + k * x)) / entry
                else:
                    moved, moved_dot = 0.0, 0.0
                w[j] += moved
                half, slope = look_up(places, half_gaps, w[j])
                u = w[j] + sign * half
                u_dot = (w_dot[j] + moved_dot) * (1.0 + sign * slope)
            elif t < stop:
                if in_motion:
                    w[j] = level
                half, _ = look_up(places, half_gaps, w[j])
                s = t - start
                if s <= rise:
                    way, speed = 0.5 * gentle * s * s, gentle * s
                else:
                    back = length - s
                    way = reach - back * (meet + 0.5 * gentle * back)
                    speed = meet + gentle * back
                u = w[j] + sign * half + new * stretch * way
                u_dot = new * stretch * speed
            else:
                if leave > 0.0:
                    x = min((t - stop) / leave, 1.0)
                    rest = 1.0 - x
                    k = leave_p1 + 3.0 * leave_p0
                    moved = rest**3 * (leave_p0 + k * x)
                    moved_dot = (rest**3 * k - 3.0 * rest * rest * (leave_p0 + k * x)) / leave
                else:
                    moved, moved_dot = 0.0, 0.0
                w[j] += moved
                half, slope = look_up(places, half_gaps, w[j])
                u = w[j] + new * half
                u_dot = (w_dot[j] + moved_dot) * (1.0 + new * slope)
            motor[j] = u
            commands[j] = u + lag_s * u_dot
            j += 1
        sign = new


@compiled
def largest_acceleration(velocity: Vector, tick_s: float, lag_s: float) -> float:
    """Largest change of the motor's velocity over a tick, per s, for commanded velocities (n,) from rest."""
    keep = exp(-tick_s / lag_s) if lag_s > 0.0 else 0.0
    now, largest = 0.0, 0.0
    for wanted in velocity:
        after = wanted + (now - wanted) * keep
        largest = max(largest, abs(after - now) / tick_s)
        now = after
    return largest
