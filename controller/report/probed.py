"""A driven test read back: where motors and head were in each of its parts, from journal, timing log and record.

Owns the reading and the joining; reckons no figure and draws nothing. Three sources, kept apart by name:

* ``motors``: the encoders' answers in the timing log, put on the canvas as if belts were stiff and without play;
* ``model``: the same readings, passed forwards through the play and the belts that the machine file states;
* ``simulation``: where the simulated head truly was, from the gantry's own record. A real machine has none.

The gantry's record is known by its file alone, ``twin/motion.npz``: ``t_ns`` (n,), ``head_mm`` (n, 2), where the frame
is crooked ``place_mm`` (n, 2) true mm, ``end_ns``, ``dropped``.
"""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from pydantic import ValidationError

from controller.config.counting import counted
from controller.config.errors import InputError, Mistake
from controller.config.load import load_machine
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir
from controller.motion.chain import axis_models, head_from_motor_mm
from controller.motion.geometry import GeometryMap
from controller.motion.probe import MeasuringTest, Part, load_test
from controller.motion.probesteps import BrakeTest, StepsTest
from controller.report.runfiles import is_fresh
from controller.session.journal import Journal
from controller.session.measure import measured_folder
from controller.session.rows import RunRow, SessionRow
from controller.stream.spec import ScheduleTask, StreamSpec
from controller.stream.timinglog import TimingLogError, read_timing_log

Vector = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

SOURCES: dict[str, str] = {
    "motors": "Motors, as the encoders say",
    "model": "Head, as the machine file's model makes it of the encoders",
    "simulation": "Head, as the simulated gantry recorded it",
}
"""Name of a source to what it is."""


@dataclass(frozen=True, slots=True)
class Readings:
    """One source. t_ns: (n,) rising; canvas_mm: (n, 2). Between readings the place runs straight."""

    source: str
    t_ns: Index
    canvas_mm: Vector

    def between(self, begin_ns: int, end_ns: int) -> tuple[Index, Vector]:
        """Readings within a window, its ends put in."""
        inside = (self.t_ns > begin_ns) & (self.t_ns < end_ns)
        t_ns = np.concatenate([[begin_ns], self.t_ns[inside], [end_ns]])
        return t_ns, self.at(t_ns)

    def at(self, t_ns: npt.ArrayLike) -> Vector:
        """Places (m, 2) at instants (m,)."""
        start = self.t_ns[0]  # small numbers: an instant in ns does not fit a float
        wanted = np.asarray(t_ns, dtype=np.int64) - start
        known = self.t_ns - start
        return np.stack([np.interp(wanted, known, self.canvas_mm[:, k]) for k in range(2)], axis=1)


@dataclass(frozen=True, slots=True)
class Probed:
    """A session's test. ``windows_ns``: (parts, 2) first and last instant of each part; -1 where it has no tick."""

    machine: Machine
    session: SessionRow
    run: RunRow
    test: MeasuringTest
    parts: tuple[Part, ...]
    windows_ns: Index
    sources: tuple[Readings, ...]
    notes: tuple[str, ...]


def last_measuring_session(state: StateDir) -> int:
    """The latest session that drove a test to its end. Raises InputError when there is none."""
    with closing(Journal.read(state.journal)) as journal:
        for session in reversed(journal.sessions()):
            if session.verb == "measure" and _run_of(journal, session.id) is not None:
                return session.id
    raise InputError(
        [Mistake(state.journal, "session", "a session that measured", "none", code="session-unknown")]
    )


