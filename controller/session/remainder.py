"""How an interrupted stroke goes on: painted anew, or from where it was left with a stated overlap.

Owns the choice, the cut path and its schedule. A job says for its lines which of the two; dots are always painted anew.
Asks nobody and moves nothing: the service shows the offer to a person first.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError
from controller.config.job import Ink, Job
from controller.config.load import load_job
from controller.config.machine import Machine
from controller.session.journal import Journal
from controller.session.prepared import Prepared, PreparedPass
from controller.session.resume import REMAINDER_FILE
from controller.session.rows import InterruptionRow, PassRow

if TYPE_CHECKING:
    from controller.strokes.strokeset import StrokeSet

SHORTEST_MM = 1.0
"""A remainder shorter than this is no stroke: the whole is painted anew."""


@dataclass(frozen=True, slots=True)
class Offer:
    """What a person is shown before an interrupted stroke is painted. ``from_mm`` None: anew, from its start."""

    stroke: int
    low_mm: float
    high_mm: float
    length_mm: float
    from_mm: float | None
    overlap_mm: float

    @property
    def question(self) -> str:
        """In words, to be answered yes or no."""
        said = (
            f"stroke {self.stroke} was interrupted after {self.low_mm:.1f} to {self.high_mm:.1f} mm "
            f"of {self.length_mm:.1f} mm"
        )
        if self.from_mm is None:
            return f"{said}; it is painted anew from its start. Go on?"
        least = self.low_mm - self.from_mm
        return (
            f"{said}; it goes on from {self.from_mm:.1f} mm, overlapping {least:.1f} to "
            f"{self.high_mm - self.from_mm:.1f} mm of what is there. Go on?"
        )


@dataclass(frozen=True, slots=True)
class Remainder:
    """The rest of one stroke as a schedule of its own; ``last_segment``: the raising of the pen at its end."""

    stroke: int
    folder: Path
    segments: npt.NDArray[np.void]
    last_segment: int


def offer_of(
    entries: Sequence[InterruptionRow], finished: Sequence[int], strokes: StrokeSet, job: Job | None
) -> Offer | None:
    """How the stroke that was interrupted last goes on; None when none was, or it has been finished since.

    entries: of the pass, oldest first. job: None where its file cannot be read any more: then anew.
    """
    from controller.strokes.strokeset import StrokeKind

    done = set(finished)
    left = [entry for entry in entries if entry.stroke is not None and entry.stroke not in done]
    if not left:
        return None
    entry = left[-1]
    assert entry.stroke is not None
    overlap_mm = 0.0 if job is None else job.resume.overlap_mm
    from_mm: float | None = None
    if job is not None and job.resume.lines == "continue" and strokes.kind[entry.stroke] != StrokeKind.DOT:
        begin_mm = entry.low_mm - overlap_mm
        # A pen that has hardly begun, or has nothing left, paints the whole stroke: no seam is worth that.
        if begin_mm > SHORTEST_MM and entry.length_mm - begin_mm > SHORTEST_MM:
            from_mm = begin_mm
    return Offer(entry.stroke, entry.low_mm, entry.high_mm, entry.length_mm, from_mm, overlap_mm)


def cut(points_mm: npt.NDArray[np.float64], from_mm: float) -> npt.NDArray[np.float64]:
    """A path (n, 2) from the place ``from_mm`` along it to its end; both ends differ from their neighbours."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points_mm, axis=0).T))])
    if not 0.0 <= from_mm < along[-1]:
        raise ValueError(f"from_mm: expected 0 to {along[-1]:g}, got {from_mm:g}")
    first = np.array([[np.interp(from_mm, along, points_mm[:, k]) for k in range(2)]])
    return np.concatenate([first, points_mm[along > from_mm + 1e-9]])


def plan_remainder(
    offer: Offer, prepared: Prepared, part: PreparedPass, job: Job | None, machine: Machine, folder: Path
) -> Remainder | None:
    """Plan what is left of the stroke into ``folder`` (made anew); None when the offer is to paint it anew.

    Raises InputError when the rest leaves the machine's limits.
    """
    from controller.motion.plan import plan_pass
    from controller.strokes.strokeset import StrokeKind, StrokeSet

    if offer.from_mm is None or job is None:
        return None
    strokes = prepared.strokes(part.name)
    rest = cut(strokes.stroke_mm(offer.stroke), offer.from_mm)
    alone = StrokeSet(
        rest,
        np.array([0, len(rest)], dtype=np.int64),
        np.array([StrokeKind.LINE], dtype=np.uint8),
        strokes.element[offer.stroke : offer.stroke + 1],
        strokes.element_ids,
    )
    shutil.rmtree(folder, ignore_errors=True)
    schedule = plan_pass(
        alone, _ink(job, part), machine, machine.park_mm, folder=folder,
        registration=prepared.record.register_map,
    )  # fmt: skip
    (folder / REMAINDER_FILE).write_text(
        json.dumps({"stroke": offer.stroke, "from_mm": offer.from_mm}) + "\n"
    )
    segments = np.array(schedule.segments)
    last = int(np.flatnonzero(segments["stroke"] >= 0)[-1])
    segments["stroke"][segments["stroke"] >= 0] = offer.stroke
    return Remainder(offer.stroke, folder, segments, last)


def go_on(
    journal: Journal,
    prepared: Prepared,
    part: PreparedPass,
    row: PassRow | None,
    machine: Machine,
    folder: Path,
) -> tuple[str, Remainder | None]:
    """What a person is asked before a pass goes on, and the rest of its interrupted stroke, planned under ``folder``.

    An empty question where no stroke was interrupted; no rest where the stroke is painted anew.
    """
    entries = [] if row is None else journal.interruptions(row.id)
    if row is None or all(entry.stroke is None for entry in entries):
        return "", None
    job = job_of(prepared)
    offer = offer_of(entries, journal.finished_strokes(row.id), prepared.strokes(part.name), job)
    if offer is None:
        return "", None
    place = folder / f"{row.id:04d}-{offer.stroke}"
    return offer.question, plan_remainder(offer, prepared, part, job, machine, place)


def job_of(prepared: Prepared) -> Job | None:
    """The job file that a folder was prepared from, where it is still the same."""
    if prepared.stale():
        return None
    for path in map(Path, prepared.record.sources):
        if path.suffix == ".toml":
            try:
                job = load_job(path)
            except InputError:
                continue
            if job.name == prepared.record.job:
                return job
    return None


def _ink(job: Job, part: PreparedPass) -> Ink:
    return next(ink for ink in job.inks if ink.name == part.ink)
