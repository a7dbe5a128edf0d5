"""Least-squares maps through marks: rigid, similarity, affine, each with what it leaves over and how sure it is.

Owns the fits and their algebra; decides nothing (controller/register/marks.py does). Knows no machine and no file.

A map is an array (2, 3): (x, y) goes to M (x, y, 1), the form of the registration in controller/motion/geometry.py.
``nominal`` is where the artwork says that a mark is, ``measured`` where it was found, both canvas mm, x right, y down.
All error is taken to be in ``measured``: normal, independent, of one standard uncertainty for both coordinates of a
mark. Rotation and scale are those of S. Umeyama, IEEE PAMI 13 (1991): from the singular values of the weighted cross
products, never a mirror. Deletion of one mark is in closed form: rigid and similarity by taking its products out of
the sums, affine by the leverage formula of linear regression.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
import numpy.typing as npt
from scipy import stats

Vector = npt.NDArray[np.float64]

TURN = np.array([[0.0, -1.0], [1.0, 0.0]])
"""A quarter turn from x towards y."""

HELD_MAX = 1.0 - 1e-9
"""A mark of more leverage than this is what holds the map: nothing can be said of it from the others."""


class Kind(Enum):
    """What a map may do; each can do what the one before can."""

    RIGID = "rigid"
    SIMILARITY = "similarity"
    AFFINE = "affine"


PARAMETERS = {Kind.RIGID: 3, Kind.SIMILARITY: 4, Kind.AFFINE: 6}
"""Free numbers of each kind."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """One map through n marks.

    matrix: (2, 3). residuals_mm: (n, 2), measured less mapped. leverages: (n,), the share of a mark's error that the
    map follows, mean over both coordinates; their sum is half the number of parameters.
    deleted_residuals_mm: (n, 2), measured less what the map through the *other* marks says; nan where they do not
    hold a map. deleted_squares: (n,), sum of weighted squares of that map over the others, nan likewise.
    squares: sum of weighted squares, mm² with equal weights, without unit with known uncertainties.
    dof: 2 n - parameters. known: whether uncertainties were given. variance: 1 when known, else squares / dof but not
    less than the stated floor. weights: (n,), 1 / uncertainty² where known, else 1. cofactor: (6, 6), covariance of the
    matrix' entries, row by row, for unit variance.
    """

    kind: Kind
    matrix: Vector
    residuals_mm: Vector
    leverages: Vector
    deleted_residuals_mm: Vector
    deleted_squares: Vector
    squares: float
    dof: int
    known: bool
    variance: float
    weights: Vector
    cofactor: Vector

    @property
    def covariance(self) -> Vector:
        """Covariance (6, 6) of the matrix' entries, row by row; lengths in mm."""
        found: Vector = self.variance * self.cofactor
        return found

    @property
    def mark_mm(self) -> float:
        """Standard uncertainty of a mark: what all would have for the same sum of weights."""
        return float(np.sqrt(self.variance / self.weights.mean()))

    @property
    def rms_mm(self) -> float:
        """Root mean square of the distances left over, unweighted."""
        return float(np.sqrt(np.mean(np.einsum("ij,ij->i", self.residuals_mm, self.residuals_mm))))

    def covariance_at(self, points_mm: npt.ArrayLike) -> Vector:
        """Covariance (k, 2, 2), mm², of where the map puts ``points_mm`` (k, 2)."""
        found: Vector = self.variance * self._cofactor_at(points_mm)
        return found

    def radius_mm(self, points_mm: npt.ArrayLike, coverage: float) -> Vector:
        """Radius (k,) of a disc that holds the true place of each point with at least ``coverage``, each by itself.

        It is the long half axis of the ellipse that holds it with just ``coverage``: chi-squared of 2 with known
        uncertainties, F of (2, dof) else. Exact for similarity and affine, to first order in the angle for rigid.
        """
        if not 0.0 < coverage < 1.0:
            raise ValueError(f"expected a coverage between 0 and 1, got {coverage}")
        factor = stats.chi2.ppf(coverage, 2) if self.known else 2.0 * stats.f.ppf(coverage, 2, self.dof)
        longest = np.linalg.eigvalsh(self.covariance_at(points_mm))[:, 1]
        radius: Vector = np.sqrt(float(factor) * np.maximum(longest, 0.0))
        return radius

    def everywhere_mm(self, points_mm: npt.ArrayLike, coverage: float) -> float:
        """Radius that holds the error of *all* places between ``points_mm`` (k, 2) at once (Scheffé's bound).

        The variance in any direction is convex in the place, so that no place between points has more than they.
        """
        count = PARAMETERS[self.kind]
        factor = (
            stats.chi2.ppf(coverage, count) if self.known else count * stats.f.ppf(coverage, count, self.dof)
        )
        longest = np.linalg.eigvalsh(self.covariance_at(points_mm))[:, 1].max()
        return float(np.sqrt(float(factor) * max(longest, 0.0)))

    def amplification(self, points_mm: npt.ArrayLike) -> float:
        """Standard uncertainty of the least sure of ``points_mm`` over that of a mark: a matter of places alone."""
        longest = np.linalg.eigvalsh(self._cofactor_at(points_mm))[:, 1].max()
        return float(np.sqrt(max(longest, 0.0) * self.weights.mean()))

    def _cofactor_at(self, points_mm: npt.ArrayLike) -> Vector:
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        rows = np.zeros((len(points), 2, 6))
        rows[:, 0, :2] = rows[:, 1, 3:5] = points
        rows[:, 0, 2] = rows[:, 1, 5] = 1.0
        found: Vector = rows @ self.cofactor @ rows.transpose(0, 2, 1)
        return found


