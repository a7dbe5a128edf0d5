"""A trace in plain words: what each frame means, one line of words a frame. Pure; any bytes give words, none raise.

Owns the decoding for people, apart from the drivers' own so that one cannot hide a mistake of the other. Knows no
file and no terminal. CAN: the default connection set of CiA 301 and the process data of ``drivers.can.frames``. Modbus:
MODBUS Application Protocol V1.1b3; registers by the names of the machine file where the trace has them. Drives with a
file of their own: ``drivers.tracedescribed``.

Frames of Modbus are put together from runs of bytes: an answer by the request before it; where nothing of ours is on
the line (a trace that only listened), by the first checksum that holds.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from drivers import cia402, tracenames
from drivers.can import emcy, frames
from drivers.interface import DriveState
from drivers.modbus.frames import EXCEPTIONS, crc16
from drivers.tracedescribed import DescribedWords, plain_line
from drivers.tracefile import Piece
from drivers.traceline import ERROR, EXTENDED, REMOTE
from drivers.traceline import KINDS as KINDS
from drivers.traceline import Line as Line

FRAME_BYTES_MAX = 256
"""Longest Modbus RTU frame (MODBUS over Serial Line V1.02)."""


class Decoder:
    """Words for the pieces of one trace, in their order. Remembers what the next frame's meaning hangs on."""

    def __init__(self, description: Mapping[str, Any]) -> None:
        wire = _mapping(description.get("wire"))
        self._protocol = wire.get("kind")
        self._axes = {
            int(node): str(axis)
            for node, axis in _mapping(description.get("nodes")).items()
            if str(node).isdecimal() and len(str(node)) < 4
        }
        silence_ns = wire.get("silence_ns")
        self._silence_ns = silence_ns if isinstance(silence_ns, int) else 1_750_000
        self._maps = {
            unit: _Registers(_mapping(one))
            for unit, one in _mapping(description.get("registers")).items()
            if isinstance(unit, str)
        }
        self._objects: dict[int, str] = {}
        self._asked: _Asked | None = None
        self._heard = bytearray()
        self._heard_from_ns = self._heard_last_ns = 0
        self._described = DescribedWords.of(description, self._axes)

    def lines(self, pieces: Iterable[Piece]) -> Iterator[Line]:
        """One line for each frame, oldest first."""
        if self._described is not None:
            yield from self._described.lines(pieces)
            return
        is_listening = True
        for piece in pieces:
            if self._protocol not in ("can", "modbus-rtu"):
                yield plain_line(piece)
                continue
            if not piece.is_serial:
                yield self._can(piece)
                continue
            if piece.is_out:
                is_listening = False
                yield from self._rest()
                yield self._request(piece.instant_ns, piece.data, is_out=True, is_taken=piece.is_taken)
                continue
            if self._heard and piece.instant_ns - self._heard_last_ns > 20 * self._silence_ns:
                yield from self._rest()
            if not self._heard:
                self._heard_from_ns = piece.instant_ns
            self._heard += piece.data
            self._heard_last_ns = piece.instant_ns
            yield from self._overheard() if is_listening else self._answered()
        yield from self._rest()

    def _where(self, node: int) -> str:
        return self._axes.get(node, f"node {node}")

    # CAN

    def _can(self, piece: Piece) -> Line:
        can_id, data = piece.can_id, piece.data
        node, kind, words = self._can_words(can_id, data)
        words = words if piece.is_taken else f"{words} (the wire did not take it)"
        return Line(piece.instant_ns, piece.is_out, piece.is_taken, can_id, node, kind, data, words)

    def _can_words(self, can_id: int, data: bytes) -> tuple[int, str, str]:
        if can_id & ERROR:
            return -1, "broken", f"error frame, class {can_id & 0x1FFF_FFFF:X}h"
        if can_id & (EXTENDED | REMOTE) or can_id > 0x7FF:
            kind = "remote frame" if can_id & REMOTE else "29-bit frame"
            return -1, "other", f"{kind}, none of ours"
        node, base = can_id & 0x7F, can_id & 0x780
        if can_id == frames.NMT:
            return self._nmt(data)
        if can_id == frames.SYNC:
            return -1, "sync", "SYNC" + (f" {data[0]}" if data else "")
        if can_id == 0x100:
            return -1, "time", "time stamp"
        if node == 0:
            return -1, "other", "none of the default identifiers"
        where = self._where(node)
        if base == frames.EMCY:
            return node, "emcy", f"{where} {_emergency(data)}"
        if base == frames.HEARTBEAT:
            who = "our" if node == frames.OUR_NODE_ID and node not in self._axes else where
            return node, "heartbeat", f"{who} {_heartbeat(data)}"
        if base in (frames.SDO_REQUEST, frames.SDO_ANSWER):
            return node, "sdo", f"{where} {self._sdo(node, data, is_request=base == frames.SDO_REQUEST)}"
        if 0x180 <= base <= 0x500:
            return node, "pdo", f"{where} {_process_data(base, data)}"
        return node, "other", "none of the default identifiers"

    def _nmt(self, data: bytes) -> tuple[int, str, str]:
        if len(data) != 2:
            return -1, "nmt", f"NMT of {len(data)} bytes (2 are due)"
        command = tracenames.NMT_COMMANDS.get(data[0], f"command {data[0]:02X}h")
        node = data[1] & 0x7F or -1
        return node, "nmt", f"NMT {command}, {'all nodes' if data[1] == 0 else self._where(data[1])}"

    def _sdo(self, node: int, data: bytes, *, is_request: bool) -> str:
        if len(data) != 8:
            return f"SDO of {len(data)} bytes (8 are due)"
        command, index, sub = data[0], data[1] | data[2] << 8, data[3]
        what = command >> 5
        place, called = f"{index:04X}h:{sub:02X}", tracenames.object_name(index)
        name = f"{place} {called}"
        if what == 4:
            (code,) = struct.unpack_from("<I", data, 4)
            why = tracenames.ABORTS.get(code, "a code that the standard does not know")
            return f"abort {place}, {why} ({code:08X}h): {called}"
        if what == (1 if is_request else 2):
            self._objects[node] = name
            return (
                f"{'write' if is_request else 'is'} {place} {self._initiated(command, index, data)}: {called}"
            )
        if is_request and what == 2:
            self._objects[node] = name
            return f"read {name}"
        if not is_request and what == 3:
            return f"written {name}"
        of = self._objects.get(node, "an object")
        if what in (0, 1, 3):
            return f"segment of {of}"
        return f"block transfer of {of}" if what in (5, 6) else f"SDO command {command:02X}h"

    @staticmethod
    def _initiated(command: int, index: int, data: bytes) -> str:
        if not command & 2:
            return f"of {struct.unpack_from('<I', data, 4)[0]} bytes" if command & 1 else "of unknown length"
        size = 4 - (command >> 2 & 3) if command & 1 else 4
        raw = int.from_bytes(data[4 : 4 + size], "little")
        return f"= {value_words(index, raw, size)}"

    # Modbus

    def _map(self, unit: int) -> _Registers:
        return self._maps.get(str(unit)) or _Registers({})

    def _request(self, instant_ns: int, data: bytes, *, is_out: bool, is_taken: bool = True) -> Line:
        taken = "" if is_taken else " (the line did not take it)"
        asked = _asked(data)
        self._asked = None
        if asked is None:
            words = f"{len(data)} bytes that are no request" + taken
            return Line(instant_ns, is_out, is_taken, None, -1, "broken", data, words)
        registers = self._map(asked.unit)
        where = "everybody" if asked.unit == 0 else self._where(asked.unit)
        words = f"{_checksum(data)}, {where} {_request_words(asked, registers)}{taken}"
        if asked.unit and crc16(data) == 0:
            self._asked = asked
        is_whole = crc16(data) == 0
        kind = ("request" if asked.unit else "broadcast") if is_whole else "broken"
        return Line(instant_ns, is_out, is_taken, None, asked.unit or -1, kind, data, words)

    def _answered(self) -> Iterator[Line]:
        """The answer that the last request waits for, once it is whole."""
        asked = self._asked
        if asked is None:
            yield from self._rest()
            return
        if len(self._heard) < 2:
            return
        due = 5 if self._heard[1] & 0x80 else asked.answer_bytes
        if due and len(self._heard) >= due:
            data = bytes(self._heard[:due])
            del self._heard[:due]
            self._asked = None
            yield self._answer(self._heard_from_ns, data, asked)
            yield from self._rest()

    def _overheard(self) -> Iterator[Line]:
        """Every frame that ends in a checksum that holds: both sides of the line are heard here."""
        while (length := _whole(self._heard)) > 0:
            data = bytes(self._heard[:length])
            del self._heard[:length]
            asked = self._asked
            if asked is not None and data[0] == asked.unit and data[1] & 0x7F == asked.function:
                self._asked = None
                yield self._answer(self._heard_from_ns, data, asked)
            else:
                yield self._request(self._heard_from_ns, data, is_out=False)
            self._heard_from_ns = self._heard_last_ns
        if len(self._heard) > FRAME_BYTES_MAX:
            yield from self._rest()

    def _rest(self) -> Iterator[Line]:
        if self._heard:
            data = bytes(self._heard)
            self._heard.clear()
            words = f"{len(data)} bytes that are no whole answer"
            yield Line(self._heard_from_ns, False, True, None, -1, "broken", data, words)

    def _answer(self, instant_ns: int, data: bytes, asked: _Asked) -> Line:
        unit, function = data[0], data[1]
        where, good = self._where(unit), _checksum(data)
        if function & 0x80:
            name = EXCEPTIONS.get(data[2], "an exception that the standard does not know")
            refused = tracenames.FUNCTIONS.get(function & 0x7F, f"function {function & 0x7F:02X}h")
            words = f"{good}, {where} refuses {refused}: {name} ({data[2]:02X}h)"
            return Line(instant_ns, False, True, None, unit, "exception", data, words)
        if (unit, function) != (asked.unit, asked.function):
            words = f"{good}, an answer of unit {unit} to function {function:02X}h"
            return Line(instant_ns, False, True, None, unit, "broken", data, words)
        if asked.reads is None or len(data) < 5:
            words = f"{good}, {where} has written {self._map(unit).span(asked.writes)}"
        else:
            body = data[3:-2]
            values = struct.unpack_from(f">{len(body) // 2}H", body)
            words = f"{good}, {where} is {self._map(unit).words(asked.reads[0], values)}"
        kind = "answer" if crc16(data) == 0 else "broken"
        return Line(instant_ns, False, True, None, unit, kind, data, words)


