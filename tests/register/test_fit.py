"""Least-squares maps against published examples, independent solvers, closed forms, and seeded runs."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, spatial
from scipy.spatial.transform import Rotation

from controller.config.machine import Machine
from controller.config.plane import Plane
from controller.motion.geometry import GeometryMap
from controller.register.fit import (
    PARAMETERS,
    Fit,
    Kind,
    composed,
    cross_determinant,
    fitted,
    inverse,
    mapped,
)

CORNERS = np.array([[0.0, 0.0], [4000.0, 0.0], [4000.0, 2700.0], [0.0, 2700.0]])
NOISE = np.array([[0.12, -0.05], [-0.08, 0.10], [0.03, -0.11], [-0.09, 0.07]])
SCATTERED = np.array([[120.0, 80.0], [2900.0, 60.0], [2700.0, 1800.0], [90.0, 1750.0], [1600.0, 900.0]])


def turned(degrees: float, scale: float = 1.0, shift=(0.0, 0.0)):
    """A similarity (2, 3)."""
    angle = np.radians(degrees)
    cosine, sine = scale * np.cos(angle), scale * np.sin(angle)
    return np.array([[cosine, -sine, shift[0]], [sine, cosine, shift[1]]])


TRUE = turned(0.35, 1.0004, (12.5, -7.25))


def uneven(seed: int = 5, count: int = 5):
    """Marks of unequal uncertainty around a map that is not quite a similarity: (nominal, measured, sigma)."""
    rng = np.random.default_rng(seed)
    nominal = np.vstack([SCATTERED, rng.uniform(0, 2000, (count, 2))])[:count]
    sigma = rng.uniform(0.05, 0.4, count)
    bent = mapped(TRUE, nominal) + nominal @ np.array([[2e-4, 0], [1e-4, -3e-4]])
    return nominal, bent + sigma[:, None] * rng.normal(size=(count, 2)), sigma


def test_umeyamas_example() -> None:
    """S. Umeyama, IEEE PAMI 13 (1991): the triangle with a mirrored image keeps a rotation (example from memory)."""
    fit = fitted(Kind.SIMILARITY, [(0, 0), (1, 0), (0, 2)], [(0, 0), (-1, 0), (0, 2)])
    assert fit.matrix == pytest.approx(turned(-33.69006753, 0.7211102551, (-0.8, 0.4)), abs=1e-9)
    assert fit.squares / 3 == pytest.approx(0.5333333333)


def test_marks_of_a_large_canvas() -> None:
    """Exact similarity: found exactly; the rigid map leaves 0.96519428 mm rms (computed by two other solvers)."""
    measured = mapped(TRUE, CORNERS)
    assert fitted(Kind.SIMILARITY, CORNERS, measured).matrix == pytest.approx(TRUE, abs=1e-9)
    assert fitted(Kind.RIGID, CORNERS, measured).rms_mm == pytest.approx(0.96519428, abs=1e-8)


def test_marks_with_noise() -> None:
    """Similarity (computed with scikit-image's estimate) and affine map (numpy's lstsq) of the same noisy marks."""
    measured = mapped(TRUE, CORNERS) + NOISE
    fit = fitted(Kind.SIMILARITY, CORNERS, measured)
    assert fit.matrix == pytest.approx(turned(0.35018866, 1.0003879332, (12.52352082, -7.23762344)), abs=1e-7)
    assert fit.rms_mm == pytest.approx(0.11782515, abs=1e-8)
    assert np.hypot(*fit.residuals_mm.T).max() == pytest.approx(0.13832914, abs=1e-8)
    affine = fitted(Kind.AFFINE, CORNERS, measured)
    expected = [[1.00037133, -0.00612958, 12.54], [0.00610731, 1.00036467, -7.2175]]
    assert affine.matrix == pytest.approx(np.array(expected), abs=1e-8)
    assert (affine.residuals_mm**2).sum(axis=0) == pytest.approx([0.0256, 0.027225])


def test_mirrored_marks_stay_a_rotation() -> None:
    """A mirrored rectangle: half a turn, scale 0.6, 44.72136 mm rms (scikit-image); the determinant tells."""
    nominal = np.array([[0.0, 0.0], [100, 0], [100, 50], [0, 50]])
    measured = nominal * [-1, 1]
    fit = fitted(Kind.SIMILARITY, nominal, measured)
    assert fit.matrix[:, :2] == pytest.approx(-0.6 * np.eye(2))
    assert fit.rms_mm == pytest.approx(44.72136, abs=1e-5)
    assert (
        cross_determinant(nominal, measured, np.ones(4)) < 0 < cross_determinant(nominal, nominal, np.ones(4))
    )


def test_affine_against_lstsq() -> None:
    """Weighted affine map, its covariance and leverages: those of numpy's lstsq and of the hat matrix."""
    nominal, measured, sigma = uneven()
    fit = fitted(Kind.AFFINE, nominal, measured, sigma)
    design = np.column_stack([nominal, np.ones(5)])
    rows = design / sigma[:, None]
    expected = np.linalg.lstsq(rows, measured / sigma[:, None], rcond=None)[0].T
    assert fit.matrix == pytest.approx(expected, abs=1e-7)
    one = np.linalg.inv(rows.T @ rows)
    assert fit.covariance == pytest.approx(np.kron(np.eye(2), one), rel=1e-6, abs=1e-15)
    assert fit.leverages == pytest.approx(np.diag(rows @ one @ rows.T))


