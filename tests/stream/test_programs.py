"""Programs: the plan, the holds for the head, and the controlled stop on the path."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.machine import AXES
from controller.motion.schedule import SEGMENT_DTYPE, Schedule, SegmentKind
from controller.stream.programs import BLOCK_TICKS, STOP_SHARE, PathProgram, Seen

from .conftest import machine_with, wave_schedule

MACHINE = machine_with()
UNIT_MM_S = 1.0 / 5400.0


def seen(*, settled: bool = True) -> Seen:
    return Seen([0, 0], [0, 0], True, settled)


def schedule_of(velocity: npt.NDArray[Any]) -> Schedule:
    """One STROKE segment with these velocities."""
    ticks = len(velocity)
    segments = np.zeros(1, dtype=SEGMENT_DTYPE)
    segments["kind"], segments["ticks"] = SegmentKind.STROKE, ticks
    return Schedule(
        velocity.astype(np.int32),
        segments,
        (0, 0),
        MACHINE.tick_ns,
        MACHINE.name,
    )


def play(
    program: PathProgram, stop_at: int | None = None, limit: int = 100_000
) -> list[tuple[int, int, int, int]]:
    """All ticks of a program: (x, y, head, segment); a stop is requested before tick ``stop_at``."""
    out = []
    for tick in range(limit):
        if tick == stop_at:
            program.request_stop()
        if not program.step(seen()):
            return out
        out.append((program.velocity_x, program.velocity_y, program.head, program.segment))
    raise AssertionError("does not end")


def test_streams_exactly_the_schedule_over_many_blocks() -> None:
    """Without a stop every tick of the schedule comes out once, in order, across block borders."""
    generator = np.random.default_rng(1)
    schedule = schedule_of(generator.integers(-500_000, 500_000, (3 * BLOCK_TICKS + 7, 2)))
    out = np.array(play(PathProgram(schedule, MACHINE)))
    assert np.array_equal(out[:, :2], schedule.velocity_units)
    assert np.array_equal(out[:, 2], np.asarray(schedule.head))


@given(first=st.integers(0, 3000), ticks=st.integers(1, 2500))
@settings(max_examples=30, deadline=None)
def test_streams_exactly_a_part_of_the_schedule(first: int, ticks: int) -> None:
    """From ``first_tick`` to ``end_tick`` come exactly those ticks, wherever they lie among the blocks."""
    velocity = np.arange(2 * 6000).reshape(-1, 2)
    out = np.array(play(PathProgram(schedule_of(velocity), MACHINE, first, first + ticks)))
    assert np.array_equal(out[:, :2], velocity[first : first + ticks])


def test_holds_until_the_head_has_answered() -> None:
    """After LOWER and after RAISE the last position is held while the head has not settled; then all goes on."""
    schedule = wave_schedule(MACHINE)
    program = PathProgram(schedule, MACHINE)
    word = seen(settled=False)
    out = []
    for tick in range(2000):
        word.head_settled = tick % 50 == 49
        if not program.step(word):
            break
        out.append((program.velocity_x, program.velocity_y, program.head))
    held = len(out) - schedule.ticks
    assert held == program.held_ticks
    assert held > 0
    moving = np.array([o for o in out if o[0] or o[1]])
    planned = schedule.velocity_units[np.any(schedule.velocity_units != 0, axis=1)]
    assert np.array_equal(moving[:, :2], planned)
    # While the pen is on its way down or up nothing moves.
    heads = np.array([o[2] for o in out])
    for change in np.flatnonzero(np.diff(heads)) + 1:
        assert out[change][:2] == (0, 0)


def test_a_plan_in_motion_where_the_head_should_have_settled_is_a_failure() -> None:
    """A plan that does not stand still at a gate cannot be held: it is stopped on the path and says why."""
    schedule = wave_schedule(MACHINE)
    schedule.velocity_units[:] = np.maximum(schedule.velocity_units, 50_000)
    program = PathProgram(schedule, MACHINE)
    word = seen(settled=False)
    last = (0, 0)
    for _ in range(2000):
        if program.velocity_x == 0 and program.stopping:
            word.head_settled = True
        if not program.step(word):
            break
        last = (program.velocity_x, program.velocity_y)
    assert "stand still" in program.failure
    assert last == (0, 0)


# --- the controlled stop ---------------------------------------------------------------------------------


def polyline_distances_mm(points: npt.NDArray[Any], line: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Distance of every point to the polyline, mm."""
    begin, end = line[:-1], line[1:]
    direction = end - begin
    squared = np.maximum((direction**2).sum(1), 1e-30)
    out = []
    for point in points:
        along = np.clip(((point - begin) * direction).sum(1) / squared, 0.0, 1.0)
        out.append(np.hypot(*(point - begin - along[:, None] * direction).T).min())
    return np.array(out)


