"""Debouncing that never holds a stop back beyond a stated time. Pure: readings and instants in, a state out.

A contact that bounces as it closes, or a spike on its wire, is no stop; a contact that opens is one, whatever it does
on the way. Usual debouncing waits until the reading has been steady; a chattering contact would hold it up for ever.
Here the time runs from the *first* open reading, and only a loop that has since been closed for half the debounce time
without a break takes it back.

**The bound.** A loop that is open for good from an instant on is reported open at the first reading that is at least
``debounce_ns`` younger than the first open one. With a reading every ``period_ns`` that is at most
``debounce_ns + 2 period_ns`` after it opened.
"""

from __future__ import annotations


class Debounce:
    """One input. Open until it has been read closed; then as the module says."""

    __slots__ = ("_closed_since_ns", "_debounce_ns", "_open_since_ns", "_reported_closed")

    def __init__(self, debounce_ns: int) -> None:
        self._debounce_ns = debounce_ns
        self._reported_closed = False
        self._open_since_ns: int | None = None
        self._closed_since_ns: int | None = None

    @property
    def is_closed(self) -> bool:
        """The state after the last reading."""
        return self._reported_closed

    @property
    def is_waiting(self) -> bool:
        """Whether an open reading is being waited out: then read again soon."""
        return self._reported_closed and self._open_since_ns is not None

    def read(self, closed: bool | None, now_ns: int) -> bool:
        """Take in a reading (None: it could not be read, which counts as open); returns whether it is closed."""
        if closed:
            self._take_closed(now_ns)
        else:
            self._closed_since_ns = None
            if self._open_since_ns is None:
                self._open_since_ns = now_ns
            if now_ns - self._open_since_ns >= self._debounce_ns:
                self._reported_closed = False
        return self._reported_closed

    def _take_closed(self, now_ns: int) -> None:
        if self._closed_since_ns is None:
            self._closed_since_ns = now_ns
        if self._open_since_ns is None:
            self._reported_closed = True
        elif 2 * (now_ns - self._closed_since_ns) >= self._debounce_ns:
            self._open_since_ns = None
            self._reported_closed = True
