"""The drive file: a user's own drive, its frames written down field by field. Data only, refused at the door when bad.

Owns the models and what follows from them alone. What fields must agree on is in ``drivers.described.rules``, which
every ``DriveFile`` passes; bytes are made and read in ``drivers.described.codec``. Knows no machine.

Numbers in a frame become ours so: *value in the field's unit = number in the frame x scale + offset*.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Literal, Self, get_args

from pydantic import Field, model_validator

from drivers.described.checksums import ChecksumName
from drivers.model import LARGEST, Positive, Real, Settings

Hex = Annotated[str, Field(pattern=r"^([0-9A-Fa-f]{2}( ?[0-9A-Fa-f]{2})*)?$", max_length=800)]
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,63}$")]
Text = Annotated[str, Field(max_length=400)]
ByteOrder = Literal["low-first", "high-first"]
Quantity = Literal["position", "velocity", "status", "inputs", "outputs", "fault", "timeout", "current"]
Unit = Literal["counts", "turns", "degrees", "counts_s", "rpm", "turns_s", "deg_s", "mA", "ms", "none"]
FieldType = Literal["u8", "u16", "u32", "i8", "i16", "i32", "f32", "bits"]
Mask = Annotated[int, Field(ge=0, lt=1 << 32)]
StateName = Literal[
    "not ready to switch on", "switch on disabled", "ready to switch on", "switched on", "operation enabled",
    "quick stop active", "fault reaction active", "fault",
]  # fmt: skip

LENGTH_MAX = 64
"""Bytes of a serial frame's payload; CAN carries 8."""

SIZES: dict[str, int] = {"u8": 1, "i8": 1, "u16": 2, "i16": 2, "u32": 4, "i32": 4, "f32": 4}
UNITS: dict[str, tuple[str, ...]] = {
    "position": ("counts", "turns", "degrees"),
    "velocity": ("counts_s", "rpm", "turns_s", "deg_s"),
    "timeout": ("ms",),
    "current": ("mA",),
}
"""Units of each quantity; one that is not here is bits or a code, and has none."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Fields that do not fit each other; ``where`` is a path into the file, steps apart by dots, lists from 0."""

    where: str
    expected: str
    got: str

    def __str__(self) -> str:
        return f"{self.where}: expected {self.expected}, got {self.got}"


class DriveFileError(ValueError):
    """Raised by a drive file whose fields contradict each other; carries all of it."""

    def __init__(self, found: list[Finding]) -> None:
        self.found = tuple(found)
        super().__init__("; ".join(str(one) for one in found))


class Identifier(Settings):
    """How the drive's node number is in a CAN identifier or a serial address: base + node x 2^shift, or base alone."""

    base: Annotated[int, Field(ge=0, lt=1 << 29)] = 0
    node: Literal["added", "none"] = "added"
    shift: Annotated[int, Field(ge=0, le=28)] = Field(
        default=0, description="the node number begins at this bit"
    )

    def of(self, node: int) -> int:
        """The identifier for a node."""
        return self.base + (node << self.shift) if self.node == "added" else self.base


class Constant(Settings):
    """Bytes that are always the same."""

    at: Annotated[int, Field(ge=0, lt=LENGTH_MAX)]
    hex: Hex = Field(description='such as "21 00"')


