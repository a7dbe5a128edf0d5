"""What readings by place say together: as smooth a line as they bear, where they bear one.

Owns the choice of the line and its interval. A belt that is long by a share and a rail that bends by its own weight are
smooth; a reading's own error is not, and put into a table as it was read it bends every line painted there. Takes
arrays.

Polynomials in the place, of rising degree, by least squares; that one whose chi-square plus k ln n is the least (the
information criterion of Schwarz, 1978, for a known spread; from memory), k its numbers and n the places. Where even the
best leaves more than readings of that spread do in 95 of 100 cases, there are steps or bends that no such line follows,
and none is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Vector = npt.NDArray[np.float64]

PLACES_MIN: Final = 6
SPARE: Final = 3
"""So many places more than numbers of the line."""
SIGNIFICANT: Final = 0.95


@dataclass(frozen=True, slots=True)
class Smooth:
    """``values`` (n,) at the places; ``cover`` (n, n) their covariance; ``degree`` of the line; its ``slopes`` at the
    first and the last place, by unit of place."""

    values: Vector
    cover: Vector
    degree: int
    slopes: tuple[float, float]

    def half_width(self, about: Vector) -> float:
        """Widest 95 % half width of ``about @ values``, ``about`` (m, n)."""
        spread = np.einsum("ij,jk,ik->i", about, self.cover, about)
        return float(1.96 * np.sqrt(np.maximum(spread, 0.0)).max())


def spread_of(readings: Sequence[Sequence[float]], resolution: float) -> float:
    """Standard deviation of the mean at one place: by how readings of one place differ, all places together, and no
    less than a scale makes that is read to ``resolution`` (evenly spread over it; its rounding is not averaged out)."""
    count = min(len(one) for one in readings)
    freedom = sum(len(one) - 1 for one in readings)
    floor = resolution / np.sqrt(12.0)
    if not freedom:
        return float(2.0 * floor)
    square = sum(float(np.var(one)) * len(one) for one in readings) / freedom
    return float(max(np.sqrt(square / count), floor))


def smooth(places: Vector, values: Vector, spread: float, *, degree_max: int) -> Smooth | None:
    """The line through ``values`` (n,) at ``places`` (n,), each known to ``spread`` (one standard deviation); or
    None."""
    from scipy.stats import chi2

    count = len(places)
    if count < PLACES_MIN:
        return None
    u = 2.0 * (places - places[0]) / (places[-1] - places[0]) - 1.0
    best: tuple[float, float, int, Vector] | None = None
    for degree in range(1, min(degree_max, count - 1 - SPARE) + 1):
        onto, _ = np.linalg.qr(np.polynomial.legendre.legvander(u, degree))
        left = float(np.sum((values - onto @ (onto.T @ values)) ** 2)) / spread**2
        score = left + (degree + 1) * float(np.log(count))
        if best is None or score < best[0]:
            best = (score, left, degree, onto)
    assert best is not None
    _, left, degree, onto = best
    if left > float(chi2.ppf(SIGNIFICANT, count - degree - 1)):
        return None
    line = np.polynomial.Legendre.fit(u, values, degree, domain=(-1.0, 1.0)).deriv()
    low, high = (float(line(end)) * 2.0 / float(places[-1] - places[0]) for end in (-1.0, 1.0))
    return Smooth(onto @ (onto.T @ values), spread**2 * onto @ onto.T, degree, (low, high))
