"""What was painted in the last minutes, or in a region: told from journal and timing logs, to be painted again.

Owns the way back in time: which strokes an ink's pen was on, and how far along each. Reads only; plans nothing.

Minutes are counted while a pass' schedule ran, travel with the pen up included, and not while it was stopped, homed or
waited: that is how a person at the wall counts whose pen paints ever paler. Only strokes that the journal has as
finished are taken; the one that a stop cut short is painted again from its start anyway.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from pydantic import ValidationError

from controller.config.counting import counted
from controller.config.errors import InputError, Mistake, RefusedError
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir
from controller.motion.schedule import Schedule, SegmentKind
from controller.session.journal import Journal
from controller.session.prepared import load_prepared
from controller.session.resume import PLAN, REMAINDER_FILE
from controller.session.rows import PassRow, RunRow
from controller.stream.spec import ScheduleTask, StreamSpec
from controller.stream.timinglog import TimingLogError, read_timing_log
from controller.strokes.mending import Parts, no_parts, whole_parts, within
from controller.strokes.strokeset import StrokeSet

BACK_MM: Final = 20.0
"""A stroke begun before the time asked for is taken up so much earlier along its way: nobody's minutes are exact."""


MEND: Final = "-mend-"
"""In the name of a pass that paints strokes again, before its number."""


@dataclass(frozen=True, slots=True)
class PaintedPass:
    """What of one pass is meant: its strokes and the parts of them. since: words for how far back in it."""

    row: PassRow
    strokes: StrokeSet
    parts: Parts
    minutes: float
    since: str


@dataclass(frozen=True, slots=True)
class Faded:
    """What is to be painted again with one ink, in the order in which it was painted; notes for the person."""

    ink: str
    passes: tuple[PaintedPass, ...]
    notes: tuple[str, ...]

    @property
    def strokes(self) -> int:
        """Strokes and parts of strokes."""
        return sum(len(one.parts) for one in self.passes)

    @property
    def metres(self) -> float:
        """Of all parts."""
        return sum(one.parts.length_mm for one in self.passes) / 1000.0


def last_ink(journal: Journal, job: str) -> str:
    """The ink painted last in a job. Raises RefusedError when none was."""
    runs = _runs(journal, job, None)
    if not runs:
        raise RefusedError(
            f"nothing of {job} has been painted yet", "run giornata paint", code="nothing-painted"
        )
    return runs[-1][1].ink


def painted_inks(journal: Journal, job: str) -> tuple[str, ...]:
    """All inks of a job of which something was painted."""
    return tuple(dict.fromkeys(row.ink for _, row in _runs(journal, job, None)))


def painted_since(
    journal: Journal, state: StateDir, machine: Machine, job: str, ink: str, dry_minutes: float
) -> Faded:
    """What the ink's pen painted in the last ``dry_minutes`` of its runs; never back beyond a fresh pen.

    Raises RefusedError when the ink was not painted, or its strokes are not kept any more.
    """
    runs = _runs(journal, job, ink)
    if not runs:
        raise RefusedError(
            f"nothing of {job} has been painted in {ink} yet", "run giornata paint", code="nothing-painted"
        )
    left_s, notes = 60.0 * dry_minutes, list[str]()
    found: list[PaintedPass] = []
    place = len(runs) - 1
    while place >= 0:
        row = runs[place][1]
        first = place
        while first > 0 and runs[first - 1][1].id == row.id:
            first -= 1
        one, used_s = _of_pass(
            journal, state, machine, row, [run for run, _ in runs[first : place + 1]], left_s, notes
        )
        if len(one.parts):
            found.append(one)
        left_s -= used_s
        place = first - 1
        if left_s <= 0.0:
            break
        if place >= 0 and _fresh_pen(row):
            notes.append(f"a fresh pen was put in for {row.name}: nothing painted before it is taken")
            break
    else:
        notes.append(
            f"the runs of {ink} took {dry_minutes - left_s / 60.0:.1f} min in all: everything is taken"
        )
    return Faded(ink, tuple(reversed(found)), tuple(notes))


def painted_all(journal: Journal, job: str, ink: str) -> Faded:
    """All that was painted in an ink; passes whose strokes are gone are told of in the notes."""
    notes: list[str] = []
    found: list[PaintedPass] = []
    # A pass painted several times, and strokes mended before, are taken once.
    rows = {(row.name, row.plan_key): row for _, row in _runs(journal, job, ink) if MEND not in row.name}
    for row in rows.values():
        try:
            strokes = strokes_of_pass(row)
        except RefusedError as error:
            notes.append(error.reason)
            continue
        same = [
            one.id
            for one in journal.passes()
            if (one.job, one.name, one.plan_key) == (job, row.name, row.plan_key)
        ]
        done = np.unique([stroke for one in same for stroke in journal.finished_strokes(one)]).astype(
            np.int64
        )
        found.append(PaintedPass(row, strokes, whole_parts(strokes, done), 0.0, "all"))
    return Faded(ink, tuple(found), tuple(notes))