class DataField(Settings):
    """A number in a frame. ``at`` counts bytes of the CAN data, or of the serial payload, from 0."""

    name: Quantity
    at: Annotated[int, Field(ge=0, lt=LENGTH_MAX)]
    type: FieldType
    order: ByteOrder | None = Field(default=None, description="left out: the file's byte_order")
    size: Annotated[int, Field(ge=1, le=8)] | None = Field(
        default=None, description="type bits: bytes of the word that the bits are taken from"
    )
    bit: Annotated[int, Field(ge=0, le=63)] | None = Field(
        default=None, description="type bits: lowest bit in that word, 0 being the least significant"
    )
    width: Annotated[int, Field(ge=1, le=64)] | None = Field(default=None, description="type bits: how many")
    signed: bool = Field(default=False, description="type bits: two's complement")
    scale: Positive | Annotated[tuple[int, int], Field(strict=False)] = Field(
        default=1.0,
        description="value of one step in the unit; a ratio as [numerator, denominator] where decimals do not end",
    )
    offset: Real = 0.0
    unit: Unit = "none"
    step: Positive | None = Field(
        default=None,
        description="velocity as f32: what one of our whole velocity units is, in the field's unit",
    )
    min: Real | None = Field(default=None, description="least value that may be commanded, in the unit")
    max: Real | None = Field(default=None, description="largest value that may be commanded, in the unit")

    @property
    def bytes_long(self) -> int:
        """Bytes from ``at`` that the field's word takes."""
        return (self.size or 1) if self.type == "bits" else SIZES[self.type]

    @property
    def is_float(self) -> bool:
        """Whether the frame carries a floating-point number."""
        return self.type == "f32"

    @property
    def is_signed(self) -> bool:
        """Whether the number may be negative in the frame."""
        return self.signed if self.type == "bits" else self.type[0] in "if"

    @property
    def bits_wide(self) -> int:
        """Bits of the number itself."""
        return (self.width or 1) if self.type == "bits" else 8 * SIZES[self.type]

    @property
    def lowest_bit(self) -> int:
        """The number's lowest bit in its word."""
        return self.bit or 0

    @property
    def raw_range(self) -> tuple[int, int]:
        """Least and largest whole number that fits. Not for floats."""
        wide = self.bits_wide
        return (-(1 << wide - 1), (1 << wide - 1) - 1) if self.is_signed else (0, (1 << wide) - 1)

    @property
    def scale_exact(self) -> Fraction:
        """The scale without rounding: decimals as they are written."""
        return Fraction(*self.scale) if isinstance(self.scale, tuple) else Fraction(str(self.scale))

    @property
    def offset_exact(self) -> Fraction:
        """The offset without rounding."""
        return Fraction(str(self.offset))


class FrameLayout(Settings):
    """What a frame holds, going out or coming in."""

    id: Identifier | None = Field(default=None, description="CAN: the frame's identifier")
    address: Identifier | None = Field(
        default=None, description="serial: the frame's address byte, where it is not wire.address"
    )
    length: Annotated[int, Field(ge=0, le=LENGTH_MAX)] = Field(
        description="bytes of CAN data, or of the serial payload"
    )
    constants: Annotated[tuple[Constant, ...], Field(strict=False, max_length=16)] = ()
    fields: Annotated[tuple[DataField, ...], Field(strict=False, max_length=16)] = ()

    def field(self, name: str) -> DataField | None:
        """The field of that name."""
        return next((one for one in self.fields if one.name == name), None)


class CommandFrame(FrameLayout):
    """One frame of a command. Bytes that are neither constant nor field are 00."""

    answers: Annotated[tuple[Name, ...], Field(strict=False, max_length=4)] = Field(
        default=(), description="the replies with which the drive answers this frame; left out: it does not"
    )
    wait_ms: Annotated[int, Field(ge=0, le=2000)] = Field(
        default=0, description="rest before the next frame of the same command"
    )


class Reply(FrameLayout):
    """A frame that the drive sends. Bytes that are neither constant nor field are not looked at."""

    name: Name
    cyclic_ms: Annotated[int, Field(ge=1, le=1000)] | None = Field(
        default=None, description="the drive sends it by itself, every so many milliseconds"
    )


Frames = Annotated[tuple[CommandFrame, ...], Field(strict=False, max_length=8)]
SomeFrames = Annotated[tuple[CommandFrame, ...], Field(strict=False, min_length=1, max_length=8)]

CommandName = Literal[
    "enable", "disable", "velocity", "position", "stop", "stop_all", "read_position", "read_status", "clear_fault",
    "outputs", "set_timeout", "read_timeout",
]  # fmt: skip
COMMAND_NAMES: tuple[CommandName, ...] = get_args(CommandName)


