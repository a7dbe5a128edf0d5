"""A serial line with drives on it, as time passes there: characters, silences, and voices that meet.

Owns the line's instants and what goes wrong on it: frames without silence between them run together, frames that meet
an answer spoil both. Knows nothing of what frames mean; that is each protocol's.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable
from typing import Protocol

from drivers.twin.gantry import Gantry
from drivers.twin.node import FAR_NS


class OwnTimeOut(Protocol):
    """A drive that looks at the time itself."""

    next_ns: int

    def live(self, now_ns: int) -> None:
        """Do what is due by ``now_ns``; afterwards ``next_ns`` lies ahead."""
        ...


class DrivesOnLine(ABC):
    """All drives on one line.

    ``hear(data, now_ns)`` takes what the master hands to its port at ``now_ns``; ``live(now_ns)`` brings the line up to
    an instant; ``answers`` collects (instant of the last character, bytes) in order. ``lenient``: pieces that come
    together are cut by their lengths; for a line whose instants are those of a busy computer.
    """

    def __init__(self, gantry: Gantry, character_ns: int, silence_ns: int, *, lenient: bool) -> None:
        self._gantry = gantry
        self._lenient = lenient
        self._character_ns = character_ns
        self._silence_ns = silence_ns
        self._turnaround_ns = gantry.parameters.response_latency_us * 1000
        self.answers: list[tuple[int, bytes]] = []
        self.garbled = 0
        self.collisions = 0
        self._frame = bytearray()
        self._frame_end_ns = 0
        self._spoilt = False
        self._speaks_ns = (0, 0)  # the latest answer's first and last character
        self.mute: set[int] = set()

    @abstractmethod
    def _drives(self) -> Iterable[OwnTimeOut]:
        """Every drive on the line."""

    @abstractmethod
    def _heard(self, frame: bytes, now_ns: int) -> None:
        """Silence has ended what was sent: ``frame`` is all of it, unspoilt."""

    @property
    def next_ns(self) -> int:
        """When something happens on the line though nothing comes."""
        due_ns = min(drive.next_ns for drive in self._drives())
        return min(due_ns, self.whole_ns)

    @property
    def whole_ns(self) -> int:
        """When the frame that is being heard is whole; far ahead without one."""
        return self._frame_end_ns + self._silence_ns if self._frame else FAR_NS

    def hear(self, data: bytes, now_ns: int) -> None:
        """The master's port gets ``data``; its characters follow each other, behind what is still leaving."""
        self.live(now_ns)
        if not data:
            return
        begin_ns = max(now_ns, self._frame_end_ns)
        self._frame += data
        self._frame_end_ns = begin_ns + len(data) * self._character_ns
        if not self._lenient and begin_ns < self._speaks_ns[1] and self._frame_end_ns > self._speaks_ns[0]:
            # Two voices on one pair of wires: neither is understood.
            self.collisions += 1
            self._spoilt = True
            self.answers = [one for one in self.answers if one[0] < begin_ns]

    @property
    def answer_ns(self) -> int:
        """When the next answer is all there; far ahead without one."""
        return min((end_ns for end_ns, _ in self.answers), default=FAR_NS)

    def said(self, now_ns: int) -> list[bytes]:
        """Answers whose last character has come by now; each is given out once."""
        if not self.answers:
            return []
        said = [data for end_ns, data in self.answers if end_ns <= now_ns]
        self.answers = [one for one in self.answers if one[0] > now_ns]
        return said

    @property
    def is_awaited(self) -> bool:
        """Whether a frame is being heard or an answer is under way."""
        return bool(self._frame or self.answers)

    def forget(self) -> None:
        """The master's port has been emptied: what had not left is gone."""
        self._frame.clear()

    def live(self, now_ns: int) -> None:
        """Everything up to ``now_ns``, each at its own instant."""
        while (due_ns := self.next_ns) <= now_ns:
            if due_ns == self.whole_ns:
                self._end_frame(due_ns)
            else:
                self._gantry.act(due_ns, lambda due_ns=due_ns: self._time_out(due_ns))  # type: ignore[misc]
        self._gantry.advance_to(now_ns)

    def _time_out(self, now_ns: int) -> None:
        for drive in self._drives():
            drive.live(now_ns)

    def _end_frame(self, now_ns: int) -> None:
        frame, spoilt = bytes(self._frame), self._spoilt
        self._frame.clear()
        self._spoilt = False
        if spoilt:
            self.garbled += 1
            return
        self._heard(frame, now_ns)

    def _act(self, now_ns: int, action: Callable[[], bytes]) -> bytes:
        return self._gantry.act(now_ns, action)

    def _answer(self, answer: bytes, now_ns: int) -> None:
        """A drive begins to speak after its turnaround, behind whoever speaks."""
        begin_ns = max(now_ns + self._turnaround_ns, self._speaks_ns[1])
        end_ns = begin_ns + len(answer) * self._character_ns
        self._speaks_ns = (begin_ns, end_ns)
        self.answers.append((end_ns, answer))
