"""A small gantry in process for the stream's tests: exact lag, switches, head, latency, faults on demand."""

from __future__ import annotations

import math
import random
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.config.machine import AXES, Machine
from controller.motion.schedule import SEGMENT_DTYPE, Schedule, SegmentKind
from controller.stream.loop import StopFlag
from controller.stream.ring import Ring
from controller.stream.run import run_stream
from controller.stream.spec import HomingTask, MoveTask, ScheduleTask, StreamOutcome, StreamSpec
from drivers.clock import VirtualClock
from drivers.errors import LinkError, MisuseError
from drivers.interface import AxisFeedback, DriveState, GroupFeedback

MACHINE_FILE = Path(__file__).parents[2] / "configs" / "machines" / "boathouse.toml"
ENABLED = 0x0637
VOLTAGE = 0x0010


def machine_with(**changes: Any) -> Machine:
    """The boathouse machine, with dotted fields changed (``axes__x__loop_lag_ms=4.0``).

    The lease is that of a host with real-time rights, whatever the shipped file allows a shared one.
    """
    raw = tomllib.loads(MACHINE_FILE.read_text())
    raw["lease"] = {"lease_ms": 24.0, "beat_late_ms": 20.0, "guard_late_ms": 60.0, "feedback_late_ms": 60.0}
    for path, value in changes.items():
        *parents, name = path.split("__")
        table = raw
        for parent in parents:
            table = table[parent]
        table[name] = value
    return Machine.model_validate(raw)


class FakeAxis:
    """One axis: counts, first-order velocity lag solved exactly, a switch with known scatter."""

    def __init__(self, machine: Machine, name: str, at_mm: float, offset_counts: float, lag_s: float) -> None:
        axis = machine.axes[name]
        self.axis = axis
        self.counts_per_mm = axis.drive.direction * float(axis.drive.counts_per_mm)
        self.offset_counts = offset_counts
        self.counts = at_mm * self.counts_per_mm + offset_counts
        self.speed = 0.0
        self.commanded = 0.0
        self.lag_s = lag_s
        self.edge_mm = axis.homing.position_mm
        self.scatter: Callable[[], float] = lambda: 0.0
        self.switch_works = True
        self.closed = at_mm <= self.edge_mm
        self.drawn_mm = self.edge_mm
        self.scale = 1.0

    @property
    def mm(self) -> float:
        """True place in machine mm."""
        return (self.counts - self.offset_counts) / self.counts_per_mm

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        decay = math.exp(-seconds / self.lag_s) if self.lag_s else 0.0
        u = self.commanded * self.scale
        self.counts += u * seconds - self.lag_s * (1.0 - decay) * (u - self.speed)
        self.speed = u + (self.speed - u) * decay
        if self.closed and self.mm > self.drawn_mm + 0.05:
            self.closed = False
            self.drawn_mm = self.edge_mm + self.scatter()
        elif not self.closed and self.mm <= self.drawn_mm:
            self.closed = True

    def inputs(self) -> int:
        """The bits of 60FDh."""
        bits = 4 if self.closed and self.switch_works else 0
        low, high = self.mm <= 0.0, self.mm >= 4000.0
        if self.counts_per_mm < 0:
            low, high = high, low
        return bits | (1 if low else 0) | (2 if high else 0)