def mapped(matrix: npt.ArrayLike, points_mm: npt.ArrayLike) -> Vector:
    """``points_mm`` (..., 2) through a map (2, 3)."""
    move = np.asarray(matrix, dtype=np.float64)
    out: Vector = np.asarray(points_mm, dtype=np.float64) @ move[:, :2].T + move[:, 2]
    return out


def inverse(matrix: npt.ArrayLike) -> Vector:
    """The map back (2, 3), in closed form. Raises ValueError when there is none."""
    (a, b, e), (c, d, f) = np.asarray(matrix, dtype=np.float64)
    area = a * d - b * c
    if not (np.isfinite(area) and area != 0.0):
        raise ValueError("expected a map that does not flatten, got one without an inverse")
    back: Vector = np.array([[d, -b, b * f - d * e], [-c, a, c * e - a * f]]) / area
    return back


def composed(outer: npt.ArrayLike, inner: npt.ArrayLike) -> Vector:
    """The map (2, 3) that goes through ``inner`` first, then ``outer``."""
    last, first = np.asarray(outer, dtype=np.float64), np.asarray(inner, dtype=np.float64)
    out: Vector = last[:, :2] @ first
    out[:, 2] += last[:, 2]
    return out


def fitted(
    kind: Kind,
    nominal_mm: npt.ArrayLike,
    measured_mm: npt.ArrayLike,
    uncertainty_mm: npt.ArrayLike | None = None,
    *,
    least_mm: float = 0.0,
) -> Fit:
    """The map of ``kind`` with the least sum of weighted squares from nominal to measured, (n, 2) each.

    ``uncertainty_mm``: standard uncertainty of each coordinate, one for all or (n,), taken for known. None: equal and
    unknown, estimated from what is left over, but as no less than ``least_mm``.
    Raises ValueError for arrays that do not match, are not finite, or hold no map of this kind (no more
    coordinates than parameters, marks in one place, for affine on one line).
    """
    nominal, measured, weights = checked(nominal_mm, measured_mm, uncertainty_mm)
    count = len(nominal)
    dof = 2 * count - PARAMETERS[kind]
    if dof < 1:
        raise ValueError(f"expected more marks for a {kind.value} fit, got {count}")
    total = float(weights.sum())
    middle, onto = weights @ nominal / total, weights @ measured / total
    x, y = nominal - middle, measured - onto
    spread = _spread(x, weights, flat=kind is not Kind.AFFINE)
    if kind is Kind.AFFINE:
        linear = _affine(x, y, weights)
    else:
        products = np.einsum("n,ni,nj->ij", weights, y, x)
        linear = _turned(kind, products, float(np.trace(spread)))
    residuals = y - x @ linear.T
    squares = float(weights @ np.einsum("ij,ij->i", residuals, residuals))
    known = uncertainty_mm is not None
    variance = 1.0 if known else max(squares / dof, least_mm**2)
    leverages = weights / total + weights * _own(kind, x, spread)
    maps = _deleted(kind, x, y, weights, linear, residuals, leverages)
    # Every map without a mark, at every mark, in centred places.
    left = y[None] - np.einsum("kij,nj->kni", maps[:, :, :2], x) - maps[:, None, :, 2]
    own = np.arange(count)
    by_mark = np.einsum("n,kni,kni->kn", weights, left, left)
    by_mark[own, own] = 0.0
    return Fit(
        kind=kind,
        matrix=np.column_stack([linear, onto - linear @ middle]),
        residuals_mm=residuals,
        leverages=leverages,
        deleted_residuals_mm=left[own, own],
        deleted_squares=np.where(np.isfinite(maps[:, 0, 0]), by_mark.sum(axis=1), np.nan),
        squares=squares,
        dof=dof,
        known=known,
        variance=variance,
        weights=weights,
        cofactor=_cofactor(kind, linear, spread, total, middle),
    )


