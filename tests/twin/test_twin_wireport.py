"""The drives' end of a pty: frames of a bus are taken and handed over together, and mean what they do one by one."""

from __future__ import annotations

import os
import select
import tty
from collections.abc import Iterator

import pytest

from drivers.can.slcan import ChunkParser, encode_frames
from drivers.described.codec import DriveCodec
from drivers.settings import GroupSettings
from drivers.twin.described import DescribedOnBus
from drivers.twin.gantry import Gantry
from drivers.twin.wireport import WirePort
from tests.fakes.described_settings import can_settings, described_twin_parameters, serial_settings

BEGIN_NS = 1_000_000_000
LATENCY_NS = 250_000
FRAME_NS = {6: 115_000, 8: 135_000}
"""55 + 10 n bits at 1 Mbit/s (Davis, Burns, Bril, Lukkien 2007)."""


class Client:
    """Whoever sits at the other end of the pty."""

    def __init__(self, settings: GroupSettings) -> None:
        self.port = WirePort(Gantry(settings, described_twin_parameters(), BEGIN_NS), settings)
        self.descriptor = os.open(self.port.channel, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self.descriptor)

    def say(self, data: bytes, now_ns: int) -> None:
        """One write, heard as a whole."""
        os.write(self.descriptor, data)
        assert select.select([self.port.fileno()], [], [], 10)[0]
        assert self.port.hear(now_ns)

    def take(self) -> bytes:
        """What has come with one read; it is there."""
        assert select.select([self.descriptor], [], [], 10)[0]
        return os.read(self.descriptor, 4096)

    @property
    def has_come(self) -> bool:
        """Whether anything can be read."""
        return bool(select.select([self.descriptor], [], [], 0)[0])

    def close(self) -> None:
        """Both ends."""
        os.close(self.descriptor)
        self.port.close()


@pytest.fixture
def bus() -> Iterator[Client]:
    client = Client(can_settings())
    client.say(b"S8\rO\r", BEGIN_NS)
    client.port.live(BEGIN_NS)
    client.take()
    yield client
    client.close()


@pytest.fixture
def line() -> Iterator[Client]:
    client = Client(serial_settings())
    yield client
    client.close()


def velocities() -> list[tuple[int, bytes]]:
    """A tick of both drives."""
    settings = can_settings()
    frames = []
    for axis in settings.axes.values():
        assert axis.described is not None
        (frame,) = DriveCodec(axis.described, axis.node_id).velocity(1000)
        frames.append((frame.can_id, frame.data))
    return frames


def test_a_tick_s_answers_leave_together_and_are_those_of_one_by_one(bus: Client) -> None:
    """Two frames, four answers: looked at twice, one write at the last one's instant; content as if looked at always.

    By hand: the second frame is there after 230 us; x's answers begin 250 us behind its own frame, 115 us, and last
    135 us each, y's follow: all is said at 115 + 250 + 4 x 135 = 905 us.
    """
    frames = velocities()
    bus.say(encode_frames(frames), BEGIN_NS)
    assert bus.take() == b"z\r" * 2
    looks: list[int] = []
    while not bus.has_come and len(looks) < 10:
        looks.append(bus.port.due_ns - BEGIN_NS)
        bus.port.live(bus.port.due_ns)
        if not bus.port.is_awaited:
            break
    assert looks == [2 * FRAME_NS[6], FRAME_NS[6] + LATENCY_NS + 4 * FRAME_NS[8]]
    came = [(frame.can_id, frame.data) for frame in ChunkParser().feed(bus.take())]

    one_by_one = DescribedOnBus(Gantry(can_settings(), described_twin_parameters(), BEGIN_NS), can_settings())
    for can_id, data in frames:
        one_by_one.hear(can_id, data, BEGIN_NS)
    for after_us in range(1000):
        one_by_one.live(BEGIN_NS + after_us * 1000)
    assert came == [(can_id, data) for _, can_id, data in one_by_one.answers]
    assert len(came) == 4


def test_an_answer_that_nothing_follows_is_not_kept(bus: Client) -> None:
    """One frame, one answer: it leaves at its own instant, 65 + 250 + 135 us behind the frame's."""
    drive = can_settings().axes["x"].described
    assert drive is not None
    (frame,) = DriveCodec(drive, 1).encode("read_status")
    bus.say(encode_frames([(frame.can_id, frame.data)]), BEGIN_NS)
    bus.take()
    bus.port.live(bus.port.due_ns)
    assert bus.port.due_ns == BEGIN_NS + 65_000 + LATENCY_NS + FRAME_NS[8]
    bus.port.live(bus.port.due_ns - 1)
    assert not bus.has_come
    bus.port.live(bus.port.due_ns)
    (answer,) = ChunkParser().feed(bus.take())
    assert DriveCodec(drive, 1).replies["status"].decode(answer.data) is not None


def test_a_line_s_answer_leaves_when_its_last_character_has_come(line: Client) -> None:
    """By hand at 1 Mbit/s, ten bits a character: 6 out, 300 us of silence, 250 us, 18 back."""
    drive = serial_settings().axes["x"].described
    assert drive is not None
    (frame,) = DriveCodec(drive, 1).encode("read_status")
    line.say(frame.data, BEGIN_NS)
    assert line.port.is_awaited
    character_ns = serial_settings().wire.character_ns  # type: ignore[union-attr]
    heard_ns = BEGIN_NS + len(frame.data) * character_ns + 300_000
    assert line.port.due_ns == heard_ns
    line.port.live(heard_ns)
    assert line.port.due_ns == heard_ns + LATENCY_NS + 18 * character_ns
    line.port.live(line.port.due_ns)
    assert DriveCodec(drive, 1).replies["state"].decode(line.take()) is not None
    assert not line.port.is_awaited
