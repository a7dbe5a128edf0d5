"""From job and machine files to a folder that can be painted: strokes and schedule of every pass.

Owns the way from files to the prepared folder, and what may be replaced by it; ``prepared`` says what lies in it. Talks
to no bus and moves nothing. It is written beside its place and swapped in whole: whoever is interrupted leaves the last
good one standing.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import os
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from controller.config.describedrules import machine_files
from controller.config.errors import InputError, Mistake
from controller.config.job import Job
from controller.config.load import load_job, load_machine
from controller.config.machine import AXES, Machine
from controller.session.passcache import FOLDER, ContentCache
from controller.session.pens import with_measured_tips
from controller.session.prepared import (
    PREPARED_FILE,
    Prepared,
    PreparedInk,
    PreparedJob,
    PreparedPass,
    SkippedElement,
    file_digest,
)
from controller.session.priming import check_swatch, swatch_of
from controller.session.schedules import PassTask, Planner

if TYPE_CHECKING:
    from controller.artwork.model import InkShapes, Skipped
    from controller.motion.schedule import Schedule
    from controller.strokes.passes import JobPasses, Pass, PassPlan, Scheduled
    from controller.strokes.strokeset import StrokeSet

MISTAKES_SHOWN = 20
"""Elements outside the canvas named one by one; the rest are counted."""

RECUTS = 4
"""So often passes are cut anew, at most, because their schedules take longer than was expected of them."""
PACE_MARGIN = 1.005
"""They are cut for so much more than the worst schedule took over what was expected: other cuts go other ways."""

Progress = Callable[[str, str, float], None]
"""Called with ink or pass, stage and the fraction done of that stage."""


def prepare(
    job_path: Path,
    machine_path: Path,
    out_dir: Path,
    progress: Progress | None = None,
    cache: ContentCache | None = None,
    workers: int = 1,
    tip_factors: Mapping[str, float] | None = None,
) -> Prepared:
    """Turn a job into strokes and schedules under ``out_dir``. Raises InputError listing what is wrong.

    cache: what was worked out before; where None, that in a folder beside ``out_dir``. What comes out is the same to
    the last byte whatever is in it. workers: so many processes plan schedules where it is worth it; more than one only
    where the program's main module may be imported again. tip_factors: by ink, how much wider its line was measured
    than the job says (``pens.width_factors``).
    """
    job_path, machine_path, out_dir = job_path.absolute(), machine_path.absolute(), out_dir.absolute()
    # Digests are taken before reading: a file changed meanwhile makes the result stale, never wrongly fresh.
    artwork_path = job_path.parent / load_job(job_path).artwork
    sources = {
        str(path): file_digest(path) or "" for path in (*machine_files(machine_path), job_path, artwork_path)
    }
    factors = dict(tip_factors or {})
    machine, job = load_machine(machine_path), with_measured_tips(load_job(job_path), factors)
    _check_place(out_dir)
    kept = cache if cache is not None else ContentCache(out_dir.parent / FOLDER)
    making = _Making(
        job,
        job_path,
        machine,
        machine_path,
        artwork_path,
        kept,
        workers,
        progress if progress is not None else _silent,
    )
    making.read()
    out_dir.parent.mkdir(parents=True, exist_ok=True)
    fresh = Path(tempfile.mkdtemp(prefix=f".{out_dir.name}-", dir=out_dir.parent))
    try:
        passes = making.passes(fresh)
        record = PreparedJob(
            job=job.name,
            job_digest=_digest_of(sources[str(job_path)], sources[str(artwork_path)]),
            machine=machine.name,
            sources=sources,
            inks=_by_ink(passes, job),
            passes=passes,
            change_minutes=job.sitting.change_minutes,
            deferred=making.deferred,
            skipped=tuple(
                SkippedElement(element_id=one.element_id, what=one.what, why=one.why, kind=one.kind)
                for one in making.skipped
            ),
            traps_mm=None if job.traps is None else job.traps.width_mm,
            tip_factors=factors,
            swatch=swatch_of(job),
        )
        (fresh / PREPARED_FILE).write_text(record.model_dump_json(indent=1) + "\n")
        swap_in(fresh, out_dir)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    kept.trim()
    return Prepared(out_dir, record)


def unpainted_of(job_path: Path) -> tuple[Skipped, ...]:
    """What of a job's artwork is not painted, or not as it is there, as far as ink and kind decide it; ``prepare`` also
    tells what is too narrow, cut or worn. Raises InputError for what does not fit the drawing."""
    from controller.artwork.read import read_artwork, read_drawing
    from controller.strokes.works import is_as_drawn, unpainted

    job = load_job(job_path)
    if is_as_drawn(job):
        return tuple(read_artwork(job, job_path).skipped)
    return unpainted(read_drawing(job, job_path), job, job_path)


class _Making:
    """A job on its way to passes with their schedules."""

    def __init__(
        self, job: Job, job_path: Path, machine: Machine, machine_path: Path, artwork_path: Path,
        cache: ContentCache, workers: int, report: Progress,
    ) -> None:  # fmt: skip
        from controller.strokes.passes import Watch

        self.skipped: Sequence[Skipped] = ()
        self.deferred = 0
        self._job, self._job_path = job, job_path
        self._machine, self._machine_path, self._artwork_path = machine, machine_path, artwork_path
        self._cache, self._workers, self._report = cache, workers, report
        sitting = job.sitting
        self._watch = Watch(sitting.watch_minutes, sitting.change_minutes, sitting.change_near)
        self._build: Callable[[JobPasses], tuple[dict[str, StrokeSet], PassPlan, Sequence[Skipped]]]

    def read(self) -> None:
        """Read the artwork."""
        from controller.artwork.read import read_artwork, read_drawing
        from controller.strokes.works import build_works, is_as_drawn

        self._report("", "reading the artwork", 0.0)
        job, job_path = self._job, self._job_path
        if is_as_drawn(job):
            artwork = read_artwork(job, job_path)
            self._build = lambda making: (*self._as_drawn(artwork.inks, making), artwork.skipped)
            return
        drawing = read_drawing(job, job_path)

        def build(making: JobPasses) -> tuple[dict[str, StrokeSet], PassPlan, Sequence[Skipped]]:
            built = build_works(drawing, job, job_path, making, self._cache, self._report)
            return built.strokes, built.passes, built.skipped

        self._build = build

    def _as_drawn(
        self, shapes: Mapping[str, InkShapes], making: JobPasses
    ) -> tuple[dict[str, StrokeSet], PassPlan]:
        from controller.strokes.build import build_strokes
        from controller.strokes.inks import painting_order
        from controller.strokes.kept import kept_order

        sets: dict[str, StrokeSet] = {}
        for row in painting_order(self._job):
            ink = self._job.inks[row]
            self._report(ink.name, "building strokes", 0.0)
            strokes = build_strokes(shapes[ink.name], ink)
            self._report(ink.name, "ordering strokes", 0.0)
            if ink.sequence == "best":
                strokes = kept_order(self._cache, strokes, making.park_mm, making.cost)
            making.take(strokes, making.cut(row, strokes))
            sets[ink.name] = strokes
        return sets, making.plan()

    def passes(self, folder: Path) -> tuple[PreparedPass, ...]:
        """Strokes and schedules of all passes, written into ``folder``; what the schedules take longer than was
        expected is expected of the next cut."""
        from controller.strokes.crosses import with_marks
        from controller.strokes.passes import JobPasses, over_limits, settled

        job, pace = self._job, dict.fromkeys(range(len(self._job.inks)), 1.0)
        for attempt in range(RECUTS):
            sets, plan, self.skipped = self._build(JobPasses(job, self._machine, self._watch, pace))
            plan, sets = with_marks(plan, sets, job, self._job_path)
            _check_fits(sets, job, self._machine, self._job_path, self._artwork_path)
            check_swatch(sets, job, self._machine, self._job_path)
            by_row = [sets[ink.name] for ink in job.inks]
            for old in folder.iterdir():
                shutil.rmtree(old)
            times, found = self._schedules(plan, by_row, folder)
            real = settled(plan, by_row, job, self._machine, self._watch, times)
            over = over_limits(real, job, self._watch)
            if not over or attempt == RECUTS - 1:
                break
            for row in over:
                worst = max(
                    after.seconds / before.seconds
                    for before, after in zip(plan.passes, real.passes, strict=True)
                    if before.ink == row
                )
                pace[row] *= max(worst, 1.0) * PACE_MARGIN
        self.deferred = real.deferred
        of = Counter(one.ink for one in real.passes)
        return tuple(
            self._record(one, of[one.ink], digest, ticks, key)
            for one, (digest, ticks, key) in zip(real.passes, found, strict=True)
        )

    def _schedules(
        self, plan: PassPlan, by_row: Sequence[StrokeSet], folder: Path
    ) -> tuple[list[Scheduled], list[tuple[str, int, str]]]:
        """Write strokes and schedules of all passes; answers their times, and digest, ticks and plan key of each."""
        from controller.motion.schedule import Schedule

        tasks: list[PassTask] = []
        for one in plan.passes:
            place = folder / self._name(one)
            place.mkdir(mode=0o755)
            strokes = by_row[one.ink].take(one.strokes)
            strokes.save(place / "strokes.npz")
            tasks.append(PassTask(place.name, self._job.inks[one.ink], place, len(strokes.points_mm)))

        def report(name: str, fraction: float) -> None:
            self._report(name, "planning ticks", fraction)

        planner = Planner(self._machine, self._cache, self._workers, report)
        planner.plan(tasks)
        times: list[Scheduled] = []
        found: list[tuple[str, int, str]] = []
        for task, one in zip(tasks, plan.passes, strict=True):
            schedule = Schedule.load(task.folder / "schedule")
            check_travel(schedule, self._machine, self._machine_path, task.ink.name)
            times.append(scheduled_of(schedule, len(one.strokes)))
            found.append((schedule.digest(), schedule.ticks, planner.plan_key(task)))
        return times, found

    def _name(self, one: Pass) -> str:
        return f"{self._job.inks[one.ink].name}-{one.number}"

    def _record(self, one: Pass, of: int, digest: str, ticks: int, key: str) -> PreparedPass:
        ink = self._job.inks[one.ink]
        widths_mm = (ink.tip_mm, ink.tip_mm)
        if ink.tip is not None:
            from controller.strokes.wear import wear_curve

            table = self._job.tips[ink.tip]
            begin, end = wear_curve(table.metres, table.width_mm).width_mm(
                [one.pen_m, one.pen_m + one.metres]
            )
            widths_mm = (float(begin), float(end))
        return PreparedPass(
            name=self._name(one),
            ink=ink.name,
            number=one.number,
            of=of,
            turn=one.turn,
            colour=ink.colour,
            tip_mm=widths_mm[0],
            tip_end_mm=widths_mm[1],
            strokes=len(one.strokes),
            metres=one.metres,
            pen_m=one.pen_m,
            ticks=ticks,
            seconds=one.seconds,
            fresh_pen=one.fresh_pen,
            cut_by=one.cut_by,
            too_long=one.too_long,
            wet_strokes=0 if one.wet is None else len(one.wet.strokes),
            wet_minutes=0.0 if one.wet is None else one.wet.missing_minutes,
            digest=digest,
            plan_key=key,
        )


def _by_ink(passes: Sequence[PreparedPass], job: Job) -> tuple[PreparedInk, ...]:
    inks = {ink.name: ink for ink in job.inks}
    rows: list[PreparedInk] = []
    for name in dict.fromkeys(one.ink for one in passes):
        mine = [one for one in passes if one.ink == name]
        rows.append(
            PreparedInk(
                name=name,
                colour=inks[name].colour,
                tip_mm=inks[name].tip_mm,
                passes=len(mine),
                strokes=sum(one.strokes for one in mine),
                metres=sum(one.metres for one in mine),
                seconds=sum(one.seconds for one in mine),
                pens=sum(one.fresh_pen for one in mine),
            )
        )
    return tuple(rows)


def scheduled_of(schedule: Schedule, count: int) -> Scheduled:
    """A pass of ``count`` strokes at the times of its schedule."""
    import numpy as np

    from controller.motion.schedule import SegmentKind
    from controller.strokes.passes import Scheduled

    table, tick_s = schedule.segments, schedule.tick_ns * 1e-9
    down = table[table["kind"] == SegmentKind.STROKE]
    begins, ends = np.empty(count), np.empty(count)
    begins[down["stroke"]] = down["first_tick"] * tick_s
    ends[down["stroke"]] = (down["first_tick"] + down["ticks"]) * tick_s
    return Scheduled(schedule.ticks * tick_s, begins, ends)


def _check_fits(
    sets: dict[str, StrokeSet], job: Job, machine: Machine, job_path: Path, artwork_path: Path
) -> None:
    """Every ink has something to paint; all of it, with the tip's width, lies on the canvas and within the travel."""
    from controller.strokes.within import check_within

    mistakes = [
        Mistake(
            artwork_path,
            f"group {ink.group}" if ink.group is not None else f"colour {ink.colour}",
            f"shapes for ink {ink.name}",
            "nothing to paint",
            code="ink-nothing",
        )
        for ink in job.inks
        if len(sets[ink.name]) == 0
    ]
    try:
        check_within(sets, machine, job, job_path)
    except InputError as error:
        outside = [
            Mistake(artwork_path, one.where, one.expected, one.got, code=one.code) for one in error.mistakes
        ]
        mistakes += outside[:MISTAKES_SHOWN]
        if len(outside) > MISTAKES_SHOWN:
            rest = len(outside) - MISTAKES_SHOWN
            mistakes.append(
                Mistake(
                    artwork_path,
                    "others",
                    "within canvas and travel",
                    f"{rest} more outside",
                    code="picture-off-canvas",
                )
            )
    if mistakes:
        raise InputError(mistakes)


