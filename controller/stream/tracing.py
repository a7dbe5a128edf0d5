"""The wire of a run with a trace of what passes, where the run's specification asks for one.

Owns that a trace never hinders a run: where none can be made the run goes on without and says so.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from controller.config.machine import Machine
from controller.stream.spec import StreamOutcome, StreamSpec
from drivers.clock import Clock
from drivers.registry import Link
from drivers.trace import open_writer, traced


def with_trace(
    link: Link, spec: StreamSpec, machine: Machine, clock: Clock, time_kind: Literal["real", "virtual"]
) -> tuple[Link, tuple[str, ...]]:
    """``link``, traced where ``spec`` says so, and what is to be said about it."""
    if spec.trace_path is None:
        return link, ()
    try:
        writer = open_writer(
            Path(spec.trace_path), spec.trace_mib, machine.group_settings(),
            machine=machine.name, run=spec.run, time_kind=time_kind, clock=clock,
        )  # fmt: skip
    except OSError as error:
        return link, (f"no trace of the wire: {error.strerror or error} ({spec.trace_mib} MiB asked for)",)
    return traced(link, writer, clock), ()


def noted(outcome: StreamOutcome, notes: tuple[str, ...]) -> StreamOutcome:
    """The outcome with these notes behind its own."""
    return outcome.model_copy(update={"notes": (*outcome.notes, *notes)}) if notes else outcome
