"""The page's process: its socket, its server, its end.

Owns what listens and how little it takes of the computer: one process, at a lower priority than whatever moves the
machine, with bounds on connections, on what waits for a slow browser and on how long. Knows no page.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import uvicorn

from controller.config.errors import InputError, Mistake
from controller.config.load import load_machine
from controller.page.access import Access
from controller.page.app import application
from controller.page.connections import Connection
from controller.page.pressing import press
from controller.page.watch import Watch
from controller.session import verbs

NICE: Final = 5
"""Added to the process' nice value: service and tick loop go first."""
UNREAD_MS: Final = 15_000
"""A connection whose far end takes nothing for so long is ended by the kernel (TCP_USER_TIMEOUT, tcp(7))."""
KEEP_S: Final = 20
"""A connection without a whole request for so long is ended."""
BACKLOG: Final = 128
"""So many connections wait in the kernel until they are taken."""


def listen(host: str, port: int) -> socket.socket:
    """A socket that listens there. Raises InputError when it cannot."""
    try:
        (family, _, _, _, address), *_ = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        line = socket.socket(family, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    except OSError as error:
        raise _cannot(host, port, error) from None
    try:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # Accepted connections have it from here.
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNREAD_MS)
        line.bind(address)
        line.listen(BACKLOG)
    except OSError as error:
        line.close()
        raise _cannot(host, port, error) from None
    return line


def _cannot(host: str, port: int, error: OSError) -> InputError:
    expected = "an address of this computer and a port that is free"
    got = f"{host}:{port}: {error.strerror}"
    return InputError([Mistake(Path("page"), "--host, --port", expected, got, code="page-address")])


def url_of(line: socket.socket, host: str) -> str:
    """Where a browser on this computer finds it: at a loopback address where it listens at all."""
    name = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104 - asked for by whoever gave it
    shown = f"[{name}]" if ":" in name else name
    return f"http://{shown}:{line.getsockname()[1]}/"


async def serve(
    machine_path: Path, state_root: Path | None, line: socket.socket, access: Access, *,
    signals: bool = True, ready: Callable[[Callable[[], None]], None] | None = None,
) -> None:  # fmt: skip
    """Serve until a signal. ``ready`` gets what ends it. Raises InputError for a bad machine file."""
    machine = load_machine(machine_path)
    state = verbs.session_state_of(machine_path, state_root)
    watch = Watch(state, machine.name)
    who = verbs.person_name()
    app = application(watch, machine.name, access, lambda client: press(state, f"{who}, live page, {client}"))
    server = _Server(
        uvicorn.Config(
            app, http=Connection, ws="none", loop="asyncio", lifespan="off", log_config=None, access_log=False,
            proxy_headers=False, server_header=False, backlog=BACKLOG, timeout_keep_alive=KEEP_S,
            timeout_graceful_shutdown=2,
        )
    )  # fmt: skip

    def end() -> None:
        watch.close()
        server.should_exit = True

    loop = asyncio.get_running_loop()
    caught = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP) if signals else ()
    for number in caught:
        loop.add_signal_handler(number, end)
    watching = asyncio.create_task(watch.run())
    # Nobody looks at its end before the server's: a fault of ours must not leave a page that shows nothing new.
    watching.add_done_callback(lambda _: end())
    if ready is not None:

        def end_from_anywhere() -> None:
            loop.call_soon_threadsafe(end)

        ready(end_from_anywhere)
    try:
        await server.serve(sockets=[line])
    finally:
        for number in caught:
            loop.remove_signal_handler(number)
        watching.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await watching


class _Server(uvicorn.Server):
    """Leaves signals to whoever runs it."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take none."""
        yield


def run(
    machine_path: Path, state_root: Path | None, line: socket.socket, access: Access, say: Callable[[], None]
) -> None:
    """Serve in this process until a signal, giving way to others. ``say`` is called when it serves."""
    os.nice(NICE)
    asyncio.run(serve(machine_path, state_root, line, access, ready=lambda _: say()))
