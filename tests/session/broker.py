"""A small MQTT 3.1.1 broker for tests, written from the OASIS standard (mqtt-v3.1.1-os, 29 October 2014).

Connect, publish with quality of service 0 and 1, subscribe, retain, will, ping; clean sessions only; 127.0.0.1 only.
It runs in a thread of its own, so that a session that keeps its event loop busy cannot slow it. And it can misbehave on
purpose: fall silent, refuse, drop the line, or send any bytes to whoever is connected. Numbers in square brackets are
the standard's own.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import queue
import socket
import ssl
import struct
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Self

from controller.session.mqttbroker import (
    CONNACK,
    CONNECT,
    DISCONNECT,
    PINGRESP,
    PUBACK,
    PUBLISH,
    SUBACK,
    Fields,
    ProtocolError,
    covers,
    packet,
    read_packet,
)


def text(value: str | bytes) -> bytes:
    """A string with its length before it [MQTT-1.5.3]."""
    raw = value.encode() if isinstance(value, str) else value
    return struct.pack(">H", len(raw)) + raw


def publish(topic: str | bytes, body: bytes, *, qos: int = 0, retain: bool = False, number: int = 1,
            duplicate: bool = False) -> bytes:  # fmt: skip
    """A PUBLISH packet [3.3]."""
    identifier = struct.pack(">H", number) if qos else b""
    return packet(PUBLISH, duplicate << 3 | qos << 1 | retain, text(topic) + identifier + body)


@dataclass(frozen=True, slots=True)
class Published:
    """One message as the broker got it. ``will``: published for a client that went without a farewell."""

    topic: str
    body: bytes
    qos: int
    retain: bool
    will: bool = False


@dataclass(eq=False)
class Talk:
    """One client's connection."""

    writer: asyncio.StreamWriter
    identifier: str = ""
    user: str | None = None
    password: str | None = None
    keepalive_s: float = 0.0
    clean: bool = True
    will: Published | None = None
    subscriptions: dict[str, int] = field(default_factory=dict)
    number: int = 0


