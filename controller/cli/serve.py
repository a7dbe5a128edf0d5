"""``giornata serve``: a service that holds one machine and runs its verbs for others. No logic."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from controller.cli.console import StateOption
from controller.cli.options import MachineOption, VirtualOption

STDERR = 2
"""The descriptor of standard error (POSIX)."""


class LogForm(StrEnum):
    """Form of the log's lines."""

    TEXT = "text"
    JSON = "json"


def serve(
    machine: MachineOption,
    state: StateOption = None,
    virtual: VirtualOption = False,
    log: Annotated[LogForm, typer.Option("--log", help="Form of the log on standard error.")] = LogForm.TEXT,
) -> None:
    """Hold a machine for days: home, paint, clear and status from any terminal go through this service.

    It moves nothing by itself. Ctrl-C or SIGTERM end it: a pass that runs is stopped on the path first; twice stops
    at once.
    """
    import os
    import time

    from controller.cli.sitting import runner_for
    from controller.session import verbs
    from controller.session.notify import Notifier
    from controller.session.serve import serve as serve_machine
    from controller.session.servicelog import ServiceLog

    lines = ServiceLog(STDERR, log.value, lambda: time.time_ns() // 1_000_000)
    verbs.run(
        serve_machine(
            machine, state, runner_for(virtual), clock="virtual" if virtual else "real",
            notifier=Notifier.of(os.environ), log=lines.write,
        )
    )  # fmt: skip
