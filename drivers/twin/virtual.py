"""The simulated gantry in one process and in virtual time, on the kind of wire that its settings name.

Owns the choice, and the gantry on a bus of CiA 402 nodes. The gantry lives on as the caller's VirtualClock moves.
"""

from __future__ import annotations

from pathlib import Path

from drivers.can.frames import stop_frames
from drivers.clock import VirtualClock
from drivers.heads.penup import pen_up_frames
from drivers.settings import GroupSettings
from drivers.twin.describedvirtual import VirtualDescribedBusGantry, VirtualDescribedLineGantry
from drivers.twin.modbusvirtual import VirtualModbusGantry
from drivers.twin.parameters import TwinParameters
from drivers.twin.virtualbase import VirtualWorld
from drivers.twin.virtuallinks import VirtualLink


class VirtualGantry(VirtualWorld):
    """A gantry whose drives are nodes on a CAN bus."""

    link: VirtualLink

    def _attach(self, settings: GroupSettings, clock: VirtualClock) -> None:
        nodes = tuple(axis.node_id for axis in settings.axes.values())
        self._stop = stop_frames(nodes) + pen_up_frames(settings)
        # Where commands act at once, the axes' instants differ by what a frame takes: there the bus takes its time.
        at_once = settings.can.pdo == "immediate"
        self.link = VirtualLink(self.gantry, clock, settings.can.bitrate_bit_s if at_once else None)

    def put_stop(self) -> None:
        """The guard's stop frames, on the wire now. Raises LinkError when closed."""
        self.link.send_frames(self._stop)


AnyVirtualGantry = VirtualWorld

_WORLDS: dict[str, type[VirtualWorld]] = {
    "can": VirtualGantry,
    "modbus-rtu": VirtualModbusGantry,
    "described-can": VirtualDescribedBusGantry,
    "described-serial": VirtualDescribedLineGantry,
}
"""By ``wire.kind``."""


def virtual_gantry(
    settings: GroupSettings, parameters: TwinParameters, clock: VirtualClock, state_dir: Path | None = None
) -> AnyVirtualGantry:
    """The gantry on the kind of wire that the settings name."""
    return _WORLDS[settings.wire.kind](settings, parameters, clock, state_dir)
