"""Heads that answer when asked: the order of questions, commands and answers, without waiting and without a thread.

Owns the timing; what bytes mean is each protocol's. One question is under way at a time. A command waits for the
answer under way (at most ``line_timeout_ms``), raising the pen by force waits for nothing. What is told is told again
as long as the head says that it is elsewhere.
"""

from __future__ import annotations

from abc import ABC, abstractmethod

from drivers.clock import NS_PER_MS, NS_PER_S, Clock
from drivers.errors import FaultError, LinkError
from drivers.head import HeadFeedback, fits
from drivers.heads.settings import DescribedHead, SerialHead

_PAUSE_NS = NS_PER_MS


class PolledHead(ABC):
    """A HeadLine that is asked."""

    def __init__(self, settings: SerialHead | DescribedHead, clock: Clock, where: str) -> None:
        self._settings = settings
        self._clock = clock
        self._where = where
        self._feedback = HeadFeedback()
        self._ask_ns = settings.ask_every_ms * NS_PER_MS
        self._timeout_ns = settings.line_timeout_ms * NS_PER_MS
        self._again_ns = max(100 * NS_PER_MS, 2 * self._timeout_ns)
        self._due_ns = 0
        self._awaited_until_ns = 0
        self._goal: int | None = None
        self._told: int | None = None
        self._told_ns = 0
        self._raised_until_ns = 0
        self._is_dead = False
        self.lost_answers = 0
        """Questions that were not answered in time."""

    # What a protocol does

    @abstractmethod
    def _put(self, what: int) -> bool:
        """Send 0: up, 1: down, 2: the question. Whether an answer is to be awaited. Raises LinkError."""

    @abstractmethod
    def _take(self, now_ns: int) -> bool:
        """Read what has come into ``_feedback``. Whether what was awaited is there. Raises LinkError."""

    @abstractmethod
    def _put_up_now(self) -> int:
        """Raise the pen, before everything. Returns how long the order is on its way, in ns. Raises LinkError."""

    # The interface

    def configure(self) -> None:
        """Pen up, and an answer to the question."""
        self._is_dead = False
        self._feedback.trouble = ""
        self._awaited_until_ns = self._due_ns = 0
        self._goal, self._told = 0, None
        begun_ns = self._clock.now_ns()
        limit_ns = round(self._settings.silent_after_ms * NS_PER_MS) + self._timeout_ns
        while self._feedback.received_ns <= begun_ns or self._told is None:
            self.poll()
            if self._feedback.trouble:
                kind = LinkError if self._is_dead else FaultError
                raise kind(self._where, "a head that answers", self._feedback.trouble)
            now_ns = self._clock.now_ns()
            if now_ns - begun_ns > limit_ns:
                raise LinkError(
                    self._where, "an answer to where it is", f"silence for {limit_ns / NS_PER_MS:.0f} ms"
                )
            self._clock.sleep_until_ns(now_ns + _PAUSE_NS)

    def command(self, outputs: int) -> None:
        """Remembered; it leaves here when the line is free, else with a later poll."""
        if outputs != self._goal:
            self._goal = outputs
            self._told = None
        self._speak(self._clock.now_ns())

    def poll(self) -> None:
        """Read, then say what is due."""
        if self._is_dead:
            return
        now_ns = self._clock.now_ns()
        try:
            is_there = self._take(now_ns)
        except LinkError as error:
            self._die(error)
            return
        if self._awaited_until_ns:
            if is_there:
                self._awaited_until_ns = 0
            elif now_ns >= self._awaited_until_ns:
                self._awaited_until_ns = 0
                self.lost_answers += 1
        self._speak(now_ns)

    def _speak(self, now_ns: int) -> None:
        if self._is_dead or self._awaited_until_ns:
            return
        try:
            if self._goal is not None and self._is_to_be_told(self._goal, now_ns):
                self._told, self._told_ns = self._goal, now_ns
                self._due_ns = min(self._due_ns, now_ns)
                if self._goal:
                    self._raised_until_ns = 0
                if self._put(self._goal):
                    self._awaited_until_ns = now_ns + self._timeout_ns
                    return
            if now_ns >= self._due_ns:
                self._due_ns = now_ns + self._ask_ns
                if self._put(2):
                    self._awaited_until_ns = now_ns + self._timeout_ns
        except LinkError as error:
            self._die(error)

    def _is_to_be_told(self, goal: int, now_ns: int) -> bool:
        if self._told != goal:
            return True
        return now_ns - self._told_ns >= self._again_ns and not fits(self._settings, self._feedback, goal)

    def _die(self, error: LinkError) -> None:
        self._is_dead = True
        self._feedback.trouble = str(error)

    def read(self) -> HeadFeedback:
        """As of the last poll."""
        return self._feedback

    def raise_now(self) -> bool:
        """At once, whatever is under way but this very order; a line that has failed before is tried again."""
        now_ns = self._clock.now_ns()
        self._goal, self._told = 0, 0
        self._told_ns = now_ns
        self._awaited_until_ns = 0
        if now_ns < self._raised_until_ns:
            # The order before is still leaving. To say it anew would cut it, on a slow line every time.
            return True
        try:
            self._raised_until_ns = now_ns + self._put_up_now()
        except LinkError as error:
            self._die(error)
            return False
        except Exception:  # noqa: BLE001
            # Whatever broke: raising an error raises no pen.
            return False
        return True

    def _time_ns(self, characters: int) -> int:
        """How long so many characters take on a port of the head's own."""
        return characters * 12 * NS_PER_S // self._settings.bitrate_bit_s

    def close(self) -> None:  # noqa: B027
        """Nothing to give back where the wire is another's."""
