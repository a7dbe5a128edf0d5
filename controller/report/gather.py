"""A session's evidence brought together: journal, timing logs, prepared strokes, painted canvas.

Owns reading and the joining of what belongs together. Computes no figure and draws nothing. What is missing or
damaged is said in ``notes`` and left out; only what makes a report impossible raises InputError.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from pydantic import ValidationError

from controller.config.errors import InputError, Mistake
from controller.config.load import load_machine
from controller.config.machine import AXES
from controller.config.places import StateDir
from controller.motion.schedule import Schedule
from controller.report.painted import Painted, load_painted
from controller.session.journal import Journal
from controller.session.prepared import load_prepared
from controller.session.rows import EventRow, HomingRow, PassRow, RunRow, SessionRow
from controller.stream.spec import StreamSpec
from controller.stream.timinglog import TimingLogError, read_timing_log
from controller.strokes.strokeset import StrokeSet

FLAG_FRESH = 1
FALLBACK_COLOUR = "#555555"

Index = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class RunTicks:
    """The ticks of one run, reduced to what the report needs; all arrays (n,) but ``error_mm`` (n, 2).

    scheduled_ns, lateness_ns (sent - scheduled); segment (-1 outside a schedule); task; head; error_mm: measured
    minus expected position by axis, not-a-number where no fresh word came from the drives.
    ``task_kinds``: what each task was (``homing``, ``move``, ``schedule``).
    """

    run: RunRow
    tick_ns: int
    task_kinds: tuple[str, ...]
    scheduled_ns: Index
    lateness_ns: Index
    segment: npt.NDArray[np.int32]
    task: npt.NDArray[np.int16]
    head: npt.NDArray[np.uint8]
    error_mm: npt.NDArray[np.float64]

    @property
    def ticks(self) -> int:
        """Number of ticks."""
        return len(self.lateness_ns)


@dataclass(frozen=True, slots=True)
class PassData:
    """One pass as far as this session had a part in it.

    strokes and segments are None when the prepared folder is gone or was prepared anew since.
    finished: strokes finished in this session.
    """

    row: PassRow
    colour: str
    tip_mm: float
    strokes: StrokeSet | None
    segments: npt.NDArray[np.void] | None
    finished: Index
    runs: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SessionData:
    """All that a report is made from."""

    machine: str
    session: SessionRow
    runs: tuple[RunRow, ...]
    ticks: tuple[RunTicks, ...]
    passes: tuple[PassData, ...]
    homings: tuple[HomingRow, ...]
    homing_history: tuple[HomingRow, ...]
    events: tuple[EventRow, ...]
    painted: Painted | None
    canvas_size_mm: tuple[float, float] | None
    counts_per_mm: tuple[float, float] | None
    notes: tuple[str, ...]

    @property
    def is_virtual(self) -> bool:
        """Whether the session went by the virtual clock: then nothing can be late."""
        return self.session.clock == "virtual"

    def ticks_of(self, run: int) -> RunTicks | None:
        """The ticks of a run, None when it left no readable log."""
        return next((one for one in self.ticks if one.run.id == run), None)

    def window_ns(self, part: PassData) -> tuple[int, int] | None:
        """First and last instant of a pass' runs, None when there is no log of it."""
        logs = [one for run in part.runs if (one := self.ticks_of(run)) is not None and one.ticks]
        if not logs:
            return None
        return (
            min(int(one.scheduled_ns[0]) for one in logs),
            max(int(one.scheduled_ns[-1]) + one.tick_ns for one in logs),
        )


def gather(state_dir: Path, session_id: int | None = None) -> SessionData:
    """Read a session (the latest that moved anything if None). Raises InputError when there is none to report."""
    state = StateDir(state_dir)
    notes: list[str] = []
    with closing(Journal.read(state.journal)) as journal:
        session = _session(journal, session_id)
        runs = tuple(_in_place(run, state) for run in journal.runs(session.id))
        spec = next((spec for run in runs if (spec := _spec(run)) is not None), None)
        counts_per_mm, canvas_size = _machine(spec, notes.append)
        ticks = tuple(
            found for run in runs if (found := _ticks(run, counts_per_mm, notes.append)) is not None
        )
        passes = tuple(
            _pass(journal, row, [run.id for run in runs if run.pass_id == row.id], notes.append)
            for row in journal.passes(session.id)
        )
        data = SessionData(
            journal.machine,
            session,
            runs,
            ticks,
            passes,
            tuple(journal.homings(session.id)),
            tuple(journal.homings()),
            tuple(journal.events(session.id)),
            _painted(state.twin / "canvas.npz", notes.append),
            canvas_size,
            counts_per_mm,
            (),
        )
    return SessionData(
        **{name: getattr(data, name) for name in SessionData.__dataclass_fields__ if name != "notes"},
        notes=tuple(notes),
    )


