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
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Stop the axes at once and latch; nothing moves until giornata clear."""
    from controller.config.errors import RefusedError
    from controller.session.verbs import person_name, state_of
    from safety import client

    folder = state_of(machine, state)
    try:
        answer = client.request_stop(folder.stop_socket, reason, person_name())
    except client.GuardUnreachableError as error:
        raise RefusedError(
            f"no guard runs for this machine, so no session of ours moves it ({error})",
            "if the machine moves all the same, use its emergency stop",
        ) from None
    if as_json:
        emit({"ok": True, **answer})
        return
    out().print(
        f"stopped: stop bytes are out and the latch stands ({answer.get('latch')}); "
        "look at the machine, then giornata clear",
        soft_wrap=True,
    )