def read_probed(state_dir: Path, session_id: int) -> Probed:
    """Everything about the test of one session. Raises InputError when it drove none to its end or its log is gone."""
    state = StateDir(state_dir)
    notes: list[str] = []
    with closing(Journal.read(state.journal)) as journal:
        session = next((one for one in journal.sessions() if one.id == session_id), None)
        run = _run_of(journal, session_id)
    if session is None or run is None:
        raise InputError(
            [
                Mistake(
                    state.journal,
                    "session",
                    "one that drove a test to its end",
                    f"session {session_id}",
                    code="session-unknown",
                )
            ]
        )
    test, parts, flank = load_test(measured_folder(state, session_id))
    if isinstance(test, StepsTest | BrakeTest):
        raise InputError(
            [
                Mistake(
                    state.journal, "session", "a test of giornata measure", test.kind, code="session-unknown"
                )
            ]
        )
    folder = run.folder if run.folder.is_dir() else state.runs / run.folder.name
    try:
        spec = StreamSpec.model_validate_json((folder / "spec.json").read_bytes())
        log = read_timing_log(folder / "timing.gtl")
    except (OSError, ValidationError, TimingLogError) as error:
        raise InputError(
            [Mistake(folder, "run", "its spec and timing log", str(error), code="run-not-read")]
        ) from None
    notes.extend(
        f"timing log at byte {damage.offset}, {counted(damage.length, 'byte')} left out: {damage.what}"
        for damage in log.damage
    )
    machine = load_machine(Path(spec.machine_file))
    task = next(index for index, one in enumerate(spec.tasks) if isinstance(one, ScheduleTask))
    if spec.offset_counts is None:
        raise InputError([Mistake(folder, "offset_counts", "those of a homing", "none", code="run-not-read")])
    records = log.records[(log.records["task"] == task) & (log.records["segment"] >= 0)]
    tick_ns = machine.tick_ns
    windows = np.full((len(parts), 2), -1, dtype=np.int64)
    for index in range(len(parts)):
        scheduled = records["scheduled_ns"][records["segment"] == index]
        if len(scheduled):
            windows[index] = scheduled[0], scheduled[-1] + tick_ns
    sources = _sources(state, machine, records, spec.offset_counts, flank, notes.append)
    return Probed(machine, session, run, test, parts, windows, tuple(sources), tuple(notes))


def _run_of(journal: Journal, session_id: int) -> RunRow | None:
    """The run that drove the session's test to its end."""
    tests = [
        run
        for run in journal.runs(session_id)
        if run.what in ("circle", "axis", "line") and run.end == "done"
    ]
    return tests[-1] if tests else None


def _sources(
    state: StateDir,
    machine: Machine,
    records: npt.NDArray[np.void],
    offset_counts: tuple[float, float],
    flank: tuple[int, int],
    note: Callable[[str], None],
) -> list[Readings]:
    records = records[is_fresh(records)]
    if len(records) < 2:
        note("no word came from the drives while the test was driven")
        return []
    t_ns, first = np.unique(records["feedback_ns"].astype(np.int64), return_index=True)
    scale = np.array(
        [machine.axes[name].drive.direction * float(machine.axes[name].drive.counts_per_mm) for name in AXES]
    )
    motor = (records["measured_counts"][first] - np.array(offset_counts)) / scale
    geometry = GeometryMap.of(machine)
    found = [Readings("motors", t_ns, geometry.to_canvas(motor))]
    models = axis_models(machine)
    if any(model.has_play or model.belt_hz for model in models):
        # On the ticks' own grid; the test begins with a move that takes the play up to that side.
        grid = np.arange(int(t_ns[0]), int(t_ns[-1]) + 1, machine.tick_ns)
        even = np.stack([np.interp(grid - grid[0], t_ns - grid[0], motor[:, k]) for k in range(2)], axis=1)
        head = head_from_motor_mm(models, even, machine.tick_us * 1e-6, flank)
        found.append(Readings("model", grid, geometry.to_canvas(head)))
    truth = _simulation(state, machine, (int(t_ns[0]), int(t_ns[-1])), note)
    if truth is not None:
        found.append(truth)
    return found


def _simulation(
    state: StateDir, machine: Machine, window_ns: tuple[int, int], note: Callable[[str], None]
) -> Readings | None:
    if machine.twin is None or not machine.wire.is_simulated:
        return None
    path = state.twin / "motion.npz"
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as data:
            t_ns = np.asarray(data["t_ns"], dtype=np.int64)
            place = np.asarray(data["place_mm" if "place_mm" in data else "head_mm"], dtype=np.float64)
            end_ns = int(data["end_ns"])
    except (OSError, KeyError, ValueError, EOFError, zipfile.BadZipFile) as error:
        note(f"the simulated gantry's record cannot be read, so its head is left out: {error}")
        return None
    if not len(t_ns) or t_ns[0] > window_ns[0] or end_ns < window_ns[1]:
        note(
            "the simulated gantry's record does not reach over the whole test any more; its head is left out"
        )
        return None
    inside = slice(
        max(int(np.searchsorted(t_ns, window_ns[0])) - 1, 0), int(np.searchsorted(t_ns, window_ns[1])) + 2
    )
    # Samples of one instant (a push, a new chunk): the latest counts.
    instants, last = np.unique(t_ns[inside][::-1], return_index=True)
    places = place[inside][::-1][last]
    return Readings("simulation", instants, places - np.asarray(machine.twin.canvas_origin_mm))
