"""``giornata home``: find the switches, judge what was found, register the machine. No logic."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from controller.cli.console import JsonOption, StateOption, emit, err
from controller.cli.options import MachineOption, VirtualOption, YesOption


def home(
    machine: MachineOption,
    state: StateOption = None,
    accept_difference: Annotated[
        bool,
        typer.Option(
            "--accept-difference", help="You have looked: the new place is right, whatever the last was."
        ),
    ] = False,
    yes: YesOption = False,
    virtual: VirtualOption = False,
    as_json: JsonOption = False,
) -> None:
    """Home both axes and compare with the last time. The machine moves."""
    from controller.cli.sitting import operator_for, runner_for, until_stopped
    from controller.cli.watching import TerminalWatcher
    from controller.session import remote, verbs
    from controller.session.drifting import drift_json

    with TerminalWatcher(err(), quiet=as_json) as watcher, until_stopped(as_json=as_json):
        done = verbs.run(
            remote.home(
                machine, state, operator_for(yes), watcher,
                accept_difference=accept_difference, virtual=virtual, runner_of=runner_for(virtual),
            )
        )  # fmt: skip
    if as_json:
        drift = None if done.drift is None else drift_json(done.drift)
        homings = [asdict(row) for row in done.homings]
        emit({"ok": True, "session": done.session, "homings": homings, "drift": drift})
