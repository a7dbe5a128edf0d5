"""The gantry's drives as units on a Modbus RTU line: frames in, answers out, each at its instant.

Owns the units' registers and answers; the line's time is ``drivers.twin.line``'s. Written from the standards
(MODBUS Application Protocol V1.1b3, MODBUS over Serial Line V1.02) apart from the master elsewhere, so that one cannot
hide a mistake of the other; only the register map is shared, as a drive's manual would be.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence

from drivers.settings import GroupSettings, ModbusRegisters, ModbusWire
from drivers.twin.gantry import Gantry
from drivers.twin.line import DrivesOnLine
from drivers.twin.node import FAR_NS, Node
from drivers.twin.power import Power

_MS = 1_000_000
_FUNCTION, _ADDRESS, _VALUE = 1, 2, 3
_UP = (0x06, 0x07, 0x0F)
_NAMES = {
    Power.NOT_READY_TO_SWITCH_ON: "not ready to switch on",
    Power.SWITCH_ON_DISABLED: "switch on disabled",
    Power.READY_TO_SWITCH_ON: "ready to switch on",
    Power.SWITCHED_ON: "switched on",
    Power.OPERATION_ENABLED: "operation enabled",
    Power.QUICK_STOP_ACTIVE: "quick stop active",
    Power.FAULT_REACTION_ACTIVE: "fault reaction active",
    Power.FAULT: "fault",
}


def _eight_steps(register: int) -> int:
    """The guide's own steps for one byte: shift right, A001h when a one falls out."""
    for _ in range(8):
        carry = register & 1
        register >>= 1
        if carry:
            register ^= 0xA001
    return register


_STEPS = tuple(map(_eight_steps, range(256)))


def checksum(data: bytes) -> bytes:
    """CRC-16 of the guide: exclusive or with the byte, then eight steps, those of the lower byte made beforehand."""
    register = 0xFFFF
    for byte in data:
        register = register >> 8 ^ _STEPS[(register ^ byte) & 0xFF]
    return bytes((register & 0xFF, register >> 8))


