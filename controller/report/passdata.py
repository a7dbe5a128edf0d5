"""One pass as a report needs it: its colour, its strokes and segments, what was finished of it.

Owns finding the strokes that a pass was painted from: the prepared folder while it still holds them, else what its
runs kept beside their logs. What cannot be found is said through ``note`` and left out.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError
from controller.motion.schedule import Schedule
from controller.report.runfiles import UNREADABLE
from controller.session.journal import Journal
from controller.session.prepared import load_prepared
from controller.session.rows import PassRow, RunRow
from controller.strokes.strokeset import StrokeSet

FALLBACK_COLOUR = "#555555"
KEPT = "plan"
"""Folder beside a run's log with the schedules that it streamed."""

Index = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class PassData:
    """One pass as far as this session had a part in it.

    strokes and segments are None when the prepared folder is gone or was prepared anew since, and no run kept them.
    finished: strokes finished in this session; earlier: in sessions before it. runs: of this session.
    """

    row: PassRow
    colour: str
    tip_mm: float
    strokes: StrokeSet | None
    segments: npt.NDArray[np.void] | None
    finished: Index
    runs: tuple[int, ...]
    earlier: Index


def read_pass(
    journal: Journal, row: PassRow, runs: Sequence[RunRow], session: int, note: Callable[[str], None]
) -> PassData:
    """One pass; ``runs``: all that it had, up to this session, with their folders where they stand."""
    here = {run.id for run in runs if run.session == session}
    known = {run.id for run in runs}
    done = [(stroke, run) for stroke, run, _ in journal.stroke_rows(row.id)]
    colour, tip_mm, key = FALLBACK_COLOUR, 1.0, ""
    with suppress(InputError):
        part = load_prepared(row.folder.parent).part(row.name)
        colour, tip_mm, key = part.colour, part.tip_mm, part.plan_key
    strokes, segments, trouble = _prepared(row, key)
    if trouble and (kept := _kept(runs)) is not None:
        (strokes, segments), trouble = kept, ""
    if trouble:
        note(trouble)
    return PassData(
        row,
        colour,
        tip_mm,
        strokes,
        segments,
        np.array([stroke for stroke, run in done if run in here], dtype=np.int64),
        tuple(sorted(here)),
        np.array([stroke for stroke, run in done if run in known - here], dtype=np.int64),
    )


Found = tuple[StrokeSet | None, npt.NDArray[np.void] | None]


def _prepared(row: PassRow, key: str) -> tuple[StrokeSet | None, npt.NDArray[np.void] | None, str]:
    """From the prepared folder; what is wrong with it, else nothing."""
    try:
        meta = json.loads((row.folder / "schedule" / "meta.json").read_text())
        # Planned anew under another register map, strokes and segments are the same but for their times.
        if meta["digest"] != row.schedule_digest and not (row.plan_key != "" and row.plan_key == key):
            return None, None, f"pass {row.name} was prepared anew since; its planned strokes are left out"
        segments = np.array(Schedule.load(row.folder / "schedule").segments)
        return StrokeSet.load(row.folder / "strokes.npz"), segments, ""
    except UNREADABLE as error:
        return None, None, f"pass {row.name}: its prepared folder cannot be read any more: {error}"


def _kept(runs: Sequence[RunRow]) -> Found | None:
    """What the latest run that kept a whole plan has; None when none did."""
    for run in reversed(runs):
        for place in sorted((run.folder / KEPT).glob("*/strokes.npz"), reverse=True):
            if (place.parent / "remainder.json").exists():
                continue
            with suppress(*UNREADABLE):
                return StrokeSet.load(place), _segments(place.parent)
    return None


def _segments(folder: Path) -> npt.NDArray[np.void]:
    return np.array(Schedule.load(folder).segments)
