"""The loop in virtual time against a fake gantry: laws, order, stops, and every reason to halt."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.stream.spec import AxisHomingResult, HomingTask, MoveTask
from drivers.errors import LinkError, MisuseError
from drivers.interface import DriveState

from .conftest import Rig, machine_with, painted, wave_schedule

MS = 1_000_000


# --- laws ------------------------------------------------------------------------------------------------


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 1000), strokes=st.integers(1, 3), ticks=st.integers(20, 120))
def test_done_means_that_exactly_the_schedule_was_sent_plus_trim(
    tmp_path_factory: pytest.TempPathFactory, seed: int, strokes: int, ticks: int
) -> None:
    """Law: of a stream that ends done, sent velocities less trim are the schedule's, tick by tick."""
    rig = Rig(tmp_path_factory.mktemp("run"), lag_ms=(9.0, 7.0))
    schedule = wave_schedule(rig.machine, strokes, ticks, seed)
    schedule.save(rig.folder / "schedule")
    outcome = rig.run(painted(rig))
    assert outcome.end == "done", outcome.reason
    records = rig.records()
    mine = records[records["segment"] >= 0]
    planned = mine["velocity_units"] - mine["trim_units"]
    moving = np.any(planned != 0, axis=1)
    expected = schedule.velocity_units
    assert np.array_equal(planned[moving], expected[np.any(expected != 0, axis=1)])
    # And what the records say is what left for the drives.
    assert [sent[1] for sent in rig.group.sent] == [tuple(v) for v in records["velocity_units"].tolist()]


def test_the_gantry_ends_where_the_plan_ends(rig: Rig) -> None:
    """Sum of sent velocities x tick moves the axes to the schedule's end, within a count and a bit of trim."""
    schedule = wave_schedule(rig.machine)
    outcome = rig.run(painted(rig))
    assert outcome.end == "done"
    for index, motor in enumerate(rig.group.motors):
        end_mm = schedule.boundaries_quanta()[-1][index] / rig.machine.quanta_per_mm("xy"[index])
        assert motor.mm == pytest.approx(end_mm, abs=0.002)


def test_with_the_models_lag_there_is_no_trim_beyond_one_unit(rig: Rig) -> None:
    """A drive that lags as modelled needs no correction: only the counts' rounding is left (1 unit)."""
    assert rig.run(painted(rig)).end == "done"
    records = rig.records()
    mine = records[records["segment"] >= 0]
    assert np.abs(mine["trim_units"]).max() <= 1
    fresh = mine[(mine["flags"] & 1) == 1]
    assert np.abs(fresh["planned_counts"] - fresh["measured_counts"]).max() <= 1


@pytest.mark.parametrize("share", [0.8, 1.2])
def test_with_a_lag_20_percent_wrong_the_trim_stays_small_and_stable(tmp_path: Path, share: float) -> None:
    """A wrong lag shows as trim far below its authority, no saturation, and the end is on the plan's end."""
    rig = Rig(tmp_path, lag_ms=(8.0 * share, 8.0 * share))
    schedule = wave_schedule(rig.machine)
    assert rig.run(painted(rig)).end == "done"
    records = rig.records()
    mine = records[records["segment"] >= 0]
    authority = rig.machine.trim.authority_mm_s * 5400.0
    assert 1 < np.abs(mine["trim_units"]).max() < 0.5 * authority
    assert not (records["flags"] & 4).any()
    for index, motor in enumerate(rig.group.motors):
        end_mm = schedule.boundaries_quanta()[-1][index] / rig.machine.quanta_per_mm("xy"[index])
        assert motor.mm == pytest.approx(end_mm, abs=0.05)


def test_a_drive_that_runs_a_little_fast_is_held_by_the_trim(tmp_path: Path) -> None:
    """A velocity scale 0.5 % off would leave 0.5 % of the way; the trim keeps the error bounded."""
    rig = Rig(tmp_path)
    for motor in rig.group.motors:
        motor.scale = 1.005
    assert rig.run(painted(rig)).end == "done"
    records = rig.records()
    mine = records[records["segment"] >= 0]
    errors_mm = np.abs(mine["planned_counts"] - mine["measured_counts"]) / 5400.0
    assert errors_mm.max() < 0.5
    assert np.abs(mine["trim_units"]).max() > 100


