"""A CAN bus with described drives in one process. Owns what is under way; time is the caller's VirtualClock."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.can.link import Frame
from drivers.clock import VirtualClock
from drivers.errors import LinkError
from drivers.twin.described import DescribedOnBus


class DescribedLink:
    """A CanLink to described drives in the same process. ``plugged = False`` is a pulled plug: nothing passes."""

    def __init__(self, bus: DescribedOnBus, clock: VirtualClock) -> None:
        self._bus = bus
        self._clock = clock
        self._closed = False
        self.plugged = True
        self.garbled = 0
        self.sent: list[tuple[int, int, bytes]] | None = None
        """Instants, identifiers and data of what was sent, where a test asks for them by putting a list here."""
        clock.on_advance(bus.live)

    def send_frames(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """Frames follow each other from now on. Raises LinkError when closed."""
        self._refuse_closed()
        now_ns = self._clock.now_ns()
        for can_id, data in frames:
            if self.sent is not None:
                self.sent.append((now_ns, can_id, data))
            if self.plugged:
                self._bus.hear(can_id, bytes(data), now_ns)

    def receive(self) -> list[Frame]:
        """Frames that have come by now, oldest first. Raises LinkError when closed."""
        self._refuse_closed()
        now_ns, bus = self._clock.now_ns(), self._bus
        due = [Frame(can_id, data, now_ns) for end_ns, can_id, data in bus.answers if end_ns <= now_ns]
        bus.answers = [one for one in bus.answers if one[0] > now_ns]
        return due if self.plugged else []

    def reopen(self) -> None:
        """Open the wire again after ``close``."""
        self._closed = False
        self._bus.answers.clear()

    def close(self) -> None:
        """Nothing passes any more; a second call does nothing."""
        self._closed = True

    def _refuse_closed(self) -> None:
        if self._closed:
            raise LinkError("simulated wire", "an open link", "a closed one")
