"""Emergency messages (CiA 301, identifier 80h + node) in words. Pure: eight bytes in, a text out.

Owns two tables: the classes of error codes and the communication errors of CiA 301, and codes of drives that CiA 402
(IEC 61800-7-201) and public drive manuals agree on. The words are ours. A code that no table has is told by its class
and its number; the maker's own five bytes are told as they came.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

_LAYOUT = struct.Struct("<HB5s")

CLASSES: tuple[tuple[int, int, str], ...] = (
    (0x0000, 0xFF00, "no error"),
    (0x1000, 0xFF00, "some error"),
    (0x2100, 0xFF00, "current on the supply side"),
    (0x2200, 0xFF00, "current inside the drive"),
    (0x2300, 0xFF00, "current on the motor side"),
    (0x2000, 0xF000, "current"),
    (0x3100, 0xFF00, "mains voltage"),
    (0x3200, 0xFF00, "voltage inside the drive"),
    (0x3300, 0xFF00, "voltage on the motor side"),
    (0x3000, 0xF000, "voltage"),
    (0x4100, 0xFF00, "temperature around the drive"),
    (0x4200, 0xFF00, "temperature of the drive"),
    (0x4000, 0xF000, "temperature"),
    (0x5000, 0xF000, "the drive's hardware"),
    (0x6100, 0xFF00, "the drive's own program"),
    (0x6200, 0xFF00, "a user's program in the drive"),
    (0x6300, 0xFF00, "the drive's parameters"),
    (0x6000, 0xF000, "the drive's software"),
    (0x7000, 0xF000, "something attached to the drive"),
    (0x8100, 0xFF00, "communication"),
    (0x8200, 0xFF00, "the protocol on the bus"),
    (0x8000, 0xF000, "supervision"),
    (0x9000, 0xFF00, "something outside the drive"),
    (0xF000, 0xFF00, "further functions of the drive"),
    (0xFF00, 0xFF00, "the maker's own code: see the drive's manual"),
)
"""(code, mask, words) of CiA 301's classes, the narrower before the wider."""

CODES: dict[int, str] = {
    # CiA 301
    0x8110: "frames lost: more came than the drive could take",
    0x8120: "the drive's bus controller is error-passive: cable, terminators, bit rate",
    0x8130: "a heartbeat or life guard that the drive awaits did not come",
    0x8140: "the drive's bus controller was off the bus and is back",
    0x8150: "two devices send the same identifier",
    0x8210: "process data too short, not taken",
    0x8220: "process data longer than mapped",
    0x8240: "a SYNC of another length",
    0x8250: "expected process data did not come in time",
    # CiA 402 and public drive manuals (from memory)
    0x2310: "continuous overcurrent to the motor",
    0x2320: "short circuit or earth fault on the motor side",
    0x2330: "earth fault on the motor side",
    0x2340: "short circuit on the motor side",
    0x2350: "overload of the motor (I2t)",
    0x3110: "mains voltage too high",
    0x3120: "mains voltage too low",
    0x3130: "a mains phase is missing",
    0x3210: "DC link voltage too high: braking too hard, or no brake resistor",
    0x3220: "DC link voltage too low: motor power is missing",
    0x4210: "the drive is too hot",
    0x4310: "the motor is too hot",
    0x5112: "low supply of the control electronics",
    0x6320: "a parameter is bad",
    0x7121: "the motor is blocked",
    0x7305: "encoder 1",
    0x7306: "encoder 2",
    0x7320: "position sensor",
    0x8400: "speed control: the motor does not follow",
    0x8500: "position control",
    0x8611: "following error: the motor is too far behind its command",
    0x8612: "a position limit has been passed",
}

REGISTER_BITS = (
    "generic", "current", "voltage", "temperature", "communication", "profile", "reserved", "maker's",
)  # fmt: skip
"""Bits 0 to 7 of the error register (1001h, CiA 301)."""


def words_of(code: int) -> str:
    """What an error code means, by its own entry or by its class."""
    known = CODES.get(code)
    if known is not None:
        return known
    for value, mask, words in CLASSES:
        if code & mask == value:
            return words
    return "a code that the standard reserves"


class Emergency(NamedTuple):
    """One emergency message. ``vendor`` are the maker's five bytes."""

    code: int
    register: int
    vendor: bytes

    @property
    def is_all_clear(self) -> bool:
        """Whether it takes errors back (CiA 301: codes 00xxh)."""
        return self.code >> 8 == 0

    def __str__(self) -> str:
        bits = [name for bit, name in enumerate(REGISTER_BITS) if self.register >> bit & 1]
        register = f"register {self.register:02X}h" + (f" ({', '.join(bits)})" if bits else "")
        text = f"emergency {self.code:04X}h: {words_of(self.code)}; {register}"
        return f"{text}; maker's bytes {self.vendor.hex(' ').upper()}" if any(self.vendor) else text


def decode(data: bytes) -> Emergency:
    """An emergency message of 8 bytes. Raises ValueError for another length."""
    if len(data) != _LAYOUT.size:
        raise ValueError(f"expected 8 bytes, got {len(data)}")
    return Emergency(*_LAYOUT.unpack(data))