# --- homing and order ------------------------------------------------------------------------------------


def test_home_paint_and_park_in_one_life(rig: Rig) -> None:
    """Homing finds the true offsets, the schedule follows, the move ends at its target; then power off."""
    outcome = rig.run(HomingTask(), painted(rig), MoveTask(target_mm=(120.0, 120.0)), registered=False)
    assert outcome.end == "done", outcome.reason
    offsets = {result.axis: result.offset_counts for result in outcome.homing}
    assert [result.axis for result in outcome.homing] == ["y", "x"]
    # A touch is known to a fraction of the way of one tick at the slow speed: 12 mm/s x 4 ms x 5400 counts/mm.
    tick_counts = 259.2
    # The motor is taken for half the play (0.125 mm) ahead of the head in the direction of the touches, -1; counts
    # run with x and against y. These motors have no gap, so they stand where they are told, less that.
    half_play_mm, counts_per_mm = 0.125, 5400.0
    assert offsets["x"] == pytest.approx(12_345.0 + half_play_mm * counts_per_mm, abs=tick_counts / 4)
    assert offsets["y"] == pytest.approx(-777.0 - half_play_mm * counts_per_mm, abs=tick_counts / 4)
    expected_mm = [120.0 + half_play_mm] * 2
    assert [motor.mm for motor in rig.group.motors] == pytest.approx(expected_mm, abs=0.02)
    assert rig.group.calls == ["configure", "clear_fault", "enable", "disable"]
    assert rig.beats.words == ["arm", "disarm"]
    records = rig.records()
    assert set(records["task"].tolist()) == {0, 1, 2}
    assert not records["trim_units"][records["task"] == 0].any()


def test_arm_comes_before_motion_and_disarm_after_standstill(rig: Rig) -> None:
    """No velocity leaves before the guard is armed; at disarm the last ticks were zero and the axes stand."""
    events: list[str] = []
    rig.beats.arm = lambda *_a, **_k: events.append("arm") or True  # type: ignore[func-returns-value,method-assign]
    rig.beats.disarm = lambda *_a, **_k: events.append("disarm") or True  # type: ignore[func-returns-value,method-assign]
    rig.group.before_send = lambda _tick: events.append("tick")
    disable = rig.group.disable
    rig.group.disable = lambda: (events.append("disable"), disable())[1]  # type: ignore[method-assign,func-returns-value]
    assert rig.run(MoveTask(target_mm=(200.0, 200.0))).end == "done"
    assert events[0] == "arm"
    assert events[-2:] == ["disarm", "disable"]
    assert events.count("tick") == len(rig.group.sent)
    # Zero but for the trim's last unit: 0.2 um/s.
    assert max(abs(units) for sent in rig.group.sent[-5:] for units in sent[1]) <= 1
    # Slower than 0.1 mm/s.
    assert all(abs(motor.speed) < 540.0 for motor in rig.group.motors)


def test_beats_renew_the_lease_with_every_tick(rig: Rig) -> None:
    """Each tick is followed by one beat whose lease ends ``lease_ms`` after the send; ticks are numbered."""
    rig.run(MoveTask(target_mm=(200.0, 200.0)))
    assert len(rig.beats.beats) == len(rig.group.sent)
    for tick, (beat, sent) in enumerate(zip(rig.beats.beats, rig.group.sent, strict=True)):
        now_ns, lease_ns, number = beat[:3]
        assert now_ns == sent[0]
        assert lease_ns - now_ns == 24 * MS
        assert number == tick
    # Machine um: the last beat stands at the target.
    assert rig.beats.beats[-1][3:5] == pytest.approx((200_000, 200_000), abs=2)


