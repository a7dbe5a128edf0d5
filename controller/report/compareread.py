"""A session read for comparing: journal, timing logs, and the simulated canvas where there is one.

Owns reading and the reduction of ticks to figures of a session. Compares nothing and draws nothing. What is missing or
damaged is said in ``notes`` and left out.

* *Lateness*: sent less scheduled, of the ticks of a schedule.
* *Following error*: distance of the motors' measured place from the expected one, of ticks with the pen down in which
  fresh word came from both drives.
* *Contour error, by the motors*: the part of it across the way, as the session's report has it (``runticks``); none
  where the motors are expected to stand.
* *Timing error of a segment*: how much longer it took than its ticks, from its first tick to the next segment's.
* *Off its path*: what the simulated tip truly touched against the planned stroke.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError, Mistake
from controller.config.load import load_machine
from controller.config.machine import AXES
from controller.config.places import StateDir
from controller.motion.schedule import Schedule, SegmentKind
from controller.report.deviation import measure
from controller.report.painted import Painted, load_painted
from controller.report.runfiles import (
    TODAYS_SCALE,
    UNREADABLE,
    damage_words,
    in_place,
    logged_scale,
    machine_scale,
    painting_ids,
    spec_of,
)
from controller.report.runticks import contour_and_way, error_mm_of, timing_errors_ns
from controller.report.stops import counted_stops
from controller.session.journal import Journal
from controller.session.rows import HomingRow, PassRow, RunRow, SessionRow
from controller.stream.record import TICK_DTYPE
from controller.stream.spec import StreamSpec
from controller.stream.timinglog import Damage, TimingLogError, log_meta, tick_blocks
from controller.strokes.strokeset import StrokeSet

LATE_US = 1000.0
Floats = npt.NDArray[np.float32]
Vector = npt.NDArray[np.float64]

STROKE_DTYPE = np.dtype(
    [
        ("stroke", "<i4"),
        ("late_max_us", "<f8"),  # nan where the log says nothing
        ("timing_us", "<f8"),  # error of the segment in which it was painted, its size
        ("following_max_mm", "<f8"),
        ("contour_max_mm", "<f8"),
        ("off_max_mm", "<f8"),  # nan without a canvas
    ]
)


COLUMNS = ("late_max_us", "timing_us", "following_max_mm", "contour_max_mm", "off_max_mm")


@dataclass(frozen=True, slots=True, eq=False)
class PassPart:
    """One pass as far as the session painted it. strokes: (s,) STROKE_DTYPE, finished ones in the order painted.

    points: digest of the planned strokes, by which the same pass of another session is known; empty where unknown.
    metres: of the finished strokes, by their plan; None where that is gone.
    """

    row: PassRow
    strokes: npt.NDArray[np.void]
    points: str
    metres: float | None


@dataclass(frozen=True, slots=True)
class Counts:
    """What was done. Lengths of time by run sums; None where the journal has none."""

    passes: int
    strokes: int
    metres: float
    painting_min: float
    pen_down_min: float | None
    pens: int
    stops: int
    halts: int

    @property
    def paint_speed_mm_s(self) -> float | None:
        """Painted length over time with the pen down."""
        if not self.pen_down_min or not self.metres:
            return None
        return self.metres * 1000.0 / (self.pen_down_min * 60.0)

    @property
    def strokes_h(self) -> float | None:
        """Strokes an hour of the passes' own time."""
        return self.strokes * 60.0 / self.painting_min if self.painting_min > 0.0 and self.strokes else None


@dataclass(frozen=True, slots=True, eq=False)
class SessionRead:
    """One session. Arrays are in order of time: lateness_us (n,), following_mm and contour_mm (m,).

    home_mm: by axis, the home switch's place at each accepted homing, from the journal's first: differences from the
    homing before added up. stops: (code or word, sentence) of each.
    """

    state: Path
    machine: str
    session: SessionRow
    tick_us: float
    realtime: bool | None
    lateness_us: Floats
    following_mm: Floats
    contour_mm: Floats
    parts: tuple[PassPart, ...]
    homings: tuple[HomingRow, ...]
    home_mm: dict[str, Vector]
    counts: Counts
    stops: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]

    @property
    def is_virtual(self) -> bool:
        """Whether it went by the virtual clock: then nothing can be late."""
        return self.session.clock == "virtual"

    @property
    def name(self) -> str:
        """For a person."""
        return f"session {self.session.id}"

    def column(self, name: str) -> Vector:
        """One column of all finished strokes, in the order painted, what is not known left out."""
        rows = [part.strokes[name] for part in self.parts]
        values = np.concatenate([np.zeros(0), *rows]).astype(np.float64)
        known: Vector = values[~np.isnan(values)]
        return known


