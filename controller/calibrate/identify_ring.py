"""The belt's mode: frequency and damping of a ring-down, read off a drawn line or fitted to samples.

Owns both ways, their intervals and refusals, and what a line will show. Draws no sheet and reads no log.

A head on its belt that is left alone swings as exp(-zeta w t) cos(w_d t + phase), w = 2 pi f and
w_d = w sqrt(1 - zeta^2). From one crest to the next it loses the logarithmic decrement delta = ln(a_0 / a_n) / n, and
zeta = delta / sqrt(4 pi^2 + delta^2) (textbook forms of a single degree of freedom; from memory).

**A drawn line.** One axis brakes, the other goes on with the pen down at a steady v: the line waves with wavelength
v / f_d. n waves over a length L give f_d = n v / L, heights of several crests give delta. Heights count from crest to
the trough behind it; any heights taken alike do.

**Samples.** Of whatever saw the head (an accelerometer, a gauge), or of the motor, which mostly does not see it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import exp, hypot, pi, sqrt

import numpy as np
import numpy.typing as npt

from controller.calibrate.values import Measured, PoorFit, Table

Vector = npt.NDArray[np.float64]

LINE_METHOD, SAMPLES_METHOD = "ring-down line", "ring-down samples"

WAVES_MIN = 2
FREQUENCY_SHARE = 0.10
"""A frequency known no better than this is refused. Ours: told 20 % too high it leaves 44 % of the swing."""

DAMPING_MAX = 0.3
"""Above this hardly a wave is left to read."""

EXPLAINED_MIN = 0.8
"""Share of the samples' variance that the swing has to take, or it cannot be told from what else there is."""

PERIODS_MIN = 3.0
SAMPLES_PER_PERIOD_MIN = 4.0
FREQUENCY_MIN_HZ = 1.0


@dataclass(frozen=True, slots=True)
class WaveReading:
    """What a person read off a drawn line, mm. Doubts are of 95 %.

    speed_mm_s: of the axis that went on. waves, length_mm: so many whole waves take so much. heights: (number of the
    wave, its height), two or more, the numbers rising. sway_mm: how far that axis may itself have swung along the line,
    as ``sway_mm`` reckons it; it displaces crests and is no part of how well a ruler is read.
    """

    speed_mm_s: float
    waves: int
    length_mm: float
    heights: tuple[tuple[int, float], ...]
    length_doubt_mm: float = 0.5
    height_doubt_mm: float = 0.1
    speed_doubt: float = 0.005
    sway_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Ring:
    """One ring-down. frequency_hz: natural, undamped. Half widths of 95 %. Arrays: samples where there were any."""

    frequency_hz: float
    frequency_half_hz: float
    damping: float
    damping_half: float
    method: str
    n: int
    amplitude: float = 0.0
    explained: float = 1.0
    time_s: Vector | None = None
    value: Vector | None = None
    fitted: Vector | None = None


def ring_of_line(reading: WaveReading) -> Ring:
    """Frequency and damping of a line that waves. Raises PoorFit when it cannot be read well enough."""
    _refuse_reading(reading)
    number = np.array([one for one, _ in reading.heights], dtype=np.float64)
    height = np.array([mm for _, mm in reading.heights], dtype=np.float64)
    # ln h over the wave's number by weighted least squares; the doubt of ln h is dh / h.
    doubt = reading.height_doubt_mm / height
    weight = 1.0 / doubt**2
    mean = float(weight @ number / weight.sum())
    square = float(weight @ (number - mean) ** 2)
    decrement = -float(weight @ ((number - mean) * np.log(height)) / square)
    decrement_half = 1.0 / sqrt(square)
    if decrement + decrement_half <= 0.0:
        raise PoorFit(
            "ring-down line", "waves that become lower", f"heights {_heights(reading)}", code="fit-ring-line"
        )
    decrement = max(decrement, 0.0)
    round_ = hypot(2.0 * pi, decrement)
    damping, damping_half = decrement / round_, decrement_half * 4.0 * pi**2 / round_**3
    swing_hz = reading.waves * reading.speed_mm_s / reading.length_mm
    frequency = swing_hz / sqrt(1.0 - damping**2)
    share = hypot(hypot(reading.length_doubt_mm, reading.sway_mm) / reading.length_mm, reading.speed_doubt)
    found = Ring(
        frequency, share * frequency, damping, damping_half, LINE_METHOD, reading.waves + len(reading.heights)
    )
    _refuse_wide(found)
    return found


