"""The simulated gantry with described drives in one process and in virtual time. Knows their stop, no more."""

from __future__ import annotations

from drivers.clock import VirtualClock
from drivers.described.cangroup import stop_frames
from drivers.described.linegroup import stops_of
from drivers.described.tick import codecs_of
from drivers.settings import GroupSettings
from drivers.twin.described import DescribedOnBus, DescribedOnLine
from drivers.twin.describedlink import DescribedLink
from drivers.twin.virtualbase import VirtualWorld
from drivers.twin.virtuallinks import VirtualLine


class VirtualDescribedBusGantry(VirtualWorld):
    """A gantry whose drives speak described frames on CAN."""

    link: DescribedLink

    def _attach(self, settings: GroupSettings, clock: VirtualClock) -> None:
        self._stop = stop_frames(codecs_of(settings))
        self.bus = DescribedOnBus(self.gantry, settings)
        self.link = DescribedLink(self.bus, clock)

    def put_stop(self) -> None:
        """The guard's stop frames, on the wire now. Raises LinkError when closed."""
        self.link.send_frames(self._stop)


class VirtualDescribedLineGantry(VirtualWorld):
    """A gantry whose drives speak described frames on a serial line."""

    link: VirtualLine

    def _attach(self, settings: GroupSettings, clock: VirtualClock) -> None:
        self._stop = stops_of(codecs_of(settings))
        self._turn = 0
        self.line = DescribedOnLine(self.gantry, settings, lenient=False)
        self.link = VirtualLine(self.line, clock)

    def put_stop(self) -> None:
        """The guard's stop, on the line now, one frame at a time: frames need silence between them."""
        self.link.send(self._stop[self._turn % len(self._stop)])
        self._turn += 1