class Broker:
    """See the module. Use as a context manager; methods may be called from any thread.

    users: names and passwords that are let in; None lets everybody in. published: every message, in order.
    """

    def __init__(
        self, *, port: int = 0, users: dict[str, str] | None = None, tls: ssl.SSLContext | None = None
    ):
        self.port = port
        self.users = users
        self.published: queue.Queue[Published] = queue.Queue()
        self.connects: queue.Queue[Talk] = queue.Queue()
        self.retained: dict[str, Published] = {}
        self.subscription_refused = False
        self.acknowledges = True
        """Whether publications are acknowledged; else they are taken, and nobody is told."""
        self.acknowledged = 0
        """PUBACK packets from clients."""
        self._tls = tls
        self._mute = threading.Event()
        self._talks: list[Talk] = []
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="broker", daemon=True)
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    # -- life ---------------------------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        self._thread.start()
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

        async def end() -> None:
            for task in list(self._tasks):
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)

        self._in_loop(end)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def start(self) -> None:
        """Listen, on the same port as before."""

        async def listen() -> None:
            self._server = await asyncio.start_server(
                self._talk, "127.0.0.1", self.port, ssl=self._tls, reuse_address=True
            )
            self.port = self._server.sockets[0].getsockname()[1]

        self._in_loop(listen)

    def stop(self) -> None:
        """Stop listening and cut every line, as a broker that dies does: no will is published."""

        async def cut() -> None:
            if self._server is not None:
                self._server.close()
                self._server = None
            for talk in self._talks:
                talk.will = None
                talk.writer.transport.abort()

        self._in_loop(cut)

    def mute(self, *, on: bool = True) -> None:
        """Hang: take everything in, answer nothing any more."""
        (self._mute.set if on else self._mute.clear)()

    def _in_loop(self, work: Callable[[], Any]) -> Any:
        return asyncio.run_coroutine_threadsafe(work(), self._loop).result(10.0)

    # -- what tests do with it ----------------------------------------------------------------------------------

    def send(self, topic: str, body: bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Publish as some other client would: routed to whoever subscribed, kept when ``retain``."""

        async def route() -> None:
            self._route(Published(topic, body, qos, retain))

        self._in_loop(route)

    def raw(self, data: bytes) -> int:
        """Write these very bytes to every client; answers to how many."""

        async def write() -> int:
            for talk in self._talks:
                talk.writer.write(data)
            return len(self._talks)

        return int(self._in_loop(write))

    @property
    def clients(self) -> int:
        """How many are connected."""
        return len(self._talks)

    def wait_for(self, wanted: Callable[[Published], bool], timeout_s: float = 30.0) -> Published:
        """The next message that ``wanted`` accepts. Raises queue.Empty when none comes."""
        while True:
            found = self.published.get(timeout=timeout_s)
            if wanted(found):
                return found

    # -- the protocol -------------------------------------------------------------------------------------------

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        talk = Talk(writer)
        try:
            if await self._connect(talk, reader):
                await self._serve(talk, reader)
        except (asyncio.IncompleteReadError, ConnectionError, ProtocolError, TimeoutError, ValueError):
            pass
        finally:
            if talk in self._talks:
                self._talks.remove(talk)
            if talk.will is not None:
                # [3.1.2.5]: for every end but DISCONNECT.
                self._route(talk.will)
            writer.close()
            with contextlib.suppress(ConnectionError, asyncio.CancelledError, ssl.SSLError):
                await writer.wait_closed()

    async def _connect(self, talk: Talk, reader: asyncio.StreamReader) -> bool:
        kind, _, rest = await asyncio.wait_for(read_packet(reader), 10.0)
        parts = Fields(rest)
        if kind != CONNECT or parts.text() != "MQTT" or parts.take(1) != b"\x04":
            raise ProtocolError("expected CONNECT of MQTT 3.1.1")
        (flags,) = parts.take(1)
        talk.keepalive_s, talk.clean = float(parts.number()), bool(flags & 2)
        talk.identifier = parts.text()
        if flags & 4:
            topic, body = parts.text(), parts.take(parts.number())
            talk.will = Published(topic, body, flags >> 3 & 3, bool(flags & 0x20), will=True)
        talk.user = parts.text() if flags & 0x80 else None
        talk.password = parts.text() if flags & 0x40 else None
        if parts.raw:
            raise ProtocolError("bytes behind CONNECT")
        if self._mute.is_set():
            await reader.read()
            return False
        if self.users is not None and (
            talk.user is None or self.users.get(talk.user) != talk.password or talk.password is None
        ):
            # [3.2.2.3]: 4 is a bad user name or password. The will of who was never let in is not published.
            talk.will = None
            talk.writer.write(packet(CONNACK, 0, b"\x00\x04"))
            return False
        for other in [one for one in self._talks if one.identifier == talk.identifier]:
            # [MQTT-3.1.4-2]: the second one of a name puts the first one out.
            self._talks.remove(other)
            if other.will is not None:
                self._route(other.will)
                other.will = None
            other.writer.transport.abort()
        self._talks.append(talk)
        talk.writer.write(packet(CONNACK, 0, b"\x00\x00"))
        self.connects.put(talk)
        return True

    async def _serve(self, talk: Talk, reader: asyncio.StreamReader) -> None:
        while True:
            # [MQTT-3.1.2-24]: silence for one and a half keep-alive times ends it.
            patience_s = 1.5 * talk.keepalive_s if talk.keepalive_s else None
            kind, flags, rest = await asyncio.wait_for(read_packet(reader), patience_s)
            if kind == DISCONNECT:
                talk.will = None
                return
            if not self._mute.is_set():
                self._answer(talk, kind, flags, rest)

    def _answer(self, talk: Talk, kind: int, flags: int, rest: bytes) -> None:
        parts = Fields(rest)
        match kind:
            case 3:
                topic, qos = parts.text(), flags >> 1 & 3
                if qos > 1 or any(sign in topic for sign in "+#\x00"):
                    raise ProtocolError("a publication that cannot be")
                number = parts.number() if qos else 0
                self._route(Published(topic, parts.raw, qos, bool(flags & 1)))
                if qos and self.acknowledges:
                    talk.writer.write(packet(PUBACK, 0, struct.pack(">H", number)))
            case 4:
                self.acknowledged += 1
            case 8:
                number, granted, patterns = parts.number(), bytearray(), []
                while parts.raw:
                    pattern, qos = parts.text(), parts.take(1)[0]
                    granted.append(0x80 if self.subscription_refused else min(qos, 1))
                    if not self.subscription_refused:
                        talk.subscriptions[pattern] = min(qos, 1)
                        patterns.append(pattern)
                talk.writer.write(packet(SUBACK, 0, struct.pack(">H", number) + bytes(granted)))
                for kept in list(self.retained.values()):
                    # [MQTT-3.3.1-8]: copies that were kept say so.
                    if any(covers(pattern, kept.topic) for pattern in patterns):
                        self._deliver(talk, kept, retain=True)
            case 12:
                talk.writer.write(packet(PINGRESP, 0, b""))
            case _:
                raise ProtocolError(f"packet kind {kind}")

    def _route(self, message: Published) -> None:
        self.published.put(message)
        if message.retain:
            # [MQTT-3.3.1-10]: an empty one takes the kept one away.
            if message.body:
                self.retained[message.topic] = message
            else:
                self.retained.pop(message.topic, None)
        for talk in list(self._talks):
            if any(covers(pattern, message.topic) for pattern in talk.subscriptions):
                # [MQTT-3.3.1-9]: to those who had subscribed before, it is no kept copy.
                self._deliver(talk, message, retain=False)

    def _deliver(self, talk: Talk, message: Published, *, retain: bool) -> None:
        granted = max(qos for pattern, qos in talk.subscriptions.items() if covers(pattern, message.topic))
        talk.number = talk.number % 65_535 + 1
        talk.writer.write(
            publish(
                message.topic, message.body, qos=min(granted, message.qos), retain=retain, number=talk.number
            )
        )


@contextmanager
def closed_port() -> Iterator[int]:
    """A port of 127.0.0.1 at which nobody listens, kept so."""
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        yield holder.getsockname()[1]


def main() -> None:
    """A broker of its own: prints its port as one line of JSON and serves until its input is closed."""
    with Broker() as broker:
        sys.stdout.write(json.dumps({"port": broker.port}) + "\n")
        sys.stdout.flush()
        sys.stdin.read()


if __name__ == "__main__":
    main()
