"""One connection to a broker, as a process of its own: ``python -m controller.session.mqttclient FD``.

Owns the third-party client and nothing else: it connects, subscribes to the one command topic, publishes what it is
handed and hands back stops. One life is one connection: whatever goes wrong, it says why and ends, and the service
starts another later. So a broker that floods, hangs, sends what no memory holds or anything but MQTT can spoil this
process alone: its memory is bounded, the service hears at most short words from it, through a socket that drops what
does not fit. It never starts motion: the only words it has for the service are two kinds of stop.

On the socket (SOCK_SEQPACKET, one JSON object a packet; the first from the service is the settings):

* service: ``{"n", "topic", "body", "qos", "retain"}`` to be published, one at a time; ``{"bye": true}``;
* client: ``{"up": true}``, ``{"done": n}``, ``{"stop": kind}``, ``{"refused": why, "count": n}``, ``{"trouble": why}``.

When the service closes its end, or says nothing for ``SILENT_S``, the connection is cut without a farewell, so that
the broker publishes the last will.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import resource
import socket
import ssl
import sys
import time
from pathlib import Path
from typing import Any, NoReturn

import aiomqtt

from controller.session.mqttwords import PACKET_BYTES, Topics, client_identifier, judge, payload

ACK_S = 5.0
"""So long for each answer of the broker."""
KEEPALIVE_S = 10
"""The broker publishes the will of a client that is silent for one and a half times this (MQTT 3.1.1, 3.1.2.10)."""
SILENT_S = 20.0
FLOOD_PER_S = 200
"""More messages in a second than any person sends: the connection is given up."""
BUSY_S, BUSY_SHARE = 4.0, 0.5
"""Over so long more than this share of a processor: what comes in is a flood, whatever packets it is made of."""
MEMORY_BYTES = 512 * 1024 * 1024
"""Address space; a packet of MQTT may claim 256 MB."""


class GiveUpError(Exception):
    """This connection has come to its end; the text says why."""

    code = "mqtt-lost"


class Life:
    """One connection from its settings to its end."""

    def __init__(self, service: socket.socket, settings: dict[str, Any]) -> None:
        self._service = service
        self._settings = settings
        self._topics = Topics(settings["root"])
        self._over: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._second = 0
        self._in_second = 0
        self._refused: dict[str, int] = {}
        self._refused_told_s = 0.0

    def say(self, **words: Any) -> None:
        """Tell the service; what does not fit is dropped (the same stop is in there already)."""
        with contextlib.suppress(OSError):
            self._service.send(json.dumps(words).encode())

    def take(self, message: aiomqtt.Message) -> None:
        """Judge one message, at once, whatever it is; nothing of it is kept."""
        second = int(time.monotonic())
        self._in_second = self._in_second + 1 if second == self._second else 1
        self._second = second
        if self._in_second > FLOOD_PER_S:
            self._give_up(f"the broker floods: more than {FLOOD_PER_S} messages in a second")
            return
        if str(message.topic) != self._topics.command:
            self._refuse("another topic than was asked for")
            return
        verdict = judge(message.payload, retained=bool(message.retain), now_ms=time.time_ns() // 1_000_000)
        if verdict.kind is not None:
            self.say(stop=verdict.kind)
        else:
            self._refuse(verdict.why)

    def _refuse(self, why: str) -> None:
        """Count, and tell at most once a second."""
        self._refused[why] = self._refused.get(why, 0) + 1
        now_s = time.monotonic()
        if now_s - self._refused_told_s >= 1.0:
            self._refused_told_s = now_s
            for reason, count in self._refused.items():
                self.say(refused=reason, count=count)
            self._refused.clear()

    def _give_up(self, why: str) -> None:
        if not self._over.done():
            self._over.set_exception(GiveUpError(why))

    def cut(self, error: Exception) -> NoReturn:
        """Tell the service why, and end: without a DISCONNECT, so that the broker publishes the will.

        No cleaning up either: threads that hang in a name look-up go with the process, and so does the connection.
        """
        self.say(trouble=(str(error) or type(error).__name__)[:300])
        os._exit(1)

    async def live(self) -> None:
        """Connect and serve until the service says bye. Raises GiveUpError, MqttError, OSError and what TLS raises."""
        life = self

        class Sieve(asyncio.Queue[aiomqtt.Message]):
            """In place of the client's queue: every message is judged when it comes, and none is stored."""

            def put_nowait(self, item: aiomqtt.Message) -> None:
                """Judge it."""
                life.take(item)

        settings = self._settings
        client = aiomqtt.Client(
            settings["host"],
            settings["port"],
            username=settings["user"],
            password=password_of(settings),
            identifier=client_identifier(self._topics.root),
            protocol=aiomqtt.ProtocolVersion.V311,
            clean_session=True,
            timeout=ACK_S,
            keepalive=KEEPALIVE_S,
            will=aiomqtt.Will(self._topics.state, payload({"presence": "gone"}), qos=1, retain=True),
            queue_type=Sieve,
            max_queued_outgoing_messages=16,
            # An acknowledgement must not wait for the one before: brokers keep the next message back for it.
            socket_options=((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),),
            tls_context=tls_of(settings),
            logger=_silent_logger(),
        )
        async with client:
            try:
                (granted, *_) = await client.subscribe(self._topics.command, qos=1)
                if getattr(granted, "value", granted) not in (0, 1):
                    # Its reports are worth having all the same; a person stops it in another way.
                    self.say(refused="the broker does not let us listen to the command topic", count=1)
                self.say(up=True)
                await self._until_bye(client)
            except Exception as error:  # noqa: BLE001 - see ``cut``
                self.cut(error)

    async def _until_bye(self, client: aiomqtt.Client) -> None:
        heard = asyncio.ensure_future(_watch(client))
        publishing = asyncio.ensure_future(self._publish(client))
        resting = asyncio.ensure_future(_rest())
        tasks = (heard, publishing, resting)
        try:
            done, _ = await asyncio.wait((*tasks, self._over), return_when=asyncio.FIRST_COMPLETED)
            for one in done:
                one.result()
        finally:
            # Not waited for: a time-out of the library may swallow the cancellation, and this process ends now anyway.
            for task in tasks:
                task.cancel()

    async def _publish(self, client: aiomqtt.Client) -> None:
        """Publish what the service hands over, one after the other."""
        loop = asyncio.get_running_loop()
        while True:
            try:
                async with asyncio.timeout(SILENT_S):
                    raw = await loop.sock_recv(self._service, PACKET_BYTES)
            except TimeoutError:
                raise GiveUpError(f"the service said nothing for {SILENT_S:g} s") from None
            if not raw:
                raise GiveUpError("the service is gone")
            said = json.loads(raw)
            if said.get("bye"):
                return
            await client.publish(said["topic"], said["body"], qos=said["qos"], retain=said["retain"])
            self.say(done=said["n"])