def test_homing_out_of_tolerance_ends_the_life_standing_still(rig: Rig) -> None:
    """A homing that differs from the last by a belt pitch fails: nothing is painted, no latch, disarmed."""
    previous = tuple(
        AxisHomingResult(axis=axis, touches_counts=(at,), mean_counts=at, spread_mm=0.0, offset_counts=offset)
        for axis, at, offset in (
            ("x", 12_345.0 + (15.0 + 3.0) * 5400.0, 0.0),
            ("y", -777.0 - 15.0 * 5400.0, 0.0),
        )
    )
    spec = rig.spec(HomingTask(), painted(rig), registered=False).model_copy(
        update={"previous_homing": previous}
    )
    outcome = rig.run_spec(spec)
    assert outcome.end == "failed"
    assert "one belt pitch" in outcome.reason
    assert [result.axis for result in outcome.homing] == ["y", "x"]
    assert outcome.segment == -1
    assert rig.beats.words == ["arm", "disarm"]
    assert rig.group.calls[-1] == "disable"


def test_a_missing_home_switch_fails_with_its_axis(tmp_path: Path) -> None:
    """A switch that never closes ends the homing with a message, under control."""
    machine = machine_with(axes__y__homing__search_max_mm=80.0)
    rig = Rig(tmp_path, machine)
    rig.group.motors[1].switch_works = False
    outcome = rig.run(HomingTask(), registered=False)
    assert outcome.end == "failed"
    assert "axis y" in outcome.reason
    assert "80.0 mm" in outcome.reason
    assert outcome.homing == ()


def test_a_part_of_a_schedule_starts_with_a_move_to_its_place(rig: Rig) -> None:
    """From the second stroke's travel on: the same ticks as in the whole schedule, none of the others."""
    schedule = wave_schedule(rig.machine)
    outcome = rig.run(painted(rig, first_segment=4, last_segment=7))
    assert outcome.end == "done"
    assert outcome.segment == 7
    records = rig.records()
    mine = records[records["segment"] >= 0]
    assert set(mine["segment"].tolist()) == {4, 5, 6, 7}
    planned = (mine["velocity_units"] - mine["trim_units"])[np.isin(mine["segment"], (4, 6))]
    first = int(schedule.segments[4]["first_tick"])
    expected = schedule.velocity_units[first:][np.isin(schedule.segment[first:], (4, 6))]
    assert np.array_equal(planned, expected)


# --- stops -----------------------------------------------------------------------------------------------


def test_a_controlled_stop_in_a_stroke_ends_at_rest_pen_up_disarmed(rig: Rig) -> None:
    """SIGTERM's flag in mid-stroke: rest on the path, pen up, outcome stopped with its segment."""
    schedule = wave_schedule(rig.machine)

    def ask(_tick: int) -> None:
        records = rig.ring.written
        if (
            records
            and len(rig.group.sent) > 0
            and rig.group.head_goal == 1
            and abs(rig.group.motors[0].speed) > 1e4
        ):
            rig.stop.asked = True

    rig.group.before_send = ask
    outcome = rig.run(painted(rig))
    assert outcome.end == "stopped"
    assert outcome.segment == 2
    assert rig.beats.words == ["arm", "disarm"]
    assert rig.group.head_goal == 0
    records = rig.records()
    stopping = records[(records["flags"] & 2) == 2]
    assert len(stopping) > 0
    assert tuple(records["velocity_units"][-1] - records["trim_units"][-1]) == (0, 0)
    # At rest on the planned polyline: between two neighbouring boundaries of the schedule.
    at = (records["velocity_units"] - records["trim_units"])[records["segment"] >= 0].sum(axis=0)
    boundaries = schedule.boundaries_quanta() - np.array(schedule.start_quanta)
    assert np.abs(boundaries - at).max(axis=1).min() <= np.abs(schedule.velocity_units).max()


def test_a_stop_between_tasks_and_in_a_move_and_in_homing(tmp_path: Path) -> None:
    """Whenever it is asked for, the stop ends at rest and disarmed."""
    for at_tick, tasks, registered in (
        (1, (MoveTask(target_mm=(900.0, 400.0)),), True),
        (60, (MoveTask(target_mm=(900.0, 400.0)),), True),
        (100, (HomingTask(),), False),
    ):
        rig = Rig(tmp_path)

        def ask(tick: int, rig: Rig = rig, at_tick: int = at_tick) -> None:
            rig.stop.asked = tick >= at_tick

        rig.group.before_send = ask
        outcome = rig.run(*tasks, registered=registered)
        assert outcome.end == "stopped"
        assert outcome.homing == ()
        assert rig.beats.words == ["arm", "disarm"]
        # Slower than 0.1 mm/s.
    assert all(abs(motor.speed) < 540.0 for motor in rig.group.motors)


