"""``giornata maintenance``: what the machine has done since each part was inspected, and what is due. No logic."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from controller.cli.console import JsonOption, StateOption, emit, out, warn
from controller.cli.options import MachineOption
from controller.config.counting import counted


def maintenance(
    machine: MachineOption,
    inspected: Annotated[
        list[str] | None,
        typer.Option(
            "--inspected",
            metavar="PART",
            help="You have inspected this part, such as belt-x, guides or head; may be given again.",
        ),
    ] = None,
    note: Annotated[
        str, typer.Option("--note", metavar="TEXT", help="With --inspected: what you found and did.")
    ] = "",
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show ways, reversals, hours and pen lifts since each part was inspected, against the machine file's intervals."""
    import contextlib

    from rich.text import Text

    from controller.cli.tables import day_of, plain_table
    from controller.config.load import load_machine
    from controller.session import maintenance as counting
    from controller.session import verbs
    from controller.session.journal import Journal

    settings, place = load_machine(machine), verbs.state_of(machine, state)
    if inspected and place.journal.exists():
        counting.inspect(settings.name, place, inspected, note, verbs.person_name())
    if not place.journal.exists():
        if as_json:
            emit({"ok": True, "parts": [], "reminders": []})
        else:
            out().print("the machine has not moved yet")
        return
    with contextlib.closing(Journal.read(place.journal, settings.name)) as journal:
        found = counting.upkeep(journal, settings, place)
    if as_json:
        parts = [{**asdict(one), "state": one.state} for one in found.counters]
        emit(
            {
                "ok": True,
                "runs": found.runs,
                "parts": parts,
                "reminders": found.reminders,
                "notes": found.notes,
            }
        )
        return
    table = plain_table(f"{settings.name}: {counted(found.runs, 'run')}")
    table.add_column("part", no_wrap=True)
    for name in ("in all", "since", "every"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("inspected", no_wrap=True)
    table.add_column("", no_wrap=True)
    for one in found.counters:
        last = one.inspected
        table.add_row(
            one.part,
            counting.amount(one.total, one.unit),
            counting.amount(one.since, ""),
            "-" if one.interval is None else counting.amount(one.interval, ""),
            Text("-" if last is None else f"{day_of(last.at_ms)}, {last.person}"),
            one.state,
        )
    out().print(table)
    for line in found.notes:
        out().print(line, soft_wrap=True)
    for line in found.reminders:
        warn(line, code="upkeep-due")
