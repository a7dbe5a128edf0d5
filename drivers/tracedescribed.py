"""Frames of described drives in plain words, by the drive files that a trace's head holds. Pure; any bytes give words.

Owns the decoding for people, bit by bit and in the fields' own units, apart from the compiled codec so that one cannot
hide a mistake of the other. On a serial line frames are found between whatever else there is: one that is whole and
good counts; one that fits but for its checksum is told as such when nothing good begins within it.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from drivers.described.checksums import CHECKSUMS
from drivers.described.format import CommandFrame, DataField, DriveFile, Identifier, Reply, SerialFrames
from drivers.tracefile import Piece
from drivers.traceline import ERROR, EXTENDED, REMOTE, Line, printable

SILENCE_NS = 100_000_000
"""After so long nothing goes on that had begun."""

HELD_MAX = 1024
"""Bytes that are kept while they may still become frames."""

EVERYBODY = "everybody"
_SERIAL = -1
_UNITS = {"counts_s": "counts/s", "turns_s": "turns/s", "deg_s": "deg/s"}
_EXACT = 10**9
_NAMES_MAX = 3


def plain_line(piece: Piece) -> Line:
    """A frame of which nothing is known: no more than its bytes."""
    taken = "" if piece.is_taken else _NOT_TAKEN
    can_id = None if piece.is_serial else piece.can_id
    words = f"{len(piece.data)} bytes{taken}"
    return Line(piece.instant_ns, piece.is_out, piece.is_taken, can_id, -1, "other", piece.data, words)


_NOT_TAKEN = " (the wire did not take it)"


def files_of(description: Mapping[str, Any]) -> dict[int, DriveFile]:
    """The drive file of each node, as far as the head of a trace has them and they hold."""
    numbers, given = description.get("drives"), description.get("drive_files")
    if not isinstance(numbers, Mapping) or not isinstance(given, list | tuple):
        return {}
    kinds = {"described-can": "can", "described-serial": "serial"}
    wire = description.get("wire")
    kind = wire.get("kind") if isinstance(wire, Mapping) else None
    wanted = kinds.get(kind) if isinstance(kind, str) else None
    read: list[DriveFile | None] = []
    for one in given[:256]:
        try:
            file = DriveFile.model_validate(one)
        except (ValueError, TypeError, ArithmeticError, LookupError, RecursionError):
            # A head that was damaged, or one of a later format: the bytes are shown all the same.
            read.append(None)
        else:
            read.append(file if file.wire.kind == wanted else None)
    found: dict[int, DriveFile] = {}
    for node, place in numbers.items():
        if not (isinstance(node, str) and node.isascii() and node.isdecimal() and len(node) < 4):
            continue
        if type(place) is int and 0 <= place < len(read) and (known := read[place]) is not None:
            found[int(node)] = known
    return found


class DescribedWords:
    """Words for the pieces of one trace of described drives, in their order."""

    def __init__(self, files: Mapping[int, DriveFile], axes: Mapping[int, str]) -> None:
        shapes = [
            shape
            for node, file in files.items()
            for shape in _shapes(file, node, axes.get(node, f"node {node}"))
        ]
        commands = _merged(one for one in shapes if not one.is_reply)
        replies = _merged(one for one in shapes if one.is_reply)
        self._by_id: dict[int, list[_Shape]] = {}
        for shape in (*replies, *commands):
            self._by_id.setdefault(shape.can_id, []).append(shape)
        on_line = self._by_id.pop(_SERIAL, [])
        self._theirs = tuple(on_line)
        self._ours = tuple(sorted(on_line, key=lambda one: one.is_reply))
        self._heard = bytearray()
        self._marks: list[tuple[int, int]] = []
        self._last_ns = 0

    @classmethod
    def of(cls, description: Mapping[str, Any], axes: Mapping[int, str]) -> DescribedWords | None:
        """For a trace of described drives whose head has their files; None for any other."""
        files = files_of(description)
        return cls(files, axes) if files else None

    def lines(self, pieces: Iterable[Piece]) -> Iterator[Line]:
        """One line for each frame, oldest first."""
        for piece in pieces:
            if not piece.is_serial:
                yield from self._rest()
                yield self._can(piece)
            elif piece.is_out:
                yield from self._rest()
                yield from self._said(piece)
            else:
                if self._heard and abs(piece.instant_ns - self._last_ns) > SILENCE_NS:
                    yield from self._rest()
                self._marks.append((len(self._heard), piece.instant_ns))
                self._heard += piece.data
                self._last_ns = piece.instant_ns
                yield from self._found(is_over=len(self._heard) > HELD_MAX)
        yield from self._rest()

    # CAN

    def _can(self, piece: Piece) -> Line:
        node, kind, words = self._can_words(piece)
        words = printable(words if piece.is_taken else words + _NOT_TAKEN)
        return Line(
            piece.instant_ns, piece.is_out, piece.is_taken, piece.can_id, node, kind, piece.data, words
        )

    def _can_words(self, piece: Piece) -> tuple[int, str, str]:
        can_id, data = piece.can_id, piece.data
        if can_id & ERROR:
            return -1, "broken", f"error frame, class {can_id & 0x1FFF_FFFF:X}h"
        if can_id & REMOTE:
            return -1, "other", "remote frame, none of ours"
        shapes = self._by_id.get(can_id, [])
        if not shapes:
            return -1, "other", "none of the drives' identifiers"
        for shape in sorted(shapes, key=lambda one: one.is_reply is piece.is_out):
            if len(data) == shape.length and shape.may_begin(data, 0):
                is_good, words = shape.words(data)
                return shape.node, shape.kind if is_good else "broken", words
        first = shapes[0]
        if len(shapes) == 1 and len(data) != first.length:
            what = f"{first.name} of {len(data)} bytes ({first.length} are due)"
        elif len(shapes) <= _NAMES_MAX:
            what = f"{len(data)} bytes that are no {' or '.join(one.name for one in shapes)}"
        else:
            what = f"{len(data)} bytes that are no frame with this identifier"
        return first.node, "broken", f"{first.who} {what}"

    # Serial

    def _said(self, piece: Piece) -> Iterator[Line]:
        """What we said at once: whole frames, as they left."""
        taken = "" if piece.is_taken else _NOT_TAKEN
        for data, shape in _split(piece.data, self._ours, is_over=True):
            yield _line(piece.instant_ns, data, shape, "command", is_out=True, taken=taken)

    def _found(self, *, is_over: bool) -> Iterator[Line]:
        """The frames that have become whole, and what will become none."""
        gone = 0
        for data, shape in _split(bytes(self._heard), self._theirs, is_over=is_over):
            instant_ns = next(at_ns for begin, at_ns in reversed(self._marks) if begin <= gone)
            gone += len(data)
            yield _line(instant_ns, data, shape, "frame", is_out=False)
        if gone:
            del self._heard[:gone]
            before = [mark for mark in self._marks if mark[0] <= gone][-1:] if self._heard else []
            behind = [(begin - gone, at_ns) for begin, at_ns in self._marks if begin > gone]
            self._marks = [(0, at_ns) for _, at_ns in before] + behind
        elif not self._heard:
            self._marks.clear()

    def _rest(self) -> Iterator[Line]:
        if self._heard:
            yield from self._found(is_over=True)


def _line(
    instant_ns: int, data: bytes, shape: _Shape | None, what: str, *, is_out: bool, taken: str = ""
) -> Line:
    """One run of bytes: a frame of that shape, good or not, or none."""
    if shape is None:
        node, kind, words = -1, "broken", f"{len(data)} bytes that are no whole {what}"
    else:
        is_good, words = shape.words(data)
        node, kind = shape.node, shape.kind if is_good else "broken"
    return Line(instant_ns, is_out, not taken, None, node, kind, data, printable(words + taken))


def _split(
    received: bytes, shapes: Sequence[_Shape], *, is_over: bool
) -> Iterator[tuple[bytes, _Shape | None]]:
    """Bytes cut up: good frames, and what lies between them. The end that may still become a frame is left."""
    at = begin = 0
    while at < len(received):
        begun = [shape for shape in shapes if shape.may_begin(received, at)]
        whole = [shape for shape in begun if at + shape.length <= len(received)]
        good = next((one for one in whole if one.is_good(received[at : at + one.length])), None)
        if good is not None:
            yield from _broken(received[begin:at], shapes)
            yield received[at : at + good.length], good
            at += good.length
            begin = at
        elif len(whole) < len(begun) and not is_over:
            return
        else:
            at += 1
    yield from _broken(received[begin:], shapes)


def _broken(part: bytes, shapes: Sequence[_Shape]) -> Iterator[tuple[bytes, _Shape | None]]:
    """Bytes in which no good frame is: those that fit a frame but for its checksum, and others."""
    while part:
        fits = next((one for one in shapes if one.length <= len(part) and one.may_begin(part, 0)), None)
        length = len(part) if fits is None else fits.length
        yield part[:length], fits
        part = part[length:]


@dataclass(frozen=True, slots=True)
class _Check:
    """A checksum: its name, where its bytes begin, where it stands, and its order."""

    name: str
    begin: int
    at: int
    is_low_first: bool

    def is_good(self, frame: bytes) -> bool:
        kind = CHECKSUMS[self.name]  # type: ignore[index]
        got = int.from_bytes(frame[self.at : self.at + kind.size], "little" if self.is_low_first else "big")
        return kind.of(frame[self.begin : self.at]) == got


@dataclass(frozen=True, slots=True)
class _Shape:
    """A frame of the file, to or from one node (-1: to everybody). ``fixed``: place and value of constant bytes."""

    file: DriveFile
    node: int
    who: str
    name: str
    is_reply: bool
    can_id: int
    payload_at: int
    payload: int
    length: int
    fixed: tuple[tuple[int, int], ...]
    fields: tuple[DataField, ...]
    check: _Check | None

    @property
    def kind(self) -> str:
        return "answer" if self.is_reply else "broadcast" if self.node < 0 else "request"

    def may_begin(self, received: bytes, at: int) -> bool:
        """Whether what stands from ``at`` on may be this frame, as far as it goes."""
        left = len(received) - at
        return all(received[at + place] == value for place, value in self.fixed if place < left)

    def is_good(self, frame: bytes) -> bool:
        """Whether a whole frame's checksum holds."""
        return self.check is None or self.check.is_good(frame)

    def words(self, frame: bytes) -> tuple[bool, str]:
        """Whether a whole frame is good, and what it says."""
        is_good, checked = self.is_good(frame), ""
        if self.check is not None:
            checked = f"{self.check.name.split('-')[0].upper()} {'good' if is_good else 'BAD'}, "
        body = frame[self.payload_at : self.payload_at + self.payload]
        told = []
        for place, field in enumerate(self.fields):
            number = _number(self.file, field, body)
            is_good = is_good and math.isfinite(number)
            told.append(
                _field_words(self.file, field, number, is_named=bool(place) or field.name != self.name)
            )
        values = f" {', '.join(told)}" if told else ""
        return is_good, f"{checked}{self.who} {self.name}{values}"


