"""When positions prove that an axis stands."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from safety.settings import StandstillAxis
from safety.standstill import Standstill

MS = 1_000_000
X = StandstillAxis("x", 0x181, 2, 4, 0.2)
Y = StandstillAxis("y", 0x182, 2, 4, 0.2)


def watching(*axes: StandstillAxis) -> Standstill:
    return Standstill(axes, 60 * MS, 20.0, 5)


def test_a_quiet_axis_is_proved_only_after_the_whole_window() -> None:
    """Positions must cover the window; one ms less is not enough."""
    still = watching(X)
    for ms in range(60):
        still.add(ms * MS, 0, 1000)
        assert not still.proved(ms * MS)
    assert not still.proved(60 * MS - 1)
    assert still.proved(60 * MS)


@pytest.mark.parametrize(("counts", "proved"), [(100, True), (101, False)])
def test_the_tolerance_is_a_spread(counts: int, proved: bool) -> None:
    """20 um at 0.2 um a count are 100 counts between the outermost positions."""
    still = watching(X)
    for ms in range(0, 61, 4):
        still.add(ms * MS, 0, counts if ms == 32 else 0)
    assert still.proved(60 * MS) is proved


def test_movement_is_forgotten_when_it_has_left_the_window() -> None:
    """What moved before the window began does not count against standing now."""
    still = watching(X)
    for ms in range(0, 200, 4):
        still.add(ms * MS, 0, min(ms, 100) * 1000)
    assert not still.proved(150 * MS)
    assert still.proved(199 * MS)


def test_every_axis_must_stand() -> None:
    """One axis that moves, or of which nothing is heard, leaves standstill unproved."""
    for second in ("moves", "silent", "stands"):
        still = watching(X, Y)
        for ms in range(0, 101, 4):
            still.add(ms * MS, 0, 5)
            if second != "silent":
                still.add(ms * MS, 1, ms * 100 if second == "moves" else 7)
        assert still.proved(100 * MS) is (second == "stands")


def test_no_axes_prove_nothing() -> None:
    """Nothing heard of nothing is not proof."""
    assert not watching().proved(10**12)


def test_stale_positions_prove_nothing() -> None:
    """When positions stop coming, what they proved expires within half a window."""
    still = watching(X)
    for ms in range(0, 101, 4):
        still.add(ms * MS, 0, 5)
    assert still.proved(130 * MS)
    assert not still.proved(131 * MS)


def test_a_burst_of_old_frames_is_one_instant() -> None:
    """A buffer full of positions read at once says no more than one of them."""
    still = watching(X)
    still.add(0, 0, 5)
    for _ in range(100):
        still.add(50 * MS, 0, 5)
    assert not still.proved(60 * MS)


def test_a_counter_that_wraps_stands_or_moves_as_it_does() -> None:
    """Differences are modular: a step over the counter's end is small, half its range is not."""
    still = watching(X)
    for ms in range(0, 61, 4):
        still.add(ms * MS, 0, 2**31 - 1 if ms % 8 else -(2**31))
    assert still.proved(60 * MS)
    still.add(60 * MS, 0, 0)
    assert not still.proved(60 * MS)


@given(st.floats(0.7, 500.0), st.integers(1, 9))
def test_a_steady_crawl_is_never_proved(speed_mm_s: float, step_ms: int) -> None:
    """20 um in 60 ms are a third of a mm/s: whatever is faster than that by half is not taken for standstill."""
    still = watching(X)
    for ms in range(0, 400, step_ms):
        still.add(ms * MS, 0, int(speed_mm_s * ms / 0.2))
        assert not still.proved(ms * MS)
