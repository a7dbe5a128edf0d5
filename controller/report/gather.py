"""A session's evidence brought together: journal, timing logs, prepared strokes, painted canvas.

Owns reading and the joining of what belongs together. Computes no figure and draws nothing. What is missing or
damaged is said in ``notes`` and left out; only what makes a report impossible raises InputError.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError, Mistake
from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.motion.schedule import Schedule
from controller.report.history import History, gather_history
from controller.report.painted import Painted, load_painted
from controller.report.passdata import KEPT, PassData
from controller.report.runfiles import (
    TODAYS_SCALE,
    UNREADABLE,
    Scale,
    damage_words,
    in_place,
    logged_scale,
    machine_scale,
    painting_ids,
    spec_of,
)
from controller.report.runticks import RunTicks, TaskPlan, read_ticks
from controller.session.journal import Journal
from controller.session.rows import EventRow, HomingRow, RunRow, SessionRow
from controller.stream.spec import ScheduleTask, StreamSpec
from controller.stream.timinglog import Damage, TimingLogError, log_meta

Index = npt.NDArray[np.int64]

NO_SCALE: Final = "nothing says how many counts a mm has, so following errors are left out"


@dataclass(frozen=True, slots=True)
class SessionData:
    """All that a report is made from.

    following_max_mm: the following error that was allowed when the session ran, by axis, None where nothing says so.
    """

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
    following_max_mm: tuple[float, float] | None
    history: History
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
    """Read a session (the latest that painted if None). Raises InputError when there is none to report."""
    state = StateDir(state_dir)
    notes: list[str] = []
    with closing(Journal.read(state.journal)) as journal:
        session = _session(journal, session_id)
        runs = tuple(in_place(run, state) for run in journal.runs(session.id))
        spec = next((spec for run in runs if (spec := spec_of(run)) is not None), None)
        machine = _machine(spec, notes.append)
        scales = _Scales(None if machine is None else machine_scale(machine))
        ticks = tuple(found for run in runs if (found := _ticks(run, scales, notes.append)) is not None)
        notes += scales.notes()
        so_far = [in_place(run, state) for run in journal.runs() if run.session <= session.id]
        history = gather_history(journal, session, so_far, machine, notes.append)
        here = {run.pass_id for run in runs}
        data = SessionData(
            journal.machine,
            session,
            runs,
            ticks,
            tuple(part for part in history.passes if part.row.id in here),
            tuple(journal.homings(session.id)),
            tuple(journal.homings()),
            tuple(journal.events(session.id)),
            _painted(state.twin / "canvas.npz", notes.append),
            None if machine is None else machine.canvas.size_mm,
            scales.following_max_mm,
            history,
            (),
        )
    return replace(data, notes=tuple(notes))


def _session(journal: Journal, session_id: int | None) -> SessionRow:
    sessions = journal.sessions()
    if session_id is None:
        painted = painting_ids(journal)
        if not painted:
            raise InputError(
                [
                    Mistake(
                        journal.path,
                        "session",
                        "a session that painted (paint first)",
                        "none",
                        code="session-none",
                    )
                ]
            )
        session_id = painted[-1]
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


@dataclass(slots=True)
class _Scales:
    """What turns counts into mm: what each log says, else ``today``, the machine file's."""

    today: Scale | None
    said: Scale | None = None
    unsaid: int = 0

    def of(self, meta: Mapping[str, Any]) -> tuple[float, float] | None:
        """Signed counts per mm of the log with this meta block."""
        found = logged_scale(meta)
        if found is None:
            self.unsaid += 1
            return None if self.today is None else self.today.counts_per_mm
        self.said = found
        return found.counts_per_mm

    @property
    def following_max_mm(self) -> tuple[float, float] | None:
        """What was allowed: one service runs a session, so its logs agree."""
        found = self.said if self.said is not None else self.today
        return None if found is None else found.following_max_mm

    def notes(self) -> list[str]:
        """What a reader has to know of it."""
        if not self.unsaid:
            return []
        return [TODAYS_SCALE if self.today is not None else NO_SCALE]


def _machine(spec: StreamSpec | None, note: Callable[[str], None]) -> Machine | None:
    """The machine that the session's runs were told of, as its file says it stands."""
    if spec is None:
        note("no run left its spec, so its machine file is not known")
        return None
    try:
        return load_machine(Path(spec.machine_file))
    except InputError as error:
        note(f"the machine file cannot be read any more, so homings are not judged: {error.mistakes[0]}")
        return None


def _plans(run: RunRow, spec: StreamSpec | None) -> dict[int, TaskPlan]:
    """By task, the schedules that the run kept; what cannot be read is left out, and the pass' own stands in."""
    plans: dict[int, TaskPlan] = {}
    first: dict[str, int] = {}
    for index, task in enumerate(spec.tasks if spec is not None else ()):
        if not isinstance(task, ScheduleTask):
            continue
        place = run.folder / KEPT / str(first.setdefault(task.folder, index))
        with suppress(*UNREADABLE):
            segments, from_mm = np.array(Schedule.load(place).segments), 0.0
            if (place / "remainder.json").exists():
                said = json.loads((place / "remainder.json").read_text())
                segments["stroke"][segments["stroke"] >= 0] = int(said["stroke"])
                from_mm = float(said["from_mm"])
            plans[index] = TaskPlan(segments, from_mm)
    return plans


def _ticks(run: RunRow, scales: _Scales, note: Callable[[str], None]) -> RunTicks | None:
    spec = spec_of(run)
    kinds = tuple(task.kind for task in spec.tasks) if spec is not None else ()

    def damaged(damage: Damage) -> None:
        note(damage_words(run, damage))

    path = run.folder / "timing.gtl"
    try:
        return read_ticks(path, run, kinds, scales.of(log_meta(path)), damaged, _plans(run, spec))
    except FileNotFoundError:
        note(f"run {run.id} ({run.what}) left no timing log")
    except (OSError, TimingLogError) as error:
        note(f"run {run.id} ({run.what}): {error}")
    return None


def _painted(path: Path, note: Callable[[str], None]) -> Painted | None:
    if not path.is_file():
        return None
    try:
        return load_painted(path)
    except InputError as error:
        note(str(error))
        return None
