"""The simulated gantry in one process and in virtual time: its wire is a queue, its clock is the caller's.

Owns the in-process line. The gantry lives on as the caller's VirtualClock moves; an answer is there when the clock
has passed the instant at which it was on the wire.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Sequence
from pathlib import Path

from drivers.can.frames import stop_frames
from drivers.can.link import Frame
from drivers.clock import VirtualClock
from drivers.errors import LinkError
from drivers.settings import GroupSettings
from drivers.twin import store
from drivers.twin.canvas import Pen
from drivers.twin.gantry import Gantry, Sent
from drivers.twin.modbusvirtual import VirtualModbusGantry
from drivers.twin.parameters import TwinParameters

_QUEUE_MAX = 65536
_SAMPLES_MAX = 4_000_000  # over an hour of uninterrupted motion, 256 MB


class VirtualLink:
    """A CanLink to a gantry in the same process. ``plugged = False`` is a pulled plug: nothing passes."""

    def __init__(self, gantry: Gantry, clock: VirtualClock) -> None:
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
        now_ns = self._clock.now_ns()
        for can_id, data in frames:
            if self.plugged:
                self._deliver(self._gantry.on_frame(can_id, bytes(data), now_ns))

    def receive(self) -> list[Frame]:
        """Frames that are on the wire by now, oldest first. Raises LinkError when closed."""
        if self._closed:
            raise LinkError("simulated wire", "an open link", "a closed one")
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


class VirtualGantry:
    """A gantry on a virtual clock. With ``state_dir`` it stands where an earlier life left it."""

    def __init__(
        self,
        settings: GroupSettings,
        parameters: TwinParameters,
        clock: VirtualClock,
        state_dir: Path | None = None,
        *,
        max_samples: int | None = _SAMPLES_MAX,
    ) -> None:
        self.gantry = Gantry(settings, parameters, clock.now_ns(), max_samples=max_samples)
        self._nodes = tuple(axis.node_id for axis in settings.axes.values())
        self._state_dir = state_dir
        if state_dir is not None:
            store.restore(self.gantry, state_dir)
        self.link = VirtualLink(self.gantry, clock)

    def load_pen(self, ink: str, colour: str, tip_mm: float) -> None:
        """Put a pen into the holder."""
        self.gantry.load_pen(Pen(ink, colour, tip_mm))

    def put_stop(self) -> None:
        """The guard's stop frames, on the wire now. Raises LinkError when closed."""
        self.link.send_frames(stop_frames(self._nodes))

    def save(self, *, picture: bool = False) -> None:
        """Write state, canvas and record into ``state_dir`` (nothing without one); the picture on request."""
        if self._state_dir is not None:
            store.save_all(self.gantry, self._state_dir, picture=picture)


AnyVirtualGantry = VirtualGantry | VirtualModbusGantry


def virtual_gantry(
    settings: GroupSettings, parameters: TwinParameters, clock: VirtualClock, state_dir: Path | None = None
) -> AnyVirtualGantry:
    """The gantry on the kind of wire that the settings name."""
    if settings.wire.kind == "modbus-rtu":
        return VirtualModbusGantry(settings, parameters, clock, state_dir)
    return VirtualGantry(settings, parameters, clock, state_dir)