def _number(file: DriveFile, field: DataField, body: bytes) -> int | float:
    """The number that a field has in CAN data or a serial payload."""
    is_low_first = (field.order or file.byte_order) == "low-first"
    word = int.from_bytes(body[field.at : field.at + field.bytes_long], "little" if is_low_first else "big")
    number = word >> field.lowest_bit & (1 << field.bits_wide) - 1
    if field.is_float:
        as_float: float = struct.unpack(">f", number.to_bytes(4, "big"))[0]
        return as_float
    return number - (1 << field.bits_wide) if field.is_signed and number >> field.bits_wide - 1 else number


def _field_words(file: DriveFile, field: DataField, number: float, *, is_named: bool) -> str:
    """A field's number as its owner reads it."""
    if not math.isfinite(number):
        return f"{field.name} no finite number"
    name = f"{field.name} " if is_named else ""
    if field.unit != "none":
        return f"{name}{_decimal(field, number)} {_UNITS.get(field.unit, field.unit)}"
    if field.is_float:
        return f"{name}{number:.9g}"
    bits = f"{int(number) & (1 << field.bits_wide) - 1:0{-(-field.bits_wide // 4)}X}h"
    word = int(number)
    if field.name == "status":
        state = next(
            (one.state for one in file.status.states if word & one.mask == one.value), "no known state"
        )
        said = [one.text for one in file.status.bits if word >> one.bit & 1]
        return f"{state} ({', '.join([bits, *said, *_switches(file, 'status', word)])})"
    if field.name == "inputs":
        closed = _switches(file, "inputs", word)
        return f"{name}{bits}" + (f" ({', '.join(closed)})" if closed else "")
    if field.name == "fault":
        text = file.fault_text(word)
        return f"fault {bits}" + (f" ({text})" if text else "") if word else "no fault"
    return f"{name}{bits}"


