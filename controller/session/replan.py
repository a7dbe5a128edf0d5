"""The same strokes under another register map: schedules of a prepared job planned anew, its passes left as they are.

Owns which map a prepared folder was planned under, and replacing it. A job is cut into passes once, by the schedules
of a canvas that lies where it is said to: a map moves strokes by millimetres and must not deal them to other passes.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from controller.config.errors import RefusedError
from controller.config.load import load_job, load_machine
from controller.config.places import StateDir
from controller.session.journal import Journal
from controller.session.passcache import FOLDER, ContentCache
from controller.session.prepare import Progress, check_travel, swap_in
from controller.session.prepared import PREPARED_FILE, Prepared, PreparedPass
from controller.session.rows import MapRow, Matrix
from controller.session.schedules import PassTask, Planner


def map_in_force(state: StateDir, machine: str, job: str) -> MapRow | None:
    """The register map of a job by the machine's journal; None while there is none."""
    if not state.journal.exists():
        return None
    with contextlib.closing(Journal.read(state.journal, machine)) as journal:
        return last_map(journal, job)


def last_map(journal: Journal, job: str) -> MapRow | None:
    """The register map in force of a job."""
    maps = journal.register_maps(job)
    return maps[-1] if maps else None


def refuse_other_map(journal: Journal, prepared: Prepared) -> None:
    """Raises RefusedError when a folder was planned under another map than the one in force."""
    wanted = last_map(journal, prepared.record.job)
    if prepared.record.register_map != (None if wanted is None else wanted.matrix):
        number = "no register map" if wanted is None else f"register map {wanted.id}"
        raise RefusedError(
            f"{number} is in force for {prepared.record.job}, its passes were planned under another",
            "plan them anew: giornata paint does, and giornata prepare with the machine's state",
            code="other-register-map",
        )


def under_map(
    prepared: Prepared,
    job_path: Path,
    machine_path: Path,
    wanted: MapRow | None,
    progress: Progress | None,
    note: Callable[[str], None],
    workers: int = 1,
) -> Prepared:
    """``prepared`` itself where it is planned under ``wanted``; else planned anew in its place. Strokes stay.

    Raises InputError when the canvas as it lies leaves the machine's travel.
    """
    matrix = None if wanted is None else wanted.matrix
    if prepared.record.register_map == matrix:
        return prepared
    name = "without a register map" if wanted is None else f"under register map {wanted.id}"
    note(f"planning the passes of {prepared.record.job} {name}; their strokes stay")
    return _replanned(prepared, job_path, machine_path, matrix, progress, workers)


def _replanned(
    prepared: Prepared,
    job_path: Path,
    machine_path: Path,
    matrix: Matrix | None,
    progress: Progress | None,
    workers: int,
) -> Prepared:
    from controller.motion.schedule import Schedule
    from controller.strokes.strokeset import StrokeSet

    machine, job = load_machine(machine_path), load_job(job_path)
    inks = {ink.name: ink for ink in job.inks}
    folder = prepared.folder
    fresh = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))

    def report(name: str, fraction: float) -> None:
        if progress is not None:
            progress(name, "planning ticks", fraction)

    try:
        tasks: list[PassTask] = []
        for one in prepared.record.passes:
            place = fresh / one.name
            place.mkdir(mode=0o755)
            shutil.copyfile(prepared.pass_folder(one.name) / "strokes.npz", place / "strokes.npz")
            vertices = len(StrokeSet.load(place / "strokes.npz").points_mm)
            tasks.append(PassTask(one.name, inks[one.ink], place, vertices))
        kept = ContentCache(folder.parent / FOLDER)
        Planner(machine, kept, workers, report, matrix).plan(tasks)
        passes: list[PreparedPass] = []
        for task, one in zip(tasks, prepared.record.passes, strict=True):
            schedule = Schedule.load(task.folder / "schedule")
            check_travel(schedule, machine, machine_path, task.ink.name)
            seconds = schedule.ticks * schedule.tick_ns * 1e-9
            passes.append(
                one.model_copy(
                    update={"digest": schedule.digest(), "ticks": schedule.ticks, "seconds": seconds}
                )
            )
        record = prepared.record.model_copy(update={"passes": tuple(passes), "register_map": matrix})
        (fresh / PREPARED_FILE).write_text(record.model_dump_json(indent=1) + "\n")
        swap_in(fresh, folder)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    kept.trim()
    return Prepared(folder, record)
