"""What raises the pen on a CANopen bus without any of our code: frames that stand ready behind the stop's."""

from __future__ import annotations

from drivers.can import frames
from drivers.heads.settings import DriveOutputHead, NodeHead
from drivers.settings import GroupSettings


def pen_up_frames(settings: GroupSettings) -> list[tuple[int, bytes]]:
    """To be sent behind the stop, where they cost it nothing. None for heads that hear no bus, or other frames."""
    head = settings.head
    if isinstance(head, DriveOutputHead):
        return [(frames.RPDO2 + settings.axes[head.axis].node_id, frames.RPDO2_DATA.pack(0))]
    if isinstance(head, NodeHead):
        return [(frames.RPDO1 + head.node_id, bytes(1))]
    return []
