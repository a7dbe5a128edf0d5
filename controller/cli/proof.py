"""``giornata proof``: a job's predicted picture, how much of it is covered, and where canvas may show. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from controller.cli.console import (
    JobArgument,
    JsonOption,
    StateOption,
    emit,
    out,
    warn,
    warn_of_skipped,
)
from controller.cli.options import MachineOption
from controller.cli.stages import noted, stages

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.table import Table

    from controller.report.coverage import InkCoverage


def proof(
    job: JobArgument,
    machine: MachineOption,
    folder: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Where to write it; in the machine's state if not given."),
    ] = None,
    px_per_mm: Annotated[
        float | None,
        typer.Option(
            "--px-per-mm",
            metavar="N",
            help="Pixels a millimetre of the pictures; if not given, 4000 pixels along the longer side.",
            show_default=False,
        ),
    ] = None,
    register_error: Annotated[
        float | None,
        typer.Option(
            "--register-error",
            metavar="MM",
            help="Show where canvas may show when one ink is off by up to this, in any direction.",
            show_default=False,
        ),
    ] = None,
    prepared_folder: Annotated[
        Path | None,
        typer.Option(
            "--prepared", metavar="DIR", help="The job as prepared; in the machine's state if not given."
        ),
    ] = None,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show a job before any paint is opened: pictures at true scale, coverage by ink, gaps. Nothing moves."""

    from controller.report.coverage import rows
    from controller.report.proof import build_proof, gaps_json
    from controller.session import verbs

    place = prepared_folder if prepared_folder is not None else verbs.default_prepared(job, machine, state)
    with stages("preparing", quiet=as_json) as show:
        note = noted(quiet=as_json)
        prepared = verbs.prepared_for(job, machine, place, show, note, state_root=state)
        if folder is None:
            folder = verbs.state_of(machine, state).root / "proofs" / prepared.record.job
        made = build_proof(
            prepared, job, folder, px_per_mm, register_error, lambda what, done: show("", what, done)
        )
    files = verbs.paths_of(made.files)
    if as_json:
        gaps = None if made.gaps is None else gaps_json(made.gaps)
        emit(
            {
                "ok": True,
                "job": prepared.record.job,
                "px_per_mm": made.px_per_mm,
                "coverage": rows(made.coverage),
                "gaps": gaps,
                "skipped": [one.model_dump(mode="json") for one in prepared.record.skipped],
                "files": files,
            }
        )
        return
    out().print(_table(made.coverage))
    if made.gaps is not None:
        out().print(made.gaps.words, soft_wrap=True)
    warn_of_skipped(prepared.record.skipped[:SKIPPED_SHOWN])
    if (more := len(prepared.record.skipped) - SKIPPED_SHOWN) > 0:
        warn(
            f"{more} more are not painted, or not as drawn: the page lists them", code="artwork-more-skipped"
        )
    out().print(f"page: {made.files.page}", soft_wrap=True)


SKIPPED_SHOWN = 20
"""Elements that are warned of one by one."""


def _table(found: Sequence[InkCoverage]) -> Table:
    """One row an ink."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    table = Table(
        title="coverage: areas in mm2, shares in %",
        box=SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1, 0, 0),
        title_justify="left",
    )
    table.add_column("ink")
    for name in ("wanted", "covered %", "bare", "beside it", "error up to", "by pixels %"):
        table.add_column(name, justify="right", no_wrap=True)
    for one in found:
        exact = one.exact
        table.add_row(
            Text(one.ink),
            f"{exact.wanted_mm2:.0f}",
            f"{100 * exact.share:.3f}",
            f"{exact.bare_mm2:.1f}",
            f"{exact.outside_mm2:.1f}",
            f"{exact.error_mm2:.1f}",
            f"{100 * one.raster.share:.2f}",
        )
    return table
