"""``giornata stop``: the guard stops the axes at once and latches. Works while the service hangs. No logic."""

from __future__ import annotations

from typing import Annotated

import typer

from controller.cli.console import JsonOption, StateOption, emit, out
from controller.cli.options import MachineOption


def stop(
    machine: MachineOption,
    reason: Annotated[
        str, typer.Option("--reason", help="Why; kept with the latch.")
    ] = "a person asked for it",
    gently: Annotated[
        bool,
        typer.Option(
            "--gently",
            help="On the path, pen up, no latch; at once when the service does not answer within a second.",
        ),
    ] = False,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Stop the axes at once and latch; nothing moves until giornata clear."""
    from controller.session.stopwords import came_of
    from controller.session.verbs import stop as stop_verb
    from safety.words import LEASE_WORDS

    answer = stop_verb(machine, state, reason=reason, gently=gently)
    done = came_of(answer)
    if answer["kind"] == "immediate" and (failure := done.failure()) is not None:
        raise failure
    if as_json:
        emit({"ok": True, **answer})
        return
    if answer["kind"] == "controlled":
        out().print("stopping on the path, pen up; giornata stop stops at once", soft_wrap=True)
        return
    if answer["why_at_once"]:
        out().print(f"stopped at once, since {answer['why_at_once']}", soft_wrap=True)
    out().print(
        f"stopped: {done.words} ({answer.get('latch')}); look at the machine, then giornata clear",
        soft_wrap=True,
    )
    lease = str(answer.get("lease"))
    if lease in ("never given", "given back") and answer.get("standstill") != "proved":
        out().print(LEASE_WORDS[lease], soft_wrap=True)
