"""The demonstration: the shipped machine and job, a fresh state folder, one whole session.

Owns which files are shown and that only a folder of an earlier demonstration is ever removed.
"""

from __future__ import annotations

import shutil
import time
from dataclasses import dataclass
from pathlib import Path

from controller.config.errors import InputError, Mistake
from controller.config.examine import examine_files
from controller.config.places import StateDir, shipped
from controller.session import verbs
from controller.session.daemon import RunnerOf
from controller.session.figures import PassFigures, figures_of
from controller.session.operator import SimulatedOperator
from controller.session.prepare import prepare
from controller.session.prepared import SkippedElement
from controller.session.watcher import Watcher

MACHINE, JOB = "machines/boathouse.toml", "jobs/low-tide/job.toml"
MARK = ".giornata-demo"


@dataclass(frozen=True, slots=True)
class Shown:
    """What the demonstration came to. ``seconds`` of the session, preparation and report not counted."""

    state: StateDir
    session: int
    clock: str
    realtime: bool
    seconds: float
    figures: tuple[PassFigures, ...]
    skipped: tuple[SkippedElement, ...]
    canvas_picture: Path


def demonstrate(folder: Path, runner_of: RunnerOf, watcher: Watcher) -> Shown:
    """Check, prepare, home and paint all inks. Raises what the verbs raise."""
    machine_path, job_path = shipped(MACHINE), shipped(JOB)
    root = _fresh(folder.absolute())
    examine_files([machine_path, job_path])
    watcher.note(f"{machine_path.name} and {job_path.parent.name}/{job_path.name} checked")
    prepared = prepare(job_path, machine_path, root / "prepared" / job_path.parent.name)
    record = prepared.record
    strokes = sum(ink.strokes for ink in record.inks)
    watcher.note(
        f"prepared {len(record.inks)} inks, {len(record.passes)} passes, {strokes} strokes, "
        f"{record.seconds:.0f} s of motion"
    )
    begun_s = time.monotonic()
    done = verbs.run(
        verbs.paint(
            prepared, machine_path, root, SimulatedOperator(), watcher, home_first=True, runner_of=runner_of
        )
    )
    took_s = time.monotonic() - begun_s
    figures = tuple(figures_of(done.state, done.session))
    return Shown(
        done.state,
        done.session,
        figures[0].clock,
        all(one.realtime for one in figures),
        took_s,
        figures,
        prepared.record.skipped,
        done.state.twin / "canvas.png",
    )


def _fresh(folder: Path) -> Path:
    """An empty folder; an earlier demonstration in its place is removed, anything else is left alone."""
    if folder.exists() and not (folder / MARK).is_file() and (not folder.is_dir() or any(folder.iterdir())):
        expected = "a new or empty folder, or an earlier demonstration's"
        raise InputError([Mistake(folder, "--dir", expected, "something else, left alone")])
    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    (folder / MARK).write_text("written by giornata demo; the next demo removes this folder\n")
    return folder
