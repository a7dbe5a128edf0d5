"""Statistics of comparisons: intervals of differences, chances, and which of many are believed. Arrays in, figures out.

Knows no session and no machine. Three tools:

* Ticks and strokes follow one another, and neighbours are alike: standard errors come from the circular block bootstrap
  (D. N. Politis, J. P. Romano 1992) over pieces in their order, in blocks of the cube root of their number (P. Hall,
  J. L. Horowitz, B.-Y. Jing 1995) or twice the time for which they hang together, what is longer. That time is the
  integrated autocorrelation time (A. D. Sokal's window: N. Madras, A. D. Sokal 1988), and the number of pieces over it
  is the number of readings that count: Student's t with as many degrees of freedom gives interval and chance. Quantiles
  and root mean squares are those of all values of the pieces drawn.
* Few readings that are independent (homings): the rank sum of Mann and Whitney (1947), exact without ties, with the
  shift of Hodges and Lehmann (1963) and the interval that inverts the test.
* Counts over times (stops): given their sum they are binomial (J. Przyborowski, H. Wilenski 1940).

Of many figures looked at together, those are believed that the rule of S. Holm (1979) leaves at ``ALPHA``: where
nothing differs, the chance that any at all is called different is at most that, as far as each chance is right
(docs/compare.md has how often it is).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

import numpy as np
import numpy.typing as npt
from scipy import stats

ALPHA = 0.05
"""Chance of one false finding or more among all figures of a comparison in which nothing differs."""

COVERAGE = 0.95
RESAMPLES = 1000
PIECES_MAX = 200
COUNTED_FEWEST = 20
"""With fewer readings that count on one side nothing is said: the bootstrap is too sure of itself then. Common
practice, no source."""

TICKS_A_PIECE = 100
BEYOND_FEWEST = 100
"""A quantile is judged where so many values lie beyond it on either side. Common practice, no source."""

DECADES, BINS = 9, 1800
"""Histograms of pieces: bins of 1.2 % from a floor on; quantiles are interpolated within a bin."""

EXACT_READINGS_MAX = 60

Vector = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Difference:
    """B less A, with its interval of ``COVERAGE`` and the chance of so much where nothing differs.

    nan where nothing can be said; ``by`` names the statistic, ``units`` what was counted as one reading, on both sides.
    """

    size: float
    low: float = nan
    high: float = nan
    chance: float = nan
    by: str = ""
    units: tuple[int, int] = (0, 0)


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Values in their order cut into equal pieces: histograms (n, BINS), sums of squares (n,), how many values (n,)."""

    counts: Floats
    squares: Vector
    number: Vector

    def __len__(self) -> int:
        return len(self.number)