def inside(faded: Faded, region: Any) -> Faded:
    """The same within a region of the canvas."""
    passes = []
    for one in faded.passes:
        parts = within(one.strokes, region, one.parts)
        if len(parts):
            passes.append(PaintedPass(one.row, one.strokes, parts, one.minutes, one.since))
    return Faded(faded.ink, tuple(passes), faded.notes)


def strokes_of_pass(row: PassRow) -> StrokeSet:
    """The strokes that a pass was painted from. Raises RefusedError when they have been replaced or are gone."""
    try:
        part = load_prepared(row.folder.parent).part(row.name)
        same = part.plan_key == row.plan_key if row.plan_key else part.digest == row.schedule_digest
        if same:
            return StrokeSet.load(row.folder / "strokes.npz")
        why = "the job has been prepared from other files since"
    except (InputError, OSError, ValueError, KeyError) as error:
        why = str(error)
    raise RefusedError(
        f"the strokes that {row.name} was painted from are not kept any more: {why}",
        "bring the files back and prepare the job again, or mend by a region of the drawing as it is",
        code="strokes-not-kept",
    )


def _runs(journal: Journal, job: str, ink: str | None) -> list[tuple[RunRow, PassRow]]:
    """Runs that painted, oldest first, each with its pass."""
    rows = {row.id: row for row in journal.passes() if row.job == job and ink in (None, row.ink)}
    return [(run, rows[run.pass_id]) for run in journal.runs() if run.pass_id in rows]


def _fresh_pen(row: PassRow) -> bool:
    try:
        return load_prepared(row.folder.parent).part(row.name).fresh_pen
    except InputError:
        return False


def _of_pass(
    journal: Journal, state: StateDir, machine: Machine, row: PassRow, runs: Sequence[RunRow], left_s: float,
    notes: list[str],
) -> tuple[PaintedPass, float]:  # fmt: skip
    """What of a pass was painted in its last ``left_s`` of running, and how many seconds of them it took."""
    strokes = strokes_of_pass(row)
    finished = set(journal.finished_strokes(row.id))
    found: dict[int, float] = {}
    asked_s, since = left_s, "its beginning"
    for run in reversed(runs):
        begins, took_s, cut = _of_run(_in_place(run, state), machine, row, strokes, left_s, notes)
        for stroke, begin_mm in begins.items():
            if stroke in finished:
                found[stroke] = min(begin_mm, found.get(stroke, np.inf))
        open_now = [stroke for stroke in begins if stroke not in finished]
        if open_now:
            notes.append(
                f"stroke {open_now[-1]} of {row.name} is not finished: giornata paint paints it anew"
            )
        left_s -= took_s
        if cut:
            since = f"stroke {min(begins)}" if begins else "its last ticks"
        if left_s <= 0.0:
            break
    order = np.array(sorted(found), dtype=np.int64)
    if not len(order):
        return PaintedPass(row, strokes, no_parts(), 0.0, since), asked_s - left_s
    begin = np.array([found[int(stroke)] for stroke in order])
    parts = Parts(order, begin, strokes.lengths_mm()[order])
    return PaintedPass(row, strokes, parts, (asked_s - max(left_s, 0.0)) / 60.0, since), asked_s - left_s


def _of_run(
    run: RunRow, machine: Machine, row: PassRow, strokes: StrokeSet, left_s: float, notes: list[str]
) -> tuple[dict[int, float], float, bool]:
    """Strokes on which the pen was down in the run's last ``left_s``, each with the mm from which on; the seconds that
    were taken; whether they begin within the run."""
    try:
        log = read_timing_log(run.folder / "timing.gtl")
    except (OSError, TimingLogError) as error:
        notes.append(f"run {run.id} of {row.name} left no timing log: its strokes are not taken ({error})")
        return {}, 0.0, False
    notes += [
        f"timing log of run {run.id}: {counted(one.length, 'byte')} left out, {one.what}"
        for one in log.damage
    ]
    # A pass of several parts has a task for each; segments count through all of them.
    records = log.records[log.records["segment"] >= 0]
    if not len(records):
        return {}, 0.0, False
    tick_s = machine.tick_ns * 1e-9
    ticks = min(len(records), max(int(np.ceil(left_s / tick_s)), 0))
    first = len(records) - ticks
    begins: dict[int, float] = {}
    for plan in _plans_of(run, row, log.meta):
        mine = (
            np.ones(len(records), dtype=np.bool_)
            if plan.tasks is None
            else np.isin(records["task"], plan.tasks)
        )
        for stroke, begin_mm in _begins(
            records[mine], int(mine[:first].sum()), plan, machine, strokes
        ).items():
            begins[stroke] = min(begin_mm, begins.get(stroke, np.inf))
    return begins, ticks * tick_s, first > 0