class RefusedError(Exception):
    """The unit answers with an exception of this code."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"exception {code}")


class Unit:
    """One drive: its registers, and its own time-out. ``carries_head``: whether its outputs move the pen."""

    def __init__(self, node: Node, registers: ModbusRegisters) -> None:
        self.node = node
        self._map = registers
        self._memory = {one.number + k: 0 for one in registers.set_up for k in range(one.bits // 16)}
        self._memory |= dict.fromkeys(range(registers.written[0], sum(registers.written)), 0)
        if registers.timeout is not None:
            self._memory[registers.timeout] = 0
        self._low_first = registers.word_order == "low-first"
        self._written = range(registers.written[0], sum(registers.written))
        low, span = registers.looked_at
        # A drive's holes within its block read as zero.
        self._holes = dict.fromkeys(range(low, low + span), 0)
        names: dict[str, int] = {one.state: one.value for one in reversed(registers.states)}
        other = names.get("switch on disabled", 0)
        self._status_words = {power: names.get(_NAMES[power], other) for power in Power}
        self._power_mask = int(registers.power_mask)
        switches = (registers.negative_limit_bit, registers.positive_limit_bit, registers.home_bit)
        self._switches = tuple(
            (1 << bit, 1 << place) for bit, place in enumerate(switches) if place is not None
        )
        entries = node.od.entries
        self._position, self._speed = entries[0x6064, 0], entries[0x606C, 0]
        self._fault = entries[0x603F, 0]
        self.next_ns = FAR_NS
        self.timed_out = 0

    # Registers

    def read(self, first: int, count: int) -> list[int]:
        """Holding registers. Raises RefusedError for a place where there are none."""
        self._refuse_unreadable(first, count)
        every = self._holes | self._memory | self._shown()
        return [every[first + k] for k in range(count)]

    def _refuse_unreadable(self, first: int, count: int) -> None:
        if not 1 <= count <= 125:
            raise RefusedError(_VALUE)
        if not all(place in self._holes or place in self._memory for place in range(first, first + count)):
            raise RefusedError(_ADDRESS)

    def write(self, first: int, values: Sequence[int], now_ns: int) -> None:
        """All or nothing. Raises RefusedError for a place that cannot be written and an unknown control word."""
        places = range(first, first + len(values))
        if any(place not in self._memory for place in places):
            raise RefusedError(_ADDRESS)
        registers = self._map
        words = self._words(values[registers.control - first]) if registers.control in places else ()
        self._memory.update(zip(places, values, strict=True))
        if places.start < self._written.stop and places.stop > self._written.start:
            units = self._number(registers.velocity, registers.velocity_bits)
            outputs = 0 if registers.outputs is None else self._memory[registers.outputs] << 16
            self.node.command(words, units, outputs, now_ns)

    def _words(self, control: int) -> tuple[int, ...]:
        """What the drive's own control word means to its power stage."""
        registers = self._map
        if control == registers.quick_stop_word:
            return (0x02,)
        if control == registers.disable_word:
            return (0x00,)
        if control == registers.clear_word:
            return (0x00, 0x80)
        if control in registers.enable_words:
            if len(registers.enable_words) != len(_UP):
                return _UP if control == registers.enable_words[-1] else ()
            return (_UP[registers.enable_words.index(control)],)
        raise RefusedError(_VALUE)

    def _number(self, place: int, bits: int) -> int:
        memory = self._memory
        if bits == 16:
            value = memory[place]
        else:
            high, low = (place + 1, place) if self._low_first else (place, place + 1)
            value = memory[high] << 16 | memory[low]
        sign = 1 << bits - 1
        return (value ^ sign) - sign

    def _shown(self) -> dict[int, int]:
        """What the drive says of itself."""
        registers = self._map
        shown = {registers.status: self._status(), registers.inputs: self._inputs()}
        self._show(shown, registers.position, self._position.get(), 32)
        self._show(shown, registers.speed, self._speed.get(), registers.velocity_bits)
        if registers.fault is not None:
            shown[registers.fault] = self._fault.get()
        return shown

    def _show(self, shown: dict[int, int], place: int, value: int, bits: int) -> None:
        if bits == 16:
            shown[place] = value & 0xFFFF
            return
        high, low = (place + 1, place) if self._low_first else (place, place + 1)
        shown[high], shown[low] = value >> 16 & 0xFFFF, value & 0xFFFF

    def _status(self) -> int:
        power = self.node.power
        return self._status_words[power.state] | (self._power_mask if power.voltage else 0)

    def _inputs(self) -> int:
        word = self.node.head_inputs >> 16
        own = self.node.axis.inputs
        for bit, shown in self._switches:
            if own & bit:
                word |= shown
        return word

    # Its own time-out

    def heard(self, now_ns: int) -> None:
        """A request has come: the time-out begins anew."""
        ms = 0
        if self._map.timeout is not None:
            ms = self._memory[self._map.timeout] * self._map.timeout_unit_ms
        self.next_ns = now_ns + ms * _MS if ms else FAR_NS

    def live(self, now_ns: int) -> None:
        """Stop when nothing has been heard for too long."""
        if now_ns >= self.next_ns:
            self.next_ns = FAR_NS
            self.timed_out += 1
            self.node.lose_master(now_ns)

    # Requests

    def serve(self, pdu: bytes, now_ns: int) -> bytes:
        """The answer to a request (function and data)."""
        try:
            return self._serve(pdu, now_ns)
        except RefusedError as refused:
            return bytes((pdu[0] | 0x80, refused.code))

    def _serve(self, pdu: bytes, now_ns: int) -> bytes:
        function = pdu[0]
        if function == 0x03 and len(pdu) == 5:
            first, count = struct.unpack(">HH", pdu[1:])
            return self._words_of(function, self.read(first, count))
        if function == 0x06 and len(pdu) == 5:
            first, value = struct.unpack(">HH", pdu[1:])
            self.write(first, [value], now_ns)
            return pdu
        if function == 0x10 and len(pdu) > 6:
            first, count, size = struct.unpack(">HHB", pdu[1:6])
            self.write(first, self._values(pdu[6:], count, size, 123), now_ns)
            return pdu[:5]
        if function == 0x17 and len(pdu) > 10:
            read_first, read_count, first, count, size = struct.unpack(">HHHHB", pdu[1:10])
            values = self._values(pdu[10:], count, size, 121)
            self._refuse_unreadable(read_first, read_count)  # before anything is written
            self.write(first, values, now_ns)
            return self._words_of(function, self.read(read_first, read_count))
        raise RefusedError(_FUNCTION if function not in (0x03, 0x06, 0x10, 0x17) else _VALUE)

    @staticmethod
    def _values(data: bytes, count: int, size: int, most: int) -> list[int]:
        if not 1 <= count <= most or size != 2 * count or len(data) != size:
            raise RefusedError(_VALUE)
        return list(struct.unpack(f">{count}H", data))

    @staticmethod
    def _words_of(function: int, words: Sequence[int]) -> bytes:
        return struct.pack(f">BB{len(words)}H", function, 2 * len(words), *words)


