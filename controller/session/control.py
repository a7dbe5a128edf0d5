"""The service's control socket: JSON lines, one answer to each request. See docs/session.md for the protocol.

Owns the wire format, who may talk and the size of what is taken in. Knows no motion: requests go to a handler.
Only the service's own user and root are served, by the kernel's word (SO_PEERCRED), whatever the file's mode.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller.config.errors import RefusedError

VERSION = 1
LINE_BYTES_MAX = 4096
_CREDENTIALS = struct.Struct("iII")

Handler = Callable[[str, str], dict[str, Any]]
"""Takes the verb and its kind (empty when none is given), answers the fields of the reply.

Raises KeyError for a verb or a kind that it does not know.
"""

KINDS_OF_STOP = ("controlled", "immediate")


class ControlServer:
    """Listens on a socket path and answers; ``close`` it."""

    def __init__(self, path: Path, handler: Handler) -> None:
        self._path = path
        self._handler = handler
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
            if not _is_trusted(writer.get_extra_info("socket")):
                return
            while not self._closing and (line := await _line(reader)):
                writer.write(json.dumps(self._answer(line)).encode() + b"\n")
                await writer.drain()
        except (ConnectionError, asyncio.CancelledError):
            pass
        finally:
            self._talks.discard(task)
            writer.close()
            with contextlib.suppress(ConnectionError, asyncio.CancelledError):
                await writer.wait_closed()

    def _answer(self, line: bytes) -> dict[str, Any]:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            return _fault("a JSON object on one line", "unreadable bytes")
        if not isinstance(request, dict):
            return _fault("a JSON object", type(request).__name__)
        if request.get("v") != VERSION:
            return _fault(f'"v": {VERSION}', f'"v": {request.get("v")!r}')
        extra = sorted(set(request) - {"v", "ask", "kind"})
        if extra:
            return _fault('only "v", "ask" and "kind"', ", ".join(extra))
        verb = request.get("ask")
        if not isinstance(verb, str):
            return _fault('"ask" with a word', repr(verb))
        kind = request.get("kind", "")
        if not isinstance(kind, str) or ("kind" in request and (verb != "stop" or kind not in KINDS_OF_STOP)):
            return _fault('"kind" controlled or immediate, with stop alone', repr(kind))
        try:
            return {"v": VERSION, "ok": True, **self._handler(verb, kind)}
        except KeyError:
            return _fault("status, pause or stop", repr(verb))


async def _line(reader: asyncio.StreamReader) -> bytes:
    """One line; empty at the end or when the line is longer than we take."""
    try:
        return await reader.readline()
    except ValueError:
        return b""


def _fault(expected: str, got: str) -> dict[str, Any]:
    return {"v": VERSION, "ok": False, "expected": expected, "got": got}


def _is_trusted(peer: Any) -> bool:
    raw = peer.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    _pid, uid, _gid = _CREDENTIALS.unpack(raw)
    return uid in (0, os.getuid())


def ask(path: Path, verb: str, timeout_s: float = 2.0, kind: str = "") -> dict[str, Any]:
    """Ask a running service one thing. Raises RefusedError when none runs or it does not answer."""
    request = {"v": VERSION, "ask": verb, **({"kind": kind} if kind else {})}
    remedy = "giornata status shows what is known without it; giornata stop works even when it hangs"
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(timeout_s)
            line.connect(str(path))
            line.sendall(json.dumps(request).encode() + b"\n")
            with line.makefile("rb") as answers:
                raw = answers.readline(1_000_000)
    except (FileNotFoundError, ConnectionError):
        raise RefusedError(
            "no service runs on this machine's state", "start one with giornata paint"
        ) from None
    except TimeoutError:
        raise RefusedError(f"the service does not answer within {timeout_s:g} s", remedy) from None
    try:
        answer = json.loads(raw)
    except ValueError:
        answer = None
    if not isinstance(answer, dict) or answer.get("v") != VERSION:
        raise RefusedError(f"the service answered something unreadable: {raw[:80]!r}", remedy)
    return answer