@dataclass(frozen=True, slots=True)
class _Plan:
    """A schedule that a run streamed in ``tasks`` (in all where None): of the pass' strokes, or from from_mm on of one.
    is_same: these are the very ticks that were streamed."""

    schedule: Schedule
    tasks: tuple[int, ...] | None
    stroke: int | None
    from_mm: float
    is_same: bool


def _plans_of(run: RunRow, row: PassRow, meta: Mapping[str, Any]) -> list[_Plan]:
    """The schedules of a run as kept with it; else the pass' own as it is by now, under another register map perhaps,
    in which segments count strokes alike."""
    kept = run.folder / PLAN
    try:
        if kept.is_dir():
            spec = StreamSpec.model_validate_json((run.folder / "spec.json").read_bytes())
            tasks: dict[str, list[int]] = {}
            for index, task in enumerate(spec.tasks):
                if isinstance(task, ScheduleTask):
                    tasks.setdefault(task.folder, []).append(index)
            return [_kept_plan(kept / str(mine[0]), tuple(mine)) for mine in tasks.values()]
        schedule = Schedule.load(row.folder / "schedule")
    except (OSError, ValueError, KeyError, ValidationError) as error:
        raise RefusedError(
            f"the schedule that {row.name} was painted from cannot be read any more: {error}",
            "mend by a region instead",
            code="strokes-not-kept",
        ) from None
    return [_Plan(schedule, None, None, 0.0, meta.get("schedule_digest") == schedule.digest())]


def _kept_plan(folder: Path, tasks: tuple[int, ...]) -> _Plan:
    schedule = Schedule.load(folder)
    if not (folder / REMAINDER_FILE).exists():
        return _Plan(schedule, tasks, None, 0.0, True)
    said = json.loads((folder / REMAINDER_FILE).read_text())
    return _Plan(schedule, tasks, int(said["stroke"]), float(said["from_mm"]), True)


def _begins(
    records: npt.NDArray[np.void], first: int, plan: _Plan, machine: Machine, strokes: StrokeSet
) -> dict[int, float]:
    """Strokes under the pen in ``records[first:]``, each with the mm along it from which on."""
    segments = np.array(plan.schedule.segments)
    if plan.stroke is not None:
        segments["stroke"][segments["stroke"] >= 0] = plan.stroke
    asked = records[first:]
    down = asked[(asked["head"] == 1) & (asked["segment"] < len(segments))]
    down = down[segments["kind"][down["segment"]] == SegmentKind.STROKE]
    found = dict.fromkeys(np.unique(segments["stroke"][down["segment"]]).tolist(), plan.from_mm)
    if not len(down) or first == 0 or not plan.is_same:
        return found
    stroke = int(segments["stroke"][down["segment"][0]])
    of_stroke = np.flatnonzero((segments["stroke"] == stroke) & (segments["kind"] == SegmentKind.STROKE))
    before = records[:first]
    before = before[np.isin(before["segment"], of_stroke)]
    if not len(before):
        return found
    per_mm = np.array([machine.quanta_per_mm(axis) for axis in AXES])

    def way(velocity: npt.NDArray[Any]) -> float:
        return float(np.hypot(*(velocity / per_mm).T).sum())

    # By the share of its motors' way: play and bends make it a few mm longer than the stroke, evenly enough.
    ticks = plan.schedule.velocity_units
    whole = sum(
        way(ticks[int(one["first_tick"]) : int(one["first_tick"] + one["ticks"])])
        for one in segments[of_stroke]
    )
    share = way(before["velocity_units"] - before["trim_units"]) / whole if whole > 0.0 else 0.0
    length_mm = float(strokes.lengths_mm()[stroke]) - plan.from_mm
    found[stroke] = max(plan.from_mm + min(share, 1.0) * length_mm - BACK_MM, 0.0)
    return found


def _in_place(run: RunRow, state: StateDir) -> RunRow:
    """The run with its folder where the state stands, should that have been moved."""
    if run.folder.is_dir() or not run.folder.name:
        return run
    values = {name: getattr(run, name) for name in RunRow.__dataclass_fields__}
    return RunRow(**{**values, "folder": state.runs / run.folder.name})


def asked_minutes(minutes: float) -> float:
    """Raises InputError for minutes that are none."""
    if not (np.isfinite(minutes) and 0.0 < minutes <= 24 * 60):
        expected = "minutes above 0, up to a day"
        raise InputError(
            [Mistake(Path("mend"), "--dry-minutes", expected, f"{minutes:g}", code="option-value")]
        )
    return minutes
