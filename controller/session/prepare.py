"""From job and machine files to a folder that can be painted: strokes and schedule of every ink.

Owns the prepared folder and its freshness. Talks to no bus and moves nothing. The folder::

    prepared.json            PreparedJob: digests of what it was made from, totals and digest of every ink
    <ink>/strokes.npz        StrokeSet in painting order
    <ink>/schedule/          Schedule

It is written beside its place and swapped in whole: whoever is interrupted leaves the last good one standing.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from controller.config.errors import InputError, Mistake
from controller.config.job import Ink, Job
from controller.config.load import load_job, load_machine
from controller.config.machine import AXES, Machine

if TYPE_CHECKING:
    from controller.artwork.model import Skipped
    from controller.motion.schedule import Schedule
    from controller.strokes.strokeset import StrokeSet

PREPARED_FILE = "prepared.json"
MISTAKES_SHOWN = 20
"""Elements outside the canvas named one by one; the rest are counted."""

Progress = Callable[[str, str, float], None]
"""Called with ink, stage and the fraction done of that stage."""


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class PreparedInk(_Record):
    """One ink ready to paint. ``metres`` with the pen down; ``seconds`` of the whole pass."""

    name: str
    colour: str
    tip_mm: float
    strokes: int
    metres: float
    ticks: int
    seconds: float
    digest: str


class SkippedElement(_Record):
    """Something in the artwork that is not painted, or not as it is there, and why; kinds as the drawing's."""

    element_id: str
    what: str
    why: str
    kind: Literal["left out", "changed", "unseen"] = "left out"


class PreparedJob(_Record):
    """Contents of ``prepared.json``. ``sources``: SHA-256 by absolute path of the files that it was made from."""

    format: Literal[1] = 1
    job: str
    job_digest: str
    machine: str
    sources: dict[str, str]
    inks: tuple[PreparedInk, ...]
    skipped: tuple[SkippedElement, ...]


@dataclass(frozen=True, slots=True)
class Prepared:
    """A prepared folder, read."""

    folder: Path
    record: PreparedJob

    def ink_folder(self, name: str) -> Path:
        """Folder of one ink."""
        return self.folder / name

    def ink(self, name: str) -> PreparedInk:
        """One ink's record. Raises InputError naming the known ones."""
        for ink in self.record.inks:
            if ink.name == name:
                return ink
        known = ", ".join(ink.name for ink in self.record.inks)
        raise InputError([Mistake(self.folder / PREPARED_FILE, "ink", f"one of {known}", repr(name))])

    def strokes(self, name: str) -> StrokeSet:
        """The strokes of one ink, in painting order."""
        from controller.strokes.strokeset import StrokeSet

        return StrokeSet.load(self.ink_folder(name) / "strokes.npz")

    def schedule(self, name: str) -> Schedule:
        """The schedule of one ink. Raises InputError when its files are damaged."""
        from controller.motion.schedule import Schedule

        folder = self.ink_folder(name) / "schedule"
        try:
            schedule = Schedule.load(folder)
        except (OSError, ValueError, KeyError) as error:
            raise InputError(
                [Mistake(folder, "schedule", "whole files (run giornata prepare)", str(error))]
            ) from None
        if schedule.digest() != self.ink(name).digest:
            raise InputError([Mistake(folder, "digest", self.ink(name).digest[:12], schedule.digest()[:12])])
        return schedule

    def stale(self) -> list[str]:
        """The source files that have changed or gone since; empty when the folder is fresh."""
        return [path for path, digest in self.record.sources.items() if _file_digest(Path(path)) != digest]


def load_prepared(folder: Path) -> Prepared:
    """Read a prepared folder. Raises InputError when it is none."""
    path = folder / PREPARED_FILE
    try:
        return Prepared(folder, PreparedJob.model_validate_json(path.read_bytes()))
    except OSError as error:
        raise InputError(
            [
                Mistake(
                    path, "prepared job", "a file that giornata prepare wrote", error.strerror or str(error)
                )
            ]
        ) from None
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"])) or "prepared job"
        raise InputError([Mistake(path, where, "what giornata prepare writes", first["msg"])]) from None


