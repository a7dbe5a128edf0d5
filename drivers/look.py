"""Reading what drives say of themselves, and how long an answer takes, without changing anything: by wire, by name.

Owns the neutral result and the choice. What is asked is only ever read: SDO uploads on CANopen, function 03 on a Modbus
line, of described drives the commands that only read by their file. No SYNC, no NMT command, no controlword, no
heartbeat leaves, so nothing is enabled and nothing moves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from drivers.clock import Clock
from drivers.interface import DriveState
from drivers.settings import GroupSettings


@dataclass(slots=True)
class NodeLook:
    """What one drive said.

    ``trouble``: why nothing is known of it, or empty. ``values``: what was read, by name. ``round_trips_ns``: from
    handing a question over until its answer was read, one for each question that was answered. ``lost``: questions
    without an answer. ``not_asked``: why its state could not be asked for by reading alone, or empty. ``line_ns``: what
    of a round trip is characters and silences of a serial line, and ``allowed_ns`` what the drive's file lets it think
    besides; 0 where nobody says.
    """

    axis: str
    node: int
    trouble: str = ""
    state: DriveState = DriveState.UNKNOWN
    statusword: int = 0
    fault_code: int = 0
    values: dict[str, int] = field(default_factory=dict)
    round_trips_ns: list[int] = field(default_factory=list)
    lost: int = 0
    fault_text: str = ""
    not_asked: str = ""
    line_ns: int = 0
    allowed_ns: int = 0


def _can(settings: GroupSettings, link: Any, clock: Clock, rounds: int) -> list[NodeLook]:
    from drivers.can.look import look_at_nodes

    return look_at_nodes(settings, link, clock, rounds)


def _modbus(settings: GroupSettings, link: Any, clock: Clock, rounds: int) -> list[NodeLook]:
    from drivers.modbus.look import look_at_units

    return look_at_units(settings, link, clock, rounds)


def _described(settings: GroupSettings, link: Any, clock: Clock, rounds: int) -> list[NodeLook]:
    from drivers.described.look import look_at_drives

    return look_at_drives(settings, link, clock, rounds)


_LOOKS: dict[str, Callable[[GroupSettings, Any, Clock, int], list[NodeLook]]] = {
    "can": _can,
    "described-can": _described,
    "described-serial": _described,
    "modbus-rtu": _modbus,
}
"""By ``wire.kind``."""


def look(settings: GroupSettings, link: Any, clock: Clock, rounds: int) -> list[NodeLook]:
    """Ask every drive what it is and how it stands, ``rounds`` times for its statusword. Blocks.

    ``link`` stays open. Raises LinkError when the wire itself fails; a drive that does not answer has ``trouble``.
    One that cannot be asked by reading alone has ``not_asked``.
    """
    return _LOOKS[settings.wire.kind](settings, link, clock, rounds)
