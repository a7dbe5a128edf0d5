"""``giornata report``: a session's report from its journal and logs. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from controller.cli.console import JsonOption, StateOption, emit, out, progress
from controller.cli.options import MachineOption


def report(
    machine: MachineOption,
    session: Annotated[
        int | None,
        typer.Option("--session", metavar="N", help="The session; the last that painted if not given."),
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Where to write it; in the machine's state if not given."),
    ] = None,
    parquet: Annotated[
        bool,
        typer.Option("--parquet", help="Write every table as Parquet as well; needs the extra 'tables'."),
    ] = False,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a session's report: what is painted, errors over time and on the canvas, pens, homings, register, stops."""
    from controller.report.build import build_report
    from controller.session import verbs

    place = verbs.state_of(machine, state)
    number = session if session is not None else verbs.last_painting_session(place)
    with progress(quiet=as_json) as bar:
        bar.add_task(f"session {number}", total=None)
        files = build_report(
            place.root,
            number,
            folder if folder is not None else place.reports / f"{number:04d}",
            parquet=parquet,
        )
    answer: dict[str, Any] = verbs.paths_of(files)
    if as_json:
        emit({"ok": True, "session": number, **answer})
        return
    for name, path in answer.items():
        out().print(f"{name}: {path}", soft_wrap=True)