def _heights(reading: WaveReading) -> str:
    return ", ".join(f"{mm:g}" for _, mm in reading.heights) + " mm"


def _refuse_reading(reading: WaveReading) -> None:
    what = "ring-down line"
    numbers = (reading.speed_mm_s, reading.length_mm, reading.length_doubt_mm, reading.height_doubt_mm)
    if not all(np.isfinite(one) and one > 0.0 for one in numbers):
        raise PoorFit(
            what,
            "speed, length and doubts above 0",
            ", ".join(f"{one:g}" for one in numbers),
            code="fit-ring-line",
        )
    if reading.waves < WAVES_MIN:
        raise PoorFit(what, f"{WAVES_MIN} whole waves or more", f"{reading.waves}", code="fit-ring-line")
    order = [one for one, _ in reading.heights]
    if len(order) < 2 or any(b <= a for a, b in pairwise(order)):
        raise PoorFit(
            what,
            "the heights of two waves or more, in their order",
            f"{_heights(reading)} of waves {order}",
            code="fit-ring-line",
        )
    lowest = min(mm for _, mm in reading.heights)
    if not lowest >= 2.0 * reading.height_doubt_mm:
        raise PoorFit(
            what, f"heights of {2.0 * reading.height_doubt_mm:g} mm or more, twice what can be told apart",
            f"{lowest:g} mm", code="fit-ring-line",
        )  # fmt: skip


def _refuse_wide(found: Ring) -> None:
    if found.frequency_half_hz > FREQUENCY_SHARE * found.frequency_hz:
        raise PoorFit(
            found.method,
            f"a frequency known within {100 * FREQUENCY_SHARE:g} %",
            f"{found.frequency_hz:.2f} +- {found.frequency_half_hz:.2f} Hz",
            code="fit-ring-unsure",
        )
    if found.damping > DAMPING_MAX:
        raise PoorFit(
            found.method,
            f"a damping ratio up to {DAMPING_MAX:g}",
            f"{found.damping:.2f}",
            code="fit-ring-unsure",
        )


def line_height_mm(
    acceleration_mm_s2: float, jerk_mm_s3: float, frequency_hz: float, damping: float = 0.0
) -> float:
    """Height of the first wave, crest to trough, that braking with a limited jerk leaves: what there will be to read.

    Acceleration A over w^2 is how far the belt gives; ending it within T = A / jerk leaves, of a step, the share
    |sin(w T / 2)| / (w T / 2) (the Fourier transform of a ramp; from memory). How the end of the braking meets the
    swing of its begin is left out: the height may be anything from nothing to twice this, by the speed. So a sheet has
    lines of several speeds.
    """
    w = 2.0 * pi * frequency_hz
    half = 0.5 * w * acceleration_mm_s2 / jerk_mm_s3
    share = abs(np.sin(half)) / half if half > 0.0 else 1.0
    return float(acceleration_mm_s2 / w**2 * share * (1.0 + exp(-pi * damping / sqrt(1.0 - damping**2))))


def wave_run_up_mm(speed_mm_s: float, acceleration_mm_s2: float, jerk_mm_s3: float) -> float:
    """Way behind the corner before the axis that goes on has its speed: waves there are stretched and are not read."""
    return speed_mm_s**2 / (2.0 * acceleration_mm_s2) + speed_mm_s * acceleration_mm_s2 / jerk_mm_s3


def sway_mm(acceleration_mm_s2: float, other: Ring, after_s: float) -> float:
    """How far the axis that goes on still swings ``after_s`` behind the corner where it set off.

    Up to 2 A / w^2, decayed. ``other``: that axis' own mode, from its own line. Where it shows no wave to read, its
    sway is smaller than the smallest height that can be read.
    """
    w = 2.0 * pi * other.frequency_hz
    return 2.0 * acceleration_mm_s2 / w**2 * exp(-other.damping * w * after_s)


