"""A CAN controller's own word on the bus: error frames in, whether the bus still takes our frames out.

Pure. The layout is that of linux/can/error.h: class bits in the identifier, the controller's state in data byte 1.
"""

from __future__ import annotations

import struct

CAN_FRAME = struct.Struct("=IB3x8s")
ERR_FLAG = 0x2000_0000
ERR_CRTL = 0x004
ERR_BUSOFF = 0x040
ERR_RESTARTED = 0x100
CRTL_WARNING = 0x04 | 0x08
CRTL_PASSIVE = 0x10 | 0x20
CRTL_ACTIVE = 0x40
WANTED = ERR_CRTL | ERR_BUSOFF | ERR_RESTARTED
"""The classes to ask the kernel for (CAN_RAW_ERR_FILTER)."""


class BusHealth:
    """Follows the controller's state. ``trouble`` is empty while the bus is good.

    Error-passive is trouble as well: a controller whose frames nobody acknowledges stays there and never goes off the
    bus, which is how an unplugged cable looks.
    """

    __slots__ = ("_is_off", "trouble")

    def __init__(self) -> None:
        self._is_off = False
        self.trouble = ""

    def feed(self, frame: bytes) -> None:
        """Take one frame as the kernel hands it out; anything but an error frame is passed over."""
        if len(frame) != CAN_FRAME.size:
            return
        can_id, _, data = CAN_FRAME.unpack(frame)
        if not can_id & ERR_FLAG:
            return
        if can_id & ERR_BUSOFF:
            self._is_off = True
            self.trouble = "the CAN controller has gone off the bus"
        elif can_id & ERR_RESTARTED:
            self._is_off = False
            self.trouble = ""
        elif can_id & ERR_CRTL:
            state = data[1]
            if state & CRTL_PASSIVE and not self._is_off:
                self.trouble = (
                    "the CAN controller is error-passive: its frames are disturbed or not acknowledged"
                )
            elif state & CRTL_ACTIVE or (state & CRTL_WARNING and not self._is_off):
                self._is_off = False
                self.trouble = ""