@st.composite
def smooth_velocities(draw: st.DrawFn) -> npt.NDArray[np.int32]:
    """Velocities of a curved path within the acceleration limit, starting and ending at rest, units."""
    ticks = draw(st.integers(60, 400))
    top_mm_s = draw(st.floats(5.0, 200.0))
    turn_rad_s = draw(st.floats(-6.0, 6.0))
    ripple = draw(st.floats(0.0, 0.4))
    time_s = np.arange(ticks) * 0.004
    ramp = np.minimum(np.minimum(time_s, time_s[::-1]) * 1500.0, top_mm_s)
    speed = ramp * (1.0 - ripple * np.sin(9.0 * time_s) ** 2)
    angle = draw(st.floats(0.0, 6.28)) + turn_rad_s * time_s
    units = np.stack([speed * np.cos(angle), speed * np.sin(angle)], axis=1) / UNIT_MM_S
    return np.rint(units).astype(np.int32)


@settings(max_examples=60, deadline=None)
@given(velocity=smooth_velocities(), share=st.floats(0.0, 1.0))
def test_a_controlled_stop_stays_on_the_path_slows_down_and_ends_at_rest(
    velocity: npt.NDArray[np.int32], share: float
) -> None:
    """Every position of the stop lies on the planned polyline; path speed never grows; the end is zero, pen up."""
    schedule = schedule_of(velocity)
    stop_at = round(share * (len(velocity) - 1))
    out = np.array(play(PathProgram(schedule, MACHINE), stop_at))
    quantum_mm = 0.004 * UNIT_MM_S
    line = schedule.boundaries_quanta() * quantum_mm
    points = np.concatenate([[[0, 0]], np.cumsum(out[:, :2], axis=0)]) * quantum_mm
    stopping = points[stop_at:]
    # Half a quantum of rounding on each axis.
    assert polyline_distances_mm(stopping, line).max() <= 0.75 * quantum_mm
    along = arc_positions_mm(stopping, line, stop_at)
    speeds = np.diff(along) / 0.004
    before = math.hypot(*(out[stop_at - 1, :2] * UNIT_MM_S)) if stop_at else 0.0
    slack = 3 * quantum_mm / 0.004
    assert np.all(np.diff(np.concatenate([[before], speeds])) <= slack)
    assert tuple(out[-1, :2]) == (0, 0)
    assert out[-1, 2] == 0
    # And it does come to rest within the distance that the rate allows.
    rate = STOP_SHARE * MACHINE.motion.acceleration_mm_s2
    assert along[-1] - along[0] <= before * before / (2 * rate) + 1e-6


def arc_positions_mm(points: npt.NDArray[Any], line: npt.NDArray[Any], begin: int) -> npt.NDArray[Any]:
    """Arc length of each point on the polyline, never going back, from boundary ``begin`` on."""
    lengths = np.hypot(*np.diff(line, axis=0).T)
    starts = np.concatenate([[0.0], np.cumsum(lengths)])
    out = []
    piece = begin
    for point in points:
        best = (math.inf, 0.0, piece)
        for index in range(piece, min(piece + 3, len(lengths))):
            span = max(lengths[index], 1e-30)
            direction = (line[index + 1] - line[index]) / span
            along = min(max(float((point - line[index]) @ direction), 0.0), float(lengths[index]))
            miss = float(np.hypot(*(point - line[index] - along * direction)))
            if miss < best[0] - 1e-12:
                best = (miss, float(starts[index] + along), index)
        out.append(best[1] if best[0] < math.inf else float(starts[-1]))
        piece = best[2]
    return np.array(out)


def test_the_stop_keeps_the_plans_own_braking() -> None:
    """Where the plan itself brakes harder than the stop would, the stop is the plan, tick by tick."""
    ramp = np.linspace(1_000_000, 0, 8)
    velocity = np.stack([np.concatenate([np.full(10, 1_000_000), ramp]), np.zeros(18)], axis=1)
    plan = schedule_of(velocity)
    out = np.array(play(PathProgram(plan, MACHINE), 11))
    assert np.abs(out[11:17, :2] - plan.velocity_units[11:17]).max() <= 1
    assert not out[18:, :2].any()