def swayed(reading: WaveReading, acceleration_mm_s2: float, other: Ring | None) -> WaveReading:
    """The reading with the sway of the axis that goes on: ``other`` from its own lines, None where they show no wave.

    So both axes are read first, and their intervals reckoned after.
    """
    if other is None:
        return replace(reading, sway_mm=reading.height_doubt_mm)
    after_s = reading.speed_mm_s / acceleration_mm_s2
    return replace(reading, sway_mm=sway_mm(acceleration_mm_s2, other, after_s))


def ring_of_samples(time_s: Vector, value: Vector, floor: float = 0.0) -> Ring:
    """Frequency and damping of samples (n,) that begin where the head is left alone; any unit, with an offset and a
    drift of third order.

    ``floor``: an amplitude below it is none. Raises PoorFit when no swing stands out of them, with what was seen.
    """
    from scipy.optimize import least_squares

    what = SAMPLES_METHOD
    time_s, value = np.asarray(time_s, dtype=np.float64), np.asarray(value, dtype=np.float64)
    if len(time_s) < 32 or len(value) != len(time_s) or bool(np.any(np.diff(time_s) <= 0.0)):
        raise PoorFit(
            what,
            "32 samples or more at rising instants",
            f"{len(time_s)} instants, {len(value)} values",
            code="fit-samples",
        )
    t = time_s - time_s[0]
    span, step = float(t[-1]), float(np.median(np.diff(t)))
    low_hz, high_hz = max(FREQUENCY_MIN_HZ, PERIODS_MIN / span), 1.0 / (SAMPLES_PER_PERIOD_MIN * step)
    if high_hz <= low_hz:
        raise PoorFit(
            what,
            "samples longer or closer together",
            f"{span:.3g} s, one in {step:.3g} s",
            code="fit-samples",
        )
    line = np.column_stack([(t / span) ** power for power in range(4)])
    quiet = value - line @ np.linalg.lstsq(line, value, rcond=None)[0]
    variance = float(quiet @ quiet)
    if variance <= 0.0:
        raise PoorFit(what, "samples that change", "none that does", code="fit-samples")

    def basis(theta: Vector) -> Vector:
        w, damping = 2.0 * pi * theta[0], theta[1]
        decay, turned = np.exp(-damping * w * t), w * sqrt(1.0 - damping**2) * t
        return np.column_stack([decay * np.cos(turned), decay * np.sin(turned), line])

    def residual(theta: Vector) -> Vector:
        columns = basis(theta)
        left = value - columns @ np.linalg.lstsq(columns, value, rcond=None)[0]
        return np.asarray(left / sqrt(variance))

    start_hz = _loudest_hz(t, quiet, step, low_hz, high_hz)
    costs, thetas = [], []
    for damping in (0.02, 0.1):
        found = least_squares(
            residual, [start_hz, damping], bounds=([low_hz, 0.0], [high_hz, 0.5]), x_scale=[0.1, 0.01]
        )
        costs.append(float(found.cost))
        thetas.append(np.asarray(found.x, dtype=np.float64))
    theta = thetas[int(np.argmin(costs))]
    columns = basis(theta)
    weights = np.asarray(np.linalg.lstsq(columns, value, rcond=None)[0], dtype=np.float64)
    fitted = columns @ weights
    left = value - fitted
    explained = 1.0 - float(left @ left) / variance
    amplitude = float(np.hypot(weights[0], weights[1]))
    if explained < EXPLAINED_MIN or amplitude <= floor:
        raise PoorFit(
            what,
            f"a swing that takes {100 * EXPLAINED_MIN:g} % of what the samples do and is above {floor:.3g}",
            f"{100 * explained:.0f} %, amplitude {amplitude:.3g}: not observable here",
            code="fit-samples",
        )
    halves = _sample_halves(basis, theta, weights, left)
    ring = Ring(
        float(theta[0]), float(halves[0]), float(theta[1]), float(halves[1]), what, len(t), amplitude, explained,
        time_s, value, fitted,
    )  # fmt: skip
    _refuse_wide(ring)
    return ring


def _loudest_hz(t: Vector, quiet: Vector, step: float, low_hz: float, high_hz: float) -> float:
    even = np.arange(0.0, t[-1], step)
    size = 1 << (8 * len(even) - 1).bit_length()
    power = np.abs(np.fft.rfft(np.interp(even, t, quiet), size))
    hz = np.fft.rfftfreq(size, step)
    inside = (hz >= low_hz) & (hz <= high_hz)
    return float(hz[inside][int(np.argmax(power[inside]))])


