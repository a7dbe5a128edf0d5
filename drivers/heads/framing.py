"""A described head's frames as bytes: commands out, the reply in. Pure; compiled once, nothing is made in the tick.

Nothing but a whole good frame is a reply.
"""

from __future__ import annotations

import math
import struct
from itertools import combinations

from drivers.described.codec import SERIAL, Sum, constants_of, overhead
from drivers.heads.headfile import HeadField, HeadFile, HeadFrame

_LETTERS = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f"}
TOLERANCE = 1e-6
"""A sample's value and what its bytes say may differ by so much: decimals against what the frame carries."""


class HeadCodec:
    """One head by its node number. ``up``, ``down``, ``ask`` are whole frames: identifier (-1: serial) and bytes."""

    __slots__ = (
        "_mask", "_readers", "_sum", "_value", "ask", "down", "reply_id", "reply_length", "up",
    )  # fmt: skip

    def __init__(self, file: HeadFile, node: int) -> None:
        """Raises ValueError for identifiers beyond the wire's, and for frames that cannot be told apart."""
        self.up = _frame(file, file.commands.head_up, node)
        self.down = _frame(file, file.commands.head_down, node)
        self.ask = None if file.commands.read_head is None else _frame(file, file.commands.read_head, node)
        reply, wire = file.reply, file.serial
        self._sum: Sum | None = None
        base = 0
        if wire is None:
            assert reply.id is not None
            self.reply_id, self.reply_length = reply.id.of(node), reply.length
            fixed = constants_of(file, reply, node, reply.id, b"")
        else:
            start = bytes.fromhex(wire.start if wire.reply_start is None else wire.reply_start)
            base, behind = overhead(wire, start)
            self.reply_id, self.reply_length = SERIAL, base + reply.length + behind
            fixed = constants_of(file, reply, node, wire.reply_address or wire.address, start)
            if wire.checksum is not None:
                self._sum = Sum(file, start, reply.length)
        places = range(self.reply_length)
        self._mask = int.from_bytes(bytes(0xFF if at in fixed else 0 for at in places), "big")
        self._value = int.from_bytes(bytes(fixed.get(at, 0) for at in places), "big")
        self._readers = tuple((one, _unpacker(file, one), base + one.at) for one in reply.fields)
        said = {"head_up": self.up, "head_down": self.down}
        if self.ask is not None:
            said["read_head"] = self.ask
        for (name, frame), (other, same) in combinations(said.items(), 2):
            # As bytes: what is left out is 00, so the same frame can be written down in two ways.
            if frame == same:
                raise ValueError(
                    f"commands.{other}: expected another frame than {name}, got {_shown(same)} for both"
                )
        if wire is None:
            ids = {"reply": self.reply_id, **{f"commands.{name}": frame[0] for name, frame in said.items()}}
            for name, can_id in ids.items():
                if not 0 < can_id < 0x800:
                    raise ValueError(f"{name}.id: expected an identifier of 11 bits, got {can_id:X}h")
            if self.reply_id in [frame[0] for frame in said.values()]:
                raise ValueError(f"reply.id: expected another than the commands', got {self.reply_id:X}h")

    def read(self, frame: bytes) -> tuple[int, float] | None:
        """Inputs and value (0 where the reply has none) of a whole frame; None for anything else."""
        if len(frame) != self.reply_length or int.from_bytes(frame, "big") & self._mask != self._value:
            return None
        if self._sum is not None and not self._sum.is_good(frame):
            return None
        inputs, value = 0, 0.0
        for field, layout, at in self._readers:
            number = layout.unpack_from(frame, at)[0]
            if field.name == "inputs":
                inputs = number
            else:
                value = number * field.scale + field.offset
                if not math.isfinite(value):
                    return None
        return inputs, value

    def take(self, buffer: bytearray) -> tuple[int, float] | None:
        """The newest reply among received bytes of a serial line; ``buffer`` keeps what may still become one."""
        found: tuple[int, float] | None = None
        at, long = 0, self.reply_length
        while at + long <= len(buffer):
            read = self.read(bytes(buffer[at : at + long]))
            if read is None:
                at += 1
            else:
                found, at = read, at + long
        del buffer[:at]
        return found


def _frame(file: HeadFile, frame: HeadFrame, node: int) -> tuple[int, bytes]:
    wire = file.serial
    if wire is None:
        assert frame.id is not None
        fixed = constants_of(file, frame, node, frame.id, b"")
        return frame.id.of(node), bytes(fixed.get(at, 0) for at in range(frame.length))
    start = bytes.fromhex(wire.start)
    before, behind = overhead(wire, start)
    fixed = constants_of(file, frame, node, wire.address, start)
    whole = bytearray(fixed.get(at, 0) for at in range(before + frame.length + behind))
    if wire.checksum is not None:
        Sum(file, start, frame.length).put(whole)
    return SERIAL, bytes(whole)


def _unpacker(file: HeadFile, field: HeadField) -> struct.Struct:
    order = field.order if field.order is not None else file.byte_order
    return struct.Struct(("<" if order == "low-first" else ">") + _LETTERS[field.type])


def check_samples(file: HeadFile) -> None:
    """Hold every sample of the file against the codec. Raises ValueError for the first that differs."""
    for place, sample in enumerate(file.samples):
        codec = HeadCodec(file, sample.node)
        where = f"samples.{place}"
        text, identifier = sample.frame, SERIAL
        try:
            if file.can is not None:
                head, _, text = sample.frame.partition(":")
                identifier = int(head, 16)
            data = bytes.fromhex(text)
        except ValueError:
            raise ValueError(f"{where}.frame: expected bytes in hex, got {sample.frame!r}") from None
        if sample.command is not None:
            made = {"head_up": codec.up, "head_down": codec.down, "read_head": codec.ask}[sample.command]
            if made != (identifier, data):
                raise ValueError(
                    f"{where}.frame: expected {_shown(made)} as the file says, got {sample.frame}"
                )
            continue
        read = codec.read(data) if identifier == codec.reply_id else None
        if read is None:
            raise ValueError(f"{where}.frame: expected a good reply, got {sample.frame}")
        for name, wanted in sample.values.items():
            got = read[0] if name == "inputs" else read[1]
            if abs(got - wanted) > TOLERANCE * max(1.0, abs(wanted)):
                raise ValueError(f"{where}.values.{name}: expected {got:g} as its bytes say, got {wanted:g}")


def _shown(frame: tuple[int, bytes] | None) -> str:
    if frame is None:
        return "no such command"
    can_id, data = frame
    return data.hex(" ").upper() if can_id == SERIAL else f"{can_id:X}: {data.hex(' ').upper()}"
