"""Mends: passes that paint again what faded, or paint gaps; each a prepared folder of its own beside the job's.

Owns where they lie and how they are planned. A mend holds the very strokes that a person has seen in its picture:
preparing the job anew leaves it alone; another machine file or register map plans its ticks anew, its strokes stay.

In the machine's state: ``mends/<job>/<name>/`` (see ``prepared``), ``<name>.json`` (why it was made, by whom) and
``<name>.png``, ``<name>`` being the first of its passes. ``giornata paint JOB --pass NAME`` paints it as any pass.
"""

from __future__ import annotations

import contextlib
import json
import math
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from controller.config.errors import InputError, Mistake, RefusedError
from controller.config.job import Ink, Job
from controller.config.load import load_job, load_machine
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.motion.schedule import Schedule
from controller.session.faded import Faded
from controller.session.journal import Journal
from controller.session.passcache import FOLDER, ContentCache
from controller.session.pens import measured_factors, with_measured_tips
from controller.session.prepare import Progress, check_travel, swap_in
from controller.session.prepared import (
    PREPARED_FILE,
    Prepared,
    PreparedInk,
    PreparedJob,
    PreparedPass,
    file_digest,
    load_prepared,
)
from controller.session.priming import check_swatch, swatch_of
from controller.session.replan import map_in_force, under_map
from controller.session.schedules import PassTask, Planner
from controller.strokes.mending import cut_out
from controller.strokes.paths import join_strokes
from controller.strokes.strokeset import StrokeSet
from controller.strokes.within import check_within

TOUCH: Final = "-touch-"
"""In the name of a pass that paints gaps, before its number."""


@dataclass(frozen=True, slots=True)
class Mend:
    """A mend as it lies in the state. name: of its first pass; about: why it was made."""

    name: str
    prepared: Prepared
    about: Mapping[str, Any]

    @property
    def picture(self) -> Path:
        """Where its picture lies."""
        return self.prepared.folder.with_name(f"{self.name}.png")

    @property
    def passes(self) -> tuple[str, ...]:
        """Names of its passes."""
        return tuple(one.name for one in self.prepared.record.passes)


def mends_folder(state: StateDir, job: str) -> Path:
    """Where the mends of a job lie."""
    return state.root / "mends" / job


def mends_of(state: StateDir, job: str) -> tuple[Mend, ...]:
    """All mends of a job, by name. Raises InputError for a damaged one."""
    folder = mends_folder(state, job)
    found: list[Mend] = []
    for path in sorted(folder.glob(f"*/{PREPARED_FILE}")) if folder.is_dir() else ():
        name = path.parent.name
        if name.startswith("."):
            continue
        found.append(Mend(name, load_prepared(path.parent), _about(path.parent.with_name(f"{name}.json"))))
    return tuple(sorted(found, key=lambda one: str(one.about.get("at", ""))))


def strokes_again(faded: Faded) -> StrokeSet:
    """The strokes of a mend, in the order in which they were painted."""
    parts = [_nameless(cut_out(one.strokes, one.parts)) for one in faded.passes]
    if not parts:
        return StrokeSet(
            np.empty((0, 2)), np.zeros(1, dtype=np.int64), np.empty(0, dtype=np.uint8), np.empty(0, dtype=np.int32), ()
        )  # fmt: skip
    ids = tuple(dict.fromkeys(name for part in parts for name in part.element_ids))
    row = {name: place for place, name in enumerate(ids)}
    named = [
        StrokeSet(
            part.points_mm, part.offsets, part.kind,
            np.array([row[name] for name in part.element_ids], dtype=np.int32)[part.element]
            if len(part.element_ids) else part.element,
            ids,
        )
        for part in parts
    ]  # fmt: skip
    return join_strokes(named)


