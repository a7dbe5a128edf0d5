"""The words between streamer and guard: what a beat is and what makes it valid.

One message is one datagram of a SOCK_SEQPACKET connection to the guard's beat socket: a fixed little-endian
record that ends in the CRC-32 of all before it. Words from the streamer: ARM, BEAT, DISARM. Words from the
guard: ECHO (the guard lives and has taken beat ``sequence``), LATCHED (it has stopped, or refuses to arm).

A beat is valid when its length, magic and CRC hold. It is good when its sequence is the last one plus one,
its ``sent_ns`` is not older than the limit, and its lease ends later than now but no further ahead than the
longest lease allowed. Instants are CLOCK_MONOTONIC ns. Closing the connection without DISARM counts as death.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from enum import IntEnum

MAGIC = b"GBT1"
# Bits of ``flags``. The guard can only use the bad news in them: a streamer that hides a fault is no safer for it.
FRESH = 1
"""Bit 0: since the last beat a complete round of the drives' answers has come."""
REGISTERED = 2
"""Bit 1: positions are registered, so the envelope of position applies."""
DRIVE_FAULT = 4
"""Bit 2: a drive reports a fault."""
DRIVE_INPUT_OPEN = 8
"""Bit 3: a stop input that is wired to a drive is open."""
POWER_LOST = 16
"""Bit 4: a drive that should be enabled says that its motor power is gone."""
KNOWN_FLAGS = FRESH | REGISTERED | DRIVE_FAULT | DRIVE_INPUT_OPEN | POWER_LOST
_BODY = struct.Struct("<4sHHQqqq2q2q2qI")
_CRC = struct.Struct("<I")
MESSAGE_BYTES = _BODY.size + _CRC.size


class Word(IntEnum):
    """What a message says."""

    ARM = 1
    BEAT = 2
    DISARM = 3
    ECHO = 4
    LATCHED = 5


@dataclass(frozen=True, slots=True)
class Beat:
    """One message.

    ``position_um``, ``speed_um_s`` and ``following_um`` hold two axes in machine coordinates; they are a
    reason to stop when out of the envelope, never a proof of standstill. ``flags`` are those named in this
    module; a BEAT with any other bit set is no beat that the guard knows.
    """

    word: Word
    sequence: int
    sent_ns: int
    lease_until_ns: int
    tick: int = 0
    position_um: tuple[int, int] = (0, 0)
    speed_um_s: tuple[int, int] = (0, 0)
    following_um: tuple[int, int] = (0, 0)
    flags: int = 0


class UnreadableBeatError(ValueError):
    """The bytes are no valid message."""


def pack(beat: Beat) -> bytes:
    """Encode ``beat``; the inverse of ``unpack``."""
    body = _BODY.pack(
        MAGIC, 1, beat.word, beat.sequence, beat.sent_ns, beat.lease_until_ns, beat.tick,
        *beat.position_um, *beat.speed_um_s, *beat.following_um, beat.flags,
    )  # fmt: skip
    return body + _CRC.pack(zlib.crc32(body))


def pack_into(
    buffer: bytearray,
    word: int,
    sequence: int,
    sent_ns: int,
    lease_until_ns: int,
    tick: int,
    x_um: int,
    y_um: int,
    x_um_s: int,
    y_um_s: int,
    x_following_um: int,
    y_following_um: int,
    flags: int,
) -> None:
    """Encode into ``buffer`` (MESSAGE_BYTES long) without building a ``Beat``: for the tick loop."""
    _BODY.pack_into(
        buffer, 0, MAGIC, 1, word, sequence, sent_ns, lease_until_ns, tick,
        x_um, y_um, x_um_s, y_um_s, x_following_um, y_following_um, flags,
    )  # fmt: skip
    _CRC.pack_into(buffer, _BODY.size, zlib.crc32(memoryview(buffer)[: _BODY.size]))


def unpack(message: bytes) -> Beat:
    """Decode one message. Raises UnreadableBeatError on a wrong length, magic, version, word or CRC."""
    if len(message) != MESSAGE_BYTES:
        raise UnreadableBeatError(f"expected {MESSAGE_BYTES} bytes, got {len(message)}")
    body = message[: _BODY.size]
    (crc,) = _CRC.unpack_from(message, _BODY.size)
    if zlib.crc32(body) != crc:
        raise UnreadableBeatError("checksum does not hold")
    magic, version, word, sequence, sent_ns, lease_ns, tick, x, y, vx, vy, fx, fy, flags = _BODY.unpack(body)
    if magic != MAGIC or version != 1:
        raise UnreadableBeatError(f"expected magic {MAGIC!r} version 1, got {magic!r} version {version}")
    try:
        known = Word(word)
    except ValueError:
        raise UnreadableBeatError(f"unknown word {word}") from None
    return Beat(known, sequence, sent_ns, lease_ns, tick, (x, y), (vx, vy), (fx, fy), flags)
