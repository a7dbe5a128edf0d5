"""``giornata today``: one printable page for the wall: what is painted today, what to do at a halt. No logic."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from controller.cli.console import JobArgument, JsonOption, StateOption, emit, out, warn
from controller.cli.options import WORKERS, MachineOption
from controller.cli.stages import noted, stages
from controller.config.counting import counted

if TYPE_CHECKING:
    from rich.table import Table

    from controller.report.today import Today


def today(
    job: JobArgument,
    machine: MachineOption,
    ink: Annotated[
        list[str] | None,
        typer.Option("--ink", metavar="NAME", help="This ink's passes only; may be given again."),
    ] = None,
    named: Annotated[
        list[str] | None,
        typer.Option("--pass", metavar="NAME", help="This pass only, or a mend's; may be given again."),
    ] = None,
    hours: Annotated[float, typer.Option("--hours", metavar="H", help="How long the day is.")] = 8.0,
    begin: Annotated[
        str | None,
        typer.Option(
            "--begin", metavar="HH:MM", help="When the first pass begins; times are then the clock's."
        ),
    ] = None,
    file: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Where to write it; in the machine's state if not given."),
    ] = None,
    paper: Annotated[Literal["a4", "letter"], typer.Option("--paper", help="What it is printed on.")] = "a4",
    prepared_folder: Annotated[
        Path | None,
        typer.Option(
            "--prepared", metavar="DIR", help="The job as prepared; in the machine's state if not given."
        ),
    ] = None,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a page for the wall: today's passes and pens, marks, register, what is due, what to do when it halts.

    The passes are those that giornata paint would paint, as many as fit into the day. Nothing moves.
    """
    from datetime import datetime

    from controller.report.files import write_named
    from controller.report.today import begin_of, today_of
    from controller.report.todaypage import page
    from controller.report.todaypicture import drawing, picture_of
    from controller.session import mends, verbs

    begins, folder = begin_of(begin, job), verbs.state_of(machine, state)
    place = prepared_folder if prepared_folder is not None else verbs.default_prepared(job, machine, state)
    with stages("preparing", quiet=as_json) as show:
        note = noted(quiet=as_json)
        prepared = mends.asked_for(job, machine, folder, named or (), show, note) or verbs.prepared_for(
            job, machine, place, show, note, workers=WORKERS, state_root=state
        )
        found = today_of(
            prepared, job, machine, folder, at=datetime.now().astimezone(), hours=hours, begin=begins,
            inks=ink or (), passes=named or (),
        )  # fmt: skip
        made = page(found, drawing(found, picture_of(found, prepared)), paper)
    path = file if file is not None else folder.reports / f"today-{found.job}.html"
    write_named(path, made)
    if as_json:
        answer: dict[str, Any] = asdict(found)
        answer["at"], answer["begin"] = found.at.isoformat(timespec="seconds"), begin
        emit({"ok": True, "file": path, **answer})
        return
    for line in found.barred:
        warn(line, code="today-barred")
    out().print(_table(found))
    out().print(f"page: {path}", soft_wrap=True)


def _table(found: Today) -> Table:
    """One row a pass of the day."""
    from rich.text import Text

    from controller.cli.tables import plain_table
    from controller.report.todaypage import clock, duration

    begins = "begins" if found.begin is not None else "after"
    table = plain_table(f"{found.job} on {found.machine}, {found.at:%Y-%m-%d}")
    table.add_column("pass", no_wrap=True)
    for name in ("strokes", "metres", "takes", begins):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("pen", no_wrap=True)
    table.add_column("")
    for one in found.passes:
        on = (
            ""
            if one.goes_on is None
            else f"goes on with stroke {one.goes_on.stroke + 1} of {one.goes_on.of_strokes}"
        )
        table.add_row(
            Text(one.name),
            str(one.strokes),
            f"{one.metres:.2f}",
            duration(one.seconds),
            clock(found, one.begin_s),
            "fresh" if one.fresh_pen else "same",
            "begun from another plan" if one.other_plan else on,
        )
    changes = counted(found.pen_changes, "pen change")
    table.caption = (
        f"{duration(found.seconds)} with breaks, {changes}; {found.done} done, {found.later} later"
    )
    return table
