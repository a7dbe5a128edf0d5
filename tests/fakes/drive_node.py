# ruff: noqa: D102 - the docstrings of the protocols that these classes keep hold here
"""A CiA 402 slave, just enough to test a group of drives without the simulated gantry.

Written from the standards' tables, not from the code under test: its own state machine, its own SDO server. It
moves as commanded without any lag. ``broken`` objects do not keep what is written; ``refused`` objects abort.
"""

from __future__ import annotations

import struct
from collections import deque

from drivers.can.link import Frame
from drivers.errors import LinkError

NOT_READY, DISABLED, READY, ON, ENABLED, QUICK_STOP, REACTION, FAULT = range(8)
WORDS = {NOT_READY: 0x00, DISABLED: 0x40, READY: 0x21, ON: 0x23, ENABLED: 0x27, QUICK_STOP: 0x07, REACTION: 0x0F,
         FAULT: 0x08}  # fmt: skip


def _dictionary() -> dict[tuple[int, int], list]:
    objects: dict[tuple[int, int], list] = {
        (0x1000, 0): ["I", 402 | 0x2_0000],
        (0x1016, 1): ["I", 0],
        (0x1017, 0): ["H", 0],
        (0x6007, 0): ["h", 1],
        (0x603F, 0): ["H", 0],
        (0x6040, 0): ["H", 0],
        (0x6041, 0): ["H", 0x40],
        (0x605A, 0): ["h", 5],
        (0x6060, 0): ["b", 1],
        (0x6061, 0): ["b", 1],
        (0x6064, 0): ["i", 0],
        (0x606C, 0): ["i", 0],
        (0x6085, 0): ["I", 0],
        (0x60C2, 1): ["B", 1],
        (0x60C2, 2): ["b", -3],
        (0x60FD, 0): ["I", 0],
        (0x60FE, 1): ["I", 0],
        (0x60FE, 2): ["I", 0],
        (0x60FF, 0): ["i", 0],
        (0x6502, 0): ["I", 1 << 8 | 0b101],
    }
    for number in range(4):
        for base, mapping in ((0x1400, 0x1600), (0x1800, 0x1A00)):
            objects[base + number, 1] = [
                "I",
                0x180 + 0x100 * number if base == 0x1800 else 0x200 + 0x100 * number,
            ]
            objects[base + number, 2] = ["B", 255]
            objects[mapping + number, 0] = ["B", 0]
            for position in range(1, 5):
                objects[mapping + number, position] = ["I", 0]
    return objects


