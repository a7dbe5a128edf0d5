"""What every stop input promises, whatever it is wired to.

Inputs are normally closed: a loop that is open, unplugged, silent or unreadable is open, and open means stop.
"""

from __future__ import annotations

from typing import Protocol, runtime_checkable


@runtime_checkable
class StopInput(Protocol):
    """One loop of normally closed contacts."""

    @property
    def name(self) -> str:
        """What a person calls it; stands in messages."""
        ...

    def is_closed(self, now_ns: int) -> bool:
        """Whether the loop is closed, by what has been read up to ``now_ns``. Never blocks, never raises.

        False before anything has been read, when nothing has been read for too long, and when the reading
        failed. A loop that opens for good is reported open no later than the debounce time after the first look
        that saw it, rounded up to the next look.
        """
        ...
