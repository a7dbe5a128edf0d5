"""Published Modbus frames byte for byte, against the drivers' checksum and the guard's own.

MODBUS Application Protocol V1.1b3, 6.1 to 6.17: the examples' PDUs, sent to unit 11h. Their checksums are reckoned from
the polynomial of MODBUS over Serial Line V1.02 (appendix B), whose own example is 02 07 41 12; pymodbus agrees. Values
from memory.
"""

from __future__ import annotations

import pytest
from pymodbus.framer import FramerRTU

from drivers.modbus import frames
from drivers.settings import ModbusWire
from safety import rtu
from safety.settings import StandstillAxis

PUBLISHED = {
    "serial line guide": "02 07 41 12",
    "01 request": "11 01 00 13 00 13 8E 92",
    "01 answer": "11 01 03 CD 6B 05 40 12",
    "03 request": "11 03 00 6B 00 03 76 87",
    "03 answer": "11 03 06 02 2B 00 00 00 64 C8 BA",
    "05": "11 05 00 AC FF 00 4E 8B",
    "06": "11 06 00 01 00 03 9A 9B",
    "15 request": "11 0F 00 13 00 0A 02 CD 01 BF 0B",
    "16 request": "11 10 00 01 00 02 04 00 0A 01 02 C6 F0",
    "16 answer": "11 10 00 01 00 02 12 98",
    "23 request": "11 17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF 4B 54",
    "exception": "11 83 02 C1 34",
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_checksums_byte_for_byte(name: str) -> None:
    """Drivers and guard reckon the same two bytes as published and as pymodbus, low first; over the whole frame 0."""
    frame = bytes.fromhex(PUBLISHED[name])
    assert frames.framed(frame[0], frame[1:-2]) == frame
    assert rtu.crc16(frame[:-2]).to_bytes(2, "little") == frame[-2:]
    assert frames.crc16(frame) == rtu.crc16(frame) == 0
    assert FramerRTU.compute_CRC(frame[:-2]).to_bytes(2, "big") == frame[-2:]


def test_the_published_answer_to_function_23() -> None:
    """6.17: six registers 00FE 0ACD 0001 0003 000D 00FF; the guard finds a position in the first two of two."""
    pdu = bytes.fromhex("17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF")
    request = frames.read_write(0x11, 3, 6, 0x0E, [0xFF] * 3)
    assert request.content(frames.framed(0x11, pdu)) == (0xFE, 0xACD, 1, 3, 0xD, 0xFF)
    axis = StandstillAxis("x", 0x11, 0, 4, 1.0)
    answer = frames.framed(0x11, bytes.fromhex("17 04 00 FE 0A CD"))
    assert rtu.position_in(answer, axis, low_first=False) == 0x00FE_0ACD
    assert rtu.position_in(answer, axis, low_first=True) == 0x0ACD_00FE


def test_two_registers_by_function_16_on_the_line() -> None:
    """115200 bit/s, 13 and 8 characters of 11 bits, each frame with its 1.750 ms of silence: 5.505 ms.

    Closed form from MODBUS over Serial Line V1.02, 2.5.1, at the slowest speed that a machine file takes.
    """
    wire = ModbusWire(kind="modbus-rtu", channel="simulated", bitrate_bit_s=115_200)
    request = frames.write(0x11, 1, [0x000A, 0x0102])
    characters = len(request.frame) + request.answer_bytes
    assert characters == 21
    assert (characters * wire.character_ns + 2 * wire.silence_ns) * 1e-6 == pytest.approx(5.505, abs=0.001)
