"""Checksums by name: what a drive's manual calls them. Pure.

Each is a function from bytes to a number of ``size`` bytes. The parameters of the CRCs (polynomial, start, reflected or
not, what is added at the end) are those of the published catalogues of CRC algorithms, from memory; the tests hold each
against its published check value over "123456789" and, where there is one, a library.
"""

from __future__ import annotations

import binascii
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, get_args

ChecksumName = Literal[
    "sum-8", "xor-8", "lrc-8", "crc-8", "crc-16-modbus", "crc-16-ccitt-false", "crc-16-xmodem", "crc-32"
]


@dataclass(frozen=True, slots=True)
class Checksum:
    """``of`` gives the sum over bytes as a number; ``size``: the bytes it takes in a frame."""

    size: int
    of: Callable[[bytes], int]


def _forward_table(polynomial: int, byte: int) -> int:
    for _ in range(8):
        byte = byte << 1 ^ (polynomial | 0x100 if byte & 0x80 else 0)
    return byte & 0xFF


def _reflected_table(polynomial: int, byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (polynomial if byte & 1 else 0)
    return byte


_CRC8 = bytes(_forward_table(0x07, byte) for byte in range(256))
_CRC16 = tuple(_reflected_table(0xA001, byte) for byte in range(256))


def _sum8(data: bytes) -> int:
    return sum(data) & 0xFF


def _xor8(data: bytes) -> int:
    total = 0
    for byte in data:
        total ^= byte
    return total


def _lrc8(data: bytes) -> int:
    return -sum(data) & 0xFF


def _crc8(data: bytes) -> int:
    crc = 0
    for byte in data:
        crc = _CRC8[crc ^ byte]
    return crc


def _crc16_modbus(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC16[(crc ^ byte) & 0xFF]
    return crc


def _crc16_ccitt_false(data: bytes) -> int:
    return binascii.crc_hqx(data, 0xFFFF)


def _crc16_xmodem(data: bytes) -> int:
    return binascii.crc_hqx(data, 0)


CHECKSUMS: dict[ChecksumName, Checksum] = {
    "sum-8": Checksum(1, _sum8),
    "xor-8": Checksum(1, _xor8),
    "lrc-8": Checksum(1, _lrc8),
    "crc-8": Checksum(1, _crc8),
    "crc-16-modbus": Checksum(2, _crc16_modbus),
    "crc-16-ccitt-false": Checksum(2, _crc16_ccitt_false),
    "crc-16-xmodem": Checksum(2, _crc16_xmodem),
    "crc-32": Checksum(4, zlib.crc32),
}
"""Every checksum that a drive file may name."""

assert set(CHECKSUMS) == set(get_args(ChecksumName))
