"""``giornata commission``: the guided bring-up, step by step, and how it stands. No logic."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Literal

import typer

from controller.cli.console import Exit, JsonOption, StateOption, emit, err, explained_by, out
from controller.cli.options import MachineOption, VirtualOption

if TYPE_CHECKING:
    from controller.session.commission import StepStatus


COMMISSION_FAILED: Final = "commission-failed"
"""The catalogue's entry for a step that does not hold."""


def commission(
    machine: MachineOption,
    step: Annotated[
        str, typer.Option("--step", metavar="NAME", help="This step alone; those before it must hold.")
    ] = "",
    again: Annotated[bool, typer.Option("--again", help="With --step: though it holds.")] = False,
    show: Annotated[
        bool, typer.Option("--show", help="Only show how every step stands. Nothing moves.")
    ] = False,
    write: Annotated[
        Literal["ask", "never"],
        typer.Option(
            "--write", help="Whether you are asked to have measured values written into the machine file."
        ),
    ] = "ask",
    state: StateOption = None,
    virtual: VirtualOption = False,
    as_json: JsonOption = False,
) -> None:
    """From first power to a machine that homes and follows: stops proved by hand, directions, counts, limits, homing.

    Goes on where it was left. On a real wire nothing moves by any verb before the stops are proved. Read
    docs/commissioning.md first; somebody stands at the emergency stop. The machine moves.
    """
    from controller.cli.sitting import runner_for
    from controller.cli.watching import TerminalWatcher
    from controller.config.errors import InputError, Mistake
    from controller.session import commission as work
    from controller.session import verbs
    from controller.session.commissionask import TerminalQuestioner

    if step and step not in work.NAMES:
        raise InputError(
            [Mistake(machine, "--step", f"one of {', '.join(work.NAMES)}", step, code="option-value")]
        )
    if show:
        standing = work.how_it_stands(machine, state)
        if as_json:
            emit({"ok": True, "steps": [_json(one) for one in standing]})
        else:
            _print(standing, whole=True)
        return
    with TerminalWatcher(err(), quiet=as_json) as watcher:
        questioner = TerminalQuestioner(err(), verbs.person_name(), before=watcher.rest, virtual=virtual)
        done = verbs.run(
            work.commission(
                machine, state, questioner, watcher,
                only=step, again=again, write=write, runner_of=runner_for(virtual),
            )
        )  # fmt: skip
    if as_json:
        emit({
            "ok": not done.why, "ended": done.ended, "stopped_at": done.stopped_at, "why": done.why,
            "code": COMMISSION_FAILED if done.why else "",
            "steps": [_json(one) for one in done.standing],
        })  # fmt: skip
    else:
        _print(done.standing, whole=False)
        if done.why:
            err().print(f"{done.stopped_at}: {done.why}", markup=False, soft_wrap=True)
            err().print("giornata commission goes on there.")
            explained_by(COMMISSION_FAILED)
    if done.why:
        codes = {"halted": Exit.HALTED, "drive": Exit.DRIVE, "interrupted": Exit.INTERRUPTED}
        raise typer.Exit(codes.get(done.ended, Exit.REFUSED))


def _json(one: StepStatus) -> dict[str, object]:
    row = one.last
    last = None if row is None else {
        "at_ms": row.at_ms, "state": row.state, "person": row.person, "words": list(row.words), "session": row.session,
    }  # fmt: skip
    return {"step": one.name, "holds": one.holds, "last": last}


def _print(standing: tuple[StepStatus, ...], *, whole: bool) -> None:
    """``whole``: with what every step found, not only those that failed."""
    from rich.table import Table
    from rich.text import Text

    from controller.session.drifting import day

    table = Table("step", "stands", "on", "by", "said")
    for one in standing:
        row = one.last
        if row is None:
            table.add_row(one.name, "to do", "", "", "")
            continue
        stands = (
            row.state if one.holds or row.state == "failed" else "to do again: the machine file has changed"
        )
        table.add_row(
            one.name,
            stands,
            day(row.at_ms),
            Text(row.person),
            Text("\n".join(row.words) if whole or row.state == "failed" else ""),
        )
    out().print(table)
