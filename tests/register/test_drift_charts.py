"""Control charts against NIST's and Montgomery's examples, tables of run lengths, and seeded runs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from controller.register.charts import (
    cusum,
    cusum_run_length,
    ewma,
    ewma_run_length,
    range_chance,
    range_mean,
    scores,
)

NIST = [
    52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
"""NIST/SEMATECH e-Handbook 6.3.2.4, data of the EWMA example (from memory)."""

MONTGOMERY = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62,
    10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
]  # fmt: skip
"""D. C. Montgomery, Introduction to Statistical Quality Control, table of the cusum chapter: target 10, sigma 1, the
mean is 11 from reading 21 on (read in a copy)."""


def test_nist_ewma_example() -> None:
    """Weight 0.3, target 50, s 2.0539: limits 47.4116 and 52.5884, averages 50.60 49.52 ... 51.99, and no call."""
    chart = ewma(NIST, target=50, sigma=2.0539, weight=0.3, width=3)
    assert chart.low[0] == pytest.approx(47.4116, abs=5e-5)
    assert chart.high[-1] == pytest.approx(52.5884, abs=5e-5)
    assert chart.average[:5] == pytest.approx([50.60, 49.52, 50.56, 50.18, 50.16], abs=0.006)
    assert chart.average[-3:] == pytest.approx([51.23, 51.94, 51.99], abs=0.006)
    assert chart.call is None


def test_montgomerys_cusum() -> None:
    """k 0.5, h 5: the upper sum first passes 5 at reading 29, with 5.28; it last was zero before reading 23."""
    chart = cusum(MONTGOMERY, target=10, sigma=1)
    assert chart.call == 28
    assert chart.high[28] == pytest.approx(5.28, abs=5e-3)
    assert chart.onset is not None
    assert chart.high[chart.onset - 1] == 0
    assert (chart.high[chart.onset : 29] > 0).all()
    assert chart.low.max() < 5


def test_montgomerys_ewma() -> None:
    """Weight 0.1, width 2.7, growing limits: reading 29 calls first, 10.6468 over 10.6187."""
    chart = ewma(MONTGOMERY, target=10, sigma=1, weight=0.1, width=2.7, growing_limits=True)
    assert chart.call == 28
    assert chart.average[28] == pytest.approx(10.6468, abs=5e-5)
    assert chart.high[28] == pytest.approx(10.6187, abs=5e-5)


TABLE = {0: (167.68, 465.44), 0.25: (74.22, 139.49), 0.5: (26.63, 38.00), 1: (8.38, 10.38), 2: (3.34, 4.01)}
"""Two-sided cusum, k 0.5, h 4 and 5. NIST/SEMATECH e-Handbook 6.3.2.3 and Montgomery print 168, 465; 74.2, 139; 26.6,
38.0; 8.38, 10.4; 3.34, 4.01 (from memory); decimals computed independently from the integral equation."""

EWMA_TABLE = {
    (0.1, 2.814): {0: 500, 0.25: 106, 0.5: 31.3, 1: 10.3, 2: 4.36},
    (0.2, 2.962): {0: 500, 0.25: 150, 0.5: 41.8, 1: 10.5, 2: 3.7},
    (0.4, 3.054): {0: 500, 0.25: 224, 0.5: 71.2, 1: 14.3, 2: 3.5},
}
"""J. M. Lucas, M. S. Saccucci, Technometrics 32 (1990): schemes of weight and width with 500 readings between false
calls (from memory)."""


@pytest.mark.parametrize("shift", list(TABLE))
def test_run_lengths_of_the_cusum(shift: float) -> None:
    """The table, and the one-sided 335.4 and 930.9 that NIST prints for no shift."""
    for interval, expected in zip((4.0, 5.0), TABLE[shift], strict=True):
        assert cusum_run_length(shift, interval=interval) == pytest.approx(expected, abs=6e-3)
    assert cusum_run_length(interval=4, one_sided=True) == pytest.approx(335.4, abs=0.05)
    assert cusum_run_length(interval=5, one_sided=True) == pytest.approx(930.9, abs=0.05)


@pytest.mark.parametrize("scheme", list(EWMA_TABLE))
def test_run_lengths_of_the_ewma(scheme: tuple[float, float]) -> None:
    """The table to its digits, either sign."""
    weight, width = scheme
    for shift, expected in EWMA_TABLE[scheme].items():
        digit = 0.51 if expected > 100 else 0.051
        assert ewma_run_length(shift, weight=weight, width=width) == pytest.approx(expected, abs=digit)
        assert ewma_run_length(-shift, weight=weight, width=width) == pytest.approx(expected, abs=digit)


def test_a_chart_of_single_readings_is_shewharts() -> None:
    """An EWMA of weight 1 is Shewhart's chart: 1 / P(beyond 3 sigma) = 370.40 readings, 43.89 at a shift of 1."""
    assert ewma_run_length(0, weight=1, width=3) == pytest.approx(370.40, abs=5e-3)
    assert ewma_run_length(1, weight=1, width=3) == pytest.approx(43.89, abs=5e-3)


