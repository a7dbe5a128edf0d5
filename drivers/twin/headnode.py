"""The simulated pen lift as a node of its own on the bus: CiA 401 inputs and outputs, or frames of a head file.

Owns what such a node says and hears; the lift itself is the gantry's. Facts of CiA 401 and CiA 301 are from memory
(docs/heads.md). ``is_silent`` unplugs the node; ``late_ns`` makes it answer late.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from drivers.heads.headfile import HeadFile
from drivers.heads.settings import NodeHead
from drivers.twin import sdo
from drivers.twin.headframes import FrameLift
from drivers.twin.headframes import LiftWords as Lift
from drivers.twin.objects import ObjectDictionary
from drivers.twin.pdo import ReceivePdo, TransmitPdo

FAR_NS = 1 << 62
_BOOT_UP, _STOPPED, _OPERATIONAL, _PRE_OPERATIONAL = 0x00, 0x04, 0x05, 0x7F
HEARTBEAT_LOST = 0x8130
TELLS_NS = 10_000_000
_SYNC = 0x80

Emit = Callable[[int, bytes, int], None]
"""Identifier, data, and how much later than at once."""


class Guest(Protocol):
    """Something on the bus that is no drive."""

    next_ns: int
    is_silent: bool
    late_ns: int

    def listens_to(self) -> set[int]:
        """Identifiers that mean something to it, SYNC excluded."""
        ...

    def frame(self, can_id: int, data: bytes, now_ns: int) -> None:
        """A frame that it listens to."""
        ...

    def sync(self, can_id: int, now_ns: int) -> None:
        """A SYNC."""
        ...

    def step(self, now_ns: int) -> None:
        """``next_ns`` has come."""
        ...


class IoNode:
    """A Guest by CiA 401: one block of outputs, one of inputs, analogue inputs."""

    def __init__(self, settings: NodeHead, lift: Lift, emit: Emit) -> None:
        self.next_ns = FAR_NS
        self.is_silent = False
        self.late_ns = 0
        self._settings = settings
        self._lift = lift
        self._send = emit
        self._node = settings.node_id
        self._nmt = _PRE_OPERATIONAL
        self._now_ns = 0
        self._heartbeat_from: int | None = None
        self._lost_ns = self._beat_ns = FAR_NS
        self.od = self._dictionary()
        self._receive = ReceivePdo(self.od, 0)
        self._transmit = TransmitPdo(self.od, 0)
        self._emit(0x700 + self._node, bytes([_BOOT_UP]))

    def _dictionary(self) -> ObjectDictionary:
        od, node = ObjectDictionary(), self._node
        od.add(0x1000, 0, "U32", "r", "device type", 0x000F_0191)
        od.add(0x1001, 0, "U8", "r", "error register")
        od.add(0x1005, 0, "U32", "rw", "COB-ID SYNC", _SYNC)
        od.add(0x1016, 1, "U32", "rw", "consumer heartbeat time", span=(0, 0x7F_FFFF)).write = self._consume
        od.add(0x1017, 0, "U16", "rw", "producer heartbeat time, ms").write = self._produce
        od.add(0x1029, 1, "U8", "rw", "communication error", 0, span=(0, 2))
        for base, first in ((0x1400, 0x200), (0x1800, 0x180)):
            od.add(base, 1, "U32", "rw", "COB-ID", first + node)
            od.add(base, 2, "U8", "rw", "transmission type", 255)
            od.add(base + 0x200, 0, "U8", "rw", "number of mapped objects", 1)
            for sub in range(1, 9):
                default = (0x6200_0108 if base == 0x1400 else 0x6000_0108) if sub == 1 else 0
                od.add(base + 0x200, sub, "U32", "rw", "mapped object", default)
        od.add(0x1800, 3, "U16", "rw", "inhibit time, 100 us")
        od.add(0x1800, 5, "U16", "rw", "event timer, ms")
        od.add(0x6000, 1, "U8", "r", "inputs 1 to 8", mapping="t").read = self._inputs
        od.add(0x6200, 1, "U8", "rw", "outputs 1 to 8", mapping="r").write = self._output
        od.add(0x6206, 1, "U8", "rw", "error mode", 0xFF)
        od.add(0x6207, 1, "U8", "rw", "error value")
        for sub in range(1, 9):
            entry = od.add(0x6401, sub, "I16", "r", "analogue input", mapping="t")
            if sub == self._settings.analogue_input:
                entry.read = self._analogue
        return od

    # The hardware behind it

    def _inputs(self) -> int:
        settings, word = self._settings, 0
        if settings.down_input_bit is not None and self._lift.is_down:
            word |= 1 << settings.down_input_bit
        if settings.up_input_bit is not None and self._lift.is_up:
            word |= 1 << settings.up_input_bit
        return word

    def _analogue(self) -> int:
        settings, lift = self._settings, self._lift
        value = lift.force_n if settings.settle.kind == "force" else lift.travel_mm
        return max(-32768, min(32767, round((value - settings.analogue_zero) / settings.analogue_step)))

    def _output(self, word: int) -> None:
        self._lift.lower(bool(word >> self._settings.output_bit & 1))

    def _take_error_values(self) -> None:
        """Outputs with an error value take it; the others stay (6206h, 6207h)."""
        mask, value = self.od.value(0x6206, 1), self.od.value(0x6207, 1)
        outputs = self.od.entries[0x6200, 1]
        outputs.put(outputs.value & ~mask & 0xFF | value & mask)

    # The bus

    def listens_to(self) -> set[int]:
        """NMT, SDO, its RPDO, the heartbeat that it awaits."""
        ids = {0x000, 0x600 + self._node}
        if self._receive.can_id is not None:
            ids.add(self._receive.can_id)
        if self._heartbeat_from is not None:
            ids.add(self._heartbeat_from)
        return ids

    def frame(self, can_id: int, data: bytes, now_ns: int) -> None:
        """Any frame but SYNC."""
        self._now_ns = now_ns
        if self.is_silent:
            return
        if can_id == 0x600 + self._node:
            reply = None if self._nmt == _STOPPED else sdo.answer(self.od, data)
            if reply is not None:
                self._emit(0x580 + self._node, reply)
        elif can_id == 0:
            self._command(data)
        elif can_id == self._heartbeat_from:
            self._lost_ns = now_ns + (self.od.value(0x1016, 1) & 0xFFFF) * 1_000_000
            self._set_next()
        elif self._nmt == _OPERATIONAL and len(data) >= self._receive.length:
            self._receive.apply(data)

    def sync(self, can_id: int, now_ns: int) -> None:
        """Sample and tell."""
        self._now_ns = now_ns
        pdo = self._transmit
        if can_id != _SYNC or self._nmt != _OPERATIONAL or pdo.can_id is None or pdo.transmission > 240:
            return
        data = pdo.pack()
        if pdo.due_at_sync(data):
            pdo.sent = data
            self._emit(pdo.can_id, data)

    def step(self, now_ns: int) -> None:
        """Heartbeats."""
        self._now_ns = now_ns
        if now_ns >= self._lost_ns:
            self._lost_ns = FAR_NS
            code = HEARTBEAT_LOST.to_bytes(2, "little")
            self._emit(0x80 + self._node, code + bytes([0x11]) + bytes(5))
            if self._nmt == _OPERATIONAL:
                self._nmt = {0: _PRE_OPERATIONAL, 2: _STOPPED}.get(self.od.value(0x1029, 1), self._nmt)
                self._take_error_values()
        if now_ns >= self._beat_ns:
            self._beat_ns += self.od.value(0x1017) * 1_000_000
            self._emit(0x700 + self._node, bytes([self._nmt]))
        self._set_next()

    def _command(self, data: bytes) -> None:
        if len(data) != 2 or data[1] not in (0, self._node):
            return
        states = {0x01: _OPERATIONAL, 0x02: _STOPPED, 0x80: _PRE_OPERATIONAL}
        if data[0] in states:
            self._nmt = states[data[0]]
            if self._nmt == _STOPPED:
                self._take_error_values()
        elif data[0] in (0x81, 0x82):
            self.restart()

    def restart(self) -> None:
        """Its program starts anew: outputs off, everything as after power-on."""
        self.od.reset(0x1000, 0xFFFF)
        self._receive.refresh()
        self._transmit.refresh()
        self._lift.lower(down=False)
        self._nmt = _PRE_OPERATIONAL
        self._heartbeat_from = None
        self._lost_ns = self._beat_ns = FAR_NS
        self._set_next()
        self._emit(0x700 + self._node, bytes([_BOOT_UP]))

    def _consume(self, value: int) -> None:
        node, timeout_ms = value >> 16 & 0x7F, value & 0xFFFF
        self._heartbeat_from = 0x700 + node if node and timeout_ms else None
        self._lost_ns = FAR_NS
        self._set_next()

    def _produce(self, period_ms: int) -> None:
        self._beat_ns = self._now_ns + period_ms * 1_000_000 if period_ms else FAR_NS
        self._set_next()

    def _set_next(self) -> None:
        self.next_ns = min(self._lost_ns, self._beat_ns)

    def _emit(self, can_id: int, data: bytes) -> None:
        if not self.is_silent:
            self._send(can_id, data, self.late_ns)


class FrameNode:
    """A Guest that speaks the frames of a head file."""

    def __init__(self, file: HeadFile, node: int, lift: Lift, emit: Emit, start_ns: int) -> None:
        self.next_ns = FAR_NS if file.commands.read_head is not None else start_ns + TELLS_NS
        self.is_silent = False
        self.late_ns = 0
        self._device = FrameLift(file, node, lift)
        self._send = emit

    def listens_to(self) -> set[int]:
        """The identifiers of its commands."""
        return set(self._device.identifiers)

    def frame(self, can_id: int, data: bytes, now_ns: int) -> None:  # noqa: ARG002
        """A command, or the question."""
        if self.is_silent:
            return
        answer = self._device.hear(can_id, data)
        if answer is not None:
            self._send(*answer, self.late_ns)

    def sync(self, can_id: int, now_ns: int) -> None:
        """Nothing to it."""

    def step(self, now_ns: int) -> None:
        """One that is not asked tells by itself."""
        self.next_ns = now_ns + TELLS_NS
        if not self.is_silent:
            self._send(*self._device.word(), self.late_ns)
