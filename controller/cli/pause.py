"""``giornata pause``: park the head in the middle of a pass for a look, and say how it goes on. No logic."""

from __future__ import annotations

from enum import Enum
from typing import Annotated

import typer

from controller.cli.console import JsonOption, StateOption, emit, out
from controller.cli.options import MachineOption


class At(Enum):
    """Where the pass comes to rest."""

    STROKE_END = "stroke-end"
    PATH = "path"


class Then(Enum):
    """How it goes on."""

    GO_ON = "go-on"
    HOME = "home"
    STOP = "stop"


def pause(
    machine: MachineOption,
    at: Annotated[
        At,
        typer.Option("--at", help="Rest when the stroke in work is painted, or at once on its path, pen up."),
    ] = At.STROKE_END,
    park: Annotated[
        tuple[float, float] | None,
        typer.Option(
            "--park", metavar="X Y", help="Park there, axis mm; at the machine's park place if not given."
        ),
    ] = None,
    then: Annotated[
        Then | None,
        typer.Option(
            "--then", help="Answer a pause: go on, touch the reference again and go on, or stop here."
        ),
    ] = None,
    wait: Annotated[
        bool,
        typer.Option("--wait/--no-wait", help="Wait until the head is parked; Ctrl-C ends the wait alone."),
    ] = True,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Pause the running pass for a look: pen up, head parked, motors held. With --then say how it goes on.

    A second request with --at path comes to rest sooner. To stop is giornata stop.
    """
    from rich.markup import escape

    from controller.session import verbs

    if then is not None:
        if park is not None:
            raise typer.BadParameter("--park goes with a request to pause, not with its answer")
        said = verbs.answer_pause(machine, state, then.value)
        if as_json:
            emit({"ok": True, **said})
            return
        words = {"go-on": "going on", "home": "homing, then going on", "stop": "the session ends here"}
        out().print(words[then.value])
        return
    said = verbs.pause(machine, state, at=at.value, park_mm=park)
    if as_json:
        emit({"ok": True, **said, **(verbs.parked(machine, state) if wait else {})})
        return
    where = "on the path" if said["at"] == "path" else "when the stroke in work is painted"
    out().print(f"pausing {where}; then the head parks", soft_wrap=True)
    if wait:
        there = verbs.parked(machine, state)
        if not there["paused"]:
            out().print("nothing is paused: the session ended first, or somebody has answered already")
            return
        out().print(f"paused. {escape(there['question'])}", soft_wrap=True)
    out().print("answer with giornata pause --then go-on, home or stop", soft_wrap=True)
