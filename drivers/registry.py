"""Names to drivers: groups of drives, links and stop plans, each chosen by name and never because another failed.

Owns the tables. Drivers are imported only when asked for by name.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from drivers.can.link import CanLink
from drivers.clock import Clock
from drivers.errors import MisuseError
from drivers.interface import DriveGroup, StandstillWord, StopPlan
from drivers.line.port import SerialLine
from drivers.settings import (
    DESCRIBED_KINDS,
    CanWire,
    DescribedCanWire,
    GroupSettings,
    ModbusWire,
    SerialWire,
)

Link = CanLink | SerialLine
"""A wire that is open: frames on a bus, or bytes on a line."""


def _can_group(settings: GroupSettings, link: Any, clock: Clock) -> DriveGroup:
    from drivers.can.group import CanDriveGroup

    return CanDriveGroup(settings, link, clock)


def _modbus_group(settings: GroupSettings, link: Any, clock: Clock) -> DriveGroup:
    from drivers.modbus.group import ModbusDriveGroup

    return ModbusDriveGroup(settings, link, clock)


def _described_group(settings: GroupSettings, link: Any, clock: Clock) -> DriveGroup:
    from drivers.described.opening import described_group

    return described_group(settings, link, clock)


def _bus(settings: GroupSettings) -> CanWire | DescribedCanWire:
    assert isinstance(settings.wire, CanWire | DescribedCanWire)
    return settings.wire


def _slcan_link(settings: GroupSettings, channel: str, clock: Clock) -> CanLink:
    from drivers.can.slcan import SlcanLink

    if _bus(settings).options:
        raise MisuseError("wire.options", "none for slcan (or python-can:slcan)", "some")
    return SlcanLink.open(channel, settings.wire.bitrate_bit_s, clock)


def _python_can_link(settings: GroupSettings, channel: str, clock: Clock) -> CanLink:
    from drivers.can.pythoncan import PythonCanLink, known_interfaces

    wire = _bus(settings)
    try:
        return PythonCanLink.open(wire.interface, channel, wire.bitrate_bit_s, clock, wire.options)
    except MisuseError as error:
        if error.where != "wire.interface":
            raise
        names = ", ".join(sorted({*_LINKS, *known_interfaces()}))
        raise MisuseError(error.where, f"one of {names}", error.got) from None


_GROUPS: dict[str, Callable[[GroupSettings, Any, Clock], DriveGroup]] = {
    "can": _can_group,
    "described-can": _described_group,
    "described-serial": _described_group,
    "modbus-rtu": _modbus_group,
}
"""By ``wire.kind``."""

_LINKS: dict[str, Callable[[GroupSettings, str, Clock], CanLink]] = {"slcan": _slcan_link}
"""By ``wire.interface``: links of our own. Every other name is one of python-can's or unknown."""


def open_link(settings: GroupSettings, channel: str, clock: Clock) -> Link:
    """Open the wire named in ``settings`` on ``channel`` (a machine file's "simulated" is resolved before).

    Raises MisuseError for an unknown name, LinkError when the wire cannot be opened.
    """
    if settings.wire.is_simulated and channel == settings.wire.channel:
        raise MisuseError("channel", "the simulated gantry's own line, once it runs", repr(channel))
    if isinstance(settings.wire, SerialWire):
        from drivers.line.port import TtyLine

        return TtyLine.open(channel, settings.wire)
    return _LINKS.get(_bus(settings).interface, _python_can_link)(settings, channel, clock)


def open_head_line(settings: GroupSettings, channel: str | None = None) -> SerialLine | None:
    """Open the port of a head that has one of its own; None for any other head.

    ``channel``: where the simulated gantry's is. Raises LinkError when it cannot be opened.
    """
    if settings.drive_output is not None:
        return None
    from drivers.heads import opening

    return opening.open_head_line(settings, channel)


def group_on_link(
    settings: GroupSettings, link: Link, clock: Clock, head_line: SerialLine | None = None
) -> DriveGroup:
    """The group of drives and the head named in ``settings`` on a link that is already open; it takes the link over.

    ``head_line``: the head's own port where it has one (``open_head_line``), taken over as well.
    """
    kind = settings.wire.kind
    make = _GROUPS.get(kind)
    if make is None:
        raise MisuseError("wire.kind", f"one of {', '.join(sorted(_GROUPS))}", repr(kind))
    if settings.drive_output is not None:
        return make(settings, link, clock)
    from drivers.heads.opening import headed

    return headed(settings, link, clock, make, head_line)


def open_group(settings: GroupSettings, channel: str, clock: Clock) -> DriveGroup:
    """Open the wire and the group of drives on it. Nothing is sent to the drives yet.

    Raises MisuseError for an unknown name, LinkError when the wire cannot be opened.
    """
    link = open_link(settings, channel, clock)
    try:
        head_line = open_head_line(settings)
    except BaseException:
        link.close()
        raise
    return group_on_link(settings, link, clock, head_line)


def stop_plan(settings: GroupSettings, channel: str) -> StopPlan:
    """Ready-made stop bytes for a process that imports nothing of ours.

    Where such a process could not write by itself, the program that holds a second handle for it. Raises MisuseError
    for a wire that no second process can open.
    """
    if isinstance(settings.wire, ModbusWire):
        from drivers.modbus.plan import modbus_stop_plan

        return modbus_stop_plan(settings, channel)
    if settings.wire.kind in DESCRIBED_KINDS:
        from drivers.described.plan import described_stop_plan

        return described_stop_plan(settings, channel)
    from drivers.can import frames
    from drivers.can.slcan import END_OF_CUT_LINE, encode_frames
    from drivers.heads.penup import pen_up_frames

    nodes = tuple(axis.node_id for axis in settings.axes.values())
    stop = frames.stop_frames(nodes) + pen_up_frames(settings)
    standstill = tuple(
        StandstillWord(
            axis=name,
            can_id=frames.TPDO1 + axis.node_id,
            offset_bytes=2,
            length_bytes=4,
            resolution_um=float(1000 / axis.counts_per_mm),
        )
        for name, axis in settings.axes.items()
    )
    interface = settings.can.interface
    if settings.can.stop_by == "power-cut":
        return StopPlan("none", channel, b"", (), b"", ())
    if interface in ("slcan", "python-can:slcan"):
        # One write: no other process' bytes can come between the lines.
        stop_bytes: tuple[bytes, ...] = (encode_frames(stop),)
        poll, end, kind = encode_frames((frames.SYNC_FRAME,)), END_OF_CUT_LINE, "tty"
    elif interface in ("socketcan", "python-can:socketcan"):
        stop_bytes = tuple(frames.socketcan_frame(can_id, data) for can_id, data in stop)
        poll, end, kind = frames.socketcan_frame(*frames.SYNC_FRAME), b"", "socketcan"
    else:
        from drivers.can.stopperplan import handle_plan

        proof = [
            (*frames.read_request(node_id, frames.DEVICE_TYPE), frames.SDO_ANSWER + node_id)
            for node_id in nodes
        ]
        return handle_plan(settings.can, channel, stop, frames.SYNC_FRAME, proof, standstill)
    return StopPlan(kind, channel, end, stop_bytes, poll, standstill)
