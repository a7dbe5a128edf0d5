"""The head file: a user's own pen lift, its frames written down as in a drive file. Data only, refused when bad.

Owns the model of the file and what its parts must agree on. The parts that it shares with drive files (identifiers,
constants, serial frames, checksums) mean here what they mean there.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from drivers.described.format import (
    LENGTH_MAX,
    SIZES,
    ByteOrder,
    CanFrames,
    Constant,
    Hex,
    Identifier,
    Name,
    SerialFrames,
    Text,
    WireFrames,
)
from drivers.model import Real, Settings

HeadUnit = Literal["none", "mm", "N"]
_UNITS: dict[str, str] = {"inputs": "none", "travel": "mm", "force": "N"}
CAN_BYTES = 8
CAN_BITS = 11


class HeadField(Settings):
    """A number in the reply. ``at`` counts bytes of the CAN data, or of the serial payload, from 0."""

    name: Literal["inputs", "travel", "force"]
    at: Annotated[int, Field(ge=0, lt=LENGTH_MAX)]
    type: Literal["u8", "u16", "u32", "i8", "i16", "i32", "f32"]
    order: ByteOrder | None = Field(default=None, description="left out: the file's byte_order")
    scale: Real = 1.0
    offset: Real = 0.0
    unit: HeadUnit = "none"


class HeadFrame(Settings):
    """A frame that is always the same: one of ours. Bytes that are no constant are 00."""

    id: Identifier | None = Field(default=None, description="CAN: the frame's identifier")
    length: Annotated[int, Field(ge=0, le=LENGTH_MAX)]
    constants: Annotated[tuple[Constant, ...], Field(strict=False, max_length=16)] = ()


class HeadReply(HeadFrame):
    """What the head answers to read_head, or sends by itself."""

    fields: Annotated[tuple[HeadField, ...], Field(strict=False, min_length=1, max_length=4)]


class HeadCommands(Settings):
    """What we say to the head."""

    head_up: HeadFrame
    head_down: HeadFrame
    read_head: HeadFrame | None = Field(
        default=None, description="asks where it is; left out: it tells by itself (CAN only)"
    )


class HeadSample(Settings):
    """A frame as the manual shows it."""

    command: Literal["head_up", "head_down", "read_head"] | None = None
    node: Annotated[int, Field(ge=0, le=255)]
    values: dict[Literal["inputs", "travel", "force"], float] = Field(
        default={}, description="of a reply, in the field's unit"
    )
    frame: Annotated[str, Field(min_length=2, max_length=800)] = Field(
        description='bytes in hex, on CAN with the identifier before: "245: 01"'
    )


class HeadFile(Settings):
    """A head as its owner describes it."""

    format: Literal[1]
    kind: Literal["head"]
    name: Name
    text: Text = Field(default="", description="what head this is, for people")
    byte_order: ByteOrder = Field(description="of numbers of more than one byte")
    wire: WireFrames
    commands: HeadCommands
    reply: HeadReply
    up_bit: Annotated[int, Field(ge=0, le=31)] | None = Field(
        default=None, description="bit of the inputs that is set when the pen is up"
    )
    down_bit: Annotated[int, Field(ge=0, le=31)] | None = None
    samples: Annotated[tuple[HeadSample, ...], Field(strict=False, max_length=16)] = ()

    @property
    def can(self) -> CanFrames | None:
        """The wire where it is CAN."""
        return self.wire if isinstance(self.wire, CanFrames) else None

    @property
    def serial(self) -> SerialFrames | None:
        """The wire where it is a serial line."""
        return self.wire if isinstance(self.wire, SerialFrames) else None

    def frames(self) -> Iterator[tuple[str, HeadFrame]]:
        """Every frame with its path."""
        yield "commands.head_up", self.commands.head_up
        yield "commands.head_down", self.commands.head_down
        if self.commands.read_head is not None:
            yield "commands.read_head", self.commands.read_head
        yield "reply", self.reply

    @model_validator(mode="after")
    def _holds(self) -> Self:
        for where, expected, got in _faults(self):
            raise ValueError(f"{where}: expected {expected}, got {got}")
        from drivers.heads.framing import HeadCodec, check_samples

        HeadCodec(self, 1)
        check_samples(self)
        return self


def _hex(text: Hex) -> int:
    return len(bytes.fromhex(text))


def _faults(file: HeadFile) -> Iterator[tuple[str, str, str]]:
    """What does not fit, the first first."""
    longest = CAN_BYTES if file.can is not None else LENGTH_MAX
    for where, frame in file.frames():
        if frame.length > longest:
            yield f"{where}.length", f"at most {longest}", f"{frame.length}"
        if (frame.id is None) is (file.can is not None):
            yield f"{where}.id", "an identifier on CAN, and only there", "the other"
        taken: dict[int, str] = {}
        spans = [(f"constants.{n}", one.at, _hex(one.hex)) for n, one in enumerate(frame.constants)]
        if isinstance(frame, HeadReply):
            spans += [(f"fields.{n}", one.at, SIZES[one.type]) for n, one in enumerate(frame.fields)]
        for part, at, size in spans:
            if at + size > frame.length:
                yield f"{where}.{part}", f"bytes within the frame's {frame.length}", f"up to {at + size}"
            for byte in range(at, at + size):
                if byte in taken:
                    yield f"{where}.{part}", f"bytes of its own (byte {byte} is {taken[byte]}'s)", "both"
                taken[byte] = part
    if file.can is not None and file.can.id_bits != CAN_BITS:
        yield "wire.id_bits", "11: a head shares the drives' bus", f"{file.can.id_bits}"
    if file.serial is not None and file.commands.read_head is None:
        yield "commands.read_head", "a frame that asks where the head is, on a serial line", "none"
    seen = set()
    for n, field in enumerate(file.reply.fields):
        if field.unit != _UNITS[field.name]:
            yield f"reply.fields.{n}.unit", f"{_UNITS[field.name]} for {field.name}", field.unit
        if field.name in seen:
            yield f"reply.fields.{n}.name", "each once", field.name
        seen.add(field.name)
        if field.name == "inputs" and (field.type[0] != "u" or (field.scale, field.offset) != (1.0, 0.0)):
            yield f"reply.fields.{n}.type", "u8, u16 or u32 without scale and offset for inputs", field.type
        if field.scale == 0.0:
            yield f"reply.fields.{n}.scale", "another number than 0", "0"
    if {"travel", "force"} <= seen:
        yield "reply.fields", "travel or force", "both"
    wide = next((8 * SIZES[one.type] for one in file.reply.fields if one.name == "inputs"), 0)
    for name, bit in (("up_bit", file.up_bit), ("down_bit", file.down_bit)):
        if bit is not None and bit >= wide:
            yield name, f"a bit of the reply's inputs ({wide} bits)", f"{bit}"
    if file.up_bit is not None and file.up_bit == file.down_bit:
        yield "up_bit", "another bit than down_bit", f"{file.up_bit} for both"