@dataclass
class FakeGroup:
    """A DriveGroup in virtual time. ``sent`` keeps what left: (instant, velocities, outputs)."""

    machine: Machine
    clock: VirtualClock
    start_mm: tuple[float, float] = (300.0, 220.0)
    offsets: tuple[float, float] = (12_345.0, -777.0)
    lag_ms: tuple[float, float] = (8.0, 8.0)
    latency_ns: int = 150_000
    axes: tuple[str, ...] = AXES
    feedback: GroupFeedback = field(default_factory=lambda: GroupFeedback([AxisFeedback(), AxisFeedback()]))
    sent: list[tuple[int, tuple[int, ...], int]] = field(default_factory=list)
    calls: list[str] = field(default_factory=list)
    aborted: bool = False
    silent: bool = False
    head_works: bool = True
    faults: tuple[str, ...] = ()
    has_power: bool = True
    more_inputs: list[int] = field(default_factory=lambda: [0, 0])
    before_send: Callable[[int], None] = lambda _tick: None
    drop: Callable[[int], bool] = lambda _tick: False

    def __post_init__(self) -> None:
        self.motors = [
            FakeAxis(self.machine, name, at, offset, lag * 1e-3)
            for name, at, offset, lag in zip(AXES, self.start_mm, self.offsets, self.lag_ms, strict=True)
        ]
        self.clock.on_advance(self.advance)
        self.at_ns = self.clock.now_ns()
        self.head_goal, self.head_since_ns = 0, -(10**9)
        self.pending: list[tuple[int, list[int], list[int], list[float]]] = []

    def advance(self, now_ns: int) -> None:
        """Let time pass."""
        seconds = (now_ns - self.at_ns) * 1e-9
        if seconds > 0:
            for motor in self.motors:
                motor.advance(seconds)
            self.at_ns = now_ns

    def configure(self) -> None:
        """As DriveGroup."""
        self.calls.append("configure")

    def enable(self) -> None:
        """As DriveGroup."""
        self.calls.append("enable")
        self._sample()
        self.clock.sleep_until_ns(self.clock.now_ns() + 2_000_000)
        self.poll()

    def _sample(self) -> None:
        now = self.clock.now_ns()
        there = now - self.head_since_ns >= 60_000_000 and self.head_works
        head_bits = (1 << 16 if self.head_goal else 1 << 17) if there else 0
        inputs = [motor.inputs() | more for motor, more in zip(self.motors, self.more_inputs, strict=True)]
        inputs[AXES.index(self.machine.head.axis)] |= head_bits
        counts = [round(motor.counts) for motor in self.motors]
        self.pending.append((now + self.latency_ns, counts, inputs, [m.speed for m in self.motors]))

    def send_tick(self, velocity_units: tuple[int, ...], outputs: int) -> None:
        """As DriveGroup; a late caller samples late."""
        if self.aborted:
            raise MisuseError("send_tick", "an enabled group", "one after abort")
        self.before_send(len(self.sent))
        now = self.clock.now_ns()
        self.advance(now)
        if outputs != self.head_goal:
            self.head_goal, self.head_since_ns = outputs, now
        if not self.drop(len(self.sent)):
            self._sample()
        for motor, units in zip(self.motors, velocity_units, strict=True):
            motor.commanded = units * motor.axis.drive.velocity_unit_counts_s
        self.sent.append((now, tuple(velocity_units), outputs))

    def poll(self) -> None:
        """As DriveGroup."""
        if self.silent:
            return
        now = self.clock.now_ns()
        while self.pending and self.pending[0][0] <= now:
            _, counts, inputs, speeds = self.pending.pop(0)
            for word, count, bits, speed in zip(self.feedback.axes, counts, inputs, speeds, strict=True):
                word.position_counts = count
                word.inputs = bits
                word.velocity_units = round(speed)
                word.received_ns = now
                word.statusword = ENABLED if self.has_power else ENABLED & ~VOLTAGE
                if word.state is DriveState.UNKNOWN:
                    word.state = DriveState.OPERATION_ENABLED
            self.feedback.sequence += 1

    def clear_fault(self) -> tuple[str, ...]:
        """As DriveGroup."""
        self.calls.append("clear_fault")
        found, self.faults = self.faults, ()
        return found

    def abort(self) -> None:
        """As DriveGroup."""
        self.calls.append("abort")
        self.aborted = True
        for motor in self.motors:
            motor.commanded = 0.0

    def disable(self) -> None:
        """As DriveGroup."""
        self.calls.append("disable")
        if self.silent:
            raise LinkError("fake", "an answer", "silence")

    def close(self) -> None:
        """As the real one."""
        self.calls.append("close")


class FakeBeats:
    """The guard's line: echoes at once, unless told otherwise; keeps what it was told."""

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.words: list[str] = []
        self.beats: list[tuple[int, ...]] = []
        self.latched = False
        self.gone = False
        self.silent_after: int | None = None
        self.refuses = False
        self.echo = (-1, 0)

    def arm(
        self, now_ns: int, lease_until_ns: int, position_um: tuple[int, int] = (0, 0), flags: int = 0
    ) -> bool:
        """As Beats."""
        self.words.append("arm")
        self.echo = (1, now_ns)
        return not self.refuses

    def beat(self, *numbers: int) -> bool:
        """As Beats."""
        self.beats.append(numbers)
        if self.silent_after is None or len(self.beats) < self.silent_after:
            self.echo = (len(self.beats) + 1, numbers[0])
        return True

    def poll_echo(self) -> tuple[int, int]:
        """As Beats."""
        return self.echo

    def disarm(self, now_ns: int, tick: int = 0) -> bool:
        """As Beats."""
        self.words.append("disarm")
        return True

    def close(self) -> None:
        """As the real one."""
        self.words.append("close")


