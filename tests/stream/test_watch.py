"""What the drives give as reason to stop: power, faults, stop loops, no motion; and what the guard is told."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.stream.servicewatch import ServiceWatch
from controller.stream.spec import HomingTask, MoveTask
from controller.stream.watch import MotionWatch
from drivers.errors import FaultError
from drivers.interface import DriveState

from .conftest import Rig, machine_with

MS = 1_000_000
LOOP = 1 << 18
STOPS: dict[str, Any] = {"inputs": [{"kind": "drive-input", "name": "belt", "axis": "y", "bit": 18}]}
FAR = MoveTask(target_mm=(1500.0, 900.0))


def power_goes(rig: Rig) -> None:
    rig.group.has_power = False


def loop_opens(rig: Rig) -> None:
    rig.group.more_inputs[1] = 0


def drive_faults(rig: Rig) -> None:
    rig.group.feedback.axes[0].state = DriveState.FAULT
    rig.group.feedback.axes[0].fault_code = 0x7305


def link_is_too_low(rig: Rig) -> None:
    rig.group.feedback.axes[0].state = DriveState.FAULT
    rig.group.feedback.axes[0].fault_code = 0x3220


@pytest.mark.parametrize(
    ("trouble", "words", "bits"),
    [
        (power_goes, "axis x: motor power is lost", 16),
        (loop_opens, "stop input belt is open", 8),
        (drive_faults, "axis x: expected operation enabled, got fault (fault code 0x7305)", 4),
        (link_is_too_low, "axis x: motor power is lost (fault (fault code 0x3220))", 16 | 4),
    ],
)
def test_what_the_drives_say_halts_and_the_guard_is_told_why(
    tmp_path: Path, trouble: Callable[[Rig], None], words: str, bits: int
) -> None:
    """In mid-motion: abort first, then one last beat with bits 2 to 4 as they apply; no such bit stood before.

    Within 10 ms of an opened loop: 2 ms of debounce and two looks of 4 ms.
    """
    rig = Rig(tmp_path, machine_with(stops=STOPS))
    rig.group.more_inputs[1] = LOOP
    at_ns: list[int] = []

    def before(tick: int) -> None:
        if tick == 90:
            trouble(rig)
            at_ns.append(rig.clock.now_ns())

    rig.group.before_send = before
    beats_at_abort: list[int] = []
    abort = rig.group.abort
    rig.group.abort = lambda: (beats_at_abort.append(len(rig.beats.beats)), abort())[1]  # type: ignore[method-assign,func-returns-value]
    outcome = rig.run(FAR)
    assert outcome.end == "halted"
    assert words in outcome.reason
    assert rig.clock.now_ns() - at_ns[0] <= 10 * MS
    assert beats_at_abort == [len(rig.beats.beats) - 1]
    assert rig.beats.beats[-1][-1] & 0b11100 == bits
    assert not any(beat[-1] & 0b11100 for beat in rig.beats.beats[:-1])
    assert "disarm" not in rig.beats.words


def test_other_halts_say_no_last_word(rig: Rig) -> None:
    """A reason that is none of the drives' renews no lease: the last beat is that of the last tick."""

    def before(tick: int) -> None:
        if tick == 90:
            rig.beats.gone = True

    rig.group.before_send = before
    assert rig.run(FAR).end == "halted"
    assert len(rig.beats.beats) == len(rig.group.sent)


def test_an_open_stop_input_refuses_before_the_guard_is_armed(tmp_path: Path) -> None:
    """An open loop at the start: refused with its name, powered off, nothing armed, nothing sent, no latch."""
    rig = Rig(tmp_path, machine_with(stops=STOPS))
    outcome = rig.run(FAR)
    assert (outcome.end, outcome.reason) == ("refused", "stop input belt is open")
    assert rig.group.calls == ["configure", "enable", "disable"]
    assert rig.beats.words == []
    assert rig.group.sent == []


def test_a_spike_on_a_stop_input_is_no_stop(tmp_path: Path) -> None:
    """One open reading between closed ones is a disturbance."""
    rig = Rig(tmp_path, machine_with(stops=STOPS))
    rig.group.more_inputs[1] = LOOP

    def before(tick: int) -> None:
        rig.group.more_inputs[1] = 0 if tick == 90 else LOOP

    rig.group.before_send = before
    assert rig.run(MoveTask(target_mm=(500.0, 400.0))).end == "done"


