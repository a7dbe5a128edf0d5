"""Lag and dead time of an axis' velocity loop, by least squares from commanded velocities and encoder readings.

Owns the model, the fit, its intervals and the refusals. Takes arrays; knows no log, no file and no bus.

**Model.** First order plus dead time (a textbook form; from memory): the loop obeys V' = (u(t - d) - V) / tau, the
encoder reads X with X' = V. Between two commands u is constant, so V is exact at any instant, and integrated
X(t) = P(t) - tau (V(t) - V(0)) with P the integral of u(t - d). At steady speed the motor is speed x (tau + d) behind:
the sum shows in every dwell, its two parts only where the speed changes.

**Fit.** By nonlinear least squares in tau + d and tau^2, the first two moments of the loop's answer: they show
separately however small tau is, where tau and d themselves look more and more alike. For each pair of them the rest is
linear and solved for exactly (variable projection): where each part began, and how far the axis goes for a commanded
millimetre, which has to come out as 1.

**Interval.** The larger of two 95 % half widths. One from the Jacobian, J+ S J+' with S the residual's covariance out
to ``WHITE_LAGS`` samples (weights of Newey and West, 1987, from memory), since residuals of a real axis are not white.
The other from fitting every part by itself: the spread of these over the root of their number, times Student's t.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
import numpy.typing as npt

from controller.calibrate.values import Measured, PoorFit

Vector = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

METHOD = "steps"

SAMPLES_MIN = 200
PARTS_MIN = 2
SPEED_CHANGES_MIN = 0.2
"""The speed's standard deviation over its largest value: below, tau and d cannot be told apart."""

DROPPED_MAX = 0.05
"""Share of readings that may lie off by more than a tick's doubt; they are left out."""

OUTLIER_SIGMAS = 8.0

INSTANT_DOUBT_S = 100e-6
"""How well the instants of commands and readings are known: what it makes at speed belongs to the noise, and all of
them off by as much is so much dead time, which no residual shows."""

RESIDUAL_SHARE = 0.03
"""Of the following error (root mean square) that the model may leave unexplained, beside the noise: ours."""

WIDTH_MIN_MS, WIDTH_SHARE = 0.5, 0.10
"""A half width up to the larger of the two is taken: 0.5 ms, or 10 % of the sum of lag and dead time. Ours."""

SPLIT_MM, SPLIT_OVER_S = 0.02, 0.02
"""A wider one of lag and dead time is taken too, as long as the sum is known and a wrong split of it displaces the
motor by no more than this at the test's own acceleration a, read over the second: a / 2 x half width of tau^2."""

GAIN_DOUBT = 0.002
"""Way of the encoder over way commanded: farther from 1, the velocity's unit is not what the file says."""

WHITE_LAGS = 25
TIME_MAX_S = 0.2
LAG_MIN_S, LAG_SLOPE_S = 1e-5, 5e-4
"""The least lag; below the second, slopes are taken there."""

_STEP_S = 1e-6


@dataclass(frozen=True, slots=True)
class Samples:
    """Commands and readings of one axis over one part of a test, instants in s from a common zero.

    command_s (k,): when each velocity was sent, rising; command_mm_s (k,): it holds until the next. reading_s (n,):
    when the encoder was read; reading_mm (n,): its place, axis mm from any zero. All readings lie behind the first
    command by more than the lag and dead time sought, the axis then moving steadily or at rest. drawn_back: readings
    came later, by no more than the dead time s, and were brought back to ``reading_s`` by their own speed; that is
    right at steady speed and leaves a s^2 / 2 else, as if tau^2 were less by s^2, and the interval allows for it.
    """

    command_s: Vector
    command_mm_s: Vector
    reading_s: Vector
    reading_mm: Vector
    drawn_back: bool = False


