"""All sessions of a state folder that painted, each reduced to figures, and the job's register maps. Reading only.

One session's logs are held at a time. Sessions are in the journal's order, which no clock decides.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from math import nan
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError, Mistake, RefusedError
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir
from controller.register.fit import composed
from controller.report.compareread import LATE_US, SessionRead, canvas_of, read_open
from controller.report.runfiles import painting_ids
from controller.session.drifting import MachineDrift, drift_now
from controller.session.journal import Journal
from controller.session.prepared import load_prepared
from controller.session.rows import MapRow

Vector = npt.NDArray[np.float64]
Progress = Callable[[int, int], None]
"""Called with sessions read and sessions in all."""


@dataclass(frozen=True, slots=True)
class SessionPoint:
    """One session as a point of every figure: by name, nan where it is not known."""

    session: int
    begun_ms: int
    job: str
    virtual: bool
    tick_us: float
    values: dict[str, float]


@dataclass(frozen=True, slots=True)
class MapPoint:
    """One measuring of a job's marks. moved_mm: farthest that a mark was found from where the map before had it;
    left_mm: farthest that the map through them leaves a mark; traps_mm: what the traps allow, nan without."""

    number: int
    at_ms: int
    job: str
    marks: int
    moved_mm: float
    left_mm: float
    traps_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class TrendRead:
    """What was read. job: the one asked for, empty for all; drift: of the machine, None before the first homing."""

    machine: str
    job: str
    sessions: tuple[SessionPoint, ...]
    maps: tuple[MapPoint, ...]
    drift: MachineDrift | None
    traps_mm: float
    notes: tuple[str, ...]


def read_trend(
    machine: Machine,
    state: StateDir,
    job: str | None,
    last: int | None = None,
    progress: Progress | None = None,
) -> TrendRead:
    """Read all sessions that painted (of ``job``, where one is named; the ``last`` so many).

    Raises InputError for an unknown job, RefusedError where nothing was painted yet.
    """
    notes: list[str] = []
    with closing(Journal.read(state.journal, machine.name)) as journal:
        passes = journal.passes()
        jobs = list(dict.fromkeys(row.job for row in passes))
        if not jobs:
            raise RefusedError("no session has painted yet", "run giornata paint", code="nothing-painted")
        if job is not None and job not in jobs:
            expected = f"one of the jobs painted here ({', '.join(jobs)})"
            raise InputError([Mistake(journal.path, "--job", expected, job, code="trend-job")])
        of_job = {row.id for row in passes if job is None or row.job == job}
        runs = [run for run in journal.runs() if run.pass_id in of_job]
        ids = [one for one in painting_ids(journal) if any(run.session == one for run in runs)]
        ids = ids if last is None else ids[-last:]
        rows = {row.id: row for row in journal.sessions()}
        canvas = canvas_of(state)
        points = []
        for done, one in enumerate(ids):
            if progress is not None:
                progress(done, len(ids))
            read = read_open(journal, state, rows[one], canvas)
            notes += [f"{read.name}: {note}" for note in read.notes]
            points.append(point_of(read))
        named = job if job is not None else passes[-1].job
        traps = traps_of(journal, named)
        return TrendRead(
            machine.name, job or "", tuple(points), tuple(map_points(journal.register_maps(named), traps)),
            drift_now(journal, machine, (named, None if np.isnan(traps) else traps)), traps, tuple(notes),
        )  # fmt: skip


def traps_of(journal: Journal, job: str) -> float:
    """Width of a job's traps by the folder that it was last prepared in; nan without, or where that is gone."""
    for row in reversed(journal.passes()):
        if row.job == job:
            try:
                record = load_prepared(row.folder.parent).record
            except InputError:
                return nan
            return nan if record.job != job or record.traps_mm is None else record.traps_mm
    return nan


def point_of(one: SessionRead) -> SessionPoint:
    """A session's figures, by the names in ``trend.FIGURES``."""
    values: dict[str, float] = {}
    if len(one.lateness_us) and not one.is_virtual:
        late = one.lateness_us.astype(np.float64)
        values["late_p50"], values["late_p99"], values["late_p999"] = np.quantile(
            late, (0.5, 0.99, 0.999)
        ).tolist()
        values["late_max"] = float(late.max())
        values["late_ticks"] = 1e6 * float(np.mean(late > LATE_US))
    for name in ("following", "contour"):
        errors = getattr(one, f"{name}_mm").astype(np.float64)
        errors = errors[np.isfinite(errors)]
        if len(errors):
            values[f"{name}_rms"] = float(np.sqrt(np.mean(errors**2)))
            values[f"{name}_p99"] = float(np.quantile(errors, 0.99))
            values[f"{name}_max"] = float(errors.max())
    off = one.column("off_max_mm")
    if len(off):
        values["off_median"], values["off_max"] = float(np.median(off)), float(off.max())
    for axis in AXES:
        mine = [row for row in one.homings if row.axis == axis and row.accepted]
        apart = [abs(row.difference_mm) for row in mine if row.difference_mm is not None]
        if mine:
            values[f"spread_{axis}"] = float(np.median([row.spread_mm for row in mine]))
            values[f"place_{axis}"] = float(np.median(one.home_mm[axis]))
        if apart:
            values[f"apart_{axis}"] = float(np.median(apart))
    counts = one.counts
    values["strokes"], values["metres"] = float(counts.strokes), counts.metres
    values["minutes"], values["pens"] = counts.painting_min, float(counts.pens)
    if counts.pens and counts.metres:
        values["metres_a_pen"] = counts.metres / counts.pens
    if counts.paint_speed_mm_s is not None:
        values["speed"] = counts.paint_speed_mm_s
    values["halts"], values["stops"] = float(counts.halts), float(counts.stops)
    return SessionPoint(
        one.session.id, one.session.begun_ms, one.session.job, one.is_virtual, one.tick_us, values
    )


def map_points(maps: list[MapRow], traps_mm: float) -> list[MapPoint]:
    """Measurings of a job's marks, oldest first; maps that were put in force without marks only carry on."""
    before = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    found = []
    for row in maps:
        after = np.array(row.matrix)
        if row.marks:
            nominal = np.array([mark.nominal_mm for mark in row.marks])
            measured = np.array([mark.measured_mm for mark in row.marks])
            # The map kept is the one before after the one through the marks, so the latter is what lies between.
            through = composed(inverted(before), after)
            fitted = nominal @ through[:, :2].T + through[:, 2]
            found.append(
                MapPoint(
                    row.id, row.at_ms, row.job, len(row.marks), float(np.hypot(*(measured - nominal).T).max()),
                    float(np.hypot(*(fitted - measured).T).max()), traps_mm,
                )
            )  # fmt: skip
        before = after
    return found


def inverted(matrix: Vector) -> Vector:
    """The map (2, 3) that takes ``matrix`` back."""
    back = np.linalg.inv(matrix[:, :2])
    out: Vector = np.column_stack([back, -back @ matrix[:, 2]])
    return out


def trend_state(machine: Machine, folder: Path | None) -> StateDir:
    """The state folder by name only. Nothing is made."""
    from controller.config.places import default_state_root

    root = folder if folder is not None else default_state_root(machine.name)
    return StateDir(root.expanduser().absolute())
