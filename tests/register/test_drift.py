"""What a history of homings says: drift and its interval, jumps by kind, and what the traps still allow."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from controller.config.machine import Machine
from controller.register.drift import (
    CHECKS,
    DAY_S,
    AxisDrift,
    Check,
    DriftRule,
    Finding,
    History,
    allowance,
    homing_floor_mm,
    judge_history,
    places_mm,
)

MACHINE_FILE = Path(__file__).parents[2] / "configs" / "machines" / "boathouse.toml"
PITCH_MM = 3.0
COUNT = 40
ROWS = np.arange(COUNT)


def history(made=0.0, *, count: int = COUNT, seed: int = 3, sigma: float = 0.02, spread=0.05) -> History:
    """Two homings a day, scattered by ``sigma``, and what was ``made`` to happen."""
    rng = np.random.default_rng(seed)
    days = 0.5 * np.arange(count) + rng.uniform(0, 0.2, count)
    spreads = spread * rng.uniform(0.5, 1.5, count)
    return History.of(1.8e9 + days * DAY_S, 15.0 + made + rng.normal(0, sigma, count), spreads, [4] * count)


def judged(made=0.0, *, rule: DriftRule | None = None, scatter_mm: float | None = None, **more) -> AxisDrift:
    return judge_history(history(made, **more), belt_pitch_mm=PITCH_MM, scatter_mm=scatter_mm, rule=rule)


def test_scatter_alone_is_steady() -> None:
    """Forty homings that only scatter: steady, the scatter measured, no drift within its interval, no call."""
    found = judged()
    assert found.finding is Finding.STEADY
    assert found.events == ()
    assert found.checks == ()
    assert found.scatter_mm == pytest.approx(0.02, rel=0.4)
    assert found.rate_low_mm_day < 0 < found.rate_high_mm_day
    assert (found.level_mm == 0).all()
    assert found.ewma.call is found.cusum.call is None


def test_slow_sag_is_a_drift() -> None:
    """0.05 mm a day: drift, not jumps; the rate within its interval; both charts call, and not on the first day."""
    times = history().at_s
    made = 0.05 * (times - times[0]) / DAY_S
    found = judged(made)
    assert found.finding is Finding.DRIFT
    assert found.events == ()
    assert found.rate_low_mm_day < 0.05 < found.rate_high_mm_day
    assert found.level_mm[-1] == pytest.approx(made[-1], abs=0.03)
    assert found.ewma.call is not None
    assert found.cusum.call is not None
    assert 3 < found.ewma.call < 20
    assert found.cusum.onset is not None
    assert found.cusum.onset < found.cusum.call
    assert Check.SWITCH_MOUNT in found.checks


def test_rate_and_interval_are_those_of_linear_regression() -> None:
    """Without jumps: scipy's linregress slope, and its Student's t interval."""
    past = history(0.01 * ROWS)
    found = judge_history(past, belt_pitch_mm=PITCH_MM)
    line = stats.linregress(past.at_s / DAY_S, past.place_mm)
    half = stats.t.ppf(0.975, COUNT - 2) * line.stderr
    assert found.rate_mm_day == pytest.approx(line.slope)
    assert found.rate_high_mm_day - found.rate_low_mm_day == pytest.approx(2 * half, rel=1e-6)
    assert found.scatter_dof == COUNT - 2


@pytest.mark.parametrize("jumped", [0.0, 3.0])
def test_coverage_of_the_rate(jumped: float) -> None:
    """A 95 % interval holds the true rate in 95 % of 300 seeded histories, within 3 standard errors, a tooth jump or
    not."""
    runs = 300
    held = 0
    for seed in range(runs):
        times = history(seed=seed).at_s
        made = 0.03 * (times - times[0]) / DAY_S + jumped * (ROWS >= 17)
        found = judged(made, seed=seed)
        held += found.rate_low_mm_day <= 0.03 <= found.rate_high_mm_day
    assert abs(held / runs - 0.95) < 3 * np.sqrt(0.95 * 0.05 / runs)


def test_steady_machines_are_seldom_called_drifting() -> None:
    """Of 200 histories that only scatter at most 2 are found anything but steady: changes below 0.1 mm are not named,
    and of those above none is by chance."""
    assert sum(judged(seed=seed).finding is not Finding.STEADY for seed in range(200)) <= 2


@pytest.mark.parametrize("teeth", [-3, -1, 1, 2])
def test_a_jump_of_whole_pitches_is_a_tooth_jump(teeth: int) -> None:
    """A jump of n pitches, not quite: n teeth, its size within its interval, its row and instant, what to check."""
    found = judged((teeth * PITCH_MM + 0.08) * (ROWS >= 21))
    (event,) = found.events
    assert found.finding is event.finding is Finding.TOOTH_JUMP
    assert (event.row, event.teeth, event.confirmed) == (21, teeth, True)
    assert event.low_mm < teeth * PITCH_MM + 0.08 < event.high_mm
    assert event.off_pitch_mm == pytest.approx(event.size_mm - teeth * PITCH_MM)
    assert event.at_s == history().at_s[21]
    assert event.chance < 0.001
    assert found.checks[0] is Check.BELT_TEETH


@pytest.mark.parametrize("size", [-1.5, 0.4, 1.2, 3.5, -5.4, 4.0])
def test_another_jump_is_a_slip(size: float) -> None:
    """No whole number of pitches: a pulley that slipped or something that came loose."""
    found = judged(size * (ROWS >= 21))
    (event,) = found.events
    assert found.finding is event.finding is Finding.STEP
    assert (event.row, event.teeth) == (21, 0)
    assert event.low_mm < size < event.high_mm
    assert {Check.PULLEY_SCREW, Check.HEAD_CLAMP} <= set(found.checks)


def test_the_pitch_is_the_machines() -> None:
    """The same 5 mm jump is one tooth of a 5 mm belt and a slip of a 3 mm belt."""
    past = history(5.0 * (ROWS >= 21))
    assert judge_history(past, belt_pitch_mm=5.0).finding is Finding.TOOTH_JUMP
    assert judge_history(past, belt_pitch_mm=3.0).finding is Finding.STEP


def test_a_jump_on_a_drift_hides_neither() -> None:
    """Slow sag with a tooth jump in the middle: both, the rate not bent by the jump; the jump is the graver finding."""
    times = history().at_s
    found = judged(0.05 * (times - times[0]) / DAY_S - PITCH_MM * (ROWS >= 20))
    assert found.finding is Finding.TOOTH_JUMP
    assert [event.teeth for event in found.events] == [-1]
    assert found.drifts
    assert found.rate_low_mm_day < 0.05 < found.rate_high_mm_day


def test_one_homing_apart_is_told_from_a_jump() -> None:
    """One homing off and the next ones back: apart; the same at the very end could be either, and is unconfirmed."""
    (event,) = judged(0.6 * (ROWS == 21)).events
    assert (event.finding, event.row) == (Finding.APART, 21)
    (event,) = judged(0.6 * (ROWS >= COUNT - 1)).events
    assert (event.finding, event.row, event.confirmed) == (Finding.STEP, COUNT - 1, False)


def test_a_loose_switch_shows_in_the_spread() -> None:
    """Touches of one homing four times as far apart as ever: named, with what was usual."""
    spread = np.full(COUNT, 0.08)
    spread[30] = 0.5
    found = judged(spread=spread)
    (event,) = found.events
    assert (event.finding, event.row) == (Finding.SPREAD, 30)
    assert event.high_mm == pytest.approx(0.08, rel=0.25)
    assert found.checks[0] is Check.SWITCH_MOUNT


def test_changes_too_small_to_matter_are_not_named() -> None:
    """A step of 0.08 mm and a drift of 0.05 mm in all are certain, and below what is heeded."""
    small = judged(0.08 * (ROWS >= 20), sigma=0.005)
    assert (small.finding, small.events) == (Finding.STEADY, ())
    slow = judged(0.05 * ROWS / COUNT, sigma=0.005)
    assert slow.finding is Finding.STEADY
    assert slow.ramp_chance < 1e-3
    heeding = DriftRule(heed_mm=0.02)
    assert judged(0.08 * (ROWS >= 20), sigma=0.005, rule=heeding).finding is Finding.STEP
    assert judged(0.05 * ROWS / COUNT, sigma=0.005, rule=heeding).finding is Finding.DRIFT


def test_short_histories() -> None:
    """One to five homings: too few; a jump of a tooth shows from the fifth on, with known scatter at once."""
    for count in range(1, 6):
        found = judged(count=count)
        assert found.finding is Finding.TOO_FEW
        assert found.homings == count
    assert np.isnan(judged(count=2).rate_mm_day)
    assert judged(PITCH_MM * (np.arange(5) >= 4), count=5).finding is Finding.TOOTH_JUMP
    for count in range(2, 6):
        jumped = judged(PITCH_MM * (np.arange(count) >= count - 1), count=count, scatter_mm=0.02)
        assert jumped.finding is Finding.TOOTH_JUMP


def test_every_finding_has_its_checks() -> None:
    """What is found leads somewhere: each grave finding names things to look at, none twice."""
    for finding in Finding:
        checks = CHECKS[finding]
        assert bool(checks) == (finding not in (Finding.TOO_FEW, Finding.STEADY))
        assert len(set(checks)) == len(checks)


def test_use_of_the_traps() -> None:
    """Drift of 1.4 mm along 3-4-5: used, left and days in closed form."""
    times = history().at_s
    days = (times - times[0]) / DAY_S
    x = judged(0.06 * days, sigma=1e-4)
    y = judged(0.08 * days, sigma=1e-4, seed=4)
    found = allowance(x, y, allowed_mm=3.0)
    assert found.used_mm == pytest.approx(0.1 * days[-1], rel=1e-2)
    assert found.days_left == pytest.approx((3 - found.used_mm) / 0.1, rel=1e-2)
    assert 0.9 * found.days_left < found.days_left_least < found.days_left
    assert found.holds
    assert not allowance(x, y, allowed_mm=1.0).holds
    assert allowance(x, y, allowed_mm=1.0).days_left == 0
    still = allowance(judged(), judged(seed=4), allowed_mm=3.0)
    assert (still.used_mm, still.days_left) == (0, np.inf)
    assert 0 < still.days_left_least < np.inf


def test_use_of_the_traps_counts_the_farthest_two_passes() -> None:
    """There and back: two passes painted at the far ends differ by the whole way, though the axis is home again."""
    away = judged(2.0 * ((ROWS >= 10) & (ROWS < 25)))
    found = allowance(away, judged(seed=4), allowed_mm=3.0)
    assert found.used_mm == pytest.approx(2.0, abs=0.05)
    both_ways = judged(1.4 * (ROWS >= 10) - 2.8 * (ROWS >= 25))
    assert allowance(both_ways, judged(seed=4), allowed_mm=3.0).used_mm == pytest.approx(2.8, abs=0.05)
    with pytest.raises(ValueError, match="same homings"):
        allowance(away, judged(count=12), allowed_mm=3.0)
    with pytest.raises(ValueError, match="above 0"):
        allowance(away, away, allowed_mm=0)


def test_places_and_floor_of_the_demo_machine() -> None:
    """Counts to mm with the drive's direction, and the ticks' own uncertainty: 12 mm/s in 4 ms, 4 touches, over √3."""
    machine = Machine.model_validate(tomllib.loads(MACHINE_FILE.read_text()))
    x, y = machine.axes["x"], machine.axes["y"]
    # 324 000 counts on 20 teeth of 3 mm: 5400 counts a mm; y turns the other way.
    assert places_mm([0, 5400], x) == pytest.approx([0, 1])
    assert places_mm([0, 5400], y) == pytest.approx([0, -1])
    assert homing_floor_mm(x, machine.tick_us) == pytest.approx(12 * 0.004 / 8 / np.sqrt(3))


@pytest.mark.parametrize(
    ("at_s", "place", "spread", "touches"),
    [
        ([], [], [], []),
        ([1.0, 1.0], [0.0, 0.0], [0.1, 0.1], [4, 4]),
        ([2.0, 1.0], [0.0, 0.0], [0.1, 0.1], [4, 4]),
        ([1.0, 2.0], [0.0, np.nan], [0.1, 0.1], [4, 4]),
        ([1.0, 2.0], [0.0, 0.0], [0.1, -0.1], [4, 4]),
        ([1.0, 2.0], [0.0, 0.0], [0.1, 0.1], [4, 1]),
        ([1.0, 2.0], [0.0], [0.1, 0.1], [4, 4]),
    ],
)
def test_broken_histories_are_misuse(at_s, place, spread, touches) -> None:
    """Nothing, times that stand still or run back, numbers that are none, single touches, rows of unequal length."""
    with pytest.raises(ValueError, match="expected"):
        History.of(at_s, place, spread, touches)


def test_a_pitch_and_a_scatter_are_above_zero() -> None:
    """Both come from files and people: nonsense is refused."""
    for pitch, scatter in ((0.0, None), (3.0, 0.0), (3.0, -1.0)):
        with pytest.raises(ValueError, match="above 0"):
            judge_history(history(), belt_pitch_mm=pitch, scatter_mm=scatter)


@settings(max_examples=25)
@given(
    st.sampled_from([0.0, 0.4, 3.0, -6.0]),
    st.integers(6, 36),
    st.floats(-0.08, 0.08),
    st.floats(-1000, 1000),
    st.floats(-1e8, 1e8),
    st.integers(0, 2**31),
)
def test_zero_time_and_direction_do_not_matter(jump, row, slope, zero, later, seed) -> None:
    """From another zero, at another time or upside down a history says the same, mirrored."""
    past = history(jump * (row <= ROWS) + slope * ROWS, seed=seed)
    other = History.of(past.at_s + later, zero - past.place_mm, past.spread_mm, past.touches)
    one, two = (judge_history(each, belt_pitch_mm=PITCH_MM) for each in (past, other))
    assert one.finding is two.finding
    assert [event.row for event in one.events] == [event.row for event in two.events]
    assert [event.teeth for event in one.events] == [-event.teeth for event in two.events]
    assert one.rate_mm_day == pytest.approx(-two.rate_mm_day, rel=1e-4, abs=1e-6)
    assert one.level_mm == pytest.approx(-two.level_mm, abs=1e-6)