def checked(
    nominal_mm: npt.ArrayLike, measured_mm: npt.ArrayLike, uncertainty_mm: npt.ArrayLike | None
) -> tuple[Vector, Vector, Vector]:
    """Nominal and measured (n, 2) and weights (n,), 1 / uncertainty² or 1. Raises ValueError when they do not fit."""
    nominal = np.array(nominal_mm, dtype=np.float64)
    measured = np.array(measured_mm, dtype=np.float64)
    if nominal.ndim != 2 or nominal.shape[1:] != (2,) or nominal.shape != measured.shape:
        raise ValueError(f"expected two arrays (n, 2), got {nominal.shape} and {measured.shape}")
    if not (np.isfinite(nominal).all() and np.isfinite(measured).all()):
        raise ValueError("expected places of finite numbers")
    if uncertainty_mm is None:
        return nominal, measured, np.ones(len(nominal))
    sigma = np.broadcast_to(np.asarray(uncertainty_mm, dtype=np.float64), (len(nominal),))
    if not (np.isfinite(sigma).all() and (sigma > 0).all()):
        raise ValueError("expected uncertainties above 0")
    return nominal, measured, 1.0 / sigma**2


def cross_determinant(nominal: Vector, measured: Vector, weights: Vector) -> float:
    """Below zero when a mirror would fit the marks better than any rotation (Umeyama's condition)."""
    total = weights.sum()
    x, y = nominal - weights @ nominal / total, measured - weights @ measured / total
    return float(np.linalg.det(np.einsum("n,ni,nj->ij", weights, y, x)))


def _spread(x: Vector, weights: Vector, *, flat: bool) -> Vector:
    """Second moments (2, 2) of centred places; refused when they hold no turn (or, unless ``flat``, lie on a line)."""
    moments: Vector = np.einsum("n,ni,nj->ij", weights, x, x)
    least, most = np.linalg.eigvalsh(moments)
    if not most > 0.0:
        raise ValueError("expected marks at different places, got all in one")
    if not flat and least <= 1e-12 * most:
        raise ValueError("expected marks that do not lie on one line")
    return moments