def _emergency(data: bytes) -> str:
    if len(data) != 8:
        return f"EMCY of {len(data)} bytes (8 are due)"
    said = emcy.decode(data)
    return "EMCY: no error any more" if said.is_all_clear else str(said)


def _heartbeat(data: bytes) -> str:
    if len(data) != 1:
        return f"heartbeat of {len(data)} bytes (1 is due)"
    if data[0] == 0:
        return "boot-up: it has started anew"
    state = data[0] & 0x7F
    return f"heartbeat, {tracenames.NMT_STATES.get(state, f'state {state}')}"


def control_words(word: int) -> str:
    """A controlword (6040h) in words: the command by CiA 402's masks, then halt and what else is set."""
    if word & 0x80:
        command = "fault reset"
    elif not word & 0x02:
        command = "disable voltage"
    elif not word & 0x04:
        command = "quick stop"
    elif not word & 0x01:
        command = "shutdown"
    elif not word & 0x08:
        command = "switch on"
    else:
        command = "enable operation"
    return command + (", halt" if word & 0x100 else "")


def status_words(word: int) -> str:
    """A statusword (6041h) in words: the state by CiA 402's masks, then what is worth a look."""
    state = cia402.decode(word)
    told = [state.value if state is not DriveState.UNKNOWN else "a state that CiA 402 does not know"]
    told += [name for bit, name in ((7, "warning"), (11, "internal limit")) if word >> bit & 1]
    if state is not DriveState.SWITCH_ON_DISABLED and state in _POWERED and not word & 0x10:
        told.append("no voltage")
    if not word & 0x200:
        told.append("local")
    return ", ".join(told)


