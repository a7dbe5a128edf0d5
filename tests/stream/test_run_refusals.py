"""What is refused before anything moves, and what must not be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.stream.spec import MoveTask, ScheduleTask
from drivers.errors import FaultError
from safety import latch

from .conftest import Rig, machine_with, painted, wave_schedule


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
