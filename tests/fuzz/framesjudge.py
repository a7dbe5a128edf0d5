"""What a frame is worth, judged apart from the decoders: the standards' layouts written down once more, slowly.

CiA 402 (IEC 61800-7-201): statusword masks. CiA 301: identifiers of the default connection set, emergencies, heartbeat.
MODBUS over Serial Line V1.02 and Application Protocol V1.1b3: frame, checksum, answers of functions 03 and 23. The
drives of configs/drives: their files, read by hand. The serial CAN adapter's lines: the form that python-can's backend
writes and reads. Knows no code of ours.
"""

from __future__ import annotations

import re
import struct

CAN_LINE = re.compile(
    rb"t(?P<id>[0-7][0-9A-Fa-f]{2})(?P<n>[0-8])(?P<data>(?:[0-9A-Fa-f]{2})*)"
    rb"|T(?P<xid>[01][0-9A-Fa-f]{7})(?P<xn>[0-8])(?P<xdata>(?:[0-9A-Fa-f]{2})*)"
    rb"|r(?P<rid>[0-7][0-9A-Fa-f]{2})(?P<rn>[0-8])(?P<rstamp>(?:[0-9A-Fa-f]{4})?)"
    rb"|R(?P<rxid>[01][0-9A-Fa-f]{7})(?P<rxn>[0-8])(?P<rxstamp>(?:[0-9A-Fa-f]{4})?)"
)


def crc_bits(data: bytes, crc: int) -> int:
    """The register of CRC-16/MODBUS, bit by bit."""
    for byte in data:
        crc ^= byte
        for _ in range(8):
            carry, crc = crc & 1, crc >> 1
            if carry:
                crc ^= 0xA001
    return crc


def crc_modbus(data: bytes) -> int:
    """CRC-16/MODBUS as the serial line guide describes it."""
    return crc_bits(data, 0xFFFF)


def crc_ccitt(data: bytes) -> int:
    """CRC-16/CCITT-FALSE: 1021h, highest bit first, from FFFFh."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ (0x1021 if crc & 0x8000 else 0)
        crc &= 0xFFFF
    return crc


def enabled_402(word: int) -> bool:
    """OPERATION ENABLED: xxxx xxxx x01x 0111b."""
    return word & 0b0110_1111 == 0b0010_0111


def can_word(axis_node: int, can_id: int, data: bytes) -> str:
    """What one frame does to a CiA 402 node: well, unwell, alarm, all clear, gone, or nothing."""
    if can_id == 0x180 + axis_node and len(data) == 6:
        return "well" if enabled_402(data[0] | data[1] << 8) else "unwell"
    if can_id == 0x080 + axis_node and len(data) == 8:
        return "all clear" if data[1] == 0 else "alarm"
    if can_id == 0x700 + axis_node and len(data) == 1 and data[0] & 0x7F != 5:
        return "gone"
    return "nothing"


def heron_word(node: int, can_id: int, data: bytes) -> str:
    """The same for heron: bits 0 ready, 1 energised, 2 follows, neither 3 fault nor 4 stopping."""
    if can_id == 0x2C0 + node and len(data) == 8:
        return "well" if data[0] & 0x1F == 0b00111 else "unwell"
    return "nothing"


def modbus_words(request: bytes, answer: bytes) -> tuple[int, ...] | None:
    """The registers of a whole answer to a request that reads; None for anything else."""
    if len(request) < 6 or len(answer) < 5 or request[1] not in (0x03, 0x17):
        return None
    count = request[4] << 8 | request[5]
    if answer[0] != request[0] or answer[1] != request[1] or answer[2] != 2 * count:
        return None
    if len(answer) != 5 + 2 * count or crc_modbus(answer[:-2]) != answer[-2] | answer[-1] << 8:
        return None
    return struct.unpack(f">{count}H", answer[3:-2])


def modbus_word(request: bytes, answer: bytes) -> str:
    """What an answer says of the unit that was asked, by the register map of the tests (status is register 1000h)."""
    words = modbus_words(request, answer)
    first = request[2] << 8 | request[3] if len(request) > 3 else 0
    if words is None or not first <= 0x1000 < first + len(words):
        return "nothing"
    return "well" if enabled_402(words[0x1000 - first]) else "unwell"


TIDE_LENGTH = 18


def is_tide(frame: bytes, address: int) -> bool:
    """Whether these bytes are one whole reply of the tide drive at an address."""
    return (
        len(frame) == TIDE_LENGTH
        and frame[:4] == bytes((0xA5, address | 0x80, 13, 0xA0))
        and crc_ccitt(frame[1:16]) == frame[16] << 8 | frame[17]
    )


def tide_word(request: bytes, answer: bytes) -> str:
    """The same for tide: the low four bits of the status are 3."""
    if len(request) < 2 or not is_tide(answer, request[1]):
        return "nothing"
    return "well" if answer[5] & 0x0F == 3 else "unwell"


def adapter_frames(text: bytes) -> list[tuple[int, bytes]]:
    """The frames in a serial adapter's text: whole lines only; a bell ends what stands before it, unread."""
    found = []
    for line, end in re.findall(rb"([^\r\a]*)([\r\a])", text):
        match = CAN_LINE.fullmatch(line) if end == b"\r" and len(line) < 32 else None
        if match is None:
            continue
        frame = _of(match)
        if frame is not None:
            found.append(frame)
    return found


