"""The drives' own net, in virtual time: the loop hangs, there is no guard, and the simulated drives stop alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.config.derived import drive_stop_bound_mm
from controller.stream.ring import Ring
from controller.stream.run import run_stream
from controller.stream.spec import HomingTask, MoveTask, StreamOutcome, StreamSpec
from drivers.clock import VirtualClock
from drivers.registry import group_on_link
from drivers.twin.virtual import VirtualGantry

from .conftest import FakeBeats, machine_with

MS = 1_000_000
HEARTBEAT = 0x77F
MACHINE = machine_with()
LOST_NS = MACHINE.wire.heartbeat_lost_after_ms * MS


class FreezingClock:
    """A clock whose sleeper, once, does not come back for a second: a loop that hangs."""

    def __init__(self, clock: VirtualClock, tick: int, ring: Ring) -> None:
        self.frozen_ns: int | None = None
        self._clock, self._tick, self._ring = clock, tick, ring

    def now_ns(self) -> int:
        """As Clock."""
        return self._clock.now_ns()

    def sleep_until_ns(self, instant_ns: int) -> None:
        """As Clock."""
        if self.frozen_ns is None and self._ring.written >= self._tick:
            self.frozen_ns = self._clock.now_ns()
            for step in range(1000):
                self._clock.sleep_until_ns(self.frozen_ns + (step + 1) * MS)
        self._clock.sleep_until_ns(instant_ns)


class Frozen:
    """One run whose loop hangs after ``tick`` ticks; what left on the wire, and what the motors did."""

    def __init__(self, folder: Path, tick: int) -> None:
        assert MACHINE.twin is not None
        self.clock = VirtualClock()
        self.gantry = VirtualGantry(MACHINE.group_settings(), MACHINE.twin, self.clock)
        self.sent: list[tuple[int, int]] = []
        send = self.gantry.link.send_frames

        def note(frames: list[tuple[int, bytes]]) -> None:
            self.sent += [(self.clock.now_ns(), can_id) for can_id, _ in frames]
            send(frames)

        self.gantry.link.send_frames = note  # type: ignore[method-assign,assignment]
        self.ring = Ring.create(folder / f"ring-{tick}", 1 << 14)
        self.freezer = FreezingClock(self.clock, tick, self.ring)
        self.outcome = self.run(folder, MoveTask(target_mm=(1500.0, 900.0)))
        assert self.freezer.frozen_ns is not None
        self.frozen_ns = self.freezer.frozen_ns

    def run(self, folder: Path, task: MoveTask | HomingTask) -> StreamOutcome:
        """One life of the streamer; the guard's line is one that agrees to everything."""
        spec = StreamSpec(
            run="virtual", machine_file="", channel="virtual", tasks=(task,), ring_path="", guard_socket=None,
            latch_path=str(folder / "latch.json"), offset_counts=(0.0, 0.0),
        )  # fmt: skip
        group = group_on_link(MACHINE.group_settings(), self.gantry.link, self.clock)
        beats = FakeBeats(self.clock)
        return run_stream(spec, MACHINE, group, self.clock, self.ring, beats, waker=self.freezer)


@pytest.mark.parametrize("tick", [30, 60, 120, 300, 600])
def test_a_loop_that_hangs_lets_the_drives_stop_by_themselves(tmp_path: Path, tick: int) -> None:
    """Hung in acceleration, at speed and while braking: nothing leaves, least of all a heartbeat, and the axes rest.

    Within the heartbeat time-out (160 ms) and the ramp v/a, and eight times the loop's lag of 8 ms for its tail; the
    way is within the bound that ``check`` computes for the drive alone.
    """
    frozen = Frozen(tmp_path, tick)
    assert frozen.outcome.end == "halted"
    end_ns = frozen.frozen_ns + 1000 * MS
    assert not [can_id for at, can_id in frozen.sent if frozen.frozen_ns < at < end_ns]
    heartbeats = [at for at, can_id in frozen.sent if can_id == HEARTBEAT and at <= frozen.frozen_ns]
    assert max(np.diff(heartbeats)) <= 44 * MS, "they had come until then"
    commanded = frozen.ring.drain().records["velocity_units"]
    speeds_mm_s = np.abs(commanded[tick - 1]) / 5400.0
    assert speeds_mm_s.max() > 20.0
    record = frozen.gantry.gantry.record()
    still_ns = record.standstill_ns(frozen.frozen_ns)
    assert still_ns is not None
    ramp_ns = round(float(speeds_mm_s.max()) / 5000.0 * 1e9)
    assert still_ns - frozen.frozen_ns <= LOST_NS + ramp_ns + 8 * 8 * MS
    travelled_mm = record.travel_mm(frozen.frozen_ns, end_ns)
    for axis, speed_mm_s, way_mm in zip("xy", speeds_mm_s, travelled_mm, strict=True):
        bound_mm = drive_stop_bound_mm(MACHINE, axis, float(speed_mm_s))
        assert bound_mm is not None
        assert way_mm <= bound_mm + 0.05


def test_after_the_drives_have_stopped_alone_a_homing_is_possible_again(tmp_path: Path) -> None:
    """The next life acknowledges what the drives reported and homes; nothing stays locked out for good."""
    frozen = Frozen(tmp_path, 120)
    frozen.gantry.link.reopen()
    outcome = frozen.run(tmp_path, HomingTask())
    assert outcome.end == "done", outcome.reason


def test_drives_in_fault_from_a_lost_heartbeat_are_acknowledged(tmp_path: Path) -> None:
    """Drives that answer a lost heartbeat with a fault (8130h): the next homing acknowledges it and says so."""
    frozen = Frozen(tmp_path, 120)
    frozen.gantry.link.reopen()
    for node in frozen.gantry.gantry.nodes:
        node.power.fault(0x8130)
        node.power.standstill()
    outcome = frozen.run(tmp_path, HomingTask())
    assert outcome.end == "done", outcome.reason
    told = [note for note in outcome.notes if note.startswith("acknowledged before homing")]
    assert len(told) == 2
    assert all("8130h" in note for note in told)