@dataclass(frozen=True, slots=True)
class LoopFit:
    """What was found. Half widths are of 95 %. Arrays are over all readings that counted, part after part.

    split_mm: what the doubt of the split is worth in place. gain: way of the encoder over way commanded.
    explained: share of the following error's variance that the model takes. whiteness: correlation of neighbouring
    residuals (0: white). following_rms_mm: of the following error about its mean in each part. parts_ms: (parts, 2)
    lag and dead time of each part alone. part: (n,) which part each belongs to. following_mm: commanded less read;
    fitted_mm: what the model makes of it; residual_mm: read less fitted.
    """

    lag_ms: float
    lag_half_ms: float
    dead_ms: float
    dead_half_ms: float
    sum_ms: float
    sum_half_ms: float
    split_mm: float
    gain: float
    gain_half: float
    explained: float
    whiteness: float
    residual_rms_mm: float
    following_rms_mm: float
    noise_mm: float
    dropped: int
    parts_ms: Vector
    part: npt.NDArray[np.int64]
    time_s: Vector
    speed_mm_s: Vector
    following_mm: Vector
    fitted_mm: Vector
    residual_mm: Vector

    def measured(self, axis: str) -> tuple[Measured, Measured]:
        """Lag and latency of ``axis`` as the machine file has them. A dead time below zero is taken for none."""
        words = (
            f"sum {self.sum_ms:.2f} +- {self.sum_half_ms:.2f} ms; residual {1000 * self.residual_rms_mm:.1f} um rms; "
            f"{len(self.parts_ms)} parts"
        )
        count = len(self.residual_mm)
        return (
            Measured(
                f"axes.{axis}.loop_lag_ms", round(self.lag_ms, 3), "ms", self.lag_half_ms, METHOD, count, words
            ),
            Measured(
                f"axes.{axis}.latency_ms", round(max(self.dead_ms, 0.0), 3), "ms", self.dead_half_ms, METHOD,
                count, words,
            ),
        )  # fmt: skip


def loop_of(parts: Sequence[Samples], step_mm: float = 0.0) -> LoopFit:
    """Lag and dead time from the parts of one test, however poor; ``step_mm``: of the encoder.

    Raises PoorFit, with what was expected and got, when nothing can be fitted: too few readings, a speed that hardly
    changes, readings that are far off.
    """
    _refuse_little(parts)
    model = _Model(parts)
    theta = model.fit(model.counts)
    residual = model.residual(theta, model.counts)
    spread = 1.4826 * float(np.median(np.abs(residual)))
    noise_mm = sqrt(step_mm**2 / 12.0 + (INSTANT_DOUBT_S * model.speed_rms_mm_s) ** 2)
    counts = np.abs(residual) <= OUTLIER_SIGMAS * max(spread, noise_mm)
    dropped = int(len(counts) - counts.sum())
    if dropped > DROPPED_MAX * len(counts):
        raise PoorFit(
            "velocity loop",
            f"at most {100 * DROPPED_MAX:g} % of the readings far off",
            f"{dropped} of {len(counts)}",
            code="fit-loop-readings",
        )
    if dropped:
        theta = model.fit(counts)
    return _judged(model, theta, counts, dropped, noise_mm)


def fit_loop(parts: Sequence[Samples], step_mm: float = 0.0) -> LoopFit:
    """The same, and refused when the axis goes another way than commanded, the model leaves too much or the interval
    is too wide."""
    found = loop_of(parts, step_mm)
    refuse_poor(found)
    return found


def _refuse_little(parts: Sequence[Samples]) -> None:
    readings = sum(len(part.reading_s) for part in parts)
    if len(parts) < PARTS_MIN or readings < SAMPLES_MIN:
        raise PoorFit(
            "velocity loop",
            f"{PARTS_MIN} parts with {SAMPLES_MIN} readings or more",
            f"{len(parts)} with {readings} together",
            code="fit-loop-readings",
        )
    speeds = np.concatenate([np.abs(part.command_mm_s) for part in parts])
    largest = float(speeds.max())
    if largest <= 0.0 or float(speeds.std()) < SPEED_CHANGES_MIN * largest:
        raise PoorFit(
            "velocity loop",
            "a speed that changes",
            f"one about {float(speeds.mean()):.3g} mm/s",
            code="fit-loop-readings",
        )