def read_session(state_dir: Path, session_id: int, canvas: Painted | None = None) -> SessionRead:
    """Read one session. ``canvas``: of the state folder where it was read already. Raises InputError."""
    state = StateDir(state_dir)
    with closing(Journal.read(state.journal)) as journal:
        return read_open(journal, state, session_of(journal, session_id), canvas or canvas_of(state))


def canvas_of(state: StateDir) -> Painted | None:
    """What the simulated tip touched; None where there is no such canvas, or it cannot be read."""
    with suppress(InputError):
        return load_painted(state.twin / "canvas.npz")
    return None


def session_of(journal: Journal, session_id: int) -> SessionRow:
    """Raises InputError that lists the journal's sessions."""
    sessions = journal.sessions()
    for row in sessions:
        if row.id == session_id:
            return row
    raise InputError(
        [Mistake(journal.path, "session", known_words(journal), str(session_id), code="session-unknown")]
    )


SHOWN = 20


def known_words(journal: Journal) -> str:
    """Which sessions there are, those that painted first."""
    painted = painting_ids(journal)
    others = [row.id for row in journal.sessions() if row.id not in painted]
    told = []
    for what, ids in (("that painted", painted), ("others", others)):
        if ids:
            first = "... " if len(ids) > SHOWN else ""
            told.append(f"{what}: {first}{', '.join(map(str, ids[-SHOWN:]))}")
    return f"one of the journal's sessions ({'; '.join(told) or 'none yet'})"


@dataclass(slots=True)
class _Taken:
    """Arrays of all runs so far, and what else their logs tell."""

    lateness: list[Floats] = field(default_factory=list)
    following: list[Floats] = field(default_factory=list)
    contour: list[Floats] = field(default_factory=list)
    tick_us: float = 0.0
    seconds: float = 0.0
    unsaid: bool = False


def read_open(journal: Journal, state: StateDir, session: SessionRow, canvas: Painted | None) -> SessionRead:
    """``read_session`` of an open journal."""
    notes: list[str] = []
    runs = [in_place(run, state) for run in journal.runs(session.id)]
    taken, parts = _Taken(), []
    for row in journal.passes(session.id):
        mine = [run for run in runs if run.pass_id == row.id]
        parts.append(_part(journal, row, mine, taken, canvas, notes))
    if taken.unsaid:
        notes.append(TODAYS_SCALE)
    sums = {one.run: one for one in journal.pens.sums()}
    mine_sums = [sums[run.id] for run in runs if run.pass_id is not None and run.id in sums]
    events = journal.events(session.id)
    halts, asked = counted_stops(events)
    stops = [
        *((one.text.partition(":")[0], one.text) for one in events if one.kind == "latch"),
        *(("asked", one.text) for one in events if one.kind == "stop"),
    ]
    pens = sum(one.session == session.id for one in journal.pens.pens())
    finished = sum(len(part.strokes) for part in parts)
    by_run = {run.id: run.pass_id for run in runs}
    metres = sum(
        part.metres if part.metres is not None
        else sum(one.painted_mm for one in mine_sums if by_run[one.run] == part.row.id) / 1000.0
        for part in parts
    )  # fmt: skip
    rights = {run.realtime for run in runs if run.realtime is not None}
    return SessionRead(
        state=state.root,
        machine=journal.machine,
        session=session,
        tick_us=taken.tick_us,
        realtime=None if not rights else rights == {True},
        lateness_us=_joined(taken.lateness),
        following_mm=_joined(taken.following),
        contour_mm=_joined(taken.contour),
        parts=tuple(parts),
        homings=tuple(journal.homings(session.id)),
        home_mm=_home_places(journal, session.id),
        counts=Counts(
            len(parts), finished, metres, taken.seconds / 60.0,
            sum(one.down_s for one in mine_sums) / 60.0 if mine_sums else None, pens, asked, halts,
        ),
        stops=tuple(stops),
        notes=tuple(notes),
    )  # fmt: skip


