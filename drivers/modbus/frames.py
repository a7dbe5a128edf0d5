"""Modbus RTU frames as bytes: requests out, answers judged. Pure; knows no line, no clock and no drive.

Owns the checksum, the requests of functions 03, 06, 16 and 23, and the only question that matters of an answer: is it
whole, and does it answer this very request? Sources: MODBUS Application Protocol Specification V1.1b3 (functions,
exception codes); MODBUS over Serial Line V1.02 (frame, checksum, broadcast).

A frame is the unit's address, the function, its data, and a CRC-16 (polynomial A001h reflected, start FFFFh, low byte
first). Unit 0 is every unit; nobody answers it. Registers are numbered from 0 as on the wire, high byte first.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

from drivers.line.master import AnswerError

BROADCAST = 0
READ, WRITE_ONE, WRITE, READ_WRITE = 0x03, 0x06, 0x10, 0x17
READ_MAX, WRITE_MAX, WRITE_WITH_READ_MAX = 125, 123, 121
EXCEPTION_BYTES = 5
OVERHEAD_BYTES = 3
"""Address and checksum of every frame."""

EXCEPTIONS = {
    0x01: "illegal function",
    0x02: "illegal data address",
    0x03: "illegal data value",
    0x04: "server device failure",
    0x05: "acknowledge",
    0x06: "server device busy",
    0x08: "memory parity error",
    0x0A: "gateway path unavailable",
    0x0B: "gateway target device failed to respond",
}
"""Exception codes by the specification's names (section 7)."""


def _table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
        table.append(crc)
    return tuple(table)


_TABLE = _table()


def crc16(data: bytes) -> int:
    """CRC-16 of the serial line guide; over a frame with its own checksum it is 0."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _TABLE[(crc ^ byte) & 0xFF]
    return crc


def framed(unit: int, pdu: bytes) -> bytes:
    """Address, ``pdu`` (function and data), checksum."""
    body = bytes((unit,)) + pdu
    return body + struct.pack("<H", crc16(body))


def is_whole(frame: bytes) -> bool:
    """Whether the checksum is that of the bytes before it."""
    return len(frame) >= OVERHEAD_BYTES + 1 and crc16(frame) == 0


@dataclass(frozen=True, slots=True)
class Request:
    """One request: the frame as it goes out, and what a good answer must look like.

    ``answer_bytes``: length of that answer, 0 for a broadcast. ``echo``: the bytes that the answer must begin with.
    """

    frame: bytes
    answer_bytes: int
    echo: bytes

    @property
    def unit(self) -> int:
        """Who is asked."""
        return self.frame[0]

    @property
    def function(self) -> int:
        """The function code."""
        return self.frame[1]

    def needed(self, received: bytes) -> int:
        """How long the answer that ``received`` begins must be: that of an exception where it is one."""
        is_exception = len(received) >= 2 and received[1] == self.function | 0x80
        return EXCEPTION_BYTES if is_exception else self.answer_bytes

    def content(self, received: bytes) -> tuple[int, ...]:
        """The registers of a good answer (none for functions that only write). Raises AnswerError for all else."""
        if not is_whole(received):
            raise AnswerError(f"a bad checksum in {len(received)} bytes")
        if received[0] != self.unit:
            raise AnswerError(f"an answer of unit {received[0]}")
        if received[1] == self.function | 0x80 and len(received) == EXCEPTION_BYTES:
            code = received[2]
            name = EXCEPTIONS.get(code, "an exception that the standard does not know")
            raise AnswerError(f"{name} (exception {code:02X}h)", is_refusal=True)
        if received[1] != self.function:
            raise AnswerError(f"an answer to function {received[1]:02X}h")
        if len(received) != self.answer_bytes:
            raise AnswerError(f"{len(received)} bytes in place of {self.answer_bytes}")
        if not received.startswith(self.echo):
            raise AnswerError("an answer to another request")
        if self.function not in (READ, READ_WRITE):
            return ()
        return struct.unpack(f">{received[2] // 2}H", received[3:-2])


def _unit(unit: int, *, broadcast: bool) -> int:
    low = BROADCAST if broadcast else 1
    if not low <= unit <= 247:
        raise ValueError(f"expected a unit from {low} to 247, got {unit}")
    return unit


def _span(first: int, count: int, count_max: int) -> None:
    if not (1 <= count <= count_max and first >= 0 and first + count <= 0x10000):
        raise ValueError(f"expected 1 to {count_max} registers below 65536, got {count} from {first}")


def _read_answer(unit: int, function: int, count: int) -> tuple[int, bytes]:
    return OVERHEAD_BYTES + 2 + 2 * count, bytes((unit, function, 2 * count))


def read(unit: int, first: int, count: int) -> Request:
    """Function 03: ``count`` holding registers from ``first``. Raises ValueError beyond the standard's limits."""
    _span(first, count, READ_MAX)
    frame = framed(_unit(unit, broadcast=False), struct.pack(">BHH", READ, first, count))
    return Request(frame, *_read_answer(unit, READ, count))


def write_one(unit: int, register: int, value: int) -> Request:
    """Function 06: one register; the answer repeats the request. Unit 0: everybody. Raises ValueError."""
    _span(register, 1, 1)
    pdu = struct.pack(">BHH", WRITE_ONE, register, _value(value))
    frame = framed(_unit(unit, broadcast=True), pdu)
    return Request(frame, len(frame) if unit else 0, frame[:-2])


def write(unit: int, first: int, values: Sequence[int]) -> Request:
    """Function 16: registers from ``first``. Unit 0: everybody. Raises ValueError."""
    count = len(values)
    _span(first, count, WRITE_MAX)
    pdu = struct.pack(f">BHHB{count}H", WRITE, first, count, 2 * count, *map(_value, values))
    frame = framed(_unit(unit, broadcast=True), pdu)
    return Request(frame, 8 if unit else 0, frame[:6])


def read_write(unit: int, read_first: int, read_count: int, first: int, values: Sequence[int]) -> Request:
    """Function 23: writes registers from ``first``, then reads; one exchange. Raises ValueError."""
    count = len(values)
    _span(read_first, read_count, READ_MAX)
    _span(first, count, WRITE_WITH_READ_MAX)
    pdu = struct.pack(
        f">BHHHHB{count}H", READ_WRITE, read_first, read_count, first, count, 2 * count, *map(_value, values)
    )
    return Request(framed(_unit(unit, broadcast=False), pdu), *_read_answer(unit, READ_WRITE, read_count))


def read_write_bytes(read_count: int, write_count: int) -> tuple[int, int]:
    """Lengths of request and answer of function 23, in bytes (characters on the line)."""
    return 13 + 2 * write_count, 5 + 2 * read_count


def _value(value: int) -> int:
    if not 0 <= value <= 0xFFFF:
        raise ValueError(f"expected a register's value from 0 to 65535, got {value}")
    return value
