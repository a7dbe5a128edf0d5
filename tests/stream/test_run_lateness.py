"""The loop in virtual time: late ticks, stalls, lost readings, and its own limits."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from controller.stream.run import run_stream
from controller.stream.spec import MoveTask, ScheduleTask

from .conftest import Rig, machine_with, painted, wave_schedule

MS = 1_000_000


class Late:
    """The rig's clock, late by so much when the loop asks for the instants of certain ticks."""

    def __init__(self, rig: Rig, delays: dict[int, int]) -> None:
        self._rig = rig
        self._delays = delays

    def now_ns(self) -> int:
        """The rig's instant."""
        return self._rig.clock.now_ns()

    def sleep_until_ns(self, instant_ns: int) -> None:
        """Oversleep."""
        self._rig.clock.sleep_until_ns(instant_ns + self._delays.get(len(self._rig.group.sent), 0))


def test_a_late_tick_leaves_at_once_and_the_next_keeps_its_instant(rig: Rig) -> None:
    """Delays of 1 to 3 ms: those ticks are late by just that, all others are exactly on their grid."""
    delays = {40: 1 * MS, 41: 3 * MS, 80: 2 * MS}

    outcome = run_stream(
        rig.spec(MoveTask(target_mm=(900.0, 400.0))),
        rig.machine,
        rig.group,
        Late(rig, delays),
        rig.ring,
        rig.beats,
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


@pytest.mark.parametrize("stalled", [45, 60, 75])
def test_a_stall_while_speeds_change_is_made_good_at_once_without_feedback(
    tmp_path: Path, stalled: int
) -> None:
    """13 ms lost while accelerating (trim off): a perfect axis is 0.1 mm or more off, and back within 30 ticks."""
    machine = machine_with(trim__gain_per_s=0.0)
    rig = Rig(tmp_path, machine)
    late = Late(rig, {stalled: 13 * MS})
    outcome = run_stream(
        rig.spec(MoveTask(target_mm=(900.0, 400.0))), rig.machine, rig.group, late, rig.ring, rig.beats
    )
    assert outcome.end == "done", outcome.reason
    records = rig.records()
    off_mm = (records["planned_counts"] - records["measured_counts"])[:, 0] / 5400.0
    assert np.abs(off_mm[stalled + 1 : stalled + 8]).max() > 0.1
    assert np.abs(off_mm[stalled + 34 :]).max() < 0.01
