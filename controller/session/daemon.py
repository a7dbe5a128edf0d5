"""One session from its lock to its last line in the journal: what is opened, in which order, and closed again.

Owns the lock (one service a state folder), recovery after a service that died, signals and the control socket.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import json
import os
import signal
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any

from controller.config.errors import HaltedError, InputError, RefusedError
from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.session.control import ControlServer
from controller.session.journal import Journal
from controller.session.mqtt import telling
from controller.session.operator import Operator
from controller.session.runner import Runner
from controller.session.service import CLEAR_REMEDY, Service, StoppedError
from controller.session.watcher import Watcher
from safety import latch

RunnerOf = Callable[[Machine, Path, StateDir], Runner]


@contextmanager
def locked(state: StateDir, verb: str) -> Iterator[None]:
    """Hold the state folder's lock. Raises RefusedError with the pid of whoever holds it.

    The kernel drops the lock with its holder: a crash leaves nothing to clean up.
    """
    descriptor = os.open(state.lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = _holder(os.pread(descriptor, 4096, 0))
            raise RefusedError(
                f"another session runs on this machine ({holder})",
                "wait for its end, or stop it with giornata stop",
            ) from None
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, json.dumps({"pid": os.getpid(), "verb": verb}).encode(), 0)
        yield
    finally:
        os.close(descriptor)


def _holder(raw: bytes) -> str:
    try:
        said = json.loads(raw)
        return f"giornata {said['verb']}, pid {said['pid']}"
    except (ValueError, TypeError, KeyError):
        return "of unknown pid"


@asynccontextmanager
async def session(
    machine_path: Path, state_root: Path | None, runner_of: RunnerOf, operator: Operator, watcher: Watcher, *,
    verb: str, job: str = "", signals: bool = True,
) -> AsyncIterator[Service]:  # fmt: skip
    """Yields the service under the lock; everything down again at the end, whatever happened.

    The runner is not open yet: the service opens it once nothing speaks against motion.

    Raises what the verbs raise (see ``Service``), InputError for bad files, and RefusedError when locked or latched.
    """
    machine_path = machine_path.absolute()  # noqa: ASYNC240 (no file is touched)
    machine = load_machine(machine_path)
    state = StateDir.open(state_root, machine.name)
    with locked(state, verb), contextlib.closing(Journal.open(state.journal, machine.name)) as journal:
        recover(journal, state)
        standing = latch.read(state.latch)
        if standing is not None:
            raise RefusedError(f"stopped: {standing.text} ({standing.reason})", CLEAR_REMEDY)
        runner = runner_of(machine, machine_path, state)
        number = journal.begin_session(verb, job, runner.clock)
        end = "failed"
        try:
            try:
                service = Service(machine, state, journal, runner, operator, watcher, number)
                async with _listening(service, state, signals), telling(service, machine_path.parent):
                    yield service
            finally:
                await runner.close()
            end = "done"
        except StoppedError as error:
            # A second request may have come when the run had ended: what stands then is a latch, not a pause.
            standing = latch.read(state.latch)
            if standing is not None:
                end = f"halted: {standing.reason}"
                raise HaltedError(f"{standing.text} ({standing.reason})", CLEAR_REMEDY) from error
            end = f"stopped: {error}"
            raise
        except HaltedError as error:
            end = f"halted: {error.reason}"
            raise
        except (RefusedError, InputError) as error:
            end = f"refused: {error}"
            raise
        except Exception as error:
            end = f"failed: {type(error).__name__}: {error}"
            raise
        finally:
            journal.end_session(number, end)


def recover(journal: Journal, state: StateDir) -> None:
    """Write down what a service that died could not: its runs and sessions, and that registration is lost."""
    left = journal.close_dead("the service died")
    standing = latch.read(state.latch)
    if journal.registered and (left or standing is not None):
        why = f"halted: {standing.reason}" if standing is not None else "the service died during a run"
        journal.lose_registration(why)


@asynccontextmanager
async def _listening(service: Service, state: StateDir, signals: bool) -> AsyncIterator[None]:
    """Control socket and signals, for as long as the session lasts."""

    def answer(verb: str, kind: str) -> dict[str, Any]:
        match verb:
            case "status":
                return {**service.status(), "pid": os.getpid()}
            case "pause":
                return {"stopping": True, "kind": service.stop("pause", "control socket")}
            case "stop":
                at_once = kind == "immediate"
                return {"stopping": True, "kind": service.stop("stop", "control socket", at_once=at_once)}
            case _:
                raise KeyError(verb)

    server = ControlServer(state.control_socket, answer)
    await server.open()
    loop = asyncio.get_running_loop()
    caught = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP) if signals else ()
    for number in caught:
        loop.add_signal_handler(number, service.stop, number.name, "signal")
    try:
        yield
    finally:
        for number in caught:
            loop.remove_signal_handler(number)
        await server.close()
