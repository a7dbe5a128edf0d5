"""The simulated gantry on a Modbus line in one process and in virtual time. Knows the line's stop, no more."""

from __future__ import annotations

from drivers.clock import VirtualClock
from drivers.modbus.plan import broadcast_stop
from drivers.settings import GroupSettings
from drivers.twin.modbus import UnitsOnLine
from drivers.twin.virtualbase import VirtualWorld
from drivers.twin.virtuallinks import VirtualLine


class VirtualModbusGantry(VirtualWorld):
    """A gantry whose drives are units on a Modbus line."""

    link: VirtualLine

    def _attach(self, settings: GroupSettings, clock: VirtualClock) -> None:
        self._stop = broadcast_stop(settings)
        self.units = UnitsOnLine(self.gantry, settings, lenient=False)
        self.link = VirtualLine(self.units, clock)

    def put_stop(self) -> None:
        """The guard's broadcast, on the line now. Raises LinkError when closed."""
        for frame in self._stop:
            self.link.send(frame)
