"""``giornata clear``: a person has looked at the machine and clears the latch. No logic."""

from __future__ import annotations

from typing import Annotated

import typer

from controller.cli.console import JsonOption, StateOption, emit, explained_by, out
from controller.cli.options import MachineOption


def clear(
    machine: MachineOption,
    reason: Annotated[
        str | None,
        typer.Option("--reason", metavar="CODE", help="The latched reason code that you have seen."),
    ] = None,
    by: Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who clears it.")] = None,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Clear a latched stop after looking at the machine. It has to be homed afterwards.

    Without --reason the latched reason is shown and asked about.
    """
    import sys

    from controller.config.errors import RefusedError, stop_code
    from controller.session import remote, verbs
    from safety import latch

    standing = latch.read(verbs.state_of(machine, state).latch)
    if standing is None:
        raise RefusedError("no latch stands", "nothing has to be cleared", code="no-latch")
    if reason is None:
        if not sys.stdin.isatty():
            raise RefusedError(
                f"a person has to clear it: {standing.text}",
                f"on a terminal, or with --reason {standing.reason} --by NAME",
                code="latch-needs-person",
            )
        out().print(f"latched {standing.wall_time}: {standing.text} ({standing.reason})", soft_wrap=True)
        if standing.detail:
            out().print(standing.detail, soft_wrap=True)
        out().print(f"standstill: {standing.standstill_words()}", soft_wrap=True)
        explained_by(stop_code(standing.reason))
        if not typer.confirm("Have you looked at the machine, and may it move again?"):
            raise RefusedError("not cleared", "the latch stands", code="latch-needs-person")
        reason = standing.reason
    kept = verbs.run(remote.clear(machine, state, reason=reason, person=by or verbs.person_name()))
    if as_json:
        emit({"ok": True, "kept": str(kept), "next": "giornata home"})
        return
    out().print(f"cleared ({kept}); now giornata home", soft_wrap=True)
