"""``giornata trend``: every figure over all sessions of a painting, and what goes the wrong way. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from controller.cli.console import JsonOption, StateOption, emit, out, progress, warn
from controller.cli.options import MachineOption


def trend(
    machine: MachineOption,
    job: Annotated[
        str | None, typer.Option("--job", metavar="NAME", help="Sessions of this job only; all if not given.")
    ] = None,
    last: Annotated[
        int | None, typer.Option("--last", metavar="N", help="The last N sessions only.", min=1)
    ] = None,
    html: Annotated[
        Path | None,
        typer.Option("--html", metavar="FILE", help="Write one self-contained page with charts as well."),
    ] = None,
    csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Write the sessions' figures as CSV as well.")
    ] = None,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show how timing, errors, homing, register, pens and stops go over a painting, and say what goes the wrong way.

    Every session that painted is a point. A trend is named only where it is more than scatter. Nothing moves.
    """
    from controller.cli.comparetables import trends_tables
    from controller.config.load import load_machine
    from controller.report.files import write_named
    from controller.report.trend import trends
    from controller.report.trendread import read_trend
    from controller.report.trendwords import lines, trends_csv, trends_json
    from controller.session import verbs

    with progress(quiet=as_json) as bar:
        task = bar.add_task("reading sessions", total=None)

        def tell(done: int, of: int) -> None:
            bar.update(task, completed=done, total=of)

        found = trends(read_trend(load_machine(machine), verbs.state_of(machine, state), job, last, tell))
        if html is not None:
            from controller.report.trendpage import write_trends

            write_trends(html, found)
        if csv is not None:
            write_named(csv, trends_csv(found))
    if as_json:
        emit({"ok": True, **trends_json(found), "html": html, "csv": csv})
        return
    out().print(trends_tables(found))
    for line in lines(found):
        out().print(line, soft_wrap=True, markup=False)
    for note in found.notes:
        warn(note, code="compare-left-out")
    for name, path in (("html", html), ("csv", csv)):
        if path is not None:
            out().print(f"{name}: {path}", soft_wrap=True)
