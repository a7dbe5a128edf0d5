"""Which operator and which runner a command means, and how one ends that a person stops. No logic beyond that."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import typer

from controller.cli.console import Exit, emit, err
from controller.session.daemon import RunnerOf
from controller.session.operator import Operator, SimulatedOperator, TerminalOperator
from controller.session.service import StoppedError


def operator_for(yes: bool) -> Operator:
    """The person at the terminal, or nobody to ask."""
    return SimulatedOperator() if yes else TerminalOperator(err())


def runner_for(virtual: bool) -> RunnerOf:
    """Real processes, or virtual time when asked for."""
    if virtual:
        from controller.session.virtualrunner import VirtualRunner

        return VirtualRunner
    from controller.session.processrunner import ProcessRunner

    return ProcessRunner


@contextmanager
def until_stopped(*, as_json: bool, onward: str = "") -> Iterator[None]:
    """What moves; stopped by a person it ends with ``Exit.INTERRUPTED``, in words or as JSON. ``onward``: what then."""
    try:
        yield
    except StoppedError as error:
        if as_json:
            emit({"ok": False, "exit": int(Exit.INTERRUPTED), "code": error.code, "stopped": str(error)})
        err().print(f"{error}; {onward}" if onward else str(error), soft_wrap=True, markup=False)
        raise typer.Exit(Exit.INTERRUPTED) from None
