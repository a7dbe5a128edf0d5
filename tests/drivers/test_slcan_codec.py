"""The serial CAN adapter's lines, in any chunks."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from drivers.can.slcan import (
    EXTENDED_FLAG,
    LINE_BYTES_MAX,
    REMOTE_FLAG,
    ChunkParser,
    encode_frames,
)

IDS = st.one_of(
    st.integers(0, 0x7FF),
    st.integers(0, 0x7FF).map(lambda can_id: can_id | REMOTE_FLAG),
    st.integers(0, 0x1FFF_FFFF).map(lambda can_id: can_id | EXTENDED_FLAG),
    st.integers(0, 0x1FFF_FFFF).map(lambda can_id: can_id | EXTENDED_FLAG | REMOTE_FLAG),
)


def _as_sent(can_id: int, data: bytes) -> tuple[int, bytes]:
    return can_id, bytes(len(data)) if can_id & REMOTE_FLAG else data


FRAMES = st.lists(st.builds(_as_sent, IDS, st.binary(max_size=8)), max_size=20)


def feed_in_chunks(parser: ChunkParser, text: bytes, cuts: list[int]) -> list[tuple[int, bytes]]:
    frames = []
    places = sorted({0, len(text), *(cut % (len(text) + 1) for cut in cuts)})
    for start, end in pairwise(places):
        frames += parser.feed(text[start:end])
        assert parser.held_bytes < LINE_BYTES_MAX
    return [(frame.can_id, frame.data) for frame in frames]


@given(FRAMES, st.lists(st.integers(0, 10_000), max_size=30))
def test_round_trip_in_any_chunks(frames: list[tuple[int, bytes]], cuts: list[int]) -> None:
    """Frames survive encoding and parsing whatever the chunks, in order, with nothing counted as garbled."""
    parser = ChunkParser()
    assert feed_in_chunks(parser, encode_frames(frames), cuts) == frames
    assert parser.garbled == parser.refusals == 0


@given(st.lists(st.binary(max_size=200), max_size=20))
def test_any_bytes_do_no_harm(chunks: list[bytes]) -> None:
    """Random bytes never raise, never make an impossible frame and never fill memory."""
    parser = ChunkParser()
    for chunk in chunks:
        for frame in parser.feed(chunk):
            assert len(frame.data) <= 8
            assert frame.can_id & 0x1FFF_FFFF <= (0x1FFF_FFFF if frame.can_id & EXTENDED_FLAG else 0x7FF)
        assert parser.held_bytes < LINE_BYTES_MAX


@given(st.binary(max_size=100), FRAMES, st.lists(st.integers(0, 10_000), max_size=10))
def test_frames_after_garbage_are_read(
    garbage: bytes, frames: list[tuple[int, bytes]], cuts: list[int]
) -> None:
    """After any garbage and one line end every frame is read."""
    parser = ChunkParser()
    parser.feed(garbage + b"\r")
    assert feed_in_chunks(parser, encode_frames(frames), cuts) == frames


TEXT = st.text("0123456789ABCDEFabcdeftTrR +-_x\r\a\n", max_size=80).map(str.encode)


@given(st.lists(TEXT, max_size=10))
def test_near_misses_are_counted_or_read(pieces: list[bytes]) -> None:
    """Lines that almost are frames are read only when they encode back to themselves, else counted."""
    parser = ChunkParser()
    for piece in pieces:
        for line in piece.replace(b"\a", b"\r").split(b"\r"):
            before = parser.garbled
            got = parser.feed(line + b"\r")
            if got:
                (frame,) = got
                canonical = encode_frames([(frame.can_id, frame.data)])[:-1]
                assert line.upper()[: len(canonical)] == canonical.upper()
                assert len(line) - len(canonical) in (0, 4)
            elif line and not line.startswith(b"F"):  # F: the adapter's status answer
                assert parser.garbled == before + 1


def test_a_flipped_character_is_dropped_and_counted() -> None:
    """A wrong length, a wrong digit, a blank or a sign where a digit belongs: no frame, one count."""
    for line in (b"t2015010203\r", b"t20G1FF\r", b"t2019FF\r", b"t2011F\r", b"t2011 F\r", b"t+011FF\r",
                 b"t8001FF\r", b"T2000000010\r", b"q\r", b"t\r", b"t20\r", b"r2019\r", b"t0_10\r"):  # fmt: skip
        parser = ChunkParser()
        assert parser.feed(line) == [], line
        assert parser.garbled == 1, line


def test_bells_are_refusals_and_end_a_line() -> None:
    """The adapter's bell is counted; what it cut off is garbled; what follows is read."""
    parser = ChunkParser()
    frames = parser.feed(b"\at2011FF\r\at2011\at2021AA\r")
    assert [(frame.can_id, frame.data) for frame in frames] == [(0x201, b"\xff"), (0x202, b"\xaa")]
    assert (parser.refusals, parser.garbled) == (3, 1)


def test_answers_without_frames_are_passed_over() -> None:
    """Plain line ends, send confirmations, version and status answers are neither frames nor garbage."""
    parser = ChunkParser()
    assert parser.feed(b"\r\rz\rZ\rV1013\rNA123\rF00\r") == []
    assert parser.garbled == 0


def test_time_stamps_are_passed_over() -> None:
    """Four more digits, an adapter's time stamp, do not disturb a frame."""
    (frame,) = ChunkParser().feed(b"t1812AABB1F40\r", 7)
    assert (frame.can_id, frame.data, frame.received_ns) == (0x181, b"\xaa\xbb", 7)


def test_an_endless_line_is_dropped_once() -> None:
    """A line that never ends costs one count and no memory; the next line is read."""
    parser = ChunkParser()
    for _ in range(1000):
        assert parser.feed(b"t" * 100) == []
        assert parser.held_bytes < LINE_BYTES_MAX
    assert parser.garbled == 1
    assert [frame.can_id for frame in parser.feed(b"\rt2010\r")] == [0x201]