@pytest.mark.parametrize(("shift", "runs", "longest"), [(0.0, 150, 6000), (0.5, 400, 600), (1.0, 500, 120)])
def test_charts_run_as_long_as_the_equations_say(shift: float, runs: int, longest: int) -> None:
    """Seeded runs through the charts themselves: mean run length within 3.5 standard errors of the equations."""
    rng = np.random.default_rng(31)
    lengths = np.empty((2, runs))
    for run in range(runs):
        readings = rng.normal(shift, 1, longest)
        for row, call in enumerate(
            (cusum(readings, target=0, sigma=1).call, ewma(readings, target=0, sigma=1).call)
        ):
            assert call is not None
            lengths[row, run] = call + 1
    errors = lengths.std(axis=1, ddof=1) / np.sqrt(runs)
    expected = [cusum_run_length(shift), ewma_run_length(shift)]
    assert (np.abs(lengths.mean(axis=1) - expected) < 3.5 * errors).all()


@pytest.mark.parametrize(("slope", "by_cusum", "by_ewma"), [(0.02, 36.4, 34.9), (0.05, 20.4, 20.0)])
def test_days_until_a_slow_sag_calls(slope: float, by_cusum: float, by_ewma: float) -> None:
    """A sag of so many sigma a day: mean days to the call, within 3.5 standard errors of an independent simulation
    of 4000 runs."""
    rng = np.random.default_rng(37)
    runs = 500
    calls = []
    for _ in range(runs):
        readings = rng.normal(0, 1, 200) + slope * np.arange(1, 201)
        calls.append(
            (cusum(readings, target=0, sigma=1).call + 1, ewma(readings, target=0, sigma=1).call + 1)
        )
    errors = 3.5 * np.std(calls, axis=0, ddof=1) / np.sqrt(runs) + 0.2
    assert (np.abs(np.mean(calls, axis=0) - [by_cusum, by_ewma]) < errors).all()


def test_charts_scale_with_their_readings() -> None:
    """Other units and another zero: the same calls; mirrored readings call on the other side."""
    rng = np.random.default_rng(41)
    readings = rng.normal(0, 1, 60) + 0.05 * np.arange(60)
    one, other = ewma(readings, target=0, sigma=1), ewma(7 - 3 * readings, target=7, sigma=3)
    assert one.call == other.call is not None
    assert other.average == pytest.approx(7 - 3 * one.average)
    high, low = cusum(readings, target=0, sigma=1), cusum(7 - 3 * readings, target=7, sigma=3)
    assert (high.call, high.onset) == (low.call, low.onset)
    assert high.high == pytest.approx(low.low)


def test_self_starting_scores_are_those_of_the_t_test() -> None:
    """Each score's chance is that of the two-sample t-test of the reading against all before it (pooled)."""
    readings = np.random.default_rng(43).normal(5, 2, 12)
    found = scores(readings)
    assert (found[:2] == 0).all()
    for row in range(2, 12):
        before = readings[:row]
        t = (readings[row] - before.mean()) / (before.std(ddof=1) * np.sqrt(1 + 1 / row))
        assert stats.norm.sf(found[row]) == pytest.approx(stats.t.sf(t, row - 1), rel=1e-9)
    known = scores(readings, 2.0)
    assert known[1] == pytest.approx((readings[1] - readings[0]) / (2 * np.sqrt(2)))


@pytest.mark.parametrize("sigma", [None, 1.0])
def test_self_starting_scores_are_normal_and_independent(sigma) -> None:
    """While nothing changes, scores of 400 seeded rows have unit covariance and a normal distribution (p > 0.001)."""
    rng = np.random.default_rng(47)
    drawn = np.array([scores(rng.normal(3, 1, 10), sigma)[2:] for _ in range(400)])
    assert stats.kstest(drawn.ravel(), "norm").pvalue > 1e-3
    # 64 covariances with a standard error of 1/20 each.
    assert np.abs(np.cov(drawn.T) - np.eye(8)).max() < 4.5 / 20


def test_a_jump_far_beyond_the_tables_scores_finitely() -> None:
    """A reading that no distribution holds has a finite score of its sign."""
    found = scores([0.0, 1e-9, 0.0, -1e9, 5.0])
    assert np.isfinite(found).all()
    assert found[3] < -3


def test_mean_range_and_its_chance() -> None:
    """d2 of the tables of control charts (Montgomery, appendix; from memory), and the range's chance by simulation."""
    table = {2: 1.128, 3: 1.693, 4: 2.059, 5: 2.326, 6: 2.534, 7: 2.704, 8: 2.847, 9: 2.970, 10: 3.078}
    for count, expected in table.items():
        assert range_mean(count) == pytest.approx(expected, abs=6e-4)
    drawn = np.random.default_rng(53).normal(size=(40_000, 4))
    share = (np.ptp(drawn, axis=1) > 3.0).mean()
    assert float(range_chance(3.0, 4)) == pytest.approx(share, abs=4 * np.sqrt(share / 40_000))
    with pytest.raises(ValueError, match="at least two"):
        range_mean(1)


def test_nonsense_is_refused() -> None:
    """Readings that are no row of numbers, scatter of nothing, weights beyond 1."""
    with pytest.raises(ValueError, match="row of finite"):
        ewma([[1.0]], target=0, sigma=1)
    with pytest.raises(ValueError, match="row of finite"):
        cusum([1.0, np.inf], target=0, sigma=1)
    with pytest.raises(ValueError, match="sigma above 0"):
        cusum([1.0], target=0, sigma=0)
    for weight in (0.0, 1.1):
        with pytest.raises(ValueError, match="weight"):
            ewma([1.0], target=0, sigma=1, weight=weight)