def prepare(job_path: Path, machine_path: Path, out_dir: Path, progress: Progress | None = None) -> Prepared:
    """Turn a job into strokes and schedules under ``out_dir``. Raises InputError listing what is wrong."""
    from controller.strokes.inks import painting_order

    job_path, machine_path, out_dir = job_path.absolute(), machine_path.absolute(), out_dir.absolute()
    # Digests are taken before reading: a file changed meanwhile makes the result stale, never wrongly fresh.
    artwork_path = job_path.parent / load_job(job_path).artwork
    sources = {str(path): _file_digest(path) or "" for path in (machine_path, job_path, artwork_path)}
    machine, job = load_machine(machine_path), load_job(job_path)
    _check_place(out_dir)
    report = progress if progress is not None else _silent

    sets, skipped = _strokes(job, job_path, machine, report)
    _check_fits(sets, job, machine, job_path, artwork_path)

    out_dir.parent.mkdir(parents=True, exist_ok=True)
    fresh = Path(tempfile.mkdtemp(prefix=f".{out_dir.name}-", dir=out_dir.parent))
    try:
        inks = tuple(
            _prepare_ink(sets[ink.name], ink, machine, machine_path, fresh / ink.name, report)
            for ink in (job.inks[row] for row in painting_order(job))
        )
        record = PreparedJob(
            job=job.name,
            job_digest=_digest_of(sources[str(job_path)], sources[str(artwork_path)]),
            machine=machine.name,
            sources=sources,
            inks=inks,
            skipped=tuple(
                SkippedElement(element_id=one.element_id, what=one.what, why=one.why, kind=one.kind)
                for one in skipped
            ),
        )
        (fresh / PREPARED_FILE).write_text(record.model_dump_json(indent=1) + "\n")
        _swap_in(fresh, out_dir)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return Prepared(out_dir, record)


def _strokes(
    job: Job, job_path: Path, machine: Machine, report: Progress
) -> tuple[dict[str, StrokeSet], Sequence[Skipped]]:
    """The strokes of every ink in painting order, and what is not painted or not as drawn."""
    from controller.artwork.read import read_artwork, read_drawing
    from controller.strokes.build import build_strokes
    from controller.strokes.order import order_strokes
    from controller.strokes.works import build_works, is_as_drawn

    start_canvas_mm = (
        machine.park_mm[0] - machine.canvas.origin_mm[0],
        machine.park_mm[1] - machine.canvas.origin_mm[1],
    )

    def order(strokes: StrokeSet) -> StrokeSet:
        return order_strokes(strokes, start_canvas_mm)

    report("", "reading the artwork", 0.0)
    if not is_as_drawn(job):
        built = build_works(read_drawing(job, job_path), job, job_path, order, report)
        return built.strokes, built.skipped
    artwork = read_artwork(job, job_path)
    sets: dict[str, StrokeSet] = {}
    for ink in job.inks:
        report(ink.name, "building strokes", 0.0)
        strokes = build_strokes(artwork.inks[ink.name], ink)
        report(ink.name, "ordering strokes", 0.0)
        sets[ink.name] = order(strokes)
    return sets, artwork.skipped


def _prepare_ink(
    ordered: StrokeSet, ink: Ink, machine: Machine, machine_path: Path, folder: Path, report: Progress
) -> PreparedInk:
    from controller.motion.plan import plan_pass

    report(ink.name, "planning ticks", 0.0)

    def planned(done: int, of: int) -> None:
        report(ink.name, "planning ticks", done / max(1, of))

    folder.mkdir(mode=0o755)
    schedule = plan_pass(ordered, ink, machine, machine.park_mm, progress=planned, folder=folder / "schedule")
    _check_travel(schedule, machine, machine_path, ink.name)
    ordered.save(folder / "strokes.npz")
    report(ink.name, "planning ticks", 1.0)
    return PreparedInk(
        name=ink.name,
        colour=ink.colour,
        tip_mm=ink.tip_mm,
        strokes=len(ordered),
        metres=float(ordered.lengths_mm().sum()) / 1000.0,
        ticks=schedule.ticks,
        seconds=schedule.ticks * schedule.tick_ns * 1e-9,
        digest=schedule.digest(),
    )


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
        )
        for ink in job.inks
        if len(sets[ink.name]) == 0
    ]
    try:
        check_within(sets, machine, job, job_path)
    except InputError as error:
        outside = [Mistake(artwork_path, one.where, one.expected, one.got) for one in error.mistakes]
        mistakes += outside[:MISTAKES_SHOWN]
        if len(outside) > MISTAKES_SHOWN:
            rest = len(outside) - MISTAKES_SHOWN
            mistakes.append(
                Mistake(artwork_path, "others", "within canvas and travel", f"{rest} more outside")
            )
    if mistakes:
        raise InputError(mistakes)


def _check_travel(schedule: Schedule, machine: Machine, machine_path: Path, ink: str) -> None:
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
    raise InputError([
        Mistake(out_dir, "--out", "a new, an empty or an earlier prepared folder", "something else, left alone")
    ])  # fmt: skip


_AT_FDCWD = -100
_RENAME_EXCHANGE = 2


def _swap_in(fresh: Path, place: Path) -> None:
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


def _file_digest(path: Path) -> str | None:
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return None


def _digest_of(*parts: str) -> str:
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _silent(ink: str, stage: str, fraction: float) -> None:
    """Progress that nobody watches."""
