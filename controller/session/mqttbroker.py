"""A small MQTT 3.1.1 broker for the demonstration, from the OASIS standard (mqtt-v3.1.1-os, 29 October 2014).

``python -m controller.session.mqttbroker LOG``: listens on a free port of 127.0.0.1, says it as one line of JSON,
writes every message that is published to the file LOG, a JSON object a line, and ends when its input is closed.

Owns enough of the protocol for our own client and one that looks on: quality of service 0 and 1, retained messages,
will, keep-alive; sessions are not kept, and what was not acknowledged is not sent again. No passwords, no TLS, no other
address: a broker for a real machine is another program (docs/mqtt.md). Numbers in brackets are the standard's.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import struct
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Final

CLIENTS_MAX: Final = 16
PACKET_MAX: Final = 65_536
RETAINED_MAX: Final = 256
PATTERNS_MAX: Final = 32
UNREAD_MAX: Final = 1 << 20
"""A client that leaves so many bytes unread is put out."""
CONNECT_S: Final = 10.0

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK = 1, 2, 3, 4, 8, 9
UNSUBSCRIBE, UNSUBACK, PINGREQ, PINGRESP, DISCONNECT = 10, 11, 12, 13, 14


class ProtocolError(Exception):
    """What no client of the standard says; its line is cut [4.8]."""


@dataclass(frozen=True, slots=True)
class Letter:
    """One message. will: published for a client that went without a farewell."""

    topic: str
    body: bytes
    qos: int
    retain: bool
    will: bool = False


@dataclass(eq=False)
class _Client:
    writer: asyncio.StreamWriter
    name: str = ""
    keepalive_s: int = 0
    will: Letter | None = None
    patterns: dict[str, int] = field(default_factory=dict)
    number: int = 0


class Fields:
    """A packet's rest, taken from the front; ``raw``: what is left. Raises ProtocolError for what is not there."""

    def __init__(self, raw: bytes) -> None:
        self.raw = raw

    def take(self, count: int) -> bytes:
        """So many bytes."""
        if count > len(self.raw):
            raise ProtocolError("a packet that ends too early")
        taken, self.raw = self.raw[:count], self.raw[count:]
        return taken

    def number(self) -> int:
        """Two bytes, the high one first [1.5.2]."""
        return int.from_bytes(self.take(2), "big")

    def text(self) -> str:
        """A string with its length before it [1.5.3]."""
        try:
            return self.take(self.number()).decode()
        except UnicodeDecodeError:
            raise ProtocolError("a string that is no UTF-8 [MQTT-1.5.3-1]") from None


def covers(pattern: str, topic: str) -> bool:
    """Whether a subscription covers a topic [4.7]; topics that begin with $ only by name."""
    if topic.startswith("$") and pattern[:1] in ("+", "#"):
        return False
    wanted, levels = pattern.split("/"), topic.split("/")
    for place, level in enumerate(wanted):
        if level == "#":
            return place == len(wanted) - 1
        if place >= len(levels) or level not in ("+", levels[place]):
            return False
    return len(wanted) == len(levels)


def packet(kind: int, flags: int, rest: bytes) -> bytes:
    """Fixed header and the rest [2.2]."""
    length, left = bytearray(), len(rest)
    while True:  # seven bits a byte, the lowest first [2.2.3]
        left, digit = left >> 7, left & 0x7F
        length.append(digit | (0x80 if left else 0))
        if not left:
            return bytes([kind << 4 | flags, *length]) + rest


async def read_packet(reader: asyncio.StreamReader) -> tuple[int, int, bytes]:
    """Kind, flags and rest. Raises IncompleteReadError at the end, ProtocolError for a length beyond measure."""
    first = (await reader.readexactly(1))[0]
    length = 0
    for place in range(4):
        digit = (await reader.readexactly(1))[0]
        length |= (digit & 0x7F) << 7 * place
        if not digit & 0x80:
            break
    else:
        raise ProtocolError("a length of more than four bytes [2.2.3]")
    if length > PACKET_MAX:
        raise ProtocolError(f"a packet of {length} bytes")
    return first >> 4, first & 0x0F, await reader.readexactly(length)


