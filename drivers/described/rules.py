"""What the fields of a drive file must agree on. Pure: a file's model in, every contradiction out.

Owns the rules. Each finding names the field as it stands in the file, what was expected and what came. Rules that need
what another has refused wait: a file is checked field by field, then frame by frame, then as a whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import get_args

from drivers.described import scale
from drivers.described.codec import DriveCodec
from drivers.described.format import (
    UNITS,
    CommandFrame,
    CommandName,
    DataField,
    DriveFile,
    Finding,
    FixedTimeout,
    Identifier,
    Reply,
    SetTimeout,
    StateName,
)

_COMMANDED = frozenset({"velocity", "position", "outputs", "timeout"})
_REPORTED = frozenset({"position", "velocity", "status", "inputs", "fault", "timeout", "current"})
_CODES = frozenset({"status", "inputs", "outputs", "fault"})
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
_NEEDED: dict[str, str] = {
    "velocity": "velocity", "position": "position", "outputs": "outputs", "set_timeout": "timeout",
}  # fmt: skip
_BROUGHT: dict[str, str] = {
    "read_position": "position",
    "read_status": "status",
    "read_timeout": "timeout",
}
_SAMPLES_MAX_ID = {11: 0x7FF, 29: 0x1FFF_FFFF}


Layout = CommandFrame | Reply


def contradictions(drive: DriveFile) -> list[Finding]:
    """Everything in which the file contradicts itself."""
    found: list[Finding] = []
    for stage in _STAGES:
        for rule in stage:
            found += rule(drive)
        if found:
            break
    return found


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


# One field


def _type_fits(drive: DriveFile) -> Iterator[Finding]:
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


def _unit_fits(drive: DriveFile) -> Iterator[Finding]:
    for where, layout, field in fields(drive):
        units = UNITS.get(field.name, ("none",))
        if field.unit not in units:
            yield Finding(f"{where}.unit", f"{_either(units)} for {field.name}", field.unit)
        if isinstance(field.scale, tuple) and not all(0 < one < 1 << 53 for one in field.scale):
            yield Finding(f"{where}.scale", "a ratio of two numbers above 0", f"{list(field.scale)}")
        if field.name in _CODES:
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


def _name_fits(drive: DriveFile) -> Iterator[Finding]:
    for where, layout, field in fields(drive):
        if isinstance(layout, Reply):
            if field.name not in _REPORTED:
                yield Finding(
                    f"{where}.name", f"something that a drive reports ({_or(_REPORTED)})", field.name
                )
            continue
        command = where.split(".")[1]
        known = _CARRIES.get(command, frozenset())
        if field.name not in known:
            expected = f"{_or(known)}, which {command} may carry" if known else f"no field in {command}"
            yield Finding(f"{where}.name", expected, field.name)


# One frame


def _lies_within(drive: DriveFile) -> Iterator[Finding]:
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


def _wire_fits(drive: DriveFile) -> Iterator[Finding]:
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
                yield from _fits_in(drive, f"{where}.id", layout.id, _SAMPLES_MAX_ID[can.id_bits])
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
            yield Finding("wire.header", "each part once", _or(serial.header))
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


# The whole


def _names_are_known(drive: DriveFile) -> Iterator[Finding]:
    names = [reply.name for reply in drive.replies]
    for place, name in enumerate(names):
        if name in names[:place]:
            yield Finding(f"replies.{place}.name", "a name of its own", name)
    for command, frames in drive.commands.all():
        for place, frame in enumerate(frames):
            for answer in frame.answers:
                if answer not in names:
                    yield Finding(
                        f"commands.{command}.{place}.answers", f"names of replies ({_or(names)})", answer
                    )
    if drive.position.wrap_counts is not None and any(
        field.is_float for _, layout, field in fields(drive) if field.name == "position"
    ):
        yield Finding("position.wrap_counts", "nothing, as the position is an f32", "a value")


def _commands_are_whole(drive: DriveFile) -> Iterator[Finding]:
    commands = drive.commands
    for command, name in _NEEDED.items():
        frames = commands.frames(command)  # type: ignore[arg-type]
        count = sum(frame.field(name) is not None for frame in frames)
        if frames and count != 1:
            yield Finding(f"commands.{command}", f"a field {name} in one of its frames", f"{count} of them")
    if commands.outputs and any(frame.field("outputs") for frame in commands.velocity):
        yield Finding("commands.outputs", "nothing, as velocity carries the outputs", "a command")
    for place, frame in enumerate(commands.stop_all):
        here = f"commands.stop_all.{place}"
        if frame.answers:
            yield Finding(f"{here}.answers", "no answer to what goes to everybody", _or(frame.answers))
        serial = drive.serial
        to = frame.id or frame.address or (serial.address if serial is not None else None)
        in_address = serial is None or "address" in serial.header
        if to is not None and in_address and to.node == "added":
            part = "id" if drive.can is not None else "address"
            yield Finding(f"{here}.{part}.node", '"none": it goes to every node', '"added"')
    for command, name in _BROUGHT.items():
        frames = commands.frames(command)  # type: ignore[arg-type]
        brings = any(
            drive.reply(answer).field(name) is not None for frame in frames for answer in frame.answers
        )
        if frames and not brings:
            yield Finding(f"commands.{command}", f"an answer with a field {name}", "none")
        if not frames and command != "read_timeout":
            if any(reply.cyclic_ms and reply.field(name) for reply in drive.replies):
                continue
            expected = f"a command that asks for the {name} (or a reply with cyclic_ms that has it)"
            yield Finding(f"commands.{command}", expected, "nothing")
    is_set = isinstance(drive.timeout, SetTimeout)
    if is_set and not commands.set_timeout:
        yield Finding("commands.set_timeout", 'a command, as timeout.kind is "set"', "nothing")
    if is_set and not commands.read_timeout:
        yield Finding("commands.read_timeout", "a command that reads back what was set", "nothing")
    if commands.set_timeout and not is_set:
        got = "nothing" if drive.timeout is None else f'kind "{drive.timeout.kind}"'
        yield Finding("timeout", 'kind "set", as there is commands.set_timeout', got)


def _meaning_fits(drive: DriveFile) -> Iterator[Finding]:
    wide = [field.bits_wide for _, layout, field in fields(drive) if field.name == "status"]
    if len(set(wide)) > 1:
        yield Finding("replies", "status words of one width", _or([f"{one} bits" for one in wide]))
    most = (1 << max(wide)) - 1 if wide else 0
    patterns = drive.status.states
    for place, one in enumerate(patterns):
        here = f"status.states.{place}"
        if one.mask & ~most:
            yield Finding(f"{here}.mask", f"bits of the status word (up to {most:X}h)", f"{one.mask:X}h")
        if one.value & ~one.mask:
            yield Finding(f"{here}.value", f"bits of its mask ({one.mask:X}h)", f"{one.value:X}h")
        for before in patterns[:place]:
            if before.mask & ~one.mask == 0 and one.value & before.mask == before.value:
                yield Finding(
                    f"{here}.value",
                    f"a word that does not fit {before.state} ({before.mask:X}h: {before.value:X}h) as well",
                    f"{one.mask:X}h: {one.value:X}h, which is never reached",
                )
                break
    states = {one.state for one in patterns}
    for state in ("operation enabled", "fault"):
        if state not in states:
            yield Finding("status.states", f'a pattern for "{state}"', "none")
    if not states & {"switch on disabled", "ready to switch on"}:
        yield Finding("status.states", 'a pattern for "switch on disabled": without motor power', "none")
    if drive.status.power_mask & ~most:
        yield Finding(
            "status.power_mask", f"bits of the status word (up to {most:X}h)", f"{drive.status.power_mask:X}h"
        )
    inputs = [field.bits_wide for _, _, field in fields(drive) if field.name == "inputs"]
    for name in ("negative_limit", "positive_limit", "home"):
        switch = getattr(drive.switches, name)
        if switch is None:
            continue
        widths = inputs if switch.word == "inputs" else wide
        if not widths:
            yield Finding(f"switches.{name}.word", f"a field {switch.word} in a reply", "none")
        elif switch.bit >= max(widths):
            yield Finding(
                f"switches.{name}.bit",
                f"a bit of the {switch.word} (0 to {max(widths) - 1})",
                f"{switch.bit}",
            )
    if any(width > 16 for width in inputs):
        yield Finding("replies", "inputs of at most 16 bits", f"{max(inputs)} bits")
    codes = [one.code for one in drive.faults]
    for place, code in enumerate(codes):
        if code in codes[:place]:
            yield Finding(f"faults.{place}.code", "a code of its own", f"{code}")


def _identifiers_are_apart(drive: DriveFile) -> Iterator[Finding]:
    """No two of a drive's frames, and no two nodes', may share an identifier that somebody answers to or waits for."""
    if drive.can is None:
        return
    sent: dict[int, str] = {}
    for where, layout in layouts(drive):
        assert layout.id is not None
        if isinstance(layout, Reply):
            continue
        for node in _nodes(drive, layout.id):
            sent.setdefault(layout.id.of(node), where)
    answered: dict[int, tuple[str, int]] = {}
    for where, layout in layouts(drive):
        assert layout.id is not None
        if not isinstance(layout, Reply):
            continue
        if layout.id.node == "none" and drive.node_max > drive.node_min:
            yield Finding(f"{where}.id.node", '"added": a reply must tell which drive it is of', '"none"')
            continue
        for node in _nodes(drive, layout.id):
            can_id = layout.id.of(node)
            if can_id in sent:
                yield Finding(
                    f"{where}.id.base",
                    "an identifier that we do not send",
                    f"{can_id:X}h (node {node}; sent by {_named(sent[can_id])})",
                )
                break
            other = answered.setdefault(can_id, (where, node))
            if other[1] != node:
                yield Finding(
                    f"{where}.id.base",
                    "identifiers apart for every node",
                    f"{can_id:X}h for node {node} and for node {other[1]}",
                )
                break


def _nodes(drive: DriveFile, identifier: Identifier) -> range:
    return range(drive.node_min, drive.node_max + 1 if identifier.node == "added" else drive.node_min + 1)


def _replies_are_apart(drive: DriveFile) -> Iterator[Finding]:
    codec = DriveCodec(drive, drive.node_min)
    serial = drive.serial
    has_length = serial is not None and "length" in serial.header
    for place, one in enumerate(drive.replies):
        mine = codec.replies[one.name]
        for other in drive.replies[:place]:
            theirs = codec.replies[other.name]
            if mine.can_id != theirs.can_id:
                continue
            differ = any(at in theirs.fixed and theirs.fixed[at] != value for at, value in mine.fixed.items())
            if differ or (mine.length != theirs.length and (serial is None or has_length)):
                continue
            how = "another identifier, length or constant byte" if serial is None else (
                "another constant byte, or another length where the header has one"
            )  # fmt: skip
            yield Finding(f"replies.{place}", f"{how} than {other.name} has", "none")


def _numbers_are_exact(drive: DriveFile) -> Iterator[Finding]:
    for where, layout, field in fields(drive):
        if field.name == "velocity":
            yield from _velocity_is_exact(drive, where, layout, field)
        elif field.name == "position":
            yield from _position_is_exact(drive, where, field)
        elif field.name in ("timeout", "current") and not field.is_float:
            factor, add = scale.fractions_of(drive, field)
            if field.name == "timeout" and (factor.denominator, add.denominator) != (1, 1):
                yield Finding(f"{where}.scale", "whole milliseconds", f"{factor}, offset {add}")
        elif field.name == "timeout":
            yield Finding(f"{where}.type", "a whole number for timeout", field.type)


def _velocity_is_exact(drive: DriveFile, where: str, layout: Layout, field: DataField) -> Iterator[Finding]:
    if isinstance(layout, Reply):
        return
    factor, add = scale.fractions_of(drive, field)
    if not field.is_float:
        if add.denominator != 1:
            yield Finding(
                f"{where}.offset",
                f"a whole number of steps of {float(field.scale_exact):g}",
                f"{field.offset:g}",
            )
        return
    for name in ("step", "min", "max"):
        if getattr(field, name) is None:
            yield Finding(f"{where}.{name}", "a number, as an f32 alone has no steps and no end", "nothing")
    if field.step is None or field.min is None or field.max is None:
        return
    largest = max(abs(field.min), abs(field.max)) + abs(field.offset)
    most = scale.told_apart_to(factor) * float(field.scale_exact)
    if largest >= most:
        yield Finding(
            f"{where}.step",
            f"a step that an f32 tells apart up to {largest:g} {field.unit}",
            f"{field.step:g}, told apart below {most:g}",
        )


def _position_is_exact(drive: DriveFile, where: str, field: DataField) -> Iterator[Finding]:
    factor, add = scale.fractions_of(drive, field)
    turn = drive.position.counts_per_turn
    if not field.is_float:
        if factor.denominator != 1:
            yield Finding(
                f"{where}.scale",
                "steps of whole counts",
                f"{float(factor):g} counts a step at position.counts_per_turn = {turn}"
                + _better(turn, factor, field),
            )
        elif add.denominator != 1:
            yield Finding(f"{where}.offset", "whole counts", f"{float(add):g} counts")
        return
    travel = drive.position.travel_turns
    if travel is None:
        yield Finding(
            "position.travel_turns",
            "a number, as the position is an f32 and holds only so many counts",
            "nothing",
        )
        return
    reach = Fraction(str(travel)) * turn / factor + abs(field.offset_exact / field.scale_exact)
    most = scale.told_apart_to(factor)
    if reach >= most:
        holds = most * float(factor) / turn
        yield Finding(
            f"{where}.type",
            f"a number that tells every count apart over {travel:g} turns either way",
            f"f32, which does so to {holds:.6g} turns at position.counts_per_turn = {turn}",
        )


def _better(turn: int, factor: Fraction, field: DataField) -> str:
    """The nearest count a turn that makes steps whole, where the unit is an angle."""
    if field.unit == "counts":
        return ""
    steps = Fraction(turn) / factor
    return f" (one turn is {steps} steps)" if steps.denominator == 1 else ""


def _limits_fit(drive: DriveFile) -> Iterator[Finding]:
    for where, layout, field in fields(drive):
        if isinstance(layout, Reply) or field.is_float or field.name in _CODES:
            continue
        low, high = field.raw_range
        least, largest = (number * field.scale_exact + field.offset_exact for number in (low, high))
        for name in ("min", "max"):
            value = getattr(field, name)
            if value is not None and not least <= Fraction(str(value)) <= largest:
                yield Finding(
                    f"{where}.{name}",
                    f"what the field holds ({float(least):g} to {float(largest):g})",
                    f"{value:g}",
                )
    low, high = scale.limits(drive, scale.commanded_velocity(drive))
    if not low < 0 < high:
        yield Finding("commands.velocity", "velocities in both directions", f"{low} to {high} units")


def _samples_hold(drive: DriveFile) -> Iterator[Finding]:
    from drivers.described.samples import judged

    for place, sample in enumerate(drive.samples):
        for where, expected, got in judged(drive, sample):
            here = f"samples.{place}"
            yield Finding(f"{here}.{where}" if where else here, expected, got)


def _fixed_timeout_fits(drive: DriveFile) -> Iterator[Finding]:
    if isinstance(drive.timeout, FixedTimeout) and drive.commands.read_timeout:
        yield Finding("commands.read_timeout", 'nothing, as timeout.kind is "fixed"', "a command")


def _or(names: object) -> str:
    assert isinstance(names, list | tuple | frozenset | range)
    return ", ".join(sorted(names) if isinstance(names, frozenset) else [str(one) for one in names])


def _either(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def _named(where: str) -> str:
    return ".".join(where.split(".")[:2]) if where.startswith("commands.") else where


Rule = Callable[[DriveFile], Iterator[Finding]]

_STAGES: tuple[tuple[Rule, ...], ...] = (
    (_type_fits, _wire_fits),
    (_unit_fits, _name_fits, _lies_within, _names_are_known),
    (_commands_are_whole, _meaning_fits, _fixed_timeout_fits),
    (_numbers_are_exact, _identifiers_are_apart),
    (_limits_fit, _replies_are_apart),
    (_samples_hold,),
)

assert set(get_args(CommandName)) >= {*_NEEDED, *_BROUGHT, *_CARRIES}
assert "operation enabled" in get_args(StateName)