def _switches(file: DriveFile, word_name: str, word: int) -> list[str]:
    """Names of the switches that are closed."""
    table = file.switches
    named = (
        ("negative limit", table.negative_limit),
        ("positive limit", table.positive_limit),
        ("home", table.home),
    )
    return [name for name, one in named if one is not None and one.word == word_name and word >> one.bit & 1]


def _decimal(field: DataField, number: float) -> str:
    """The value in the field's unit: exact where its decimals end soon, else to ten digits."""
    if field.is_float:
        return f"{float(Fraction(number) * field.scale_exact + field.offset_exact):.9g}"
    value = Fraction(number) * field.scale_exact + field.offset_exact
    whole, rest = divmod(abs(value) * _EXACT, 1)
    if rest:
        return f"{float(value):.10g}"
    before, behind = divmod(int(whole), _EXACT)
    return f"{'-' if value < 0 else ''}{before}" + f".{behind:09d}".rstrip("0").rstrip(".")


def _shapes(file: DriveFile, node: int, who: str) -> Iterator[_Shape]:
    """Every frame to and from one node."""
    for command, frames in file.commands.all():
        for place, frame in enumerate(frames, 1):
            yield _shape(
                file, node, who, command if len(frames) == 1 else f"{command} {place}/{len(frames)}", frame
            )
    for reply in file.replies:
        yield _shape(file, node, who, reply.name, reply)