class Broker:
    """Use from one event loop: ``open``, then ``close``. log: where every message goes, or nowhere."""

    def __init__(self, log: IO[str] | None = None) -> None:
        self.port = 0
        self._log = log
        self._clients: list[_Client] = []
        self._retained: dict[str, Letter] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    async def open(self) -> None:
        """Listen on a free port."""
        self._server = await asyncio.start_server(self._client, "127.0.0.1", 0)
        self.port = int(self._server.sockets[0].getsockname()[1])

    async def close(self) -> None:
        """Stop listening and put everybody out."""
        if self._server is not None:
            self._server.close()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        client = _Client(writer)
        try:
            async with asyncio.timeout(CONNECT_S):
                self._connected(client, *await read_packet(reader))
            while True:
                # Silence for one and a half times the keep-alive ends it [MQTT-3.1.2-24].
                async with asyncio.timeout(1.5 * client.keepalive_s if client.keepalive_s else None):
                    kind, flags, rest = await read_packet(reader)
                if kind == DISCONNECT:
                    client.will = None
                    return
                self._take(client, kind, flags, Fields(rest))
                if writer.transport.get_write_buffer_size() > UNREAD_MAX:
                    return
        except (asyncio.IncompleteReadError, OSError, ProtocolError, TimeoutError):
            pass
        finally:
            self._gone(client)

    def _gone(self, client: _Client) -> None:
        if client in self._clients:
            self._clients.remove(client)
        will, client.will = client.will, None
        client.writer.transport.abort()
        if will is not None:  # for every end but DISCONNECT [3.1.2.5]
            self._route(will)

    def _connected(self, client: _Client, kind: int, _flags: int, rest: bytes) -> None:
        said = Fields(rest)
        if kind != CONNECT or said.text() != "MQTT":
            raise ProtocolError("something else than CONNECT [MQTT-3.1.0-1]")
        version, flags = said.take(1)[0], said.take(1)[0]
        if version != 4 or len(self._clients) >= CLIENTS_MAX:
            client.writer.write(packet(CONNACK, 0, bytes([0, 1 if version != 4 else 3])))  # [3.2.2.3]
            raise ProtocolError("a version that is not spoken here, or one client too many")
        client.keepalive_s, client.name = said.number(), said.text()
        if flags & 4:
            topic, body = said.text(), said.take(said.number())
            client.will = Letter(topic, body, min(flags >> 3 & 3, 1), bool(flags & 0x20), will=True)
        for other in [one for one in self._clients if client.name and one.name == client.name]:
            self._gone(other)  # the second one of a name puts the first one out [MQTT-3.1.4-2]
        self._clients.append(client)
        client.writer.write(packet(CONNACK, 0, b"\x00\x00"))

    def _take(self, client: _Client, kind: int, flags: int, said: Fields) -> None:
        match kind:
            case 3:  # PUBLISH
                topic, qos = said.text(), flags >> 1 & 3
                if qos > 1 or not topic or any(sign in topic for sign in "+#\x00"):
                    raise ProtocolError("a publication that cannot be, or quality of service 2")
                number = said.number() if qos else 0
                self._route(Letter(topic, said.raw, qos, bool(flags & 1)))
                if qos:
                    client.writer.write(packet(PUBACK, 0, struct.pack(">H", number)))
            case 4:  # PUBACK
                pass
            case 8:  # SUBSCRIBE
                self._subscribe(client, said)
            case 10:  # UNSUBSCRIBE
                identifier = said.take(2)
                while said.raw:
                    client.patterns.pop(said.text(), None)
                client.writer.write(packet(UNSUBACK, 0, identifier))
            case 12:  # PINGREQ
                client.writer.write(packet(PINGRESP, 0, b""))
            case _:
                raise ProtocolError(f"a packet of kind {kind}")

    def _subscribe(self, client: _Client, said: Fields) -> None:
        number, granted, fresh = said.take(2), bytearray(), []
        while said.raw:
            pattern, qos = said.text(), min(said.take(1)[0], 1)
            if len(client.patterns) >= PATTERNS_MAX and pattern not in client.patterns:
                granted.append(0x80)
                continue
            client.patterns[pattern] = qos
            granted.append(qos)
            fresh.append(pattern)
        client.writer.write(packet(SUBACK, 0, number + bytes(granted)))
        for kept in list(self._retained.values()):
            if any(covers(pattern, kept.topic) for pattern in fresh):
                self._deliver(client, kept, retain=True)  # kept copies say so [MQTT-3.3.1-8]

    def _route(self, letter: Letter) -> None:
        if self._log is not None:
            said = {"topic": letter.topic, "retain": letter.retain, "will": letter.will}
            self._log.write(json.dumps({**said, "body": letter.body.decode("utf-8", "replace")}) + "\n")
            self._log.flush()
        if letter.retain and letter.body:
            if letter.topic in self._retained or len(self._retained) < RETAINED_MAX:
                self._retained[letter.topic] = letter
        elif letter.retain:
            self._retained.pop(letter.topic, None)  # an empty one takes it away [MQTT-3.3.1-10]
        for client in list(self._clients):
            if any(covers(pattern, letter.topic) for pattern in client.patterns):
                self._deliver(client, letter, retain=False)

    def _deliver(self, client: _Client, letter: Letter, *, retain: bool) -> None:
        if client.writer.transport.get_write_buffer_size() > UNREAD_MAX:
            self._gone(client)
            return
        qos = min(
            letter.qos, max(qos for pattern, qos in client.patterns.items() if covers(pattern, letter.topic))
        )
        client.number = client.number % 65_535 + 1
        raw = letter.topic.encode()
        head = struct.pack(">H", len(raw)) + raw + (struct.pack(">H", client.number) if qos else b"")
        client.writer.write(packet(PUBLISH, qos << 1 | retain, head + letter.body))


async def _serve(log: IO[str]) -> None:
    broker = Broker(log)
    await broker.open()
    sys.stdout.write(json.dumps({"port": broker.port}) + "\n")
    sys.stdout.flush()
    ended = asyncio.Event()
    asyncio.get_running_loop().add_reader(
        sys.stdin.fileno(), lambda: None if os.read(sys.stdin.fileno(), 4096) else ended.set()
    )
    await ended.wait()
    await broker.close()


def main() -> int:
    """Serve until the input is closed."""
    if len(sys.argv) != 2:
        sys.stderr.write("expected one argument, the file that messages are written to\n")
        return 2
    with Path(sys.argv[1]).open("w", encoding="utf-8") as log, contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(log))
    return 0


if __name__ == "__main__":
    sys.exit(main())
