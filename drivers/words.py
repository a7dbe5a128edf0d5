"""What drives with words of their own are made to say: CiA 402's statusword, inputs as in 60FDh, positions without end.

Pure. Whoever watches a drive need not know the drive's own bits.
"""

from __future__ import annotations

from drivers.cia402 import STATES
from drivers.interface import DriveState

VOLTAGE_BIT = 1 << 4
AS_WIRED = 16
"""Inputs and outputs as wired begin at this bit of the 32, as in objects 60FDh and 60FEh."""

_WORDS = {state: value for state, _, value in STATES} | {DriveState.UNKNOWN: 0}


def statusword_of(state: DriveState, *, has_power: bool) -> int:
    """The statusword of CiA 402 for a state; bit 4 where the drive says that it has motor power."""
    return _WORDS[state] | (VOLTAGE_BIT if has_power else 0)


def own_inputs(*closed: bool) -> int:
    """Bits 0, 1, 2 of 60FDh: negative limit, positive limit, home switch."""
    return sum(1 << bit for bit, is_closed in enumerate(closed) if is_closed)


class Unwrapped:
    """A counter that begins anew after ``span`` counts, as a number without end. ``span`` 0: it never does."""

    __slots__ = ("_last", "_span", "counts")

    def __init__(self, span: int) -> None:
        self._span = span
        self._last: int | None = None
        self.counts = 0

    def take(self, raw: int) -> int:
        """The number for the counter's next word; it moved by less than half the span."""
        if self._last is None:
            self.counts = raw
        elif self._span:
            half = self._span // 2
            self.counts += (raw - self._last + half) % self._span - half
        else:
            self.counts += raw - self._last
        self._last = raw
        return self.counts

    def lose(self) -> None:
        """The next word begins anew."""
        self._last = None
