"""A pen lift that speaks in lines of text on a serial port of its own. Owns its lines and what they mean."""

from __future__ import annotations

from drivers.clock import Clock
from drivers.head import HeadPlace
from drivers.heads.pattern import Pattern
from drivers.heads.polled import PolledHead
from drivers.heads.settings import SerialHead
from drivers.line.port import SerialLine

LINE_MAX = 256
"""Bytes without an end of line that are kept; what is longer is no line of a head."""

_ENDS = {"lf": b"\n", "cr": b"\r", "cr-lf": b"\r\n"}
_PLACES = {"up": HeadPlace.UP, "down": HeadPlace.DOWN}


class TextHead(PolledHead):
    """A HeadLine. ``garbled``: lines so far that were none of the answers."""

    def __init__(self, settings: SerialHead, line: SerialLine, clock: Clock) -> None:
        super().__init__(settings, clock, f"head ({settings.channel})")
        self._line = line
        end = _ENDS[settings.line_end]
        self._end = end
        self._lines = tuple(text.encode() + end for text in (settings.up, settings.down, settings.ask))
        self._accepted = None if settings.accepted is None else settings.accepted.strip().encode()
        self._answers = tuple((Pattern(one.text.strip()), one.means) for one in settings.answers)
        self._step = settings.value_step
        self._buffer = bytearray()
        self._is_skipping = False
        self._awaits_word = False
        self.garbled = 0

    def _put(self, what: int) -> bool:
        self._awaits_word = what == 2
        self._line.send(self._lines[what])
        return what == 2 or self._accepted is not None

    def _put_up_now(self) -> int:
        self._line.drop_unsent()
        # Whatever half of a line went before, this end makes it one that the head refuses.
        order = self._end + self._lines[0]
        self._line.send(order)
        return self._time_ns(len(order))

    def _take(self, now_ns: int) -> bool:
        data = self._line.receive()
        if not data:
            return False
        self._buffer += data
        is_there = False
        while (at := self._buffer.find(self._end)) >= 0:
            line = bytes(self._buffer[:at]).strip()
            del self._buffer[: at + len(self._end)]
            if self._is_skipping:
                self._is_skipping = False
            elif line:
                is_there = self._read_line(line, now_ns) or is_there
        if len(self._buffer) > LINE_MAX:
            self._buffer.clear()
            self._is_skipping = True
            self.garbled += 1
        return is_there

    def _read_line(self, line: bytes, now_ns: int) -> bool:
        """Whether it was what is awaited."""
        if line == self._accepted:
            return not self._awaits_word
        for pattern, means in self._answers:
            value = pattern.match(line)
            if value is None:
                continue
            feedback = self._feedback
            if means == "fault":
                feedback.trouble = f"it answers {line.decode('ascii', 'replace')!r}"
                return True
            feedback.place = _PLACES.get(means, HeadPlace.BETWEEN)
            if pattern.has_value:
                feedback.value = value * self._step
            feedback.received_ns = now_ns
            return self._awaits_word
        self.garbled += 1
        return False

    def close(self) -> None:
        """Give the port back."""
        self._line.close()
