"""A streamer killed in the middle of a tick: wherever its bytes were cut, the stop that follows is taken whole.

Judges: the simulated adapter's parser of the text protocol here, python-can's in ``test_wire``.
"""

from __future__ import annotations

import os
import struct
import tty
from collections.abc import Iterator

import pytest

from drivers.twin.slcan import SerialCanAdapter
from safety.wire import TtyWire


def line_of(can_id: int, data: bytes) -> bytes:
    """The adapter's text for a data frame."""
    return b"t%03X%d" % (can_id, len(data)) + data.hex().upper().encode() + b"\r"


# One tick as the streamer writes it: two velocities, the head's output, SYNC, our heartbeat. Numbers with every digit.
FRAMES = (
    (0x201, struct.pack("<Hi", 0x000F, 0x0189ABCD)),
    (0x202, struct.pack("<Hi", 0x000F, -0x01234568)),
    (0x301, struct.pack("<I", 0x00010000)),
    (0x080, b""),
    (0x77F, b"\x05"),
)
TICK = b"".join(line_of(*frame) for frame in FRAMES)
STOPS = ((0x201, struct.pack("<Hi", 0x0002, 0)), (0x202, struct.pack("<Hi", 0x0002, 0)))
POLL = (0x080, b"")
ROUND_FRAMES = [*STOPS, POLL]


@pytest.fixture
def far_end() -> Iterator[tuple[int, str]]:
    """A raw pty: its far end and its name."""
    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(master)
    os.close(slave)


def taken(stream: bytes) -> tuple[list[tuple[int, bytes]], SerialCanAdapter]:
    """What an open adapter puts on the bus."""
    adapter = SerialCanAdapter(1_000_000)
    adapter.feed(b"S8\rO\r")
    return adapter.feed(stream)[0], adapter


def wire_on(channel: str, end: bytes) -> TtyWire:
    return TtyWire(channel, end, [line_of(*frame) for frame in STOPS], line_of(*POLL), ())


def round_from(far_end: tuple[int, str], end: bytes = b"\r") -> bytes:
    """One round as the guard really writes it."""
    master, channel = far_end
    wire = wire_on(channel, end)
    sent = wire.send_stop()
    found = b""
    while len(found) < sent:
        found += os.read(master, 4096)
    wire.close()
    return found


@pytest.mark.parametrize("cut", range(len(TICK) + 1))
def test_every_byte_of_a_tick_may_be_the_last(far_end: tuple[int, str], cut: int) -> None:
    """After any number of a tick's bytes the first round is taken whole, and nothing that was not in the tick."""
    frames, adapter = taken(TICK[:cut] + round_from(far_end))
    before = frames[: -len(ROUND_FRAMES)]
    assert frames[-len(ROUND_FRAMES) :] == ROUND_FRAMES
    assert before == list(FRAMES[: len(before)])
    assert adapter.is_on_bus


@pytest.mark.parametrize("cut", range(len(TICK) + 1))
def test_a_streamer_that_gets_its_last_bytes_out_after_the_first_round(
    far_end: tuple[int, str], cut: int
) -> None:
    """Should the rest of the tick still come between two rounds, the second round is taken whole."""
    one_round = round_from(far_end)
    frames, adapter = taken(TICK[:cut] + one_round + TICK[cut:] + one_round)
    assert adapter.is_on_bus
    assert frames[-len(ROUND_FRAMES) :] == ROUND_FRAMES
    assert all(frame in (*FRAMES, *ROUND_FRAMES) for frame in frames)


def test_a_rest_that_reads_as_close_is_survived_where_the_round_opens_again(far_end: tuple[int, str]) -> None:
    """The one dangerous rest: data that end in the digit C, cut right before it, read as the adapter's CLOSE.

    With an end of frame that also says OPEN (an open adapter only refuses that), the second round is taken whole;
    with a bare CR it is not, which is why this test can fail.
    """
    tick = line_of(0x202, b"\x0f\x00\x00\x00\x00\x0c")
    results = []
    for end in (b"\r", b"\rO\r"):
        one_round = round_from(far_end, end)
        frames, _ = taken(tick[:-2] + one_round + tick[-2:] + one_round)
        results.append(frames == ROUND_FRAMES * 2)
    assert results == [False, True]
