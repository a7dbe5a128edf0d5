"""Heads by kind: whoever the settings name is opened, and the drives beside it.

Owns the choice. A head on the drives' bus takes its own frames out of it; one on a port of its own opens that port.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from drivers.clock import Clock
from drivers.errors import MisuseError
from drivers.head import HeadLine
from drivers.heads.described import DescribedBusHead, DescribedPortHead, device_of
from drivers.heads.group import HeadedGroup
from drivers.heads.node import NodeLift
from drivers.heads.settings import DescribedHead, NodeHead, SerialHead
from drivers.heads.text import TextHead
from drivers.interface import DriveGroup
from drivers.line.port import SerialLine, TtyLine
from drivers.settings import CanWire, DescribedCanWire, GroupSettings


@dataclass(frozen=True, slots=True)
class HeadPort:
    """How a head's own port must be set."""

    channel: str
    bitrate_bit_s: int
    parity: Literal["even", "odd", "none"]
    stop_bits: int
    is_simulated: bool


def port_of(settings: GroupSettings) -> HeadPort | None:
    """The head's own port, where it has one."""
    head = settings.head
    if isinstance(head, DescribedHead) and (head.is_on_bus or head.channel is None):
        return None
    if not isinstance(head, SerialHead | DescribedHead):
        return None
    channel = head.channel
    assert channel is not None
    return HeadPort(channel, head.bitrate_bit_s, head.parity, head.stop_bits, head.is_simulated)


def open_head_line(settings: GroupSettings, channel: str | None) -> SerialLine | None:
    """Open the head's own port (``channel``: where the simulated gantry's is); None for a head without one.

    Raises LinkError when it cannot be opened, MisuseError for a simulated one that nobody has resolved.
    """
    port = port_of(settings)
    if port is None:
        return None
    if port.is_simulated and channel is None:
        raise MisuseError("head.channel", "the simulated gantry's own line, once it runs", repr(port.channel))
    return TtyLine.open(channel if port.is_simulated and channel is not None else port.channel, port)


def headed(
    settings: GroupSettings,
    link: Any,
    clock: Clock,
    make: Callable[[GroupSettings, Any, Clock], DriveGroup],
    line: SerialLine | None,
) -> DriveGroup:
    """The drives on ``link`` and the head that the settings name. Raises MisuseError for one that cannot be there."""
    head: HeadLine
    kind = settings.head
    if isinstance(kind, NodeHead):
        if not isinstance(settings.wire, CanWire):
            raise MisuseError("head.kind", "a node on a CANopen bus only", f"a wire of {settings.wire.kind}")
        node = NodeLift(kind, settings.wire, link, clock)
        head, link = node, node.tap
    elif isinstance(kind, DescribedHead) and device_of(kind).can is not None:
        if not isinstance(settings.wire, CanWire | DescribedCanWire):
            raise MisuseError(
                "head.head_file", "a head with a serial line", f"a wire of {settings.wire.kind}"
            )
        described = DescribedBusHead(kind, link, clock)
        head, link = described, described.tap
    else:
        if line is None:
            raise MisuseError("head.channel", "the head's own port, opened", "none")
        if isinstance(kind, SerialHead):
            head = TextHead(kind, line, clock)
        else:
            assert isinstance(kind, DescribedHead)
            head = DescribedPortHead(kind, line, clock)
    return HeadedGroup(make(settings, link, clock), head)
