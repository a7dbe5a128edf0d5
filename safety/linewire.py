"""The guard's way to drives on a serial line: ready frames out, each in its own silence, and positions in.

Owns the instants of its frames on the line. What the frames mean was settled by whoever wrote the settings: stops, and
for each axis one request that brings its position. How a position is found in what comes is each protocol's. Never
waits for an answer; the one wait is for silence before the first frame, and it is bounded.
"""

from __future__ import annotations

import array
import errno
import fcntl
import os
import termios
import time
from abc import abstractmethod
from collections.abc import Sequence

from safety.settings import StandstillAxis
from safety.wire import Tty, WireError

SPEEDS = {
    getattr(termios, f"B{speed}"): speed
    for speed in (9600, 19200, 38400, 57600, 115200, 230400, 460800, 500000, 576000, 921600, 1000000, 1500000, 2000000)
}  # fmt: skip
SLOWEST = 9600
CHARACTER_BITS = 12
STOPS_FIRST = 3
"""Rounds of stops before positions are asked for."""

STOP_EVERY = 24
"""Frames between two stops, once positions are asked for by requests that stop their axis themselves."""

LONGEST_FRAME = 64
"""Characters that may be on the line when a stop begins. A longer answer is talked into, and the stop repeated."""

_LOOK_S = 0.0001
_READ_BYTES = 4096
_READS_MAX = 32
_HELD_BYTES = 512


class LineWire(Tty):
    """A serial line of drives. Opened beside whoever else has it open; its settings stay as they are.

    ``polls``: a request for each axis, or none at all; ``polls_stop``: whether each stops its axis, too. ``silence_ns``
    between frames, never less than 3.5 characters; ``patience_ns``: the longest until an answer to a request begins;
    ``stop_rest_ns``: how long a stop may be answered.
    """

    def __init__(
        self,
        channel: str,
        frames: Sequence[bytes],
        polls: Sequence[bytes],
        axes: Sequence[StandstillAxis],
        *,
        silence_ns: int,
        patience_ns: int,
        polls_stop: bool = True,
        stop_rest_ns: int = 0,
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
        self._stops = tuple(frames)
        self._polls = tuple(polls)
        self._polls_stop = polls_stop
        self._least_silence_ns = silence_ns
        self._patience_ns = patience_ns
        self._stop_rest_ns = stop_rest_ns
        self._stops_sent = 0
        self._frames_sent = 0
        self._next_poll = 0
        self._free_ns = 0
        self._latest_ns = 0
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
        is_stop = self._is_stop_due()
        frame = self._stops[self._stops_sent % len(self._stops)] if is_stop else self._polls[self._next_poll]
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
        if is_stop:
            self._stops_sent += 1
            self._free_ns += self._stop_rest_ns
        else:
            self._received = b""
            self._asked = self._next_poll
            self._next_poll = (self._next_poll + 1) % len(self._polls)
            answer_ns = self._answer_characters(self._asked) * self._character_ns()
            self._asked_until_ns = end_ns + self._patience_ns + answer_ns
        last_ns = self._free_ns if is_stop else max(self._free_ns, self._asked_until_ns)
        self._latest_ns = last_ns + LONGEST_FRAME * self._character_ns() + self._silence_ns()
        return sent

    def _is_stop_due(self) -> bool:
        count, stops = self._frames_sent, len(self._stops)
        if not self._polls or count < STOPS_FIRST * stops:
            return True
        if self._polls_stop:
            return count % STOP_EVERY == 0
        # Requests that only ask: every stop is said again before each round of them.
        return (count - STOPS_FIRST * stops) % (stops + len(self._polls)) >= len(self._polls)

    @abstractmethod
    def _position(self, received: bytes, index: int) -> int | None:
        """The position in a whole good answer of that axis, wherever it stands; None without one."""

    @abstractmethod
    def _answer_characters(self, index: int) -> int:
        """Length of an answer of that axis."""

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
        # A line that never falls silent (noise, a unit that babbles) must not hold the stop back for good.
        quiet_ns = min(time.monotonic_ns() + self._silence_ns(), self._latest_ns)
        self._free_ns = max(self._free_ns, quiet_ns)
        if self._asked is None:
            return []
        self._received = (self._received + chunk)[-_HELD_BYTES:]
        index = self._asked
        counts = self._position(self._received, index)
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
        return max(self._least_silence_ns, 7 * self._character_ns() // 2)
