"""The loop that reads stop inputs and says how they are: one loop, so that what hangs falls silent.

Owns the rhythm and the debouncing. Knows no library and no socket: it is given lines to read and a way to say. There
is no timer beside it and no thread: a read that does not return is a report that does not come, and the guard takes
silence for an open loop.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from drivers.clock import NS_PER_MS, Clock
from drivers.inputs.debounce import Debounce
from drivers.settings import InputReaderSettings

WAITING_LOOK_NS = NS_PER_MS // 2
"""How often an open reading is looked at again while it is being waited out."""

LOOK_MIN_NS = NS_PER_MS // 5
"""Looks are at least so far apart: a line that chatters must not take a core."""


class Lines(Protocol):
    """Lines that can be read, all at once."""

    def read(self) -> Sequence[bool | None]:
        """Whether each loop is closed; None where it cannot be read. Must not raise."""
        ...

    def wait(self, timeout_ns: int) -> None:
        """Return on the first change, or when the time is over."""
        ...


class InputReader:
    """Reads, debounces, reports: every ``report_ms``, and at once what has changed."""

    def __init__(
        self,
        settings: InputReaderSettings,
        lines: Lines,
        say: Callable[[str, bool], None],
        clock: Clock,
    ) -> None:
        """``say(name, closed)`` must not block."""
        self._names = tuple(one.name for one in settings.inputs)
        self._lines = lines
        self._say = say
        self._clock = clock
        self._report_ns = round(settings.report_ms * NS_PER_MS)
        debounce_ns = round(settings.debounce_ms * NS_PER_MS)
        self._inputs = tuple(Debounce(debounce_ns) for _ in self._names)
        self._said: list[bool | None] = [None] * len(self._names)
        self._next_report_ns = clock.now_ns()
        self._next_look_ns = 0

    def step(self) -> None:
        """One look: read all, say what is due or has changed, then wait for a change or the next look."""
        self._clock.sleep_until_ns(self._next_look_ns)
        readings = self._lines.read()
        now_ns = self._clock.now_ns()
        self._next_look_ns = now_ns + LOOK_MIN_NS
        is_due = now_ns >= self._next_report_ns
        if is_due:
            # Counted from now: reports that are late are not made up for by a burst.
            self._next_report_ns = now_ns + self._report_ns
        is_waiting = False
        for index, (debounce, closed) in enumerate(zip(self._inputs, readings, strict=True)):
            state = debounce.read(closed, now_ns)
            is_waiting |= debounce.is_waiting
            if is_due or state is not self._said[index]:
                self._said[index] = state
                self._say(self._names[index], state)
        until_ns = self._next_report_ns - now_ns
        self._lines.wait(min(until_ns, WAITING_LOOK_NS) if is_waiting else until_ns)
