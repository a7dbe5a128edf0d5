"""The drive's end of a described wire, made ready once: what ``drivers.described.driveside`` does bit by bit.

Owns shifts, masks and whole-number scales of every frame of one drive. Apart from the compiled codec of our side; held
to the bit-by-bit one by a test.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from drivers.described.checksums import CHECKSUMS
from drivers.described.driveside import SERIAL, Heard
from drivers.described.format import CommandFrame, CommandName, DataField, DriveFile, Reply
from drivers.described.scale import fractions_of


@dataclass(frozen=True, slots=True)
class _Number:
    """A field: ours = (up x number + add) / down."""

    name: str
    at: int
    end: int
    little: bool
    shift: int
    mask: int
    sign: int
    is_float: bool
    up: int
    add: int
    down: int
    low: int
    high: int

    @classmethod
    def of(cls, drive: DriveFile, field: DataField) -> _Number:
        factor, add = fractions_of(drive, field)
        down = math.lcm(factor.denominator, add.denominator)
        wide = field.bits_wide
        low, high = (0, 0) if field.is_float else field.raw_range
        return cls(
            field.name, field.at, field.at + field.bytes_long,
            (field.order or drive.byte_order) == "low-first", field.lowest_bit, (1 << wide) - 1,
            1 << wide - 1 if field.is_signed else 0, field.is_float,
            int(factor * down), int(add * down), down, low, high,
        )  # fmt: skip

    def ours(self, body: bytes) -> int:
        word = body[self.at : self.end]
        raw = int.from_bytes(word, "little" if self.little else "big") >> self.shift & self.mask
        if self.is_float:
            number = Fraction(struct.unpack(">f", raw.to_bytes(4, "big"))[0])
            return math.floor((number * self.up + self.add) / self.down + Fraction(1, 2))
        number_ = (raw ^ self.sign) - self.sign
        return (2 * (self.up * number_ + self.add) + self.down) // (2 * self.down)

    def put(self, body: bytearray, ours: int) -> None:
        over = ours * self.down - self.add
        if self.is_float:
            raw = int.from_bytes(struct.pack(">f", over / self.up), "big")
        else:
            number, rest = divmod(over, self.up)
            raw = min(max(round(Fraction(over, self.up)) if rest else number, self.low), self.high)
        order = "little" if self.little else "big"
        word = int.from_bytes(body[self.at : self.end], order)  # type: ignore[arg-type]
        word = word & ~(self.mask << self.shift) | (raw & self.mask) << self.shift
        body[self.at : self.end] = word.to_bytes(self.end - self.at, order)  # type: ignore[arg-type]


class _Shape:
    """One frame: what stands around its payload, and its numbers."""

    def __init__(self, drive: DriveFile, layout: CommandFrame | Reply, node: int) -> None:
        wire = drive.serial
        is_reply = isinstance(layout, Reply)
        self.can_id = SERIAL if layout.id is None else layout.id.of(node)
        self.head = self.tail = b""
        self._check = 0
        if wire is not None:
            start = bytes.fromhex(
                wire.reply_start if is_reply and wire.reply_start is not None else wire.start
            )
            to = layout.address or (wire.reply_address if is_reply else None) or wire.address
            parts = {"address": to.of(node), "length": layout.length + wire.length_adds}
            self.head = start + bytes(parts[part] for part in wire.header)
            self.tail = bytes.fromhex(wire.end)
            if wire.checksum is not None:
                self._sum = CHECKSUMS[wire.checksum.name]
                self._check = self._sum.size
                begins = {"start": 0, "header": len(start), "payload": len(self.head)}
                self._begin = begins[wire.checksum.begins]
                self._little = (wire.checksum.order or drive.byte_order) == "low-first"
        self.length = len(self.head) + layout.length + self._check + len(self.tail)
        body = bytearray(layout.length)
        constants = [(one.at, bytes.fromhex(one.hex)) for one in layout.constants]
        self.constants = [(at, at + len(data), data) for at, data in constants]
        for at, end, data in self.constants:
            body[at:end] = data
        self.blank = bytes(body)
        self.numbers = [_Number.of(drive, field) for field in layout.fields]

    def whole(self, body: bytes) -> bytes:
        frame = self.head + body
        if self._check:
            total = self._sum.of(frame[self._begin :])
            frame += total.to_bytes(self._check, "little" if self._little else "big")
        return frame + self.tail

    def body_of(self, frame: bytes) -> bytes | None:
        """The payload of a good frame of this shape."""
        if len(frame) != self.length or not frame.startswith(self.head):
            return None
        body = frame[len(self.head) : len(self.head) + len(self.blank)]
        for at, end, data in self.constants:
            if body[at:end] != data:
                return None
        return body if self.whole(body) == frame else None


class QuickSide:
    """One drive of a description, as it sees the wire. As ``DriveSide``, made ready."""

    def __init__(self, drive: DriveFile, node: int) -> None:
        self._frames: dict[tuple[int, int], list[tuple[CommandName, int, CommandFrame, _Shape]]] = {}
        """By identifier and length."""
        for command, frames in drive.commands.all():
            for place, frame in enumerate(frames):
                shape = _Shape(drive, frame, node)
                key = (shape.can_id, shape.length)
                self._frames.setdefault(key, []).append((command, place, frame, shape))
        self._replies = {reply.name: _Shape(drive, reply, node) for reply in drive.replies}

    @property
    def lengths(self) -> set[int]:
        """Of every frame that the drive may be sent."""
        return {length for _, length in self._frames}

    def heard(self, can_id: int, data: bytes) -> Heard | None:
        """What a whole frame on the wire tells this drive; None where it is not for it, or not good."""
        for command, place, frame, shape in self._frames.get((can_id, len(data)), ()):
            body = shape.body_of(data)
            if body is not None:
                return Heard(command, place, frame, {one.name: one.ours(body) for one in shape.numbers})
        return None

    def reply(self, name: str, values: Mapping[str, int]) -> tuple[int, bytes]:
        """Identifier (``SERIAL`` on a line) and bytes of a reply; a value that is not given is 0."""
        shape = self._replies[name]
        body = bytearray(shape.blank)
        for number in shape.numbers:
            number.put(body, values.get(number.name, 0))
        return shape.can_id, shape.whole(bytes(body))