_POWERED = frozenset({DriveState.SWITCHED_ON, DriveState.OPERATION_ENABLED, DriveState.QUICK_STOP_ACTIVE})
_SIGNED = frozenset(
    {
        0x6007,
        0x605A,
        0x605B,
        0x605C,
        0x605D,
        0x605E,
        0x6060,
        0x6061,
        0x6062,
        0x6064,
        0x606B,
        0x606C,
        0x6071,
        0x6077,
    }
    | {0x6078, 0x607A, 0x607C, 0x607D, 0x6098, 0x60F4, 0x60FF}
)
_BITS = frozenset({0x1000, 0x1001, 0x1003, 0x1005, 0x1014, 0x603F, 0x60FD, 0x60FE, 0x6502})
_MODES = {
    1: "profile position",
    3: "profile velocity",
    6: "homing",
    8: "cyclic position",
    9: "cyclic velocity",
}


def value_words(index: int, raw: int, size: int) -> str:
    """A value of an object, by the way it is best read; ``raw`` unsigned, of ``size`` bytes."""
    if index == 0x6040:
        return f"{raw:04X}h {control_words(raw)}"
    if index == 0x6041:
        return f"{raw:04X}h {status_words(raw)}"
    if index in _SIGNED:
        value = raw - (1 << 8 * size) if raw >> 8 * size - 1 else raw
        mode = _MODES.get(value) if index in (0x6060, 0x6061) else None
        return f"{value}" if mode is None else f"{value} {mode}"
    if index in _BITS or 0x1400 <= index < 0x1C00 or index == 0x1016:
        return f"{raw:0{2 * size}X}h"
    return str(raw)


