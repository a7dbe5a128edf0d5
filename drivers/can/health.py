"""How well our own bus controller is: error frames of SocketCAN and status flags of serial adapters, judged.

Pure: what came in, a verdict out. Knows no bus. A controller that is error-passive (128 errors counted, ISO 11898-1)
still speaks, but nobody is warned by it any more when a frame is bad; one that is off the bus is silent. Either
stops motion; a controller that comes back by itself does, too, since nobody knows what was missed meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass

# linux/can/error.h: classes in the identifier of an error frame
ERR_CRTL = 0x004
ERR_BUSOFF = 0x040
ERR_RESTARTED = 0x100
# ... and controller status in data byte 1
CRTL_OVERFLOW = 0x01 | 0x02
CRTL_WARNING = 0x04 | 0x08
CRTL_PASSIVE = 0x10 | 0x20

# Flags of a serial adapter's answer to F, as its public protocol has them (from memory)
FLAG_OVERFLOW = 0x01 | 0x02 | 0x08
FLAG_WARNING = 0x04
FLAG_PASSIVE = 0x20
FLAG_BUS_ERROR = 0x80

LOOK_AT = "look at cable, plugs, both terminators and the bit rate"


@dataclass(slots=True)
class BusHealth:
    """What has been found so far. ``trouble`` is empty, or why motion must not go on; it stays until reopened.

    ``warnings`` counts reports of a controller near its limit (96 errors), ``overflows`` those of lost frames,
    ``bus_errors`` those of single bad frames: none of them stops by itself.
    """

    trouble: str = ""
    warnings: int = 0
    overflows: int = 0
    bus_errors: int = 0

    def error_frame(self, can_id: int, data: bytes) -> str:
        """Take an error frame of SocketCAN. Returns trouble that it is the first to tell, else an empty text."""
        status = data[1] if len(data) > 1 and can_id & ERR_CRTL else 0
        counts = (
            f" ({data[6]} transmit and {data[7]} receive errors)" if len(data) == 8 and any(data[6:8]) else ""
        )
        self.overflows += bool(status & CRTL_OVERFLOW)
        self.warnings += bool(status & CRTL_WARNING)
        if can_id & ERR_BUSOFF:
            return self._tell(f"bus-off{counts}: {LOOK_AT}; then set the interface down and up")
        if can_id & ERR_RESTARTED:
            return self._tell(f"a controller that was off the bus and restarted by itself: {LOOK_AT}")
        if status & CRTL_PASSIVE:
            return self._tell(f"error-passive{counts}: {LOOK_AT}")
        return ""

    def adapter_flags(self, flags: int) -> str:
        """Take a serial adapter's status flags. Returns as ``error_frame`` does."""
        self.overflows += bool(flags & FLAG_OVERFLOW)
        self.warnings += bool(flags & FLAG_WARNING)
        self.bus_errors += bool(flags & FLAG_BUS_ERROR)
        if flags & FLAG_PASSIVE:
            return self._tell(f"error-passive (adapter's flags {flags:02X}h): {LOOK_AT}")
        return ""

    def _tell(self, trouble: str) -> str:
        if self.trouble:
            return ""
        self.trouble = trouble
        return trouble