class Commands(Settings):
    """What we say to the drive: each a list of frames, sent in order."""

    enable: SomeFrames = Field(description="motor power on, ready for velocities")
    disable: SomeFrames = Field(description="motor power off")
    velocity: SomeFrames = Field(description="turn at this velocity until the next one; sent every tick")
    stop: SomeFrames = Field(description="stop with the drive's own ramp, and stay")
    clear_fault: SomeFrames = Field(description="acknowledge a fault; nothing moves")
    read_position: Frames = Field(default=(), description="ask for the position counter")
    read_status: Frames = Field(default=(), description="ask for the status word")
    position: Frames = Field(default=(), description="go to a position; left out: the drive cannot")
    stop_all: Frames = Field(default=(), description="stop to every drive on the wire at once, unanswered")
    outputs: Frames = Field(default=(), description="the drive's outputs, where velocity does not carry them")
    set_timeout: Frames = Field(default=(), description="set the drive's own time-out")
    read_timeout: Frames = Field(default=(), description="ask for the drive's own time-out")

    def frames(self, name: CommandName) -> tuple[CommandFrame, ...]:
        """The frames of a command; none where the drive does not have it."""
        found: tuple[CommandFrame, ...] = getattr(self, name)
        return found

    def all(self) -> Iterator[tuple[CommandName, tuple[CommandFrame, ...]]]:
        """Every command that the drive has, with its frames."""
        for name in COMMAND_NAMES:
            if frames := self.frames(name):
                yield name, frames


class _Timing(Settings):
    turnaround_us: Annotated[int, Field(ge=0, le=100_000)] = Field(
        description="the longest from the end of our frame until the drive's answer begins"
    )
    answer_timeout_ms: Annotated[int, Field(ge=1, le=5000)] = Field(
        default=100, description="an answer that has not come by then is lost"
    )


class CanFrames(_Timing):
    """Frames on a CAN bus (ISO 11898-1, classical frames)."""

    kind: Literal["can"]
    id_bits: Literal[11, 29] = 11


class ChecksumPlace(Settings):
    """The checksum behind the payload."""

    name: ChecksumName
    order: ByteOrder | None = Field(default=None, description="left out: the file's byte_order")
    begins: Literal["start", "header", "payload"] = Field(
        default="header", description="the first part it is reckoned over; it ends with the payload"
    )


class SerialFrames(_Timing):
    """Frames on a serial line: start, header (address, length), payload, checksum, end."""

    kind: Literal["serial"]
    start: Hex = Field(default="", description="constant bytes that every frame begins with")
    reply_start: Hex | None = Field(default=None, description="the same in replies, where it differs")
    header: Annotated[tuple[Literal["address", "length"], ...], Field(strict=False, max_length=2)] = Field(
        description="what stands between start and payload, in this order, a byte each"
    )
    address: Identifier = Field(default=Identifier(), description="address byte of our frames")
    reply_address: Identifier | None = Field(
        default=None, description="address byte of the drive's, where it differs"
    )
    length_adds: Annotated[int, Field(ge=0, le=16)] = Field(
        default=0, description="the length byte is the payload's length and this"
    )
    checksum: ChecksumPlace | None = Field(
        default=None, description="left out: a damaged frame may pass for a good one"
    )
    end: Hex = Field(default="", description="constant bytes behind the checksum")
    silence_us: Annotated[int, Field(ge=0, le=100_000)] = Field(
        description="silence that must be between two frames"
    )


WireFrames = Annotated[CanFrames | SerialFrames, Field(discriminator="kind")]


class PositionCounter(Settings):
    """The drive's position counter, in counts: what our side calls them."""

    counts_per_turn: Annotated[int, Field(gt=0, lt=1 << 31)]
    wrap_counts: Annotated[int, Field(gt=1, le=1 << 64)] | None = Field(
        default=None,
        description="counts after which it begins anew; left out: the whole width of its field",
    )
    travel_turns: Annotated[float, Field(gt=0, le=LARGEST)] | None = Field(
        default=None,
        description="position as f32: turns either way over which every count must be told apart",
    )


class StatePattern(Settings):
    """A state that the drive's status word means: ``status & mask == value``."""

    mask: Mask
    value: Mask
    state: StateName


class BitText(Settings):
    """What a bit of the status word says."""

    bit: Annotated[int, Field(ge=0, le=31)]
    text: Text


class StatusWord(Settings):
    """What the status word means."""

    states: Annotated[tuple[StatePattern, ...], Field(strict=False, min_length=2, max_length=32)] = Field(
        description="the first that fits counts; a word that fits none is unknown, which is never healthy"
    )
    power_mask: Mask = Field(
        default=0,
        description="status bits that are all set while there is motor power; 0: the drive does not say",
    )
    bits: Annotated[tuple[BitText, ...], Field(strict=False, max_length=32)] = ()


