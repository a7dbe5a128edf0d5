"""Tables of ``giornata compare`` and ``giornata trend`` for a terminal. No logic."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from rich.table import Table

from controller.cli.tables import day_of, plain_table
from controller.config.counting import counted

if TYPE_CHECKING:
    from controller.report.compare import Comparison
    from controller.report.comparemachines import Change, MachineChanges
    from controller.report.trend import Trends


def sessions_table(found: Comparison) -> Table:
    """One row a figure; groups apart."""
    from controller.report.comparewords import chance, interval, signed, value, verdict

    table = plain_table(
        " and ".join(f"{side}: {_named(one)}" for side, one in (("A", found.a), ("B", found.b)))
    )
    table.add_column("figure", overflow="fold")
    for name in ("A", "B", "difference", "95 %", "chance"):
        table.add_column(name, justify="right", overflow="fold")
    table.add_column("verdict", overflow="fold")
    group = ""
    for row in found.rows:
        if group and row.group != group:
            table.add_section()
        group = row.group
        unit = f" ({row.unit})" if row.unit else ""
        one = row.difference
        table.add_row(
            f"{row.name}{unit}", value(row.a, row.digits), value(row.b, row.digits), signed(one.size, row.digits),
            interval(one.low, one.high, row.digits), chance(one.chance), verdict(row),
            style="bold" if row in found.told else "",
        )  # fmt: skip
    return table


def _named(one: Any) -> str:
    return f"{one.name} of {one.machine}, {day_of(one.session.begun_ms)} UTC"


def files_tables(changes: MachineChanges) -> Iterator[Table | str]:
    """Fields, derived numbers, warnings, what has to be done anew."""
    if not changes.fields:
        yield "no field differs"
        return
    yield _changes("fields that differ (p: schedules are made from it)", changes.fields)
    if changes.numbers:
        yield _changes("derived numbers that change", changes.numbers)
    for what, warnings in (
        ("no longer warned of", changes.warnings_gone),
        ("warned of", changes.warnings_come),
    ):
        for one in warnings:
            yield f"{what}: {one}"
    yield from changes.anew


def _changes(title: str, changes: tuple[Change, ...]) -> Table:
    from controller.report.comparewords import plain

    table = plain_table(title)
    table.add_column("", no_wrap=True)
    table.add_column("field" if any(one.plan for one in changes) else "", overflow="fold")
    table.add_column("unit", no_wrap=True)
    for name in ("old", "new"):
        table.add_column(name, justify="right", overflow="fold")
    for one in changes:
        table.add_row("p" if one.plan else "", one.where, one.unit, plain(one.old), plain(one.new))
    return table


def trends_tables(found: Trends) -> Table:
    """One row a figure; groups apart."""
    from controller.report.comparewords import chance, interval, signed, value
    from controller.report.pieces import NONE

    read = found.read
    table = plain_table(
        f"{read.job or read.machine}: {counted(len(read.sessions), 'session')}; change a session, or a measuring"
    )
    table.add_column("figure", overflow="fold")
    for name in ("first", "last", "change", "95 %", "chance", "n"):
        table.add_column(name, justify="right", overflow="fold")
    table.add_column("verdict", overflow="fold")
    group = ""
    for one in found.series:
        if group and one.figure.group != group:
            table.add_section()
        group = one.figure.group
        unit = f" ({one.figure.unit})" if one.figure.unit else ""
        digits, trend = one.figure.digits, one.trend
        table.add_row(
            f"{one.figure.name}{unit}", value(float(one.values[0]), digits), value(float(one.values[-1]), digits),
            signed(trend.slope, digits + 1), interval(trend.low, trend.high, digits + 1), chance(trend.chance),
            str(trend.n), one.verdict or NONE, style="bold" if one in found.told else "",
        )  # fmt: skip
    return table
