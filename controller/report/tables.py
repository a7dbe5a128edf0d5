"""Figures of a session: ticks summed by segment, passes summed up, quantiles. Arrays in, tables out.

Knows no files. Quantiles are those of linear interpolation between order
statistics (numpy's default; Hyndman and Fan 1996, type 7).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.motion.schedule import SegmentKind
from controller.report.deviation import Measured
from controller.report.frames import Frame, write_csv
from controller.report.gather import SessionData
from controller.report.passdata import PassData
from controller.report.runticks import RunTicks, timing_errors_ns

QUANTILES = (0.5, 0.99, 0.999)
LATE_NS = 1_000_000
"""Ticks later than this are counted."""

Vector = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

SEGMENT_TABLE_DTYPE = np.dtype(
    [
        ("run", "<i4"),
        ("pass_id", "<i4"),  # -1 outside a pass
        ("task", "<i4"),
        ("segment", "<i4"),  # of the schedule; -1 outside one
        ("stroke", "<i4"),  # -1 for none
        ("kind", "U8"),  # travel, lead-in, lower, stroke, raise; homing, move
        ("ticks", "<i8"),
        ("start_s", "<f8"),  # from the run's first tick
        ("planned_ms", "<f8"),
        ("actual_ms", "<f8"),  # from its first tick sent to the next segment's first tick sent
        ("p50_us", "<f8"),
        ("p99_us", "<f8"),
        ("p999_us", "<f8"),
        ("max_us", "<f8"),
        ("late", "<i8"),  # ticks later than 1 ms
        ("following_rms_mm", "<f8"),  # nan where the drives said nothing
        ("following_max_mm", "<f8"),
        ("contour_rms_mm", "<f8"),  # nan at standstill as well
        ("contour_max_mm", "<f8"),
        ("timing_error_ms", "<f8"),  # how much longer than its ticks it took, by the instants of sending
        ("at_ns", "<i8"),  # instant of its first tick, streamer's clock
    ]
)

SEGMENT_TITLES = (
    "run", "pass", "task", "segment", "stroke", "kind", "ticks", "start_s", "planned_ms", "actual_ms",
    "lateness_p50_us", "lateness_p99_us", "lateness_p999_us", "lateness_max_us", "ticks_later_than_1_ms",
    "following_error_rms_mm", "following_error_max_mm", "contour_error_rms_mm", "contour_error_max_mm",
    "timing_error_ms", "at_ns",
)  # fmt: skip

KIND_NAMES = {
    SegmentKind.TRAVEL: "travel",
    SegmentKind.LEAD_IN: "lead-in",
    SegmentKind.LOWER: "lower",
    SegmentKind.STROKE: "stroke",
    SegmentKind.RAISE: "raise",
}


def grouped_quantiles(values: Vector, starts: Index, quantiles: tuple[float, ...]) -> Vector:
    """Quantiles (m, q) of ``values`` (n,) in the groups that begin at ``starts`` (m,), none of them empty."""
    counts = np.diff(np.append(starts, len(values)))
    group = np.repeat(np.arange(len(starts)), counts)
    ordered = values[np.lexsort((values, group))]
    place = np.outer(counts - 1, quantiles)
    below = np.floor(place).astype(np.int64)
    above = np.minimum(below + 1, counts[:, None] - 1)
    low, high = ordered[starts[:, None] + below], ordered[starts[:, None] + above]
    result: Vector = low + (high - low) * (place - below)
    return result


def segment_table(ticks: RunTicks, segments: npt.NDArray[np.void] | None) -> npt.NDArray[np.void]:
    """(m,) SEGMENT_TABLE_DTYPE of one run, in order of time.

    segments: of its pass' schedule, where known; a task whose schedule the run kept is told by that instead.
    """
    n = ticks.ticks
    if n == 0:
        return np.zeros(0, dtype=SEGMENT_TABLE_DTYPE)
    change = np.ones(n, dtype=np.bool_)
    change[1:] = (np.diff(ticks.segment) != 0) | (np.diff(ticks.task) != 0)
    starts = np.flatnonzero(change)
    counts = np.diff(np.append(starts, n))
    table = np.zeros(len(starts), dtype=SEGMENT_TABLE_DTYPE)
    table["run"] = ticks.run.id
    table["pass_id"] = -1 if ticks.run.pass_id is None else ticks.run.pass_id
    table["task"], table["segment"] = ticks.task[starts], ticks.segment[starts]
    table["ticks"] = counts
    table["stroke"] = -1
    table["kind"] = _task_names(ticks, starts)
    planned_ticks = counts.copy()
    names = np.array([KIND_NAMES[kind] for kind in SegmentKind])
    for task in np.unique(table["task"]).tolist():
        plan = ticks.plans.get(task)
        mine = segments if plan is None else plan.segments
        if mine is None:
            continue
        known = (table["task"] == task) & (table["segment"] >= 0) & (table["segment"] < len(mine))
        rows = table["segment"][known]
        table["kind"][known] = names[mine["kind"][rows]]
        table["stroke"][known] = mine["stroke"][rows]
        planned_ticks[known] = mine["ticks"][rows]
    sent = ticks.scheduled_ns + ticks.lateness_ns
    table["at_ns"] = ticks.scheduled_ns[starts]
    begin = sent[starts]
    table["start_s"] = (ticks.scheduled_ns[starts] - ticks.scheduled_ns[0]) * 1e-9
    table["planned_ms"] = planned_ticks * ticks.tick_ns * 1e-6
    table["actual_ms"] = np.diff(np.append(begin, sent[-1] + ticks.tick_ns)) * 1e-6
    lateness_us: Vector = ticks.lateness_ns.astype(np.float64) * 1e-3
    errors_ns = timing_errors_ns(ticks.scheduled_ns, ticks.lateness_ns, starts, ticks.tick_ns)
    table["timing_error_ms"] = errors_ns * 1e-6
    quantiles = grouped_quantiles(lateness_us, starts, QUANTILES)
    table["p50_us"], table["p99_us"], table["p999_us"] = quantiles.T
    table["max_us"] = np.maximum.reduceat(lateness_us, starts)
    table["late"] = np.add.reduceat((ticks.lateness_ns > LATE_NS).astype(np.int64), starts)
    for name, error in (("following", np.hypot(*ticks.error_mm.T)), ("contour", ticks.contour_mm)):
        heard = ~np.isnan(error)
        number = np.add.reduceat(heard.astype(np.int64), starts)
        square = np.add.reduceat(np.where(heard, error, 0.0) ** 2, starts)
        largest = np.maximum.reduceat(np.where(heard, error, -1.0), starts)
        table[f"{name}_rms_mm"] = np.where(number > 0, np.sqrt(square / np.maximum(number, 1)), np.nan)
        table[f"{name}_max_mm"] = np.where(number > 0, largest, np.nan)
    return table


def _task_names(ticks: RunTicks, starts: Index) -> npt.NDArray[np.str_]:
    """What the ticks outside a schedule belong to, by their task; a schedule's own way there is a move."""
    names = np.array([*("homing" if kind == "homing" else "move" for kind in ticks.task_kinds), "move"])
    task = ticks.task[starts].astype(np.int64)
    known = (task >= 0) & (task < len(ticks.task_kinds))
    chosen: npt.NDArray[np.str_] = names[np.where(known, task, len(names) - 1)]
    return chosen


