"""Charts of time and position: errors over time, their histograms, the places of homings against what the traps allow.

Takes gathered data and figures, gives charts (controller/report/chart.py). Draws nothing itself.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from controller.report.chart import (
    Bars,
    Chart,
    Panel,
    Peak,
    Range,
    Rule,
    Span,
    linear,
    logarithmic,
)
from controller.report.columns import Columns, Extremes, histogram
from controller.report.gather import SessionData
from controller.report.links import Links
from controller.report.tables import LATE_NS, QUANTILES

FLOOR_US = 0.1
"""Logarithmic axes begin here; what left within it counts as on time."""

Vector = npt.NDArray[np.float64]
Table = npt.NDArray[np.void]


def time_unit(seconds: float) -> tuple[float, str]:
    """Seconds in the unit that a session of this length is told in, and its name."""
    return (3600.0, "h") if seconds > 3 * 3600 else (60.0, "min") if seconds > 300 else (1.0, "s")


def over_time(data: SessionData, columns: Columns, segments: Table, links: Links) -> Chart | None:
    """Lateness and timing error (in real time), following and contour error over the session's time."""
    unit_s, unit = time_unit(columns.end_s)
    panels: list[Panel] = []
    if not data.is_virtual:
        panels.append(_lateness_panel(data, columns, links, unit_s))
        panels.append(_timing_panel(data, columns, segments, unit_s))
    for title, extremes, kind in (
        (
            "following error (measured against expected place of the motors), mm",
            columns.following_mm,
            "following",
        ),
        ("contour error (what of it lies across the way), mm", columns.contour_mm, "contour"),
    ):
        if not np.isnan(extremes.high).all():
            panels.append(_error_panel(title, columns, extremes, links.peaks[kind], unit_s))
    if not panels:
        return None
    logs = [log for log in data.ticks if log.ticks]
    spans = tuple(
        Span(
            (int(one.scheduled_ns[0]) - columns.zero_ns) * 1e-9 / unit_s,
            (int(one.scheduled_ns[-1]) - columns.zero_ns) * 1e-9 / unit_s,
            one.run.what,
        )
        for one in (logs[::2] if len(logs) > 1 else [])
    )
    return Chart(
        "over-time",
        "Errors over time",
        linear(f"time since the session's first tick, {unit}", 0.0, columns.end_s / unit_s, 8, tight=True),
        tuple(panels),
        "Errors over the session's time, panel under panel: " + "; ".join(one.title for one in panels)
        + ". The largest of each are numbered and listed in the tables below.",
        "Each column spans from the lowest to the highest tick of its moment, so that no peak is lost. Numbers lead to "
        "the stroke on the canvas, and so does every column; runs are shaded in turn.",
        spans,
        links.columns(columns, unit_s),
    )  # fmt: skip


def _range(columns: Columns, extremes: Extremes, unit_s: float, colour: str) -> Range:
    known = ~np.isnan(extremes.high)
    return Range(
        columns.left_s[known] / unit_s, columns.right_s[known] / unit_s, extremes.low[known], extremes.high[known],
        colour,
    )  # fmt: skip


def _yardsticks(tick_us: float, *, upright: bool = False) -> tuple[Rule, ...]:
    """The tick, and one millisecond where that is another."""
    rules = [Rule(tick_us, f"one tick, {tick_us / 1000:g} ms", upright)]
    if abs(tick_us - LATE_NS / 1000) > 1e-6:
        rules.append(Rule(LATE_NS / 1000, "1 ms", upright, "grey"))
    return tuple(rules)


def _tick_us(data: SessionData) -> float:
    return next((one.tick_ns for one in data.ticks if one.ticks), 1_000_000) / 1000.0


def _lateness_panel(data: SessionData, columns: Columns, links: Links, unit_s: float) -> Panel:
    tick_us = _tick_us(data)
    top = 2.0 * max(float(np.nanmax(columns.lateness_us.high)), tick_us)
    return Panel(
        logarithmic("µs", FLOOR_US, top),
        (_range(columns, columns.lateness_us, unit_s, "blue"),),
        _yardsticks(tick_us),
        _peaks(links.peaks["lateness"], unit_s),
        "lateness of ticks (sent after their instant), µs",
    )