class FakeDriveNode:
    """One drive: frames in by ``handle``, time in by ``advance``; each returns the frames that leave."""

    def __init__(self, node_id: int, start_counts: int = 0, units_to_counts: float = 1.0) -> None:
        self.node_id = node_id
        self.objects = _dictionary()
        self.state = DISABLED
        self.nmt = 0x7F
        self.position = float(start_counts)
        self.velocity = 0
        self.inputs = 1 << 17
        self.units_to_counts = units_to_counts
        self.is_silent = False
        self.mode_shown: int | None = None
        self.broken: set[tuple[int, int]] = set()
        self.refused: dict[tuple[int, int], int] = {}
        self.can_be_reset = True
        self.ignores_velocity = False
        self.stuck_at: int | None = None
        self.enabled_velocities: list[int] = []
        self._now_ns = 0
        self._pending: dict[tuple[int, int], int] = {}
        self._controlword = 0
        self._next_heartbeat_ns = 0
        self._heard_master_ns: int | None = None

    def value(self, index: int, subindex: int = 0) -> int:
        return self.objects[index, subindex][1]

    # Time

    def advance(self, now_ns: int) -> list[tuple[int, bytes]]:
        elapsed_ns = now_ns - self._now_ns if self._now_ns else 0
        self._now_ns = now_ns
        if self.state == ENABLED:
            self.position += self.velocity * self.units_to_counts * elapsed_ns * 1e-9
        if self.is_silent:
            return []
        out: list[tuple[int, bytes]] = []
        lost_ms = self.value(0x1016, 1) & 0xFFFF if (0x1016, 1) in self.objects else 0
        if (
            lost_ms
            and self._heard_master_ns is not None
            and now_ns - self._heard_master_ns > lost_ms * 1_000_000
        ):
            self._heard_master_ns = None
            out += self.fail(0x8130)
        period_ns = self.value(0x1017) * 1_000_000 if (0x1017, 0) in self.objects else 0
        if period_ns and now_ns >= self._next_heartbeat_ns:
            self._next_heartbeat_ns = now_ns + period_ns
            out.append((0x700 + self.node_id, bytes([self.nmt])))
        return out

    def fail(self, code: int) -> list[tuple[int, bytes]]:
        """Go into fault with an emergency message."""
        self.state = FAULT
        self.velocity = 0
        self.objects[0x603F, 0][1] = code
        return [(0x80 + self.node_id, struct.pack("<HB5x", code, 1))]

    def reboot(self) -> list[tuple[int, bytes]]:
        """Power off and on: everything forgotten, boot-up message."""
        self.objects = _dictionary()
        self.state, self.nmt, self.velocity, self._heard_master_ns = DISABLED, 0x7F, 0, None
        return [(0x700 + self.node_id, b"\x00")]

    # Frames

    def handle(self, can_id: int, data: bytes) -> list[tuple[int, bytes]]:
        if self.is_silent:
            return []
        if can_id == 0 and len(data) == 2 and data[1] in (0, self.node_id):
            self.nmt = {0x01: 0x05, 0x80: 0x7F, 0x02: 0x04}.get(data[0], self.nmt)
            self._next_heartbeat_ns = 0
            return []
        if can_id == 0x77F:
            self._heard_master_ns = self._now_ns
            return []
        if can_id == 0x600 + self.node_id and len(data) == 8:
            return self._serve(data)
        if self.nmt == 0x05:
            if can_id == 0x80 and not data:
                return self._sync()
            self._receive_pdo(can_id, data)
        return []

    def _receive_pdo(self, can_id: int, data: bytes) -> None:
        for number in range(4):
            if (0x1400 + number, 1) in self.objects and self.value(0x1400 + number, 1) == can_id:
                at = 0
                for position in range(1, self.value(0x1600 + number, 0) + 1):
                    word = self.value(0x1600 + number, position)
                    key = (word >> 16, word >> 8 & 0xFF)
                    (self._pending[key],) = struct.unpack_from("<" + self.objects[key][0], data, at)
                    at += (word & 0xFF) // 8

    def _sync(self) -> list[tuple[int, bytes]]:
        out = []
        self._publish()
        for number in range(4):
            if (0x1800 + number, 1) not in self.objects:
                continue
            cob_id = self.value(0x1800 + number, 1)
            if cob_id >> 31 or self.value(0x1800 + number, 2) != 1:
                continue
            data = b""
            for position in range(1, self.value(0x1A00 + number, 0) + 1):
                word = self.value(0x1A00 + number, position)
                layout, value = self.objects[word >> 16, word >> 8 & 0xFF]
                data += struct.pack("<" + layout, value)
            out.append((cob_id & 0x7FF, data))
        pending, self._pending = self._pending, {}
        for key, value in pending.items():
            self._write(key, value)
        return out

    def _publish(self) -> None:
        word = WORDS[self.state] | (0x230 if self.state not in (NOT_READY, FAULT) else 0x200)
        if self.state in (READY, ON, ENABLED):
            word = WORDS[self.state] | 0x210
        elif self.state == QUICK_STOP:
            word = 0x0217
        elif self.state == DISABLED:
            word = 0x0250
        elif self.state == FAULT:
            word = 0x0218
        self.objects[0x6041, 0][1] = word
        counts = round(self.position) & 0xFFFF_FFFF
        self.objects[0x6064, 0][1] = counts - (1 << 32) if counts >> 31 else counts
        self.objects[0x606C, 0][1] = self.velocity if self.state == ENABLED else 0
        self.objects[0x60FD, 0][1] = self.inputs
        shown = self.value(0x6060) if self.mode_shown is None else self.mode_shown
        self.objects[0x6061, 0][1] = shown

    def _write(self, key: tuple[int, int], value: int) -> None:
        if key not in self.broken:
            self.objects[key][1] = value
        if key == (0x1016, 1):
            # CiA 301: monitoring begins with the first heartbeat heard after the write.
            self._heard_master_ns = None
        elif key == (0x6040, 0):
            self._control(value)
        elif key == (0x60FF, 0) and not self.ignores_velocity:
            self.velocity = value
            if self.state == ENABLED:
                self.enabled_velocities.append(value)
        elif key == (0x60FE, 1):
            is_down = value >> 16 & 1
            self.inputs = self.inputs & ~0x3_0000 | (1 << 16 if is_down else 1 << 17)

    def _control(self, word: int) -> None:
        edge = word & ~self._controlword
        self._controlword = word
        if self.state == self.stuck_at:
            return
        if self.state == FAULT:
            if edge & 0x80 and self.can_be_reset:
                self.state = DISABLED
                self.objects[0x603F, 0][1] = 0
        elif word & 0x82 == 0x00 or (word & 0x86 == 0x02 and self.state != ENABLED):
            self.state = DISABLED
        elif word & 0x86 == 0x02:
            # 605Ah = 2: the ramp of this drive takes no time, then it is disabled.
            self.state = DISABLED
            self.velocity = 0
        elif word & 0x87 == 0x06 and self.state in (DISABLED, ON, ENABLED):
            self.state = READY
        elif word & 0x8F == 0x07 and self.state in (READY, ENABLED):
            self.state = ON
        elif word & 0x8F == 0x0F and self.state == ON:
            self.state = ENABLED

    def _serve(self, request: bytes) -> list[tuple[int, bytes]]:
        command, index, subindex = struct.unpack_from("<BHB", request)
        key = (index, subindex)
        answer_id = 0x580 + self.node_id
        if command == 0x80:
            return []
        code = self.refused.get(key, 0 if key in self.objects else 0x0602_0000)
        if not code and command >> 5 == 1 and command & 0x02:
            layout = self.objects[key][0]
            size = struct.calcsize(layout)
            if size != 4 - (command >> 2 & 3):
                code = 0x0607_0010
            else:
                self._write(key, struct.unpack_from("<" + layout, request, 4)[0])
                return [(answer_id, struct.pack("<BHB4x", 0x60, index, subindex))]
        elif not code and command == 0x40:
            self._publish()
            packed = struct.pack("<" + self.objects[key][0], self.objects[key][1])
            head = struct.pack("<BHB", 0x43 | (4 - len(packed)) << 2, index, subindex)
            return [(answer_id, (head + packed).ljust(8, b"\0"))]
        elif not code:
            code = 0x0504_0001
        return [(answer_id, struct.pack("<BHBI", 0x80, index, subindex, code))]


