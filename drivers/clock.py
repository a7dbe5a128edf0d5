"""Time as an argument: the clock that every loop in drivers and controller takes.

Owns the two clocks (the machine's monotonic one and the virtual one), and the work that is done while a loop sleeps on
one: a wire whose frames must follow each other within a tick has no thread, it is run by the very loop that it serves,
and stands when that stands. Knows nothing of what is timed.
All instants are integer nanoseconds of one clock; only differences between instants of the same clock mean
anything.
"""

from __future__ import annotations

import select
import time
from collections.abc import Callable
from typing import Protocol, runtime_checkable

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000


class Clock(Protocol):
    """What a loop may ask of time."""

    def now_ns(self) -> int:
        """The present instant, in ns. Never goes back."""
        ...

    def sleep_until_ns(self, instant_ns: int) -> None:
        """Return at or just after ``instant_ns``; at once when it has passed. Never returns early."""
        ...


class SleepWork(Protocol):
    """What goes on while somebody sleeps. None of it blocks or raises."""

    def next_ns(self) -> int:
        """When ``work`` is due though nothing comes."""
        ...

    def fileno(self) -> int:
        """A descriptor that becomes readable when ``work`` is due; -1: none."""
        ...

    def work(self, now_ns: int) -> None:
        """Do what is due. Afterwards ``next_ns`` lies ahead."""
        ...


@runtime_checkable
class SharedClock(Clock, Protocol):
    """A clock whose sleeps are shared with work."""

    def share(self, work: SleepWork) -> None:
        """Run ``work`` during every sleep from here on."""
        ...

    def unshare(self, work: SleepWork) -> None:
        """No longer; nothing happens when it was not shared."""
        ...


class MonotonicClock:
    """CLOCK_MONOTONIC, with a sleep that spins for its last ``spin_ns`` so as to wake on the instant."""

    __slots__ = ("_shared", "_spin_ns")

    def __init__(self, spin_ns: int = 0) -> None:
        self._spin_ns = spin_ns
        self._shared: list[SleepWork] = []

    def share(self, work: SleepWork) -> None:
        """Run ``work`` during every sleep from here on."""
        self._shared.append(work)

    def unshare(self, work: SleepWork) -> None:
        """No longer; nothing happens when it was not shared."""
        if work in self._shared:
            self._shared.remove(work)

    def now_ns(self) -> int:
        """CLOCK_MONOTONIC in ns."""
        return time.monotonic_ns()

    def sleep_until_ns(self, instant_ns: int) -> None:
        """Sleep, then spin for the last ``spin_ns``. Shared work is run until the spin begins."""
        monotonic_ns = time.monotonic_ns
        if self._shared:
            self._work_until(instant_ns - self._spin_ns)
        coarse_ns = instant_ns - monotonic_ns() - self._spin_ns
        if coarse_ns > 0:
            time.sleep(coarse_ns * 1e-9)
        while monotonic_ns() < instant_ns:
            if self._spin_ns == 0:
                remaining_ns = instant_ns - monotonic_ns()
                if remaining_ns > 0:
                    time.sleep(remaining_ns * 1e-9)

    def _work_until(self, instant_ns: int) -> None:
        while True:
            now_ns = time.monotonic_ns()
            if now_ns >= instant_ns:
                return
            due_ns = min(instant_ns, *(work.next_ns() for work in self._shared))
            lines = [fd for work in self._shared if (fd := work.fileno()) >= 0]
            wait_s = max(0, due_ns - now_ns) * 1e-9
            if lines:
                select.select(lines, (), (), wait_s)
            else:
                time.sleep(wait_s)
            for work in self._shared:
                work.work(time.monotonic_ns())


class VirtualClock:
    """A clock that moves only when somebody sleeps on it.

    Whatever lives in virtual time (the simulated gantry, the guard's core) subscribes with ``on_advance`` and
    is called with the new instant, in the order of subscription, before the sleeper goes on.
    """

    __slots__ = ("_listeners", "_now_ns", "_shared")

    def __init__(self, start_ns: int = NS_PER_S) -> None:
        self._now_ns = start_ns
        self._shared: list[SleepWork] = []
        self._listeners: list[Callable[[int], None]] = []

    def now_ns(self) -> int:
        """The virtual instant in ns."""
        return self._now_ns

    def sleep_until_ns(self, instant_ns: int) -> None:
        """Move the clock to ``instant_ns`` (never back) and let the world catch up with it.

        On the way it stops at every instant at which shared work is due.
        """
        while self._shared:
            due_ns = min(work.next_ns() for work in self._shared)
            if due_ns >= instant_ns:
                break
            self._move_to(due_ns)
            for work in self._shared:
                work.work(self._now_ns)
            if min(work.next_ns() for work in self._shared) <= due_ns:
                break  # whoever does nothing about what is due must not stop time
        self._move_to(instant_ns)
        for work in self._shared:
            work.work(self._now_ns)

    def share(self, work: SleepWork) -> None:
        """Run ``work`` during every sleep from here on."""
        self._shared.append(work)

    def unshare(self, work: SleepWork) -> None:
        """No longer; nothing happens when it was not shared."""
        if work in self._shared:
            self._shared.remove(work)

    def _move_to(self, instant_ns: int) -> None:
        if instant_ns > self._now_ns:
            self._now_ns = instant_ns
        for listener in self._listeners:
            listener(self._now_ns)

    def on_advance(self, listener: Callable[[int], None]) -> None:
        """Call ``listener(now_ns)`` at every advance."""
        self._listeners.append(listener)
