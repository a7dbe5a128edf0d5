"""Rules of a drive file that one field or one frame can break. Pure: each gives what it finds.

Owns nothing beyond a frame; what frames must agree on is in ``drivers.described.wholerules``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from drivers.described.format import (
    UNITS,
    DataField,
    DriveFile,
    Finding,
    Identifier,
    Layout,
    Reply,
    fields,
    layouts,
)

_REPORTED = frozenset({"position", "velocity", "status", "inputs", "fault", "timeout", "current"})
CODES = frozenset({"status", "inputs", "outputs", "fault"})
_CARRIES: dict[str, frozenset[str]] = {
    "velocity": frozenset({"velocity", "outputs"}),
    "position": frozenset({"position", "outputs"}),
    "outputs": frozenset({"outputs"}),
    "set_timeout": frozenset({"timeout"}),
    # Told so that the frames of a drive that wants the whole set each time can be written down.
    "enable": frozenset({"outputs"}),
    "stop": frozenset({"outputs"}),
}
"""Values that a command may carry; one that is not here carries none."""
_IDENTIFIER_MAX = {11: 0x7FF, 29: 0x1FFF_FFFF}


def listed(names: Iterable[object]) -> str:
    """Names in a row."""
    found = [str(one) for one in names]
    return ", ".join(sorted(found) if isinstance(names, frozenset) else found)


# One field


def type_fits(drive: DriveFile) -> Iterator[Finding]:
    """A field is told where it is, and no more."""
    for where, _, field in fields(drive):
        if field.type == "bits":
            size, bit, width = field.size, field.bit, field.width
            for name, value in (("size", size), ("bit", bit), ("width", width)):
                if value is None:
                    yield Finding(f"{where}.{name}", "a whole number, as type is bits", "nothing")
            if size and width and bit is not None and bit + width > 8 * size:
                yield Finding(f"{where}.width", f"at most {8 * size - bit} bits from bit {bit}", f"{width}")
            continue
        for name in ("size", "bit", "width"):
            if getattr(field, name) is not None:
                yield Finding(f"{where}.{name}", f"nothing, as type is {field.type}", "a value")
        if field.signed:
            yield Finding(f"{where}.signed", "only with type bits (i8, i16, i32 are signed)", field.type)


def unit_fits(drive: DriveFile) -> Iterator[Finding]:
    """Unit, scale and limits are those of what the field is."""
    for where, layout, field in fields(drive):
        units = UNITS.get(field.name, ("none",))
        if field.unit not in units:
            yield Finding(f"{where}.unit", f"{' or '.join(units)} for {field.name}", field.unit)
        if isinstance(field.scale, tuple) and not all(0 < one < 1 << 53 for one in field.scale):
            yield Finding(f"{where}.scale", "a ratio of two numbers above 0", f"{list(field.scale)}")
        if field.name in CODES:
            if field.is_float or field.is_signed:
                yield Finding(f"{where}.type", f"u8, u16, u32 or unsigned bits for {field.name}", field.type)
            if field.bits_wide > 32:
                yield Finding(f"{where}.width", f"at most 32 bits for {field.name}", f"{field.bits_wide}")
            if (field.scale, field.offset) != (1.0, 0.0):
                yield Finding(f"{where}.scale", f"no scale and no offset for {field.name}", "one")
        if field.step is not None and not (field.is_float and field.name == "velocity"):
            yield Finding(f"{where}.step", "nothing, but for a velocity as f32", f"{field.step:g}")
        if isinstance(layout, Reply) and (field.min is not None or field.max is not None):
            yield Finding(f"{where}.min", "no limits in a reply", "some")
        if field.min is not None and field.max is not None and field.min >= field.max:
            yield Finding(f"{where}.max", f"a value above min ({field.min:g})", f"{field.max:g}")


def name_fits(drive: DriveFile) -> Iterator[Finding]:
    """Commands carry what may be commanded, replies what is reported."""
    for where, layout, field in fields(drive):
        if isinstance(layout, Reply):
            if field.name not in _REPORTED:
                yield Finding(
                    f"{where}.name", f"something that a drive reports ({listed(_REPORTED)})", field.name
                )
            continue
        command = where.split(".")[1]
        known = _CARRIES.get(command, frozenset())
        if field.name not in known:
            expected = f"{listed(known)}, which {command} may carry" if known else f"no field in {command}"
            yield Finding(f"{where}.name", expected, field.name)


# One frame


def lies_within(drive: DriveFile) -> Iterator[Finding]:
    """Constants and fields lie within their frame, none upon another."""
    for where, layout in layouts(drive):
        if drive.can is not None and layout.length > 8:
            yield Finding(f"{where}.length", "at most 8 bytes in a CAN frame", f"{layout.length}")
        taken: dict[int, tuple[int, str]] = {}
        for place, one in enumerate(layout.constants):
            data = bytes.fromhex(one.hex)
            here = f"{where}.constants.{place}"
            if not data:
                yield Finding(f"{here}.hex", "at least a byte", "nothing")
            if one.at + len(data) > layout.length:
                yield _beyond(f"{here}.at", one.at + len(data), layout)
            for at in range(one.at, one.at + len(data)):
                yield from _take(taken, 8 * at, 8, f"constants[#{place + 1}]", f"{here}.at")
        for place, field in enumerate(layout.fields):
            here = f"{where}.fields.{place}"
            if field.at + field.bytes_long > layout.length:
                yield _beyond(f"{here}.at", field.at + field.bytes_long, layout)
                continue
            clash = next(
                (
                    taken[bit][1]
                    for bit in _bits_of(drive, field)
                    if bit in taken and taken[bit][1] != field.name
                ),
                None,
            )
            if clash is not None:
                yield Finding(
                    f"{here}.at", f"a place of its own ({clash} is there)", _span(field.at, field.bytes_long)
                )
            taken |= dict.fromkeys(_bits_of(drive, field), (place, field.name))
        names = [field.name for field in layout.fields]
        for name in sorted({one for one in names if names.count(one) > 1}):
            yield Finding(f"{where}.fields", f"one field {name}", f"{names.count(name)}")


def _take(
    taken: dict[int, tuple[int, str]], first: int, count: int, name: str, where: str
) -> Iterator[Finding]:
    clash = next((taken[bit][1] for bit in range(first, first + count) if bit in taken), None)
    if clash is not None and clash != name:
        yield Finding(where, f"a place of its own ({clash} is there)", f"byte {first // 8}")
    taken |= dict.fromkeys(range(first, first + count), (0, name))


def _bits_of(drive: DriveFile, field: DataField) -> Iterator[int]:
    """Bits of the frame that a field takes, numbered 8 x byte + bit in that byte."""
    is_low_first = (field.order or drive.byte_order) == "low-first"
    long = field.bytes_long
    for bit in range(field.lowest_bit, field.lowest_bit + field.bits_wide):
        byte = bit // 8 if is_low_first else long - 1 - bit // 8
        yield 8 * (field.at + byte) + bit % 8


def _beyond(where: str, end: int, layout: Layout) -> Finding:
    return Finding(where, f"a place within the frame's {layout.length} bytes", f"bytes up to {end - 1}")


def _span(at: int, long: int) -> str:
    return f"byte {at}" if long == 1 else f"bytes {at} to {at + long - 1}"


def wire_fits(drive: DriveFile) -> Iterator[Finding]:
    """Frames are told apart by what their wire has: identifiers on CAN, addresses on a line."""
    if drive.node_min > drive.node_max:
        yield Finding("node_max", f"at least node_min ({drive.node_min})", f"{drive.node_max}")
        return
    serial, can = drive.serial, drive.can
    for where, layout in layouts(drive):
        if can is not None:
            if layout.address is not None:
                yield Finding(f"{where}.address", "nothing on CAN (it has id)", "a table")
            if layout.id is None:
                yield Finding(f"{where}.id", "the identifier of the frame", "nothing")
            else:
                yield from _fits_in(drive, f"{where}.id", layout.id, _IDENTIFIER_MAX[can.id_bits])
        elif serial is not None:
            if layout.id is not None:
                yield Finding(f"{where}.id", "nothing on a serial line (it has address)", "a table")
            if layout.address is not None:
                if "address" not in serial.header:
                    yield Finding(f"{where}.address", "nothing, as wire.header has no address", "a table")
                yield from _fits_in(drive, f"{where}.address", layout.address, 0xFF)
            if "length" in serial.header and layout.length + serial.length_adds > 0xFF:
                yield Finding(f"{where}.length", "a length that fits a byte", f"{layout.length}")
    if serial is not None:
        if len(set(serial.header)) != len(serial.header):
            yield Finding("wire.header", "each part once", listed(serial.header))
        if not (serial.start or serial.header or serial.end):
            yield Finding("wire.start", "something by which a frame is told (start, header or end)", "none")
        if "address" in serial.header:
            yield from _fits_in(drive, "wire.address", serial.address, 0xFF)
            if serial.reply_address is not None:
                yield from _fits_in(drive, "wire.reply_address", serial.reply_address, 0xFF)


def _fits_in(drive: DriveFile, where: str, identifier: Identifier, most: int) -> Iterator[Finding]:
    if identifier.node == "none" and identifier.shift:
        yield Finding(f"{where}.shift", "0, as the node is not in it", f"{identifier.shift}")
    if (largest := identifier.of(drive.node_max)) > most:
        yield Finding(f"{where}.base", f"at most {most:X}h with node {drive.node_max} in it", f"{largest:X}h")