class _Model:
    """All parts together: the linear part solved for, the rest as residuals (n,) in mm."""

    def __init__(self, parts: Sequence[Samples]) -> None:
        self.parts = parts
        self.read = np.concatenate([part.reading_mm for part in parts])
        self.time_s = np.concatenate([part.reading_s for part in parts])
        self.part = np.repeat(np.arange(len(parts)), [len(part.reading_s) for part in parts])
        self.counts: Truths = np.ones(len(self.read), dtype=np.bool_)
        self.way, self.speed = self._undelayed()
        self.speed_rms_mm_s = float(np.sqrt(np.mean(self.speed**2)))

    def _undelayed(self) -> tuple[Vector, Vector]:
        ways, speeds = zip(*(_driven(part, 0.0, 0.0) for part in self.parts), strict=True)
        return np.concatenate(ways), np.concatenate(speeds)

    def way_mm(self, theta: Vector) -> Vector:
        """Where the motor has gone by each reading, from each part's begin."""
        return np.concatenate([_driven(part, float(theta[0]), float(theta[1]))[0] for part in self.parts])

    def linear(self, way: Vector, counts: Truths) -> tuple[Vector, float]:
        """Begin of each part and gain, by least squares over the readings that count."""
        number = len(self.parts)
        weight = counts.astype(np.float64)
        many = np.maximum(np.bincount(self.part, weight, number), 1.0)
        way_mean = np.bincount(self.part, weight * way, number) / many
        read_mean = np.bincount(self.part, weight * self.read, number) / many
        centred = weight * (way - way_mean[self.part])
        gain = float(centred @ (self.read - read_mean[self.part]) / (centred @ (way - way_mean[self.part])))
        return read_mean - gain * way_mean, gain

    def residual(self, theta: Vector, counts: Truths) -> Vector:
        """Read less fitted, of all readings."""
        way = self.way_mm(theta)
        begin, gain = self.linear(way, counts)
        return np.asarray(self.read - begin[self.part] - gain * way)

    def fit(self, counts: Truths, near: Vector | None = None) -> Vector:
        """tau and d in s, looked for from ``near`` on, else from two guesses."""
        from scipy.optimize import least_squares

        def residual(moments: Vector) -> Vector:
            return np.asarray(1000.0 * self.residual(_times(moments), counts)[counts])

        def slope(moments: Vector) -> Vector:
            return np.asarray(-1000.0 * self._projected(_times(moments), counts))

        # At speed the axis is behind by speed x sum: a first guess of the sum, split both ways.
        begin, _ = self.linear(self.way, counts)
        behind = begin[self.part] + self.way - self.read
        total = abs(float((self.speed * behind).sum() / (self.speed**2).sum()))
        guesses = [np.array([share * total, (1.0 - share) * total]) for share in (0.85, 0.4)]
        costs, founds = [], []
        for guess in guesses if near is None else [near]:
            start = np.array([guess.sum(), guess[0] ** 2])
            low, high = np.array([0.0, LAG_MIN_S**2]), np.array([TIME_MAX_S, TIME_MAX_S**2])
            found = least_squares(
                residual,
                np.clip(start, low + 1e-9, 0.9 * high),
                slope,
                bounds=(low, high),
                x_scale=[1e-3, 1e-5],
            )
            costs.append(float(found.cost))
            founds.append(_times(np.asarray(found.x, dtype=np.float64)))
        return founds[int(np.argmin(costs))]

    def _projected(self, theta: Vector, counts: Truths) -> Vector:
        """d fitted / d moments with what begins and gain take of it removed (Kaufman's approximation; from memory)."""
        _, gain = self.linear(self.way_mm(theta), counts)
        columns = self.jacobian(theta, gain)[counts]
        part, number = self.part[counts], len(self.parts)
        many = np.maximum(np.bincount(part, minlength=number), 1)
        means = [np.bincount(part, columns[:, one], number) / many for one in range(3)]
        first, second, way = (columns[:, one] - means[one][part] for one in range(3))
        square = float(way @ way)
        return np.column_stack([one - way * (float(way @ one) / square) for one in (first, second)])

    def jacobian(self, theta: Vector, gain: float) -> Vector:
        """d fitted / d (sum, tau^2, gain, begins): (n, 3 + parts)."""
        lag = max(float(theta[0]), LAG_SLOPE_S)
        dead = float(theta.sum()) - lag

        def way(lag_s: float, dead_s: float) -> Vector:
            return self.way_mm(np.array([lag_s, dead_s]))

        here = way(lag, dead)
        first = gain * (way(lag, dead + _STEP_S) - here) / _STEP_S
        second = gain * (way(lag + _STEP_S, dead - _STEP_S) - here) / ((lag + _STEP_S) ** 2 - lag**2)
        ones = (self.part[:, None] == np.arange(len(self.parts))).astype(np.float64)
        return np.column_stack([first, second, here, ones])


