"""The simulated gantry's wires in one process: a bus whose frames are queued, a serial line of bytes and silences.

Own what is under way on them; time is the caller's VirtualClock. An answer is there when the clock has passed the
instant at which it was on the wire. Unlike a pty the line keeps to its silences without mercy: frames that follow each
other too closely are lost.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Sequence

from drivers.can.link import Frame
from drivers.cantiming import frame_ns
from drivers.clock import VirtualClock
from drivers.errors import LinkError
from drivers.twin.gantry import Gantry, Sent
from drivers.twin.line import DrivesOnLine
from drivers.twin.node import FAR_NS

_QUEUE_MAX = 65536


class VirtualLink:
    """A CanLink to a gantry in the same process. ``plugged = False`` is a pulled plug: nothing passes.

    With ``follow_bit_s`` our frames follow one another as on a bus of that speed, each there when it is over (by its
    worst-case length); without it all of a batch are there at once. ``trouble``: what our bus controller is found to
    suffer from at the next reading.
    """

    def __init__(self, gantry: Gantry, clock: VirtualClock, follow_bit_s: int | None = None) -> None:
        self._follow_bit_s = follow_bit_s
        self._free_ns = 0
        self.trouble = ""
        self._gantry = gantry
        self._clock = clock
        self._queue: list[tuple[int, int, int, bytes]] = []
        self._order = itertools.count()
        self._closed = False
        self.plugged = True
        self.garbled = 0
        self.dropped = 0
        clock.on_advance(self._on_advance)

    def _on_advance(self, now_ns: int) -> None:
        self._deliver(self._gantry.advance_to(now_ns))

    def _deliver(self, sent: list[Sent]) -> None:
        if not self.plugged or self._closed:
            return
        for on_wire_ns, can_id, data in sent:
            if len(self._queue) >= _QUEUE_MAX:
                self.dropped += 1
            else:
                heapq.heappush(self._queue, (on_wire_ns, next(self._order), can_id, data))

    def send_frames(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """Put frames on the wire at the clock's present instant. Raises LinkError when closed."""
        if self._closed:
            raise LinkError("simulated wire", "an open link", "a closed one")
        there_ns = self._clock.now_ns()
        for can_id, data in frames:
            if self._follow_bit_s is not None:
                there_ns = max(there_ns, self._free_ns) + frame_ns(len(data), self._follow_bit_s)
                self._free_ns = there_ns
            if self.plugged:
                self._deliver(self._gantry.on_frame(can_id, bytes(data), there_ns))

    def receive(self) -> list[Frame]:
        """Frames that are on the wire by now, oldest first. Raises LinkError when closed."""
        if self._closed:
            raise LinkError("simulated wire", "an open link", "a closed one")
        if self.trouble:
            trouble, self.trouble = self.trouble, ""
            raise LinkError("simulated wire", "a bus controller without errors", trouble, code="bus-errors")
        now_ns = self._clock.now_ns()
        queue, got = self._queue, []
        while queue and queue[0][0] <= now_ns:
            _, _, can_id, data = heapq.heappop(queue)
            got.append(Frame(can_id, data, now_ns))
        return got

    def reopen(self) -> None:
        """Open the line again after ``close`` (another program takes the wire)."""
        self._closed = False
        self._queue.clear()

    def close(self) -> None:
        """Nothing is delivered any more; a second call does nothing."""
        self._closed = True


class VirtualLine:
    """A SerialLine to drives in the same process. ``plugged = False`` is a pulled plug: nothing passes."""

    def __init__(self, drives: DrivesOnLine, clock: VirtualClock) -> None:
        self._drives = drives
        self._clock = clock
        self._closed = False
        self.plugged = True
        self.sent: list[tuple[int, bytes]] | None = None
        """Instants and frames of the master, where a test asks for them by putting a list here."""
        clock.on_advance(drives.live)

    def send(self, data: bytes) -> None:
        """Bytes begin to leave now. Raises LinkError when closed."""
        self._refuse_closed()
        if self.sent is not None:
            self.sent.append((self._clock.now_ns(), data))
        if self.plugged:
            self._drives.hear(data, self._clock.now_ns())

    def receive(self) -> bytes:
        """Answers whose last character has come by now. Raises LinkError when closed."""
        self._refuse_closed()
        came = b"".join(self._drives.said(self._clock.now_ns()))
        return came if self.plugged else b""

    def drop_unsent(self) -> None:
        """Nothing waits here."""

    def next_ns(self) -> int:
        """When the next answer is there, or a request is whole that may bring one."""
        if not self.plugged:
            return FAR_NS
        return min((end_ns for end_ns, _ in self._drives.answers), default=self._drives.whole_ns)

    def fileno(self) -> int:
        """None."""
        return -1

    def reopen(self) -> None:
        """Open the line again after ``close``."""
        self._closed = False
        self._drives.answers.clear()

    def close(self) -> None:
        """Nothing passes any more; a second call does nothing."""
        self._closed = True

    def _refuse_closed(self) -> None:
        if self._closed:
            raise LinkError("simulated line", "an open line", "a closed one")
