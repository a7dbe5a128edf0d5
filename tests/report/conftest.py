"""A small made-up session on disk, as the service leaves one: journal, logs, prepared strokes, canvas."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from controller.config.job import Ink
from controller.config.load import load_machine
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir, shipped
from controller.motion.plan import plan_pass
from controller.motion.schedule import Schedule
from controller.report.painted import Painted
from controller.session.journal import Journal
from controller.session.prepared import PREPARED_FILE, PreparedInk, PreparedJob, PreparedPass
from controller.session.rows import HomingRow
from controller.session.runs import scale_meta
from controller.stream.record import TICK_DTYPE
from controller.stream.spec import HomingTask, ScheduleTask, StreamSpec
from controller.stream.timinglog import TimingLogWriter
from controller.strokes.strokeset import StrokeKind, StrokeSet

SHIFT_MM = (0.03, 0.04)
"""The made-up gantry paints everything this far off: 0.05 mm, a 3-4-5 triangle."""


def made_strokes() -> StrokeSet:
    """A level line of 60 mm, a circle of 15 mm radius, a spiral dot."""
    angle = np.linspace(0, 2 * np.pi, 181)
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    spiral_angle = np.linspace(0, 6 * np.pi, 200)
    spiral = (4 - 3.9 * spiral_angle / spiral_angle[-1])[:, None] * np.stack(
        [np.cos(spiral_angle), np.sin(spiral_angle)], axis=1
    )
    parts = [
        np.array([[20.0, 20.0], [80.0, 20.0]]),
        np.array([60.0, 60.0]) + 15 * circle,
        np.array([30.0, 70.0]) + spiral,
    ]
    parts[1][-1] = parts[1][0]
    return StrokeSet(
        np.concatenate(parts),
        np.concatenate([[0], np.cumsum([len(part) for part in parts])]).astype(np.int64),
        np.array([StrokeKind.LINE, StrokeKind.LOOP, StrokeKind.DOT], dtype=np.uint8),
        np.arange(3, dtype=np.int32),
        ("horizon", "moon", "drop"),
    )


def painted_like(strokes: StrokeSet, shift_mm=SHIFT_MM, ink: str = "moon", t0_ns: int = 0) -> Painted:
    """A canvas that holds every stroke once, in order, moved by ``shift_mm`` and sampled finely."""
    lines, instants, now = [], [], t0_ns
    for index in range(len(strokes)):
        vertices = strokes.stroke_mm(index)
        along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(vertices, axis=0).T))])
        at = np.linspace(0, along[-1], 400)
        line = np.stack([np.interp(at, along, vertices[:, k]) for k in range(2)], axis=1)
        lines.append(line + np.asarray(shift_mm))
        instants.append(now + 1_000_000 * np.arange(len(line)))
        now = int(instants[-1][-1]) + 500_000_000
    return Painted(
        np.concatenate(lines),
        np.concatenate(instants).astype(np.int64),
        np.concatenate([[0], np.cumsum([len(line) for line in lines])]).astype(np.int64),
        np.zeros(len(lines), dtype=np.int32),
        (ink,),
        ("#0072b2",),
        (2.0,),
        (300.0, 200.0),
    )


def save_painted(painted: Painted, path: Path) -> None:
    """Write the file that the simulated gantry would write."""
    path.parent.mkdir(parents=True, exist_ok=True)
    np.savez(
        path,
        points_mm=painted.points_mm,
        t_ns=painted.t_ns,
        offsets=painted.offsets,
        ink=painted.ink,
        ink_names=np.array(painted.ink_names, dtype=np.str_),
        ink_colours=np.array(painted.ink_colours, dtype=np.str_),
        ink_tip_mm=np.array(painted.ink_tip_mm),
        size_mm=np.array(painted.size_mm),
    )


def tick_records(schedule: Schedule, machine: Machine, begin_ns: int, seed: int = 4) -> np.ndarray:
    """Records of a whole pass with made-up lateness (log-normal, a few beyond 1 ms) and following error."""
    random = np.random.default_rng(seed)
    records = np.zeros(schedule.ticks, dtype=TICK_DTYPE)
    records["tick"] = np.arange(schedule.ticks)
    records["scheduled_ns"] = begin_ns + schedule.tick_ns * np.arange(schedule.ticks)
    late = random.lognormal(np.log(3e3), 1.2, schedule.ticks).astype(np.int64)
    late[random.integers(0, schedule.ticks, 5)] = 1_500_000
    records["sent_ns"] = records["scheduled_ns"] + late
    records["feedback_ns"] = records["sent_ns"] + 200_000
    records["velocity_units"] = schedule.velocity_units
    counts = schedule.boundaries_quanta()[:-1] * np.array([machine.quantum_counts(axis) for axis in AXES])
    records["planned_counts"] = np.rint(counts)
    records["measured_counts"] = records["planned_counts"] + random.integers(-100, 100, (schedule.ticks, 2))
    records["segment"] = np.asarray(schedule.segment)
    records["head"] = np.asarray(schedule.head)
    records["flags"] = 1
    records["flags"][::50] = 0
    return records


@dataclass(frozen=True)
class MadeSession:
    """Where it is and what is in it."""

    root: Path
    session: int
    machine: Machine
    strokes: StrokeSet
    schedule: Schedule
    records: np.ndarray
    prepared: Path


def make_session(
    root: Path, clock: str = "real", machine_file: Path | None = None, *, scale: bool = True
) -> MadeSession:
    """Write one: a homing, then a pass of three strokes of which two were finished and the third stopped. scale: the
    logs say how many counts a mm has, as earlier versions' did not."""
    machine_path = machine_file or shipped("machines/boathouse.toml")
    machine = load_machine(machine_path)
    state = StateDir.open(root, machine.name)
    ink = Ink(name="moon", group="moon", colour="#0072b2", tip_mm=2.0)
    strokes = made_strokes()
    schedule = plan_pass(strokes, ink, machine, machine.park_mm)
    prepared = root / "prepared" / "low-tide"
    (prepared / "moon-1").mkdir(parents=True)
    strokes.save(prepared / "moon-1" / "strokes.npz")
    schedule.save(prepared / "moon-1" / "schedule")
    made = PreparedPass(
        name="moon-1", ink="moon", number=1, of=1, turn=0, colour="#0072b2", tip_mm=2.0, tip_end_mm=2.0, strokes=3,
        metres=0.2, pen_m=0.0, ticks=schedule.ticks, seconds=9.0, fresh_pen=True, cut_by="end", too_long=False,
        wet_strokes=0, wet_minutes=0.0, digest=schedule.digest(),
    )  # fmt: skip
    moon = PreparedInk(
        name="moon", colour="#0072b2", tip_mm=2.0, passes=1, strokes=3, metres=0.2, seconds=9.0, pens=1
    )
    record = PreparedJob(
        job="low-tide", job_digest="0", machine=machine.name, sources={}, inks=(moon,), passes=(made,),
        change_minutes=5.0, deferred=0, skipped=(),
    )  # fmt: skip
    (prepared / PREPARED_FILE).write_text(record.model_dump_json())

    journal = Journal.open(state.journal, machine.name, now_ms=lambda: 1_750_000_000_000)
    session = journal.begin_session("paint", "low-tide", clock)
    homing = journal.begin_run(session, "homing", lambda number: state.run_folder(number, "homing"))
    _write_run(homing.folder, machine, machine_path, HomingTask(), _homing_records(machine), clock, scale)
    journal.end_run(homing.id, "done", "", realtime=True)
    rows = [
        HomingRow(axis, (10.0, 60.0, 40.0), 36.7, 0.0093, 5.0, difference)
        for axis, difference in (("x", None), ("y", 0.011))
    ]
    journal.record_homing(session, homing.id, rows, accepted=True, reason="")
    row = journal.begin_pass(
        session, job="low-tide", job_digest="0", name="moon-1", ink="moon", ink_index=0,
        schedule_digest=schedule.digest(), folder=prepared / "moon-1", strokes=3,
    )  # fmt: skip
    run = journal.begin_run(
        session, "moon-1", lambda number: state.run_folder(number, "moon-1"), pass_id=row.id
    )
    begin_ns = 20_000_000_000
    records = tick_records(schedule, machine, begin_ns)
    task = ScheduleTask(folder=str(prepared / "moon-1" / "schedule"))
    _write_run(run.folder, machine, machine_path, task, records, clock, scale)
    journal.finish_strokes(row.id, run.id, [(0, begin_ns + 10), (1, begin_ns + 20)])
    journal.end_run(run.id, "stopped", "asked", realtime=True)
    journal.end_pass(row.id, "stopped")
    journal.note("stop", "the painter said <stop> & went home", session)
    journal.end_session(session, "stopped")
    journal.close()
    save_painted(painted_like(strokes, t0_ns=begin_ns + 1_000_000_000), state.twin / "canvas.npz")
    return MadeSession(root, session, machine, strokes, schedule, records, prepared)