def _of(match: re.Match[bytes]) -> tuple[int, bytes] | None:
    got = match.groupdict()
    for name, count, data, flag in (("id", "n", "data", 0), ("xid", "xn", "xdata", 0x8000_0000)):
        if got[name] is not None:
            size = int(got[count])
            if len(got[data]) not in (2 * size, 2 * size + 4):
                return None
            return int(got[name], 16) | flag, bytes.fromhex(got[data][: 2 * size].decode())
    name, count, flag = ("rid", "rn", 0x4000_0000) if got["rid"] else ("rxid", "rxn", 0xC000_0000)
    return int(got[name], 16) | flag, bytes(int(got[count]))


class CanTruth:
    """What may be believed of one CiA 402 node, from every frame since it was set up."""

    def __init__(self, node: int) -> None:
        self._node = node
        self.trusted = self.alarm = self.healthy = False

    def lose(self) -> None:
        """It is being set up anew."""
        self.trusted = self.alarm = self.healthy = False

    def trust(self) -> None:
        """It has been set up."""
        self.trusted, self.healthy = True, False

    def acknowledge(self) -> None:
        """Its faults have been acknowledged."""
        self.alarm = False

    def hear(self, can_id: int, data: bytes) -> None:
        """One frame on the bus."""
        match can_word(self._node, can_id, data):
            case "well":
                self.healthy = self.trusted and not self.alarm
            case "unwell":
                self.healthy = False
            case "alarm":
                self.alarm, self.healthy = True, False
            case "all clear":
                self.alarm = False
            case "gone" if self.trusted:
                self.lose()


class WordTruth:
    """What may be believed of a drive of which one word says everything: heron, tide, a Modbus unit."""

    def __init__(self) -> None:
        self.trusted = self.well = False

    @property
    def healthy(self) -> bool:
        """Set up, and its last whole word says so."""
        return self.trusted and self.well

    def lose(self) -> None:
        """It is being set up anew."""
        self.trusted = self.well = False

    def trust(self) -> None:
        """It has been set up."""
        self.trusted = True

    def acknowledge(self) -> None:
        """Words say all."""

    def take(self, said: str) -> None:
        """What a frame meant."""
        if said != "nothing":
            self.well = said == "well"


def moves(wire: str, can_id: int, data: bytes) -> bool:
    """Whether a frame of ours commands a velocity that is not zero. ``can_id`` is -1 on a serial line."""
    match wire:
        case "can":
            return can_id & ~0x7F == 0x200 and any(data[2:6])
        case "described-can":
            return can_id & ~0x3F == 0x140 and any(data[:4])
        case "modbus-rtu":
            # Function 23: unit, 17h, read first and count, write first (control at 2000h), count, bytes, registers.
            return len(data) > 17 and data[1] == 0x17 and data[6:8] == b"\x20\x00" and any(data[13:17])
    return len(data) > 9 and data[3] == 0x20 and any(data[5:9])