def test_rigid_against_scipy() -> None:
    """Weighted rigid map: angle by scipy's align_vectors, map and covariance by least_squares and its Jacobian."""
    nominal, measured, sigma = uneven()
    fit = fitted(Kind.RIGID, nominal, measured, sigma)
    weights = 1 / sigma**2
    flat = [np.column_stack([p - weights @ p / weights.sum(), np.zeros(5)]) for p in (nominal, measured)]
    found, _ = Rotation.align_vectors(flat[1], flat[0], weights=weights)
    assert fit.matrix[:, :2] == pytest.approx(found.as_matrix()[:2, :2], abs=1e-9)

    def left(numbers):
        return (
            (measured - mapped(turned(np.degrees(numbers[0]), 1, numbers[1:]), nominal)) / sigma[:, None]
        ).ravel()

    solved = optimize.least_squares(
        left, [0.0, 0.0, 0.0], x_scale=[1e-3, 1, 1], xtol=1e-15, ftol=1e-15, gtol=1e-15
    )
    expected = turned(np.degrees(solved.x[0]), 1, solved.x[1:])
    assert fit.matrix == pytest.approx(expected, abs=1e-6)
    assert fit.squares == pytest.approx(2 * solved.cost)
    by_numbers = np.linalg.inv(solved.jac.T @ solved.jac)
    angle = solved.x[0]
    jacobian = np.zeros((6, 3))
    jacobian[[0, 1, 3, 4], 0] = [-np.sin(angle), -np.cos(angle), np.cos(angle), -np.sin(angle)]
    jacobian[2, 1] = jacobian[5, 2] = 1
    assert fit.covariance == pytest.approx(jacobian @ by_numbers @ jacobian.T, rel=1e-4, abs=1e-12)


def test_similarity_against_procrustes() -> None:
    """scipy's procrustes: its disparity is what the similarity leaves over the spread of the measured places."""
    nominal, measured, _ = uneven()
    fit = fitted(Kind.SIMILARITY, nominal, measured)
    _, _, disparity = spatial.procrustes(measured, nominal)
    assert fit.squares / ((measured - measured.mean(axis=0)) ** 2).sum() == pytest.approx(disparity, rel=1e-6)


@pytest.mark.parametrize("kind", list(Kind))
def test_leverage_is_how_far_the_map_follows_a_mark(kind: Kind) -> None:
    """Leverages add up to half the parameters, and are the mean share of a small move that the map follows."""
    nominal, measured, sigma = uneven()
    fit = fitted(kind, nominal, measured, sigma)
    assert fit.leverages.sum() == pytest.approx(PARAMETERS[kind] / 2)
    for row in range(5):
        follows = []
        for axis in range(2):
            moved = measured.copy()
            moved[row, axis] += 1e-3
            other = fitted(kind, nominal, moved, sigma)
            follows.append((fit.residuals_mm - other.residuals_mm)[row, axis] / 1e-3 + 1)
        assert fit.leverages[row] == pytest.approx(np.mean(follows), abs=1e-4)


