"""``giornata marks``: steer the tip on to a job's register marks, put the map through them in force. No logic."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from controller.cli.console import JobArgument, JsonOption, StateOption, emit, err, out
from controller.cli.options import MachineOption, VirtualOption


def marks(
    job: JobArgument,
    machine: MachineOption,
    withdraw: Annotated[
        bool,
        typer.Option(
            "--withdraw",
            help="Measure nothing: the canvas lies where the machine file says, or is another one.",
        ),
    ] = False,
    state: StateOption = None,
    virtual: VirtualOption = False,
    as_json: JsonOption = False,
) -> None:
    """Measure where the canvas lies by its register marks. The machine moves, pen up, each step at your word.

    After homing the head goes to every mark; jog it on to the mark, or type how far off the mark lies. The map through
    all marks is shown with what it leaves over; on your yes all later passes are planned under it.
    """
    from controller.cli.sitting import operator_for, runner_for, until_stopped
    from controller.cli.tables import marks_table
    from controller.cli.watching import TerminalWatcher
    from controller.session import registering, remote, verbs
    from controller.session.steering import TerminalSteerer

    if withdraw:
        row = verbs.run(remote.withdraw(job, machine, state, verbs.person_name()))
        if as_json:
            emit({"ok": True, "kept": {"id": row.id, "matrix": row.matrix}, "lines": list(row.summary)})
        else:
            out().print("\n".join(row.summary), soft_wrap=True)
        return

    def show(measured: Any, found: Any, lines: Any) -> None:
        steerer.rest()
        if as_json:
            return
        out().print(marks_table(measured, found))
        for line in lines:
            out().print(line, soft_wrap=True)

    verbs.session_state_of(machine, state)  # said before a terminal is asked for
    with (
        TerminalSteerer(err()) as steerer,
        TerminalWatcher(err(), quiet=as_json) as watcher,
        until_stopped(as_json=as_json),
    ):
        done = verbs.run(
            remote.marks(
                job, machine, state, operator_for(False), steerer, watcher, verbs.person_name(), show=show,
                virtual=virtual, runner_of=runner_for(virtual),
            )
        )  # fmt: skip
    if as_json:
        emit({"ok": True, **registering.marks_json(done)})
    elif done.kept is None:
        out().print("nothing was changed: the map in force stays")
    else:
        out().print(f"register map {done.kept.id} is in force for {done.kept.job}")
