"""Which map the measured marks speak for, how sure it is on the canvas, or why they are refused.

Owns the rule by which a map is chosen, a typing error named and a set refused; the fits are controller/register/fit.py,
words for a person controller/register/words.py. Knows no machine and no file. Frames as in fit.py.

The rule. Start with a rigid map. Each richer explanation is tested against it by what it takes off the sum of squares:
a similarity (1 more number), an affine map (3 more, only with 4 marks or more that are well spread), one mark put
wrong (2 more, its chance times the number of marks; only if it is off by more than ``blunder_mm`` and, where
uncertainties are known, the others then agree within them). Whichever is least likely by chance is taken if that
chance is below ``alpha`` (a wrong mark: ``blunder_alpha``), and the rest are tested against it in turn. Chances are
those of chi-squared where the uncertainties of the marks are known, else of F (extra sum of squares; exact for the
linear kinds). A wrong mark ends the search: the set is refused and the mark named; nothing is left out silently.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from controller.register.fit import (
    PARAMETERS,
    Fit,
    Kind,
    Vector,
    checked,
    composed,
    cross_determinant,
    fitted,
    mapped,
)

FEWEST = {Kind.RIGID: 3, Kind.SIMILARITY: 3, Kind.AFFINE: 4}
"""Fewest marks. Two fit a similarity and three an affine map with nothing left over: that proves nothing."""

MIRROR = np.array([-1.0, 1.0])


class Reason(Enum):
    """Why a set of marks is refused."""

    NOT_FINITE = "not finite"
    TOO_FEW = "too few"
    COINCIDENT = "coincident"
    COLLINEAR = "collinear"
    ILL_CONDITIONED = "ill-conditioned"
    MIRRORED = "mirrored"
    BLUNDER = "blunder"
    STRETCH = "stretch"
    TURN = "turn"
    MISFIT = "misfit"


class Slip(Enum):
    """What would make a wrong mark agree with the others."""

    SIGN_X = "sign of the x offset"
    SIGN_Y = "sign of the y offset"
    SIGN_BOTH = "sign of both offsets"
    SWAPPED = "x and y offset swapped"
    UNKNOWN = "unknown"


_SLIPS: Mapping[Slip, Vector] = {
    Slip.SIGN_X: np.diag([-1.0, 1.0]),
    Slip.SIGN_Y: np.diag([1.0, -1.0]),
    Slip.SIGN_BOTH: -np.eye(2),
    Slip.SWAPPED: np.array([[0.0, 1.0], [1.0, 0.0]]),
}


SIGNS = (Slip.SIGN_X, Slip.SIGN_Y, Slip.SIGN_BOTH)


@dataclass(frozen=True, slots=True)
class Limits:
    """What a set of marks is held to. Values of the defaults: common practice, no source.

    alpha: chance below which a richer map is believed. blunder_alpha: the same of a wrong mark, larger: to measure
    again costs minutes, a mark that is wrong costs the picture; blunder_mm: what is off by less is no typing error.
    misfit: chance below which marks of known
    uncertainty are refused as a whole. reading_mm: step to which marks are read; with unknown uncertainty none is taken
    below reading / √12. apart_mm: marks nearer are one. narrow_share: width of the set over its length below which it
    counts as a line. amplification: standard uncertainty of the least sure corner over that of a mark, at most;
    affine_amplification: the same for an affine map, else the marks are not well spread.
    stretch_mm_m: largest change of length along any direction. turn_deg: largest turn.
    """

    alpha: float = 0.01
    blunder_alpha: float = 0.05
    blunder_mm: float = 0.5
    misfit: float = 0.001
    reading_mm: float = 0.05
    apart_mm: float = 5.0
    narrow_share: float = 0.02
    amplification: float = 5.0
    affine_amplification: float = 3.0
    stretch_mm_m: float = 10.0
    turn_deg: float = 3.0


@dataclass(frozen=True, slots=True)
class Step:
    """One decision: this kind (and mark left out) over the one before, which would look so by this chance."""

    kind: Kind
    left_out: int | None
    chance: float


@dataclass(frozen=True, slots=True, eq=False)
class Registration:
    """A map that the marks speak for.

    fit: with the matrix (2, 3) and residuals. steps: decisions that led to its kind; empty for rigid.
    corners_mm: (4, 2) of the canvas; corner_radius_mm: (4,), disc around each that holds its true place with at least
    ``coverage``, each by itself; everywhere_mm: radius that holds for all places of the canvas at once.
    doubt_mm: (4,), how far the farthest richer kind that the marks hold would put each corner from there. It is part of
    both radii: a stretch too small to be told from chance is there all the same, and a fit's own covariance, which
    takes its kind for true, knows nothing of it. Between corners it is no larger (a difference of maps is convex).
    mark_chances: (n,), chance of each mark's being so far from what the others say; nan where they cannot say.
    fit_chance: of so large a sum of squares; nan when uncertainties are unknown.
    shift_mm: (2,), of the middle of the canvas. turn_deg: from x towards y. stretch_mm_m: (2,), most and least
    lengthening of any direction.
    """

    fit: Fit
    steps: tuple[Step, ...]
    coverage: float
    corners_mm: Vector
    corner_radius_mm: Vector
    doubt_mm: Vector
    everywhere_mm: float
    mark_chances: Vector
    fit_chance: float
    shift_mm: Vector
    turn_deg: float
    stretch_mm_m: Vector

    def after(self, earlier: npt.ArrayLike | None) -> Vector:
        """The registration (2, 3) to be used from here on.

        ``earlier`` is the one that was in force when the marks were measured, None for none: measured places are
        canvas mm of that one, so that the map through the marks comes first.
        """
        return self.fit.matrix.copy() if earlier is None else composed(earlier, self.fit.matrix)


@dataclass(frozen=True, slots=True, eq=False)
class Refusal:
    """Why there is no map. ``marks``: rows concerned, for a blunder the likeliest first. ``found``, ``limit``: the
    figure and what it is held to, by the reason. fit: what was judged, where there was one.

    Of a blunder: others_mm (2,) is where the other marks put the first of ``marks``; off_mm (2,) how far from there
    it was measured; slip what would explain it.
    """

    reason: Reason
    marks: tuple[int, ...] = ()
    found: float = float("nan")
    limit: float = float("nan")
    fit: Fit | None = None
    others_mm: Vector | None = None
    off_mm: Vector | None = None
    slip: Slip | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Choice:
    """Where a search ended: the fit, the mark taken for wrong (None: none), squares and dof without it."""

    fit: Fit
    left_out: int | None
    squares: float
    dof: int
    steps: tuple[Step, ...] = ()


def canvas_corners(size_mm: npt.ArrayLike) -> Vector:
    """The four corners (4, 2) of a canvas of ``size_mm`` (2,), clockwise from the top left."""
    width, height = np.asarray(size_mm, dtype=np.float64).reshape(2)
    return np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])


def register_marks(
    nominal_mm: npt.ArrayLike,
    measured_mm: npt.ArrayLike,
    *,
    size_mm: npt.ArrayLike,
    uncertainty_mm: npt.ArrayLike | None = None,
    kinds: Sequence[Kind] = tuple(Kind),
    coverage: float = 0.95,
    limits: Limits | None = None,
) -> Registration | Refusal:
    """The map through marks, (n, 2) each, on a canvas of ``size_mm``, or why there is none.

    ``uncertainty_mm``: standard uncertainty of each coordinate of the marks, one or (n,); None when unknown.
    ``kinds``: what may be chosen; the poorest of them is where the search begins.
    Raises ValueError for arrays of other shapes, uncertainties that are not above 0, and no kinds.
    """
    bounds = Limits() if limits is None else limits
    nominal, measured = np.array(nominal_mm, dtype=np.float64), np.array(measured_mm, dtype=np.float64)
    corners = canvas_corners(size_mm)
    if nominal.shape == measured.shape and nominal.ndim == 2:
        bad = np.flatnonzero(~(np.isfinite(nominal).all(axis=1) & np.isfinite(measured).all(axis=1)))
        if len(bad):
            return Refusal(Reason.NOT_FINITE, tuple(bad.tolist()))
    nominal, measured, weights = checked(nominal, measured, uncertainty_mm)
    order = [kind for kind in Kind if kind in kinds]
    if not order:
        raise ValueError("expected at least one kind of map")
    refusal = _places_refused(nominal, measured, FEWEST[order[0]], bounds)
    if refusal is not None:
        return refusal
    fits = _fits(order, nominal, measured, uncertainty_mm, corners, bounds)
    if not fits:
        return Refusal(Reason.ILL_CONDITIONED, limit=bounds.affine_amplification)
    choice = _search(fits, bounds, blunders=True)
    if cross_determinant(nominal, measured, weights) < 0.0:
        flipped = _fits(order, nominal, measured * MIRROR, uncertainty_mm, corners, bounds)
        mirror = _search(flipped, bounds, blunders=False)
        if choice.left_out is None or not _far_better(choice, mirror, bounds):
            return Refusal(Reason.MIRRORED, fit=choice.fit)
    if choice.left_out is not None:
        return _blunder(choice, nominal, measured, bounds)
    return _judged(choice, fits, corners, coverage, bounds)


def _places_refused(nominal: Vector, measured: Vector, fewest: int, bounds: Limits) -> Refusal | None:
    """What can be said before any fit: too few, in one place, on one line."""
    count = len(nominal)
    if count < fewest:
        return Refusal(Reason.TOO_FEW, tuple(range(count)), float(count), float(fewest))
    for places in (nominal, measured):
        apart = np.linalg.norm(places[:, None] - places[None], axis=2)
        apart[np.arange(count), np.arange(count)] = np.inf
        if apart.min() < bounds.apart_mm:
            pair = np.unravel_index(int(np.argmin(apart)), apart.shape)
            return Refusal(
                Reason.COINCIDENT, tuple(sorted(map(int, pair))), float(apart.min()), bounds.apart_mm
            )
    values = np.linalg.svd(nominal - nominal.mean(axis=0), compute_uv=False)
    share = float(values[1] / values[0])
    if share < bounds.narrow_share:
        return Refusal(Reason.COLLINEAR, tuple(range(count)), share, bounds.narrow_share)
    return None


def _fits(
    order: Sequence[Kind],
    nominal: Vector,
    measured: Vector,
    uncertainty_mm: npt.ArrayLike | None,
    corners: Vector,
    bounds: Limits,
) -> dict[Kind, Fit]:
    """Fits of all kinds that these places can hold; affine only where the marks are well spread."""
    fits: dict[Kind, Fit] = {}
    for kind in order:
        if len(nominal) < FEWEST[kind]:
            continue
        fit = fitted(kind, nominal, measured, uncertainty_mm, least_mm=_least(bounds))
        if kind is not Kind.AFFINE or fit.amplification(corners) <= bounds.affine_amplification:
            fits[kind] = fit
    return fits


def _least(bounds: Limits) -> float:
    return bounds.reading_mm / float(np.sqrt(12.0))


def _chance(drop: float, extra: int, squares: float, dof: int, *, known: bool, least_mm: float) -> float:
    """Chance that ``extra`` useless numbers take ``drop`` off the sum of squares, leaving ``squares`` on ``dof``."""
    if dof < 1 or not np.isfinite(squares):
        return 1.0
    if known:
        return float(stats.chi2.sf(max(drop, 0.0), extra))
    variance = max(squares / dof, least_mm**2)
    return float(stats.f.sf(max(drop, 0.0) / extra / variance, extra, dof))


def _search(fits: Mapping[Kind, Fit], bounds: Limits, *, blunders: bool) -> _Choice:
    """Climb from the poorest kind as the module's header says."""
    kinds = list(fits)
    fit = fits[kinds[0]]
    here = _Choice(fit, None, fit.squares, fit.dof)
    while True:
        rivals: list[tuple[float, _Choice]] = []
        for kind in kinds[kinds.index(here.fit.kind) + 1 :]:
            other = fits[kind]
            extra = PARAMETERS[kind] - PARAMETERS[here.fit.kind]
            chance = _chance(
                here.squares - other.squares,
                extra,
                other.squares,
                other.dof,
                known=other.known,
                least_mm=_least(bounds),
            )
            rivals.append((chance, _Choice(other, None, other.squares, other.dof)))
        if blunders:
            chances = mark_chances(here.fit, bounds)
            row = _likeliest_wrong(here, bounds)
            if row is not None:
                squares = float(here.fit.deleted_squares[row])
                rivals.append((float(chances[row]), _Choice(here.fit, row, squares, here.dof - 2)))
        rivals = [
            (chance, taken)
            for chance, taken in rivals
            if chance < (bounds.alpha if taken.left_out is None else bounds.blunder_alpha)
        ]
        if not rivals:
            return here
        chance, taken = min(rivals, key=lambda rival: _rank(here, *rival))
        step = Step(taken.fit.kind, taken.left_out, chance)
        here = _Choice(taken.fit, taken.left_out, taken.squares, taken.dof, (*here.steps, step))
        if here.left_out is not None:
            return here