def check_travel(schedule: Schedule, machine: Machine, machine_path: Path, ink: str) -> None:
    """The whole motion, lead-ins included, stays within the soft limits but for what commands run ahead of it."""
    import numpy as np

    from controller.stream.prepare import command_lead_mm

    low, high = np.array(schedule.start_quanta), np.array(schedule.start_quanta)
    for boundaries in schedule.boundaries_in_chunks():
        low, high = np.minimum(low, boundaries.min(axis=0)), np.maximum(high, boundaries.max(axis=0))
    mistakes: list[Mistake] = []
    for index, name in enumerate(AXES):
        axis = machine.axes[name]
        per_mm = machine.quanta_per_mm(name)
        first, last = sorted((float(low[index]) / per_mm, float(high[index]) / per_mm))
        lead_mm = command_lead_mm(machine, name)
        if first < axis.min_mm - lead_mm or last > axis.max_mm + lead_mm:
            mistakes.append(
                Mistake(
                    machine_path,
                    f"axes.{name}",
                    f"travel {axis.min_mm:g} to {axis.max_mm:g} mm to hold the motion of ink {ink} (lead-ins included)",
                    f"{first:.2f} to {last:.2f} mm",
                    code="plan-outside-travel",
                )
            )
    if mistakes:
        raise InputError(mistakes)


