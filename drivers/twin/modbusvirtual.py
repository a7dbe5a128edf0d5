"""The simulated gantry on a Modbus line in one process and in virtual time.

Owns the in-process line: bytes and silences at the exact instants that the line's speed gives them. Unlike a pty it
keeps to the standard without mercy: frames that follow each other too closely are lost.
"""

from __future__ import annotations

from pathlib import Path

from drivers.clock import VirtualClock
from drivers.errors import LinkError
from drivers.modbus.plan import broadcast_stop
from drivers.settings import GroupSettings
from drivers.twin import store
from drivers.twin.canvas import Pen
from drivers.twin.gantry import Gantry
from drivers.twin.modbus import UnitsOnLine
from drivers.twin.node import FAR_NS
from drivers.twin.parameters import TwinParameters

_SAMPLES_MAX = 4_000_000


class VirtualLine:
    """A SerialLine to units in the same process. ``plugged = False`` is a pulled plug: nothing passes."""

    def __init__(self, units: UnitsOnLine, clock: VirtualClock) -> None:
        self._units = units
        self._clock = clock
        self._closed = False
        self.plugged = True
        self.sent: list[tuple[int, bytes]] | None = None
        """Instants and frames of the master, where a test asks for them by putting a list here."""
        clock.on_advance(units.live)

    def send(self, data: bytes) -> None:
        """Bytes begin to leave now. Raises LinkError when closed."""
        self._refuse_closed()
        if self.sent is not None:
            self.sent.append((self._clock.now_ns(), data))
        if self.plugged:
            self._units.hear(data, self._clock.now_ns())

    def receive(self) -> bytes:
        """Answers whose last character has come by now. Raises LinkError when closed."""
        self._refuse_closed()
        now_ns, units = self._clock.now_ns(), self._units
        came = b"".join(data for end_ns, data in units.answers if end_ns <= now_ns)
        units.answers = [one for one in units.answers if one[0] > now_ns]
        return came if self.plugged else b""

    def drop_unsent(self) -> None:
        """Nothing waits here."""

    def next_ns(self) -> int:
        """When the next answer is there, or a request is whole that may bring one."""
        if not self.plugged:
            return FAR_NS
        return min((end_ns for end_ns, _ in self._units.answers), default=self._units.whole_ns)

    def fileno(self) -> int:
        """None."""
        return -1

    def reopen(self) -> None:
        """Open the line again after ``close``."""
        self._closed = False
        self._units.answers.clear()

    def close(self) -> None:
        """Nothing passes any more; a second call does nothing."""
        self._closed = True

    def _refuse_closed(self) -> None:
        if self._closed:
            raise LinkError("simulated line", "an open line", "a closed one")


class VirtualModbusGantry:
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
        self._stop = broadcast_stop(settings)
        self._state_dir = state_dir
        if state_dir is not None:
            store.restore(self.gantry, state_dir)
        self.units = UnitsOnLine(self.gantry, settings, lenient=False)
        self.link = VirtualLine(self.units, clock)

    def load_pen(self, ink: str, colour: str, tip_mm: float) -> None:
        """Put a pen into the holder."""
        self.gantry.load_pen(Pen(ink, colour, tip_mm))

    def put_stop(self) -> None:
        """The guard's broadcast, on the line now. Raises LinkError when closed."""
        for frame in self._stop:
            self.link.send(frame)

    def save(self, *, picture: bool = False) -> None:
        """Write state, canvas and record into ``state_dir`` (nothing without one); the picture on request."""
        if self._state_dir is not None:
            store.save_all(self.gantry, self._state_dir, picture=picture)
