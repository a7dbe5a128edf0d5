"""Which operator and which runner a command means. No logic beyond that choice."""

from __future__ import annotations

from controller.cli.console import err
from controller.session.daemon import RunnerOf
from controller.session.operator import Operator, SimulatedOperator, TerminalOperator


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