def _nameless(strokes: StrokeSet) -> StrokeSet:
    """Only the names that occur."""
    used, where = np.unique(strokes.element, return_inverse=True)
    return StrokeSet(
        strokes.points_mm, strokes.offsets, strokes.kind, where.reshape(-1).astype(np.int32),
        tuple(strokes.element_ids[one] for one in used.tolist()),
    )  # fmt: skip


def make_mend(
    job_path: Path, machine_path: Path, state: StateDir, ink_name: str, kind: str, strokes: StrokeSet,
    about: Mapping[str, Any], picture: Callable[[str], bytes], progress: Progress | None = None,
) -> Mend:  # fmt: skip
    """Plan ``strokes`` as passes of an ink and put them beside the job's own, with what they are for.

    kind: ``faded.MEND`` or TOUCH. picture: gives the mend's PNG, by its name. A fresh pen is put in before it, and
    again where it goes beyond what one lasts. Raises InputError when it leaves canvas or travel.
    """
    job_path, machine_path = job_path.absolute(), machine_path.absolute()
    sources = {str(machine_path): file_digest(machine_path) or ""}
    machine, job = load_machine(machine_path), load_job(job_path)
    factors = measured_factors(state, machine.name, job)
    job = with_measured_tips(job, factors)
    ink = _ink(job, job_path, ink_name)
    check_within({ink.name: strokes}, machine, job, job_path)
    check_swatch({ink.name: strokes}, job, machine, job_path)
    folder = mends_folder(state, job.name)
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    first = 1 + max((_number(one, ink.name, kind) for one in _passes(state, job.name)), default=0)
    wanted = map_in_force(state, machine.name, job.name)
    matrix = None if wanted is None else wanted.matrix
    fresh = Path(tempfile.mkdtemp(prefix=".mend-", dir=folder))
    try:
        kept = ContentCache(folder / FOLDER)
        planner = Planner(machine, kept, 1, lambda name, done: _tell(progress, name, done), matrix)
        count = 1
        while True:
            names = [f"{ink.name}{kind}{first + place}" for place in range(count)]
            tasks = _tasks(fresh, names, ink, _even(strokes, count))
            planner.plan(tasks)
            passes = [
                _record(task, place, len(tasks), job, machine, machine_path, planner)
                for place, task in enumerate(tasks)
            ]
            more = math.ceil(max(_over(one, ink, job) for one in passes) * count)
            if more <= count or count >= len(strokes):
                break
            count = min(max(more, count + 1), len(strokes))
        record = PreparedJob(
            job=job.name,
            job_digest=file_digest(job_path) or "",
            machine=machine.name,
            sources=sources,
            inks=(_sums(passes, ink),),
            passes=tuple(passes),
            change_minutes=job.sitting.change_minutes,
            deferred=0,
            skipped=(),
            traps_mm=None if job.traps is None else job.traps.width_mm,
            register_map=matrix,
            tip_factors=factors,
            swatch=swatch_of(job),
        )
        (fresh / PREPARED_FILE).write_text(record.model_dump_json(indent=1) + "\n")
        name = names[0]
        (folder / f"{name}.png").write_bytes(picture(name))
        (folder / f"{name}.json").write_text(json.dumps(dict(about), indent=1, allow_nan=False) + "\n")
        swap_in(fresh, folder / name)
        kept.trim()
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return Mend(name, Prepared(folder / name, record), dict(about))


def asked_for(
    job_path: Path, machine_path: Path, state: StateDir, names: Sequence[str], progress: Progress | None,
    note: Callable[[str], None],
) -> Prepared | None:  # fmt: skip
    """The mend whose passes ``names`` are, planned for the machine and the register map as they are; None when they are
    no mend's. Raises InputError for passes of a mend and others together."""
    job = load_job(job_path)
    known = {one: mend for mend in mends_of(state, job.name) for one in mend.passes}
    if not any(name in known for name in names):
        return None
    mends = {known[name].name if name in known else "" for name in names}
    if len(mends) > 1:
        expected = "passes of one mend, or of the job itself"
        raise InputError([Mistake(job_path, "--pass", expected, ", ".join(names), code="option-value")])
    prepared = known[names[0]].prepared
    if prepared.stale():
        note(f"the machine file has changed: planning {names[0]} anew; its strokes stay")
        prepared = _planned_anew(prepared, job_path, machine_path, progress)
    wanted = map_in_force(state, load_machine(machine_path).name, job.name)
    return under_map(prepared, job_path, machine_path, wanted, progress, note)


