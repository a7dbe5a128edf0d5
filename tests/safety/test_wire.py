"""The guard's wire: whole stop frames whatever was cut before them, and positions out of any noise."""

from __future__ import annotations

import contextlib
import itertools
import os
import socket
import struct
import termios
import tty
import warnings
from collections.abc import Iterator

import can
import pytest
from can.interfaces.slcan import slcanBus
from hypothesis import example, given
from hypothesis import strategies as st

from safety.settings import StandstillAxis
from safety.wire import CanWire, NoWire, PositionReader, TtyWire, WireError

X = StandstillAxis("x", 0x181, 2, 4, 0.2)
Y = StandstillAxis("y", 0x182, 2, 4, 0.2)
STOPS = (b"t2016020000000000\r", b"t2026020000000000\r")
POLL = b"t0800\r"
SAMPLES = (b"t20160F00E8030000\r", b"t30140000FF00\r", b"t0800\r")
TPDO = struct.pack("<Hi", 0x0237, -123456)


def text(can_id: int, data: bytes, tail: bytes = b"\r") -> bytes:
    return b"t%03X%d" % (can_id, len(data)) + data.hex().upper().encode() + tail


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    """A raw pty: its far end and its name."""
    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(master)
    os.close(slave)


@pytest.fixture
def judge() -> Iterator[tuple[int, slcanBus]]:
    """python-can's own reader of the adapter's text, on another pty."""
    master, slave = os.openpty()
    tty.setraw(slave)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        bus = slcanBus(os.ttyname(slave), sleep_after_open=0)
    os.read(master, 4096)
    yield master, bus
    bus.shutdown()
    os.close(master)
    os.close(slave)


def frames_of(judge: tuple[int, slcanBus], stream: bytes, count: int) -> list[can.Message]:
    """What an independent parser makes of ``stream``, up to ``count`` whole stop or poll frames."""
    master, bus = judge
    os.write(master, stream)
    found: list[can.Message] = []
    whole = 0
    while whole < count:
        try:
            message = bus.recv(1.0)
        except (ValueError, IndexError):
            continue  # the parser threw a line away
        assert message is not None, f"only {found} in {stream!r}"
        found.append(message)
        whole += text(message.arbitration_id, bytes(message.data)) in (*STOPS, POLL)
    return found


@pytest.mark.parametrize("sample", SAMPLES)
def test_stop_frames_are_whole_after_every_cut(
    line: tuple[int, str], judge: tuple[int, slcanBus], sample: bytes
) -> None:
    """A line cut at any byte does not swallow the stop, and never turns into another whole command.

    Judge: python-can's reader of the same text protocol. A cut line that it still hands on does not have the
    length it states, so no adapter can send it.
    """
    master, channel = line
    wire = TtyWire(channel, b"\r", STOPS, POLL, (X,))
    for cut in range(len(sample) + 1):
        descriptor = os.open(channel, os.O_RDWR | os.O_NOCTTY)
        if cut:
            os.write(descriptor, sample[:cut])
        os.close(descriptor)
        assert wire.send_stop() == 1 + sum(map(len, STOPS)) + len(POLL)
        stream = b""
        while not stream.endswith(b"".join(STOPS) + POLL):
            stream += os.read(master, 4096)
        own_whole = cut >= len(sample) - 1 and sample == POLL
        found = frames_of(judge, stream, 4 if own_whole else 3)
        said = [text(message.arbitration_id, bytes(message.data)) for message in found]
        assert said[-3:] == [*STOPS, POLL]
        for message, words in zip(found[:-3], said[:-3], strict=True):
            assert words == sample or len(message.data) != message.dlc
    wire.close()


