"""One session from its lock to its last line in the journal: what is opened, in which order, and closed again.

Owns the lock (one service a state folder), recovery after a service that died, signals and the control socket, as long
as no service that outlives its sessions holds them (``controller.session.serve``).
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import json
import os
import signal
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, nullcontext
from pathlib import Path

from controller.config.errors import HaltedError, InputError, RefusedError
from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.session.control import ControlServer
from controller.session.disk import DiskError, disk_error
from controller.session.host import Host
from controller.session.journal import Journal
from controller.session.latched import halted, refused
from controller.session.mqtt import telling
from controller.session.operator import Operator, SimulatedOperator
from controller.session.resume import settle_dead
from controller.session.runner import Runner
from controller.session.service import Service, StoppedError
from controller.session.watcher import Watcher
from controller.session.wire import WireError
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
            raise _held(os.pread(descriptor, 4096, 0)) from None
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, json.dumps({"pid": os.getpid(), "verb": verb}).encode(), 0)
        yield
    finally:
        os.close(descriptor)


def _held(raw: bytes) -> RefusedError:
    """Who holds the lock, by what it wrote there."""
    try:
        said = json.loads(raw)
        verb, holder = said["verb"], f"giornata {said['verb']}, pid {said['pid']}"
    except (ValueError, TypeError, KeyError):
        verb, holder = "", "of unknown pid"
    if verb == "serve":
        return RefusedError(
            f"a service holds this machine ({holder})",
            "home, paint, measure, marks and clear go through it; for what needs the machine itself, end it (SIGTERM)",
            code="service-holds-machine",
        )
    return RefusedError(
        f"another session runs on this machine ({holder})",
        "wait for its end, or stop it with giornata stop",
        code="session-running",
    )


@asynccontextmanager
async def session(
    machine_path: Path, state_root: Path | None, runner_of: RunnerOf, operator: Operator, watcher: Watcher, *,
    verb: str, job: str = "", signals: bool = True, host: Host | None = None,
) -> AsyncIterator[Service]:  # fmt: skip
    """Yields the service; everything down again at the end, whatever happened.

    Without ``host`` the session holds the lock itself and answers on the control socket; with it both are the host's,
    and so are signals and questions to a person.

    The runner is not open yet: the service opens it once nothing speaks against motion.

    Raises what the verbs raise (see ``Service``), InputError for bad files, and RefusedError when locked or latched.
    """
    machine_path = machine_path.absolute()  # noqa: ASYNC240 (no file is touched)
    machine = load_machine(machine_path)
    state = StateDir.open(state_root, machine.name)
    if host is not None:
        async with _one(
            machine, machine_path, state, runner_of, operator, watcher, host, verb, job
        ) as service:
            yield service
        return
    with locked(state, verb):
        host = Host(machine, state, verb)
        host.starting()
        if not isinstance(operator, SimulatedOperator):
            operator = host.asking(operator)
        async with (
            telling(host, machine_path.parent),
            _listening(host, state, signals),
            _one(machine, machine_path, state, runner_of, operator, watcher, host, verb, job) as service,
        ):
            yield service


@asynccontextmanager
async def _one(
    machine: Machine, machine_path: Path, state: StateDir, runner_of: RunnerOf, operator: Operator,
    watcher: Watcher, host: Host, verb: str, job: str,
) -> AsyncIterator[Service]:  # fmt: skip
    """One session, the lock being held."""
    with contextlib.closing(Journal.open(state.journal, machine.name)) as journal:
        recover(journal, state)
        standing = latch.read(state.latch)
        if standing is not None:
            raise refused(standing)
        runner = runner_of(machine, machine_path, state)
        number = journal.begin_session(verb, job, runner.clock)
        for jump in journal.untold_jumps():
            watcher.note(f"{jump.words}; ages and drift are reckoned without it")
        end = "failed"
        try:
            try:
                service = Service(machine, state, journal, runner, operator, host.watched(watcher), number)
                host.bind(service, verb, job)
                yield service
            finally:
                await runner.close()
            end = "done"
        except StoppedError as error:
            # A second request may have come when the run had ended: what stands then is a latch, not a pause.
            standing = latch.read(state.latch)
            if standing is not None:
                end = f"halted: {standing.reason}"
                raise halted(standing) from error
            end = f"stopped: {error}"
            raise
        except HaltedError as error:
            end = f"halted: {error.reason}"
            raise
        except (RefusedError, InputError) as error:
            end = f"refused: {error}"
            raise
        except Exception as error:
            if (trouble := disk_error(error, state.root)) is None:
                end = f"failed: {type(error).__name__}: {error}"
                raise
            end = f"failed: {trouble}"
            standing = latch.read(state.latch)
            if standing is not None:
                raise halted(standing, trouble=str(trouble)) from error
            raise trouble from error
        finally:
            host.unbind(end)
            # A disk that takes no more has been told of; the next session ends what is left open.
            with contextlib.suppress(DiskError) if end.startswith(("failed", "halted")) else nullcontext():
                journal.end_session(number, end)


def clear_latch(state: StateDir, machine: str, *, reason: str, person: str) -> Path:
    """Clear the latch whose reason code the person has seen, the lock being held and no session running.

    Answers the file that keeps the cleared latch. Raises RefusedError when no latch stands or the reason is another.
    """
    with contextlib.closing(Journal.open(state.journal, machine)) as journal:
        # Registration goes first: a crash between the two leaves a latch, never a false truth.
        recover(journal, state)
        standing = latch.read(state.latch)
        if standing is not None and journal.registered:
            journal.lose_registration(f"halted: {standing.reason}")
        try:
            kept = latch.clear(state.latch, person, reason)
        except latch.ClearRefusedError as error:
            raise RefusedError(
                str(error), "giornata status shows what is latched", code="latch-other-reason"
            ) from None
        journal.note("clear", f"{reason} cleared by {person}")
    return kept


def recover(journal: Journal, state: StateDir) -> None:
    """Write down what a service that died could not: its runs and sessions, and that registration is lost."""
    for line in settle_dead(journal):
        journal.note("account", line)
    left = journal.close_dead("the service died")
    standing = latch.read(state.latch)
    if journal.registered and (left or standing is not None):
        why = f"halted: {standing.reason}" if standing is not None else "the service died during a run"
        journal.lose_registration(why)


@asynccontextmanager
async def _listening(host: Host, state: StateDir, signals: bool) -> AsyncIterator[None]:
    """Control socket and signals, for as long as the session lasts."""

    def stop(name: str) -> None:
        # Before the session stands and after its end there is nothing to stop.
        with contextlib.suppress(WireError):
            host.stop(name, "signal")

    server = ControlServer(state.control_socket, host)
    await server.open()
    loop = asyncio.get_running_loop()
    caught = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP) if signals else ()
    for number in caught:
        loop.add_signal_handler(number, stop, number.name)
    try:
        yield
    finally:
        for number in caught:
            loop.remove_signal_handler(number)
        await server.close()