def _homing_records(machine: Machine) -> np.ndarray:
    records = np.zeros(500, dtype=TICK_DTYPE)
    records["scheduled_ns"] = 10_000_000_000 + machine.tick_ns * np.arange(500)
    records["sent_ns"] = records["scheduled_ns"] + 2_000
    records["segment"] = -1
    return records


def _write_run(
    folder: Path, machine: Machine, machine_path: Path, task, records, clock: str, scale: bool
) -> None:
    folder.mkdir(parents=True)
    spec = StreamSpec(
        run=folder.name, machine_file=str(machine_path), channel="none", tasks=(task,), ring_path="ring",
        guard_socket=None, latch_path="latch.json", offset_counts=(0.0, 0.0),
    )  # fmt: skip
    (folder / "spec.json").write_text(json.dumps(json.loads(spec.model_dump_json())))
    meta = {"tick_ns": machine.tick_ns, "clock": clock, **(scale_meta(machine) if scale else {})}
    with TimingLogWriter(folder / "timing.gtl", meta) as log:
        for part in np.array_split(records, 5):
            log.append(part)


@pytest.fixture(scope="session")
def made(tmp_path_factory) -> MadeSession:
    return make_session(tmp_path_factory.mktemp("state"))


@pytest.fixture
def make():
    """``make_session`` as a fixture: test modules do not import each other."""
    return make_session


@pytest.fixture
def strokes() -> StrokeSet:
    return made_strokes()


@pytest.fixture
def paint():
    """``painted_like`` as a fixture."""
    return painted_like


@pytest.fixture
def save():
    """``save_painted`` as a fixture."""
    return save_painted