def _shape(file: DriveFile, node: int, who: str, name: str, layout: CommandFrame | Reply) -> _Shape:
    wire, is_reply = file.wire, isinstance(layout, Reply)
    fields = tuple(sorted(layout.fields, key=lambda one: one.name != name))  # what it is for first
    own = {
        one.at + place: byte for one in layout.constants for place, byte in enumerate(bytes.fromhex(one.hex))
    }
    fixed: dict[int, int] = {}
    if not isinstance(wire, SerialFrames):
        to = layout.id or Identifier()
        if to.node == "none" and not is_reply:
            node, who = -1, EVERYBODY
        can_id = to.of(max(node, 0)) | (EXTENDED if wire.id_bits == 29 else 0)
        ordered = tuple(sorted(own.items()))
        return _Shape(
            file,
            node,
            who,
            name,
            is_reply,
            can_id,
            0,
            layout.length,
            layout.length,
            ordered,
            layout.fields,
            None,
        )
    start = bytes.fromhex(wire.reply_start if is_reply and wire.reply_start is not None else wire.start)
    to = layout.address or (wire.reply_address if is_reply else None) or wire.address
    fixed |= dict(enumerate(start))
    for place, part in enumerate(wire.header, len(start)):
        fixed[place] = to.of(node) if part == "address" else layout.length + wire.length_adds
    if to.node == "none" and "address" in wire.header and not is_reply:
        node, who = -1, EVERYBODY
    payload_at = len(start) + len(wire.header)
    behind = payload_at + layout.length
    check: _Check | None = None
    if wire.checksum is not None:
        begin = {"start": 0, "header": len(start), "payload": payload_at}[wire.checksum.begins]
        is_low_first = (wire.checksum.order or file.byte_order) == "low-first"
        check = _Check(wire.checksum.name, begin, behind, is_low_first)
        behind += CHECKSUMS[wire.checksum.name].size
    end = bytes.fromhex(wire.end)
    fixed |= {payload_at + place: byte for place, byte in own.items()}
    fixed |= dict(enumerate(end, behind))
    ordered = tuple(sorted(fixed.items()))
    length = behind + len(end)
    return _Shape(
        file, node, who, name, is_reply, _SERIAL, payload_at, layout.length, length, ordered, fields, check
    )


def _merged(shapes: Iterable[_Shape]) -> list[_Shape]:
    """Frames that are the same on the wire as one with all their names; short ones first."""
    by_look: dict[tuple[object, ...], list[_Shape]] = {}
    for one in shapes:
        look = one.node, one.can_id, one.length, one.fixed, one.fields, one.check
        by_look.setdefault(look, []).append(one)
    found = []
    for alike in by_look.values():
        names = list(dict.fromkeys(one.name for one in alike))
        first = alike[0]
        found.append(first if len(names) == 1 else replace(first, name=" or ".join(names)))
    # Of two that both fit, the one that says more about its bytes is meant.
    some = [one for one in found if one.length or one.can_id != _SERIAL]
    return sorted(some, key=lambda one: (one.length, -len(one.fixed)))
