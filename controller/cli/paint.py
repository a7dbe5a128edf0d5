"""``giornata paint``: paint a job's inks, one pass after another, going on where it was left. No logic."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from controller.cli.console import JobArgument, JsonOption, StateOption, emit, err, out
from controller.cli.options import WORKERS, MachineOption, VirtualOption, YesOption
from controller.cli.stages import stages


def paint(
    job: JobArgument,
    machine: MachineOption,
    ink: Annotated[
        list[str] | None,
        typer.Option(
            "--ink",
            metavar="NAME",
            help="Paint this ink's passes only; may be given again. All if not given.",
        ),
    ] = None,
    named: Annotated[
        list[str] | None,
        typer.Option(
            "--pass",
            metavar="NAME",
            help="Paint this pass only, such as teal-2 or a mend's; may be given again.",
        ),
    ] = None,
    again: Annotated[bool, typer.Option("--again", help="Paint anew what is painted or begun.")] = False,
    prepared_folder: Annotated[
        Path | None,
        typer.Option(
            "--prepared", metavar="DIR", help="The job as prepared; in the machine's state if not given."
        ),
    ] = None,
    state: StateOption = None,
    yes: YesOption = False,
    virtual: VirtualOption = False,
    as_json: JsonOption = False,
) -> None:
    """Paint a job: for every pass the pen, homing, then its strokes. Ctrl-C stops on the path, twice stops at once.

    A pass that was stopped goes on with its first unfinished stroke. giornata pause, from another terminal, parks the
    head for a look.
    """
    from controller.cli.sitting import operator_for, runner_for, until_stopped
    from controller.cli.tables import passes_table
    from controller.cli.watching import TerminalWatcher
    from controller.session import mends, remote, verbs
    from controller.session.figures import figures_of

    folder = verbs.session_state_of(machine, state)
    place = prepared_folder if prepared_folder is not None else verbs.default_prepared(job, machine, state)
    with TerminalWatcher(err(), quiet=as_json) as watcher:
        with stages("preparing", quiet=as_json) as show:
            prepared = mends.asked_for(
                job, machine, folder, named or (), show, watcher.note
            ) or verbs.prepared_for(
                job, machine, place, show, watcher.note, workers=WORKERS, state_root=state
            )
        with until_stopped(as_json=as_json, onward="giornata paint goes on from there"):
            done = verbs.run(
                remote.paint(
                    prepared, machine, state, operator_for(yes), watcher, inks=ink or (), passes=named or (),
                    again=again, virtual=virtual, runner_of=runner_for(virtual),
                )
            )  # fmt: skip
    figures = figures_of(done.state, done.session)
    if as_json:
        emit({"ok": True, "session": done.session, "passes": [asdict(one) for one in figures]})
        return
    if figures:
        out().print(passes_table(figures))
    out().print(f"session {done.session}: giornata report makes its report")
