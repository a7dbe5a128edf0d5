"""Statistics of comparisons against published examples, closed forms and scipy."""

from __future__ import annotations

from math import comb, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, stats

from controller.report.comparestats import (
    ALPHA,
    COUNTED_FEWEST,
    believed,
    block_length,
    cut,
    draw,
    hanging,
    least_chance,
    median_difference,
    paired_difference,
    piece_differences,
    rank_difference,
    rank_ways,
    rate_difference,
    weights,
)

QUANTILES = (0.5, 0.99, 0.999)


def test_rank_sum_is_that_of_a_textbook():
    """M. Hollander, D. A. Wolfe, *Nonparametric Statistical Methods*, 1973, p. 69: permeability of membranes; the help
    of R's wilcox.test gives W = 35 and a one-sided chance of 0.1272 (from memory)."""
    at_term = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
    early = [1.15, 0.88, 0.90, 0.74, 1.21]
    found = rank_difference(early, at_term)
    assert found.chance / 2.0 == pytest.approx(0.1272, abs=5e-5)
    assert found.size == pytest.approx(np.median(np.subtract.outer(at_term, early)))
    assert found.low < found.size < found.high


def test_orders_of_the_rank_statistic():
    """All C(n + m, n) orders are counted, as often from either end; 5 and 5 readings have U of at most 2 in four of 252
    (H. B. Mann, D. R. Whitney 1947, their table: 0.016 for n = m = 5)."""
    for n, m in ((1, 1), (2, 3), (5, 5), (7, 4)):
        ways = rank_ways(n, m)
        assert ways.sum() == comb(n + m, n)
        assert ways.tolist() == ways[::-1].tolist()
    assert rank_ways(5, 5)[:3].sum() / 252 == pytest.approx(0.016, abs=2e-4)


@pytest.mark.parametrize("seed", range(6))
def test_the_rank_interval_inverts_the_test(seed):
    """Shifts within the interval are believable at 5 %, those beyond it are not: by scipy's exact test."""
    random = np.random.default_rng(seed)
    a, b = random.normal(0, 1, 7), random.normal(0.8, 1, 6)
    found = rank_difference(a, b)

    def chance(shift: float) -> float:
        return float(stats.mannwhitneyu(b - shift, a, method="exact").pvalue)

    assert chance(found.low + 1e-9) > 0.05 >= chance(found.low - 1e-9)
    assert chance(found.high - 1e-9) > 0.05 >= chance(found.high + 1e-9)


def test_readings_too_few_for_the_test_say_nothing():
    """Three homings against three cannot be a surprise at 5 % (2 in 20); five against five can."""
    assert least_chance(3, 3) == pytest.approx(0.1)
    assert np.isnan(rank_difference([1.0, 2.0, 3.0], [7.0, 8.0, 9.0]).chance)
    assert rank_difference(np.arange(5.0), np.arange(5.0) + 10).chance == pytest.approx(2 / 252)
    assert np.isnan(rank_difference([], [1.0]).size)
    equal = rank_difference(np.ones(6), np.ones(6))
    assert (equal.size, equal.chance) == (0.0, 1.0)


def test_rates_are_those_of_a_textbook():
    """The help of R's poisson.test: 11 in 800 against 21 in 3011 (rates of disease, after P. Armitage), 0.07967 (from
    memory)."""
    found = rate_difference(21, 3011.0, 11, 800.0)
    assert found.chance == pytest.approx(0.07967, abs=5e-6)
    assert found.size == pytest.approx(11 / 800 - 21 / 3011)
    assert rate_difference(0, 10.0, 0, 10.0).chance == 1.0
    assert np.isnan(rate_difference(1, 0.0, 0, 10.0).chance)


def test_holm_as_in_a_worked_example():
    """Chances 0.01, 0.04, 0.03, 0.005 at 5 %: the fourth and the first are believed (worked example of the article on
    the Holm-Bonferroni method in Wikipedia); what was not judged is no member of the family."""
    assert believed([0.01, 0.04, 0.03, 0.005], 0.05) == (True, False, False, True)
    assert believed([0.01, np.nan, 0.04, 0.03, np.nan, 0.005], 0.05) == (
        True,
        False,
        False,
        False,
        False,
        True,
    )
    assert believed([]) == ()


@settings(max_examples=12, deadline=None)
@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12))
def test_holm_lies_between_bonferroni_and_none(chances):
    """What Bonferroni believes Holm believes; what a single test does not believe Holm does not."""
    kept = believed(chances)
    for chance, one in zip(chances, kept, strict=True):
        assert one or chance > ALPHA / len(chances)
        assert not one or chance <= ALPHA