def drive_fault(rig: Rig) -> None:
    rig.group.feedback.axes[1].state = DriveState.FAULT
    rig.group.feedback.axes[1].fault_code = 0x8611


def second_signal(rig: Rig) -> None:
    rig.stop.asked = rig.stop.abort = True


def guard_latches(rig: Rig) -> None:
    rig.beats.latched = True


def guard_goes(rig: Rig) -> None:
    rig.beats.gone = True


def guard_falls_silent(rig: Rig) -> None:
    rig.beats.silent_after = 0


def drives_fall_silent(rig: Rig) -> None:
    rig.group.silent = True


def axis_is_held(rig: Rig) -> None:
    rig.group.motors[0].scale = 0.0


def stall(rig: Rig) -> None:
    if rig.clock.now_ns() < 10**12:
        rig.clock.sleep_until_ns(rig.clock.now_ns() + 10**12)


def wire_breaks(_rig: Rig) -> None:
    raise LinkError("wire", "a line that takes frames", "a closed line")


def bug(_rig: Rig) -> None:
    raise ZeroDivisionError("a bug of ours")


@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        (drive_fault, "axis y: expected operation enabled, got fault (fault code 0x8611)"),
        (second_signal, "second stop signal"),
        (guard_latches, "the guard has stopped the machine"),
        (guard_goes, "the guard's line is closed"),
        (guard_falls_silent, "a word of the guard within 60 ms"),
        (drives_fall_silent, "an answer within 60 ms"),
        (axis_is_held, "axis x: expected a following error up to 4 mm"),
        (stall, "ms"),
        (wire_breaks, "drives: wire"),
        (bug, "ZeroDivisionError"),
    ],
)
def test_every_trouble_aborts_first_and_no_velocity_leaves_after(
    rig: Rig, trouble: Callable[[Rig], None], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever goes wrong in motion: abort, no tick after it, no DISARM, no disable, one clear reason."""

    def before(tick: int) -> None:
        if tick == 90:
            trouble(rig)

    rig.group.before_send = before
    at_abort: list[int] = []
    abort = rig.group.abort
    rig.group.abort = lambda: (at_abort.append(len(rig.group.sent)), abort())[1]  # type: ignore[method-assign,func-returns-value]
    outcome = rig.run(MoveTask(target_mm=(1500.0, 900.0)))
    assert outcome.end == "halted"
    assert words in outcome.reason
    assert len(at_abort) == 1
    assert len(rig.group.sent) == at_abort[0]
    assert rig.group.calls == ["configure", "enable", "abort"]
    assert "disarm" not in rig.beats.words
    assert outcome.tick < 90 + 20
    with pytest.raises(MisuseError):
        rig.group.send_tick((0, 0), 0)
    assert ("Traceback" in capsys.readouterr().err) == (trouble is bug)


def test_a_head_that_does_not_answer_holds_the_plan_then_halts(rig: Rig) -> None:
    """A pen that never reports down: nothing is painted, motion holds, and after the time-out the machine halts."""

    def before(_tick: int) -> None:
        if rig.group.head_goal == 1:
            rig.group.head_works = False

    rig.group.before_send = before
    outcome = rig.run(painted(rig))
    assert outcome.end == "halted"
    assert "head" in outcome.reason
    assert outcome.segment == 1
    records = rig.records()
    down = records[records["head"] == 1]
    assert len(down) * 4 >= 1000
    assert not (down["velocity_units"] - down["trim_units"]).any()


def test_the_guard_that_refuses_disarm_means_halted(rig: Rig) -> None:
    """A disarm that is not taken is no clean end: the axes are told to stop."""
    rig.beats.disarm = lambda *_a, **_k: False  # type: ignore[method-assign]
    outcome = rig.run(MoveTask(target_mm=(200.0, 200.0)))
    assert outcome.end == "halted"
    assert rig.group.calls[-1] == "abort"
