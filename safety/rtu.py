"""The guard's way to drives on a Modbus RTU line: ready frames out, each in its own silence, and positions in.

Owns the instants of its frames on the line and the finding of positions in answers. What the frames mean was settled by
whoever wrote the settings: broadcasts that stop every drive, and for each axis one request that stops it by name and
brings its position. Never waits for an answer; the one wait is for silence before the first frame, and it is bounded.

Sources: MODBUS over Serial Line V1.02, 2.5.1 (silence of 3.5 characters, 1.750 ms above 19200 bit/s; CRC-16 whose
value over a whole frame is 0).
"""

from __future__ import annotations

import array
import errno
import fcntl
import os
import termios
import time
from collections.abc import Sequence

from safety.settings import StandstillAxis
from safety.wire import WireError, _Descriptor

SPEEDS = {
    getattr(termios, f"B{speed}"): speed
    for speed in (9600, 19200, 38400, 57600, 115200, 230400, 460800, 500000, 576000, 921600, 1000000, 1500000, 2000000)
}  # fmt: skip
SLOWEST = 9600
SILENCE_NS = 1_750_000
CHARACTER_BITS = 12
BROADCASTS_FIRST = 3
BROADCAST_EVERY = 24
"""Frames between two broadcasts, once positions are asked for: each such request is a stop by itself."""

ANSWER_PATIENCE_NS = 10_000_000
"""Silence and turnaround of a drive, at most; then the next is asked."""

LONGEST_FRAME = 64
"""Characters that may be on the line when a stop begins. A longer answer is talked into, and the stop repeated."""

_LOOK_S = 0.0001
_READ_BYTES = 4096
_READS_MAX = 32
_HELD_BYTES = 512
_READ_WRITE = 0x17


def crc16(data: bytes) -> int:
    """CRC-16 of the serial line guide: A001h, from FFFFh."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
    return register


def position_in(received: bytes, axis: StandstillAxis, *, low_first: bool) -> int | None:
    """The position in a whole good answer of ``axis``' unit to its request, wherever it stands; None without one."""
    length = axis.offset_bytes + axis.length_bytes
    head = bytes((axis.can_id, _READ_WRITE, length))
    at = received.find(head)
    while at >= 0:
        frame = received[at : at + len(head) + length + 2]
        if len(frame) == len(head) + length + 2 and crc16(frame) == 0:
            words = frame[len(head) + axis.offset_bytes : -2]
            if low_first:
                words = b"".join(words[k : k + 2] for k in range(len(words) - 2, -1, -2))
            return int.from_bytes(words, "big", signed=True)
        at = received.find(head, at + 1)
    return None


