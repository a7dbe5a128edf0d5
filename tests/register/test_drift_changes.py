"""Ramps, steps and readings apart: found where they are, with the chances of well-known tests."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad

from controller.register.changes import RAMP, ChangeModel, Shape, Term, log_two_sided

ALPHA = 0.001
ROWS = np.arange(40)


def noise(count: int = 40, seed: int = 3, sigma: float = 0.02):
    return np.random.default_rng(seed).normal(0, sigma, count)


def searched(readings, times=None, **more) -> ChangeModel:
    model = ChangeModel(
        np.asarray(readings, dtype=float),
        np.arange(len(readings), dtype=float) if times is None else np.asarray(times, dtype=float),
        **more,
    )
    model.search(ALPHA, 8)
    return model


def test_chance_of_a_ramp_is_that_of_linear_regression() -> None:
    """The same as scipy's linregress, with its slope and standard error."""
    times = np.sort(np.random.default_rng(1).uniform(0, 20, 40))
    readings = 0.004 * times + noise()
    model = ChangeModel(readings, times)
    line = stats.linregress(times, readings)
    assert model.chance_of(RAMP) == pytest.approx(line.pvalue, rel=1e-6)
    solved = model.solve([RAMP])
    assert solved.values[1] == pytest.approx(line.slope)
    assert np.sqrt(solved.covariance[1, 1]) == pytest.approx(line.stderr)
    assert solved.dof == 38


def test_chance_of_a_step_is_that_of_the_t_test() -> None:
    """The two-sample t-test before against after, times the 39 places where a step could be."""
    readings = noise() + 0.015 * (ROWS >= 12)
    model = ChangeModel(readings, ROWS.astype(float))
    one = stats.ttest_ind(readings[:12], readings[12:]).pvalue
    assert model.chance_of(Term(Shape.STEP, 12)) == pytest.approx(min(1, 39 * one), rel=1e-6)


@pytest.mark.parametrize("dof", [None, 1, 7, 4000])
def test_chances_too_small_for_a_number_still_have_an_order(dof: int | None) -> None:
    """Logarithms are scipy's where it has a number, and go on falling where it has none.

    Beyond: the integral of the density, by scipy's quadrature, each relative to the density where it begins.
    """
    kind = stats.norm() if dof is None else stats.t(dof)
    for size in (0.0, 0.3, 2.0, 9.0, 30.0):
        assert log_two_sided(size, dof) == pytest.approx(np.log(2.0) + np.log(kind.sf(size)), rel=1e-9)
    far = [log_two_sided(size, dof) for size in np.geomspace(1.0, 1e5, 200)]
    assert (np.diff(far) < 0.0).all()
    size = 1000.0
    width = 1.0 / size if dof is None else (dof + size**2) / (dof * size)
    share, _ = quad(lambda u: width * np.exp(kind.logpdf(size + width * u) - kind.logpdf(size)), 0.0, np.inf)
    assert log_two_sided(size, dof) == pytest.approx(
        np.log(2.0) + kind.logpdf(size) + np.log(share), rel=1e-5
    )


@pytest.mark.parametrize("count", range(3, 9))
def test_a_jump_beyond_all_chance_is_one_step(count: int) -> None:
    """A last reading 150 standard deviations off, the scatter known: a step there, whatever the noise and the gaps.

    Each single term has a chance of 0 as a number then; a ramp with a step elsewhere fits three readings as well.
    """
    for seed in range(20):
        made = 3.0 * (np.arange(count) == count - 1)
        times = np.arange(count) + np.random.default_rng(seed).uniform(0.0, 0.4, count)
        model = searched(noise(count, seed) + made, times, scatter=0.02)
        assert model.terms[0] == Term(Shape.STEP, count - 1)
        assert model.solve(model.terms).values[1] == pytest.approx(3.0, abs=0.25)


def test_known_scatter_makes_it_a_z_test() -> None:
    """With the scatter known: the normal deviate of the difference of means."""
    readings = noise()
    model = ChangeModel(readings, ROWS.astype(float), scatter=0.02)
    z = (readings[30:].mean() - readings[:30].mean()) / (0.02 * np.sqrt(1 / 30 + 1 / 10))
    assert model.chance_of(Term(Shape.STEP, 30)) == pytest.approx(
        min(1, 39 * 2 * stats.norm.sf(abs(z))), rel=1e-6
    )