def _joined(parts: list[Floats]) -> Floats:
    return np.concatenate([np.zeros(0, dtype=np.float32), *parts])


def _home_places(journal: Journal, session: int) -> dict[str, Vector]:
    """Differences between homings that follow each other, added up over the whole journal; those of this session."""
    places: dict[str, list[float]] = {axis: [] for axis in AXES}
    at = dict.fromkeys(AXES, 0.0)
    for row in journal.homings():
        if not row.accepted or row.axis not in at:
            continue
        at[row.axis] += row.difference_mm or 0.0
        if row.session == session:
            places[row.axis].append(at[row.axis])
    return {axis: np.array(values, dtype=np.float64) for axis, values in places.items()}


def _part(
    journal: Journal, row: PassRow, runs: list[RunRow], taken: _Taken, canvas: Painted | None, notes: list[str]
) -> PassPart:  # fmt: skip
    """Read the logs of one pass and sum its strokes up."""
    ids = {run.id for run in runs}
    done = sorted(
        (run, finished_ns, stroke) for stroke, run, finished_ns in journal.stroke_rows(row.id) if run in ids
    )
    table = np.zeros(len(done), dtype=STROKE_DTYPE)
    table["stroke"] = [stroke for _, _, stroke in done]
    for name in COLUMNS:
        table[name] = np.nan
    strokes, segments = _planned(row, notes)
    most = None if strokes is None else np.full((len(strokes), 4), -np.inf)
    window: list[int] = []
    for run in runs:
        window += _take_log(run, row, segments, most, taken, notes)
    if most is not None and len(done):
        known = table["stroke"] < len(most)
        found = np.where(np.isneginf(most), np.nan, most)[table["stroke"][known]]
        for name, column in zip(COLUMNS, found.T, strict=False):
            table[name][known] = column
    points, metres = "", None
    if strokes is not None:
        lengths = strokes.lengths_mm()
        metres = float(lengths[table["stroke"][table["stroke"] < len(lengths)]].sum()) / 1000.0
        from controller.strokes.kept import key_of

        points = key_of(strokes.points_mm, strokes.offsets, strokes.kind)
        if canvas is not None and window and len(done):
            measured = measure(canvas, strokes, row.ink, (min(window), max(window)))
            known = table["stroke"] < len(strokes)
            table["off_max_mm"][known] = measured.strokes["off_max_mm"][table["stroke"][known]]
    return PassPart(row, table, points, metres)


def _planned(row: PassRow, notes: list[str]) -> tuple[StrokeSet | None, npt.NDArray[np.void] | None]:
    """The pass' strokes and segments, where its prepared folder still holds what was painted."""
    try:
        strokes = StrokeSet.load(row.folder / "strokes.npz")
        if len(strokes) != row.strokes:
            raise ValueError("another number of strokes")
        meta = json.loads((row.folder / "schedule" / "meta.json").read_text())
        if meta["digest"] != row.schedule_digest:
            # Planned anew under another register map, its strokes and segments are the same but for their times.
            _same_plan(row)
        return strokes, np.array(Schedule.load(row.folder / "schedule").segments)
    except UNREADABLE as error:
        notes.append(
            f"pass {row.name}: nothing is said stroke by stroke, its prepared folder does not serve: {error}"
        )
        return None, None


def _same_plan(row: PassRow) -> None:
    from controller.session.prepared import load_prepared

    key = load_prepared(row.folder.parent).part(row.name).plan_key
    if not row.plan_key or key != row.plan_key:
        raise ValueError("it was prepared anew since")


