"""Laws of the fits over generated maps, marks and frames."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.register.fit import Kind, composed, fitted, inverse, mapped

real = st.floats(-1, 1)
angle = st.floats(-np.pi, np.pi)


@st.composite
def similarities(draw, *, scaled: bool = True):
    """A similarity (2, 3) that may turn all round and go a few metres."""
    turn, scale = draw(angle), draw(st.floats(0.5, 2)) if scaled else 1.0
    cosine, sine = scale * np.cos(turn), scale * np.sin(turn)
    return np.array([[cosine, -sine, 3000 * draw(real)], [sine, cosine, 3000 * draw(real)]])


@st.composite
def affines(draw):
    """A map that neither mirrors nor comes near to flattening: rotation, stretch 0.5 to 2, rotation."""
    first, last = draw(similarities(scaled=False)), draw(similarities(scaled=False))
    stretch = np.array([[draw(st.floats(0.5, 2)), 0, 0], [0, draw(st.floats(0.5, 2)), 0]])
    return composed(last, composed(stretch, first))


@st.composite
def marks(draw, least: int = 4):
    """Marks (n, 2) on a canvas of 3 m x 2 m: one in each quarter, and some anywhere."""
    quarter = np.array([[0.0, 0.0], [1, 0], [1, 1], [0, 1]])
    inner = np.array([[draw(st.floats(0.05, 0.35)), draw(st.floats(0.05, 0.35))] for _ in range(4)])
    places = quarter + inner * np.where(quarter > 0, -1, 1)
    more = [(draw(st.floats(0, 1)), draw(st.floats(0, 1))) for _ in range(draw(st.integers(0, 4)))]
    return np.vstack([places, np.reshape(more, (-1, 2))])[: max(least, 4 + len(more))] * [3000, 2000]


def noise(count: int, seed: int):
    return np.random.default_rng(seed).normal(0, 0.2, (count, 2))


seeds = st.integers(0, 2**32 - 1)


@given(marks(), similarities(scaled=False), similarities(), affines())
def test_a_known_map_is_found(nominal, rigid, similarity, affine) -> None:
    """Marks that lie exactly where a map of its kind puts them give back that map, and nothing is left over."""
    for kind, true in zip(Kind, (rigid, similarity, affine), strict=True):
        fit = fitted(kind, nominal, mapped(true, nominal))
        assert fit.matrix == pytest.approx(true, abs=1e-7)
        assert np.abs(fit.residuals_mm).max() < 1e-7


@given(marks(), seeds, similarities(scaled=False), similarities(scaled=False))
def test_frames_do_not_matter(nominal, seed, before, after) -> None:
    """With both frames moved rigidly the fit is the same map in the other frames, with the same sum of squares."""
    measured = nominal + noise(len(nominal), seed)
    for kind in Kind:
        fit = fitted(kind, nominal, measured)
        moved = fitted(kind, mapped(before, nominal), mapped(after, measured))
        assert moved.matrix == pytest.approx(composed(after, composed(fit.matrix, inverse(before))), abs=1e-6)
        assert moved.squares == pytest.approx(fit.squares, rel=1e-6)
        assert moved.leverages == pytest.approx(fit.leverages, abs=1e-9)
        points = nominal[:2] + 100
        assert moved.radius_mm(mapped(before, points), 0.95) == pytest.approx(
            fit.radius_mm(points, 0.95), rel=1e-5
        )


@given(marks(), seeds)
def test_richer_kinds_leave_less(nominal, seed) -> None:
    """What a kind can do the next can too, so that the sum of squares falls; deleting a mark never raises it."""
    measured = nominal + noise(len(nominal), seed)
    fits = [fitted(kind, nominal, measured) for kind in Kind]
    assert fits[0].squares >= fits[1].squares - 1e-9
    assert fits[1].squares >= fits[2].squares - 1e-9
    for fit in fits:
        held = np.isfinite(fit.deleted_squares)
        assert (fit.deleted_squares[held] <= fit.squares + 1e-9).all()


@given(marks(), seeds, seeds)
def test_a_mark_twice_as_sure_counts_as_four(nominal, seed, which) -> None:
    """Half the uncertainty is the same as the mark measured four times at that place."""
    measured = nominal + noise(len(nominal), seed)
    row = which % len(nominal)
    sigma = np.full(len(nominal), 0.2)
    sigma[row] = 0.1
    times = np.ones(len(nominal), dtype=int)
    times[row] = 4
    for kind in Kind:
        weighted = fitted(kind, nominal, measured, sigma)
        repeated = fitted(kind, np.repeat(nominal, times, axis=0), np.repeat(measured, times, axis=0), 0.2)
        assert weighted.matrix == pytest.approx(repeated.matrix, abs=1e-7)
        assert weighted.covariance == pytest.approx(repeated.covariance, rel=1e-6, abs=1e-14)


@given(marks(), seeds, seeds)
def test_order_does_not_matter(nominal, seed, shuffle) -> None:
    """Marks in another order give the same map, and their own residuals."""
    measured = nominal + noise(len(nominal), seed)
    order = np.random.default_rng(shuffle).permutation(len(nominal))
    for kind in Kind:
        fit, other = fitted(kind, nominal, measured), fitted(kind, nominal[order], measured[order])
        assert other.matrix == pytest.approx(fit.matrix, abs=1e-8)
        assert other.residuals_mm == pytest.approx(fit.residuals_mm[order], abs=1e-8)


@given(affines(), affines(), marks())
def test_inverse_and_composition(outer, inner, points) -> None:
    """The inverse undoes to rounding, on both sides; composing is mapping twice."""
    assert mapped(inverse(outer), mapped(outer, points)) == pytest.approx(points, abs=1e-8)
    assert mapped(outer, mapped(inverse(outer), points)) == pytest.approx(points, abs=1e-8)
    assert composed(outer, inverse(outer)) == pytest.approx(np.eye(2, 3), abs=1e-8)
    assert mapped(composed(outer, inner), points) == pytest.approx(
        mapped(outer, mapped(inner, points)), abs=1e-8
    )
