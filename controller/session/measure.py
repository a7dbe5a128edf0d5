"""One session that measures: a test planned, the machine homed, the test driven with the pen up, the machine parked.

Owns the order of it and where the test is kept (``measured/NNNN`` in the state folder). Evaluates nothing: figures are
made from the logs afterwards.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from pathlib import Path

from controller.config.load import load_machine
from controller.config.places import StateDir
from controller.motion.probe import Test, plan_probe
from controller.session.daemon import RunnerOf, session
from controller.session.host import Host
from controller.session.operator import Operator
from controller.session.processrunner import ProcessRunner
from controller.session.rows import RunRow
from controller.session.watcher import Watcher


@dataclass(frozen=True, slots=True)
class Driven:
    """A test that was driven to its end. ``folder``: the schedule and what it is a test of."""

    session: int
    state: StateDir
    run: RunRow
    folder: Path


def measured_folder(state: StateDir, session_id: int) -> Path:
    """Where a session keeps the test that it drove."""
    return state.root / "measured" / f"{session_id:04d}"


async def measure(
    test: Test, machine_path: Path, state_root: Path | None, operator: Operator, watcher: Watcher, *,
    runner_of: RunnerOf = ProcessRunner, signals: bool = True, host: Host | None = None,
) -> Driven:  # fmt: skip
    """Drive a test. Raises InputError before anything moves when it does not fit the machine; else as a pass does.

    ``host``: the service that holds the lock; without it the session does.
    """
    probe = await asyncio.to_thread(plan_probe, load_machine(machine_path), test)
    async with session(
        machine_path,
        state_root,
        runner_of,
        operator,
        watcher,
        verb="measure",
        job=test.kind,
        signals=signals,
        host=host,
    ) as service:
        folder = measured_folder(service.state_dir, service.session)
        probe.save(folder)
        run = await service.measure(test.kind, folder)
        return Driven(service.session, service.state_dir, run, folder)