def _take_log(
    run: RunRow, row: PassRow, segments: npt.NDArray[np.void] | None, most: Vector | None, taken: _Taken,
    notes: list[str],
) -> list[int]:  # fmt: skip
    """Add one run's log to what is ``taken``, its strokes' largest to ``most``; answers its first and last instant."""
    path = run.folder / "timing.gtl"
    spec = spec_of(run)

    def damaged(damage: Damage) -> None:
        notes.append(damage_words(run, damage))

    try:
        meta = log_meta(path)
        tick_ns = int(meta.get("tick_ns", 0))
        joined = bytearray()  # grows in place: a log of hours is held once
        for block in tick_blocks(path, damaged):
            joined += block.tobytes()
    except (OSError, TimingLogError) as error:
        notes.append(f"run {run.id} ({run.what}) has no readable timing log: {error}")
        return []
    records = np.frombuffer(joined, TICK_DTYPE)
    # Errors and times go by all ticks, as in the session's report; what is compared are those of the schedule.
    inside = records["segment"] >= 0
    if not inside.any():
        return []
    tick_us, late_ns = tick_ns * 1e-3, (records["sent_ns"] - records["scheduled_ns"]).astype(np.int64)
    late = (late_ns * 1e-3).astype(np.float32)
    following, contour = errors(records, _counts_per_mm(meta, spec, taken, notes.append))
    down = inside & (records["head"] != 0)
    taken.tick_us = max(taken.tick_us, tick_us)
    taken.seconds += int(np.count_nonzero(inside)) * tick_us * 1e-6
    taken.lateness.append(late[inside])
    for kept, values in ((taken.following, following), (taken.contour, contour)):
        values = values[down]
        kept.append(values[np.isfinite(values)].astype(np.float32))
    if most is not None and segments is not None:
        stroke_of = np.where(segments["kind"] == SegmentKind.STROKE, segments["stroke"], -1).astype(np.int64)
        stroke = np.append(stroke_of, -1)[np.minimum(records["segment"], len(stroke_of))]
        stroke = np.where(np.isin(records["task"], _own_tasks(spec, row)), stroke, -1)
        starts = np.flatnonzero(
            np.diff(records["segment"], prepend=-2) | np.diff(records["task"], prepend=-2)
        )
        _largest(most[:, 0], stroke, late)
        took_ns = timing_errors_ns(records["scheduled_ns"], late_ns, starts, tick_ns)
        _largest(most[:, 1], stroke[starts], np.abs(took_ns * 1e-3))
        _largest(most[:, 2], stroke, following)
        _largest(most[:, 3], stroke, contour)
    first, last = np.flatnonzero(inside)[[0, -1]]
    return [int(records["scheduled_ns"][first]), int(records["scheduled_ns"][last] + 1000 * tick_us)]


def _largest(most: Vector, stroke: npt.NDArray[np.int64], values: npt.NDArray[np.floating]) -> None:
    known = (stroke >= 0) & (stroke < len(most)) & np.isfinite(values)
    np.maximum.at(most, stroke[known], values[known])


def errors(records: npt.NDArray[np.void], per_mm: tuple[float, float] | None) -> tuple[Vector, Vector]:
    """Following and contour error (n,), mm, of all of a run's records in order; nan without fresh word, or a scale."""
    off_mm = error_mm_of(records, per_mm)
    contour, _way = contour_and_way(records["planned_counts"], off_mm, per_mm)
    following: Vector = np.hypot(*off_mm.T)
    return following, contour


def _own_tasks(spec: StreamSpec | None, row: PassRow) -> list[int]:
    """Indices of the run's tasks that stream the pass' own schedule: others prime a pen or end a stroke."""
    if spec is None:
        return [0]
    wanted = (row.folder.name, "schedule")
    return [
        index
        for index, task in enumerate(spec.tasks)
        if task.kind == "schedule" and Path(task.folder).parts[-2:] == wanted
    ]


def _counts_per_mm(
    meta: dict[str, Any], spec: StreamSpec | None, taken: _Taken, note: Callable[[str], None]
) -> tuple[float, float] | None:
    """By the log's own word, else by today's machine file."""
    said = logged_scale(meta)
    if said is not None:
        return said.counts_per_mm
    if spec is None:
        return None
    try:
        found = machine_scale(load_machine(Path(spec.machine_file))).counts_per_mm
    except InputError as error:
        note(f"the machine file cannot be read any more, so errors in mm are left out: {error.mistakes[0]}")
        return None
    taken.unsaid = True
    return found
