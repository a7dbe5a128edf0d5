"""The narrowest view of a CAN bus: frames out, frames in, no blocking.

Owns the protocol only; implementations are the serial-line adapter, python-can backends and the in-process line
of the simulated gantry. Classical CAN data frames with 11-bit identifiers.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple, Protocol


class Frame(NamedTuple):
    """One data frame; ``received_ns`` is the clock's instant at which we read it (0 for outgoing frames)."""

    can_id: int
    data: bytes
    received_ns: int = 0


class CanLink(Protocol):
    """A bus that somebody has opened."""

    def send_frames(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """Send the frames in order, in as few system calls as can be.

        Returns within a few ms or raises LinkError; a frame is sent whole or the link is broken.
        """
        ...

    def receive(self) -> list[Frame]:
        """All frames that have come, oldest first, without blocking. Garbage is counted, never raised.

        Raises LinkError when the link is closed or gone.
        """
        ...

    @property
    def garbled(self) -> int:
        """How many unreadable pieces have been dropped so far."""
        ...

    def close(self) -> None:
        """Give the bus back; a second call does nothing."""
        ...
