"""``giornata status``: how the machine stands, from the running service or from what it left behind. No logic."""

from __future__ import annotations

from typing import Annotated

import typer

from controller.cli.console import JsonOption, StateOption, emit, explained_by, out
from controller.cli.options import MachineOption


def status(
    machine: MachineOption,
    follow: Annotated[
        bool, typer.Option("--follow", "-f", help="Stay and show what happens, until q or Ctrl-C.")
    ] = False,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show the daemon's state, the latch, registration and the passes."""
    from rich.markup import escape

    from controller.config.errors import stop_code
    from controller.session import verbs
    from controller.session.standing import question

    if follow:
        from controller.cli.following import show

        show(machine, state, as_json=as_json)
        return
    answer = verbs.status(machine, state)
    if as_json:
        emit({"ok": True, **answer})
        return
    console = out()
    console.print(f"{answer['machine']}: [bold]{answer['state']}[/]", soft_wrap=True)
    latch = answer["latch"]
    if latch is not None:
        console.print(
            f"latched {latch['wall_time']}: {latch['text']} ({latch['reason']}), "
            f"standstill {latch['standstill_words']}",
            soft_wrap=True,
        )
        explained_by(stop_code(latch["reason"]))
    service = answer["service"]
    if service is not None and service["session"] is None:
        console.print(f"a service runs (pid {service['pid']}, {service['clock']} time): {service['what']}")
    elif service is not None:
        ticks = f", {service['ticks_sent']} of {service['ticks']} ticks" if service["ticks"] else ""
        console.print(
            f"session {service['session']}, pid {service['pid']}: {service['what']}, "
            f"{service['strokes_finished']} of {service['strokes']} strokes{ticks}",
            soft_wrap=True,
        )
        prompt = service.get("prompt")
        if prompt is not None:
            console.print(f"asks: {escape(question(prompt))}", soft_wrap=True)
        if prompt is not None and prompt["kind"] == "pause":
            console.print(f"answer with giornata pause --then {', '.join(prompt['choices'])}", soft_wrap=True)
        return
    if answer["trouble"]:
        console.print(f"[yellow]{answer['trouble']}[/]", soft_wrap=True)
    console.print(
        f"{'registered' if answer['registered'] else 'not registered'}: {answer['why']}", soft_wrap=True
    )
    for line in answer["drift"]["short"] if answer["drift"] is not None else ():
        console.print(f"drift: {escape(line)}", soft_wrap=True)
    for one in answer["register_maps"]:
        console.print(f"register map {one['id']} for {one['job']}: {escape(one['lines'][0])}", soft_wrap=True)
    for one in answer["passes"]:
        console.print(
            f"  {one['job']} {one['pass']}: {one['state']}, {one['strokes_finished']} of {one['strokes']} strokes"
        )
        for line in one["account"]:
            console.print(f"    {escape(line)}", soft_wrap=True)
