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
    warn,
    warn_of_skipped,
)
from controller.cli.options import WORKERS, MachineOption
from controller.cli.stages import stages
from controller.config.counting import counted


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
    """Turn a job into strokes, passes and ticks, all inputs checked. Nothing moves.

    What was worked out before is kept beside the prepared folder, so that only what has changed is worked out again.
    """
    from controller.cli.tables import inks_table, prepared_table
    from controller.config.load import load_job, load_machine
    from controller.session import verbs
    from controller.session.pens import measured_factors, width_words
    from controller.session.prepare import prepare as prepare_job

    if folder is None:
        verbs.session_state_of(machine, state)  # else planned into a folder that no session can open
    place = folder if folder is not None else verbs.default_prepared(job, machine, state)
    with stages("reading", quiet=as_json) as show:
        named, wall = load_job(job), load_machine(machine)
        factors = measured_factors(verbs.state_of(machine, state), wall.name, named)
        prepare_job(job, machine, place, show, workers=WORKERS, tip_factors=factors)
        # Where marks were measured, the schedules follow the register map in force.
        prepared = verbs.prepared_for(
            job, machine, place, show, lambda _note: None, workers=WORKERS, state_root=state
        )
    record = prepared.record
    if as_json:
        answer: dict[str, Any] = record.model_dump(mode="json")
        totals = {
            "passes": len(record.passes),
            "metres": record.metres,
            "minutes": record.seconds / 60.0,
            "breaks_minutes": record.breaks_minutes,
            "pens": record.pens,
            "pen_changes": record.pen_changes,
        }
        emit({"ok": True, "folder": str(prepared.folder), "totals": totals, **answer})
        return
    out().print(prepared_table(record))
    out().print(inks_table(record))
    for line in width_words(named, factors):
        out().print(line, soft_wrap=True)
    for one in record.passes:
        if one.too_long:
            warn(
                f"{one.name}: a stroke of {one.metres:.1f} m and {one.seconds / 60.0:.1f} min passes the limits",
                code="pass-too-long",
            )
        if one.wet_strokes:
            warn(
                f"{one.name}: {counted(one.wet_strokes, 'stroke meets', 'strokes meet')} paint that is not dry; "
                f"{one.wet_minutes:.0f} min more would do",
                code="pass-wet",
            )
    warn_of_skipped(record.skipped)
    out().print(f"prepared in {prepared.folder}", soft_wrap=True)