def _timing_panel(data: SessionData, columns: Columns, segments: Table, unit_s: float) -> Panel:
    """How much longer or shorter each segment took than its ticks."""
    tick_ms = _tick_us(data) / 1000.0
    number = columns.of(segments["at_ns"])
    order = np.argsort(number, kind="stable")
    starts = np.flatnonzero(np.diff(number[order], prepend=-1))
    error = segments["timing_error_ms"][order]
    low, high = np.minimum.reduceat(error, starts), np.maximum.reduceat(error, starts)
    left: Vector = number[order][starts].astype(np.float64) * columns.width_s
    right: Vector = left + columns.width_s
    reach = 1.15 * max(float(np.abs(error).max()), tick_ms)
    return Panel(
        linear("ms", -reach, reach, 4, tight=True),
        (
            Range(
                left / unit_s,
                right / unit_s,
                np.minimum(low, 0.0),
                np.maximum(high, 0.0),
                "green",
            ),
        ),
        (Rule(tick_ms, f"one tick, {tick_ms:g} ms"), Rule(-tick_ms, "one tick early")),
        (),
        "timing error of segments (how much longer each took than its ticks), ms",
    )


def _error_panel(
    title: str, columns: Columns, extremes: Extremes, peaks: Sequence[Peak], unit_s: float
) -> Panel:
    top = max(float(np.nanmax(extremes.high)), 1e-6)
    return Panel(
        linear("mm", 0.0, 1.08 * top, 4),
        (_range(columns, extremes, unit_s, "blue" if title.startswith("f") else "purple"),),
        (),
        _peaks(peaks, unit_s),
        title,
    )


def _peaks(peaks: Sequence[Peak], unit_s: float) -> tuple[Peak, ...]:
    return tuple(Peak(one.number, one.x / unit_s, one.y, one.target, one.words) for one in peaks)


def lateness_edges(data: SessionData) -> Vector:
    """Edges of the bins of the histogram of lateness, µs."""
    top = max([float(one.lateness_ns.max()) / 1000.0 for one in data.ticks if one.ticks] + [_tick_us(data)])
    edges: Vector = np.geomspace(FLOOR_US, 3.0 * top, 91)
    return edges


def lateness_counts(data: SessionData, edges: Vector) -> npt.NDArray[np.int64]:
    """How many ticks lie in each bin; what is earlier or later counts in the first or last."""
    return histogram([one.lateness_ns / 1000.0 for one in data.ticks], edges)


def lateness_histogram(data: SessionData, quantiles_us: Sequence[float], largest_us: float) -> Chart:
    """Counts of the lateness of all ticks on two logarithmic axes, with quantiles and the tick."""
    edges = lateness_edges(data)
    counts = lateness_counts(data, edges)
    total = int(counts.sum())
    return Chart(
        "lateness-histogram",
        f"Lateness of all {total:,} ticks",
        logarithmic("lateness, µs (up to 0.1 in the first bar)", float(edges[0]), float(edges[-1])),
        (
            Panel(
                logarithmic("ticks", 0.7, 2.0 * max(float(counts.max()), 1.0)),
                (Bars(edges, counts.astype(np.float64), "sky"),),
                _yardsticks(_tick_us(data), upright=True),
                (),
                "ticks",
            ),
        ),
        "Histogram of the lateness of all ticks, both scales logarithmic, with the tick as yardstick",
        ", ".join(
            f"p{100 * share:g} {value:,.1f} µs" for share, value in zip(QUANTILES, quantiles_us, strict=True)
        )
        + f", largest {largest_us:,.1f} µs. Both scales are logarithmic: the lowest bar is a single tick.",
    )  # fmt: skip


def timing_histogram(data: SessionData, segments: Table) -> Chart:
    """Timing errors of all segments, the tick as yardstick."""
    tick_ms = _tick_us(data) / 1000.0
    error = segments["timing_error_ms"].astype(np.float64)
    reach = 1.15 * max(float(np.abs(error).max()), tick_ms)
    edges = np.linspace(-reach, reach, 82)
    counts = histogram([error], edges)
    inside = int(np.count_nonzero(np.abs(error) < tick_ms))
    return Chart(
        "timing-histogram",
        f"Timing error of all {len(error):,} segments",
        linear("how much longer a segment took than its ticks, ms", -reach, reach, 7, tight=True),
        (
            Panel(
                logarithmic("segments", 0.7, 2.0 * max(float(counts.max()), 1.0)),
                (Bars(edges, counts.astype(np.float64), "green"),),
                (
                    Rule(tick_ms, f"one tick, {tick_ms:g} ms", upright=True),
                    Rule(-tick_ms, "one tick early", upright=True),
                ),
                (),
                "segments",
            ),
        ),
        "Histogram of the timing errors of all segments, with one tick late and early as yardsticks",
        f"{inside:,} of {len(error):,} within one tick; largest {float(np.abs(error).max()):,.3f} ms. Errors do not "
        "add up: every tick has its own instant.",
    )  # fmt: skip
