"""The loop in virtual time against a fake gantry: order, laws, lateness, and every reason to stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from controller.stream.spec import AxisHomingResult, HomingTask, MoveTask, ScheduleTask
from drivers.errors import FaultError, LinkError, MisuseError
from drivers.interface import DriveState
from safety import latch

from .conftest import Rig, machine_with, wave_schedule

MS = 1_000_000


def painted(rig: Rig, **more: int) -> ScheduleTask:
    folder = rig.folder / "schedule"
    if not folder.exists():
        wave_schedule(rig.machine).save(folder)
    return ScheduleTask(folder=str(folder), **more)


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
    assert offsets["x"] == pytest.approx(12_345.0, abs=30)
    assert offsets["y"] == pytest.approx(-777.0, abs=30)
    assert [motor.mm for motor in rig.group.motors] == pytest.approx([120.0, 120.0], abs=0.01)
    assert rig.group.calls == ["configure", "enable", "disable"]
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


# --- lateness --------------------------------------------------------------------------------------------


def test_a_late_tick_leaves_at_once_and_the_next_keeps_its_instant(rig: Rig) -> None:
    """Delays of 1 to 3 ms: those ticks are late by just that, all others are exactly on their grid."""
    delays = {40: 1 * MS, 41: 3 * MS, 80: 2 * MS}

    class Late:
        """The rig's clock, late when the loop asks for certain instants."""

        def now_ns(self) -> int:
            return rig.clock.now_ns()

        def sleep_until_ns(self, instant_ns: int) -> None:
            rig.clock.sleep_until_ns(instant_ns + delays.get(len(rig.group.sent), 0))

    from controller.stream.run import run_stream

    outcome = run_stream(
        rig.spec(MoveTask(target_mm=(900.0, 400.0))), rig.machine, rig.group, Late(), rig.ring, rig.beats
    )
    assert outcome.end == "done"
    records = rig.records()
    grid = np.diff(records["scheduled_ns"])
    assert (grid == 4 * MS).all()
    late = records["sent_ns"] - records["scheduled_ns"]
    assert {int(tick): int(late[tick]) for tick in np.flatnonzero(late)} == delays
    assert any("2 of" in note for note in outcome.notes)


@pytest.mark.parametrize("latency_ns", [0, 150_000])
def test_after_a_stall_the_overdue_ticks_follow_at_once_and_the_grid_stands(
    rig: Rig, latency_ns: int
) -> None:
    """A stall of 13 ms in a send: the ticks due in it leave together at its end, the next one on its own instant."""
    done = []
    rig.group.latency_ns = latency_ns

    def before(_tick: int) -> None:
        if len(rig.group.sent) == 100 and not done:
            done.append(rig.clock.sleep_until_ns(rig.clock.now_ns() + 13 * MS))

    rig.group.before_send = before
    outcome = rig.run(MoveTask(target_mm=(900.0, 400.0)))
    assert outcome.end == "done", outcome.reason
    records = rig.records()
    assert (np.diff(records["scheduled_ns"]) == 4 * MS).all()
    late = records["sent_ns"] - records["scheduled_ns"]
    assert late[101:104].tolist() == [9 * MS, 5 * MS, 1 * MS]
    assert not late[104:].any()
    # The plan's place is kept: the end is where it should be.
    assert [motor.mm for motor in rig.group.motors] == pytest.approx([900.0, 400.0], abs=0.02)
    check_expected_readings(rig, records, {100})


def check_expected_readings(rig: Rig, records: np.ndarray, doubtful: set[int]) -> None:
    """Recompute, another way, what each fresh reading should have been, and compare with the records.

    The reading that tick k uses was sampled when tick k - 1 was sent. A perfect axis would then be where the plan,
    on its own grid, passed through the lag, is at that very instant: solved here on a 10 us grid. Readings of
    ticks that left more than a tick late, or at a doubtful instant, are used for nothing: the record repeats the
    expectation before.
    """
    tick_s, step_s = 0.004, 1e-5
    moving = np.flatnonzero(records["task"] >= 0)
    plan = records["velocity_units"] - records["trim_units"]
    late_ns = records["sent_ns"] - records["scheduled_ns"]
    steps = round(tick_s / step_s)
    for axis, motor in enumerate(rig.group.motors):
        fine = np.repeat(plan[:, axis].astype(float), steps)
        decay = np.exp(-step_s / motor.lag_s)
        speed = lfilter([0.0, 1.0 - decay], [1.0, -decay], fine)
        planned = np.concatenate([[0.0], np.cumsum(fine) * step_s])[:-1]
        reading = planned - motor.lag_s * speed
        begin = records["planned_counts"][moving[40], axis] - reading[(moving[40] - 1) * steps]
        for tick in moving[41:-1]:
            before = tick - 1
            if late_ns[before] > 4 * MS or before in doubtful:
                assert records["planned_counts"][tick, axis] == records["planned_counts"][before, axis]
                continue
            at = before * steps + round(late_ns[before] * 1e-9 / step_s)
            assert records["planned_counts"][tick, axis] == pytest.approx(begin + reading[at], abs=3.0)


