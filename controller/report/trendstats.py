"""Statistics of trends over sessions: does a figure rise or fall from session to session, and how fast. Pure.

* Whether: the rank test of H. B. Mann (1945) with the statistic of M. G. Kendall, two-sided; exact without ties for up
  to ``EXACT_MAX`` sessions, else normal with the variance for ties and the continuity correction (R. O. Gilbert,
  *Statistical Methods for Environmental Pollution Monitoring*, 1987, ch. 16).
* How fast: the median of all pairwise slopes (H. Theil 1950, P. K. Sen 1968) with Sen's interval.

Both take the order of the sessions and nothing of their distance: the figure's change a session. Neither asks for
normal scatter; both ask that sessions do not hang together but by the trend.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, nan, sqrt

import numpy as np
import numpy.typing as npt
from scipy import stats

from controller.report.comparestats import COVERAGE

FEWEST = 6
"""With five sessions even a rise without exception comes by chance once in 60; no trend is told from fewer than six."""

EXACT_MAX = 60

Vector = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Trend:
    """Of n values in order. slope: change a session with its interval; chance: of so much order without a trend; tau:
    Kendall's, from -1 to 1. Chance and interval are nan with fewer than ``FEWEST`` values."""

    n: int
    slope: float = nan
    low: float = nan
    high: float = nan
    tau: float = nan
    chance: float = nan

    @property
    def change(self) -> float:
        """What the slope comes to from the first value to the last."""
        return self.slope * (self.n - 1)


def trend(values: npt.ArrayLike) -> Trend:
    """The trend of (n,) values in the order of their sessions; all must be finite."""
    row = np.asarray(values, dtype=np.float64)
    n = len(row)
    if n < 2:
        return Trend(n)
    if np.ptp(row) == 0.0:
        return Trend(n, 0.0, 0.0, 0.0, 0.0, 1.0) if n >= FEWEST else Trend(n, 0.0)
    slope, _, low, high = stats.theilslopes(row, np.arange(n), alpha=COVERAGE)
    if n < FEWEST:
        return Trend(n, float(slope))
    score = kendall_score(row)
    tau = float(stats.kendalltau(np.arange(n), row).statistic)
    return Trend(n, float(slope), float(low), float(high), tau, kendall_chance(score, row))


def kendall_score(values: Vector) -> int:
    """Pairs that rise less pairs that fall."""
    signs = np.sign(values[None, :] - values[:, None])
    return int(np.triu(signs, 1).sum())


def kendall_chance(score: int, values: Vector) -> float:
    """Chance of a score so far from 0 in any order of these values, two-sided."""
    n = len(values)
    ties = np.unique(values, return_counts=True)[1].astype(np.float64)
    if ties.max() == 1 and n <= EXACT_MAX:
        ways = kendall_ways(n)
        pairs = n * (n - 1) // 2
        at = np.arange(-pairs, pairs + 1, 2)
        return min(1.0, float(ways[np.abs(at) >= abs(score)].sum()))
    variance = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18.0
    return min(1.0, erfc(max(abs(score) - 1, 0) / sqrt(2.0 * variance)))


def kendall_ways(n: int) -> Vector:
    """Shares of all orders of n values with 0, 1, ... pairs out of order (Kendall's recurrence)."""
    ways = np.ones(1)
    for k in range(2, n + 1):
        ways = np.convolve(ways, np.full(k, 1.0 / k))
    return ways