class UnitsOnLine(DrivesOnLine):
    """Both drives as units on one Modbus line."""

    def __init__(self, gantry: Gantry, settings: GroupSettings, *, lenient: bool) -> None:
        wire = settings.wire
        assert isinstance(wire, ModbusWire)
        super().__init__(gantry, wire.character_ns, wire.silence_us * 1000, lenient=lenient)
        self.units: dict[int, Unit] = {}
        for node, (name, drive) in zip(gantry.nodes, settings.axes.items(), strict=True):
            if drive.registers is None:
                raise ValueError(f"axes.{name}.drive.registers: expected a register map, got none")
            self.units[drive.node_id] = Unit(node, drive.registers)

    def _drives(self) -> Iterable[Unit]:
        return self.units.values()

    def _heard(self, frame: bytes, now_ns: int) -> None:
        pieces, rest = _cut(frame) if self._lenient else ([], frame)
        for piece in pieces:
            self._obey(piece[0], piece[1:-2], now_ns)
        if rest:
            if _is_whole(rest):
                self._obey(rest[0], rest[1:-2], now_ns)
            else:
                self.garbled += 1

    def _obey(self, address: int, pdu: bytes, now_ns: int) -> None:
        if address == 0:
            for unit in self.units.values():
                if pdu[0] in (0x06, 0x10):
                    self._act(now_ns, lambda unit=unit: unit.serve(pdu, now_ns))  # type: ignore[misc]
                    unit.heard(now_ns)
            return
        asked = self.units.get(address)
        if asked is None or address in self.mute:
            return
        answer = bytes((address,)) + self._act(now_ns, lambda: asked.serve(pdu, now_ns))
        asked.heard(now_ns)
        self._answer(answer + checksum(answer), now_ns)


def _is_whole(frame: bytes) -> bool:
    return len(frame) >= 4 and checksum(frame[:-2]) == frame[-2:]


def _cut(data: bytes) -> tuple[list[bytes], bytes]:
    """Whole requests that came together, cut by the lengths that their functions state; and the rest in one piece."""
    pieces = []
    while len(data) >= 4:
        function = data[1]
        if function in (0x03, 0x06):
            length = 8
        elif function == 0x10 and len(data) > 6:
            length = 9 + data[6]
        elif function == 0x17 and len(data) > 10:
            length = 13 + data[10]
        else:
            break
        piece = data[:length]
        if not _is_whole(piece):
            break
        pieces.append(piece)
        data = data[length:]
    return pieces, data
