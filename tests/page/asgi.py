"""Calls an ASGI application as a server would (ASGI 3.0, HTTP), without one. Knows nothing of the page."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import unquote

HOST = "127.0.0.1:8463"
Message = MutableMapping[str, Any]
App = Callable[
    [MutableMapping[str, Any], Callable[[], Awaitable[Message]], Callable[[Message], Awaitable[None]]], Any
]


@dataclass
class Answer:
    """What came back. ``complete``: the application said that the body has ended."""

    status: int = 0
    headers: list[tuple[str, str]] = field(default_factory=list)
    body: bytes = b""
    complete: bool = False

    def header(self, name: str) -> str:
        """The one header of that name; empty when there is none."""
        found = [value for key, value in self.headers if key == name]
        assert len(found) <= 1, found
        return found[0] if found else ""


def scope_of(method: str, target: str, headers: Mapping[str, str] | None = None) -> dict[str, Any]:
    """The scope of a request from a browser on this computer."""
    path, _, query = target.partition("?")
    given = {"host": HOST, **(headers or {})}
    return {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
        "path": unquote(path), "raw_path": path.encode(), "query_string": query.encode(), "root_path": "",
        "headers": [(name.encode(), value.encode("latin-1")) for name, value in given.items()],
        "client": ("127.0.0.1", 50000), "server": ("127.0.0.1", 8463),
    }  # fmt: skip


async def call(
    app: App, method: str, target: str, headers: Mapping[str, str] | None = None, body: bytes = b""
) -> Answer:
    """One request and its whole answer."""
    answer = Answer()
    sent = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> Message:
        if sent:
            return sent.pop()
        await asyncio.get_running_loop().create_future()  # the browser stays
        raise AssertionError

    async def send(message: Message) -> None:
        take(answer, message)

    async with asyncio.timeout(20):
        await app(scope_of(method, target, headers), receive, send)
    return answer


def take(answer: Answer, message: Message) -> None:
    """One message of the application's."""
    if message["type"] == "http.response.start":
        answer.status = message["status"]
        answer.headers = [(name.decode().lower(), value.decode()) for name, value in message["headers"]]
    else:
        answer.body += message.get("body", b"")
        answer.complete = not message.get("more_body", False)


class Browser:
    """One that listens to a stream; ``reads`` False: it takes nothing. Run ``listen`` as a task; ``leave`` ends it."""

    def __init__(self, app: App, headers: Mapping[str, str] | None = None) -> None:
        self.answer = Answer()
        self.reads = True
        self._app = app
        self._headers = headers
        self._left = asyncio.Event()
        self._reading = asyncio.Event()

    async def listen(self) -> None:
        """To the stream's end."""

        async def receive() -> Message:
            await self._left.wait()
            return {"type": "http.disconnect"}

        async def send(message: Message) -> None:
            while not self.reads:
                await self._reading.wait()
            take(self.answer, message)

        await self._app(scope_of("GET", "/events", self._headers), receive, send)

    def leave(self) -> None:
        """Hang up."""
        self._left.set()

    @property
    def events(self) -> list[tuple[str, str]]:
        """Name and data of each so far, by the rules of server-sent events (HTML Living Standard, 9.2.6)."""
        out = []
        for block in self.answer.body.decode().split("\n\n")[:-1]:
            lines = dict(line.partition(": ")[::2] for line in block.split("\n"))
            out.append((lines["event"], lines["data"]))
        return out