def _check_place(out_dir: Path) -> None:
    """Only an absent, an empty or a prepared folder may be replaced."""
    if not out_dir.exists() or (out_dir.is_dir() and (out_dir / PREPARED_FILE).is_file()):
        return
    if out_dir.is_dir() and not any(out_dir.iterdir()):
        return
    expected = "a new, an empty or an earlier prepared folder"
    raise InputError([Mistake(out_dir, "--out", expected, "something else, left alone", code="out-occupied")])


_AT_FDCWD = -100
_RENAME_EXCHANGE = 2


def swap_in(fresh: Path, place: Path) -> None:
    """Put ``fresh`` in ``place``; what stood there ends up where ``fresh`` was. One step where the kernel can."""
    fresh.chmod(0o755)
    if not place.exists():
        fresh.rename(place)
        return
    libc = ctypes.CDLL(None, use_errno=True)
    # renameat2(2): RENAME_EXCHANGE swaps two names at once; some file systems do not know it.
    if libc.renameat2(_AT_FDCWD, bytes(fresh), _AT_FDCWD, bytes(place), _RENAME_EXCHANGE) == 0:
        return
    if ctypes.get_errno() not in (errno.EINVAL, errno.ENOSYS):
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()), str(place))
    old = fresh.with_name(fresh.name + ".old")
    place.rename(old)
    fresh.rename(place)
    shutil.rmtree(old, ignore_errors=True)


def _digest_of(*parts: str) -> str:
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _silent(ink: str, stage: str, fraction: float) -> None:
    """Progress that nobody watches."""