def test_a_stop_never_runs_through_the_plan_faster_than_the_plan() -> None:
    """Begun where the plan is steady and caught up by its hard braking: no tick covers more than one of the plan."""
    ramp = np.linspace(1_000_000, 1_000, 8)
    velocity = np.stack([np.concatenate([np.full(10, 1_000_000), ramp]), np.zeros(18)], axis=1)
    plan = schedule_of(velocity)
    out = np.array(play(PathProgram(plan, MACHINE), 7))
    boundaries = np.concatenate([[0], np.cumsum(plan.velocity_units[:, 0])])
    positions = np.concatenate([[0], np.cumsum(out[:, 0])])
    plan_time = np.interp(positions, boundaries, np.arange(19))
    assert np.diff(plan_time).max() <= 1.0 + 1e-3


def test_a_stop_ends_where_the_plan_stands_and_does_not_go_on_behind() -> None:
    """A stop that reaches a place where the plan waits (for the pen) ends there."""
    velocity = np.concatenate([np.full((20, 2), 400_000), np.zeros((10, 2)), np.full((50, 2), 400_000)])
    out = np.array(play(PathProgram(schedule_of(velocity), MACHINE), 18))
    assert out[:, 0].sum() == 20 * 400_000


@pytest.mark.parametrize("stop_at", [0, 5])
def test_a_stop_before_or_at_rest_only_lifts_the_pen(stop_at: int) -> None:
    """Asked for while the plan stands, nothing moves any more."""
    velocity = np.concatenate([np.zeros((6, 2)), np.full((50, 2), 1000)])
    out = np.array(play(PathProgram(schedule_of(velocity), MACHINE), stop_at))
    assert not out[:, :2].any()


def test_after_the_stop_the_pen_has_time_to_rise_and_must_answer() -> None:
    """Pen up for at least the settling time, and no end before the head has answered."""
    velocity = np.full((200, 2), 100_000)
    program = PathProgram(schedule_of(velocity), MACHINE)
    word = seen()
    for _ in range(50):
        program.step(word)
    program.request_stop()
    program.request_stop()
    word.head_settled = False
    up = 0
    for _ in range(500):
        assert program.step(word)
        up += program.head == 0
    assert up * MACHINE.tick_ns >= MACHINE.head.settle_up_ms * 1e6
    word.head_settled = True
    assert not program.step(word)


def test_the_settling_time_is_kept_even_if_the_head_answers_at_once() -> None:
    """A switch that closes early does not shorten the time that the pen is given to rise."""
    out = np.array(play(PathProgram(schedule_of(np.full((200, 2), 100_000)), MACHINE), 50))
    up = out[out[:, 2] == 0]
    assert len(up) * MACHINE.tick_ns >= MACHINE.head.settle_up_ms * 1e6
    assert not up[:, :2].any()


def test_a_stop_on_one_tick_plans_of_any_axis_direction_is_signed_right() -> None:
    """Negative velocities slow towards zero from below."""
    velocity = np.tile([[-300_000, 200_000]], (400, 1))
    out = np.array(play(PathProgram(schedule_of(velocity), MACHINE), 10))
    assert np.all(np.diff(out[9:, 0]) >= -1)
    assert np.all(np.diff(out[9:, 1]) <= 1)
    assert len(AXES) == 2


@pytest.mark.parametrize("units", [2_899_285, 3_041_856, 3_042_853, 3_045_844, 3_062_793])
def test_a_stop_from_fast_travel_comes_to_its_end(units: int) -> None:
    """What rounding leaves of a tick's length is no length: at these speeds the smallest float stood still for ever.

    The expected way is v^2 / 2a, known from the textbook.
    """
    velocity = np.zeros((2000, 2), dtype=np.int64)
    velocity[:, 0] = units
    out = np.array(play(PathProgram(schedule_of(velocity), MACHINE), stop_at=100))
    rate_mm_s2 = STOP_SHARE * MACHINE.motion.acceleration_mm_s2
    speed_mm_s = units * UNIT_MM_S
    way_mm = out[100:, 0].sum() * UNIT_MM_S * MACHINE.tick_ns * 1e-9
    assert way_mm == pytest.approx(speed_mm_s**2 / (2 * rate_mm_s2), abs=speed_mm_s * MACHINE.tick_ns * 1e-9)