def _rank(here: _Choice, chance: float, taken: _Choice) -> tuple[float, float]:
    """Order of rivals: logarithm of the chance, then the variance left. Chances of chi-squared may be too small to
    hold: then the leading term of the incomplete gamma function for large arguments (NIST DLMF 8.11; from memory)."""
    left = taken.squares / max(taken.dof, 1)
    if chance > 0.0 or not taken.fit.known:
        return (float(np.log(chance)) if chance > 0.0 else -np.inf, left)
    half = 0.5 * (here.dof - taken.dof)
    at = 0.5 * (here.squares - taken.squares)
    return float((half - 1.0) * np.log(at) - at - special.gammaln(half)), left


def _likeliest_wrong(here: _Choice, bounds: Limits) -> int | None:
    """The one mark that could be what is wrong: far off, and of known uncertainties the others agree without it."""
    fit, dof = here.fit, here.dof - 2
    if dof < 1 or not np.isfinite(fit.deleted_squares).any():
        return None
    row = int(np.nanargmin(fit.deleted_squares))
    if np.hypot(*fit.deleted_residuals_mm[row]) < bounds.blunder_mm:
        return None
    if fit.known and stats.chi2.sf(fit.deleted_squares[row], dof) < bounds.misfit:
        return None
    return row


def mark_chances(fit: Fit, limits: Limits | None = None) -> Vector:
    """Chance (n,) that a mark is so far from what the others say, times n (Bonferroni); nan where they cannot say."""
    bounds = Limits() if limits is None else limits
    count = len(fit.residuals_mm)
    dof = fit.dof - 2
    found = np.full(count, np.nan)
    if dof < 1:
        return found
    for row in np.flatnonzero(np.isfinite(fit.deleted_squares)):
        squares = float(fit.deleted_squares[row])
        single = _chance(fit.squares - squares, 2, squares, dof, known=fit.known, least_mm=_least(bounds))
        found[row] = min(1.0, count * single)
    return found