def all_segments(data: SessionData) -> npt.NDArray[np.void]:
    """``segment_table`` of every run of the session, one after another."""
    by_pass = {part.row.id: part.segments for part in data.passes}
    tables = [
        segment_table(ticks, by_pass.get(ticks.run.pass_id) if ticks.run.pass_id is not None else None)
        for ticks in data.ticks
    ]
    return np.concatenate([np.zeros(0, dtype=SEGMENT_TABLE_DTYPE), *tables])


@dataclass(frozen=True, slots=True)
class Lateness:
    """Lateness of a number of ticks, µs. All zero when there were none."""

    ticks: int
    p50_us: float
    p99_us: float
    p999_us: float
    max_us: float
    late: int

    @classmethod
    def of(cls, lateness_ns: Index) -> Lateness:
        """Sum up (n,) latenesses in ns."""
        if not len(lateness_ns):
            return cls(0, 0.0, 0.0, 0.0, 0.0, 0)
        p50, p99, p999 = (float(value) for value in np.quantile(lateness_ns * 1e-3, QUANTILES))
        return cls(
            len(lateness_ns),
            p50,
            p99,
            p999,
            float(lateness_ns.max() * 1e-3),
            int(np.count_nonzero(lateness_ns > LATE_NS)),
        )


@dataclass(frozen=True, slots=True)
class PassSummary:
    """One pass in one line.

    strokes_finished and metres: in this session. homing_spread_mm: by axis, of the homing that the pass began
    with. deviation_max_mm, missed_max_mm, closing_gap_max_mm: painted against planned; None without a canvas.
    """

    pass_id: int
    name: str
    ink: str
    state: str
    strokes_planned: int
    strokes_finished: int
    metres: float | None
    lateness: Lateness
    following_rms_mm: float | None
    following_max_mm: float | None
    contour_max_mm: float | None
    homing_spread_mm: dict[str, float]
    deviation_max_mm: float | None
    missed_max_mm: float | None
    closing_gap_max_mm: float | None

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for JSON."""
        return asdict(self)


def pass_summary(data: SessionData, part: PassData, measured: Measured | None) -> PassSummary:
    """Sum up one pass; ``measured`` is what was painted of it, where a canvas tells."""
    logs = [one for run in part.runs if (one := data.ticks_of(run)) is not None]
    # Of the schedule only: the way to its first segment is a move of its own.
    inside = [one.segment >= 0 for one in logs]
    lateness = np.concatenate(
        [np.zeros(0, dtype=np.int64), *(one.lateness_ns[at] for one, at in zip(logs, inside, strict=True))]
    )
    error = np.concatenate(
        [np.zeros(0), *(np.hypot(*one.error_mm[at].T) for one, at in zip(logs, inside, strict=True))]
    )
    error = error[~np.isnan(error)]
    contours = [one.contour_mm[at] for one, at in zip(logs, inside, strict=True)]
    metres = None
    if part.strokes is not None:
        metres = float(part.strokes.lengths_mm()[part.finished].sum()) / 1000.0
    first_run = min(part.runs, default=0)
    spread: dict[str, float] = {}
    for homing in data.homings:
        if homing.accepted and (homing.run or 0) <= first_run:
            spread[homing.axis] = homing.spread_mm
    return PassSummary(
        part.row.id,
        part.row.name,
        part.row.ink,
        part.row.state,
        part.row.strokes,
        len(part.finished),
        metres,
        Lateness.of(lateness),
        float(np.sqrt(np.mean(error**2))) if len(error) else None,
        float(error.max()) if len(error) else None,
        max((float(np.nanmax(one)) for one in contours if not np.isnan(one).all()), default=None),
        spread,
        _largest(measured, "off_max_mm"),
        _largest(measured, "missed_mm"),
        _largest(measured, "closing_gap_mm"),
    )


def _largest(measured: Measured | None, column: str) -> float | None:
    if measured is None:
        return None
    values = measured.strokes[column]
    values = values[~np.isnan(values)]
    return float(values.max()) if len(values) else None


def segments_frame(table: npt.NDArray[np.void]) -> Frame:
    """A segment table with names that carry their units; what is not known is not-a-number."""
    names = SEGMENT_TABLE_DTYPE.names or ()
    return Frame("segments", {title: table[name] for title, name in zip(SEGMENT_TITLES, names, strict=True)})


def kinds_frame(table: npt.NDArray[np.void]) -> Frame:
    """One row for each thing that the head did: how many segments and ticks, and the largest of each error."""
    kinds = [
        kind
        for kind in ("stroke", "travel", "lead-in", "lower", "raise", "move", "homing")
        if kind in table["kind"]
    ]
    groups = [table[table["kind"] == kind] for kind in kinds]

    def largest(name: str) -> Vector:
        values = [np.abs(group[name].astype(np.float64)) for group in groups]
        return np.array(
            [np.nan if np.isnan(one).all() else np.nanmax(one) for one in values], dtype=np.float64
        )

    return Frame(
        "kinds",
        {
            "kind": np.array(kinds, dtype=np.str_),
            "segments": np.array([len(group) for group in groups], dtype=np.int64),
            "ticks": np.array([int(group["ticks"].sum()) for group in groups], dtype=np.int64),
            "lateness_max_us": largest("max_us"),
            "timing_error_max_ms": largest("timing_error_ms"),
            "following_error_max_mm": largest("following_max_mm"),
            "contour_error_max_mm": largest("contour_max_mm"),
        },
    )


def write_segments_csv(path: Path, table: npt.NDArray[np.void]) -> None:
    """Write a segment table as CSV."""
    write_csv(path, segments_frame(table))