def _times(moments: Vector) -> Vector:
    """(tau, d) of (tau + d, tau^2)."""
    lag = sqrt(max(float(moments[1]), 0.0))
    return np.array([lag, float(moments[0]) - lag])


def _driven(part: Samples, lag_s: float, dead_s: float) -> tuple[Vector, Vector]:
    """Way (mm) and speed (mm/s) of the motor at each reading, having gone steadily up to the first command."""
    from scipy.linalg import solve_banded

    at, u = part.command_s + dead_s, part.command_mm_s
    span = np.diff(at)
    moved = np.concatenate([[0.0], np.cumsum(u[:-1] * span)])
    index = np.clip(np.searchsorted(at, part.reading_s, side="right") - 1, 0, len(at) - 1)
    after = part.reading_s - at[index]
    commanded = moved[index] + u[index] * after
    if lag_s <= 0.0:
        return commanded, u[index]
    # V at the commands: V_{k+1} = u_k + (V_k - u_k) e_k, a bidiagonal system.
    decay = np.exp(-span / lag_s)
    band = np.ones((2, len(at)))
    band[1, :-1], band[1, -1] = -decay, 0.0
    right = np.concatenate([[u[0]], u[:-1] * (1.0 - decay)])
    speed = solve_banded((1, 0), band, right)
    now = u[index] + (speed[index] - u[index]) * np.exp(-np.maximum(after, 0.0) / lag_s)
    return commanded - lag_s * (now - u[0]), now


def expected_mm(part: Samples, lag_s: float, dead_s: float) -> Vector:
    """Way of a motor with this lag and dead time by each reading (n,), from the first command on."""
    return _driven(part, lag_s, dead_s)[0]


def _judged(model: _Model, theta: Vector, counts: Truths, dropped: int, noise_mm: float) -> LoopFit:
    from scipy.stats import t as student

    way = model.way_mm(theta)
    begin, gain = model.linear(way, counts)
    residual = np.asarray(model.read - begin[model.part] - gain * way)
    sum_half, square_half, gain_half = _halves(
        model.jacobian(theta, gain)[counts], residual[counts], model.part[counts]
    )
    parts_ms = 1000.0 * np.array(
        [_Model([part]).fit(counts[model.part == number], theta) for number, part in enumerate(model.parts)]
    )
    if any(part.drawn_back for part in model.parts):
        square_half += float(theta[1]) ** 2
    number = len(parts_ms)
    rows = np.column_stack([parts_ms, parts_ms.sum(axis=1)])
    repeated = float(student.ppf(0.975, number - 1)) * rows.std(axis=0, ddof=1) / sqrt(number)
    sum_half_ms = hypot(max(1000.0 * sum_half, float(repeated[2])), 1000.0 * INSTANT_DOUBT_S)
    lag_half_ms = max(1000.0 * _root_half(float(theta[0]), square_half), float(repeated[0]))
    dead_half_ms = max(hypot(lag_half_ms, sum_half_ms), float(repeated[1]))
    following = begin[model.part] + gain * model.way - model.read
    centred = following - (np.bincount(model.part, following) / np.bincount(model.part))[model.part]
    fitted = following + residual
    kept = residual[counts]
    residual_rms, following_rms = _rms(kept), _rms(centred[counts])
    return LoopFit(
        lag_ms=1000.0 * float(theta[0]),
        lag_half_ms=lag_half_ms,
        dead_ms=1000.0 * float(theta[1]),
        dead_half_ms=dead_half_ms,
        sum_ms=1000.0 * float(theta.sum()),
        sum_half_ms=sum_half_ms,
        split_mm=0.5 * _hardest_mm_s2(model.parts) * square_half,
        gain=gain,
        gain_half=gain_half,
        explained=1.0 - (residual_rms / following_rms) ** 2 if following_rms > 0.0 else 0.0,
        whiteness=float(kept[1:] @ kept[:-1]) / max(float(kept @ kept), 1e-30),
        residual_rms_mm=residual_rms,
        following_rms_mm=following_rms,
        noise_mm=noise_mm,
        dropped=dropped,
        parts_ms=parts_ms,
        part=model.part[counts],
        time_s=model.time_s[counts],
        speed_mm_s=model.speed[counts],
        following_mm=following[counts],
        fitted_mm=fitted[counts],
        residual_mm=kept,
    )


