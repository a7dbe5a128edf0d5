"""A described drive's frames as bytes: commands out, replies in, compiled once and fast in the tick. Pure.

Owns where each number goes and what each frame must look like; knows no wire, no clock and no state machine. Values are
ours: counts, velocity units (``drivers.described.scale``), bits and codes as they are in the frame. What is not a whole
good frame decodes to nothing at all.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, NamedTuple, Protocol

from drivers.described.checksums import CHECKSUMS
from drivers.described.format import (
    ByteOrder,
    CanFrames,
    CommandFrame,
    CommandName,
    Constant,
    DataField,
    DriveFile,
    Identifier,
    Reply,
    SerialFrames,
)
from drivers.described.scale import (
    FloatLinear,
    Linear,
    commanded_velocity,
    limits,
    position_span_counts,
    scaling,
    velocity_unit_counts_s,
)
from drivers.interface import DriveState

SERIAL = -1
"""``can_id`` of a frame that goes over a serial line."""

_LETTERS = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f"}


class Framed(Protocol):
    """A file that says how frames begin and end: a drive's, or a head's."""

    @property
    def byte_order(self) -> ByteOrder:
        """Of numbers of more than one byte."""
        ...

    @property
    def serial(self) -> SerialFrames | None:
        """The wire where it is a serial line."""
        ...


class Fixed(Protocol):
    """A frame's length and its constant bytes."""

    @property
    def length(self) -> int:
        """Bytes of CAN data, or of the serial payload."""
        ...

    @property
    def constants(self) -> tuple[Constant, ...]:
        """Bytes that are always the same."""
        ...


class OutFrame(NamedTuple):
    """A frame to be sent: the whole frame on a serial line, the data on CAN. ``answers``: the replies awaited."""

    can_id: int
    data: bytes
    answers: tuple[str, ...]
    wait_ms: int


class Decoded(NamedTuple):
    """What a reply says, ours; None for what it does not carry."""

    reply: str
    node: int
    position: int | None = None
    velocity: int | None = None
    status: int | None = None
    inputs: int | None = None
    fault: int | None = None
    timeout: int | None = None
    current: int | None = None


_PLACES = {name: place for place, name in enumerate(Decoded._fields)}


@dataclass(frozen=True, slots=True)
class PositionPlace:
    """Where a reply holds the position, for a reader that knows nothing else: the number times ``step_counts``.

    ``at`` counts from the first byte of the CAN data or of the whole serial frame.
    """

    reply: str
    at: int
    size: int
    low_first: bool
    signed: bool
    step_counts: int


def _order_of(drive: DriveFile, field: DataField) -> str:
    return field.order if field.order is not None else drive.byte_order


def _mark(drive: DriveFile, field: DataField) -> str:
    return "<" if _order_of(drive, field) == "low-first" else ">"


def _layout_bytes(hex_text: str) -> bytes:
    return bytes.fromhex(hex_text)


class _FieldWriter:
    """Puts one of ours into a frame. Raises ValueError for what may not be commanded."""

    __slots__ = ("_at", "_order", "_scaling", "_shift", "_size", "_struct", "_wide", "high", "low", "name")

    def __init__(self, drive: DriveFile, field: DataField, base: int) -> None:
        self.name = field.name
        self.low, self.high = limits(drive, field)
        self._at = base + field.at
        self._scaling = scaling(drive, field)
        self._struct = (
            None if field.type == "bits" else struct.Struct(_mark(drive, field) + _LETTERS[field.type])
        )
        self._size = field.bytes_long
        self._order = "little" if _order_of(drive, field) == "low-first" else "big"
        self._shift, self._wide = field.lowest_bit, (1 << field.bits_wide) - 1

    def put(self, frame: bytearray, ours: int) -> None:
        if not self.low <= ours <= self.high:
            raise ValueError(f"{self.name}: expected {self.low} to {self.high}, got {ours}")
        number = self._scaling.number(ours)
        if self._struct is not None:
            self._struct.pack_into(frame, self._at, number)
            return
        end = self._at + self._size
        word = int.from_bytes(frame[self._at : end], self._order)  # type: ignore[arg-type]
        word |= (int(number) & self._wide) << self._shift
        frame[self._at : end] = word.to_bytes(self._size, self._order)  # type: ignore[arg-type]