def forget(state: StateDir, job: str, name: str) -> None:
    """Remove a mend. Raises InputError for an unknown name, RefusedError for one that was begun."""
    for mend in mends_of(state, job):
        if name == mend.name:
            if begun := set(mend.passes) & begun_passes(state, job):
                raise RefusedError(
                    f"{', '.join(sorted(begun))} has been painted, or begun",
                    "leave it where it is",
                    code="mend-begun",
                )
            shutil.rmtree(mend.prepared.folder)
            for path in (mend.picture, mend.prepared.folder.with_name(f"{name}.json")):
                path.unlink(missing_ok=True)
            return
    known = ", ".join(one.name for one in mends_of(state, job)) or "none"
    raise InputError(
        [Mistake(mends_folder(state, job), "mend", f"one of {known}", repr(name), code="name-unknown")]
    )


def begun_passes(state: StateDir, job: str) -> set[str]:
    """Names of a job's passes that the journal knows."""
    if not state.journal.exists():
        return set()
    with contextlib.closing(Journal.read(state.journal)) as journal:
        return {row.name for row in journal.passes() if row.job == job}


def pass_states(state: StateDir, job: str) -> dict[str, str]:
    """How each of a job's passes stands that the journal knows, in one word: painted, or begun."""
    if not state.journal.exists():
        return {}
    with contextlib.closing(Journal.read(state.journal)) as journal:
        return {
            row.name: "painted" if row.state == "finished" else "begun" for row in journal.passes() if row.job == job
        }  # fmt: skip


def _planned_anew(
    prepared: Prepared, job_path: Path, machine_path: Path, progress: Progress | None
) -> Prepared:
    machine, machine_path = load_machine(machine_path), machine_path.absolute()
    job = with_measured_tips(load_job(job_path), prepared.record.tip_factors)
    fresh = Path(tempfile.mkdtemp(prefix=".mend-", dir=prepared.folder.parent))
    try:
        kept = ContentCache(prepared.folder.parent / FOLDER)
        planner = Planner(
            machine, kept, 1, lambda name, done: _tell(progress, name, done), prepared.record.register_map
        )
        tasks = [
            task
            for one in prepared.record.passes
            for task in _tasks(fresh, [one.name], _ink(job, job_path, one.ink), [prepared.strokes(one.name)])
        ]
        planner.plan(tasks)
        passes = tuple(
            _record(task, place, len(tasks), job, machine, machine_path, planner)
            for place, task in enumerate(tasks)
        )
        record = prepared.record.model_copy(
            update={
                "passes": passes,
                "inks": (_sums(passes, tasks[0].ink),),
                "sources": {str(machine_path): file_digest(machine_path) or ""},
            }
        )
        (fresh / PREPARED_FILE).write_text(record.model_dump_json(indent=1) + "\n")
        swap_in(fresh, prepared.folder)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return Prepared(prepared.folder, record)


def _tasks(folder: Path, names: Sequence[str], ink: Ink, parts: Sequence[StrokeSet]) -> list[PassTask]:
    for old in folder.iterdir():
        if old.name in names:
            shutil.rmtree(old)
    tasks: list[PassTask] = []
    for name, strokes in zip(names, parts, strict=True):
        (folder / name).mkdir(mode=0o755)
        strokes.save(folder / name / "strokes.npz")
        tasks.append(PassTask(name, ink, folder / name, len(strokes.points_mm)))
    return tasks


