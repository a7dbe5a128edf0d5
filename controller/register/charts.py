"""Control charts for a row of readings, and how long they run before they call.

Owns the arithmetic of the EWMA, the tabular cusum, self-starting scores and ranges; knows no axis and no units beyond
the reader's own. Names and definitions: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3 and 6.3.2.4;
D. C. Montgomery, *Introduction to Statistical Quality Control*. Run lengths solve the integral equations of E. S. Page
1954 (cusum) and S. V. Crowder 1987 (EWMA), on the nodes of Gauss and Legendre.

The *run length* is the number of readings up to and with the one that calls; readings are independent and normal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special, stats

Vector = npt.NDArray[np.float64]

EWMA_WEIGHT = 0.1
EWMA_WIDTH = 2.814
"""Width in standard deviations of the EWMA: 500 readings between false calls."""

CUSUM_REFERENCE = 0.5
CUSUM_INTERVAL = 5.0
"""Reference value and decision interval in standard deviations: 465 readings between false calls."""

_NODES = 96


@dataclass(frozen=True, slots=True, eq=False)
class EwmaChart:
    """``average``, ``low``, ``high``: (m,). ``call``: row of the first average beyond its limits, None when none is."""

    average: Vector
    low: Vector
    high: Vector
    call: int | None


@dataclass(frozen=True, slots=True, eq=False)
class CusumChart:
    """``high``, ``low``: (m,), sums of what lies above and below, in standard deviations, both counted upwards.

    ``call``: row at which the first of them passes the interval. ``onset``: row after that sum's last zero before the
    call, the usual estimate of where the change began. Both None when nothing calls.
    """

    high: Vector
    low: Vector
    call: int | None
    onset: int | None


def ewma(
    readings: npt.ArrayLike,
    *,
    target: float,
    sigma: float,
    weight: float = EWMA_WEIGHT,
    width: float = EWMA_WIDTH,
    growing_limits: bool = False,
) -> EwmaChart:
    """Exponentially weighted moving average z = w x + (1 - w) z before, from z = target, of readings (m,).

    Limits: target ± width sigma √(w / (2 - w)), with ``growing_limits`` times √(1 - (1 - w)^2i) at the i-th reading.
    """
    values = _readings(readings)
    _above_zero(sigma=sigma, width=width)
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"expected a weight above 0 and up to 1, got {weight}")
    average = np.empty_like(values)
    last = target
    for row, value in enumerate(values):
        last = average[row] = weight * value + (1.0 - weight) * last
    apart = np.full(len(values), width * sigma * np.sqrt(weight / (2.0 - weight)))
    if growing_limits:
        apart *= np.sqrt(1.0 - (1.0 - weight) ** (2 * np.arange(1, len(values) + 1)))
    return EwmaChart(average, target - apart, target + apart, _first(np.abs(average - target) > apart))


def cusum(
    readings: npt.ArrayLike,
    *,
    target: float,
    sigma: float,
    reference: float = CUSUM_REFERENCE,
    interval: float = CUSUM_INTERVAL,
) -> CusumChart:
    """Two-sided tabular cusum of readings (m,): high = max(0, high before + (x - target) / sigma - reference)."""
    values = _readings(readings)
    _above_zero(sigma=sigma, interval=interval)
    scaled = (values - target) / sigma
    sums = np.zeros((2, len(values)))
    for side, sign in enumerate((1.0, -1.0)):
        last = 0.0
        for row, value in enumerate(scaled):
            last = sums[side, row] = max(0.0, last + sign * value - reference)
    call = _first((sums > interval).any(axis=0))
    if call is None:
        return CusumChart(sums[0], sums[1], None, None)
    side = int(np.argmax(sums[:, call]))
    zeros = np.flatnonzero(sums[side, :call] == 0.0)
    return CusumChart(sums[0], sums[1], call, int(zeros[-1]) + 1 if len(zeros) else 0)


def scores(readings: npt.ArrayLike, sigma: float | None = None) -> Vector:
    """Each reading against all before it, (m,): standard normal and independent while nothing changes.

    For charts without a known target. With ``sigma`` known: √((i - 1) / i) (x - mean before) / sigma from the second
    reading on; else the same with the deviation of those before, its t of (i - 2) carried to the normal, from the third
    on (D. M. Hawkins 1987, C. P. Quesenberry 1991; from memory). Earlier scores are 0.
    """
    values = _readings(readings)
    out = np.zeros(len(values))
    mean, squares = 0.0, 0.0
    for row, value in enumerate(values):
        off = value - mean
        if sigma is not None:
            if row:
                out[row] = np.sqrt(row / (row + 1.0)) * off / sigma
        elif row >= 2:
            out[row] = _t_to_normal(
                np.sqrt(row / (row + 1.0)) * off / max(np.sqrt(squares / (row - 1)), 1e-300), row - 1
            )
        mean += off / (row + 1)
        squares += off * (value - mean)
    return out


def cusum_run_length(
    shift: float = 0.0,
    *,
    reference: float = CUSUM_REFERENCE,
    interval: float = CUSUM_INTERVAL,
    one_sided: bool = False,
) -> float:
    """Average run length of the cusum when the mean is off by ``shift`` standard deviations from the start.

    Two sides run as 1/L = 1/L above + 1/L below, which holds for the tabular form.
    """
    above = _one_sided(shift, reference, interval)
    if one_sided:
        return above
    return 1.0 / (1.0 / above + 1.0 / _one_sided(-shift, reference, interval))


def ewma_run_length(shift: float = 0.0, *, weight: float = EWMA_WEIGHT, width: float = EWMA_WIDTH) -> float:
    """Average run length of the EWMA (limits that do not grow) when the mean is off by ``shift`` from the start."""
    half = width * np.sqrt(weight / (2.0 - weight))
    nodes, weights = _nodes(-half, half)
    at = (nodes[None, :] - (1.0 - weight) * np.append(nodes, 0.0)[:, None]) / weight - shift
    kernel = stats.norm.pdf(at) * weights / weight
    lengths = np.linalg.solve(np.eye(_NODES) - kernel[:-1], np.ones(_NODES))
    return float(1.0 + kernel[-1] @ lengths)


def range_mean(count: int) -> float:
    """Mean range of ``count`` normal readings in standard deviations: d2 of the tables of control charts."""
    if count < 2:
        raise ValueError(f"expected at least two readings, got {count}")

    # Tippett 1925: the integral of 1 - F^n - (1 - F)^n. Smooth and flat at its ends: equal steps converge at once.
    at = np.linspace(-12.0, 12.0, 961)
    below = special.ndtr(at)
    return float((1.0 - special.ndtr(-at) ** count - below**count).sum() * (at[1] - at[0]))


def range_chance(ratio: npt.ArrayLike, count: npt.ArrayLike) -> Vector:
    """Chance of a range of ``count`` readings of more than ``ratio`` standard deviations; broadcasts."""
    chance: Vector = np.asarray(
        stats.studentized_range.sf(np.asarray(ratio, dtype=np.float64), np.asarray(count), np.inf),
        dtype=np.float64,
    )
    return chance


def _one_sided(shift: float, reference: float, interval: float) -> float:
    """L(u) = 1 + L(0) P(back to zero) + ∫ L(y) p(y - u) dy over the interval, at u = 0."""
    nodes, weights = _nodes(0.0, interval)
    start = np.append(nodes, 0.0)
    drift = reference - shift
    kernel = np.empty((_NODES + 1, _NODES + 1))
    kernel[:, :-1] = stats.norm.pdf(nodes[None, :] + drift - start[:, None]) * weights
    kernel[:, -1] = stats.norm.cdf(drift - start)
    return float(np.linalg.solve(np.eye(_NODES + 1) - kernel, np.ones(_NODES + 1))[-1])


def _nodes(low: float, high: float) -> tuple[Vector, Vector]:
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    half = 0.5 * (high - low)
    return low + half * (nodes + 1.0), half * weights


def _t_to_normal(value: float, dof: int) -> float:
    """The normal deviate of the same tail as this t; by the nearer tail, where there are digits."""
    score = float(stats.norm.isf(stats.t.sf(abs(value), dof)))
    return float(np.copysign(min(score, 38.0), value))


def _readings(values: npt.ArrayLike) -> Vector:
    readings = np.asarray(values, dtype=np.float64)
    if readings.ndim != 1 or not np.isfinite(readings).all():
        raise ValueError(f"expected a row of finite numbers, got an array of shape {readings.shape}")
    return readings


def _above_zero(**numbers: float) -> None:
    for name, value in numbers.items():
        if not (np.isfinite(value) and value > 0.0):
            raise ValueError(f"expected {name} above 0, got {value}")


def _first(where: npt.ArrayLike) -> int | None:
    rows = np.flatnonzero(where)
    return int(rows[0]) if len(rows) else None
