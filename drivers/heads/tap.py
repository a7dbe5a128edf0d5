"""A bus that drives and head share: the head's frames taken out on their way in. Owns nothing else."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivers.can.link import CanLink, Frame


class BusTap:
    """A CanLink for the group of drives; what carries one of ``identifiers`` goes to ``take`` instead."""

    def __init__(self, link: CanLink, identifiers: frozenset[int], take: Callable[[Frame], None]) -> None:
        self._link = link
        self._identifiers = identifiers
        self._take = take

    def send_frames(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """As the bus does."""
        self._link.send_frames(frames)

    def receive(self) -> list[Frame]:
        """The drives' frames."""
        arrived = self._link.receive()
        identifiers, take = self._identifiers, self._take
        if not any(frame.can_id in identifiers for frame in arrived):
            return arrived
        left = []
        for frame in arrived:
            if frame.can_id in identifiers:
                take(frame)
            else:
                left.append(frame)
        return left

    @property
    def garbled(self) -> int:
        """Unreadable pieces so far."""
        return self._link.garbled

    def close(self) -> None:
        """Give the bus back."""
        self._link.close()