def test_a_stop_does_not_queue_behind_stale_commands(line: tuple[int, str]) -> None:
    """A line that nobody drains is emptied of old commands; the stop goes out and arrives whole."""
    master, channel = line
    os.set_blocking(master, False)
    clogged = os.open(channel, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(clogged, SAMPLES[0])
    wire = TtyWire(channel, b"\r", STOPS, POLL, (X,))
    assert wire.send_stop() > 0
    os.close(clogged)
    wire.send_stop()
    stream = b""
    for _ in range(100):
        try:
            stream += os.read(master, 65536)
        except BlockingIOError:
            break
    assert b"\r" + b"".join(STOPS) + POLL in stream
    wire.close()


def test_the_lines_settings_stay_as_they_are(line: tuple[int, str]) -> None:
    """Opening and writing change nothing about the line that the streamer has set up."""
    _, channel = line
    descriptor = os.open(channel, os.O_RDWR | os.O_NOCTTY)
    before = termios.tcgetattr(descriptor)
    wire = TtyWire(channel, b"\r", STOPS, POLL, (X,))
    wire.send_stop()
    assert termios.tcgetattr(descriptor) == before
    wire.close()
    wire.close()
    os.close(descriptor)


def test_a_pulled_adapter_is_seen() -> None:
    """When the far end goes, the wire is lost; writing and reading neither block nor raise."""
    master, slave = os.openpty()
    tty.setraw(slave)
    wire = TtyWire(os.ttyname(slave), b"\r", STOPS, POLL, (X,))
    assert not wire.is_lost()
    os.close(master)
    assert wire.is_lost()
    assert wire.send_stop() == 0
    assert wire.read_positions() == []
    wire.close()
    assert wire.is_lost()
    os.close(slave)


@pytest.mark.parametrize("channel", ["/dev/ttyNONE", "/dev/null"])
def test_what_is_no_serial_line_is_refused(channel: str) -> None:
    """A missing device and a device that is no serial line raise an error that names the channel."""
    with pytest.raises(WireError, match=f"wire {channel}"):
        TtyWire(channel, b"\r", STOPS, POLL, (X,))


def test_positions_come_from_the_wire(line: tuple[int, str]) -> None:
    """Positions that the adapter sends are read through the guard's own descriptor."""
    master, channel = line
    wire = TtyWire(channel, b"\r", STOPS, POLL, (X, Y))
    os.write(master, text(0x181, TPDO) + text(0x182, TPDO) + text(0x701, b"\x05"))
    found: list[tuple[int, int]] = []
    while len(found) < 2:
        found += wire.read_positions()
    assert found == [(0, -123456), (1, -123456)]
    wire.close()


@pytest.mark.parametrize(
    ("stream", "positions"),
    [
        (text(0x181, TPDO), [-123456]),
        (text(0x181, TPDO).lower(), [-123456]),
        (text(0x181, TPDO, b"1A2B\r"), [-123456]),
        (text(0x181, TPDO, b"\n"), [-123456]),
        (b"z\r\r\a" + text(0x181, TPDO), [-123456]),
        (text(0x181, TPDO)[5:] + text(0x181, TPDO), [-123456]),
        (text(0x181, TPDO)[:-3] + b"\r", []),
        (text(0x181, TPDO[:5]), []),
        (text(0x183, TPDO), []),
        (b"r1816\r", []),
        (b"T000001816" + TPDO.hex().encode() + b"\r", []),
        (text(0x181, TPDO)[:-1], []),
    ],
)
def test_reading_the_adapters_text(stream: bytes, positions: list[int]) -> None:
    """Whole lines with the right identifier and length give positions; all else gives none."""
    assert [counts for _, counts in PositionReader((X,)).feed_text(stream)] == positions


@given(
    st.lists(st.one_of(st.binary(max_size=30), st.just(text(0x181, TPDO))), max_size=12), st.integers(1, 7)
)
def test_noise_neither_raises_nor_hides_what_follows(pieces: list[bytes], size: int) -> None:
    """After any noise, in pieces of any size, the next whole line is read; the buffer stays small."""
    reader = PositionReader((X,))
    stream = b"".join(pieces) + b"\r"
    for start in range(0, len(stream), size):
        reader.feed_text(stream[start : start + size])
        assert len(reader._rest) <= 64 + size
    assert reader.feed_text(text(0x181, TPDO)) == [(0, -123456)]


@given(
    st.lists(st.sampled_from([b"t" * 90, b"x", b"\r", text(0x181, TPDO)]), max_size=12),
    st.lists(st.integers(1, 100), min_size=1, max_size=60),
)
@example([b"t" * 90, text(0x181, TPDO)], [90])
def test_pieces_give_what_the_whole_gives(parts: list[bytes], sizes: list[int]) -> None:
    """However the text is cut: the end of a line that was too long to be kept is no line of its own."""
    stream = b"".join(parts)
    whole, reader = PositionReader((X,)).feed_text(stream), PositionReader((X,))
    found, start = [], 0
    for size in itertools.cycle(sizes):
        if start >= len(stream):
            break
        found += reader.feed_text(stream[start : start + size])
        start += size
    assert found == whole


@given(st.integers(-(2**31), 2**31 - 1))
def test_any_position_of_a_drive_is_read(counts: int) -> None:
    """6064h is a signed 32-bit integer, little-endian (CiA 301 data types)."""
    stream = text(0x181, struct.pack("<Hi", 0x0237, counts))
    assert PositionReader((X,)).feed_text(stream) == [(0, counts)]


def can_frame(can_id: int, data: bytes) -> bytes:
    return struct.pack("=IB3x8s", can_id, len(data), data)


def test_raw_can_frames_both_ways() -> None:
    """On a CAN socket each frame goes out by itself; positions come from data frames with the right identifier.

    The layout is struct can_frame of linux/can.h; a packet socket of the same message kind stands in for the bus.
    """
    near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    stops = (can_frame(0x201, b"\x02\x00"), can_frame(0x202, b"\x02\x00"))
    wire = CanWire(near, stops, can_frame(0x80, b""), (X, Y))
    assert wire.send_stop() == 48
    assert [far.recv(64) for _ in range(3)] == [*stops, can_frame(0x80, b"")]
    for frame in (
        can_frame(0x181, TPDO),
        can_frame(0x8000_0181, TPDO),
        can_frame(0x4000_0181, TPDO),
        can_frame(0x2000_0181, TPDO),
        b"short",
        can_frame(0x182, TPDO),
    ):
        far.send(frame)
    assert wire.read_positions() == [(0, -123456), (1, -123456)]
    assert not wire.is_lost()
    far.close()
    assert wire.is_lost()
    assert wire.send_stop() == 0
    wire.close()


def test_no_wire_proves_nothing() -> None:
    """Without a wire nothing goes out and nothing comes."""
    wire = NoWire()
    assert (wire.send_stop(), wire.read_positions(), wire.fileno(), wire.is_lost()) == (0, [], -1, False)
