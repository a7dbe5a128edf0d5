"""``giornata prepare``: a job to strokes and schedules, ready to paint. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from controller.cli.console import (
    JobArgument,
    JsonOption,
    StateOption,
    emit,
    out,
    progress,
    warn_of_skipped,
)
from controller.cli.options import MachineOption


def prepare(
    job: JobArgument,
    machine: MachineOption,
    folder: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", help="Where to prepare it; in the machine's state if not given."
        ),
    ] = None,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Turn a job into strokes and ticks, all inputs checked. Nothing moves."""
    from rich.table import Table

    from controller.session import verbs
    from controller.session.prepare import prepare as prepare_job

    place = folder if folder is not None else verbs.default_prepared(job, machine, state)
    with progress(quiet=as_json) as bar:
        task = bar.add_task("reading", total=1.0)

        def show(ink: str, stage: str, fraction: float) -> None:
            bar.update(task, description=f"{ink} {stage}".strip(), completed=fraction)

        prepared = prepare_job(job, machine, place, show)
    record = prepared.record
    if as_json:
        answer: dict[str, Any] = record.model_dump(mode="json")
        emit({"ok": True, "folder": str(prepared.folder), **answer})
        return
    table = Table(
        "ink", "strokes", "metres", "minutes", "ticks", "plan", title=f"{record.job} for {record.machine}"
    )
    for ink in record.inks:
        table.add_row(
            ink.name,
            str(ink.strokes),
            f"{ink.metres:.2f}",
            f"{ink.seconds / 60:.1f}",
            str(ink.ticks),
            ink.digest[:12],
        )
    out().print(table)
    warn_of_skipped(record.skipped)
    out().print(f"prepared in {prepared.folder}", soft_wrap=True)
