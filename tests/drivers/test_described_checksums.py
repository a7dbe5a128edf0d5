"""Checksums of described drives, against published check values and other libraries."""

from __future__ import annotations

import binascii
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.ascii import FramerAscii
from pymodbus.framer.rtu import FramerRTU

from drivers.described.checksums import CHECKSUMS

CHECK = b"123456789"

PUBLISHED = {
    "crc-8": 0xF4,
    "crc-16-modbus": 0x4B37,
    "crc-16-ccitt-false": 0x29B1,
    "crc-16-xmodem": 0x31C3,
    "crc-32": 0xCBF43926,
}
"""Check values over "123456789" in the published catalogues of parametrised CRC algorithms (CRC-8/SMBUS, CRC-16/MODBUS,
CRC-16/IBM-3740, CRC-16/XMODEM, CRC-32/ISO-HDLC); from memory."""

BY_HAND = {"sum-8": 0xDD, "xor-8": 0x31, "lrc-8": 0x23}
"""31h + ... + 39h = 477 = 1DDh; the digits 1 to 9 xor to 1, nine 3s to 3; 100h - DDh = 23h."""


@pytest.mark.parametrize("name", CHECKSUMS)
def test_check_values(name: str) -> None:
    """Every checksum gives the value over "123456789" that is published for it, or reckoned by hand."""
    assert CHECKSUMS[name].of(CHECK) == {**PUBLISHED, **BY_HAND}[name]


@given(st.binary(max_size=80))
def test_against_libraries(data: bytes) -> None:
    """Judges over any bytes: pymodbus' CRC (which it hands out with its bytes as sent) and LRC, zlib, binascii."""
    assert CHECKSUMS["crc-16-modbus"].of(data).to_bytes(2, "little") == FramerRTU.compute_CRC(data).to_bytes(
        2, "big"
    )
    assert CHECKSUMS["lrc-8"].of(data) == FramerAscii.compute_LRC(data)
    assert CHECKSUMS["crc-32"].of(data) == zlib.crc32(data)
    assert CHECKSUMS["crc-16-xmodem"].of(data) == binascii.crc_hqx(data, 0)
    assert CHECKSUMS["crc-16-ccitt-false"].of(data) == binascii.crc_hqx(data, 0xFFFF)


def long_division(data: bytes, polynomial: int, width: int) -> int:
    """The remainder of the message, shifted by ``width``, over the polynomial: the definition of a CRC from zero."""
    message = int.from_bytes(data, "big") << width
    divisor = polynomial | 1 << width
    while message.bit_length() > width:
        message ^= divisor << message.bit_length() - width - 1
    return message


@given(st.binary(max_size=40))
def test_crc8_is_the_remainder(data: bytes) -> None:
    """CRC-8 with x^8 + x^2 + x + 1 is the remainder of long division, reckoned another way than by table."""
    assert CHECKSUMS["crc-8"].of(data) == long_division(data, 0x07, 8)


@pytest.mark.parametrize("name", CHECKSUMS)
@given(data=st.binary(min_size=1, max_size=30), place=st.integers(0, 10_000))
def test_one_flipped_bit_changes_it(name: str, data: bytes, place: int) -> None:
    """Each notices every single flipped bit; the sum fits the bytes that it takes."""
    checksum = CHECKSUMS[name]
    damaged = bytearray(data)
    damaged[place // 8 % len(data)] ^= 1 << place % 8
    assert checksum.of(bytes(damaged)) != checksum.of(data)
    assert 0 <= checksum.of(data) < 1 << 8 * checksum.size
