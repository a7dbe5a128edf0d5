"""The service's control socket: JSON lines, one answer to each request. See docs/session.md for the protocol.

Owns who may talk, how many, and what a talk is: requests in order, and events in between for whoever follows. Knows
no motion: requests go to a host. Only the service's own user and root are served, by the kernel's word
(SO_PEERCRED), whatever the file's mode. What a request must be is ``controller.session.wire``'s.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import sqlite3
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, Protocol

from controller.config.errors import InputError, RefusedError
from controller.config.places import SOCKET_PATH_BYTES_MAX
from controller.session.followers import Follower, Followers
from controller.session.wire import (
    KINDS_OF_STOP,
    LINE_BYTES_MAX,
    VERSION,
    Message,
    Request,
    WireError,
    failure,
    fault,
    line_of,
    parse,
)

__all__ = ["KINDS_OF_STOP", "LINE_BYTES_MAX", "VERSION", "ControlServer", "Hosting", "ask", "uid_of"]

TALKS_MAX: Final = 32
"""So many may be connected at a time; further ones are told so and hung up on."""
ANSWER_BYTES_MAX: Final = 1_000_000
_UNSENT_BYTES_MAX: Final = 65_536
_HANG_UP_S: Final = 0.5
_CREDENTIALS = struct.Struct("iII")


class Hosting(Protocol):
    """Whoever answers."""

    @property
    def followers(self) -> Followers:
        """Who looks on."""
        ...

    def answer(self, request: Request) -> Message:
        """The fields of an answer. Raises WireError."""
        ...

    def run(self, request: Request, follower: Follower) -> None:
        """Begin a verb; ``follower`` gets its end as its last message. Raises RefusedError or InputError."""
        ...

    def snapshot(self) -> Message:
        """What somebody who begins to follow is told first."""
        ...


def uid_of(peer: Any) -> int:
    """The user at the other end of a connected Unix socket, by the kernel's word."""
    raw = peer.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    _pid, uid, _gid = _CREDENTIALS.unpack(raw)
    return int(uid)


class ControlServer:
    """Listens on a socket path and answers; ``close`` it. ``uid_at``: who is at the other end, for tests."""

    def __init__(self, path: Path, host: Hosting, uid_at: Callable[[Any], int] = uid_of) -> None:
        self._path = path
        self._host = host
        self._uid_at = uid_at
        self._server: asyncio.Server | None = None
        self._talks: set[asyncio.Task[None]] = set()
        self._closing = False

    async def open(self) -> None:
        """Listen. A socket file left by a dead service is replaced: the lock says that no other one lives."""
        self._path.unlink(missing_ok=True)
        self._server = await asyncio.start_unix_server(self._talk, str(self._path), limit=LINE_BYTES_MAX)
        self._path.chmod(0o600)

    async def close(self) -> None:
        """Stop listening and end all talks, those included that have only just come in."""
        self._closing = True
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()
            self._server = None
        # One turn of the loop, so that a talk that was taken but has not begun sees that it is over.
        await asyncio.sleep(0)
        for talk in list(self._talks):
            talk.cancel()
        await asyncio.gather(*self._talks, return_exceptions=True)
        self._path.unlink(missing_ok=True)

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._talks.add(task)
        try:
            if self._uid_at(writer.get_extra_info("socket")) not in (0, os.getuid()):
                return
            talk = _Talk(self._host, writer)
            if len(self._talks) > TALKS_MAX:
                await talk.send(fault(WireError(f"up to {TALKS_MAX} talks at a time", "one more")))
                return
            try:
                while not self._closing and (line := await _line(reader)):
                    await talk.take(line)
            finally:
                await talk.end()
        except (ConnectionError, asyncio.CancelledError):
            pass
        finally:
            self._talks.discard(task)
            await _hang_up(writer)


