"""Checksums by name, so that the guard can tell a whole answer from a damaged one. Pure; the standard library alone.

Owns its own code for each: what the drivers reckon with tables is reckoned here bit by bit, and a test holds the two
against each other. Parameters of the CRCs are those of the published catalogues of CRC algorithms, from memory.
"""

from __future__ import annotations

from collections.abc import Callable


def crc(data: bytes, width: int, polynomial: int, start: int, *, reflected: bool, added: int = 0) -> int:
    """A CRC bit by bit. ``polynomial`` as it is written with the highest power first; ``added`` to the end's value."""
    top, mask = 1 << width - 1, (1 << width) - 1
    register = start
    for byte in data:
        for bit in range(8):
            into = byte >> bit & 1 if reflected else byte >> 7 - bit & 1
            carry = bool(register & top) is not bool(into)
            register = (register << 1 & mask) ^ (polynomial if carry else 0)
    if reflected:
        register = int(f"{register:0{width}b}"[::-1], 2)
    return register ^ added


def _xor(data: bytes) -> int:
    total = 0
    for byte in data:
        total ^= byte
    return total


CHECKS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "sum-8": (1, lambda data: sum(data) & 0xFF),
    "xor-8": (1, _xor),
    "lrc-8": (1, lambda data: -sum(data) & 0xFF),
    "crc-8": (1, lambda data: crc(data, 8, 0x07, 0, reflected=False)),
    "crc-16-modbus": (2, lambda data: crc(data, 16, 0x8005, 0xFFFF, reflected=True)),
    "crc-16-ccitt-false": (2, lambda data: crc(data, 16, 0x1021, 0xFFFF, reflected=False)),
    "crc-16-xmodem": (2, lambda data: crc(data, 16, 0x1021, 0, reflected=False)),
    "crc-32": (
        4,
        lambda data: crc(data, 32, 0x04C1_1DB7, 0xFFFF_FFFF, reflected=True, added=0xFFFF_FFFF),
    ),
}
"""By name: bytes of the sum, and the sum over bytes."""