class RtuWire(_Descriptor):
    """A serial line of Modbus drives. Opened beside whoever else has it open; its settings stay as they are."""

    def __init__(
        self,
        channel: str,
        frames: Sequence[bytes],
        poll: bytes,
        axes: Sequence[StandstillAxis],
        *,
        low_first: bool,
    ) -> None:
        try:
            descriptor = os.open(channel, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:
            raise WireError(error.errno, f"wire {channel}: {error.strerror}") from None
        if not os.isatty(descriptor):
            os.close(descriptor)
            raise WireError(errno.ENOTTY, f"wire {channel}: expected a serial line, got something else")
        super().__init__(descriptor, axes)
        self._axes = tuple(axes)
        self._low_first = low_first
        self._stops = tuple(frames)
        size = len(poll) // len(self._axes) if self._axes else 0
        self._polls = tuple(poll[k * size : (k + 1) * size] for k in range(len(self._axes)) if size)
        self._frames_sent = 0
        self._next_poll = 0
        self._free_ns = 0
        self._asked: int | None = None
        self._asked_until_ns = 0
        self._received = b""

    def send_stop(self) -> int:
        """The next frame, where the line is free for one; returns how many bytes went out.

        The first call says the first stop twice. At once, with what others had queued dropped: on a line that was quiet
        that is all. And, since a frame that was cut or an answer under way may have spoilt it, once more behind a
        silence, which is waited for, at most for ``LONGEST_FRAME`` characters and the silence itself.
        """
        try:
            if self._frames_sent == 0:
                termios.tcflush(self._descriptor, termios.TCOFLUSH)
                os.write(self._descriptor, self._stops[0])
                self._await_silence(len(self._stops[0]) * self._character_ns())
            now_ns = time.monotonic_ns()
            if self._asked is not None and now_ns >= self._asked_until_ns:
                self._asked = None
            if now_ns < self._free_ns or self._asked is not None:
                return 0
            return self._send(now_ns)
        except (OSError, termios.error):
            return 0

    def _send(self, now_ns: int) -> int:
        count = self._frames_sent
        is_stop = count < BROADCASTS_FIRST * len(self._stops) or count % BROADCAST_EVERY == 0
        is_stop = is_stop or not self._polls
        frame = self._stops[count % len(self._stops)] if is_stop else self._polls[self._next_poll]
        try:
            sent = os.write(self._descriptor, frame)
        except BlockingIOError:
            sent = 0
        if sent != len(frame):
            # A line full of stale commands is emptied; this one then follows a frame that was cut, so silence first.
            termios.tcflush(self._descriptor, termios.TCOFLUSH)
            self._free_ns = now_ns + self._silence_ns()
            return 0
        self._frames_sent += 1
        end_ns = now_ns + len(frame) * self._character_ns()
        self._free_ns = end_ns + self._silence_ns()
        if not is_stop:
            self._received = b""
            self._asked = self._next_poll
            self._next_poll = (self._next_poll + 1) % len(self._polls)
            answer_ns = 9 * self._character_ns()
            self._asked_until_ns = end_ns + ANSWER_PATIENCE_NS + answer_ns
        return sent

    def read_positions(self) -> list[tuple[int, int]]:
        """The position in the answer that has come, if any."""
        chunk = b""
        for _ in range(_READS_MAX):
            try:
                piece = os.read(self._descriptor, _READ_BYTES)
            except OSError:
                break
            if not piece:
                break
            chunk += piece
        if not chunk:
            return []
        self._free_ns = max(self._free_ns, time.monotonic_ns() + self._silence_ns())
        if self._asked is None:
            return []
        self._received = (self._received + chunk)[-_HELD_BYTES:]
        index = self._asked
        counts = position_in(self._received, self._axes[index], low_first=self._low_first)
        if counts is None:
            return []
        self._asked = None
        return [(index, counts)]

    def _await_silence(self, leaving_ns: int) -> None:
        """Nothing comes and nothing leaves for one silence behind ``leaving_ns``; no longer than a frame may take."""
        now_ns = time.monotonic_ns()
        quiet_ns = now_ns + leaving_ns
        silence_ns = self._silence_ns()
        until_ns = quiet_ns + silence_ns + LONGEST_FRAME * self._character_ns()
        seen = self._waiting()
        while now_ns - quiet_ns < silence_ns and now_ns < until_ns:
            time.sleep(_LOOK_S)
            now_ns = time.monotonic_ns()
            waiting = self._waiting()
            if waiting != seen:
                seen, quiet_ns = waiting, now_ns

    def _waiting(self) -> tuple[int, int]:
        """Bytes that wait to be read, and to leave."""
        found = array.array("i", [0, 0])
        for place, request in enumerate((termios.FIONREAD, termios.TIOCOUTQ)):
            one = array.array("i", [0])
            fcntl.ioctl(self._descriptor, request, one)
            found[place] = one[0]
        return found[0], found[1]

    def _character_ns(self) -> int:
        speed = SPEEDS.get(termios.tcgetattr(self._descriptor)[5], SLOWEST)
        return CHARACTER_BITS * 1_000_000_000 // speed

    def _silence_ns(self) -> int:
        return max(SILENCE_NS, 7 * self._character_ns() // 2)
