"""Repeatability of something that was found several times: its standard deviation, with an interval.

Pure mathematics. The interval of a standard deviation is the textbook one of normal readings, by the chi-square
distribution (ISO 2854:1976, table F; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from controller.calibrate.values import PoorFit

FEWEST = 3


@dataclass(frozen=True, slots=True)
class Repeatability:
    """``deviation``: standard deviation of one reading, from ``low`` to ``high`` with the coverage asked for;
    ``span``: largest less smallest; ``n`` readings. All in the readings' unit."""

    deviation: float
    low: float
    high: float
    span: float
    n: int


def repeatability(readings: Sequence[float], coverage: float = 0.95) -> Repeatability:
    """Of readings of one place. Raises PoorFit for fewer than ``FEWEST``."""
    values = np.asarray(readings, dtype=np.float64)
    n = len(values)
    if n < FEWEST:
        raise PoorFit("repeatability", f"{FEWEST} readings or more", str(n), code="fit-repeats")
    deviation, dof = float(values.std(ddof=1)), n - 1
    low, high = (
        deviation * (dof / float(stats.chi2.ppf(share, dof))) ** 0.5
        for share in (0.5 + coverage / 2.0, 0.5 - coverage / 2.0)
    )
    return Repeatability(deviation, low, high, float(np.ptp(values)), n)
