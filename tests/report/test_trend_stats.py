"""Trends over sessions against published examples, all orders counted out, and scipy."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from controller.report.trendstats import FEWEST, kendall_chance, kendall_score, kendall_ways, trend

SIX = st.lists(st.integers(-50, 50), min_size=FEWEST, max_size=14)


def test_kendall_is_that_of_a_textbook():
    """M. Hollander, D. A. Wolfe, *Nonparametric Statistical Methods*, 1973, p. 185: lightness of canned tuna against a
    panel's scores; the help of R's cor.test gives T = 26 and a one-sided chance of 0.05972 (from memory)."""
    lightness = np.array([44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1])
    panel = np.array([2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8])
    values = panel[np.argsort(lightness)]
    score = kendall_score(values)
    assert (score + 36) / 2 == 26
    assert kendall_chance(score, values) / 2.0 == pytest.approx(0.05972, abs=5e-6)


def test_sens_example():
    """P. K. Sen 1968, his example: slope 4 and an interval from 3.71 to 4.38 at 93 % (as scipy's tests quote it). The
    library that reckons our slopes gives these."""
    found = stats.theilslopes([9, 15, 19, 20, 45, 55, 78], [1, 2, 3, 4, 10, 12, 18], alpha=0.93)
    assert found.slope == pytest.approx(4.0)
    assert (found.low_slope, found.high_slope) == pytest.approx((3.71, 4.38), abs=0.01)


@pytest.mark.parametrize("n", [2, 4, 6])
def test_shares_of_all_orders(n):
    """Counted out over all permutations."""
    pairs = n * (n - 1) // 2
    counted = np.zeros(pairs + 1)
    for order in permutations(range(n)):
        counted[(kendall_score(np.array(order, dtype=np.float64)) + pairs) // 2] += 1
    np.testing.assert_allclose(kendall_ways(n), counted / counted.sum(), atol=1e-12)


def test_six_that_rise_without_exception():
    """Two orders in 720; five tell nothing."""
    assert trend(np.arange(6.0)).chance == pytest.approx(2 / 720)
    five = trend(np.arange(5.0))
    assert np.isnan(five.chance)
    assert np.isnan(five.low)
    assert five.slope == pytest.approx(1.0)
    assert np.isnan(trend([1.0]).slope)
    assert trend([2.0] * 8).chance == 1.0


@settings(max_examples=15, deadline=None)
@given(SIX)
def test_against_scipy(values):
    """Exact chances without ties are scipy's; with ties the variance is (scipy takes no continuity correction)."""
    row = np.array(values, dtype=np.float64)
    if np.ptp(row) == 0.0:
        return
    found = trend(row)
    theirs = stats.kendalltau(np.arange(len(row)), row, method="auto")
    assert found.tau == pytest.approx(theirs.statistic)
    if len(set(values)) == len(values):
        assert found.chance == pytest.approx(
            stats.kendalltau(np.arange(len(row)), row, method="exact").pvalue
        )
        return
    plain = stats.kendalltau(np.arange(len(row)), row, method="asymptotic").pvalue
    score = kendall_score(row)
    if score:
        sigma = abs(score) / stats.norm.isf(plain / 2.0)
        corrected = 2.0 * stats.norm.sf((abs(score) - 1) / sigma)
        assert found.chance == pytest.approx(min(1.0, corrected), abs=1e-9)


@settings(max_examples=15, deadline=None)
@given(values=SIX, scale=st.integers(1, 9), shift=st.integers(-100, 100))
def test_laws(values, scale, shift):
    """Another unit scales the slope and leaves the chance; the other way round in time turns the sign."""
    row = np.array(values, dtype=np.float64)
    one, other, back = trend(row), trend(scale * row + shift), trend(row[::-1])
    assert other.slope == pytest.approx(scale * one.slope)
    assert other.chance == pytest.approx(one.chance)
    assert back.slope == pytest.approx(-one.slope)
    assert back.chance == pytest.approx(one.chance)
    assert one.low <= one.slope <= one.high


def test_sens_interval_covers():
    """Of 100 rows of ten sessions with a slope and normal scatter (seeded), 95 % of the intervals hold the slope."""
    random = np.random.default_rng(12)
    held = 0
    for _ in range(100):
        found = trend(0.3 * np.arange(10) + random.normal(0.0, 1.0, 10))
        held += found.low <= 0.3 <= found.high
    assert 0.90 <= held / 100 <= 0.99