def _process_data(base: int, data: bytes) -> str:
    if base == frames.RPDO1 and len(data) == frames.RPDO1_DATA.size:
        word, units = frames.RPDO1_DATA.unpack(data)
        return f"{control_words(word)}, velocity {units}"
    if base == frames.TPDO1 and len(data) == frames.TPDO1_DATA.size:
        word, counts = frames.TPDO1_DATA.unpack(data)
        return f"{status_words(word)}, position {counts}"
    if base == frames.TPDO2 and len(data) == frames.TPDO2_DATA.size:
        inputs, units = frames.TPDO2_DATA.unpack(data)
        return f"velocity {units}, inputs {input_words(inputs)}"
    if base == frames.RPDO2 and len(data) == frames.RPDO2_DATA.size:
        return f"outputs {frames.RPDO2_DATA.unpack(data)[0]:08X}h"
    number, is_theirs = (base - 0x180) // 0x100 + 1, bool(base & 0x80)
    return f"{'T' if is_theirs else 'R'}PDO{number} of {len(data)} bytes"


def input_words(bits: int) -> str:
    """Digital inputs (60FDh): limits and home by name, all in hexadecimal."""
    names = [name for bit, name in enumerate(("negative limit", "positive limit", "home")) if bits >> bit & 1]
    return f"{bits:08X}h" + (f" ({', '.join(names)})" if names else "")


@dataclass(frozen=True, slots=True)
class _Asked:
    """A request: who, what, the registers (first, count) it reads and writes, and how long its answer is (0: none)."""

    unit: int
    function: int
    reads: tuple[int, int] | None
    writes: tuple[int, int] | None
    values: tuple[int, ...]
    answer_bytes: int


def _asked(data: bytes) -> _Asked | None:
    """What a request asks, as far as its length fits its function; None for what is no request."""
    if len(data) < 4:
        return None
    unit, function, body = data[0], data[1], data[2:-2]
    if function in (0x03, 0x04) and len(body) == 4:
        first, count = struct.unpack(">HH", body)
        return _Asked(unit, function, (first, count), None, (), 5 + 2 * count if count <= 125 else 0)
    if function == 0x06 and len(body) == 4:
        first, value = struct.unpack(">HH", body)
        return _Asked(unit, function, None, (first, 1), (value,), 8)
    if function == 0x10 and len(body) >= 5 and body[4] == len(body) - 5:
        first, count = struct.unpack_from(">HH", body)
        return _Asked(unit, function, None, (first, count), _words(body[5:]), 8)
    if function == 0x17 and len(body) >= 9 and body[8] == len(body) - 9:
        read_first, read_count, first, count = struct.unpack_from(">HHHH", body)
        length = 5 + 2 * read_count if read_count <= 125 else 0
        return _Asked(unit, function, (read_first, read_count), (first, count), _words(body[9:]), length)
    return _Asked(unit, function, None, None, (), 0)