def _reader(drive: DriveFile, field: DataField, base: int) -> Callable[[bytes], int]:
    """A function from the frame to one of ours. Raises ValueError for a number that is none."""
    at = base + field.at
    rule = scaling(drive, field)
    if field.type == "bits":
        end, shift = at + field.bytes_long, field.lowest_bit
        order = "little" if _order_of(drive, field) == "low-first" else "big"
        mask = (1 << field.bits_wide) - 1
        sign = 1 << field.bits_wide - 1 if field.is_signed else 0
        assert isinstance(rule, Linear)
        of_bits = rule.ours

        def bits(frame: bytes) -> int:
            number = int.from_bytes(frame[at:end], order) >> shift & mask  # type: ignore[arg-type]
            return of_bits((number ^ sign) - sign)

        return bits
    unpack = struct.Struct(_mark(drive, field) + _LETTERS[field.type]).unpack_from
    if isinstance(rule, FloatLinear) or not rule.is_same:
        ours = rule.ours

        def scaled(frame: bytes) -> int:
            return ours(unpack(frame, at)[0])

        return scaled

    def same(frame: bytes) -> int:
        number: int = unpack(frame, at)[0]
        return number

    return same


class _Numbers:
    """Fields of one byte order that lie apart and are whole numbers of bytes, unpacked in one go."""

    __slots__ = ("rest", "rules", "unpack")

    def __init__(self, drive: DriveFile, fields: Sequence[DataField], base: int) -> None:
        """``rest``: the fields that are none of these."""
        self.rest: list[DataField] = []
        self.rules: list[tuple[int, Callable[[Any], int] | None]] = []
        mark, end, form = "", 0, ""
        for field in sorted(fields, key=lambda one: one.at):
            at = base + field.at
            if field.type == "bits" or at < end or mark not in ("", _mark(drive, field)):
                self.rest.append(field)
                continue
            mark = _mark(drive, field)
            form += f"{at - end}x{_LETTERS[field.type]}"
            end = at + field.bytes_long
            rule = scaling(drive, field)
            is_ours = isinstance(rule, Linear) and rule.is_same
            self.rules.append((_PLACES[field.name], None if is_ours else rule.ours))
        self.unpack = struct.Struct((mark or "<") + form).unpack_from


def overhead(wire: SerialFrames, start: bytes) -> tuple[int, int]:
    """Bytes of a serial frame before and behind its payload."""
    check = CHECKSUMS[wire.checksum.name].size if wire.checksum is not None else 0
    return len(start) + len(wire.header), check + len(_layout_bytes(wire.end))


class Sum:
    """The checksum of frames of one length: where it stands and over what it is."""

    __slots__ = ("_begin", "_end", "_of", "_order", "_size")

    def __init__(self, drive: Framed, start: bytes, payload: int) -> None:
        wire = drive.serial
        assert wire is not None
        assert wire.checksum is not None
        place = wire.checksum
        self._begin = {
            "start": 0,
            "header": len(start),
            "payload": len(start) + len(wire.header),
        }[place.begins]
        self._end = len(start) + len(wire.header) + payload
        kind = CHECKSUMS[place.name]
        self._of, self._size = kind.of, kind.size
        self._order = "little" if (place.order or drive.byte_order) == "low-first" else "big"

    def put(self, frame: bytearray) -> None:
        """Write it into the frame."""
        total = self._of(bytes(frame[self._begin : self._end]))
        frame[self._end : self._end + self._size] = total.to_bytes(self._size, self._order)  # type: ignore[arg-type]

    def is_good(self, frame: bytes) -> bool:
        """Whether the frame carries the right one."""
        got = int.from_bytes(frame[self._end : self._end + self._size], self._order)  # type: ignore[arg-type]
        return self._of(frame[self._begin : self._end]) == got


def constants_of(
    drive: Framed, layout: Fixed, node: int, address: Identifier, start: bytes
) -> dict[int, int]:
    """Place and value of every byte that is always the same in a frame, all but the checksum."""
    fixed: dict[int, int] = {}
    base = 0
    wire = drive.serial
    if wire is not None:
        before, behind = overhead(wire, start)
        fixed |= dict(enumerate(start))
        for place, part in enumerate(wire.header, len(start)):
            fixed[place] = address.of(node) if part == "address" else layout.length + wire.length_adds
        end = _layout_bytes(wire.end)
        fixed |= dict(enumerate(end, before + layout.length + behind - len(end)))
        base = before
    for one in layout.constants:
        fixed |= dict(enumerate(_layout_bytes(one.hex), base + one.at))
    return fixed