class FakeBus:
    """A CanLink in the same process, with nodes at its other end; time comes from a VirtualClock.

    ``sent`` keeps every frame of ours. ``is_broken`` makes the wire refuse; ``put`` plays an arriving frame.
    """

    def __init__(self, nodes: list[FakeDriveNode], clock) -> None:
        self.nodes = nodes
        self.clock = clock
        self.sent: list[tuple[int, bytes]] = []
        self.is_broken = False
        self.is_closed = False
        self.drops_answers = False
        self.garbled = 0
        self._arrived: deque[Frame] = deque()
        clock.on_advance(self._advance)

    def _advance(self, now_ns: int) -> None:
        for node in self.nodes:
            for frame in node.advance(now_ns):
                self.put(*frame)

    def put(self, can_id: int, data: bytes) -> None:
        if not self.drops_answers:
            self._arrived.append(Frame(can_id, data, self.clock.now_ns()))

    def send_frames(self, frames) -> None:
        if self.is_broken or self.is_closed:
            raise LinkError("wire fake", "a line that takes frames", "a broken line")
        for can_id, data in frames:
            self.sent.append((can_id, bytes(data)))
            for node in self.nodes:
                for frame in node.handle(can_id, bytes(data)):
                    self.put(*frame)

    def receive(self) -> list[Frame]:
        if self.is_closed:
            raise LinkError("wire fake", "a line to read", "a closed line")
        frames = list(self._arrived)
        self._arrived.clear()
        return frames

    def close(self) -> None:
        self.is_closed = True
