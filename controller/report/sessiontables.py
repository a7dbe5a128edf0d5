"""Every table of a session's report, for files: names with units, one row for each thing.

Owns their columns. Knows no form: frames writes CSV and Parquet, html shows what a person reads.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from controller.report.columns import Columns
from controller.report.frames import Frame, flags, floats, moments, text, whole
from controller.report.gather import SessionData
from controller.report.history import History
from controller.report.links import KINDS, Links
from controller.report.registercharts import homing_numbers, used_over_time
from controller.report.stops import StopRow
from controller.report.tables import PassSummary
from controller.session.rows import HomingRow


def passes_frame(rows: Sequence[PassSummary]) -> Frame:
    """One row a pass of the session."""
    return Frame(
        "passes",
        {
            "pass": text([row.name for row in rows]),
            "ink": text([row.ink for row in rows]),
            "state": text([row.state for row in rows]),
            "strokes_finished": whole([row.strokes_finished for row in rows]),
            "strokes_planned": whole([row.strokes_planned for row in rows]),
            "painted_m": floats([row.metres for row in rows]),
            "ticks": whole([row.lateness.ticks for row in rows]),
            "lateness_p50_us": floats([row.lateness.p50_us for row in rows]),
            "lateness_p99_us": floats([row.lateness.p99_us for row in rows]),
            "lateness_p999_us": floats([row.lateness.p999_us for row in rows]),
            "lateness_max_us": floats([row.lateness.max_us for row in rows]),
            "ticks_later_than_1_ms": whole([row.lateness.late for row in rows]),
            "following_error_rms_mm": floats([row.following_rms_mm for row in rows]),
            "following_error_max_mm": floats([row.following_max_mm for row in rows]),
            "contour_error_max_mm": floats([row.contour_max_mm for row in rows]),
            "homing_spread_x_mm": floats([row.homing_spread_mm.get("x") for row in rows]),
            "homing_spread_y_mm": floats([row.homing_spread_mm.get("y") for row in rows]),
            "off_path_max_mm": floats([row.deviation_max_mm for row in rows]),
            "missed_max_mm": floats([row.missed_max_mm for row in rows]),
            "closing_gap_max_mm": floats([row.closing_gap_max_mm for row in rows]),
        },
    )


def pens_frame(history: History) -> Frame:
    """One row a pen that this session used or put in."""
    rows = history.pens
    here = [[one for one in history.sums.values() if one.pen == use.pen.id] for use in rows]
    return Frame(
        "pens",
        {
            "pen": whole([use.pen.id for use in rows]),
            "ink": text([use.pen.ink for use in rows]),
            "put_in": moments([use.pen.at_ms for use in rows]),
            "put_in_this_session": flags([use.pen.id in history.put_in for use in rows]),
            "pass": text([use.pen.pass_name for use in rows]),
            "painted_this_session_m": floats([sum(one.painted_mm for one in mine) / 1000 for mine in here]),
            "down_this_session_min": floats([sum(one.down_s for one in mine) / 60 for mine in here]),
            "painted_in_all_m": floats([use.metres for use in rows]),
            "down_in_all_min": floats([use.down_s / 60 for use in rows]),
            "longest_up_s": floats([use.longest_up_s for use in rows]),
            "line_width_mm": floats([use.width_mm for use in rows]),
        },
    )


def homings_frame(rows: Sequence[HomingRow], session: int) -> Frame:
    """One row an axis of every homing in the journal."""
    return Frame(
        "homings",
        {
            "homing": homing_numbers(rows) if rows else whole([]),
            "at": moments([row.at_ms for row in rows]),
            "session": whole([row.session for row in rows]),
            "this_session": flags([row.session == session for row in rows]),
            "axis": text([row.axis for row in rows]),
            "touches": whole([len(row.touches_counts) for row in rows]),
            "mean_counts": floats([row.mean_counts for row in rows]),
            "spread_mm": floats([row.spread_mm for row in rows]),
            "difference_mm": floats([row.difference_mm for row in rows]),
            "accepted": flags([row.accepted for row in rows]),
            "reason": text([row.reason for row in rows]),
        },
    )


def register_frame(history: History) -> Frame:
    """One row a homing since the job's places count: what of the traps' width was used by then."""
    drift = history.drift
    if drift is None or drift.job is None or drift.job.since_ms is None:
        homing, at_ms, used = whole([]), list[int | None](), floats([])
    else:
        found = used_over_time(drift)
        homing, at_ms, used = found.homing, list(found.at_ms.tolist()), found.used_mm
    return Frame(
        "register",
        {
            "homing": homing,
            "at": moments(at_ms),
            "used_mm": used,
            "traps_allow_mm": floats([history.traps_mm] * len(homing)),
        },
    )


def marks_frame(history: History) -> Frame:
    """One row a mark of every measuring."""
    rows = [(number, one, mark) for number, one in enumerate(history.maps, 1) for mark in one.marks]
    return Frame(
        "marks",
        {
            "measuring": whole([number for number, _, _ in rows]),
            "at": moments([one.at_ms for _, one, _ in rows]),
            "mark": text([mark.name for _, _, mark in rows]),
            "nominal_x_mm": floats([mark.nominal_mm[0] for _, _, mark in rows]),
            "nominal_y_mm": floats([mark.nominal_mm[1] for _, _, mark in rows]),
            "found_x_mm": floats([mark.measured_mm[0] for _, _, mark in rows]),
            "found_y_mm": floats([mark.measured_mm[1] for _, _, mark in rows]),
        },
    )


def stops_frame(rows: Sequence[StopRow]) -> Frame:
    """One row a stop, pause, clearing or end of a run out of order."""
    return Frame(
        "stops",
        {
            "at": moments([row.at_ms for row in rows]),
            "what": text([row.kind for row in rows]),
            "code": text([row.code for row in rows]),
            "run": whole([row.run for row in rows]),
            "words": text([row.words for row in rows]),
        },
    )


def events_frame(data: SessionData) -> Frame:
    """One row an event of the journal."""
    return Frame(
        "events",
        {
            "at": moments([row.at_ms for row in data.events]),
            "kind": text([row.kind for row in data.events]),
            "words": text([row.text for row in data.events]),
        },
    )


def timeline_frame(columns: Columns) -> Frame:
    """One row a column of time that holds ticks."""
    return Frame(
        "timeline",
        {
            "start_s": columns.left_s,
            "end_s": columns.right_s,
            "ticks": columns.ticks,
            "lateness_min_us": columns.lateness_us.low,
            "lateness_max_us": columns.lateness_us.high,
            "following_error_min_mm": columns.following_mm.low,
            "following_error_max_mm": columns.following_mm.high,
            "contour_error_min_mm": columns.contour_mm.low,
            "contour_error_max_mm": columns.contour_mm.high,
        },
    )


def histogram_frame(
    name: str, unit: str, edges: npt.NDArray[np.float64], counts: npt.NDArray[np.int64]
) -> Frame:
    """One row a bin."""
    return Frame(name, {f"from_{unit}": edges[:-1], f"to_{unit}": edges[1:], "count": counts})


def peaks_frame(links: Links) -> Frame:
    """One row a numbered peak. Values in the unit of their kind: µs of lateness, else mm."""
    rows = [row for kind in KINDS for row in links.rows[kind]]
    return Frame(
        "peaks",
        {
            "kind": text([KINDS[row.kind][1] for row in rows]),
            "number": whole([row.number for row in rows]),
            "value": floats([row.value for row in rows]),
            "unit": text(["us" if row.kind == "lateness" else "mm" for row in rows]),
            "at_s": floats([row.at_s for row in rows]),
            "pass": text([links.names.get(row.pass_id, "") for row in rows]),
            "stroke": whole([row.stroke for row in rows]),
            "during": text([row.during for row in rows]),
        },
    )
