"""Tables that more than one verb prints. No logic."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.table import Table

if TYPE_CHECKING:
    from controller.report.probefigures import FigureRow
    from controller.session.figures import PassFigures


def passes_table(figures: Sequence[PassFigures]) -> Table:
    """One row a pass; timing error is the lateness of sending in microseconds, homing the spread of its touches."""
    table = Table(
        title="passes: lateness of ticks in us, spread of homing touches in mm",
        box=SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1, 0, 0),
        title_justify="left",
    )
    table.add_column("ink")
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
            one.ink if one.state == "finished" else f"{one.ink} ({one.state})",
            str(one.strokes),
            f"{one.metres:.2f}",
            str(one.ticks),
            *late,
            *spread,
        )
    return table


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
