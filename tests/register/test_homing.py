"""Homing of one axis against a small simulated switch."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.machine import Axis, Homing, Machine
from controller.register.homing import (
    BLIND_TICKS,
    AxisHomer,
    AxisHoming,
    HomingFailure,
    Phase,
    judge,
    judge_all,
    tooth_jump,
)

MACHINE_FILE = Path(__file__).parents[2] / "configs" / "machines" / "boathouse.toml"
TICK_S = 0.004
RATE_MM_S2 = 2000.0


def machine() -> Machine:
    return Machine.model_validate(tomllib.loads(MACHINE_FILE.read_text()))


def homing_with(**changes: float) -> Homing:
    """The demo machine's homing at speeds of this test's own: its expectations follow from them."""
    speeds = {"fast_mm_s": 150.0, "slow_mm_s": 10.0, "back_off_mm": 4.0}
    return Homing.model_validate({**machine().axes["x"].homing.model_dump(), **speeds, **changes})


class SimulatedSwitch:
    """An axis that follows its command with a first-order lag, and a switch that closes near its edge.

    Every approach has its own edge, ``edge_mm + scatter()``; readings are one tick old, as on the wire.
    """

    def __init__(
        self,
        homing: Homing,
        start_mm: float,
        *,
        counts_per_mm: float = 5400.0,
        edge_mm: float = 15.0,
        scatter: Callable[[], float] = lambda: 0.0,
        lag_s: float = 0.008,
        stuck: bool | None = None,
        limit_mm: float | None = None,
        half_play_mm: float = 0.0,
    ) -> None:
        self.homer = AxisHomer("x", homing, counts_per_mm, RATE_MM_S2, TICK_S, half_play_mm)
        self.towards = homing.towards
        self.counts_per_mm = counts_per_mm
        self.mm = start_mm
        self.speed = 0.0
        self.lag_s = lag_s
        self.edge_mm, self.scatter = edge_mm, scatter
        self.drawn_mm = edge_mm
        self.stuck = stuck
        self.limit_mm = limit_mm
        self.is_closed = self.beyond(start_mm) >= 0
        self.edges: list[float] = []
        self.commands: list[float] = []
        self.fresh: Callable[[int], bool] = lambda _tick: True

    def beyond(self, mm: float) -> float:
        """How far ``mm`` is past the edge, along the approach."""
        return (mm - self.drawn_mm) * self.towards

    def tick(self) -> None:
        """One tick: reading to the homer, its command to the axis."""
        reading = round(self.mm * self.counts_per_mm + 777.0)
        closed = self.is_closed if self.stuck is None else self.stuck
        limit = self.limit_mm is not None and (self.mm - self.limit_mm) * self.towards >= 0
        fresh = self.fresh(len(self.commands))
        command = self.homer.step(reading, closed, limit, False, fresh=fresh)
        self.commands.append(command)
        decay = math.exp(-TICK_S / self.lag_s)
        self.mm += command * TICK_S - self.lag_s * (1 - decay) * (command - self.speed)
        self.speed = command + (self.speed - command) * decay
        if self.is_closed and self.beyond(self.mm) < -0.1:
            self.is_closed = False
            self.drawn_mm = self.edge_mm + self.scatter()
        elif not self.is_closed and self.beyond(self.mm) >= 0:
            self.is_closed = True
            self.edges.append(self.drawn_mm)

    def run(self, seconds: float = 60.0) -> AxisHomer:
        """Tick until the homer has finished."""
        for _ in range(round(seconds / TICK_S)):
            if self.homer.finished:
                return self.homer
            self.tick()
        raise AssertionError(f"not finished after {seconds} s: {self.homer.phase}")


@settings(max_examples=30, deadline=None)
@given(
    start_mm=st.floats(16.0, 300.0),
    edge_mm=st.floats(14.0, 16.0),
    direction=st.sampled_from([-1, 1]),
    touches=st.integers(2, 6),
)
def test_mean_is_within_half_a_tick_of_travel_over_the_number_of_touches(
    start_mm: float, edge_mm: float, direction: int, touches: int
) -> None:
    """A switch without scatter is found to within slow travel of a tick / 2N plus rounding and settling."""
    homing = homing_with(touches=touches)
    world = SimulatedSwitch(homing, start_mm, edge_mm=edge_mm, counts_per_mm=direction * 5400.0)
    result = world.run().result
    found_mm = (result.mean_counts - 777.0) / (direction * 5400.0)
    bound_mm = homing.slow_mm_s * TICK_S / (2 * touches) + 0.003
    assert abs(found_mm - edge_mm) <= bound_mm
    assert len(result.touches_counts) == touches
    assert result.spread_mm <= homing.slow_mm_s * TICK_S + 0.003


def test_known_scatter_shows_in_the_spread_and_averages_out() -> None:
    """With edges scattered by known amounts each touch is its own edge to half a tick, the mean their mean."""
    generator = np.random.default_rng(5)
    homing = homing_with(touches=20)
    world = SimulatedSwitch(homing, 60.0, scatter=lambda: float(generator.normal(0.0, 0.03)))
    result = world.run(120.0).result
    edges = np.array(world.edges[-20:])
    found = (np.array(result.touches_counts) - 777.0) / 5400.0
    assert np.abs(found - edges).max() <= homing.slow_mm_s * TICK_S / 2 + 0.003
    assert abs(found.mean() - edges.mean()) <= homing.slow_mm_s * TICK_S / 2 / math.sqrt(20) + 0.003
    assert result.spread_mm == pytest.approx(found.max() - found.min(), abs=1e-9)


def test_offset_makes_the_switch_stand_at_its_place() -> None:
    """raw counts = machine mm x signed counts per mm + offset: at the mean touch that is ``position_mm``."""
    homing = homing_with(position_mm=42.0)
    result = SimulatedSwitch(homing, 100.0).run().result
    assert (result.mean_counts - result.offset_counts) / 5400.0 == pytest.approx(42.0)


@pytest.mark.parametrize("direction", [-1, 1])
@pytest.mark.parametrize("towards", [-1, 1])
def test_the_offset_lies_in_the_middle_of_the_play(towards: int, direction: int) -> None:
    """The switch sees the head, the counter the motor, which leads it by half the play: homing from the right and
    from the left of a machine with 0.8 mm of play gives offsets that differ by all of it, in the counter's own
    direction."""
    homing = homing_with(towards=towards, position_mm=15.0)
    counts_per_mm = direction * 5400.0
    start_mm = 15.0 - 60.0 * towards
    world = SimulatedSwitch(homing, start_mm, counts_per_mm=counts_per_mm, half_play_mm=0.4)
    result = world.run().result
    motor_mm = (result.mean_counts - result.offset_counts) / counts_per_mm
    assert motor_mm == pytest.approx(15.0 + 0.4 * towards)


def test_leaves_a_closed_switch_first() -> None:
    """Started on the switch, the axis first moves away from it, then touches as ever."""
    world = SimulatedSwitch(homing_with(), 9.0)
    world.tick()
    world.tick()
    assert world.homer.phase is Phase.LEAVE
    assert world.commands[-1] > 0.0
    result = world.run().result
    assert abs((result.mean_counts - 777.0) / 5400.0 - 15.0) <= 0.01


def test_ends_at_rest_backed_off() -> None:
    """At the end the axis stands still, the switch is open and about ``back_off_mm`` away."""
    world = SimulatedSwitch(homing_with(), 100.0)
    world.run()
    assert world.commands[-1] == 0.0
    assert not world.is_closed
    assert world.mm - 15.0 == pytest.approx(4.0, abs=0.1)


def test_touches_come_from_one_direction_at_slow_speed() -> None:
    """Every closing of the switch after the first, fast one happens at no more than the slow speed."""
    world = SimulatedSwitch(homing_with(), 100.0)
    speeds = []
    while not world.homer.finished:
        before = len(world.edges)
        world.tick()
        if len(world.edges) > before:
            speeds.append(world.speed)
    assert speeds[0] < -100.0
    assert len(speeds) == 5
    assert all(-10.0 - 1e-6 <= speed < 0 for speed in speeds[1:])


def test_velocity_steps_stay_within_the_acceleration() -> None:
    """Commanded velocity never changes by more than acceleration x tick, whatever the phase."""
    world = SimulatedSwitch(homing_with(), 9.0)
    world.run()
    steps = np.abs(np.diff([0.0, *world.commands]))
    assert steps.max() <= RATE_MM_S2 * TICK_S + 1e-9


@pytest.mark.parametrize(
    ("world", "failure", "words"),
    [
        (lambda: SimulatedSwitch(homing_with(search_max_mm=50.0), 200.0), HomingFailure.NOT_FOUND, "50.0 mm"),
        (
            lambda: SimulatedSwitch(homing_with(), 200.0, stuck=False, limit_mm=0.0),
            HomingFailure.LIMIT,
            "limit",
        ),
        (
            lambda: SimulatedSwitch(homing_with(search_max_mm=50.0), 20.0, stuck=True),
            HomingFailure.STUCK,
            "closed switch all the way",
        ),
    ],
)
def test_missing_stuck_and_limit_are_told_apart(
    world: Callable[[], SimulatedSwitch], failure: HomingFailure, words: str
) -> None:
    """No switch within the search, a switch that never opens and a limit reached: each its own failure."""
    homer = world().run()
    assert homer.phase is Phase.FAILED
    assert homer.failure is failure
    assert words in homer.message
    assert homer.message.startswith("axis x: ")
    with pytest.raises(RuntimeError, match="expected a finished homing"):
        _ = homer.result


def test_switch_that_sticks_after_a_touch_fails() -> None:
    """A switch that stays closed after backing off ends the homing; the axis does not drive on."""
    world = SimulatedSwitch(homing_with(), 60.0)
    while not world.edges:
        world.tick()
    world.stuck = True
    homer = world.run()
    assert homer.failure is HomingFailure.STUCK
    assert world.mm < 30.0


def test_switch_that_goes_missing_after_the_fast_approach_fails() -> None:
    """A switch that no longer closes is looked for over a bounded distance only."""
    world = SimulatedSwitch(homing_with(), 60.0)
    while not world.edges:
        world.tick()
    while world.is_closed:
        world.tick()
    world.stuck = False
    homer = world.run()
    assert homer.failure is HomingFailure.LOST
    assert world.mm > 0.0


def test_drive_that_is_not_enabled_fails() -> None:
    """Losing OPERATION ENABLED in the search ends it at once, velocity ramping to zero."""
    world = SimulatedSwitch(homing_with(), 60.0)
    for _ in range(50):
        world.tick()
    command = world.homer.step(0, False, False, False, enabled=False)
    assert world.homer.failure is HomingFailure.DRIVE
    assert abs(command) < 150.0


def test_lost_readings_do_not_count_as_touches_nor_as_standstill() -> None:
    """With a quarter of the readings missing the result keeps its bound: doubtful touches are repeated."""
    generator = np.random.default_rng(2)
    missing = generator.random(20_000) < 0.25
    world = SimulatedSwitch(homing_with(), 60.0)
    world.fresh = lambda tick: not missing[tick]
    result = world.run().result
    assert abs((result.mean_counts - 777.0) / 5400.0 - 15.0) <= 0.01
    assert len(result.touches_counts) == 4


@settings(max_examples=30, deadline=None)
@given(before=st.integers(0, 60), gap=st.integers(1, 60), every=st.integers(2, 30))
def test_readings_that_stay_away_carry_no_axis_far_behind_its_switch(
    before: int, gap: int, every: int
) -> None:
    """Readings that stay away for any time round the instant of the switch, and of the rest all but each nth: the axis
    is no farther behind its edge than what two blind ticks and a reading that is a tick old go on, braking from full
    speed, v^2 / 2a, and slow travel for the rest of the gap; the motor follows with its lag.
    """
    homing = homing_with()
    world = SimulatedSwitch(homing, 60.0)
    gap_from: list[int] = []

    def seen(tick: int) -> bool:
        if not gap_from and world.mm - 15.0 <= homing.fast_mm_s * TICK_S * before:
            gap_from.append(tick)
        if gap_from and tick < gap_from[0] + gap:
            return False
        return not gap_from or tick >= gap_from[0] + gap + 200 or tick % every == 0

    world.fresh = seen
    farthest = 0.0
    for _ in range(round(60.0 / TICK_S)):
        if world.homer.finished:
            break
        world.tick()
        farthest = max(farthest, 15.0 - world.mm)
    assert world.homer.phase is Phase.DONE
    full, slow = homing.fast_mm_s, homing.slow_mm_s
    blind_s = (BLIND_TICKS + 2) * TICK_S
    braking_mm = full**2 / (2.0 * RATE_MM_S2) + full * (world.lag_s + TICK_S)
    assert farthest <= full * blind_s + braking_mm + slow * gap * TICK_S + 0.01


def test_braking_goes_on_while_readings_stay_away() -> None:
    """A switch seen closed at full speed, and then nothing for as long as braking takes: the axis rests as early as
    with every reading there."""
    ways = []
    for is_blind in (False, True):
        world = SimulatedSwitch(homing_with(), 60.0)
        while world.homer.phase is not Phase.BRAKE:
            world.tick()
        world.fresh = lambda _tick, blind=is_blind: not blind  # type: ignore[misc]
        for _ in range(round(homing_with().fast_mm_s / RATE_MM_S2 / TICK_S) + 30):
            world.tick()
            if not is_blind and world.homer.phase is not Phase.BRAKE:
                break
        ways.append(15.0 - world.mm)
    assert ways[1] <= ways[0] + 0.1


def test_readings_that_always_miss_the_edge_end_the_homing() -> None:
    """Touches are repeated a bounded number of times, then the homing fails and says why."""
    world = SimulatedSwitch(homing_with(), 60.0)
    world.fresh = lambda tick: world.homer.phase is not Phase.TOUCH or world.is_closed
    homer = world.run()
    assert homer.failure is HomingFailure.BLIND


def found(mean_counts: float, spread_mm: float = 0.02, axis: str = "x") -> AxisHoming:
    return AxisHoming(axis, (mean_counts,), mean_counts, spread_mm, 0.0)


def axis_of(name: str = "x") -> Axis:
    return machine().axes[name]


def test_judge_accepts_within_tolerances_and_names_the_difference() -> None:
    """Within spread and difference a homing is accepted; the text names both in mm."""
    verdict = judge(found(5400.0 * 0.5), found(0.0), axis_of())
    assert verdict.accepted
    assert "+0.500 mm" in verdict.text
    assert judge(found(1e9), None, axis_of()).accepted


def test_judge_refuses_a_wide_spread() -> None:
    """Touches that spread wider than accepted are refused whatever their mean."""
    verdict = judge(found(0.0, spread_mm=0.2), found(0.0), axis_of())
    assert not verdict.accepted
    assert "0.200 mm" in verdict.text
    assert "0.15 mm" in verdict.text


@pytest.mark.parametrize(
    ("teeth", "words"), [(1, "one belt pitch"), (-3, "3 belt pitches"), (2, "2 belt pitches")]
)
def test_judge_names_a_likely_tooth_jump(teeth: int, words: str) -> None:
    """A difference close to whole belt pitches is called a likely tooth jump; the sign is machine mm."""
    for name, sign in (("x", 1), ("y", -1)):
        axis = axis_of(name)
        difference_mm = teeth * axis.drive.belt_pitch_mm + 0.1
        verdict = judge(found(sign * 5400.0 * difference_mm, axis=name), found(0.0, axis=name), axis)
        assert not verdict.accepted
        assert f"{difference_mm:+.3f} mm" in verdict.text
        assert words in verdict.text
        assert "jumped" in verdict.text


def test_judge_does_not_cry_tooth_jump_halfway() -> None:
    """Half a pitch off is refused, but not called a tooth jump."""
    verdict = judge(found(5400.0 * 1.5), found(0.0), axis_of())
    assert not verdict.accepted
    assert "jumped" not in verdict.text


@given(teeth=st.integers(-20, 20), off_mm=st.floats(-0.7, 0.7))
def test_tooth_jump_finds_the_nearest_whole_number(teeth: int, off_mm: float) -> None:
    """Within the tolerance of n pitches the answer is n; 0 means none."""
    assert tooth_jump(teeth * 3.0 + off_mm, 3.0, 0.8) == teeth


def test_judge_all_compares_each_axis_with_its_own_past() -> None:
    """One axis out of tolerance refuses the homing; the texts stay one an axis."""
    axes = machine().axes
    accepted, texts = judge_all(
        [found(0.0), found(54_000.0, axis="y")], [found(0.0, axis="y"), found(0.0)], axes
    )
    assert not accepted
    assert len(texts) == 2
    assert "axis y" in texts[1]