def _sample_halves(basis: object, theta: Vector, weights: Vector, left: Vector) -> Vector:
    """95 % half widths of frequency and damping from the Jacobian; wider where neighbours' residuals are alike."""
    assert callable(basis)
    columns = basis(theta)
    slopes = []
    for index, step in ((0, 1e-5), (1, 1e-6)):
        moved = np.array(theta)
        moved[index] += step
        slopes.append((basis(moved) - columns) @ weights / step)
    jacobian = np.column_stack([*slopes, columns])
    freedom = max(len(left) - jacobian.shape[1], 1)
    alike = float(left[1:] @ left[:-1]) / max(float(left @ left), 1e-300)
    alike = min(max(alike, 0.0), 0.98)
    scale = np.abs(jacobian).max(axis=0)
    scale[scale == 0.0] = 1.0
    inverse = np.linalg.pinv((jacobian / scale).T @ (jacobian / scale))
    variance = float(left @ left) / freedom * (1.0 + alike) / (1.0 - alike)
    return np.asarray(1.96 * np.sqrt(np.maximum(np.diag(inverse)[:2] * variance, 0.0)) / scale[:2])


def together(rings: Sequence[Ring]) -> Ring:
    """Several ring-downs at one place as one: means weighted by their intervals.

    The half widths are the weighted mean's own, or wider by what the ring-downs differ (their chi-square over its
    degrees of freedom, where that is above 1).
    """
    if not rings:
        raise PoorFit("ring-down", "one or more", "none", code="fit-nothing-read")
    if len(rings) == 1:
        return rings[0]
    rows = []
    for values, halves in (
        ([one.frequency_hz for one in rings], [one.frequency_half_hz for one in rings]),
        ([one.damping for one in rings], [one.damping_half for one in rings]),
    ):
        mean, half, chi2 = weighted(values, halves)
        rows.append((mean, half * sqrt(max(1.0, chi2 / (len(rings) - 1)))))
    (hz, hz_half), (damping, damping_half) = rows
    found = Ring(hz, hz_half, damping, damping_half, rings[0].method, sum(one.n for one in rings))
    _refuse_wide(found)
    return found


def weighted(values: Sequence[float], halves: Sequence[float]) -> tuple[float, float, float]:
    """Weighted mean, its 95 % half width, and chi-square of the values about it."""
    v = np.asarray(values, dtype=np.float64)
    w = 1.0 / np.maximum(np.asarray(halves, dtype=np.float64), 1e-12) ** 2
    mean = float(w @ v / w.sum())
    return mean, float(1.0 / sqrt(w.sum())), float((1.96**2 * w) @ (v - mean) ** 2)


def belt_measured(axis: str, rings: Sequence[tuple[float, Ring]]) -> Measured:
    """The belt table of ``axis`` from ring-downs at places (axis mm); several at one place count together.

    The machine file has one damping for the axis: the weighted mean. Where the places' frequencies agree (chi-square
    about their mean below its 95 % point, as of play) all places have that mean. Raises PoorFit when there is none.
    """
    from scipy.stats import chi2

    places = sorted({place for place, _ in rings})
    if not places:
        raise PoorFit("belt", "a ring-down at one place or more", "none", code="fit-nothing-read")
    each = [together([ring for at, ring in rings if at == place]) for place in places]
    damping, damping_half, _ = weighted([one.damping for one in each], [one.damping_half for one in each])
    hertz, halves = [one.frequency_hz for one in each], [one.frequency_half_hz for one in each]
    mean, half, apart = weighted(hertz, halves)
    if len(each) > 1 and apart <= float(chi2.ppf(0.95, len(each) - 1)):
        hertz, halves = [mean] * len(each), [half] * len(each)
    value: Table = {
        "position_mm": tuple(places),
        "frequency_hz": tuple(round(one, 3) for one in hertz),
        "damping": round(damping, 4),
    }
    return Measured(
        f"axes.{axis}.belt",
        value,
        "Hz",
        max(halves),
        each[0].method,
        sum(one.n for one in each),
        f"damping {damping:.3f} +- {damping_half:.3f}",
    )
