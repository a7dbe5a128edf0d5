"""Statistics of comparisons: intervals of differences, chances, and which of many are believed. Arrays in, figures out.

Knows no session and no machine. Three tools:

* Ticks and strokes follow one another, and neighbours are alike: intervals come from the circular block bootstrap
  (D. N. Politis, J. P. Romano 1992) over pieces in their order, in blocks of the cube root of their number (P. Hall,
  J. L. Horowitz, B.-Y. Jing 1995). Quantiles and root mean squares are those of all values of the pieces drawn.
* Few readings that are independent (homings): the rank sum of Mann and Whitney (1947), exact without ties, with the
  shift of Hodges and Lehmann (1963) and the interval that inverts the test.
* Counts over times (stops): given their sum they are binomial (J. Przyborowski, H. Wilenski 1940).

Of many figures looked at together, those are believed that the rule of S. Holm (1979) leaves at ``ALPHA``: where
nothing differs, the chance that any at all is called different is at most that.
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
RESAMPLES = 4000
PIECES_MAX = 200
PIECES_FEWEST = 20
"""With fewer pieces or strokes on one side nothing is said: the bootstrap is too sure of itself then. Common practice,
no source."""

TICKS_A_PIECE = 250
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


def draw(n: int, resamples: int, random: np.random.Generator) -> npt.NDArray[np.int64]:
    """(resamples, n) indices of n units in order, drawn in circular blocks of about the cube root of n."""
    length = max(1, round(n ** (1.0 / 3.0)))
    starts = random.integers(0, n, (resamples, -(-n // length)))
    rows = (starts[:, :, None] + np.arange(length)) % n
    return rows.reshape(resamples, -1)[:, :n]


def weights(rows: npt.NDArray[np.int64], n: int) -> Floats:
    """(resamples, n): how often each unit was drawn."""
    offset = n * np.arange(len(rows))[:, None]
    found = np.bincount((rows + offset).ravel(), minlength=n * len(rows)).reshape(len(rows), n)
    return found.astype(np.float32)


def _quantiles(counts: Floats, floor: float, quantiles: Sequence[float]) -> Vector:
    """(r, q) of histograms (r, BINS)."""
    rising = np.cumsum(counts, axis=1, dtype=np.float64)
    out = np.empty((len(counts), len(quantiles)))
    for column, quantile in enumerate(quantiles):
        wanted = quantile * rising[:, -1]
        at = np.minimum((rising < wanted[:, None]).sum(axis=1), BINS - 1)
        rows = np.arange(len(counts))
        inside = np.maximum(counts[rows, at].astype(np.float64), 1e-9)
        part = np.clip((wanted - (rising[rows, at] - inside)) / inside, 0.0, 1.0)
        out[:, column] = floor * 10.0 ** ((at + part) * DECADES / BINS)
    return out


def piece_differences(
    a: Pieces, b: Pieces, floor: float, quantiles: Sequence[float], sizes: Sequence[float], resamples: int = RESAMPLES,
) -> tuple[Difference, ...]:  # fmt: skip
    """Differences of ``quantiles`` of all values, and last of their root mean square; ``sizes``: as measured, each."""
    units = (len(a), len(b))
    by = "block bootstrap over pieces"
    if min(units) < PIECES_FEWEST:
        return tuple(Difference(size, by=by, units=units) for size in sizes)
    random = np.random.default_rng(1)
    drawn = []
    for side in (a, b):
        times = weights(draw(len(side), resamples, random), len(side))
        found = _quantiles(times @ side.counts, floor, quantiles)
        rms = np.sqrt((times @ side.squares) / (times @ side.number))
        drawn.append(np.column_stack([found, rms]))
    beyond = [min(float(side.number.sum()) for side in (a, b)) * min(q, 1.0 - q) for q in quantiles]
    out = []
    for column, size in enumerate(sizes):
        if column < len(quantiles) and beyond[column] < BEYOND_FEWEST:
            out.append(Difference(size, by=by, units=units))
        else:
            out.append(_interval(size, drawn[1][:, column] - drawn[0][:, column], by, units))
    return tuple(out)


def median_difference(a: Vector, b: Vector, resamples: int = RESAMPLES) -> Difference:
    """Of the medians of two rows of readings in their order, neighbours alike: strokes."""
    units, by = (len(a), len(b)), "block bootstrap over strokes"
    size = float(np.median(b) - np.median(a)) if min(units) else nan
    if min(units) < PIECES_FEWEST:
        return Difference(size, by=by, units=units)
    random = np.random.default_rng(1)
    drawn = [_medians(side, resamples, random) for side in (a, b)]
    return _interval(size, drawn[1] - drawn[0], by, units)


def paired_difference(a: Vector, b: Vector, resamples: int = RESAMPLES) -> Difference:
    """Median of the differences of the same strokes painted twice, (n,) each, in their order."""
    apart = b - a
    units, by = (len(a), len(b)), "block bootstrap over pairs of the same strokes"
    size = float(np.median(apart)) if len(apart) else nan
    if len(apart) < PIECES_FEWEST:
        return Difference(size, by=by, units=units)
    return _interval(size, _medians(apart, resamples, np.random.default_rng(1)), by, units)


def _medians(values: Vector, resamples: int, random: np.random.Generator) -> Vector:
    """(resamples,) medians; a few million values are held at a time."""
    step = max(1, 4_000_000 // len(values))
    parts = [
        np.median(values[draw(len(values), min(step, resamples - begin), random)], axis=1)
        for begin in range(0, resamples, step)
    ]
    found: Vector = np.concatenate(parts)
    return found


def _interval(size: float, drawn: Vector, by: str, units: tuple[int, int]) -> Difference:
    low, high = np.quantile(drawn, [0.5 - COVERAGE / 2, 0.5 + COVERAGE / 2]).tolist()
    tail = min(np.count_nonzero(drawn <= 0.0), np.count_nonzero(drawn >= 0.0))
    return Difference(size, low, high, min(1.0, 2.0 * (tail + 1) / (len(drawn) + 1)), by, units)


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
    cut_off = _rank_cut(*units, exact=max(units) <= EXACT_READINGS_MAX)
    return Difference(size, float(apart[cut_off]), float(apart[-1 - cut_off]), min(chance, 1.0), by, units)


def least_chance(n: int, m: int) -> float:
    """Of two rows that do not overlap at all: 2 / C(n + m, n), two-sided."""
    from math import comb

    return 2.0 / comb(n + m, n)


def _rank_cut(n: int, m: int, *, exact: bool) -> int:
    """So many of the sorted pairwise differences lie outside the interval on each side."""
    tail = 0.5 - COVERAGE / 2
    if not exact:
        z = float(stats.norm.ppf(1.0 - tail))
        return max(0, int(n * m / 2 - z * np.sqrt(n * m * (n + m + 1) / 12.0)))
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