def _far_better(blunder: _Choice, mirror: _Choice, bounds: Limits) -> bool:
    """Whether one wrong mark explains what a mirror leaves over: the ratio of their variances is beyond chance."""
    floor = 1e-12 if blunder.fit.known else _least(bounds) ** 2
    ratio = max(mirror.squares / mirror.dof, floor) / max(blunder.squares / blunder.dof, floor)
    return bool(stats.f.sf(ratio, mirror.dof, blunder.dof) < bounds.alpha)


def _blunder(choice: _Choice, nominal: Vector, measured: Vector, bounds: Limits) -> Refusal:
    """Name the mark, or all that could be it: leaving them out is not clearly worse than leaving out the best."""
    fit, worst = choice.fit, choice.left_out
    assert worst is not None
    squares = fit.deleted_squares
    if fit.known:
        alike = squares - squares[worst] <= stats.chi2.isf(bounds.alpha, 2)
    else:
        floor = choice.dof * _least(bounds) ** 2
        ratio = np.maximum(squares, floor) / max(float(squares[worst]), floor)
        alike = ratio <= stats.f.isf(bounds.alpha, choice.dof, choice.dof)
    order = np.argsort(squares, kind="stable")
    marks = tuple(int(row) for row in order if alike[row])
    off = fit.deleted_residuals_mm[worst]
    others = measured[worst] - off
    return Refusal(
        Reason.BLUNDER,
        marks,
        found=float(np.hypot(*off)),
        limit=bounds.blunder_alpha,
        fit=fit,
        others_mm=others,
        off_mm=off,
        slip=_slip(choice, measured[worst] - nominal[worst], others - nominal[worst], bounds),
    )