class Rig:
    """One machine, one fake gantry, one ring; ``run`` does tasks and answers the outcome."""

    def __init__(self, folder: Path, machine: Machine | None = None, **group: Any) -> None:
        self.folder = folder
        self.machine = machine or machine_with()
        self.clock = VirtualClock()
        self.group = FakeGroup(self.machine, self.clock, **group)
        self.beats = FakeBeats(self.clock)
        self.ring = Ring.create(folder / f"ring-{random.getrandbits(32):x}", capacity=1 << 17)
        self.stop = StopFlag()

    def spec(self, *tasks: HomingTask | MoveTask | ScheduleTask, registered: bool = True) -> StreamSpec:
        """A spec for these tasks."""
        return StreamSpec(
            run="test",
            machine_file=str(MACHINE_FILE),
            channel="none",
            tasks=tasks,
            ring_path=str(self.ring.path),
            guard_socket=None,
            latch_path=str(self.folder / "latch.json"),
            offset_counts=self.group.offsets if registered else None,
        )

    def run(
        self, *tasks: HomingTask | MoveTask | ScheduleTask, registered: bool = True, **more: Any
    ) -> StreamOutcome:
        """Do the tasks."""
        return self.run_spec(self.spec(*tasks, registered=registered), **more)

    def run_spec(self, spec: StreamSpec, **more: Any) -> StreamOutcome:
        """Do what the spec says."""
        return run_stream(
            spec, self.machine, self.group, self.clock, self.ring, self.beats, stop=self.stop, **more
        )

    def records(self) -> np.ndarray[Any, np.dtype[np.void]]:
        """All tick records so far."""
        records, lost = self.ring.drain()
        assert lost == 0
        return records


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    """A rig with the boathouse machine and a lag equal to the model's."""
    return Rig(tmp_path)


def wave_schedule(machine: Machine, strokes: int = 2, stroke_ticks: int = 150, seed: int = 3) -> Schedule:
    """A schedule of smooth strokes made by hand (not by the planner): sums of raised cosines.

    Starts at rest at (400, 300) mm; each stroke is TRAVEL, LOWER, STROKE, RAISE.
    """
    generator = np.random.default_rng(seed)
    settle = [
        math.ceil(ms * 1000 / machine.tick_us)
        for ms in (machine.head.settle_down_ms, machine.head.settle_up_ms)
    ]
    parts: list[tuple[SegmentKind, np.ndarray[Any, Any], int]] = []
    for stroke in range(strokes):
        for kind, ticks, speed in (
            (SegmentKind.TRAVEL, stroke_ticks // 2, 200.0),
            (SegmentKind.LOWER, settle[0], 0.0),
            (SegmentKind.STROKE, stroke_ticks, 100.0),
            (SegmentKind.RAISE, settle[1], 0.0),
        ):
            shape = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(1, ticks + 1) / (ticks + 1))
            along = generator.uniform(-1, 1, 2)
            turn = np.cos(np.linspace(0, generator.uniform(0, 2), ticks))
            mm_s = speed * np.stack([shape * along[0] * turn, shape * along[1]], axis=1)
            units = np.stack(
                [
                    mm_s[:, index]
                    * machine.axes[name].drive.direction
                    * float(machine.axes[name].drive.counts_per_mm)
                    / machine.axes[name].drive.velocity_unit_counts_s
                    for index, name in enumerate(AXES)
                ],
                axis=1,
            )
            is_mine = kind in (SegmentKind.STROKE, SegmentKind.LOWER, SegmentKind.RAISE)
            parts.append((kind, np.rint(units).astype(np.int32), stroke if is_mine else -1))
    lengths = [len(part[1]) for part in parts]
    segments = np.zeros(len(parts), dtype=SEGMENT_DTYPE)
    segments["kind"] = [part[0] for part in parts]
    segments["stroke"] = [part[2] for part in parts]
    segments["ticks"] = lengths
    segments["first_tick"] = np.concatenate([[0], np.cumsum(lengths)[:-1]])
    start = tuple(
        round(mm * machine.quanta_per_mm(name)) for name, mm in zip(AXES, (400.0, 300.0), strict=True)
    )
    return Schedule(
        np.concatenate([part[1] for part in parts]),
        segments,
        (start[0], start[1]),
        machine.tick_ns,
        machine.name,
    )


def painted(rig: Rig, **more: int) -> ScheduleTask:
    """A task that paints the rig's wave schedule, or a part of it."""
    folder = rig.folder / "schedule"
    if not folder.exists():
        wave_schedule(rig.machine).save(folder)
    return ScheduleTask(folder=str(folder), **more)