def _hardest_mm_s2(parts: Sequence[Samples]) -> float:
    """Largest acceleration commanded, read over ``SPLIT_OVER_S``."""
    most = 0.0
    for part in parts:
        before = np.interp(part.command_s - SPLIT_OVER_S, part.command_s, part.command_mm_s)
        most = max(most, float(np.abs(part.command_mm_s - before).max()) / SPLIT_OVER_S)
    return most


def _root_half(lag_s: float, square_half: float) -> float:
    """Half width of tau from that of its square: the farther of both ends."""
    square = lag_s**2
    return max(sqrt(square + square_half) - lag_s, lag_s - sqrt(max(square - square_half, 0.0)))


def _halves(jacobian: Vector, residual: Vector, part: npt.NDArray[np.int64]) -> tuple[float, float, float]:
    """95 % half widths of tau + d (s), of tau^2 (s^2) and of the gain."""
    scale = np.abs(jacobian).max(axis=0)
    scale[scale == 0.0] = 1.0
    scaled = jacobian / scale
    inverse = np.linalg.pinv(scaled.T @ scaled)
    scores = scaled * residual[:, None]
    middle = scores.T @ scores
    for lag in range(1, WHITE_LAGS + 1):
        together = (part[lag:] == part[:-lag])[:, None]
        cross = (scores[lag:] * together).T @ scores[:-lag]
        middle += (1.0 - lag / (WHITE_LAGS + 1.0)) * (cross + cross.T)
    freedom = len(residual) / max(len(residual) - jacobian.shape[1], 1)
    covariance = freedom * (inverse @ middle @ inverse) / np.outer(scale, scale)
    half = 1.96 * np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return float(half[0]), float(half[1]), float(half[2])


def refuse_poor(found: LoopFit) -> None:
    """Raise PoorFit for a fit that carries no value; else nothing."""
    if abs(found.gain - 1.0) > GAIN_DOUBT + found.gain_half:
        raise PoorFit(
            "velocity loop",
            "an encoder that goes as far as commanded (else counts a turn or the velocity's unit are wrong)",
            f"{found.gain:.4f} times as far",
            code="fit-loop-gain",
        )
    most_mm = 2.0 * found.noise_mm + RESIDUAL_SHARE * found.following_rms_mm
    if found.residual_rms_mm > most_mm:
        raise PoorFit(
            "velocity loop",
            f"a first order with dead time that leaves {1000 * most_mm:.0f} um rms at most (the drive's loop may be of "
            "another kind, or at its limit of acceleration or torque)",
            f"{1000 * found.residual_rms_mm:.0f} um",
            code="fit-loop-doubtful",
        )
    most_ms = max(WIDTH_MIN_MS, WIDTH_SHARE * abs(found.sum_ms))
    harmless = found.split_mm <= SPLIT_MM and found.sum_half_ms <= most_ms
    for name, half_ms in (("lag", found.lag_half_ms), ("dead time", found.dead_half_ms)):
        if half_ms > most_ms and not harmless:
            raise PoorFit(
                f"velocity loop, {name}",
                f"known within {most_ms:.2f} ms",
                f"within {half_ms:.2f} ms (only the sum is known: {found.sum_ms:.2f} +- {found.sum_half_ms:.2f} ms)",
                code="fit-loop-doubtful",
            )
    if found.dead_ms + found.dead_half_ms < 0.0:
        raise PoorFit(
            "velocity loop, dead time",
            "0 or more (below: the drive at its limit of acceleration or torque, or readings older than taken for)",
            f"{found.dead_ms:.2f} +- {found.dead_half_ms:.2f} ms",
            code="fit-loop-doubtful",
        )


def _rms(values: Vector) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else 0.0
