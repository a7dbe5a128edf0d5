"""Listening on a machine's wire while no session of ours runs: nothing is sent, everything heard is put down.

Owns who may listen when, and the adapter's listen-only mode. On a SocketCAN interface many programs hear the same bus,
so a session may run meanwhile; a serial port has one reader, so there it may not.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from controller.config.errors import InputError, Mistake, RefusedError
from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.session.daemon import locked
from controller.session.simulated import SimulatedWorld
from drivers.clock import NS_PER_S, MonotonicClock
from drivers.errors import LinkError
from drivers.registry import Link, open_link
from drivers.trace import DEFAULT_MIB, open_writer, traced
from drivers.tracefile import TraceWriter, keep
from safety import client

LOOK_NS = 500_000
"""The wire is read so often: instants of what was heard are exact to this."""

_SHARED = ("socketcan", "python-can:socketcan")
"""Interfaces with many readers, whatever the drives on them speak."""

_LISTEN_ONLY, _AS_BEFORE = b"C\rL\r", b"C\rO\r"
"""A serial CAN adapter's words: close, then open listening only, or open."""


@contextmanager
def wire_free(state: StateDir, verb: str) -> Iterator[None]:
    """Hold the state folder while nobody of ours uses the wire. Raises RefusedError when somebody does."""
    with locked(state, verb):
        try:
            status = client.request_status(state.stop_socket, 0.5)
            said = f"pid {status.get('pid')}, {status.get('state')}"
        except client.GuardSilentError as error:
            said = f"it does not answer: {error}"
        except client.GuardUnreachableError:
            yield
            return
        raise RefusedError(
            f"the guard of an earlier session is still at the wire ({said})",
            "look at the machine; it may still be stopping. Then wait for the guard's end",
            code="guard-left",
        )


async def record(
    machine_path: Path, state_root: Path | None, seconds: float, target: Path | None, mib: int = DEFAULT_MIB
) -> Path:
    """Listen for so long, or until SIGINT, and answer where the trace lies (in the state folder if not told).

    Raises InputError, RefusedError while a session holds the wire, LinkError, OSError.
    """
    machine_path = machine_path.absolute()  # noqa: ASYNC240 (no file is touched)
    machine = load_machine(machine_path)
    state = StateDir.open(state_root, machine.name)
    path = target.absolute() if target is not None else state.runs / "heard.gtr"  # noqa: ASYNC240
    if not path.parent.is_dir():
        raise InputError(
            [Mistake(path, "trace", "a folder that is there", str(path.parent), code="trace-file")]
        )
    is_shared = getattr(machine.wire, "interface", "") in _SHARED
    with contextlib.nullcontext() if is_shared else wire_free(state, "trace record"):
        world = None
        channel = machine.wire.channel
        try:
            if machine.wire.is_simulated:
                world = await SimulatedWorld.open(machine, machine_path, state)
                channel = world.channel
            await _listen(machine, channel, seconds, path, mib)
        finally:
            if world is not None:
                await world.close()
    return path


async def _listen(machine: Machine, channel: str, seconds: float, path: Path, mib: int) -> None:
    clock, over = MonotonicClock(), threading.Event()
    settings = machine.group_settings()
    ring = path.with_name(path.name + ".ring")
    writer = open_writer(
        ring, mib, settings, machine=machine.name, run="heard", time_kind="real", clock=clock
    )
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGINT, over.set)
    try:
        await asyncio.to_thread(_hear, open_link(settings, channel, clock), writer, clock, seconds, over)
    finally:
        loop.remove_signal_handler(signal.SIGINT)
        over.set()
        writer.close()
        keep(ring, path)


def _hear(
    link: Link, writer: TraceWriter, clock: MonotonicClock, seconds: float, over: threading.Event
) -> None:
    heard = traced(link, writer, clock)
    is_serial_adapter = hasattr(link, "refusals")
    try:
        if is_serial_adapter:
            _tell(link, _LISTEN_ONLY)
        end_ns = clock.now_ns() + round(seconds * NS_PER_S)
        while not over.is_set() and (now_ns := clock.now_ns()) < end_ns:
            heard.receive()
            clock.sleep_until_ns(now_ns + LOOK_NS)
        heard.receive()
    finally:
        if is_serial_adapter:
            with contextlib.suppress(LinkError):
                _tell(link, _AS_BEFORE)
        heard.close()


def _tell(link: Link, words: bytes) -> None:
    descriptor = getattr(link, "fileno", lambda: -1)()
    try:
        os.write(descriptor, words)
    except OSError as error:
        raise LinkError("wire", "an adapter that listens", error.strerror or str(error)) from error
