"""Hours of painting in virtual time: does anything add up?

Owns two long runs and their figures. A pass of dots is painted again and again; each begins with the same reference
mark, a cross of two lines, whose painted place is measured each time. The simulated gantry's own drifts are nil, so
whatever moves the mark is ours.

* ``hours_of_painting``: one pass after another through the simulated mechanics, no wire, no trim: every pass is
  planned from where the one before has left the motors, as one schedule of all hours would be.
* ``long_run``: over the wire, through the streamer's own loop. The drives' 32-bit counters, the trim and the guard's
  judgement are the real code; the counters are set so that they wrap once the motors have gone ``WRAPS_AFTER_MM``,
  and again at every later crossing of that place.
"""

from __future__ import annotations

import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.config.machine import AXES, Machine
from controller.config.places import StateDir
from controller.motion.frames import quanta_per_mm, quanta_to_machine_mm
from controller.motion.plan import plan_pass
from controller.motion.schedule import Schedule
from controller.session.guarding import guard_settings
from controller.stream.ring import Ring
from controller.stream.run import run_stream
from controller.stream.spec import HomingTask, ScheduleTask, StreamSpec
from controller.strokes.strokeset import StrokeKind, StrokeSet
from drivers.can import frames
from drivers.clock import VirtualClock
from drivers.interface import StopPlan
from drivers.registry import group_on_link
from drivers.twin.virtual import VirtualGantry
from safety.events import Stop
from safety.local import LocalGuard
from safety.verdict import Limits
from tests.bench import accuracy_art as artwork
from tests.bench.accuracy_machine import reference
from tests.bench.accuracy_play import Player

MARK_MM, MARK_ARM_MM = (60.0, 60.0), 6.0
DOTS_A_PASS = 150
WRAPS_AFTER_MM = 250.0
RING_RECORDS = 1 << 14

Vector = npt.NDArray[np.float64]


def marked_dots(count: int) -> tuple[StrokeSet, Any]:
    """The mark's two lines, then ``count`` dots over the canvas."""
    strokes, _, ink = artwork.dots_art(count, pitch_mm=180.0, columns=15, rows=9)
    x, y = MARK_MM
    mark = np.array([[x - MARK_ARM_MM, y], [x + MARK_ARM_MM, y], [x, y - MARK_ARM_MM], [x, y + MARK_ARM_MM]])
    both = StrokeSet(
        np.concatenate([mark, strokes.points_mm]),
        np.concatenate([[0, 2], strokes.offsets + 4]).astype(np.int64),
        np.concatenate([np.full(2, StrokeKind.LINE, np.uint8), strokes.kind]),
        np.zeros(count + 2, np.int32),
        strokes.element_ids,
    )
    return both, ink


def near_wrap(machine: Machine) -> Machine:
    """The machine with counters that pass 2^31 when the motors have gone ``WRAPS_AFTER_MM`` beyond their start."""
    file = machine.model_dump()
    for axis in AXES:
        truth, drive = file["twin"]["axes"][axis], machine.axes[axis].drive
        counts = drive.direction * float(drive.counts_per_mm) * (truth["start_mm"] + WRAPS_AFTER_MM)
        truth["encoder_zero_counts"] = (2**31 if drive.direction > 0 else -(2**31)) - round(counts)
    return Machine.model_validate(file)


@dataclass(frozen=True, slots=True)
class LongRun:
    """What came of it. marks_mm: (passes, 2) painted place of the reference mark; drift by the first one."""

    hours: float
    passes: int
    ticks: int
    sent_less_planned_units: int
    rest_units: int
    rest_mm: float
    trim_share: float
    mark_way_mm: float
    marks_mm: Vector
    wraps: int
    wall_s: float

    def words(self) -> dict[str, float]:
        """The figures without the array."""
        names = [name for name in self.__slots__ if name != "marks_mm"]
        return {name: float(getattr(self, name)) for name in names}


class _Watch:
    """Drains the ring as it fills and keeps sums only."""

    def __init__(self, ring: Ring, passes: int) -> None:
        self.ring = ring
        self.sums = np.zeros((passes + 1, 2), dtype=np.int64)
        self.ticks = 0
        self.trimmed = 0
        self.saturated = 0
        self.wraps = 0
        self.last: npt.NDArray[np.void] | None = None
        self._raw: npt.NDArray[np.int64] | None = None

    def drain(self, _now_ns: int = 0) -> None:
        """Take what has come since."""
        if self.ring.written - self.ticks < RING_RECORDS // 4 and _now_ns:
            return
        records, lost = self.ring.drain()
        if lost:
            raise RuntimeError(f"ring: expected every record, lost {lost}")
        if not len(records):
            return
        self.ticks += len(records)
        mine = records[records["segment"] >= 0]
        np.add.at(self.sums, mine["task"], (mine["velocity_units"] - mine["trim_units"]).astype(np.int64))
        self.trimmed += int(np.count_nonzero(np.any(records["trim_units"] != 0, axis=1)))
        # The counter itself: measured counts are unwrapped, their low 32 bits are what the drive holds.
        low = (records["measured_counts"] + 2**31) // 2**32
        if self._raw is not None:
            low = np.concatenate([self._raw[None], low])
        self.wraps += int(np.count_nonzero(np.diff(low, axis=0)))
        self._raw = low[-1]
        self.last = records[-1]


