"""The page's one talk with the service, however many look on: it follows, and asks how things stand once a second.

Owns the pace and that no more than one question is ever under way, so that a service that hangs collects nothing. Where
nobody listens it looks again later; while a talk is open, however silent, no second one is begun.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, Final

from controller.page.board import Board
from controller.session.control import ANSWER_BYTES_MAX
from controller.session.standing import ASK_AGAIN
from controller.session.wire import VERSION, error_in, line_of

ASK_EVERY_S: Final = 1.0
RETRY_S: Final = 1.0
CONNECT_S: Final = 3.0

Sleep = Callable[[float], Awaitable[None]]


class Talk:
    """See above. ``run`` it for as long as somebody looks on."""

    def __init__(
        self, path: Path, board: Board, now_ns: Callable[[], int], sleep: Sleep = asyncio.sleep
    ) -> None:
        self._path = path
        self._board = board
        self._now_ns = now_ns
        self._sleep = sleep
        self._under_way = False

    async def run(self) -> None:
        """Talk, and look for a service again where there is none; ends by being cancelled only."""
        while True:
            why = ""
            try:
                async with asyncio.timeout(CONNECT_S):
                    reader, writer = await asyncio.open_unix_connection(
                        str(self._path), limit=ANSWER_BYTES_MAX
                    )
            except (FileNotFoundError, ConnectionRefusedError):
                pass
            except (OSError, TimeoutError) as error:
                why = str(error) or "no connection within 3 s"
            else:
                try:
                    why = await self._talk(reader, writer)
                except Exception as error:  # noqa: BLE001 - a fault of ours must not leave the last words standing
                    why = f"the page cannot make out what it says: {type(error).__name__}: {error}"
            self._board.disconnected(why)
            await self._sleep(RETRY_S)

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> str:
        """To the talk's end. Answers why it was refused, empty when it was not."""
        self._board.connected(self._now_ns())
        asking = asyncio.create_task(self._ask(writer))
        try:
            self._send(writer, "follow")
            while line := await _line(reader):
                message = _decoded(line)
                if message is None:
                    return "it said something unreadable"
                if message.get("ok") is False:
                    return str(error_in(message))
                if message.get("ok") is True:
                    self._under_way = False
                self._board.take(message, self._now_ns())
                if message.get("event") in ASK_AGAIN:
                    self._send(writer, "status")
        finally:
            asking.cancel()
            writer.transport.abort()
            # Its cancellation ends here; ours, should it come meanwhile, does not.
            await asyncio.gather(asking, return_exceptions=True)
        return ""

    async def _ask(self, writer: asyncio.StreamWriter) -> None:
        while True:
            await self._sleep(ASK_EVERY_S)
            self._send(writer, "status")

    def _send(self, writer: asyncio.StreamWriter, verb: str) -> None:
        if not self._under_way or verb == "follow":
            self._under_way = True
            writer.write(line_of({"ask": verb}))


async def _line(reader: asyncio.StreamReader) -> bytes:
    """One line; empty at the end, and for one longer than any answer."""
    try:
        return await reader.readline()
    except (ConnectionError, ValueError):
        return b""


def _no_number(text: str) -> float:
    """NaN and infinity are no JSON (RFC 8259, section 6), and no page could show them."""
    raise ValueError(text)


def _decoded(line: bytes) -> dict[str, Any] | None:
    try:
        message = json.loads(line, parse_constant=_no_number)
    except (ValueError, RecursionError):
        return None
    if not isinstance(message, dict) or message.get("v") != VERSION:
        return None
    return message
