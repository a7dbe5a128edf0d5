"""Plots of time and position: lateness over time, its histogram, by segment; following error; homings.

Takes gathered data, returns PNG bytes. Owns no figure that is not also in a table.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from matplotlib.ticker import FuncFormatter, MaxNLocator

from controller.report.figures import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    PURPLE,
    SKY,
    VERMILLION,
    dress,
    new_figure,
    png,
)
from controller.report.gather import RunTicks, SessionData
from controller.report.tables import LATE_NS
from controller.session.rows import HomingRow

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FLOOR_US = 0.1
"""Logarithmic axes begin here; what left within it counts as on time."""

BINS = 400

KINDS: tuple[tuple[str, str, str], ...] = (
    ("stroke", BLUE, "o"),
    ("travel", ORANGE, "s"),
    ("lead-in", GREEN, "^"),
    ("lower", VERMILLION, "v"),
    ("raise", PURPLE, "D"),
    ("move", SKY, "P"),
    ("homing", GREY, "X"),
)
"""Kind, colour and marker: shape tells apart what colour might not."""

Vector = npt.NDArray[np.float64]


def _plain(value: float, _position: int = 0) -> str:
    return f"{value:g}" if value < 10_000 else f"{value:,.0f}".replace(",", "\u2009")


def _log_us(axis: object) -> None:
    axis.set_major_formatter(FuncFormatter(_plain))  # type: ignore[attr-defined]


def _yardsticks(axes: Axes, tick_us: float, *, upright: bool) -> None:
    """The tick and one millisecond, as lines."""
    marks = [(tick_us, f"one tick, {tick_us / 1000:g} ms", BLACK, "left")]
    if abs(tick_us - LATE_NS / 1000) > 1e-6:
        marks.append((LATE_NS / 1000, "1 ms", GREY, "right" if tick_us > LATE_NS / 1000 else "left"))
    for value, label, colour, side in marks:
        style = {"color": colour, "linewidth": 1.1, "linestyle": (0, (4, 3)), "zorder": 1}
        if upright:
            axes.axvline(value, **style)  # type: ignore[arg-type]
            axes.text(
                value, 1.01, label, transform=axes.get_xaxis_transform(), ha=side, va="bottom", fontsize=8.5,
                color=colour,
            )  # fmt: skip
        else:
            axes.axhline(value, **style)  # type: ignore[arg-type]
            axes.text(
                1.006, value, label.replace(", ", ",\n"), transform=axes.get_yaxis_transform(), ha="left", va="center",
                fontsize=8.5, color=colour, linespacing=1.0,
            )  # fmt: skip


def lateness_over_time(data: SessionData) -> bytes:
    """Median and largest lateness in bins of time; runs are shaded in turn and named."""
    figure = new_figure(3.6)
    axes = figure.subplots()
    logs = [one for one in data.ticks if one.ticks]
    zero = min(int(one.scheduled_ns[0]) for one in logs)
    end = max(int(one.scheduled_ns[-1]) for one in logs)
    unit_ns, unit = (60e9, "min") if end - zero > 300e9 else (1e9, "s")
    width_ns = max((end - zero) / BINS, 1.0)
    for number, one in enumerate(logs):
        left, right = ((int(one.scheduled_ns[k]) - zero) / unit_ns for k in (0, -1))
        if number % 2 == 0:
            axes.axvspan(left, right, color="#F1F4F7", linewidth=0, zorder=0)
        centre, median, largest = _binned(one, zero, width_ns)
        late = np.maximum(np.stack([median, largest]) / 1000, FLOOR_US)
        spans = axes.vlines(centre / unit_ns, late[0], late[1], color=SKY, linewidth=1.0, zorder=2)
        (dots,) = axes.plot(centre / unit_ns, late[1], ".", color=BLUE, markersize=3.2, zorder=3)
        if number == 0:
            spans.set_label("median to largest")
            dots.set_label("largest of its moment")
        if right - left > 0.05 * (end - zero) / unit_ns:
            axes.text(
                0.5 * (left + right), 1.0, one.run.what, transform=axes.get_xaxis_transform(), ha="center",
                va="bottom", fontsize=8, color=GREY,
            )  # fmt: skip
    axes.set_yscale("log")
    axes.set_ylim(FLOOR_US * 0.8, max(1.6 * logs[0].tick_ns / 1000, axes.get_ylim()[1]))
    axes.set_xlim(0, (end - zero) / unit_ns)
    _log_us(axes.yaxis)
    _yardsticks(axes, logs[0].tick_ns / 1000, upright=False)
    dress(axes, "How late each tick left", f"time since the session's first tick, {unit}", "lateness, µs")
    axes.set_title(axes.get_title(loc="left"), loc="left", fontsize=11, color=BLACK, pad=18)
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.05), ncols=2, fontsize=8.5, frameon=False)
    return png(figure)


def _binned(one: RunTicks, zero: int, width_ns: float) -> tuple[Vector, Vector, Vector]:
    """Centre (ns since ``zero``), median and largest lateness (ns) of each bin of time that holds ticks."""
    since = (one.scheduled_ns - zero).astype(np.float64)
    number = np.floor(since / width_ns).astype(np.int64)
    order = np.lexsort((one.lateness_ns, number))
    number, late = number[order], one.lateness_ns[order].astype(np.float64)
    starts = np.flatnonzero(np.diff(number, prepend=-1))
    counts = np.diff(np.append(starts, one.ticks))
    centre = (number[starts].astype(np.float64) + 0.5) * width_ns
    return centre, late[starts + (counts - 1) // 2], late[starts + counts - 1]


def lateness_histogram(data: SessionData) -> bytes:
    """Counts of lateness on two logarithmic axes, with its quantiles and the tick as yardstick."""
    figure = new_figure(3.6)
    axes = figure.subplots()
    late_us = np.concatenate([one.lateness_ns for one in data.ticks if one.ticks]) / 1000.0
    tick_us = next(one.tick_ns for one in data.ticks if one.ticks) / 1000.0
    top = max(float(late_us.max()), tick_us) * 3.0
    edges = np.geomspace(FLOOR_US, top, 90)
    axes.hist(
        np.maximum(late_us, FLOOR_US * 1.001), bins=edges.tolist(), color=SKY, edgecolor=BLUE, linewidth=0.4
    )
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(FLOOR_US, top)
    axes.set_ylim(0.7, None)
    _log_us(axes.xaxis)
    _log_us(axes.yaxis)
    marks = (
        *zip(("p50", "p99", "p99.9"), np.quantile(late_us, (0.5, 0.99, 0.999)).tolist(), strict=True),
        ("max", float(late_us.max())),
    )
    for (name, value), style in zip(marks, ("-", "--", "-.", ":"), strict=True):
        axes.axvline(
            max(value, FLOOR_US * 1.02), color=VERMILLION, linewidth=1.3, linestyle=style,
            label=f"{name}  {value:,.1f} µs",
        )  # fmt: skip
    _yardsticks(axes, tick_us, upright=True)
    dress(
        axes, f"Lateness of all {len(late_us):,} ticks", "lateness, µs (up to 0.1 in the first bar)", "ticks"
    )
    axes.legend(loc="upper center", fontsize=8.5, framealpha=0.92)
    return png(figure)


def _strip(axes: Axes, table: npt.NDArray[np.void], column: str, floor: float) -> list[str]:
    """A row of dots for each kind of segment, spread a little; a bar at the median. Returns the kinds shown."""
    shown = [kind for kind in KINDS if bool(np.any(table["kind"] == kind[0]))]
    random = np.random.default_rng(1)
    for row, (kind, colour, marker) in enumerate(shown):
        values = table[column][table["kind"] == kind]
        values = np.maximum(values[~np.isnan(values)], floor)
        if not len(values):
            continue
        spread = random.uniform(-0.28, 0.28, len(values))
        axes.plot(
            values, row + spread, linestyle="none", marker=marker, markersize=4, color=colour, alpha=0.55,
            markeredgewidth=0, rasterized=True,
        )  # fmt: skip
        axes.plot([np.median(values)] * 2, [row - 0.36, row + 0.36], color=BLACK, linewidth=1.6)
    axes.set_yticks(
        range(len(shown)),
        [f"{kind} ({int(np.count_nonzero(table['kind'] == kind))})" for kind, _, _ in shown],
    )
    axes.invert_yaxis()
    return [kind for kind, _, _ in shown]


def lateness_by_segment(table: npt.NDArray[np.void], tick_ns: int) -> bytes:
    """The latest tick of every segment, by what the head did."""
    figure = new_figure(3.5)
    axes = figure.subplots()
    _strip(axes, table, "max_us", FLOOR_US)
    axes.set_xscale("log")
    axes.set_xlim(FLOOR_US * 0.8, max(1.6 * tick_ns / 1000, axes.get_xlim()[1]))
    _log_us(axes.xaxis)
    dress(axes, "The latest tick of each segment", "largest lateness in the segment, µs (bar: median)", "")
    _yardsticks(axes, tick_ns / 1000, upright=True)
    return png(figure)


def following_by_segment(table: npt.NDArray[np.void]) -> bytes | None:
    """The largest following error of every segment; None when the drives said nothing."""
    column = table["following_max_mm"]
    if bool(np.all(np.isnan(column))):
        return None
    figure = new_figure(3.3)
    axes = figure.subplots()
    _strip(axes, table, "following_max_mm", 0.0)
    axes.set_xlim(0, 1.06 * max(float(np.nanmax(column)), 1e-4))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _position: f"{value:.3g}"))
    dress(
        axes,
        "Following error: measured against expected position of the motors",
        "largest in the segment, mm (bar: median; both axes together)",
        "",
    )
    return png(figure)


def homing_history(history: Sequence[HomingRow], session: int) -> bytes | None:
    """Spread of the touches and difference from the homing before, over all homings in the journal."""
    if not history:
        return None
    figure = new_figure(3.9)
    spread_axes, difference_axes = figure.subplots(2, 1, sharex=True)
    numbers = _homing_numbers(history)
    last = int(numbers.max())
    for axis, colour, marker, aside in (("x", BLUE, "o", -0.06), ("y", ORANGE, "s", 0.06)):
        mine = [
            (number, row) for number, row in zip(numbers.tolist(), history, strict=True) if row.axis == axis
        ]
        if not mine:
            continue
        mine = [(number + aside, row) for number, row in mine]  # side by side, not one on the other
        at = [number for number, _ in mine]
        spread_axes.plot(
            at, [1000 * row.spread_mm for _, row in mine], color=colour, marker=marker, linewidth=1.2,
            markersize=5, label=f"axis {axis}",
        )  # fmt: skip
        known = [(n, 1000 * row.difference_mm) for n, row in mine if row.difference_mm is not None]
        difference_axes.plot(
            [n for n, _ in known], [value for _, value in known], color=colour, marker=marker, linewidth=1.2,
            markersize=5,
        )  # fmt: skip
        refused = [(n, 1000 * row.spread_mm) for n, row in mine if not row.accepted]
        spread_axes.plot(
            [n for n, _ in refused], [value for _, value in refused], linestyle="none", marker="x",
            markersize=11, markeredgewidth=2, color=VERMILLION,
        )  # fmt: skip
    begins = [number for number, row in zip(numbers.tolist(), history, strict=True) if row.session == session]
    for axes in (spread_axes, difference_axes):
        if begins and min(begins) > 1:
            axes.axvspan(min(begins) - 0.5, max(begins) + 0.5, color="#F1F4F7", zorder=0, linewidth=0)
        axes.set_xlim(0.5, last + 0.5)
        axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=12, min_n_ticks=1))
    dress(spread_axes, "Homing: spread of the touches of one homing", "", "spread, µm")
    spread_axes.set_ylim(0, 1150 * max(max(row.spread_mm for row in history), 1e-6))
    spread_axes.legend(loc="best", fontsize=8.5, framealpha=0.92)
    dress(
        difference_axes,
        "Difference from the accepted homing before",
        "homing, counted in the journal",
        "difference, µm",
    )
    difference_axes.axhline(0, color=GREY, linewidth=0.9)
    return png(figure)


def _homing_numbers(history: Sequence[HomingRow]) -> npt.NDArray[np.int64]:
    """1, 2, ... for each homing; the axes of one homing share its number."""
    keys = [(row.session, row.run, row.at_ms) for row in history]
    change = [index == 0 or key != keys[index - 1] for index, key in enumerate(keys)]
    return np.cumsum(np.array(change, dtype=np.int64))