def test_quantiles_of_pieces_are_numpys():
    """Pooled quantiles and root mean square of all pieces drawn once each are numpy's, to the width of a bin."""
    random = np.random.default_rng(3)
    values = random.lognormal(4.0, 0.7, 60 * 250).astype(np.float32)
    pieces = cut(values, 250, 0.1)
    assert len(pieces) == 60
    assert pieces.counts.sum() == len(values)
    from controller.report.comparestats import _quantiles

    found = _quantiles(pieces.counts.sum(axis=0, keepdims=True), 0.1, QUANTILES)[0]
    np.testing.assert_allclose(found, np.quantile(values, QUANTILES), rtol=0.012)
    assert np.sqrt(pieces.squares.sum() / pieces.number.sum()) == pytest.approx(
        float(np.sqrt(np.mean(values.astype(np.float64) ** 2)))
    )


@settings(max_examples=12, deadline=None)
@given(n=st.integers(1, 60), length=st.integers(1, 12), seed=st.integers(0, 99))
def test_draws_are_circular_blocks(n, length, seed):
    """Each draw has n units, in blocks of followers that go on at the begin; weights count them."""
    rows = draw(n, min(length, n), 7, np.random.default_rng(seed))
    assert rows.shape == (7, n)
    step = min(length, n)
    for row in rows:
        for begin in range(0, n, step):
            block = row[begin : begin + step]
            assert ((block - block[0]) % n).tolist() == [k % n for k in range(len(block))]
    np.testing.assert_array_equal(weights(rows, n)[0], np.bincount(rows[0], minlength=n))


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8])
def test_how_long_readings_hang_together(phi):
    """An autoregression of first order hangs together for (1 + phi) / (1 - phi) (closed form)."""
    noise = np.random.default_rng(8).normal(0.0, 1.0, 40_000)
    row = signal.lfilter([1.0], [1.0, -phi], noise)
    assert hanging(row) == pytest.approx((1 + phi) / (1 - phi), rel=0.12)
    assert hanging(np.ones(50)) == 1.0
    assert block_length(1000, 1.0) == 10
    assert block_length(1000, 40.0) == 80


def test_the_standard_error_of_a_median():
    """Of normal readings it is sqrt(pi / 2) sigma / sqrt(n) (closed form); the interval is Student's."""
    random = np.random.default_rng(5)
    a, b = random.normal(0.0, 1.0, 900), random.normal(0.0, 1.0, 900)
    found = median_difference(a, b)
    expected = sqrt(np.pi / 2.0) / 30.0 * sqrt(2.0) * 1.962
    assert (found.high - found.low) / 2.0 == pytest.approx(expected, rel=0.25)
    assert found.size == pytest.approx(float(np.median(b) - np.median(a)))


def test_pairs_see_what_scatter_between_strokes_hides():
    """Strokes that differ among each other by far more than between two paintings are compared one by one."""
    random = np.random.default_rng(2)
    strokes = random.uniform(0.0, 5.0, 60)
    again = strokes + 0.1 + random.normal(0.0, 0.02, 60)
    assert paired_difference(strokes, again).chance < 1e-6
    assert median_difference(strokes, again).chance > 0.5
    assert np.isnan(paired_difference(strokes[:10], again[:10]).chance)


def test_too_little_is_told_to_be_too_little():
    """Below twenty pieces, or twenty that count, nothing is said; nor of a quantile with few values beyond it."""
    random = np.random.default_rng(4)
    short = cut(random.lognormal(4, 0.5, 250 * (COUNTED_FEWEST - 1)), 250, 0.1)
    assert all(np.isnan(one.chance) for one in piece_differences(short, short, 0.1, QUANTILES, [0.0] * 4))
    long = cut(random.lognormal(4, 0.5, 250 * 60), 250, 0.1)
    p50, p99, p999, rms = piece_differences(long, long, 0.1, QUANTILES, [0.0] * 4)
    assert np.isfinite([p50.chance, p99.chance, rms.chance]).all()
    assert np.isnan(p999.chance)
    swinging = np.exp(np.sin(np.arange(250 * 60) * 2 * np.pi / (250 * 60)))
    slow = cut(swinging, 250, 0.1)
    assert all(np.isnan(one.chance) for one in piece_differences(slow, slow, 0.1, QUANTILES, [0.0] * 4))