def test_a_tick_later_than_its_lease_never_leaves(rig: Rig) -> None:
    """A stall of 30 ms with a lease of 24: the next tick is not sent, the loop halts."""
    done = []

    def before(_tick: int) -> None:
        if len(rig.group.sent) == 100 and not done:
            done.append(rig.clock.sleep_until_ns(rig.clock.now_ns() + 30 * MS))

    rig.group.before_send = before
    outcome = rig.run(MoveTask(target_mm=(900.0, 400.0)))
    assert outcome.end == "halted"
    assert "lease" in outcome.reason
    assert len(rig.group.sent) == 101


@pytest.mark.parametrize(
    ("start_mm", "speed", "words"),
    [(3379.0, 1_000_000, "soft limits"), (21.0, -1_000_000, "soft limits"), (1000.0, 6_000_000, "at most")],
)
def test_the_loop_itself_keeps_limits_that_vetting_would_miss(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, start_mm: float, speed: int, words: str
) -> None:
    """With vetting switched off a plan beyond soft limits or axis speed is halted before it leaves."""
    monkeypatch.setattr("controller.stream.prepare._vet_ticks", lambda *_a: None)
    schedule = wave_schedule(rig.machine)
    ramp = np.linspace(0, speed, 60).astype(np.int32)
    velocity = np.zeros_like(schedule.velocity_units)
    velocity[:60, 0] = ramp
    velocity[60:, 0] = speed
    start = (round(start_mm * rig.machine.quanta_per_mm("x")), schedule.start_quanta[1])
    replace(schedule, velocity_units=velocity, start_quanta=start).save(rig.folder / "wild")
    outcome = rig.run(ScheduleTask(folder=str(rig.folder / "wild")))
    assert outcome.end == "halted"
    assert words in outcome.reason
    assert rig.group.aborted
    assert max(abs(v) for sent in rig.group.sent for v in sent[1]) <= 700 * 5400 + 2 * 5400 + 2
    assert 19.9 <= rig.group.motors[0].mm <= 3380.1


def test_an_old_answer_of_the_head_does_not_count_for_a_new_command(tmp_path: Path) -> None:
    """While no reading comes after "pen down", the pen is not taken for down because it once was up."""
    rig = Rig(tmp_path, machine_with(head__settle_down_ms=8.0))
    went_down: list[int] = []

    def drop(tick: int) -> bool:
        if rig.group.head_goal == 1 and not went_down:
            went_down.append(tick)
        return bool(went_down) and tick - went_down[0] < 8

    rig.group.drop = drop
    assert rig.run(painted(rig)).end == "done"
    records = rig.records()
    first = int(np.flatnonzero(records["head"])[0])
    still = (records["velocity_units"] - records["trim_units"])[first : first + 15]
    assert not still.any()


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_lost_and_late_rounds_do_not_fool_the_trim(
    tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    """With one round in ten lost and answers up to a tick late, the trim stays as small as the lag's error."""
    generator = np.random.default_rng(seed)
    lost = generator.random(5000) < 0.1
    rig = Rig(tmp_path_factory.mktemp("run"), lag_ms=(8.2, 7.8))
    rig.group.drop = lambda tick: bool(lost[tick])

    def jitter(_tick: int) -> None:
        rig.group.latency_ns = 150_000 if generator.random() < 0.8 else 5 * MS

    rig.group.before_send = jitter
    outcome = rig.run(painted(rig))
    assert outcome.end == "done", outcome.reason
    records = rig.records()
    mine = records[records["segment"] >= 0]
    # One tick of wrong ascription would show as 8000 and more at these speeds.
    assert np.abs(mine["trim_units"]).max() <= 1000
    assert 0.5 < (mine["flags"] & 1).mean() < 1.0
    # An old reading moves nothing.
    assert not mine["trim_units"][(mine["flags"] & 1) == 0].any()


# --- refusals --------------------------------------------------------------------------------------------


def test_a_standing_latch_refuses_before_anything_is_touched(rig: Rig) -> None:
    """With a latch on disk nothing is configured, enabled or armed; the reason names it."""
    latch.write(rig.folder / "latch.json", latch.Latch("stop-asked", "somebody asked: stop"))
    outcome = rig.run(MoveTask(target_mm=(200.0, 200.0)))
    assert outcome.end == "refused"
    assert "stop-asked" in outcome.reason
    assert rig.group.calls == []
    assert rig.beats.words == []


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda rig: rig.run(registered=True), "at least one task"),
        (lambda rig: rig.run(painted(rig), registered=False), "unregistered"),
        (lambda rig: rig.run(MoveTask(target_mm=(5000.0, 200.0))), "20.0 to 3380.0 mm, got 5000.0"),
        (lambda rig: rig.run(ScheduleTask(folder=str(rig.folder / "none"))), "a whole schedule"),
        (lambda rig: rig.run(painted(rig, first_segment=2)), "middle of a stroke"),
        (lambda rig: rig.run(painted(rig, first_segment=0, last_segment=99)), "segments within 0 to 7"),
    ],
)
def test_what_cannot_be_streamed_is_refused_before_anything_moves(
    rig: Rig, spoil: Callable[[Rig], object], words: str
) -> None:
    """Bad tasks are refused with one clear message; the drives are not even configured."""
    outcome = spoil(rig)
    assert outcome.end == "refused"  # type: ignore[attr-defined]
    assert words in outcome.reason  # type: ignore[attr-defined]
    assert rig.group.calls == []