def _turned(kind: Kind, products: Vector, spread: npt.ArrayLike) -> Vector:
    """Linear parts (..., 2, 2) from cross products (..., 2, 2) and sums of squares (...)."""
    left, values, right = np.linalg.svd(products)
    sign = np.where(np.linalg.det(left) * np.linalg.det(right) < 0.0, -1.0, 1.0)
    left[..., :, 1] *= sign[..., None]
    linear: Vector = left @ right
    if kind is Kind.SIMILARITY:
        scale = (values[..., 0] + sign * values[..., 1]) / np.asarray(spread)
        linear = linear * scale[..., None, None]
    return linear


def _affine(x: Vector, y: Vector, weights: Vector) -> Vector:
    root = np.sqrt(weights)[:, None]
    q, r = np.linalg.qr(root * x)
    linear: Vector = np.linalg.solve(r, q.T @ (root * y)).T
    return linear


def _own(kind: Kind, x: Vector, spread: Vector) -> Vector:
    """Leverage (n,) of centred places without their mean's part, for unit weight, mean over both coordinates."""
    if kind is Kind.AFFINE:
        own: Vector = np.einsum("ni,ij,nj->n", x, np.linalg.inv(spread), x)
        return own
    far: Vector = np.einsum("ni,ni->n", x, x) / np.trace(spread)
    # A turn moves a mark across its arm only: one of its two coordinates.
    return 0.5 * far if kind is Kind.RIGID else far


def _deleted(
    kind: Kind,
    x: Vector,
    y: Vector,
    weights: Vector,
    linear: Vector,
    residuals: Vector,
    leverages: Vector,
) -> Vector:
    """Maps (n, 2, 3) through all marks but one, in centred places; nan where the others do not hold one."""
    total = weights.sum()
    maps = np.full((len(x), 2, 3), np.nan)
    if kind is Kind.AFFINE:
        held = leverages < HELD_MAX
        w, e, at, h = weights[held], residuals[held], x[held], leverages[held]
        toward = at @ np.linalg.inv(np.einsum("n,ni,nj->ij", weights, x, x))
        step = (w / (1.0 - h))[:, None] * e
        maps[held, :, :2] = linear - step[:, :, None] * toward[:, None, :]
        maps[held, :, 2] = -step / total
        return maps
    rest = total - weights
    gone = weights * total / rest
    squares = np.einsum("n,ni,ni->", weights, x, x) - gone * np.einsum("ni,ni->n", x, x)
    products = np.einsum("n,ni,nj->ij", weights, y, x) - gone[:, None, None] * y[:, :, None] * x[:, None, :]
    held = squares > (1.0 - HELD_MAX) * np.einsum("n,ni,ni->", weights, x, x)
    turned = _turned(kind, products[held], squares[held])
    shift = (weights / rest)[held, None]
    maps[held, :, :2] = turned
    maps[held, :, 2] = -shift * y[held] + np.einsum("nij,nj->ni", turned, shift * x[held])
    return maps


def _cofactor(kind: Kind, linear: Vector, spread: Vector, total: float, middle: Vector) -> Vector:
    """Covariance (6, 6) of the matrix' entries for unit variance: of the centred map, carried to the corner."""
    centred = np.zeros((6, 6))
    centred[2, 2] = centred[5, 5] = 1.0 / total
    if kind is Kind.AFFINE:
        centred[:2, :2] = centred[3:5, 3:5] = np.linalg.inv(spread)
    else:
        ways = [linear @ TURN] if kind is Kind.RIGID else [np.eye(2), TURN]
        for way in ways:
            entries = np.insert(way, 2, 0.0, axis=1).reshape(6)
            centred += np.outer(entries, entries) / np.trace(spread)
    carry = np.eye(6)
    carry[2, :2] = carry[5, 3:5] = -middle
    cofactor: Vector = carry @ centred @ carry.T
    return cofactor