class SwitchBit(Settings):
    """A bit of the inputs or of the status word."""

    word: Literal["inputs", "status"] = "inputs"
    bit: Annotated[int, Field(ge=0, le=31)]


class Switches(Settings):
    """Where the drive reports its switches. Bit n of the inputs is also the head's input bit 16 + n."""

    negative_limit: SwitchBit | None = None
    positive_limit: SwitchBit | None = None
    home: SwitchBit | None = None


class FaultText(Settings):
    """What a fault code means."""

    code: Mask
    text: Text


class FixedTimeout(Settings):
    """The drive stops by itself when it has heard nothing for so long; the time is its own."""

    kind: Literal["fixed"]
    ms: Annotated[int, Field(ge=5, le=60_000)]


class SetTimeout(Settings):
    """The same, the time set by ``commands.set_timeout``; 0 switches it off where ``zero_is_off``."""

    kind: Literal["set"]
    zero_is_off: bool = True


Timeout = Annotated[FixedTimeout | SetTimeout, Field(discriminator="kind")]


class Sample(Settings):
    """A command or a reply as the manual shows it: values in the manual's units, and the bytes."""

    command: CommandName | None = None
    reply: Name | None = None
    node: Annotated[int, Field(ge=0, le=255)]
    values: dict[str, float | str] = Field(
        default={}, description="by field name, in the field's unit; a reply's state by its name"
    )
    frames: Annotated[tuple[str, ...], Field(strict=False, min_length=1, max_length=8)] = Field(
        description='bytes in hex, on CAN with the identifier before: "105: 23 24 FA FF"'
    )


class DriveFile(Settings):
    """A drive as its owner describes it."""

    format: Literal[1]
    name: Name
    text: Text = Field(default="", description="what drive this is, for people")
    byte_order: ByteOrder = Field(
        description="of numbers of more than one byte, where a field says nothing else"
    )
    node_min: Annotated[int, Field(ge=0, le=255)] = 1
    node_max: Annotated[int, Field(ge=0, le=255)] = 127
    wire: WireFrames = Field(description="a table: how frames travel")
    position: PositionCounter
    status: StatusWord
    switches: Switches = Switches()
    timeout: Timeout | None = Field(
        default=None,
        description="what stops the axis when nothing is heard of us; left out: the drive goes on turning",
    )
    commands: Commands
    replies: Annotated[tuple[Reply, ...], Field(strict=False, min_length=1, max_length=16)]
    faults: Annotated[tuple[FaultText, ...], Field(strict=False, max_length=256)] = ()
    samples: Annotated[tuple[Sample, ...], Field(strict=False, max_length=64)] = ()

    @property
    def can(self) -> CanFrames | None:
        """The wire where it is CAN."""
        return self.wire if isinstance(self.wire, CanFrames) else None

    @property
    def serial(self) -> SerialFrames | None:
        """The wire where it is a serial line."""
        return self.wire if isinstance(self.wire, SerialFrames) else None

    @property
    def notices_silence(self) -> bool:
        """Whether the drive stops by itself when it hears nothing of us."""
        return self.timeout is not None

    def reply(self, name: str) -> Reply:
        """The reply of that name. Raises KeyError."""
        for one in self.replies:
            if one.name == name:
                return one
        raise KeyError(name)

    def fault_text(self, code: int) -> str:
        """What a fault code means, or an empty text."""
        return next((one.text for one in self.faults if one.code == code), "")

    @model_validator(mode="after")
    def _holds(self) -> Self:
        from drivers.described.rules import contradictions

        if found := list(contradictions(self)):
            raise DriveFileError(found)
        return self


Layout = CommandFrame | Reply


def layouts(drive: DriveFile) -> Iterator[tuple[str, Layout]]:
    """Every frame of the file, with its path."""
    for name, frames in drive.commands.all():
        for place, frame in enumerate(frames):
            yield f"commands.{name}.{place}", frame
    for place, reply in enumerate(drive.replies):
        yield f"replies.{place}", reply


def fields(drive: DriveFile) -> Iterator[tuple[str, Layout, DataField]]:
    """Every field of every frame, with its path."""
    for where, layout in layouts(drive):
        for place, field in enumerate(layout.fields):
            yield f"{where}.fields.{place}", layout, field