def _even(strokes: StrokeSet, count: int) -> list[StrokeSet]:
    """``count`` runs of strokes, about equally long, none empty."""
    along = np.cumsum(strokes.lengths_mm())
    cuts = np.searchsorted(along, along[-1] * np.arange(1, count) / count) + 1
    edges = np.concatenate([[0], cuts, [len(strokes)]])
    # Each run has a stroke at least, whatever their lengths.
    for place in range(1, count):
        edges[place] = min(max(edges[place], edges[place - 1] + 1), len(strokes) - (count - place))
    return [
        strokes.take(np.arange(first, last, dtype=np.int64))
        for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    ]


def _record(
    task: PassTask, place: int, of: int, job: Job, machine: Machine, machine_path: Path, planner: Planner
) -> PreparedPass:
    ink = task.ink
    schedule = Schedule.load(task.folder / "schedule")
    check_travel(schedule, machine, machine_path, ink.name)
    strokes = StrokeSet.load(task.folder / "strokes.npz")
    metres = float(strokes.lengths_mm().sum()) / 1000.0
    tip_mm, tip_end_mm = tip_widths_mm(job, ink, 0.0, metres)
    seconds = schedule.ticks * schedule.tick_ns * 1e-9
    one = PreparedPass(
        name=task.name, ink=ink.name, number=place + 1, of=of, turn=0, colour=ink.colour,
        tip_mm=tip_mm, tip_end_mm=tip_end_mm, strokes=len(strokes), metres=metres, pen_m=0.0, ticks=schedule.ticks,
        seconds=seconds, fresh_pen=True, cut_by="end", too_long=False, wet_strokes=0, wet_minutes=0.0,
        digest=schedule.digest(), plan_key=planner.plan_key(task),
    )  # fmt: skip
    return one.model_copy(update={"too_long": _over(one, ink, job) > 1.0})


def tip_widths_mm(job: Job, ink: Ink, begin_m: float, metres: float) -> tuple[float, float]:
    """Width of an ink's tip after ``begin_m`` metres and after ``metres`` more, by its wear table."""
    if ink.tip is None:
        return ink.tip_mm, ink.tip_mm
    from controller.strokes.wear import wear_curve

    table = job.tips[ink.tip]
    begin, end = wear_curve(table.metres, table.width_mm).width_mm([begin_m, begin_m + metres])
    return float(begin), float(end)


def _over(one: PreparedPass, ink: Ink, job: Job) -> float:
    """By how much a pass goes beyond a pen or a watch; up to 1 it does not."""
    limit_s = 60.0 * min(ink.pen_minutes or math.inf, job.sitting.watch_minutes)
    return max(one.metres / (ink.pen_metres or math.inf), one.seconds / limit_s)


def _sums(passes: Sequence[PreparedPass], ink: Ink) -> PreparedInk:
    return PreparedInk(
        name=ink.name, colour=ink.colour, tip_mm=ink.tip_mm, passes=len(passes),
        strokes=sum(one.strokes for one in passes), metres=sum(one.metres for one in passes),
        seconds=sum(one.seconds for one in passes), pens=len(passes),
    )  # fmt: skip


def _ink(job: Job, job_path: Path, name: str) -> Ink:
    for ink in job.inks:
        if ink.name == name:
            return ink
    known = ", ".join(ink.name for ink in job.inks)
    raise InputError([Mistake(job_path, "ink", f"one of {known}", repr(name), code="name-unknown")])


def _passes(state: StateDir, job: str) -> list[str]:
    return [name for mend in mends_of(state, job) for name in mend.passes]


def _number(name: str, ink: str, kind: str) -> int:
    head, middle, number = name.rpartition(kind)
    return int(number) if middle and head == ink and number.isdigit() else 0


def _about(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text())
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _tell(progress: Progress | None, name: str, done: float) -> None:
    if progress is not None:
        progress(name, "planning ticks", done)