async def _watch(client: aiomqtt.Client) -> None:
    """Wait for the connection's end: the sieve keeps no message, so nothing ever comes out here."""
    async for _ in client.messages:
        pass


async def _rest() -> None:
    """Raise GiveUpError when this process does not get to rest any more."""
    while True:
        before_s, cost_s = time.monotonic(), time.process_time()
        await asyncio.sleep(BUSY_S)
        share = (time.process_time() - cost_s) / (time.monotonic() - before_s)
        if share > BUSY_SHARE:
            raise GiveUpError(f"the broker floods: {share:.0%} of a processor went into reading it")


def _silent_logger() -> logging.Logger:
    """What the library would log of every bad packet is counted and told by us."""
    logger = logging.getLogger("giornata.mqtt")
    logger.disabled = True
    return logger


def password_of(settings: dict[str, Any]) -> str | None:
    """The password from its file or variable. Raises GiveUpError when it is not there."""
    file, variable = settings["password_file"], settings["password_env"]
    if file is not None:
        try:
            with Path(file).open(encoding="utf-8") as stream:
                return stream.readline(4096).rstrip("\r\n")
        except (OSError, ValueError) as error:
            raise GiveUpError(f"password_file cannot be read: {error}") from None
    if variable is not None:
        if variable not in os.environ:
            raise GiveUpError(f"the environment has no {variable} (password_env)")
        return os.environ[variable]
    return None


def tls_of(settings: dict[str, Any]) -> ssl.SSLContext | None:
    """A context that verifies the broker's certificate and name. Raises GiveUpError for files that do not serve."""
    tls = settings["tls"]
    if tls is None:
        return None
    try:
        context = ssl.create_default_context(ssl.Purpose.SERVER_AUTH, cafile=tls["ca"])
        if tls["cert"] is not None:
            # A key with a passphrase would ask on a terminal that nobody sees: an empty one is refused instead.
            context.load_cert_chain(tls["cert"], tls["key"], password="")
    except (OSError, ValueError) as error:
        raise GiveUpError(f"TLS files: {error}") from None
    return context


def take_service(descriptor: int) -> tuple[socket.socket, dict[str, Any]] | None:
    """The socket to the service and the settings; None when the service is gone already."""
    service = socket.socket(fileno=descriptor)
    service.settimeout(SILENT_S)
    raw = service.recv(PACKET_BYTES)
    service.setblocking(False)
    return (service, json.loads(raw)) if raw else None


async def _run(service: socket.socket, settings: dict[str, Any]) -> int:
    life = Life(service, settings)
    try:
        await life.live()
    except Exception as error:  # noqa: BLE001 - whatever a broker makes of the client, the service is told why
        life.cut(error)
    return 0


def main() -> int:
    """One life on the inherited socket whose number is the only argument."""
    taken = take_service(int(sys.argv[1]))
    if taken is None:
        return 0
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    return asyncio.run(_run(*taken))


if __name__ == "__main__":
    sys.exit(main())