def test_a_drive_that_never_reports_its_voltage_is_taken_and_noted(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Statusword bit 4 clear from the start is no loss: some drives never set it. The outcome says so, once an axis."""
    rig.group.has_power = False
    outcome = rig.run(MoveTask(target_mm=(400.0, 300.0)))
    assert outcome.end == "done"
    assert [note for note in outcome.notes if "statusword bit 4" in note] == [
        f"axis {name}: its drive never reported motor power (statusword bit 4): its loss shows as a fault only"
        for name in "xy"
    ]


@pytest.mark.parametrize("bit", [1, 2])
def test_a_limit_switch_that_closes_in_a_plan_halts(rig: Rig, bit: int) -> None:
    """Either limit bit of 60FDh (0 negative, 1 positive) in a move: halted, with the axis; within two ticks."""
    closed_ns: list[int] = []

    def before(tick: int) -> None:
        if tick == 90:
            rig.group.more_inputs[0] = bit
            closed_ns.append(rig.clock.now_ns())

    rig.group.before_send = before
    outcome = rig.run(FAR)
    assert outcome.end == "halted"
    assert "axis x: a limit switch was reached" in outcome.reason
    assert rig.clock.now_ns() - closed_ns[0] <= 8 * MS


def test_a_limit_switch_that_is_closed_already_may_be_left(rig: Rig) -> None:
    """A registered machine that stands on a limit is driven away from it: no halt."""
    rig.group.more_inputs[0] = 1

    def before(tick: int) -> None:
        if tick == 60:
            rig.group.more_inputs[0] = 0

    rig.group.before_send = before
    assert rig.run(MoveTask(target_mm=(500.0, 400.0))).end == "done"


def test_commanded_motion_without_any_motion_halts(tmp_path: Path) -> None:
    """An axis that does not move at all: halted with that reason, though its following error is still allowed.

    Within 108 ms of the first command above 1 mm/s (100 ms and the drive's lag of 8 ms), and the ticks between.
    """
    rig = Rig(tmp_path, machine_with(axes__y__following_error_max_mm=500.0))
    rig.group.motors[1].scale = 0.0
    outcome = rig.run(FAR)
    assert outcome.end == "halted"
    assert "axis y: no motion" in outcome.reason
    fast = [at for at, units, _ in rig.group.sent if abs(units[1]) >= 5400]
    assert fast[-1] - fast[0] <= (108 + 3 * 4) * MS


@given(
    counts_per_mm=st.sampled_from([2.0, 10.0, 100.0, 5400.0]),
    speeds=st.lists(st.floats(-700, 700), min_size=1, max_size=60),
    repeat=st.integers(1, 60),
)
def test_an_axis_that_obeys_is_never_called_stuck(
    counts_per_mm: float, speeds: list[float], repeat: int
) -> None:
    """Law: whatever is commanded, on fine counters and coarse, a drive that follows with its 8 ms moves enough."""
    machine = machine_with(
        axes__x__drive__counts_per_turn=round(60 * counts_per_mm), axes__x__drive__velocity_unit_counts_s=1e-2
    )
    rest_counts = max(2.0, 0.1 * 0.004 * counts_per_mm)
    watch = MotionWatch(machine, "x", rest_counts)
    position = speed = 0.0
    for target in speeds:
        units = round(target * counts_per_mm * 1e2)
        for _ in range(repeat):
            assert not watch.is_stuck(units, round(position))
            speed += (units * 1e-2 - speed) * 0.393  # 1 - exp(-4/8)
            position += speed * 0.004


# The guard


def test_a_guard_that_falls_behind_halts(rig: Rig) -> None:
    """The guard answers every beat, but each word says an instant ever further back: beyond 60 ms it is no guard."""
    beat = rig.beats.beat

    def behind(*numbers: int) -> bool:
        taken = beat(*numbers)
        rig.beats.echo = (len(rig.beats.beats), numbers[0] - len(rig.beats.beats) * MS)
        return taken

    rig.beats.beat = behind  # type: ignore[method-assign]
    outcome = rig.run(FAR)
    assert outcome.end == "halted"
    assert "expected a word of the guard within 60 ms" in outcome.reason
    # The 57th echo is 57 ms old when it is said, and a tick of 4 ms older when it is read.
    assert len(rig.beats.beats) == 57
    assert rig.group.calls[-1] == "abort"
    assert len(rig.group.sent) == 57


# Faults of an earlier life


def test_a_fault_is_acknowledged_on_the_way_to_a_homing_and_told(rig: Rig) -> None:
    """Homing comes after a person has cleared the latch: the drives' old faults go, and the outcome names them."""
    rig.group.faults = ("axis x (node 1): fault, 603Fh 8130h",)
    outcome = rig.run(HomingTask(), registered=False)
    assert outcome.end == "done", outcome.reason
    assert rig.group.calls[:3] == ["configure", "clear_fault", "enable"]
    assert "acknowledged before homing: axis x (node 1): fault, 603Fh 8130h" in outcome.notes


def test_no_fault_is_acknowledged_before_anything_else(rig: Rig) -> None:
    """A drive that faulted while the machine was believed registered is refused, not woken up."""
    rig.group.faults = ("axis x (node 1): fault, 603Fh 2310h",)
    assert rig.run(MoveTask(target_mm=(400.0, 300.0))).end == "done"
    assert "clear_fault" not in rig.group.calls


def test_a_fault_that_stays_refuses_the_homing(rig: Rig) -> None:
    """What cannot be acknowledged is refused with the drive's words; nothing is enabled."""

    def stays() -> tuple[str, ...]:
        raise FaultError("axis x (node 1)", "a fault that can be cleared", "fault, 603Fh 7305h")

    rig.group.clear_fault = stays  # type: ignore[method-assign]
    outcome = rig.run(HomingTask(), registered=False)
    assert outcome.end == "refused"
    assert "7305h" in outcome.reason
    assert "enable" not in rig.group.calls


# The service


def test_without_the_service_the_stream_halts(rig: Rig) -> None:
    """The process that started the run is gone: abort at once, whether or not there is a guard that says so."""
    outcome = rig.run(FAR, service_gone=lambda: len(rig.group.sent) >= 90)
    assert outcome.end == "halted"
    assert "the service that started this run is gone" in outcome.reason
    assert len(rig.group.sent) == 90
    assert rig.group.aborted


def test_a_process_is_seen_to_end() -> None:
    """ServiceWatch tells a living process from one that has ended and from one that never was."""
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    watch = ServiceWatch(child.pid)
    assert not watch.is_gone()
    assert child.stdin is not None
    child.stdin.close()
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
    assert watch.is_gone()
    pid = child.pid
    child.wait()
    assert watch.is_gone()
    watch.close()
    watch.close()
    with pytest.raises(ProcessLookupError):
        ServiceWatch(pid)