def piece_length(values_a: int, values_b: int) -> int:
    """Values of a piece, the same on both sides: at most ``PIECES_MAX`` pieces on either."""
    return max(TICKS_A_PIECE, -(-max(values_a, values_b) // PIECES_MAX))


def cut(values: npt.NDArray[np.floating], length: int, floor: float) -> Pieces:
    """Cut (m,) values, in order of time, into whole pieces of ``length``; what is left at the end is no piece.

    Values below ``floor`` count as the floor. Values must be finite.
    """
    n = len(values) // length
    kept = np.maximum(values[: n * length].astype(np.float64), floor)
    place = np.minimum(np.log10(kept / floor) * (BINS / DECADES), BINS - 1).astype(np.int64)
    piece = np.repeat(np.arange(n), length)
    counts = np.bincount(piece * BINS + place, minlength=n * BINS).reshape(n, BINS)
    squares = (values[: n * length].astype(np.float64) ** 2).reshape(n, length).sum(axis=1)
    return Pieces(counts.astype(np.float32), squares, np.full(n, float(length)))


def hanging(values: Vector) -> float:
    """For how many of (n,) values in a row neighbours hang together: 1 + 2 times the sum of their autocorrelations.

    Summed up to the first lag that is five times the sum so far (Madras and Sokal 1988); at least 1.
    """
    n = len(values)
    off = values - values.mean()
    square = float(off @ off)
    if n < 4 or square <= 0.0:
        return 1.0
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(off, size)
    along = np.fft.irfft(spectrum * np.conj(spectrum), size)[:n] / square
    sums = 2.0 * np.cumsum(along) - 1.0
    enough = np.arange(n) >= 5.0 * sums
    return max(1.0, float(sums[int(np.argmax(enough)) if enough.any() else n - 1]))


def block_length(n: int, together: float) -> int:
    """Of n units that hang together for so many."""
    return int(max(1, min(max(round(n ** (1.0 / 3.0)), round(2.0 * together)), n // 4)))


def draw(n: int, length: int, resamples: int, random: np.random.Generator) -> npt.NDArray[np.int64]:
    """(resamples, n) indices of n units in order, drawn in circular blocks of ``length``."""
    starts = random.integers(0, n, (resamples, -(-n // length)))
    rows = (starts[:, :, None] + np.arange(length)) % n
    return rows.reshape(resamples, -1)[:, :n]


def weights(rows: npt.NDArray[np.int64], n: int) -> Floats:
    """(resamples, n): how often each unit was drawn."""
    offset = n * np.arange(len(rows))[:, None]
    found = np.bincount((rows + offset).ravel(), minlength=n * len(rows)).reshape(len(rows), n)
    return found.astype(np.float32)


def _quantiles(counts: Floats, floor: float, quantiles: Sequence[float], first: int = 0) -> Vector:
    """(r, q) of histograms (r, b) that begin with bin ``first``."""
    rising = np.cumsum(counts, axis=1, dtype=np.float64)
    out = np.empty((len(counts), len(quantiles)))
    for column, quantile in enumerate(quantiles):
        wanted = quantile * rising[:, -1]
        at = np.minimum((rising < wanted[:, None]).sum(axis=1), counts.shape[1] - 1)
        rows = np.arange(len(counts))
        inside = np.maximum(counts[rows, at].astype(np.float64), 1e-9)
        part = np.clip((wanted - (rising[rows, at] - inside)) / inside, 0.0, 1.0)
        out[:, column] = floor * 10.0 ** ((first + at + part) * DECADES / BINS)
    return out


def piece_differences(
    a: Pieces, b: Pieces, floor: float, quantiles: Sequence[float], sizes: Sequence[float], resamples: int = RESAMPLES,
) -> tuple[Difference, ...]:  # fmt: skip
    """Differences of ``quantiles`` of all values, and last of their root mean square; ``sizes``: as measured, each."""
    by = "block bootstrap over pieces"
    if min(len(a), len(b)) < COUNTED_FEWEST:
        return tuple(Difference(size, by=by, units=(len(a), len(b))) for size in sizes)
    random = np.random.default_rng(1)
    errors, counted = [], []
    used = np.flatnonzero((a.counts.sum(axis=0) + b.counts.sum(axis=0)) > 0.0)
    first, end = int(used[0]), int(used[-1]) + 1
    for side in (a, b):
        filled = side.counts[:, first:end]
        # For how long each figure hangs together from piece to piece; the longest holds for all, as one alone is
        # told too short as often as too long.
        by_piece = [*_quantiles(filled, floor, quantiles[:2], first).T, np.sqrt(side.squares / side.number)]
        together = max(hanging(np.log(np.maximum(column, floor))) for column in by_piece)
        counted.append(len(side) / together)
        rows = draw(len(side), block_length(len(side), together), resamples, random)
        times = weights(rows, len(side))
        rms = np.sqrt((times @ side.squares) / (times @ side.number))
        errors.append(
            np.column_stack([_quantiles(times @ filled, floor, quantiles, first), rms]).std(axis=0, ddof=1)
        )
    beyond = [min(float(side.number.sum()) for side in (a, b)) * min(q, 1.0 - q) for q in quantiles]
    out = []
    for column, size in enumerate(sizes):
        if column < len(quantiles) and beyond[column] < BEYOND_FEWEST:
            out.append(Difference(size, by=by, units=_whole(counted)))
        else:
            out.append(_student(size, [float(one[column]) for one in errors], counted, by))
    return tuple(out)


def median_difference(a: Vector, b: Vector, resamples: int = RESAMPLES) -> Difference:
    """Of the medians of two rows of readings in their order, neighbours alike: strokes."""
    by = "block bootstrap over strokes"
    size = float(np.median(b) - np.median(a)) if min(len(a), len(b)) else nan
    if min(len(a), len(b)) < COUNTED_FEWEST:
        return Difference(size, by=by, units=(len(a), len(b)))
    random = np.random.default_rng(1)
    found = [_median_error(side, resamples, random) for side in (a, b)]
    return _student(size, [error for error, _ in found], [counted for _, counted in found], by)


def paired_difference(a: Vector, b: Vector, resamples: int = RESAMPLES) -> Difference:
    """Median of the differences of the same strokes painted twice, (n,) each, in their order."""
    apart, by = b - a, "block bootstrap over pairs of the same strokes"
    size = float(np.median(apart)) if len(apart) else nan
    if len(apart) < COUNTED_FEWEST:
        return Difference(size, by=by, units=(len(a), len(b)))
    error, counted = _median_error(apart, resamples, np.random.default_rng(1))
    return _student(size, [error], [counted], by)


def _median_error(values: Vector, resamples: int, random: np.random.Generator) -> tuple[float, float]:
    """Standard error of the median of values in a row, and how many of them count; some million are held at a time."""
    n = len(values)
    together = hanging(stats.rankdata(values))
    length, step = block_length(n, together), max(1, 4_000_000 // n)
    parts = [
        np.median(values[draw(n, length, min(step, resamples - begin), random)], axis=1)
        for begin in range(0, resamples, step)
    ]
    return float(np.concatenate(parts).std(ddof=1)), n / together


def _student(size: float, errors: Sequence[float], counted: Sequence[float], by: str) -> Difference:
    """Interval and chance of a difference with these standard errors, by Student's t (degrees by Welch 1947)."""
    units = _whole(counted)
    if min(counted) < COUNTED_FEWEST:
        return Difference(size, by=by, units=units)
    squares = [error**2 for error in errors]
    if not sum(squares) > 0.0:
        # Readings that all come out the same have no scatter: any difference is one.
        return Difference(size, size, size, 1.0 if size == 0.0 else 0.0, by, units)
    degrees = sum(squares) ** 2 / sum(one**2 / (n - 1.0) for one, n in zip(squares, counted, strict=True))
    error = float(np.sqrt(sum(squares)))
    half = float(stats.t.ppf(0.5 + COVERAGE / 2, degrees)) * error
    return Difference(
        size, size - half, size + half, float(2.0 * stats.t.sf(abs(size) / error, degrees)), by, units
    )


def _whole(counted: Sequence[float]) -> tuple[int, int]:
    return int(counted[0]), int(counted[-1])


def rank_difference(a: npt.ArrayLike, b: npt.ArrayLike) -> Difference:
    """Shift from a to b, (n,) and (m,) independent readings: Hodges and Lehmann's, by the test of Mann and Whitney.

    Nothing is said where even readings that do not overlap at all would be no surprise at ``ALPHA``.
    """
    x, y = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    units, by = (len(x), len(y)), "rank sum (Mann, Whitney)"
    if not min(units):
        return Difference(nan, by=by, units=units)
    apart = np.sort((y[:, None] - x[None]).ravel())
    size = float(np.median(apart))
    if least_chance(*units) >= ALPHA:
        return Difference(size, by=by, units=units)
    tied = len(np.unique(np.concatenate([x, y]))) < len(x) + len(y)
    exact = not tied and max(units) <= EXACT_READINGS_MAX
    if np.ptp(apart) == 0.0 and size == 0.0:
        return Difference(size, size, size, 1.0, by, units)
    chance = float(stats.mannwhitneyu(y, x, method="exact" if exact else "asymptotic").pvalue)
    first = _rank_cut(*units, exact=max(units) <= EXACT_READINGS_MAX) - 1
    return Difference(size, float(apart[first]), float(apart[-1 - first]), min(chance, 1.0), by, units)


def least_chance(n: int, m: int) -> float:
    """Of two rows that do not overlap at all: 2 / C(n + m, n), two-sided."""
    from math import comb

    return 2.0 / comb(n + m, n)


def _rank_cut(n: int, m: int, *, exact: bool) -> int:
    """The interval begins with this one of the sorted pairwise differences, counted from 1, from either end."""
    tail = 0.5 - COVERAGE / 2
    if not exact:
        z = float(stats.norm.ppf(1.0 - tail))
        return max(1, int(n * m / 2 - z * np.sqrt(n * m * (n + m + 1) / 12.0)))
    ways = rank_ways(n, m)
    below = np.cumsum(ways) / ways.sum()
    return int(np.count_nonzero(below <= tail))


def rank_ways(n: int, m: int) -> Vector:
    """(n m + 1,): in how many orders of n and m readings the rank statistic U is 0, 1, ... (Mann and Whitney's
    recurrence, as the coefficients of the Gaussian binomial)."""
    ways = np.zeros(n * m + 1)
    ways[0] = 1.0
    for k in range(1, n + 1):
        # Times (1 - q^(m + k)), over (1 - q^k), up to the highest power needed.
        up = m + k
        if up < len(ways):
            ways[up:] = ways[up:] - ways[:-up].copy()
        for at in range(k, len(ways)):
            ways[at] += ways[at - k]
    return ways


def rate_difference(count_a: int, time_a: float, count_b: int, time_b: float) -> Difference:
    """Of two counts over two times (any unit above 0): B's rate less A's; the chance is exact, there is no interval."""
    by = "binomial, given both counts"
    if time_a <= 0.0 or time_b <= 0.0:
        return Difference(nan, by=by)
    size = count_b / time_b - count_a / time_a
    total = count_a + count_b
    chance = float(stats.binomtest(count_b, total, time_b / (time_a + time_b)).pvalue) if total else 1.0
    return Difference(size, chance=chance, by=by, units=(count_a, count_b))


def believed(chances: Sequence[float], alpha: float = ALPHA) -> tuple[bool, ...]:
    """Which of these chances Holm's rule believes at ``alpha`` all together; nan is no member of the family."""
    values = np.asarray(chances, dtype=np.float64)
    known = np.flatnonzero(~np.isnan(values))
    out = np.zeros(len(values), dtype=np.bool_)
    for step, at in enumerate(known[np.argsort(values[known], kind="stable")]):
        if values[at] > alpha / (len(known) - step):
            break
        out[at] = True
    return tuple(bool(one) for one in out)
