"""The same loop over the simulated gantry's wire in virtual time: real group, real guard's judgement."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.stream.loop import StopFlag
from controller.stream.ring import Ring
from controller.stream.run import run_stream
from controller.stream.spec import HomingTask, MoveTask, ScheduleTask, StreamOutcome, StreamSpec
from drivers.can import frames
from drivers.clock import VirtualClock
from drivers.registry import group_on_link
from drivers.twin.virtual import VirtualGantry
from safety import latch
from safety.events import Stop
from safety.local import LocalGuard
from safety.verdict import Limits

from .conftest import machine_with, wave_schedule

MACHINE = machine_with()


class World:
    """Simulated gantry, guard and ring on one virtual clock."""

    def __init__(self, folder: Path, earlier: World | None = None) -> None:
        """``earlier``: go on with the gantry of another world, with a new guard."""
        assert MACHINE.twin is not None
        self.folder = folder
        folder.mkdir(exist_ok=True)
        self.clock = earlier.clock if earlier else VirtualClock()
        self.gantry = (
            earlier.gantry if earlier else VirtualGantry(MACHINE.group_settings(), MACHINE.twin, self.clock)
        )
        limits = Limits(
            lease_max_ns=25_000_000,
            beat_late_ns=20_000_000,
            overrun_ns=20_000_000,
            envelope_um=((16_000, 3_384_000), (16_000, 2_184_000)),
            speed_max_um_s=(770_000, 770_000),
            following_max_um=(4000, 4000),
            stop_um_s2=(5_000_000, 5_000_000),
        )
        self.guard = LocalGuard(limits, self.clock.now_ns, self._stop, folder / "latch.json")
        self.clock.on_advance(self.guard.advance)
        self.ring = Ring.create(folder / "ring", 1 << 16)
        self.stop = StopFlag()

    def _stop(self, _stop: Stop) -> None:
        self.gantry.link.send_frames(frames.stop_frames((1, 2)))

    def run(self, *tasks: HomingTask | MoveTask | ScheduleTask) -> StreamOutcome:
        """Stream the tasks from an unregistered machine."""
        group = group_on_link(MACHINE.group_settings(), self.gantry.link, self.clock)
        line = self.guard.line()
        spec = StreamSpec(
            run="virtual", machine_file="", channel="virtual", tasks=tasks, ring_path="", guard_socket=None,
            latch_path=str(self.folder / "latch.json"),
        )  # fmt: skip
        try:
            return run_stream(spec, MACHINE, group, self.clock, self.ring, line, stop=self.stop)
        finally:
            line.close()
            group.close()


def test_home_and_paint_over_the_simulated_wire(tmp_path: Path) -> None:
    """Homing, a schedule and a move end done; the planned ticks are those of the schedule; nothing is latched."""
    schedule = wave_schedule(MACHINE)
    schedule.save(tmp_path / "schedule")
    world = World(tmp_path)
    outcome = world.run(
        HomingTask(), ScheduleTask(folder=str(tmp_path / "schedule")), MoveTask(target_mm=(120, 120))
    )
    assert outcome.end == "done", outcome.reason
    assert world.guard.verdict is None
    records = world.ring.drain().records
    mine = records[records["segment"] >= 0]
    assert np.array_equal(
        (mine["velocity_units"] - mine["trim_units"]).sum(axis=0), schedule.velocity_units.sum(axis=0)
    )
    assert np.abs(mine["trim_units"]).max() <= 3
    assert all(result.spread_mm < 0.1 for result in outcome.homing)


def test_a_stop_that_somebody_asks_of_the_guard_halts_the_stream(tmp_path: Path) -> None:
    """The guard's stop in motion: outcome halted with the latch's reason, and the true axes stand still."""
    world = World(tmp_path)

    def ask(_now_ns: int) -> None:
        if world.ring.written == 300 and world.guard.verdict is None:
            world.guard.ask_stop("the paint ran out", "the painter")

    world.clock.on_advance(ask)
    outcome = world.run(HomingTask())
    assert outcome.end == "halted"
    assert "the guard has stopped the machine" in outcome.reason
    assert "the paint ran out" in outcome.reason
    world.gantry.link.reopen()
    now_ns = world.clock.now_ns()
    world.clock.sleep_until_ns(now_ns + 1_000_000_000)
    travel_mm = world.gantry.gantry.record().travel_mm(now_ns + 500_000_000, now_ns + 1_000_000_000)
    assert travel_mm == pytest.approx([0.0, 0.0], abs=1e-6)
    assert world.run(HomingTask()).end == "refused"


def test_motor_power_that_is_cut_in_motion_is_named_by_streamer_and_guard(tmp_path: Path) -> None:
    """The simulated contactor drops in a homing: halted with that reason, and the latch has its own code for it."""
    world = World(tmp_path)

    def cut(_now_ns: int) -> None:
        if world.ring.written == 300 and world.guard.verdict is None:
            world.gantry.gantry.cut_motor_power()

    world.clock.on_advance(cut)
    outcome = world.run(HomingTask())
    assert outcome.end == "halted"
    assert "motor power is lost" in outcome.reason
    assert world.guard.verdict is not None
    assert world.guard.verdict.reason == "motor-power-lost"
    # With power back and the latch cleared by a person the machine homes again: the drives' faults are acknowledged.
    latch.clear(tmp_path / "latch.json", "the painter", "motor-power-lost")
    world.gantry.link.reopen()
    world.clock.sleep_until_ns(world.clock.now_ns() + 3_000_000_000)
    world.gantry.gantry.restore_motor_power()
    again = World(tmp_path / "again", world)
    outcome = again.run(HomingTask())
    assert outcome.end == "done", outcome.reason
    assert any("acknowledged before homing: axis x" in note for note in outcome.notes)