def hours_of_painting(hours: float) -> dict[str, float]:
    """So many hours on the reference machine.

    commanded_units: at the end of the last travel, the sum of all streamed velocities less the place that was planned
    (the park position, each motor on its side of the play). mark_way_mm: farthest of all marks from the first.
    """
    machine = reference()
    strokes, ink = marked_dots(DOTS_A_PASS)
    schedule = plan_pass(strokes, ink, machine, machine.park_mm)
    player = Player(machine, schedule.start_quanta)
    marks: list[Vector] = []
    planned_s, last = 0.0, np.zeros(2, dtype=np.int64)
    while planned_s < hours * 3600.0:
        marks.append(mark_place_mm(player.paint(schedule)))
        planned_s += schedule.ticks * schedule.tick_ns * 1e-9
        last = np.array(schedule.start_quanta) + schedule.velocity_units.sum(axis=0, dtype=np.int64)
        schedule = plan_pass(strokes, ink, machine, quanta_to_machine_mm(last, machine))
    park = np.asarray(machine.park_mm) * quanta_per_mm(machine)
    way = np.hypot(*(np.array(marks) - marks[0]).T)
    return {
        "hours": planned_s / 3600.0,
        "passes": float(len(marks)),
        "commanded_units": float(np.abs(last - park).max()),
        "mark_way_mm": float(way.max()),
        "last_mark_way_mm": float(way[-1]),
    }


def mark_place_mm(contacts: list[Vector]) -> Vector:
    """Where the mark of a pass was painted: x of its upright line, y of its level one."""
    level, upright = contacts[0], contacts[1]
    return np.array([np.median(upright[:, 0]), np.median(level[:, 1])])


def long_run(machine: Machine, hours: float) -> LongRun:
    """Home, then paint the marked dots for ``hours`` of virtual time. Raises RuntimeError when the stream halts."""
    machine = near_wrap(machine)
    begin_s = time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="giornata-long-") as name:
        folder = Path(name)
        strokes, ink = marked_dots(DOTS_A_PASS)
        schedule = plan_pass(strokes, ink, machine, machine.park_mm)
        schedule.save(folder / "schedule")
        passes = max(2, round(hours * 3600.0 / (schedule.ticks * schedule.tick_ns * 1e-9)))
        return _stream(machine, schedule, folder, passes, len(strokes), begin_s)


def _stream(
    machine: Machine, schedule: Schedule, folder: Path, passes: int, contacts: int, begin_s: float
) -> LongRun:
    assert machine.twin is not None
    settings, clock = machine.group_settings(), VirtualClock()
    gantry = VirtualGantry(settings, machine.twin, clock)
    gantry.load_pen("teal", "#1f7a78", artwork.TIP_MM)
    state = StateDir(folder)
    limits = Limits.of(guard_settings(machine, state, StopPlan("none", "virtual", b"", (), b"", ()), 0))
    nodes = tuple(axis.node_id for axis in settings.axes.values())

    def stop(_stop: Stop) -> None:
        gantry.link.send_frames(frames.stop_frames(nodes))

    guard = LocalGuard(limits, clock.now_ns, stop, folder / "latch.json")
    clock.on_advance(guard.advance)
    ring = Ring.create(folder / "ring", RING_RECORDS)
    watch = _Watch(ring, passes)
    clock.on_advance(watch.drain)
    tasks = (HomingTask(), *(ScheduleTask(folder=str(folder / "schedule")) for _ in range(passes)))
    spec = StreamSpec(
        run="long", machine_file="", channel="virtual", tasks=tasks, ring_path="", guard_socket=None,
        latch_path=str(folder / "latch.json"),
    )  # fmt: skip
    group = group_on_link(settings, gantry.link, clock)
    line = guard.line()
    try:
        outcome = run_stream(spec, machine, group, clock, ring, line)
        watch.drain()
    finally:
        line.close()
        group.close()
        ring.close()
    if outcome.end != "done":
        raise RuntimeError(f"long run: expected done, got {outcome.end}: {outcome.reason}")
    canvas = gantry.gantry.canvas
    if canvas.strokes != passes * contacts:
        raise RuntimeError(f"contacts: expected {passes * contacts}, got {canvas.strokes}")
    marks = np.array(
        [
            mark_place_mm([canvas.stroke_mm(first), canvas.stroke_mm(first + 1)])
            for first in range(0, canvas.strokes, contacts)
        ]
    )
    sent = watch.sums[1:]
    planned = schedule.velocity_units.sum(axis=0, dtype=np.int64)
    assert watch.last is not None
    # planned_counts is the reading to be expected, in raw counts.
    off_counts = watch.last["measured_counts"] - watch.last["planned_counts"]
    quantum = np.array([machine.quantum_counts(axis) for axis in AXES])
    per_mm = np.array([float(machine.axes[axis].drive.counts_per_mm) for axis in AXES])
    return LongRun(
        hours=watch.ticks * schedule.tick_ns * 1e-9 / 3600.0,
        passes=passes,
        ticks=watch.ticks,
        sent_less_planned_units=int(np.abs(sent - planned).max()),
        rest_units=int(np.ceil(np.abs(off_counts / quantum).max())),
        rest_mm=float(np.abs(off_counts / per_mm).max()),
        trim_share=watch.trimmed / watch.ticks,
        mark_way_mm=float(np.hypot(*(marks - marks[0]).T).max()),
        marks_mm=marks,
        wraps=watch.wraps,
        wall_s=time.perf_counter() - begin_s,
    )