@pytest.mark.parametrize("scatter", [None, 0.02])
@pytest.mark.parametrize(
    ("made", "expected"),
    [
        (0 * ROWS, set()),
        (0.01 * ROWS, {RAMP}),
        (0.3 * (ROWS >= 7), {Term(Shape.STEP, 7)}),
        (0.3 * (ROWS == 7), {Term(Shape.APART, 7)}),
        (0.3 * (ROWS >= 39), {Term(Shape.STEP, 39)}),
        (0.01 * ROWS - 3.0 * (ROWS >= 20), {RAMP, Term(Shape.STEP, 20)}),
        (3.0 * (ROWS >= 10) + 3.0 * (ROWS >= 25), {Term(Shape.STEP, 10), Term(Shape.STEP, 25)}),
        (3.0 * (ROWS >= 15) - 3.0 * (ROWS >= 25), {Term(Shape.STEP, 15), Term(Shape.STEP, 25)}),
        (3.0 * (ROWS // 8), {Term(Shape.STEP, row) for row in (8, 16, 24, 32)}),
        (
            0.5 * (ROWS == 12) + 0.3 * (ROWS >= 20) - 0.5 * (ROWS == 30),
            {Term(Shape.APART, 12), Term(Shape.STEP, 20), Term(Shape.APART, 30)},
        ),
    ],
)
def test_what_was_put_in_is_found(made, expected, scatter) -> None:
    """Nothing, a ramp, a step, one apart, and mixtures that hide or mimic each other."""
    for seed in range(4):
        assert set(searched(made + noise(seed=seed), scatter=scatter).terms) == expected


def test_gaps_do_not_make_steps_of_a_ramp() -> None:
    """A slow drift with a week without homings in the middle is a ramp in time, no step."""
    times = np.where(ROWS < 20, 0.5 * ROWS, 0.5 * ROWS + 7)
    assert searched(0.04 * times + noise(), times).terms == [RAMP]


def test_two_readings_can_only_differ() -> None:
    """Of two readings: a step where the scatter is known, nothing else; of one, nothing."""
    assert searched([0.0, 3.0], scatter=0.02).terms == [Term(Shape.STEP, 1)]
    assert searched([0.0, 3.0]).terms == []
    assert searched([1.0], scatter=0.02).terms == []
    assert np.isnan(ChangeModel(np.array([0.0, 3.0]), np.array([0.0, 1.0])).solve([RAMP]).scatter)


def test_exact_readings_need_the_floor() -> None:
    """Readings without any scatter: rounding is no change below the floor, a real step is still found."""
    assert searched(1e-12 * noise(), floor=0.005).terms == []
    assert searched(3.0 * (ROWS >= 5), floor=0.005).terms == [Term(Shape.STEP, 5)]


@pytest.mark.parametrize("count", [5, 12, 40])
def test_nothing_is_seldom_taken_for_something(count: int) -> None:
    """Of 300 histories without a change at most 3 alpha each (ramp, step, apart) in the mean: binomial's 99.9 %."""
    found = sum(bool(searched(noise(count, seed)).terms) for seed in range(300))
    assert found <= stats.binom.ppf(0.999, 300, 3 * ALPHA)


@settings(max_examples=40)
@given(
    st.integers(3, 36),
    st.floats(0.2, 3),
    st.sampled_from([-1, 1]),
    st.floats(-100, 100),
    st.floats(0.1, 10),
    st.integers(0, 2**31),
)
def test_units_and_zero_do_not_matter(row, size, sign, zero, unit, seed) -> None:
    """Readings in other units, from another zero or upside down show the same changes."""
    readings = noise(seed=seed) + sign * size * (row <= ROWS)
    one, other = searched(readings), searched(zero - unit * readings)
    assert set(one.terms) == set(other.terms)
    assert Term(Shape.STEP, row) in one.terms