class CommandCodec:
    """One frame of a command to one node, compiled. ``fixed``: place and value of every constant byte of it."""

    __slots__ = ("_sum", "_template", "_writers", "answers", "can_id", "fixed", "names", "wait_ms")

    def __init__(self, drive: DriveFile, frame: CommandFrame, node: int) -> None:
        self.answers, self.wait_ms = frame.answers, frame.wait_ms
        wire = drive.wire
        self._sum: Sum | None = None
        if isinstance(wire, CanFrames):
            assert frame.id is not None
            self.can_id, base, long = frame.id.of(node), 0, frame.length
            fixed = constants_of(drive, frame, node, frame.id, b"")
        else:
            start = _layout_bytes(wire.start)
            before, behind = overhead(wire, start)
            self.can_id, base, long = SERIAL, before, before + frame.length + behind
            fixed = constants_of(drive, frame, node, frame.address or wire.address, start)
            if wire.checksum is not None:
                self._sum = Sum(drive, start, frame.length)
        self.fixed = fixed
        self._template = bytes(fixed.get(at, 0) for at in range(long))
        self._writers = tuple(_FieldWriter(drive, field, base) for field in frame.fields)
        self.names = tuple(one.name for one in self._writers)
        if not self._writers and self._sum is not None:
            whole = bytearray(self._template)
            self._sum.put(whole)
            self._template, self._sum = bytes(whole), None

    @property
    def length(self) -> int:
        """Bytes of the frame: all of them on a serial line, the data on CAN."""
        return len(self._template)

    def make(self, values: Mapping[str, int]) -> OutFrame:
        """The frame with these values. Raises ValueError for one that is missing or may not be commanded."""
        if not self._writers:
            return OutFrame(self.can_id, self._template, self.answers, self.wait_ms)
        frame = bytearray(self._template)
        for writer in self._writers:
            try:
                ours = values[writer.name]
            except KeyError:
                raise ValueError(f"{writer.name}: expected a value, got none") from None
            writer.put(frame, ours)
        if self._sum is not None:
            self._sum.put(frame)
        return OutFrame(self.can_id, bytes(frame), self.answers, self.wait_ms)


class ReplyCodec:
    """One reply of one node, compiled. ``fixed``: place and value of every constant byte of the whole frame."""

    __slots__ = (
        "_blank", "_mask", "_readers", "_rules", "_sum", "_unpack", "_value", "can_id", "fixed", "length", "name",
        "node", "payload_at",
    )  # fmt: skip

    def __init__(self, drive: DriveFile, reply: Reply, node: int) -> None:
        self.name, self.node = reply.name, node
        wire = drive.wire
        self._sum: Sum | None = None
        if isinstance(wire, CanFrames):
            assert reply.id is not None
            self.can_id, self.payload_at, self.length = reply.id.of(node), 0, reply.length
            self.fixed = constants_of(drive, reply, node, reply.id, b"")
        else:
            start = _layout_bytes(wire.start if wire.reply_start is None else wire.reply_start)
            before, behind = overhead(wire, start)
            self.can_id, self.payload_at, self.length = SERIAL, before, before + reply.length + behind
            address = reply.address or wire.reply_address or wire.address
            self.fixed = constants_of(drive, reply, node, address, start)
            if wire.checksum is not None:
                self._sum = Sum(drive, start, reply.length)
        self._mask = int.from_bytes(
            bytes(0xFF if at in self.fixed else 0 for at in range(self.length)), "big"
        )
        self._value = int.from_bytes(bytes(self.fixed.get(at, 0) for at in range(self.length)), "big")
        numbers = _Numbers(drive, reply.fields, self.payload_at)
        self._unpack, self._rules = numbers.unpack, tuple(numbers.rules)
        self._readers = tuple(
            (_PLACES[field.name], _reader(drive, field, self.payload_at)) for field in numbers.rest
        )
        self._blank: list[str | int | None] = [reply.name, node, *[None] * (len(_PLACES) - 2)]

    def may_begin(self, received: bytes | bytearray, at: int) -> bool:
        """Whether what is in ``received`` from ``at`` on may be this reply, as far as it goes."""
        left = len(received) - at
        return all(received[at + place] == value for place, value in self.fixed.items() if place < left)

    def decode(self, frame: bytes) -> Decoded | None:
        """What a whole frame says; None for anything else."""
        if len(frame) != self.length or int.from_bytes(frame, "big") & self._mask != self._value:
            return None
        if self._sum is not None and not self._sum.is_good(frame):
            return None
        found = self._blank.copy()
        try:
            for (place, ours), number in zip(self._rules, self._unpack(frame), strict=True):
                found[place] = number if ours is None else ours(number)
            for place, read in self._readers:
                found[place] = read(frame)
        except ValueError:
            return None
        return Decoded(*found)  # type: ignore[arg-type]


