"""``giornata drift``: what all homings say of the machine, and what a person found who looked at it. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from controller.cli.console import JsonOption, StateOption, emit, out
from controller.cli.options import MachineOption


def drift(
    machine: MachineOption,
    job: Annotated[
        Path | None,
        typer.Argument(
            metavar="[JOB]", help="Job file: what its traps allow. The job painted last if not given."
        ),
    ] = None,
    looked: Annotated[
        str | None,
        typer.Option(
            "--looked",
            metavar="TEXT",
            help="You have looked at the machine after a jump: what you found and did.",
        ),
    ] = None,
    found: Annotated[
        Literal["belt", "switch", "unknown"],
        typer.Option(
            "--found",
            help="With --looked: what had moved. A belt or pulley leaves the traps alone: homing makes up for it.",
        ),
    ] = "unknown",
    png: Annotated[
        Path | None, typer.Option("--png", metavar="FILE", help="Write the charts as a picture.")
    ] = None,
    rows: Annotated[
        int, typer.Option("--rows", min=0, help="So many homings are listed, the last ones.")
    ] = 20,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show how the switches' places have gone over all homings: scatter, slow drift, jumps; and what the traps allow.

    Painting is refused after a jump until somebody has looked (--looked). Nothing moves.
    """
    from rich.markup import escape

    from controller.cli.tables import drift_table
    from controller.session import looking, verbs
    from controller.session.drifting import drift_json

    if looked is not None:
        looking.look(machine, state, cause=found, reason=looked, person=verbs.person_name())
    seen = looking.drift(machine, state, job)
    if seen is not None and png is not None:
        from controller.report.driftplot import drift_png

        png.write_bytes(drift_png(seen))
    if as_json:
        emit({"ok": True, "drift": None if seen is None else drift_json(seen)})
        return
    console = out()
    if seen is None:
        console.print("no homing was accepted yet: giornata home")
        return
    if rows:
        console.print(drift_table(seen, rows))
    for line in seen.lines:
        console.print(escape(line), soft_wrap=True)
    if seen.open_jumps:
        console.print("[bold]painting is refused until somebody has looked[/] (--looked)", soft_wrap=True)
