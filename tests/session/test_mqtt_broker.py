"""The demonstration's broker against another's client (aiomqtt on paho-mqtt), and what no client says."""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import aiomqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from controller.session import mqttbroker
from controller.session.mqttbroker import CONNECT, PACKET_MAX, PINGREQ, Broker, covers, packet


@asynccontextmanager
async def broker() -> AsyncIterator[tuple[Broker, io.StringIO]]:
    log = io.StringIO()
    one = Broker(log)
    await one.open()
    try:
        yield one, log
    finally:
        await one.close()


async def one_message(client: aiomqtt.Client) -> aiomqtt.Message:
    async with asyncio.timeout(20.0):
        return await anext(aiter(client.messages))


@pytest.mark.parametrize("qos", [0, 1])
async def test_published_is_delivered_and_kept(qos: int) -> None:
    """Who has subscribed gets it as it was sent; who comes later gets the kept copy, marked as one; an empty one takes
    it away."""
    async with broker() as (one, log), aiomqtt.Client("127.0.0.1", one.port) as ann:
        await ann.subscribe("giornata/+/state", qos=1)
        async with aiomqtt.Client("127.0.0.1", one.port) as bob:
            await bob.publish("giornata/boathouse/state", b"here", qos=qos, retain=True)
            await bob.publish("giornata/boathouse/other/state", b"deeper", qos=qos)
            got = await one_message(ann)
            assert (str(got.topic), got.payload, bool(got.retain), got.qos) == (
                "giornata/boathouse/state", b"here", False, qos,
            )  # fmt: skip
        async with aiomqtt.Client("127.0.0.1", one.port) as eve:
            await eve.subscribe("giornata/#", qos=1)
            kept = await one_message(eve)
            assert (kept.payload, bool(kept.retain)) == (b"here", True)
            await eve.publish("giornata/boathouse/state", b"", qos=1, retain=True)
        async with aiomqtt.Client("127.0.0.1", one.port) as ada:
            await ada.subscribe("giornata/#", qos=1)
            await ada.publish("giornata/x", b"first", qos=1)
            assert (await one_message(ada)).payload == b"first"
        lines = [json.loads(line) for line in log.getvalue().splitlines()]
        assert [line["body"] for line in lines] == ["here", "deeper", "", "first"]


async def test_will_comes_for_who_breaks_off_and_not_for_a_farewell() -> None:
    """A line that breaks publishes the will; DISCONNECT does not."""
    will = aiomqtt.Will("giornata/boathouse/state", b"gone", qos=1, retain=True)
    async with broker() as (one, log), aiomqtt.Client("127.0.0.1", one.port) as ann:
        await ann.subscribe("#", qos=1)
        async with aiomqtt.Client("127.0.0.1", one.port, identifier="gantry", will=will):
            pass
        # The second of a name puts the first one out, whose will is published.
        reader, writer = await asyncio.open_connection("127.0.0.1", one.port)
        raw = bytes.fromhex("00044d5154540406003c") + b"\x00\x06gantry" + b"\x00\x01w" + b"\x00\x04gone"
        writer.write(bytes([0x10, len(raw)]) + raw)
        assert await reader.readexactly(4) == b"\x20\x02\x00\x00"
        writer.transport.abort()
        got = await one_message(ann)
        assert (str(got.topic), got.payload) == ("w", b"gone")
        assert len(log.getvalue().splitlines()) == 1


@pytest.mark.parametrize(
    "said",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        b"\x30\x05\x00\x01ahi",
        b"\x10\xff\xff\xff\x7f",
        b"\x10\xff\xff\xff\xff\x7f",
        b"\x10\x0c\x00\x04MQTT\x05\x02\x00\x3c\x00\x00",
        b"\x10\x0d\x00\x04MQTT\x04\x02\x00\x3c\x00\x01\xff",
    ],
)
async def test_what_no_client_says_is_cut_off_and_harms_nobody(
    said: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another protocol, PUBLISH first, a length beyond measure, another version, no UTF-8: cut; others go on.

    What may go on as a packet and does not is waited for, here not for long.
    """
    monkeypatch.setattr(mqttbroker, "CONNECT_S", 2.0)
    async with broker() as (one, _), aiomqtt.Client("127.0.0.1", one.port) as ann:
        reader, writer = await asyncio.open_connection("127.0.0.1", one.port)
        writer.write(said)
        async with asyncio.timeout(20.0):
            answer = b""
            with contextlib.suppress(ConnectionError):
                answer = await reader.read()
        assert len(answer) <= 4
        writer.close()
        await ann.subscribe("a", qos=1)
        await ann.publish("a", b"x" * 1000, qos=1)
        assert len((await one_message(ann)).payload) == 1000
    assert PACKET_MAX < 268_435_455


class Deaf:
    """A client's line that takes everything in and is never read at its other end."""

    def __init__(self) -> None:
        self.transport = self
        self.unread = 0
        self.is_cut = False

    def write(self, data: bytes) -> None:
        """Kept unread."""
        self.unread += len(data)

    def get_write_buffer_size(self) -> int:
        """As a transport's."""
        return self.unread

    def abort(self) -> None:
        """Cut it."""
        self.is_cut = True


async def test_who_asks_on_and_never_reads_is_put_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Answers count like messages: what one client leaves unread is bounded, whatever it asks."""
    monkeypatch.setattr(mqttbroker, "UNREAD_MAX", 1000)
    reader, deaf = asyncio.StreamReader(), Deaf()
    reader.feed_data(packet(CONNECT, 0, b"\x00\x04MQTT\x04\x02\x00\x00\x00\x01x"))
    reader.feed_data(packet(PINGREQ, 0, b"") * 2000)
    async with asyncio.timeout(20.0):
        await Broker()._client(reader, deaf)  # type: ignore[arg-type]
    assert deaf.is_cut
    assert deaf.unread <= 1010


_LEVELS = st.lists(st.sampled_from(["a", "b", "", "$x"]), min_size=1, max_size=4)


@given(_LEVELS, st.lists(st.sampled_from(["a", "b", "", "+", "$x"]), min_size=1, max_size=4), st.booleans())
def test_patterns_cover_what_paho_says(levels: list[str], wanted: list[str], hashed: bool) -> None:
    """Wildcards as in the client library's own matching."""
    topic, pattern = "/".join(levels), "/".join([*wanted, "#"] if hashed else wanted)
    if topic and pattern:
        assert covers(pattern, topic) == topic_matches_sub(pattern, topic)