class DriveCodec:
    """One drive of this description on a wire, by its node number."""

    def __init__(self, drive: DriveFile, node: int) -> None:
        """Raises ValueError for a node that the drive cannot have."""
        if not drive.node_min <= node <= drive.node_max:
            raise ValueError(f"node: expected {drive.node_min} to {drive.node_max}, got {node}")
        self.drive, self.node = drive, node
        self.commands: dict[CommandName, tuple[CommandCodec, ...]] = {
            name: tuple(CommandCodec(drive, frame, node) for frame in frames)
            for name, frames in drive.commands.all()
        }
        self.replies = {one.name: ReplyCodec(drive, one, node) for one in drive.replies}
        self.velocity_unit_counts_s: Fraction = velocity_unit_counts_s(drive)
        self.velocity_limits = limits(drive, commanded_velocity(drive))
        self.position_span_counts = position_span_counts(drive)
        """Modulus of reported positions, for unwrapping; 0: they do not wrap."""
        self._velocity = self.commands["velocity"]
        self._states = tuple((one.mask, one.value, DriveState(one.state)) for one in drive.status.states)

    def has(self, command: CommandName) -> bool:
        """Whether the drive has the command."""
        return command in self.commands

    def encode(self, command: CommandName, **values: int) -> tuple[OutFrame, ...]:
        """The frames of a command, in order; ``outputs`` is 0 when not given.

        Raises ValueError for a command that the drive does not have, for a value that is missing, that no frame
        carries, or that may not be commanded.
        """
        frames = self.commands.get(command)
        if frames is None:
            raise ValueError(f"{command}: expected a command that the drive has, got none in its file")
        for name in values:
            if not any(name in frame.names for frame in frames):
                raise ValueError(f"{command}: expected a field {name} in one of its frames, got none")
        values.setdefault("outputs", 0)
        return tuple(frame.make(values) for frame in frames)

    def velocity(self, units: int, outputs: int = 0) -> tuple[OutFrame, ...]:
        """The frames of a tick: velocity in our units, and the outputs where these frames carry them.

        Raises ValueError for a value that may not be commanded.
        """
        values = {"velocity": units, "outputs": outputs}
        return tuple([frame.make(values) for frame in self._velocity])

    def timeout_ms(self, least_ms: int) -> int:
        """The shortest time-out that can be set and is not shorter. Raises ValueError where none can be."""
        for frame in self.drive.commands.set_timeout:
            field = frame.field("timeout")
            if field is not None:
                factor = field.scale_exact
                number = -(-(least_ms - field.offset_exact) // factor)
                return int(number * factor + field.offset_exact)
        raise ValueError("timeout: expected commands.set_timeout with a field timeout, got none")

    def state(self, status: int) -> DriveState:
        """The state that the file gives to a status word; ``UNKNOWN`` for one that fits none."""
        for mask, value, state in self._states:
            if status & mask == value:
                return state
        return DriveState.UNKNOWN

    def position_place(self, reply: str) -> PositionPlace | None:
        """Where that reply holds the position as a whole number of whole bytes; None where it does not."""
        field = self.drive.reply(reply).field("position")
        if field is None or field.is_float or field.bits_wide != 8 * field.bytes_long:
            return None
        rule = scaling(self.drive, field)
        assert isinstance(rule, Linear)
        return PositionPlace(
            reply,
            self.replies[reply].payload_at + field.at,
            field.bytes_long,
            _order_of(self.drive, field) == "low-first",
            field.is_signed,
            rule.numerator,
        )
