"""Tables that more than one verb prints. No logic."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from math import isfinite
from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.table import Table

if TYPE_CHECKING:
    from controller.register.marks import Registration
    from controller.report.probefigures import FigureRow
    from controller.session.drifting import MachineDrift
    from controller.session.figures import PassFigures
    from controller.session.prepared import PreparedJob
    from controller.session.rows import MarkMeasured


def passes_table(figures: Sequence[PassFigures]) -> Table:
    """One row a pass; timing error is the lateness of sending in microseconds, homing the spread of its touches."""
    table = Table(
        title="passes: lateness of ticks in us, spread of homing touches in mm",
        box=SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1, 0, 0),
        title_justify="left",
    )
    table.add_column("pass")
    for name in ("strokes", "metres", "ticks", "p50", "p99", "p99.9", "max", "touch x", "touch y"):
        table.add_column(name, justify="right", no_wrap=True)
    for one in figures:
        timing = one.timing
        late = (
            ("-",) * 4
            if timing is None
            else tuple(_short(us) for us in (timing.p50_us, timing.p99_us, timing.p999_us, timing.max_us))
        )
        spread = (
            f"{one.homing_spread_mm[axis]:.3f}" if axis in one.homing_spread_mm else "-" for axis in "xy"
        )
        table.add_row(
            one.name if one.state == "finished" else f"{one.name} ({one.state})",
            str(one.strokes),
            f"{one.metres:.2f}",
            str(one.ticks),
            *late,
            *spread,
        )
    return table


_CUT_BY = {"end": "", "metres": "pen's metres", "pen minutes": "pen's minutes", "watch": "watch"}


def prepared_table(record: PreparedJob) -> Table:
    """One row a pass, in painting order."""
    table = plain_table(f"{record.job} for {record.machine}")
    table.add_column("pass", no_wrap=True)
    table.add_column("pen", no_wrap=True)
    for name in ("strokes", "metres", "minutes", "tip mm"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("cut by", no_wrap=True)
    table.add_column("", no_wrap=True)
    for one in record.passes:
        tip = f"{one.tip_mm:.2f}"
        if abs(one.tip_end_mm - one.tip_mm) >= 0.005:
            tip += f" to {one.tip_end_mm:.2f}"
        marks = [
            text
            for text, is_so in (("again", one.turn), ("long", one.too_long), ("wet", one.wet_strokes))
            if is_so
        ]
        table.add_row(
            one.name,
            "fresh" if one.fresh_pen else "same",
            str(one.strokes),
            f"{one.metres:.2f}",
            f"{one.seconds / 60:.1f}",
            tip,
            _CUT_BY[one.cut_by],
            ", ".join(marks),
        )
    return table


def inks_table(record: PreparedJob) -> Table:
    """One row an ink, and all together."""
    table = plain_table("")
    table.add_column("ink", no_wrap=True)
    for name in ("passes", "pens", "strokes", "metres", "minutes"):
        table.add_column(name, justify="right", no_wrap=True)
    for ink in record.inks:
        table.add_row(
            ink.name,
            str(ink.passes),
            str(ink.pens),
            str(ink.strokes),
            f"{ink.metres:.2f}",
            f"{ink.seconds / 60:.1f}",
        )
    table.add_section()
    table.add_row(
        "all", str(len(record.passes)), str(record.pens), str(sum(ink.strokes for ink in record.inks)),
        f"{record.metres:.2f}", f"{record.seconds / 60:.1f}",
    )  # fmt: skip
    changes = "1 pen change" if record.pen_changes == 1 else f"{record.pen_changes} pen changes"
    table.caption = (
        f"{changes}; {_hours(record.seconds / 60)} of painting, "
        f"{_hours(record.breaks_minutes)} between passes"
    )
    return table


def _hours(minutes: float) -> str:
    whole = round(minutes)
    return f"{whole // 60} h {whole % 60:02d} min" if whole >= 60 else f"{whole} min"


def plain_table(title: str) -> Table:
    """An empty table in the style of all; an empty title is none."""
    return Table(
        title=title or None, box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), title_justify="left",
        caption_justify="left",
    )  # fmt: skip


def figures_table(rows: Sequence[FigureRow], sources: Sequence[str]) -> Table:
    """One row a figure of a driven test, one column a source."""
    from controller.report.probepage import value_text

    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("figure", no_wrap=True)
    for name in sources:
        table.add_column(name.replace(" (", "\n("), justify="right", no_wrap=True)
    table.add_column("unit", no_wrap=True)
    table.add_column("meaning", overflow="fold")
    group = ""
    for row in rows:
        if group and row.group != group:
            table.add_section()
        group = row.group
        values = (value_text(value, row.digits) for value in row.values)
        table.add_row(row.symbol, *values, row.unit, row.words)
    return table


def _short(us: float) -> str:
    return f"{us:.1f}" if abs(us) < 100 else f"{us:.0f}"


def day_of(at_ms: int) -> str:
    """Day and minute in UTC."""
    return datetime.fromtimestamp(at_ms / 1000.0, UTC).strftime("%Y-%m-%d %H:%M")


def drift_table(drift: MachineDrift, rows: int) -> Table:
    """The last homings of the history: the switches' places from its first, their model, spread of the touches."""
    from controller.session.drifting import day, homings_of

    table = plain_table("home switches: mm from the history's first; spread of touches")
    table.add_column("homing (UTC)", no_wrap=True)
    for axis in drift.axes:
        for name in (axis, "model", "spread"):
            table.add_column(name, justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    homings = homings_of(drift)
    for place in range(max(0, len(homings) - rows), len(homings)):
        both = homings[place]
        cells: list[str] = []
        events: list[str] = []
        for axis, one in drift.axes.items():
            places = drift.histories[axis].place_mm
            cells += [
                f"{places[place] - places[0]:+.3f}", f"{one.level_mm[place]:+.3f}", f"{both[axis].spread_mm:.3f}"
            ]  # fmt: skip
            events += [
                f"{axis} {event.finding.value.split()[-1]}" for event in one.events if event.row == place
            ]
        first = next(iter(both.values()))
        table.add_row(day(first.at_ms)[2:16], *cells, ", ".join(events))
    return table


def marks_table(measured: Sequence[MarkMeasured], found: Registration) -> Table:
    """Every mark: how far off it was found, what the map leaves over, what the map through the others would."""
    table = plain_table(
        "marks, mm right and down: found off nominal; left over; left over by the others' map"
    )
    table.add_column("mark", no_wrap=True)
    for name in ("x", "y", "off x", "off y", "left x", "left y", "others x", "others y"):
        table.add_column(name, justify="right", no_wrap=True)
    left, others = found.fit.residuals_mm, found.fit.deleted_residuals_mm
    for row, one in enumerate(measured):
        off = [there - here for there, here in zip(one.measured_mm, one.nominal_mm, strict=True)]
        figures = [*off, *left[row].tolist(), *others[row].tolist()]
        table.add_row(
            one.name,
            *(f"{mm:.1f}" for mm in one.nominal_mm),
            *(f"{mm:+.2f}" if isfinite(mm) else "-" for mm in figures),
        )
    return table
