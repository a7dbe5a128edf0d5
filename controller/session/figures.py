"""Figures of a session by pass: what was painted, how exactly the ticks left, how homing agreed.

Reads the journal and the timing logs only.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.config.places import StateDir
from controller.session.journal import Journal
from controller.session.rows import PassRow
from controller.stream.timinglog import TimingLogError, tick_blocks
from controller.strokes.strokeset import StrokeSet

Lateness = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class TimingError:
    """Lateness of sending, actual minus scheduled, in microseconds."""

    p50_us: float
    p99_us: float
    p999_us: float
    max_us: float

    @classmethod
    def of(cls, lateness_us: npt.NDArray[np.floating[Any]]) -> TimingError | None:
        """Percentiles (linear between neighbours); None without ticks."""
        if len(lateness_us) == 0:
            return None
        p50, p99, p999 = np.percentile(lateness_us, [50.0, 99.0, 99.9])
        return cls(float(p50), float(p99), float(p999), float(lateness_us.max()))


def lateness_us(path: Path) -> Lateness:
    """How late each tick of the schedule left, by a timing log, (n,); block by block: four bytes a tick are held.

    Raises OSError or TimingLogError.
    """
    parts = [np.empty(0, dtype=np.float32)]
    for records in tick_blocks(path):
        of_schedule = records[records["segment"] >= 0]
        parts.append(((of_schedule["sent_ns"] - of_schedule["scheduled_ns"]) * 1e-3).astype(np.float32))
    return np.concatenate(parts)


@dataclass(frozen=True, slots=True)
class PassFigures:
    """One pass in one session. ``metres`` is the length of the strokes finished in it; ``ticks`` were sent."""

    name: str
    ink: str
    state: str
    strokes: int
    metres: float
    ticks: int
    timing: TimingError | None
    homing_spread_mm: dict[str, float]
    homing_difference_mm: dict[str, float | None]
    realtime: bool
    clock: str
    missing: str = ""


def session_figures(journal: Journal, session: int) -> list[PassFigures]:
    """Figures of every pass that had a run in the session, in order."""
    clock = next(row.clock for row in journal.sessions() if row.id == session)
    runs = journal.runs(session)
    homings = journal.homings(session)
    out: list[PassFigures] = []
    for row in journal.passes(session):
        mine = [run for run in runs if run.pass_id == row.id]
        lateness: list[Lateness] = []
        missing = ""
        for run in mine:
            try:
                lateness.append(lateness_us(run.folder / "timing.gtl"))
            except (OSError, TimingLogError) as error:
                missing = str(error)
        late_us = np.concatenate([*lateness, np.empty(0, dtype=np.float32)])
        ids = {run.id for run in mine}
        finished = np.array(
            [stroke for stroke, run_id, _ in journal.stroke_rows(row.id) if run_id in ids], dtype=np.int64
        )
        # The homing of a pass is the last accepted one before its last run.
        before = [
            one for one in homings if one.run is not None and mine and one.run < mine[-1].id and one.accepted
        ]
        by_axis = {one.axis: one for one in before}
        out.append(
            PassFigures(
                name=row.name,
                ink=row.ink,
                state=row.state,
                strokes=len(finished),
                metres=_metres(row, finished),
                ticks=len(late_us),
                timing=TimingError.of(late_us),
                homing_spread_mm={axis: one.spread_mm for axis, one in by_axis.items()},
                homing_difference_mm={axis: one.difference_mm for axis, one in by_axis.items()},
                realtime=all(bool(run.realtime) for run in mine),
                clock=clock,
                missing=missing,
            )
        )
    return out


def figures_of(state: StateDir, session: int) -> list[PassFigures]:
    """Figures from a state directory at rest."""
    journal = Journal.read(state.journal)
    try:
        return session_figures(journal, session)
    finally:
        journal.close()


def _metres(row: PassRow, finished: npt.NDArray[np.int64]) -> float:
    path: Path = row.folder / "strokes.npz"
    try:
        lengths_mm = StrokeSet.load(path).lengths_mm()
    except (OSError, ValueError, KeyError):
        return 0.0
    return float(lengths_mm[finished[finished < len(lengths_mm)]].sum()) / 1000.0
