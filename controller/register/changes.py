"""Changes in a row of readings: ramps, steps and single readings apart, found one by one by least squares.

Owns the model and its search; knows no axis and no machine. Readings are independent and normal about the model.

The model is a constant to which terms are added. Each time the term is taken that is least likely to gain so much by
chance: F of one more number (extra sum of squares), or chi-squared where the scatter is known, times the number of
places where such a term could be (Bonferroni). Terms that later ones make useless are taken out again. So a ramp is
not taken for steps, and neither hides the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum

import numpy as np
import numpy.typing as npt
from scipy import stats

Vector = npt.NDArray[np.float64]


class Shape(Enum):
    """What a term does: rise with time from the first reading, shift all from a row on, or shift one row."""

    RAMP = "ramp"
    STEP = "step"
    APART = "apart"


@dataclass(frozen=True, slots=True)
class Term:
    """One term; ``row`` is where it begins (0 for a ramp)."""

    shape: Shape
    row: int = 0


RAMP = Term(Shape.RAMP)

JUMP = 5.0
"""A difference of neighbours stands out from here on, in standard deviations of the usual difference."""


def log_two_sided(size: float, dof: int | None) -> float:
    """Logarithm of the chance of a standard normal number, or of Student's t with ``dof``, ``size`` or more from 0.

    Where the chance of t is too small for a number, by its tail: the density times size / dof + 1 / size, which is its
    limit for a large size and for a large dof alike.
    """
    if dof is None:
        return float(np.log(2.0) + stats.norm.logsf(size))
    chance = 2.0 * float(stats.t.sf(size, dof))
    if chance > 1e-300:
        return float(np.log(chance))
    return float(np.log(2.0) + stats.t.logpdf(size, dof) + np.log(size / dof + 1.0 / size))


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Values (1 + terms) of the constant and the terms, their covariance, scatter about the model and its freedom.

    scatter: the known one, or √(squares / dof), but not less than the floor. dof: readings less numbers; where it is
    below 1 and the scatter unknown, scatter and covariance are nan.
    """

    values: Vector
    covariance: Vector
    scatter: float
    dof: int


