"""The samples of a drive file: what the manual shows, held against what the file makes of it. Pure.

Owns the way from values in the manual's units to the numbers in a frame, by fractions and bit by bit: another way than
the compiled one, so that each judges the other. Knows no terminal.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Iterator, Mapping
from decimal import Decimal
from fractions import Fraction

from drivers.described.codec import SERIAL, Decoded, DriveCodec, OutFrame
from drivers.described.format import CommandFrame, DataField, DriveFile, Reply, Sample
from drivers.described.scale import fractions_of

_CAN_TEXT = re.compile(r"^\s*([0-9A-Fa-f]{1,8})\s*:\s*((?:[0-9A-Fa-f]{2}\s*)*)$")
_SERIAL_TEXT = re.compile(r"^\s*((?:[0-9A-Fa-f]{2}\s*)+)$")

_DOUBLE = 1 << 51

Judged = Iterator[tuple[str, str, str]]
"""Where in the sample, expected, got."""


def parsed(drive: DriveFile, text: str) -> tuple[int, bytes]:
    """Identifier and bytes of a frame in hex; the identifier is ``SERIAL`` on a serial line. Raises ValueError."""
    if drive.can is None:
        match = _SERIAL_TEXT.match(text)
        if match is None:
            raise ValueError('bytes in hex, such as "A5 01 04"')
        return SERIAL, bytes.fromhex(match[1])
    match = _CAN_TEXT.match(text)
    if match is None:
        raise ValueError('identifier and bytes in hex, such as "105: 23 24"')
    return int(match[1], 16), bytes.fromhex(match[2])


def shown(can_id: int, data: bytes) -> str:
    """The same way back."""
    return data.hex(" ").upper() if can_id == SERIAL else f"{can_id:03X}: {data.hex(' ').upper()}".rstrip()


def number_of(field: DataField, value: float) -> int | float:
    """The number in the frame that means ``value`` in the field's unit. Raises ValueError when none does.

    A value on no step means the nearest one if it is that, rounded to a double; where the scale is a ratio, whose
    decimals hardly anybody writes out, also if it is that, rounded to as many decimals as are written.
    """
    exact = (Fraction(str(value)) - field.offset_exact) / field.scale_exact
    if field.is_float:
        rounded: float = struct.unpack("<f", struct.pack("<f", float(exact)))[0]
        return rounded
    if exact.denominator != 1:
        nearest = Fraction(round(exact))
        means = nearest * field.scale_exact + field.offset_exact
        decimals = max(0, -int(Decimal(str(value)).as_tuple().exponent))
        is_written = isinstance(field.scale, tuple) and round(means, decimals) == Fraction(str(value))
        if is_written or abs(means - Fraction(value)) <= abs(Fraction(value)) / _DOUBLE:
            exact = nearest
    if exact.denominator != 1:
        raise ValueError(f"a value on a step of {float(field.scale_exact):g}")
    low, high = field.raw_range
    if not low <= exact <= high:
        raise ValueError(f"{value_of(field, low):g} to {value_of(field, high):g}")
    return int(exact)


def value_of(field: DataField, number: float) -> float:
    """The value in the field's unit that a number in the frame means."""
    if not math.isfinite(number):
        raise ValueError("a finite number")
    return float(Fraction(number) * field.scale_exact + field.offset_exact)


def ours_of(drive: DriveFile, field: DataField, number: float) -> int:
    """Our integer for a number in a frame, by fractions: the nearest, of two as near the larger."""
    factor, add = fractions_of(drive, field)
    return math.floor(Fraction(number) * factor + add + Fraction(1, 2))


