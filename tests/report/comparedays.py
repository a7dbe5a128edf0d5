"""State folders with made-up sessions for comparisons and trends: a journal, timing logs, one prepared pass.

The pass is planned once for all sessions. How late ticks leave, how far the motors are off and where homing finds the
switches is what a test asks for.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from controller.config.job import Ink
from controller.config.load import load_machine
from controller.config.machine import AXES
from controller.config.places import StateDir, shipped
from controller.motion.plan import plan_pass
from controller.motion.schedule import Schedule
from controller.session.journal import Journal
from controller.session.prepared import PREPARED_FILE, PreparedInk, PreparedJob, PreparedPass
from controller.session.rows import HomingRow, MarkMeasured
from controller.session.runs import scale_meta
from controller.stream.record import TICK_DTYPE
from controller.stream.spec import ScheduleTask, StreamSpec
from controller.stream.timinglog import TimingLogWriter
from controller.strokes.strokeset import StrokeKind, StrokeSet

LINES = 44
MACHINE = "machines/boathouse.toml"
BEGUN_MS = 1_750_000_000_000


@dataclass(frozen=True)
class Day:
    """One session. late_us: median lateness; off_mm: scale of the following error, along each axis; home_mm: by axis,
    differences of its homings from the homing before; halt: a latch with this reason."""

    late_us: float = 60.0
    off_mm: float = 0.02
    home_mm: Sequence[tuple[float, float]] = ((0.0, 0.0),)
    spread_mm: float = 0.01
    halt: str = ""
    clock: str = "real"
    pens: int = 1
    job: str = "low-tide"
    seed: int = 1
    marks: Sequence[tuple[float, float]] = field(default=())


@functools.cache
def planned() -> tuple[StrokeSet, Schedule]:
    """Short waves under each other, and their schedule."""
    machine = load_machine(shipped(MACHINE))
    parts = []
    for row in range(LINES):
        x = np.linspace(20.0, 50.0, 25)
        parts.append(np.column_stack([x, 20.0 + 4.0 * row + np.sin(x / 3.0)]))
    offsets = np.concatenate([[0], np.cumsum([len(part) for part in parts])]).astype(np.int64)
    kinds = np.full(LINES, StrokeKind.LINE, dtype=np.uint8)
    strokes = StrokeSet(
        np.concatenate(parts),
        offsets,
        kinds,
        np.arange(LINES, dtype=np.int32),
        tuple(f"wave-{n}" for n in range(LINES)),
    )
    ink = Ink(name="tide", group="tide", colour="#0072b2", tip_mm=2.0)
    return strokes, plan_pass(strokes, ink, machine, machine.park_mm)


def records(day: Day, begin_ns: int) -> np.ndarray[Any, Any]:
    """Records of the whole pass: log-normal lateness, normal errors that stay for some ticks."""
    _strokes, schedule = planned()
    machine = load_machine(shipped(MACHINE))
    random = np.random.default_rng(day.seed)
    found = np.zeros(schedule.ticks, dtype=TICK_DTYPE)
    found["tick"] = np.arange(schedule.ticks)
    found["scheduled_ns"] = begin_ns + schedule.tick_ns * np.arange(schedule.ticks)
    late_ns = 0 if day.clock == "virtual" else 1e3 * day.late_us * random.lognormal(0.0, 0.5, schedule.ticks)
    found["sent_ns"] = found["scheduled_ns"] + np.asarray(late_ns).astype(np.int64)
    found["feedback_ns"] = found["sent_ns"] + 200_000
    found["velocity_units"] = schedule.velocity_units
    counts = schedule.boundaries_quanta()[:-1] * np.array([machine.quantum_counts(axis) for axis in AXES])
    per_mm = np.array([float(machine.axes[axis].drive.counts_per_mm) for axis in AXES])
    found["planned_counts"] = np.rint(counts)
    off_mm = day.off_mm * random.normal(0.0, 1.0, (schedule.ticks, 2))
    found["measured_counts"] = found["planned_counts"] + np.rint(off_mm * per_mm).astype(np.int64)
    found["segment"] = np.asarray(schedule.segment)
    found["head"] = np.asarray(schedule.head)
    found["flags"] = 1
    found["flags"][::50] = 0
    return found


def make_days(root: Path, days: Sequence[Day], traps_mm: float | None = 2.0) -> Path:
    """A state folder with these sessions, in order; answers it."""
    strokes, schedule = planned()
    machine_path = shipped(MACHINE)
    machine = load_machine(machine_path)
    state = StateDir.open(root, machine.name)
    for job in {day.job for day in days}:
        _prepare(root / "prepared" / job, job, strokes, schedule, machine.name, traps_mm)
    at = [BEGUN_MS]
    journal = Journal.open(state.journal, machine.name, now_ms=lambda: at[0])
    mean, matrix = dict.fromkeys(AXES, 0.0), ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
    for number, day in enumerate(days):
        at[0] = BEGUN_MS + 86_400_000 * number
        session = journal.begin_session("paint", day.job, day.clock)
        for pen in range(day.pens):
            journal.pens.add_pen("tide", session=session, pass_name="tide-1", person=f"painter {pen}")
        for differences in day.home_mm:
            at[0] += 60_000
            rows = []
            for axis, apart in zip(AXES, differences, strict=True):
                drive = machine.axes[axis].drive
                mean[axis] += drive.direction * apart * float(drive.counts_per_mm)
                rows.append(HomingRow(axis, (0.0, 1.0, 2.0), mean[axis], day.spread_mm, 5.0, apart))
            journal.record_homing(session, None, rows, accepted=True, reason="")
        row = journal.begin_pass(
            session, job=day.job, job_digest="0", name="tide-1", ink="tide", ink_index=0,
            schedule_digest=schedule.digest(), folder=root / "prepared" / day.job / "tide-1", strokes=LINES,
        )  # fmt: skip
        run = journal.begin_run(
            session, "tide-1", lambda one: state.run_folder(one, "tide-1"), pass_id=row.id
        )
        begin_ns = 10_000_000_000_000 * (number + 1)
        _write(run.folder, machine_path, row.folder, records(day, begin_ns), day.clock, machine.tick_ns)
        journal.finish_strokes(row.id, run.id, [(one, begin_ns + one) for one in range(LINES)])
        journal.end_run(run.id, "halted" if day.halt else "done", day.halt, realtime=True)
        journal.end_pass(row.id, "halted" if day.halt else "finished")
        if day.halt:
            journal.note("latch", f"{day.halt}: the axes were stopped", session)
        if day.marks:
            matrix = _mark(journal, day, matrix)
        journal.end_session(session, "done")
    journal.close()
    return root


def _mark(journal: Journal, day: Day, matrix: Any) -> Any:
    """Marks at four corners, each found away by ``day.marks``; the map moves by their mean."""
    corners = ((40.0, 40.0), (900.0, 40.0), (900.0, 700.0), (40.0, 700.0))
    measured = [
        MarkMeasured(f"corner-{n}", corner, (corner[0] + x, corner[1] + y))
        for n, (corner, (x, y)) in enumerate(zip(corners, day.marks, strict=True))
    ]
    right, down = np.mean(np.array(day.marks), axis=0).tolist()
    (a, b, c), (d, e, f) = matrix
    moved = ((a, b, c + right), (d, e, f + down))
    journal.add_register_map(
        day.job, session=None, matrix=moved, marks=measured, summary=(), person="painter"
    )
    return moved


def _prepare(
    folder: Path, job: str, strokes: StrokeSet, schedule: Schedule, machine: str, traps_mm: float | None
) -> None:  # fmt: skip
    (folder / "tide-1").mkdir(parents=True)
    strokes.save(folder / "tide-1" / "strokes.npz")
    schedule.save(folder / "tide-1" / "schedule")
    made = PreparedPass(
        name="tide-1", ink="tide", number=1, of=1, turn=0, colour="#0072b2", tip_mm=2.0, tip_end_mm=2.0, strokes=LINES,
        metres=1.2, pen_m=0.0, ticks=schedule.ticks, seconds=30.0, fresh_pen=True, cut_by="end", too_long=False,
        wet_strokes=0, wet_minutes=0.0, digest=schedule.digest(),
    )  # fmt: skip
    ink = PreparedInk(
        name="tide", colour="#0072b2", tip_mm=2.0, passes=1, strokes=LINES, metres=1.2, seconds=30.0, pens=1
    )
    record = PreparedJob(
        job=job, job_digest="0", machine=machine, sources={}, inks=(ink,), passes=(made,), change_minutes=5.0,
        deferred=0, skipped=(), traps_mm=traps_mm,
    )  # fmt: skip
    (folder / PREPARED_FILE).write_text(record.model_dump_json())


def _write(folder: Path, machine_path: Path, part: Path, found: Any, clock: str, tick_ns: int) -> None:
    folder.mkdir(parents=True)
    spec = StreamSpec(
        run=folder.name, machine_file=str(machine_path), channel="none",
        tasks=(ScheduleTask(folder=str(part / "schedule")),), ring_path="ring", guard_socket=None,
        latch_path="latch.json", offset_counts=(0.0, 0.0),
    )  # fmt: skip
    (folder / "spec.json").write_text(json.dumps(json.loads(spec.model_dump_json())))
    meta = {"tick_ns": tick_ns, "clock": clock, **scale_meta(load_machine(machine_path))}
    with TimingLogWriter(folder / "timing.gtl", meta) as log:
        for piece in np.array_split(found, 7):
            log.append(piece)
