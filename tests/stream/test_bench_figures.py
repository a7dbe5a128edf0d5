"""The bench's arithmetic: what its figures mean."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.floor import fill_in
from tests.bench.run import goals, percentiles


def test_a_floor_counts_the_instants_it_slept_through() -> None:
    """A wake-up 9 ms late at a 4 ms tick stands for instants 9, 5 and 1 ms late."""
    assert sorted(fill_in(np.array([10.0, 9000.0, 20.0]), 4000)) == [10.0, 20.0, 1000.0, 5000.0, 9000.0]


def test_percentiles_and_goals() -> None:
    """p99.9 may be 1.5 floors or 200 us; the share later than 1 ms at most the floor's; early at most 1 us."""
    ours = percentiles(np.concatenate([np.full(9990, 2.0), np.full(10, 1500.0)]))
    assert ours["p50"] == 2.0
    assert ours["late_share"] == pytest.approx(0.001)
    floor = percentiles(np.concatenate([np.full(9980, 20.0), np.full(20, 1200.0)]))
    judged = goals(ours, floor)
    assert judged["p99.9"]["at_most"] == pytest.approx(1800.0)
    assert all(goal["met"] for goal in judged.values())
    assert not goals(ours, percentiles(np.full(1000, 20.0)))["later than 1 ms"]["met"]
    assert goals(ours, percentiles(np.full(1000, 20.0)))["p99.9"]["at_most"] == 200.0
    early = goals(percentiles(np.array([-3.0, 2.0])), floor)
    assert not early["early"]["met"]