@pytest.mark.parametrize("kind", list(Kind))
@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize("count", [5, 9])
def test_deletion_in_closed_form_is_a_refit(kind: Kind, weighted: bool, count: int) -> None:
    """Deleted residuals and sums of squares: those of a fit that never saw the mark."""
    nominal, measured, sigma = uneven(count=count)
    given = sigma if weighted else None
    fit = fitted(kind, nominal, measured, given)
    for row in range(count):
        keep = np.arange(count) != row
        other = fitted(kind, nominal[keep], measured[keep], None if given is None else given[keep])
        assert fit.deleted_residuals_mm[row] == pytest.approx(
            measured[row] - mapped(other.matrix, nominal[row]), abs=1e-8
        )
        assert fit.deleted_squares[row] == pytest.approx(other.squares, rel=1e-6, abs=1e-9)


def test_a_mark_that_alone_holds_the_map_has_no_deleted_residual() -> None:
    """Three marks on a line and one beside it: without that one there is no affine map, and nan says so."""
    nominal = np.array([[0.0, 0.0], [1000, 0], [2000, 0], [500, 900]])
    fit = fitted(Kind.AFFINE, nominal, mapped(TRUE, nominal) + NOISE)
    assert fit.leverages[3] == pytest.approx(1)
    assert np.isnan(fit.deleted_residuals_mm[3]).all()
    assert np.isnan(fit.deleted_squares[3])
    assert np.isfinite(fit.deleted_residuals_mm[:3]).all()


def test_variance_of_a_rigid_map_in_closed_form() -> None:
    """σ² (2 / N + d² / Σ r²) at distance d from the centroid: 0.5 σ² there, 0.75 σ² at one of four corners."""
    fit = fitted(Kind.RIGID, CORNERS, CORNERS, 0.1)
    at = fit.covariance_at(np.vstack([CORNERS.mean(axis=0), CORNERS]))
    assert np.trace(at, axis1=1, axis2=2) / 0.01 == pytest.approx([0.5, 0.75, 0.75, 0.75, 0.75])
    assert fit.amplification(CORNERS) == pytest.approx(np.sqrt(0.5))


@pytest.mark.parametrize("kind", list(Kind))
def test_squares_left_over_have_the_right_mean(kind: Kind) -> None:
    """E[sum of squares] = (2 N - p) σ²: 5, 4 and 2 for four marks; 800 seeded runs, within 4 standard errors."""
    rng = np.random.default_rng(11)
    runs, sigma = 800, 0.1
    squares = [
        fitted(kind, CORNERS, CORNERS + rng.normal(0, sigma, (4, 2))).squares / sigma**2 for _ in range(runs)
    ]
    dof = 8 - PARAMETERS[kind]
    assert np.mean(squares) == pytest.approx(dof, abs=4 * np.sqrt(2 * dof / runs))


@pytest.mark.parametrize("kind", list(Kind))
@pytest.mark.parametrize("known", [False, True])
def test_coverage_of_the_stated_uncertainty(kind: Kind, known: bool) -> None:
    """A 95 % disc holds the true place in 95 % of 600 seeded runs (3 standard errors; rigid: at least), at a corner.

    For similarity and affine the disc is exact, for rigid it is drawn around an ellipse. The bound for all places
    at once holds for the four corners together.
    """
    rng = np.random.default_rng(23)
    runs, sigma = 600, 0.15
    marks = SCATTERED
    corners = np.array([[0.0, 0.0], [3000, 0], [3000, 1900], [0, 1900]])
    true = {
        Kind.RIGID: turned(0.2, 1, (3, -2)),
        Kind.SIMILARITY: TRUE,
        Kind.AFFINE: np.array([[1.001, 2e-4, 3.0], [-4e-4, 0.9995, -1.0]]),
    }[kind]
    single = together = 0
    for _ in range(runs):
        fit = fitted(
            kind, marks, mapped(true, marks) + rng.normal(0, sigma, marks.shape), sigma if known else None
        )
        off = np.hypot(*(mapped(fit.matrix, corners) - mapped(true, corners)).T)
        single += off[0] <= fit.radius_mm(corners, 0.95)[0]
        together += off.max() <= fit.everywhere_mm(corners, 0.95)
    error = np.sqrt(0.95 * 0.05 / runs)
    assert single / runs > 0.95 - 3 * error
    assert single / runs < (0.99 if kind is Kind.RIGID else 0.95 + 3 * error)
    assert together / runs > 0.95 - 3 * error