def picked(drive: DriveFile, field: DataField, data: bytes) -> int | float:
    """The number that a field has in CAN data or a serial payload, bit by bit."""
    is_low_first = (field.order or drive.byte_order) == "low-first"
    word = data[field.at : field.at + field.bytes_long]
    number = 0
    for place in range(field.bits_wide):
        bit = field.lowest_bit + place
        byte = word[bit // 8] if is_low_first else word[len(word) - 1 - bit // 8]
        number |= (byte >> bit % 8 & 1) << place
    if field.is_float:
        as_float: float = struct.unpack(">f", number.to_bytes(4, "big"))[0]
        return as_float
    if field.is_signed and number >> field.bits_wide - 1:
        number -= 1 << field.bits_wide
    return number


def payload(drive: DriveFile, layout: CommandFrame | Reply, data: bytes) -> bytes:
    """The payload of a frame of ours or of the drive's: CAN data itself, or what is behind a serial header."""
    wire = drive.serial
    if wire is None:
        return data
    is_reply = isinstance(layout, Reply)
    start = wire.reply_start if is_reply and wire.reply_start is not None else wire.start
    before = len(bytes.fromhex(start)) + len(wire.header)
    return data[before : before + layout.length]


def judged(drive: DriveFile, sample: Sample) -> Judged:
    """All in which a sample differs from what the file makes of it."""
    if (sample.command is None) == (sample.reply is None):
        yield "command", "either command or reply", "both" if sample.command is not None else "none"
        return
    try:
        codec = DriveCodec(drive, sample.node)
    except ValueError as error:
        yield "node", *_parts(error)
        return
    frames: list[tuple[int, bytes]] = []
    for place, text in enumerate(sample.frames):
        try:
            frames.append(parsed(drive, text))
        except ValueError as error:
            yield f"frames.{place}", str(error), f'"{text}"'
            return
    if sample.command is not None:
        yield from _command_judged(codec, sample, frames)
    else:
        yield from _reply_judged(codec, sample, frames)


def _command_judged(codec: DriveCodec, sample: Sample, frames: list[tuple[int, bytes]]) -> Judged:
    drive, name = codec.drive, sample.command
    assert name is not None
    layouts = drive.commands.frames(name)
    if not layouts:
        yield "command", "a command that the file has", name
        return
    if len(frames) != len(layouts):
        yield "frames", f"{len(layouts)} frames, as {name} has", f"{len(frames)}"
        return
    known = {field.name: field for layout in layouts for field in layout.fields}
    values: dict[str, int] = {}
    for key, value in sample.values.items():
        field = known.get(key)  # type: ignore[call-overload]
        if field is None or isinstance(value, str):
            yield f"values.{key}", "a number for a field that the command carries", _shown(value)
            return
        try:
            values[key] = ours_of(drive, field, number_of(field, value))
        except ValueError as error:
            yield f"values.{key}", str(error), f"{value:g}"
            return
    try:
        made = codec.encode(name, **values)
    except ValueError as error:
        yield "values", *_parts(error)
        return
    for place, (one, expected) in enumerate(zip(made, frames, strict=True)):
        if (one.can_id, one.data) != expected:
            yield f"frames.{place}", shown(one.can_id, one.data), shown(*expected)


def _reply_judged(codec: DriveCodec, sample: Sample, frames: list[tuple[int, bytes]]) -> Judged:
    drive, name = codec.drive, sample.reply
    assert name is not None
    reply = codec.replies.get(name)
    if reply is None:
        yield "reply", f"one of {', '.join(codec.replies)}", f'"{name}"'
        return
    if len(frames) != 1:
        yield "frames", "one frame", f"{len(frames)}"
        return
    can_id, data = frames[0]
    if can_id != reply.can_id:
        yield "frames.0", f"identifier {reply.can_id:03X}h of node {sample.node}", f"{can_id:03X}h"
        return
    found = reply.decode(data)
    if found is None:
        yield (
            "frames.0",
            f"a whole good frame {name} ({_form(reply.length, reply.fixed)})",
            shown(can_id, data),
        )
        return
    layout = drive.reply(name)
    body = payload(drive, layout, data)
    for key, value in sample.values.items():
        yield from _value_judged(codec, layout, found, body, key, value)


def _value_judged(
    codec: DriveCodec, layout: Reply, found: Decoded, body: bytes, key: str, value: float | str
) -> Judged:
    if key == "state":
        status = found.status
        if status is None:
            yield "values.state", "a reply with a field status", "none"
        elif (state := codec.state(status).value) != value:
            yield "values.state", f'"{state}" (status {status:X}h)', _shown(value)
        return
    field = layout.field(key)
    if field is None or isinstance(value, str):
        yield f"values.{key}", "a number for a field of the reply", _shown(value)
        return
    number = picked(codec.drive, field, body)
    if number != _quiet_number(field, value):
        yield f"values.{key}", f"{value_of(field, number):.10g} as in the bytes", f"{value:.10g}"
    elif getattr(found, key) != ours_of(codec.drive, field, number):
        yield f"values.{key}", f"{ours_of(codec.drive, field, number)} of ours", f"{getattr(found, key)}"


def _quiet_number(field: DataField, value: float) -> int | float | None:
    try:
        return number_of(field, value)
    except ValueError:
        return None


def _shown(value: float | str) -> str:
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def _form(length: int, fixed: Mapping[int, int]) -> str:
    """A frame's bytes as far as they are constant."""
    return " ".join(f"{fixed[at]:02X}" if at in fixed else ".." for at in range(length))


def _parts(error: ValueError) -> tuple[str, str]:
    text = str(error)
    _, _, rest = text.partition("expected ")
    expected, _, got = rest.partition(", got ")
    return (expected, got) if got else (text, "something else")


def decoded_back(drive: DriveFile, layout: CommandFrame, frame: OutFrame) -> dict[str, float]:
    """Values of a frame of ours, in the fields' units, read bit by bit."""
    body = payload(drive, layout, frame.data)
    return {field.name: value_of(field, picked(drive, field, body)) for field in layout.fields}
