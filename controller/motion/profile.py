"""Speed along a path: the shortest time under limits of speed and of the acceleration and jerk *vectors*.

Owns the mathematics of time along a polyline. Knows no ticks, no quanta, no machine.

Acceleration: the tangential and the centripetal part share the limit, a_t^2 + (v^2 k)^2 <= A^2. With w = v^2 and
dw/ds = 2 a_t, on a stretch of constant curvature k the fastest rise is w = (A/k) sin(2 k g), g the arc length that
a start from rest would have needed; on a straight one w = 2 A g. So g is the natural coordinate of a ramp: speeding
up it grows with s, slowing down it falls, and both passes, the peak inside a stretch and the times follow from it
in closed form. A circle's run-up comes out as 45 degrees, as it must. On curved ramps the acceleration is taken
constant over stretches of ``RAMP_STEP_RAD`` of 2 k g, which lets |a| exceed A there by a share of less than
RAMP_STEP_RAD / 4.

Jerk: a run (from stop to stop) that is one straight line is the closed S-curve (``scurve``), exactly. Any other
run is the acceleration-limited one, averaged over a moving window of time: the position *vector* is replaced by its
mean over the last T_j. A mean of motions keeps every limit of speed and acceleration (both are convex), and its
jerk is (a(t) - a(t - T_j)) / T_j. T_j is for each run the shortest window for which that stays within J; it is
at most 2 A / J, and A / J where the acceleration never turns round within the window, as on a dot. The run takes
T_j longer and leaves the path by at most A T_j^2 / 24, inwards in a bend.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import cast

import numpy as np
import numpy.typing as npt

from controller.motion.corners import Elements, elements
from controller.motion.path import Index, Polyline, Vector
from controller.motion.scurve import SCurve, rest_to_rest

RAMP_STEP_RAD = 0.02
CRUISE_STEP_RAD = 0.1
"""A bend at constant speed is cut into stretches that turn by less, so that its acceleration is known in between."""

STRAIGHT_MM = 1e-6
"""A run whose vertices are all within this of the line from its beginning to its end is straight."""

WINDOW_ROUNDS = 8
"""Rounds in which the window of a run is sought; what has not settled by then takes 2 A / J."""

Sweep = Callable[[Vector, Vector, Vector, float], Vector]


@dataclass(frozen=True, slots=True)
class Profile:
    """Motion along a polyline.

    Stretches of constant tangential acceleration in order of time, before any averaging:
    element: (m,) of ``elements``; from_mm: (m,) place on it at the beginning of the stretch;
    duration_s, speed_mm_s, acceleration_mm_s2: (m,), the speed at the beginning of the stretch;
    run: (m,) index of the run (from stop to stop) that the stretch belongs to.

    By run: run_duration_s: (r,) with the averaging; window_s: (r,) T_j, 0 where nothing is averaged;
    straight: (r,) whether ``line`` (one S-curve for each run) is the motion instead of the stretches;
    run_last_chord: (r,).
    """

    path: Polyline
    elements: Elements
    element: Index
    from_mm: Vector
    duration_s: Vector
    speed_mm_s: Vector
    acceleration_mm_s2: Vector
    run: Index
    run_duration_s: Vector
    window_s: Vector
    straight: npt.NDArray[np.bool_]
    line: SCurve
    run_last_chord: Index

    @property
    def duration_s_total(self) -> float:
        """Time from end to end."""
        return float(self.run_duration_s.sum())

    @property
    def chord(self) -> Index:
        """Chord (m,) of the path that each stretch lies beside."""
        return self.elements.chord[self.element]


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


def _cut(
    length: Vector, k: Vector, bend: Vector, cap: Vector, square: Vector, acceleration: float
) -> tuple[Vector, Vector, Index]:
    """Ramps and number of stretches of every cell: g at the beginning, the peak and the end; mm of rise and fall.

    Returns ramps (n, 3), rise and fall (n, 2), counts (n, 3) of stretches of rise, cruise and fall. g is the arc
    length that a start from rest needs to reach a speed on the cell's curvature.
    """
    n = len(length)
    ramps = np.empty((n, 3))
    ways = np.empty((n, 2))
    counts = np.zeros((n, 3), dtype=np.int64)
    for i in range(n):
        g = np.empty(3)
        for end in range(3):
            w = cap[i] if end == 1 else square[i + end // 2]
            sine = min(1.0, w * k[i] / acceleration)
            g[end] = w / (2.0 * acceleration) if sine < 1e-6 else np.arcsin(sine) / (2.0 * k[i])
        g[1] = min(0.5 * (g[0] + g[2] + length[i]), g[1])
        rise = min(max(g[1] - g[0], 0.0), length[i])
        fall = min(max(g[1] - g[2], 0.0), length[i] - rise)
        cruise = length[i] - rise - fall
        least = 1e-9 * length[i]
        if rise > least:
            counts[i, 0] = max(1, int(np.ceil(2.0 * k[i] * rise / RAMP_STEP_RAD)))
        if cruise > least:
            counts[i, 1] = max(1, int(np.ceil(abs(bend[i]) * cruise / CRUISE_STEP_RAD)))
        if fall > least:
            counts[i, 2] = max(1, int(np.ceil(2.0 * k[i] * fall / RAMP_STEP_RAD)))
        ramps[i] = g
        ways[i, 0], ways[i, 1] = rise, fall
    return ramps, ways, counts


def _lay(
    length: Vector,
    k: Vector,
    square: Vector,
    acceleration: float,
    ramps: Vector,
    ways: Vector,
    counts: Index,
    out: Vector,
    owner: Index,
) -> None:
    """Fill ``out`` (m, 5) with place on the cell, mm, s, speed and its change of every stretch; ``owner`` (m,)."""
    m = 0
    for i in range(len(length)):
        g, rise, fall = ramps[i], ways[i, 0], ways[i, 1]
        top = max(square[i], square[i + 1])
        angle = 2.0 * k[i] * g[1]
        if angle < 1e-6:
            top = max(top, 2.0 * acceleration * g[1])
        else:
            top = max(top, acceleration / k[i] * np.sin(min(angle, 0.5 * np.pi)))
        for phase in range(3):
            count = counts[i, phase]
            if count == 0:
                continue
            if phase == 0:
                begin, way, first, last = 0.0, rise, g[0], g[0] + rise
            elif phase == 1:
                begin, way, first, last = rise, length[i] - rise - fall, g[1], g[1]
            else:
                begin, way, first, last = length[i] - fall, fall, g[2] + fall, g[2]
            step = way / count
            w = 0.0
            for j in range(count + 1):
                before = w
                reach = first + (last - first) * j / count
                angle = 2.0 * k[i] * reach
                if angle < 1e-6:
                    w = 2.0 * acceleration * reach
                else:
                    w = acceleration / k[i] * np.sin(min(angle, 0.5 * np.pi))
                w = max(min(w, top), 0.0)
                if j == 0:
                    continue
                u, v = np.sqrt(before), np.sqrt(w)
                out[m, 0] = begin + (j - 1) * step
                out[m, 1] = step
                out[m, 2] = 2.0 * step / (u + v)
                out[m, 3] = u
                out[m, 4] = 0.0 if phase == 1 else (w - before) / (2.0 * step)
                owner[m] = i
                m += 1


def _windows(
    first: Index,
    heading: Vector,
    bend: Vector,
    stretches: Vector,
    straight: npt.NDArray[np.bool_],
    acceleration: float,
    jerk: float,
    rounds: int,
) -> Vector:
    """Window (r,) of every run: the shortest T with |a(t + T') - a(t)| <= J T for all T' <= T, at most 2 max |a| / J.

    first: (r + 1,) of each run's stretches; stretches: (m, 5) as ``_lay`` makes them; heading: (m,) direction at the
    beginning, bend: (m,) signed curvature that limits. The acceleration is known at the ends of every stretch and
    taken linear between; before and after the run it is zero. What ramps in stretches exceed ``acceleration`` by is
    cut off: it averages out within a stretch. Straight runs have no window.
    """
    runs = len(first) - 1
    windows = np.zeros(runs)
    longest = 0
    for r in range(runs):
        longest = max(longest, first[r + 1] - first[r])
    time = np.empty(2 * longest + 2)
    ax = np.empty(2 * longest + 2)
    ay = np.empty(2 * longest + 2)
    for r in range(runs):
        if straight[r]:
            continue
        time[0] = ax[0] = ay[0] = 0.0
        n, clock, most = 1, 0.0, 0.0
        for m in range(first[r], first[r + 1]):
            along = stretches[m, 4]
            v = stretches[m, 3]
            angle = heading[m]
            for end in range(2):
                across = v * v * bend[m]
                c, s = np.cos(angle), np.sin(angle)
                size = along * along + across * across
                most = max(most, size)
                scale = 1.0 if size <= acceleration**2 else acceleration / np.sqrt(size)
                time[n] = clock
                ax[n], ay[n] = scale * (along * c - across * s), scale * (along * s + across * c)
                n += 1
                if end == 0:
                    clock += stretches[m, 2]
                    v += along * stretches[m, 2]
                    angle += bend[m] * stretches[m, 1]
        time[n], ax[n], ay[n] = clock, 0.0, 0.0
        n += 1
        cap = 2.0 * min(np.sqrt(most), acceleration) / jerk
        window = 0.0
        for turn in range(rounds):
            largest = 0.0
            for i in range(n):
                x, y, end_s, begin_s = ax[i], ay[i], time[i] + window, time[i] - window
                j = i + 1
                while j < n and time[j] <= end_s:
                    largest = max(largest, (ax[j] - x) ** 2 + (ay[j] - y) ** 2)
                    j += 1
                if j < n and time[j] > time[j - 1]:
                    share = (end_s - time[j - 1]) / (time[j] - time[j - 1])
                    dx = ax[j - 1] + share * (ax[j] - ax[j - 1]) - x
                    dy = ay[j - 1] + share * (ay[j] - ay[j - 1]) - y
                    largest = max(largest, dx * dx + dy * dy)
                j = i
                while j > 0 and time[j - 1] >= begin_s:
                    j -= 1
                if j > 0 and time[j] > time[j - 1]:
                    share = (begin_s - time[j - 1]) / (time[j] - time[j - 1])
                    dx = ax[j - 1] + share * (ax[j] - ax[j - 1]) - x
                    dy = ay[j - 1] + share * (ay[j] - ay[j - 1]) - y
                    largest = max(largest, dx * dx + dy * dy)
            needed = np.sqrt(largest) / jerk
            if needed <= window * (1.0 + 1e-4):
                break
            window = needed * (1.0 + 1e-3) if turn else needed
            if window >= cap or turn == rounds - 1:
                window = cap
                break
        windows[r] = window
    return windows


@cache
def _compiled_sweep() -> Sweep:
    from controller.motion.compiled import compiled

    return cast("Sweep", compiled(_sweep))


@cache
def _compiled_cut() -> Callable[..., tuple[Vector, Vector, Index]]:
    from controller.motion.compiled import compiled

    return cast("Callable[..., tuple[Vector, Vector, Index]]", compiled(_cut))


@cache
def _compiled_lay() -> Callable[..., None]:
    from controller.motion.compiled import compiled

    return cast("Callable[..., None]", compiled(_lay))


@cache
def _compiled_windows() -> Callable[..., Vector]:
    from controller.motion.compiled import compiled

    return cast("Callable[..., Vector]", compiled(_windows))


def plan_profile(
    path: Polyline,
    speed_mm_s: npt.ArrayLike,
    acceleration_mm_s2: float,
    jerk_mm_s3: float = np.inf,
    *,
    reversal_mm_s2: npt.ArrayLike | None = None,
    reversal_s: float = 0.0,
) -> Profile:
    """The fastest motion along ``path``, at rest at each of its stops.

    speed_mm_s: limit of the speed, one number or (chords,). acceleration_mm_s2, jerk_mm_s3: limits of the vectors'
    lengths, the jerk's may be infinite. reversal_mm_s2: (2,) by axis, how large the axis' own acceleration may be
    where the curve turns that axis round; held from ``reversal_s`` / 2 before that instant to as long after.
    """
    limit_speed = np.broadcast_to(np.asarray(speed_mm_s, dtype=np.float64), (path.chords,))
    acceleration = float(acceleration_mm_s2)
    curve = elements(path)
    run_of_chord = np.cumsum(path.stop[:-1]) - 1
    # Averaging mixes in what lies half a window, at most A / J, before and after.
    held_s = reversal_s + 2.0 * acceleration / jerk_mm_s3
    cells = _cells(curve, run_of_chord, limit_speed, acceleration, reversal_mm_s2, held_s)
    n = len(cells.element)
    k, length, cap = cells.curvature, cells.length_mm, cells.cap
    run_of_cell = run_of_chord[curve.chord[cells.element]]
    limit = np.empty(n + 1)
    limit[1:-1] = np.where(run_of_cell[1:] == run_of_cell[:-1], np.minimum(cap[:-1], cap[1:]), 0.0)
    limit[[0, -1]] = 0.0
    square = _compiled_sweep()(length, k, limit, acceleration)

    turning = curve.curvature[cells.element]
    ramps, ways, counts = _compiled_cut()(length, k, turning, cap, square, acceleration)
    stretches = np.empty((int(counts.sum()), 5))
    cell = np.empty(len(stretches), dtype=np.int64)
    _compiled_lay()(length, k, square, acceleration, ramps, ways, counts, stretches, cell)
    place, duration, speed, change = np.ascontiguousarray(stretches[:, [0, 2, 3, 4]].T)
    from_mm = cells.from_mm[cell] + place

    element = cells.element[cell]
    run = run_of_cell[cell]
    runs = int(run_of_chord[-1]) + 1
    run_duration = np.bincount(run, weights=duration, minlength=runs).astype(np.float64)
    straight = np.zeros(runs, dtype=np.bool_)
    window = np.zeros(runs)
    line = rest_to_rest(np.zeros(runs), 1.0, 1.0)
    if np.isfinite(jerk_mm_s3):
        straight, straight_mm, straight_speed = _straight_runs(path, limit_speed)
        line = rest_to_rest(straight_mm, straight_speed, acceleration, jerk_mm_s3)
        bend = np.copysign(np.minimum(np.abs(turning), k), turning)[cell]
        heading = curve.heading_rad[element] + turning[cell] * from_mm
        first = np.searchsorted(run, np.arange(runs + 1)).astype(np.int64)
        window = _compiled_windows()(
            first, heading, bend, stretches, straight, acceleration, float(jerk_mm_s3), WINDOW_ROUNDS
        )
        run_duration = np.where(straight, line.duration_s, run_duration + window)
    return Profile(
        path,
        curve,
        element,
        from_mm,
        duration,
        speed,
        change,
        run,
        run_duration,
        window,
        straight,
        line,
        np.flatnonzero(path.stop[1:]).astype(np.int64),
    )


def _straight_runs(path: Polyline, speed_mm_s: Vector) -> tuple[npt.NDArray[np.bool_], Vector, Vector]:
    """Which runs (r,) are one straight line under one speed limit, their lengths and that limit."""
    begins = np.flatnonzero(path.stop[:-1])
    ends = np.append(begins[1:], path.chords)
    counts = ends - begins
    from_mm, to_mm = path.vertices_mm[begins], path.vertices_mm[ends]
    span = to_mm - from_mm
    length = np.hypot(span[:, 0], span[:, 1])
    along = span / np.maximum(length, 1e-300)[:, None]
    each = np.repeat(along, counts, axis=0)
    away = path.vertices_mm[1:] - np.repeat(from_mm, counts, axis=0)
    beside = np.abs(away[:, 0] * each[:, 1] - away[:, 1] * each[:, 0])
    onwards = np.einsum("ij,ij->i", path.direction, each) > 0.0
    slowest = np.minimum.reduceat(speed_mm_s, begins)
    straight = (
        (np.maximum.reduceat(beside, begins) <= STRAIGHT_MM)
        & np.logical_and.reduceat(onwards, begins)
        & (slowest == np.maximum.reduceat(speed_mm_s, begins))
    )
    return straight, np.where(straight, length, 0.0), slowest


@dataclass(frozen=True, slots=True)
class _Cells:
    """Elements cut where a limit changes: element, place on it, length, limiting curvature, squared speed limit."""

    element: Index
    from_mm: Vector
    length_mm: Vector
    curvature: Vector
    cap: Vector


def _cells(
    curve: Elements,
    run_of_chord: Index,
    limit_speed: Vector,
    acceleration: float,
    reversal_mm_s2: npt.ArrayLike | None,
    reversal_s: float,
) -> _Cells:
    number = len(curve.chord)
    with np.errstate(divide="ignore"):
        cap = np.minimum(limit_speed[curve.chord] ** 2, acceleration / curve.limiting)
    whole = _Cells(np.arange(number), np.zeros(number), curve.length_mm, curve.limiting, cap)
    if reversal_mm_s2 is None:
        return whole
    limits = np.broadcast_to(np.asarray(reversal_mm_s2, dtype=np.float64), (2,))
    along = np.concatenate([[0.0], np.cumsum(curve.length_mm)])
    run = run_of_chord[curve.chord]
    begins = np.flatnonzero(np.diff(run, prepend=-1))
    run_ends = np.append(along[begins], along[-1])
    lows, highs, caps = [], [], []
    for axis in range(2):
        element, place = _turning_points(curve, run, axis)
        before = np.maximum(element - 1, 0)
        same = (place == 0.0) & (element > 0) & (run[before] == run[element])
        bend = np.maximum(curve.limiting[element], np.where(same, curve.limiting[before], 0.0))
        square = np.divide(limits[axis], bend, out=np.full(len(bend), np.inf), where=bend > 0.0)
        free = np.where(same, np.minimum(cap[element], cap[before]), cap[element])
        binds = square < free
        half = 0.5 * reversal_s * np.sqrt(square[binds])
        centre = (along[element] + place)[binds]
        lows.append(np.maximum(centre - half, run_ends[run[element[binds]]]))
        highs.append(np.minimum(centre + half, run_ends[run[element[binds]] + 1]))
        caps.append(square[binds])
    low, high, square = np.concatenate(lows), np.concatenate(highs), np.concatenate(caps)
    if not len(low):
        return whole
    # A point of no length still is a node that has to be passed slowly: give it a hair.
    hair = 1e-6
    short = high - low < hair
    low = np.where(short, np.maximum(low - hair, along[0]), low)
    high = np.where(short, np.minimum(high + hair, along[-1]), high)
    cuts = np.unique(np.concatenate([along, low, high]))
    near = np.concatenate([[False], np.diff(cuts) < 1e-9])
    cuts[near] = cuts[np.flatnonzero(near) - 1]
    cuts = np.unique(np.concatenate([cuts[~near], along]))
    element = np.clip(np.searchsorted(along, cuts[:-1], side="right") - 1, 0, number - 1)
    length = np.diff(cuts)
    lowered = cap[element].copy()
    first = np.searchsorted(cuts, low, side="right") - 1
    count = np.maximum(np.searchsorted(cuts, high, side="left") - first, 1)
    cell = np.repeat(first, count) + np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    np.minimum.at(lowered, np.clip(cell, 0, len(element) - 1), np.repeat(square, count))
    return _Cells(element, cuts[:-1] - along[element], length, curve.limiting[element], lowered)


ON_JOINT_RAD = 1e-9
"""A turn nearer to the end of its element than this angle belongs to the joint."""


def _turning_points(curve: Elements, run: Index, axis: int) -> tuple[Index, Vector]:
    """Where the curve's direction along ``axis`` changes sign: element, and place on it in mm.

    An extreme may lie inside an arc, or on a joint: there the signs shortly before and shortly after it are
    compared, as at the joint itself the direction is nought but for rounding. A line along the other axis has no
    sign: the axis rests there.
    """
    # cos changes sign at odd multiples of pi / 2, sin at multiples of pi
    shift = 0.5 * np.pi if axis == 0 else 0.0
    bend = curve.curvature * curve.length_mm
    begin = curve.heading_rad - shift
    low, high = np.minimum(begin, begin + bend), np.maximum(begin, begin + bend)
    target = np.ceil((low + ON_JOINT_RAD) / np.pi) * np.pi
    inside = np.flatnonzero(target < high - ON_JOINT_RAD)
    place = np.clip((target - begin)[inside] / curve.curvature[inside], 0.0, curve.length_mm[inside])

    def sign(share: float) -> npt.NDArray[np.int8]:
        """Of the direction along the axis at this share of every element; 0 within rounding."""
        sense = np.sin(begin + share * bend)
        return np.where(np.abs(sense) < ON_JOINT_RAD, 0, np.sign(sense)).astype(np.int8)

    # An arc of less than half a turn that begins or ends on an extreme has one sign up to its middle.
    middle, first, last = sign(0.5), sign(0.0), sign(1.0)
    after, until = np.where(first == 0, middle, first), np.where(last == 0, middle, last)
    joints = 1 + np.flatnonzero((after[1:] * until[:-1] < 0) & (run[1:] == run[:-1]))
    element = np.concatenate([inside, joints]).astype(np.int64)
    return element, np.concatenate([place, np.zeros(len(joints))])