class _Talk:
    """One connection: its requests are answered in order; events come in between once it follows."""

    def __init__(self, host: Hosting, writer: asyncio.StreamWriter) -> None:
        self._host = host
        self._writer = writer
        self._sending = asyncio.Lock()
        self._follower: Follower | None = None
        self._pump: asyncio.Task[None] | None = None
        writer.transport.set_write_buffer_limits(high=_UNSENT_BYTES_MAX)

    async def send(self, message: Message) -> None:
        """Send one line, and wait while too much is unread. Raises ConnectionError."""
        async with self._sending:
            self._writer.write(line_of(message))
            await self._writer.drain()

    async def take(self, line: bytes) -> None:
        """Answer one request."""
        try:
            request = parse(line)
            if request.ask == "follow":
                await self._follow()
            elif request.ask == "run":
                await self._run(request)
            else:
                await self.send({"ok": True, **self._host.answer(request)})
        except WireError as error:
            await self.send(fault(error))
        except (InputError, sqlite3.Error, OSError) as error:
            if isinstance(error, ConnectionError):
                raise
            # The journal or the disk below it: whoever asks is told, and the socket goes on.
            await self.send(failure(error))

    async def _follow(self) -> None:
        if self._follower is not None:
            raise WireError("follow or run once in a talk", "again")
        # The queue is opened before the snapshot is sent, and nothing runs in between: no event falls through.
        self._follower = self._host.followers.open()
        await self.send({"ok": True, **self._host.snapshot()})
        self._pump = asyncio.create_task(self._pass_on(self._follower))

    async def _run(self, request: Request) -> None:
        if self._follower is not None:
            raise WireError("follow or run once in a talk", "again")
        follower = self._host.followers.open()
        try:
            self._host.run(request, follower)
        except (RefusedError, InputError) as error:
            self._host.followers.close(follower)
            await self.send(failure(error))
            return
        except BaseException:
            self._host.followers.close(follower)
            raise
        self._follower = follower
        await self.send({"ok": True, "running": request.verb})
        self._pump = asyncio.create_task(self._pass_on(follower))

    async def _pass_on(self, follower: Follower) -> None:
        """Events to the other end, as fast as it reads. A verb's end is the last; requests go on being answered."""
        with contextlib.suppress(ConnectionError):
            last = False
            while not last:
                message, last = await follower.next()
                await self.send(message)
        self._host.followers.close(follower)
        self._follower = None

    async def end(self) -> None:
        """The other end has gone; what it has begun goes on."""
        if self._follower is not None:
            self._host.followers.close(self._follower)
        if self._pump is not None:
            self._pump.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._pump


async def _hang_up(writer: asyncio.StreamWriter) -> None:
    """Close; somebody who does not read any more must not keep us, and what is unsent then goes with the line."""
    writer.close()
    with contextlib.suppress(ConnectionError, asyncio.CancelledError, TimeoutError):
        async with asyncio.timeout(_HANG_UP_S):
            await writer.wait_closed()
    writer.transport.abort()


async def _line(reader: asyncio.StreamReader) -> bytes:
    """One line; empty at the end or when the line is longer than we take."""
    try:
        return await reader.readline()
    except ValueError:
        return b""


def ask(path: Path, verb: str, timeout_s: float = 2.0, kind: str = "", **fields: Any) -> dict[str, Any]:
    """Ask a running service one thing, with what else the request carries. Raises RefusedError when none runs or it
    does not answer."""
    request = {"v": VERSION, "ask": verb, **({"kind": kind} if kind else {}), **fields}
    remedy = "giornata status shows what is known without it; giornata stop works even when it hangs"
    if (length := len(os.fsencode(path))) > SOCKET_PATH_BYTES_MAX:
        raise RefusedError(
            f"no service can run on this machine's state: the path of its socket has {length} bytes, the kernel takes "
            f"up to {SOCKET_PATH_BYTES_MAX} ({path})",
            "choose a shorter state folder with --state",
            code="no-service",
        )
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(timeout_s)
            line.connect(str(path))
            line.sendall(json.dumps(request).encode() + b"\n")
            with line.makefile("rb") as answers:
                raw = answers.readline(ANSWER_BYTES_MAX)
        if not raw:  # it ended while it was asked
            raise ConnectionResetError
    except (FileNotFoundError, ConnectionError):
        raise RefusedError(
            "no service runs on this machine's state", "start one with giornata paint", code="no-service"
        ) from None
    except TimeoutError:
        raise RefusedError(
            f"the service does not answer within {timeout_s:g} s", remedy, code="service-silent"
        ) from None
    try:
        answer = json.loads(raw)
    except ValueError:
        answer = None
    if not isinstance(answer, dict) or answer.get("v") != VERSION:
        raise RefusedError(
            f"the service answered something unreadable: {raw[:80]!r}", remedy, code="service-silent"
        )
    return answer