def test_schedules_beyond_soft_limits_speeds_or_of_another_machine_are_refused(tmp_path: Path) -> None:
    """A tampered or foreign schedule never reaches the drives."""
    machine = machine_with()
    good = wave_schedule(machine)

    def refused(name: str, words: str, **changes: object) -> None:
        rig = Rig(tmp_path)
        replace(good, **changes).save(tmp_path / name)  # type: ignore[arg-type]
        outcome = rig.run(ScheduleTask(folder=str(tmp_path / name)))
        assert outcome.end == "refused"
        assert words in outcome.reason
        assert rig.group.calls == []

    near = (round(20.1 * machine.quanta_per_mm("x")), good.start_quanta[1])
    refused("low", "soft limits", start_quanta=near, velocity_units=good.velocity_units - 100_000)
    far = (round(3379.9 * machine.quanta_per_mm("x")), good.start_quanta[1])
    outward = np.abs(good.velocity_units)
    refused("limits", "soft limits", start_quanta=far, velocity_units=outward)
    fast = good.velocity_units.copy()
    fast[20, 0] = 10_000_000
    refused("speed", "largest speed", velocity_units=fast)
    refused("machine", "for boathouse", machine="shed")
    refused("tick", "4000000 ns a tick", tick_ns=2_000_000)
    good.save(tmp_path / "torn")
    content = bytearray((tmp_path / "torn" / "velocity.npy").read_bytes())
    content[-1] ^= 1
    (tmp_path / "torn" / "velocity.npy").write_bytes(content)
    outcome = Rig(tmp_path).run(ScheduleTask(folder=str(tmp_path / "torn")))
    assert outcome.end == "refused"
    assert "digest" in outcome.reason


def test_a_gain_that_would_swing_is_refused(tmp_path: Path) -> None:
    """A trim gain beyond the stability bound is refused with the largest allowed one."""
    rig = Rig(tmp_path, machine_with(trim__gain_per_s=200.0))
    outcome = rig.run(MoveTask(target_mm=(200.0, 200.0)))
    assert outcome.end == "refused"
    assert "trim.gain_per_s" in outcome.reason


@pytest.mark.parametrize("call", ["configure", "enable"])
def test_drives_that_do_not_come_up_refuse_and_are_told_to_stop(rig: Rig, call: str) -> None:
    """A fault while setting up: refused, abort told, never armed."""

    def fail() -> None:
        raise FaultError("axis x", "operation enabled", "fault")

    setattr(rig.group, call, fail)
    outcome = rig.run(MoveTask(target_mm=(200.0, 200.0)))
    assert outcome.end == "refused"
    assert "axis x" in outcome.reason
    assert rig.group.calls[-1] == "abort"
    assert rig.beats.words == []
    assert rig.group.sent == []


def test_a_guard_that_does_not_arm_means_no_motion(rig: Rig) -> None:
    """Not armed: no tick leaves and the drives are powered off again."""
    rig.beats.refuses = True
    outcome = rig.run(MoveTask(target_mm=(200.0, 200.0)))
    assert outcome.end == "refused"
    assert "did not arm" in outcome.reason
    assert rig.group.sent == []
    assert rig.group.calls == ["configure", "enable", "disable"]


def test_from_beyond_a_soft_limit_the_way_back_in_is_allowed(tmp_path: Path) -> None:
    """Pushed outside by hand, the machine may come back: no halt on the way in."""
    rig = Rig(tmp_path, start_mm=(10.0, 2190.0))
    assert rig.run(MoveTask(target_mm=(100.0, 2000.0))).end == "done"