def _slip(choice: _Choice, offset: Vector, expected: Vector, bounds: Limits) -> Slip:
    """Which typing error turns ``offset`` into what the others expect, within what marks are off by."""
    fit, row = choice.fit, choice.left_out
    assert row is not None
    misses = {slip: float(np.hypot(*(turn @ offset - expected))) for slip, turn in _SLIPS.items()}
    # A wrong sign is the likelier error where both would do.
    for slips in (SIGNS, [Slip.SWAPPED]):
        best = min(slips, key=lambda slip: misses[slip])
        # A deleted residual's variance is that of the mark over 1 - leverage.
        drop = float(fit.weights[row] * (1.0 - fit.leverages[row])) * misses[best] ** 2
        chance = _chance(drop, 2, choice.squares, choice.dof, known=fit.known, least_mm=_least(bounds))
        if chance > bounds.misfit:
            return best
    return Slip.UNKNOWN


def _judged(
    choice: _Choice, fits: Mapping[Kind, Fit], corners: Vector, coverage: float, bounds: Limits
) -> Registration | Refusal:
    """Hold the chosen map to the limits."""
    fit = choice.fit
    linear = fit.matrix[:, :2]
    if not np.linalg.det(linear) > 0.0:
        return Refusal(Reason.MIRRORED, fit=fit)
    amplified = fit.amplification(corners)
    if amplified > bounds.amplification:
        return Refusal(Reason.ILL_CONDITIONED, found=amplified, limit=bounds.amplification, fit=fit)
    fit_chance = float(stats.chi2.sf(fit.squares, fit.dof)) if fit.known else float("nan")
    if fit_chance < bounds.misfit:
        return Refusal(Reason.MISFIT, found=fit_chance, limit=bounds.misfit, fit=fit)
    left, values, right = np.linalg.svd(linear)
    turn = left @ right
    turn_deg = float(np.degrees(np.arctan2(turn[1, 0], turn[0, 0])))
    stretch = (values - 1.0) * 1e3
    if np.abs(stretch).max() > bounds.stretch_mm_m:
        worst = float(stretch[np.argmax(np.abs(stretch))])
        return Refusal(Reason.STRETCH, found=worst, limit=bounds.stretch_mm_m, fit=fit)
    if abs(turn_deg) > bounds.turn_deg:
        return Refusal(Reason.TURN, found=turn_deg, limit=bounds.turn_deg, fit=fit)
    middle = corners.mean(axis=0)
    here = mapped(fit.matrix, corners)
    richer = [other for kind, other in fits.items() if PARAMETERS[kind] > PARAMETERS[fit.kind]]
    doubt = np.max([np.hypot(*(mapped(other.matrix, corners) - here).T) for other in (fit, *richer)], axis=0)
    return Registration(
        fit=fit,
        steps=choice.steps,
        coverage=coverage,
        corners_mm=corners,
        corner_radius_mm=fit.radius_mm(corners, coverage) + doubt,
        doubt_mm=doubt,
        everywhere_mm=fit.everywhere_mm(corners, coverage) + float(doubt.max()),
        mark_chances=mark_chances(fit, bounds),
        fit_chance=fit_chance,
        shift_mm=mapped(fit.matrix, middle) - middle,
        turn_deg=turn_deg,
        stretch_mm_m=stretch,
    )
