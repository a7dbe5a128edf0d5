"""A streamer killed in the middle of a tick: wherever its bytes were cut, the stop that follows is taken whole.

The end of a cut line is the one of the shipped stop plan. Judges: the simulated adapter's parser of the text protocol
here, strict and careless, and python-can's in ``test_wire``.
"""

from __future__ import annotations

import os
import struct
import tty
from collections.abc import Iterator

import pytest

from drivers.registry import stop_plan
from drivers.twin.slcan import SerialCanAdapter
from safety.wire import TtyWire
from tests.fakes.drive_settings import group_settings

END = stop_plan(group_settings(), "a line").end_frame


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
# The same with data that end in the digit C wherever they can: cut before it, the rest is the adapter's CLOSE.
FRAMES_WITH_C = (
    (0x201, struct.pack("<Hi", 0x000F, 0x0C00_0000)),
    (0x202, struct.pack("<Hi", 0x000F, -0x0400_0000)),
    (0x301, struct.pack("<I", 0x0C00_0000)),
    (0x080, b""),
    (0x77F, b"\x0c"),
)
TICK = b"".join(line_of(*frame) for frame in FRAMES)
TICK_WITH_C = b"".join(line_of(*frame) for frame in FRAMES_WITH_C)
BEFORE_C = [cut for cut in range(len(TICK_WITH_C)) if TICK_WITH_C[cut : cut + 2] == b"C\r"]
CUTS = [(FRAMES, cut) for cut in range(len(TICK) + 1)] + [
    (FRAMES_WITH_C, cut) for cut in range(len(TICK_WITH_C) + 1)
]
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


class CarelessAdapter(SerialCanAdapter):
    """An adapter that looks at a command's first letter only: every line that begins with C closes it."""

    def _command(self, line: bytes, frames: list[tuple[int, bytes]]) -> bytes:
        return super()._command(line[:1] if line[:1] in (b"C", b"O") else line, frames)


ADAPTERS = (SerialCanAdapter, CarelessAdapter)


def taken(
    stream: bytes, kind: type[SerialCanAdapter] = SerialCanAdapter
) -> tuple[list[tuple[int, bytes]], SerialCanAdapter]:
    """What an open adapter puts on the bus."""
    adapter = kind(1_000_000)
    adapter.feed(b"S8\rO\r")
    return adapter.feed(stream)[0], adapter


def wire_on(channel: str, end: bytes) -> TtyWire:
    return TtyWire(channel, end, [line_of(*frame) for frame in STOPS], line_of(*POLL), ())


def round_from(far_end: tuple[int, str], end: bytes = END) -> bytes:
    """One round as the guard really writes it."""
    master, channel = far_end
    wire = wire_on(channel, end)
    sent = wire.send_stop()
    found = b""
    while len(found) < sent:
        found += os.read(master, 4096)
    wire.close()
    return found


@pytest.mark.parametrize("kind", ADAPTERS)
def test_every_byte_of_a_tick_may_be_the_last(far_end: tuple[int, str], kind: type[SerialCanAdapter]) -> None:
    """After any number of a tick's bytes the first round is taken whole, and nothing that was not in the tick."""
    one_round = round_from(far_end)
    for tick, cut in CUTS:
        stream = b"".join(line_of(*frame) for frame in tick)
        frames, adapter = taken(stream[:cut] + one_round, kind)
        before = frames[: -len(ROUND_FRAMES)]
        assert frames[-len(ROUND_FRAMES) :] == ROUND_FRAMES, cut
        assert before == list(tick[: len(before)]), cut
        assert adapter.is_on_bus, cut


@pytest.mark.parametrize("kind", ADAPTERS)
def test_a_streamer_that_gets_its_last_bytes_out_after_the_first_round(
    far_end: tuple[int, str], kind: type[SerialCanAdapter]
) -> None:
    """Should the rest of the tick still come between two rounds, whatever it reads as, the second is taken whole."""
    one_round = round_from(far_end)
    for tick, cut in CUTS:
        stream = b"".join(line_of(*frame) for frame in tick)
        frames, adapter = taken(stream[:cut] + one_round + stream[cut:] + one_round, kind)
        assert adapter.is_on_bus, cut
        assert frames[-len(ROUND_FRAMES) :] == ROUND_FRAMES, cut
        assert all(frame in (*tick, *ROUND_FRAMES) for frame in frames), cut


@pytest.mark.parametrize("cut", BEFORE_C)
def test_a_rest_that_reads_as_close_is_survived(far_end: tuple[int, str], cut: int) -> None:
    """The one dangerous rest: data that end in the digit C, cut right before it, read as the adapter's CLOSE.

    The plan's end of a cut line opens the channel again. With a bare CR the adapter stays closed for ever, which is
    why the tests above can fail.
    """
    stopped = {}
    for end in (b"\r", END):
        one_round = round_from(far_end, end)
        frames, adapter = taken(TICK_WITH_C[:cut] + one_round + TICK_WITH_C[cut : cut + 2] + one_round * 3)
        stopped[end] = adapter.is_on_bus and frames[-3 * len(ROUND_FRAMES) :] == ROUND_FRAMES * 3
    assert stopped == {b"\r": False, END: True}


def test_every_line_of_a_tick_that_carries_data_is_cut_there() -> None:
    """The dangerous cuts are there: one in each line with data."""
    assert len(BEFORE_C) == sum(bool(data) for _, data in FRAMES_WITH_C)