def _words(raw: bytes) -> tuple[int, ...]:
    return struct.unpack_from(f">{len(raw) // 2}H", raw)


def _request_words(asked: _Asked, registers: _Registers) -> str:
    name = tracenames.FUNCTIONS.get(asked.function)
    if asked.reads is None and asked.writes is None:
        return f"function {asked.function:02X}h" + (f" {name}" if name else "")
    told = []
    if asked.writes is not None:
        told.append(f"write {registers.words(asked.writes[0], asked.values)}")
    if asked.reads is not None:
        told.append(f"read {registers.span(asked.reads)}")
    return ", ".join(told)


def _checksum(data: bytes) -> str:
    return "CRC good" if crc16(data) == 0 else "CRC BAD"


def _whole(heard: bytes | bytearray) -> int:
    """Length of the first frame whose checksum holds; 0 when there is none."""
    for length in range(5, min(len(heard), FRAME_BYTES_MAX) + 1):
        if crc16(bytes(heard[:length])) == 0:
            return length
    return 0


class _Registers:
    """Names and meanings of a unit's registers, as far as a machine file's map gives them."""

    def __init__(self, told: Mapping[str, Any]) -> None:
        self._low_first = told.get("word_order") == "low-first"
        wide = told.get("velocity_bits", 32)
        self._states = [one for one in _sequence(told.get("states")) if isinstance(one, Mapping)]
        self._by_number: dict[int, tuple[str, int]] = {}
        sizes = {"position": 2, "velocity": 2 if wide == 32 else 1, "speed": 2 if wide == 32 else 1}
        for name in (
            "control", "velocity", "outputs", "status", "fault", "position", "speed", "inputs", "timeout",
        ):  # fmt: skip
            number = told.get(name)
            if isinstance(number, int):
                self._by_number[number] = name, sizes.get(name, 1)
        self._words_of = {
            word: name
            for name in ("disable", "quick_stop", "clear")
            if isinstance(word := told.get(f"{name}_word"), int)
        }

    def span(self, span: tuple[int, int] | None) -> str:
        """Registers by number: first and count."""
        if span is None:
            return "nothing"
        return f"{span[0]:04X}h" if span[1] == 1 else f"{span[0]:04X}h x{span[1]}"

    def words(self, first: int, values: Sequence[int]) -> str:
        """Values from register ``first`` on, by name where there is one."""
        told, at = [], 0
        while at < len(values):
            number = first + at
            name, size = self._by_number.get(number, (f"{number:04X}h", 1))
            if at + size > len(values):
                size = 1
            part = list(values[at : at + size])
            if self._low_first:
                part.reverse()
            raw = part[0] if size == 1 else part[0] << 16 | part[1]
            told.append(f"{name} {self._value(name, raw, 16 * size)}")
            at += size
        return ", ".join(told) if told else f"nothing from {first:04X}h"

    def _value(self, name: str, raw: int, bits: int) -> str:
        if name in ("velocity", "position", "speed"):
            return str(raw - (1 << bits) if raw >> bits - 1 else raw)
        if name == "status":
            return f"{raw:04X}h ({self._state(raw)})"
        if name == "control" and raw in self._words_of:
            return f"{raw:04X}h ({self._words_of[raw].replace('_', ' ')})"
        return f"{raw}" if name == "timeout" else f"{raw:04X}h"

    def _state(self, raw: int) -> str:
        for one in self._states:
            mask, value = one.get("mask"), one.get("value")
            if isinstance(mask, int) and raw & mask == value:
                return str(one.get("state"))
        return "no known state"


def _mapping(value: object) -> Mapping[Any, Any]:
    return value if isinstance(value, Mapping) else {}


def _sequence(value: object) -> Sequence[Any]:
    return value if isinstance(value, list | tuple) else ()
