"""Time as an argument: the clock that every loop in drivers and controller takes.

Owns the two clocks (the machine's monotonic one and the virtual one). Knows nothing of what is timed.
All instants are integer nanoseconds of one clock; only differences between instants of the same clock mean
anything.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol

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


class MonotonicClock:
    """CLOCK_MONOTONIC, with a sleep that spins for its last ``spin_ns`` so as to wake on the instant."""

    __slots__ = ("_spin_ns",)

    def __init__(self, spin_ns: int = 0) -> None:
        self._spin_ns = spin_ns

    def now_ns(self) -> int:
        """CLOCK_MONOTONIC in ns."""
        return time.monotonic_ns()

    def sleep_until_ns(self, instant_ns: int) -> None:
        """Sleep, then spin for the last ``spin_ns``."""
        monotonic_ns = time.monotonic_ns
        coarse_ns = instant_ns - monotonic_ns() - self._spin_ns
        if coarse_ns > 0:
            time.sleep(coarse_ns * 1e-9)
        while monotonic_ns() < instant_ns:
            if self._spin_ns == 0:
                remaining_ns = instant_ns - monotonic_ns()
                if remaining_ns > 0:
                    time.sleep(remaining_ns * 1e-9)


class VirtualClock:
    """A clock that moves only when somebody sleeps on it.

    Whatever lives in virtual time (the simulated gantry, the guard's core) subscribes with ``on_advance`` and
    is called with the new instant, in the order of subscription, before the sleeper goes on.
    """

    __slots__ = ("_listeners", "_now_ns")

    def __init__(self, start_ns: int = NS_PER_S) -> None:
        self._now_ns = start_ns
        self._listeners: list[Callable[[int], None]] = []

    def now_ns(self) -> int:
        """The virtual instant in ns."""
        return self._now_ns

    def sleep_until_ns(self, instant_ns: int) -> None:
        """Move the clock to ``instant_ns`` (never back) and let the world catch up with it."""
        if instant_ns > self._now_ns:
            self._now_ns = instant_ns
        for listener in self._listeners:
            listener(self._now_ns)

    def on_advance(self, listener: Callable[[int], None]) -> None:
        """Call ``listener(now_ns)`` at every advance."""
        self._listeners.append(listener)
