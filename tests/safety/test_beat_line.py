"""The words on the line, and the streamer's end of it."""

from __future__ import annotations

import socket
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from safety.beat import MESSAGE_BYTES, Beat, UnreadableBeatError, Word, pack, pack_into, unpack
from safety.client import BeatLine, GuardUnreachableError, request_status

INT64 = st.integers(-(2**63), 2**63 - 1)
PAIR = st.tuples(INT64, INT64)
BEATS = st.builds(
    Beat,
    st.sampled_from(Word),
    st.integers(0, 2**64 - 1),
    INT64,
    INT64,
    INT64,
    PAIR,
    PAIR,
    PAIR,
    st.integers(0, 3),
)


@given(BEATS)
def test_unpack_is_the_inverse_of_pack(beat: Beat) -> None:
    """Every word survives the line unchanged, and the loop's packer writes the same bytes."""
    assert unpack(pack(beat)) == beat
    buffer = bytearray(MESSAGE_BYTES)
    pack_into(
        buffer, beat.word, beat.sequence, beat.sent_ns, beat.lease_until_ns, beat.tick,
        *beat.position_um, *beat.speed_um_s, *beat.following_um, beat.flags,
    )  # fmt: skip
    assert bytes(buffer) == pack(beat)


@given(BEATS, st.integers(0, 8 * MESSAGE_BYTES - 1))
def test_any_flipped_bit_is_seen(beat: Beat, bit: int) -> None:
    """A CRC-32 finds every single-bit error (a property of the polynomial of IEEE 802.3, as zlib computes it)."""
    spoiled = bytearray(pack(beat))
    spoiled[bit // 8] ^= 1 << bit % 8
    with pytest.raises(UnreadableBeatError):
        unpack(bytes(spoiled))


@given(st.binary(max_size=2 * MESSAGE_BYTES))
def test_noise_is_no_beat(noise: bytes) -> None:
    """Random bytes are refused with the one error that says so."""
    with pytest.raises(UnreadableBeatError):
        unpack(noise)


@pytest.mark.parametrize(("offset", "value"), [(0, b"XXXX"), (4, b"\x02\x00"), (6, b"\x63\x00")])
def test_a_good_checksum_over_a_bad_header_is_refused(offset: int, value: bytes) -> None:
    """Another magic, another version or an unknown word is no beat even with a checksum that holds."""
    body = bytearray(pack(Beat(Word.BEAT, 1, 2, 3))[:-4])
    body[offset : offset + len(value)] = value
    with pytest.raises(UnreadableBeatError):
        unpack(bytes(body) + zlib.crc32(body).to_bytes(4, "little"))


@pytest.fixture
def ends() -> Iterator[tuple[BeatLine, socket.socket]]:
    """A line and the guard's end of it, played by the test."""
    near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    line = BeatLine(near, answer_timeout_s=0.05)
    yield line, far
    line.close()
    far.close()


def beat(line: BeatLine, now_ns: int = 10) -> bool:
    return line.beat(now_ns, now_ns + 5, 3, 1, 2, 3, 4, 5, 6, 1)


def test_arm_waits_for_the_echo(ends: tuple[BeatLine, socket.socket]) -> None:
    """ARM counts only when the guard has echoed it; the next word carries the next number."""
    line, far = ends
    far.send(pack(Beat(Word.ECHO, 1, 77, 0)))
    assert line.arm(10, 20, (4, 5), 3)
    assert line.poll_echo() == (1, 77)
    assert beat(line)
    arm, first = unpack(far.recv(200)), unpack(far.recv(200))
    assert (arm.word, arm.sequence, arm.position_um, arm.flags) == (Word.ARM, 1, (4, 5), 3)
    assert first == Beat(Word.BEAT, 2, 10, 15, 3, (1, 2), (3, 4), (5, 6), 1)


def test_arm_without_answer_or_with_latched_is_not_armed(ends: tuple[BeatLine, socket.socket]) -> None:
    """Silence is no consent, and LATCHED is a refusal."""
    line, far = ends
    assert not line.arm(10, 20)
    assert not line.latched
    far.send(pack(Beat(Word.LATCHED, 2, 77, 0)))
    assert not line.arm(10, 20)
    assert line.latched


def test_a_guard_that_stops_reading_makes_beats_fail_without_blocking(
    ends: tuple[BeatLine, socket.socket],
) -> None:
    """When the line is full a beat returns False at once, and goes out again under the same number later."""
    line, far = ends
    sent = 0
    while beat(line):
        sent += 1
        assert sent < 100_000
    assert not line.gone
    far.recv(200)
    assert beat(line)


def test_a_guard_that_is_gone_is_seen_and_raises_nothing(ends: tuple[BeatLine, socket.socket]) -> None:
    """A closed line makes every word False, for good, without an exception."""
    line, far = ends
    far.close()
    line.poll_echo()
    assert line.gone
    assert not beat(line)
    assert not line.disarm(10)
    line.close()
    assert not beat(line)
    assert line.poll_echo() == (-1, 0)


def test_values_beyond_the_record_do_not_raise_in_the_loop(ends: tuple[BeatLine, socket.socket]) -> None:
    """A number that does not fit is a beat that cannot be handed over, not an exception in the tick."""
    line, _ = ends
    assert not line.beat(10, 20, 1, 2**70, 0, 0, 0, 0, 0, 0)


def test_garbage_from_the_guard_is_no_echo(ends: tuple[BeatLine, socket.socket]) -> None:
    """Only a readable ECHO counts as a sign of life."""
    line, far = ends
    far.send(b"noise")
    assert line.poll_echo() == (-1, 0)


def test_no_guard_says_so(tmp_path: Path) -> None:
    """Where no guard listens, connecting and asking raise the one error that names the socket."""
    with pytest.raises(GuardUnreachableError, match=r"nobody\.sock: no guard"):
        BeatLine.connect(tmp_path / "nobody.sock")
    with pytest.raises(GuardUnreachableError, match=r"nobody\.sock: no guard"):
        request_status(tmp_path / "nobody.sock")