def test_uncertainty_between_the_corners_is_no_larger() -> None:
    """No place inside the canvas is less sure than its least sure corner."""
    nominal, measured, sigma = uneven()
    corners = np.array([[0.0, 0.0], [3000, 0], [3000, 1900], [0, 1900]])
    inside = np.random.default_rng(2).uniform(0, 1, (200, 2)) * [3000, 1900]
    for kind in Kind:
        fit = fitted(kind, nominal, measured, sigma)
        assert fit.radius_mm(inside, 0.9).max() <= fit.radius_mm(corners, 0.9).max()


def test_the_map_is_a_registration_of_motion() -> None:
    """Motion takes the matrix as it is: same form, same frame, and its inverse is the one that motion makes."""
    matrix = fitted(Kind.AFFINE, *uneven()[:2]).matrix
    geometry = GeometryMap.made(Plane(), origin_mm=(200, 150), size_mm=(3000, 1900), registration=matrix)
    points = np.random.default_rng(1).uniform(0, 1900, (50, 2))
    assert geometry.to_axes(points) - [200, 150] == pytest.approx(mapped(matrix, points), abs=1e-9)
    assert geometry.to_canvas(np.add(points, [200, 150])) == pytest.approx(
        mapped(inverse(matrix), points), abs=1e-9
    )


def test_a_map_after_an_earlier_one(machine_of_the_demo: Machine) -> None:
    """Marks found under one registration and fitted: the composed map leads the head to where the marks were found."""
    earlier = turned(0.1, 1.0002, (1.5, -0.5))
    in_force = GeometryMap.of(machine_of_the_demo, earlier)
    nominal = SCATTERED
    # The canvas has slipped since: the marks are elsewhere, and the head is steered on to them.
    head_mm = GeometryMap.of(machine_of_the_demo, turned(0.13, 1.0002, (2.25, -1.5))).to_axes(nominal)
    found = in_force.to_canvas(head_mm)
    matrix = composed(earlier, fitted(Kind.RIGID, nominal, found).matrix)
    assert GeometryMap.of(machine_of_the_demo, matrix).to_axes(nominal) == pytest.approx(head_mm, abs=1e-6)


@pytest.fixture
def machine_of_the_demo() -> Machine:
    file = Path(__file__).parents[2] / "configs" / "machines" / "boathouse.toml"
    return Machine.model_validate(tomllib.loads(file.read_text()))


@pytest.mark.parametrize(
    ("kind", "nominal", "measured", "sigma"),
    [
        (Kind.SIMILARITY, [(0, 0), (1, 0)], [(0, 0), (1, 0)], None),
        (Kind.AFFINE, [(0, 0), (1, 0), (0, 1)], [(0, 0), (1, 0), (0, 1)], None),
        (Kind.AFFINE, [(0, 0), (1, 1), (2, 2), (3, 3)], [(0, 0), (1, 1), (2, 2), (3, 3)], None),
        (Kind.RIGID, [(5, 5)] * 3, [(0, 0), (1, 0), (0, 1)], None),
        (Kind.RIGID, [(0, 0), (1, 0)], [(0, 0), (1, 0), (2, 0)], None),
        (Kind.RIGID, [(0, 0, 0)] * 3, [(0, 0, 0)] * 3, None),
        (Kind.RIGID, [(0, 0), (1, 0), (np.nan, 1)], [(0, 0), (1, 0), (0, 1)], None),
        (Kind.RIGID, [(0, 0), (1, 0), (0, 1)], [(0, 0), (1, 0), (0, 1)], 0.0),
        (Kind.RIGID, [(0, 0), (1, 0), (0, 1)], [(0, 0), (1, 0), (0, 1)], [0.1, 0.1]),
    ],
)
def test_what_holds_no_map_is_misuse(kind: Kind, nominal, measured, sigma) -> None:
    """Arrays that do not match, are not finite or hold no map of the kind raise and name what was expected."""
    with pytest.raises(ValueError, match=r"expected|broadcast"):
        fitted(kind, nominal, measured, sigma)


def test_inverse_and_coverage_refuse_nonsense() -> None:
    """A flat map has no inverse, and a coverage is a share."""
    with pytest.raises(ValueError, match="flatten"):
        inverse([[1, 2, 0], [2, 4, 0]])
    fit: Fit = fitted(Kind.RIGID, CORNERS, CORNERS, 0.1)
    for coverage in (0.0, 1.0, 95.0):
        with pytest.raises(ValueError, match="between 0 and 1"):
            fit.radius_mm(CORNERS, coverage)