@dataclass(frozen=True, slots=True, eq=False)
class ChangeModel:
    """Readings (m,) at ``times`` (m,) that rise. ``scatter``: standard deviation where known; ``floor``: the least that
    is believed where it is not. ``terms``: what has been found, in the order of finding; ``search`` fills it."""

    readings: Vector
    times: Vector
    scatter: float | None = None
    floor: float = 0.0
    terms: list[Term] = field(default_factory=list)

    def column(self, term: Term) -> Vector:
        """A term's column (m,)."""
        if term.shape is Shape.RAMP:
            since: Vector = self.times - self.times[0]
            return since
        rows = np.arange(len(self.times))
        where = rows >= term.row if term.shape is Shape.STEP else rows == term.row
        out: Vector = where.astype(np.float64)
        return out

    def columns(self, terms: Sequence[Term]) -> Vector:
        """The constant and ``terms``, (m, 1 + len(terms))."""
        return np.column_stack([np.ones_like(self.times), *(self.column(term) for term in terms)])

    def search(self, alpha: float, terms_max: int) -> None:
        """Find the terms whose chance is below ``alpha``, at most ``terms_max``.

        Twice: from nothing, and from the jumps that stand out among the differences of neighbours, since several
        jumps can hide each other or look like a ramp. The smaller Bayesian information criterion is kept (G. Schwarz
        1978; a place counts as a number).
        """
        if len(self.readings) < 2:
            return
        found: list[tuple[float, list[Term]]] = []
        for start in ([], self._jumps(terms_max)):
            self.terms[:] = start
            self._grow(alpha, terms_max)
            found.append((self._criterion(), list(self.terms)))
        self.terms[:] = min(found, key=lambda one: one[0])[1]

    def _grow(self, alpha: float, terms_max: int) -> None:
        """Add the least likely term while its chance is below ``alpha``; drop those that become useless."""
        self._prune(alpha)
        while len(self.terms) < terms_max:
            log_chance, term = self._best()
            if term is None or not log_chance < np.log(alpha):
                return
            self.terms.append(term)
            self._prune(alpha)
            if term not in self.terms:
                return

    def _jumps(self, terms_max: int) -> list[Term]:
        """Steps where neighbours differ by far more than they mostly do, the largest first; one there and back is one
        reading apart."""
        count = len(self.readings)
        gaps = np.diff(self.times)
        steps = np.diff(self.readings)
        off = steps - float(np.median(steps / gaps)) * gaps
        usual = max(1.4826 * float(np.median(np.abs(off))), self.floor, 1e-300)
        if self.scatter is not None:
            usual = max(usual, float(np.sqrt(2.0)) * self.scatter)
        large = np.abs(off) > JUMP * usual
        terms: list[tuple[float, Term]] = []
        row = 1
        while row < count:
            size = abs(float(off[row - 1]))
            if large[row - 1]:
                back = (
                    row < count - 1 and bool(large[row]) and abs(float(off[row - 1] + off[row])) < 0.2 * size
                )
                terms.append((size, Term(Shape.APART if back else Shape.STEP, row)))
                row += back
            row += 1
        terms.sort(key=lambda one: -one[0])
        most = max(0, min(terms_max, count - 3))
        return [term for _, term in terms[:most]]

    def _criterion(self) -> float:
        count = len(self.readings)
        squares = self._squares(self.terms)
        numbers = sum(1 if term.shape is Shape.RAMP else 2 for term in self.terms)
        if self.scatter is not None:
            return squares / self.scatter**2 + numbers * float(np.log(count))
        floor = max(count * self.floor**2, 1e-300)
        return count * float(np.log(max(squares, floor) / count)) + numbers * float(np.log(count))

    def solve(self, terms: Sequence[Term]) -> Solution:
        """The model of just these terms."""
        columns = self.columns(terms)
        dof = len(self.readings) - columns.shape[1]
        solved, _, rank, _ = np.linalg.lstsq(columns, self.readings, rcond=1e-10)
        values: Vector = np.asarray(solved, dtype=np.float64)
        unsolved = np.full((columns.shape[1],) * 2, np.nan)
        if rank < columns.shape[1]:
            return Solution(np.full(columns.shape[1], np.nan), unsolved, float("nan"), dof)
        left = self.readings - columns @ values
        if self.scatter is not None:
            scatter = self.scatter
        elif dof < 1:
            return Solution(values, unsolved, float("nan"), dof)
        else:
            scatter = max(float(np.sqrt(left @ left / dof)), self.floor)
        covariance: Vector = np.asarray(scatter**2 * np.linalg.inv(columns.T @ columns), dtype=np.float64)
        return Solution(values, covariance, scatter, dof)

    def chance_of(self, term: Term) -> float:
        """Chance that ``term``, beside all found others, gains what it does by chance."""
        others = [one for one in self.terms if one != term]
        without, full = self._squares(others), self._squares([*others, term])
        return self._chance(
            without - full, full, len(self.readings) - 2 - len(others), self._tries(term.shape)
        )

    def _squares(self, terms: Sequence[Term]) -> float:
        base, _ = np.linalg.qr(self.columns(terms))
        left = self.readings - base @ (base.T @ self.readings)
        return float(left @ left)

    def _tries(self, shape: Shape) -> int:
        """Places of a shape. The first and the last reading apart are steps: nothing tells them from one."""
        count = len(self.readings)
        return {Shape.RAMP: 1, Shape.STEP: count - 1, Shape.APART: count - 2}[shape]

    def _chance(self, drop: float, squares: float, dof: int, tries: int) -> float:
        return float(np.exp(self._log_chance(drop, squares, dof, tries)))

    def _log_chance(self, drop: float, squares: float, dof: int, tries: int) -> float:
        """Its logarithm. Chances of large jumps are all 0 as numbers, and which is least then rests on rounding.

        Chi-squared of one number is the square of a normal one, F of one number that of Student's t.
        """
        if self.scatter is not None:
            single = log_two_sided(float(np.sqrt(max(drop, 0.0))) / self.scatter, None) if dof >= 0 else 0.0
        elif dof < 1:
            single = 0.0
        else:
            variance = max(squares / dof, self.floor**2, 1e-300)
            single = log_two_sided(float(np.sqrt(max(drop, 0.0) / variance)), dof)
        return min(0.0, float(np.log(tries)) + single)

    def _best(self) -> tuple[float, Term | None]:
        """The term that is least likely to gain so much by chance, and the logarithm of that chance."""
        base, _ = np.linalg.qr(self.columns(self.terms))
        left = self.readings - base @ (base.T @ self.readings)
        squares = float(left @ left)
        dof = len(self.readings) - base.shape[1] - 1
        best: tuple[float, Term | None] = (0.0, None)
        for shape in Shape:
            # Of two readings none can tell a ramp from a step: what is sudden is graver.
            if self._tries(shape) < 1 or (shape is Shape.RAMP and len(self.readings) == 2):
                continue
            first = 0 if shape is Shape.RAMP else 1
            terms = [Term(shape, first + place) for place in range(self._tries(shape))]
            columns = np.column_stack([self.column(term) for term in terms])
            fresh = columns - base @ (base.T @ columns)
            size = np.einsum("ij,ij->j", fresh, fresh)
            # A column that the model has already gains nothing.
            held = size > 1e-9 * np.einsum("ij,ij->j", columns, columns)
            gains = np.where(held, (left @ fresh) ** 2 / np.where(held, size, 1.0), 0.0)
            # Of terms that gain alike the first, whatever way the numbers were rounded.
            at = int(np.argmax(gains >= (1.0 - 1e-9) * gains.max()))
            chance = self._log_chance(float(gains[at]), squares - float(gains[at]), dof, len(terms))
            if chance < best[0]:
                best = (chance, terms[at])
        return best

    def _prune(self, alpha: float) -> None:
        while self.terms:
            worst = max(self.terms, key=self.chance_of)
            if self.chance_of(worst) < alpha:
                return
            self.terms.remove(worst)