def _session(journal: Journal, session_id: int | None) -> SessionRow:
    sessions = journal.sessions()
    if session_id is None:
        moved = [session for session in sessions if journal.runs(session.id)]
        if not moved:
            raise InputError(
                [
                    Mistake(
                        journal.path,
                        "session",
                        "a session to report on (home or paint first)",
                        "none",
                        code="session-none",
                    )
                ]
            )
        return moved[-1]
    for session in sessions:
        if session.id == session_id:
            return session
    known = f"1 to {sessions[-1].id}" if sessions else "none yet"
    raise InputError(
        [
            Mistake(
                journal.path,
                "session",
                f"one of the journal's ({known})",
                str(session_id),
                code="session-unknown",
            )
        ]
    )


def _in_place(run: RunRow, state: StateDir) -> RunRow:
    """The run with its folder where the state directory stands now, should that have been moved."""
    if run.folder.is_dir() or not run.folder.name:
        return run
    values = {name: getattr(run, name) for name in RunRow.__dataclass_fields__}
    return RunRow(**{**values, "folder": state.runs / run.folder.name})


def _spec(run: RunRow) -> StreamSpec | None:
    with suppress(OSError, ValidationError):
        return StreamSpec.model_validate_json((run.folder / "spec.json").read_bytes())
    return None


def _machine(
    spec: StreamSpec | None, note: Callable[[str], None]
) -> tuple[tuple[float, float] | None, tuple[float, float] | None]:
    """Signed counts per mm of both axes and the canvas' size."""
    if spec is None:
        note("no run left its spec; positions cannot be turned into mm")
        return None, None
    try:
        machine = load_machine(Path(spec.machine_file))
    except InputError as error:
        note(
            f"the machine file cannot be read any more, so following errors are left out: {error.mistakes[0]}"
        )
        return None, None
    x, y = (machine.axes[axis].drive for axis in AXES)
    return (
        (x.direction * float(x.counts_per_mm), y.direction * float(y.counts_per_mm)),
        machine.canvas.size_mm,
    )


def _ticks(
    run: RunRow, counts_per_mm: tuple[float, float] | None, note: Callable[[str], None]
) -> RunTicks | None:
    path = run.folder / "timing.gtl"
    try:
        log = read_timing_log(path)
    except FileNotFoundError:
        note(f"run {run.id} ({run.what}) left no timing log")
        return None
    except (OSError, TimingLogError) as error:
        note(f"run {run.id} ({run.what}): {error}")
        return None
    for damage in log.damage:
        note(
            f"run {run.id} ({run.what}): timing log at byte {damage.offset}, {damage.length} bytes left out: "
            f"{damage.what}"
        )
    records = log.records
    off_mm = np.full((len(records), 2), np.nan)
    if counts_per_mm is not None:
        fresh = ((records["flags"] & FLAG_FRESH) != 0) & (records["feedback_ns"] > 0)
        off_counts = (records["measured_counts"] - records["planned_counts"])[fresh]
        off_mm[fresh] = off_counts / np.array(counts_per_mm)
    spec = _spec(run)
    return RunTicks(
        run,
        int(log.meta.get("tick_ns", 0)) or _tick_ns(records),
        tuple(task.kind for task in spec.tasks) if spec is not None else (),
        records["scheduled_ns"].astype(np.int64),
        (records["sent_ns"] - records["scheduled_ns"]).astype(np.int64),
        records["segment"].astype(np.int32),
        records["task"].astype(np.int16),
        records["head"].astype(np.uint8),
        off_mm,
    )


def _tick_ns(records: npt.NDArray[np.void]) -> int:
    return int(np.median(np.diff(records["scheduled_ns"]))) if len(records) > 1 else 0


def _pass(journal: Journal, row: PassRow, runs: list[int], note: Callable[[str], None]) -> PassData:
    finished = np.array(
        [stroke for stroke, run, _ in journal.stroke_rows(row.id) if run in runs], dtype=np.int64
    )
    colour, tip_mm, key = FALLBACK_COLOUR, 1.0, ""
    with suppress(InputError):
        part = load_prepared(row.folder.parent).part(row.name)
        colour, tip_mm, key = part.colour, part.tip_mm, part.plan_key
    strokes: StrokeSet | None = None
    segments: npt.NDArray[np.void] | None = None
    try:
        meta = json.loads((row.folder / "schedule" / "meta.json").read_text())
        # Planned anew under another register map, strokes and segments are the same but for their times.
        same = meta["digest"] == row.schedule_digest or (row.plan_key != "" and row.plan_key == key)
        if not same:
            note(f"pass {row.name} was prepared anew since; its planned strokes are left out")
        else:
            segments = np.array(Schedule.load(row.folder / "schedule").segments)
            strokes = StrokeSet.load(row.folder / "strokes.npz")
    except (OSError, ValueError, KeyError, TypeError) as error:
        note(f"pass {row.name}: its prepared folder cannot be read any more: {error}")
        strokes = segments = None
    return PassData(row, colour, tip_mm, strokes, segments, finished, tuple(runs))


def _painted(path: Path, note: Callable[[str], None]) -> Painted | None:
    if not path.is_file():
        return None
    try:
        return load_painted(path)
    except InputError as error:
        note(str(error))
        return None
