"""``giornata doctor``: is this computer, this wire, this set of drives ready; what to do where not. No logic."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from controller.cli.console import Exit, JsonOption, StateOption, emit, err, out
from controller.cli.options import MachineOption

if TYPE_CHECKING:
    from controller.session.doctor import Report

_STYLES = {"good": "green", "could be better": "yellow", "must be mended": "bold red", "cannot tell": "dim"}


def doctor(
    machine: MachineOption,
    seconds: Annotated[
        float,
        typer.Option(
            "--seconds", metavar="S", help="How long to measure the timer; 0: not at all.", min=0, max=3600
        ),
    ] = 10.0,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Look at this computer, the wire and the drives; say what to mend. Nothing is enabled, nothing moves.

    Drives are only read from, and not at all while a session runs. Exit code 1 when something must be mended.
    """
    from controller.session.doctor import examine
    from controller.session.doctorfinding import must_be_mended
    from controller.session.doctorwire import answers_json
    from controller.session.verbs import run

    def note(text: str) -> None:
        if not as_json:
            err().print(text, style="dim")

    report: Report = run(examine(machine, state, seconds, note))
    code = Exit.FAILED if must_be_mended(report.findings) else Exit.DONE
    if as_json:
        emit(
            {
                "ok": code is Exit.DONE,
                "exit": int(code),
                "machine": report.machine,
                "simulated": report.is_simulated,
                "findings": [{**asdict(one), "code": one.code} for one in report.findings],
                "drives": [answers_json(one) for one in report.looks],
            }
        )
    else:
        _print(report)
    if code is not Exit.DONE:
        raise typer.Exit(code)


def _print(report: Report) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for one in report.findings:
        words = Text.assemble((one.name, "bold"), f": {one.measured}")
        if one.advice and one.state != "good":
            words.append(f"\n→ {one.advice}", style="italic").append(f" [{one.code}]", style="dim")
        table.add_row(Text(one.state, style=_STYLES[one.state]), words)
    console = out()
    console.print(table)
    counts = [(state, sum(one.state == state for one in report.findings)) for state in _STYLES]
    console.print(f"{report.machine}: " + ", ".join(f"{count} {state}" for state, count in counts if count))
