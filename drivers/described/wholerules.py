"""Rules of a drive file that its frames break together. Pure: each gives what it finds.

Owns what commands, replies, states, numbers and samples must agree on, once each frame by itself holds.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from drivers.described import scale
from drivers.described.codec import DriveCodec
from drivers.described.format import (
    CommandName,
    DataField,
    DriveFile,
    Finding,
    FixedTimeout,
    Identifier,
    Layout,
    Reply,
    SetTimeout,
    fields,
    layouts,
)
from drivers.described.framerules import CODES, listed
from drivers.described.samples import judged

_NEEDED: dict[CommandName, str] = {
    "velocity": "velocity", "position": "position", "outputs": "outputs", "set_timeout": "timeout",
}  # fmt: skip
_BROUGHT: dict[CommandName, str] = {
    "read_position": "position",
    "read_status": "status",
    "read_timeout": "timeout",
}


def names_are_known(drive: DriveFile) -> Iterator[Finding]:
    """Replies are named once, and awaited by names that there are."""
    names = [reply.name for reply in drive.replies]
    for place, name in enumerate(names):
        if name in names[:place]:
            yield Finding(f"replies.{place}.name", "a name of its own", name)
    for command, frames in drive.commands.all():
        for place, frame in enumerate(frames):
            for answer in frame.answers:
                if answer not in names:
                    yield Finding(
                        f"commands.{command}.{place}.answers", f"names of replies ({listed(names)})", answer
                    )
    if drive.position.wrap_counts is not None and any(
        field.is_float for _, layout, field in fields(drive) if field.name == "position"
    ):
        yield Finding("position.wrap_counts", "nothing, as the position is an f32", "a value")


def commands_are_whole(drive: DriveFile) -> Iterator[Finding]:
    """Every command carries what it is for, and is answered with what it asks for."""
    commands = drive.commands
    for command, name in _NEEDED.items():
        frames = commands.frames(command)
        count = sum(frame.field(name) is not None for frame in frames)
        if frames and count != 1:
            yield Finding(f"commands.{command}", f"a field {name} in one of its frames", f"{count} of them")
    if commands.outputs and any(frame.field("outputs") for frame in commands.velocity):
        yield Finding("commands.outputs", "nothing, as velocity carries the outputs", "a command")
    for place, frame in enumerate(commands.stop_all):
        here = f"commands.stop_all.{place}"
        if frame.answers:
            yield Finding(f"{here}.answers", "no answer to what goes to everybody", listed(frame.answers))
        serial = drive.serial
        to = frame.id or frame.address or (serial.address if serial is not None else None)
        in_address = serial is None or "address" in serial.header
        if to is not None and in_address and to.node == "added":
            part = "id" if drive.can is not None else "address"
            yield Finding(f"{here}.{part}.node", '"none": it goes to every node', '"added"')
    for command, name in _BROUGHT.items():
        frames = commands.frames(command)
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
    for command in ("disable", "stop", "stop_all", "clear_fault"):
        if same_frames(drive, "enable", command):
            yield Finding(f"commands.{command}", "other frames than enable has", "the same")
    is_set = isinstance(drive.timeout, SetTimeout)
    if is_set and not commands.set_timeout:
        yield Finding("commands.set_timeout", 'a command, as timeout.kind is "set"', "nothing")
    if is_set and not commands.read_timeout:
        yield Finding("commands.read_timeout", "a command that reads back what was set", "nothing")
    if commands.set_timeout and not is_set:
        got = "nothing" if drive.timeout is None else f'kind "{drive.timeout.kind}"'
        yield Finding("timeout", 'kind "set", as there is commands.set_timeout', got)


def same_frames(drive: DriveFile, one: CommandName, other: CommandName) -> bool:
    """Whether two commands that the drive has are the same on the wire, whatever their values."""
    mine, theirs = drive.commands.frames(one), drive.commands.frames(other)
    return (
        bool(mine)
        and len(mine) == len(theirs)
        and all(
            (a.id, a.address, a.length, _bytes_of(a)) == (b.id, b.address, b.length, _bytes_of(b))
            and a.fields == b.fields
            for a, b in zip(mine, theirs, strict=True)
        )
    )


def _bytes_of(frame: Layout) -> bytes:
    """The constants of a frame between zeros."""
    body = bytearray(frame.length)
    for one in frame.constants:
        data = bytes.fromhex(one.hex)
        body[one.at : one.at + len(data)] = data
    return bytes(body)


def meaning_fits(drive: DriveFile) -> Iterator[Finding]:
    """States, bits and codes fit the words that they are read from."""
    wide = [field.bits_wide for _, layout, field in fields(drive) if field.name == "status"]
    if len(set(wide)) > 1:
        yield Finding("replies", "status words of one width", listed([f"{one} bits" for one in wide]))
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


def identifiers_are_apart(drive: DriveFile) -> Iterator[Finding]:
    """No identifier or address is two drives', everybody's and one's, or sent and answered."""
    wire = drive.serial
    if wire is not None and "address" not in wire.header:
        return
    part = "id" if wire is None else "address"
    sent: dict[int, tuple[str, int]] = {}
    answered: dict[int, tuple[str, int]] = {}
    for where, layout in layouts(drive):
        if where.startswith("commands.stop_all."):
            continue
        known, is_reply = _identifier(drive, layout), isinstance(layout, Reply)
        if known.node == "none" and drive.node_max > drive.node_min:
            why = "a reply must tell whose it is" if is_reply else "it goes to one drive"
            yield Finding(f"{where}.{part}.node", f'"added": {why}', '"none"')
            continue
        for node in _nodes(drive, known):
            value = known.of(node)
            # Somebody's who is there already: every frame comes by here before the next node's do.
            other = (answered if is_reply else sent).setdefault(value, (where, node))
            if other[1] != node:
                yield Finding(
                    f"{where}.{part}.base",
                    f"another {_PART[part]} for every node",
                    f"{value:X}h for node {node}, and for node {other[1]} in {_named(other[0])}",
                )
                break
            if wire is None and is_reply and value in sent:
                yield Finding(
                    f"{where}.id.base",
                    "an identifier that we do not send",
                    f"{value:X}h, which {_named(sent[value][0])} sends to node {sent[value][1]}",
                )
                break
    for place, frame in enumerate(drive.commands.stop_all):
        value = _identifier(drive, frame).of(drive.node_min)
        single = sent.get(value) or (answered.get(value) if wire is None else None)
        if single is not None:
            yield Finding(
                f"commands.stop_all.{place}.{part}.base",
                f"an {_PART[part]} that is no single drive's",
                f"{value:X}h, which is node {single[1]}'s in {_named(single[0])}",
            )


_PART = {"id": "identifier", "address": "address"}


def _identifier(drive: DriveFile, layout: Layout) -> Identifier:
    """The identifier or address of a frame."""
    wire = drive.serial
    if wire is None:
        assert layout.id is not None
        return layout.id
    if layout.address is not None:
        return layout.address
    return (wire.reply_address if isinstance(layout, Reply) else None) or wire.address


def _nodes(drive: DriveFile, identifier: Identifier) -> range:
    return range(drive.node_min, drive.node_max + 1 if identifier.node == "added" else drive.node_min + 1)


def replies_are_apart(drive: DriveFile) -> Iterator[Finding]:
    """A reply is told from every other by its identifier, its length or a constant."""
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


def numbers_are_exact(drive: DriveFile) -> Iterator[Finding]:
    """Counts and velocity units are whole numbers both ways."""
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


def limits_fit(drive: DriveFile) -> Iterator[Finding]:
    """Limits lie within what the field holds, velocities go both ways."""
    for where, layout, field in fields(drive):
        if isinstance(layout, Reply) or field.is_float or field.name in CODES:
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
    yield from _zero_can_be_set(drive)
    low, high = scale.limits(drive, scale.commanded_velocity(drive))
    if not low < 0 < high:
        yield Finding("commands.velocity", "velocities in both directions", f"{low} to {high} units")


def positions_agree(drive: DriveFile) -> Iterator[Finding]:
    """One counter: it begins anew after as many counts in every reply that has it."""
    wrap = drive.position.wrap_counts
    first: tuple[int, str] | None = None
    for where, layout, field in fields(drive):
        if not isinstance(layout, Reply) or field.name != "position":
            continue
        span = 0 if field.is_float else int(scale.fractions_of(drive, field)[0] * (1 << field.bits_wide))
        if wrap is not None and wrap > span:
            yield Finding(
                "position.wrap_counts", f"at most the {span} counts of reply {layout.name}", f"{wrap}"
            )
        if wrap is None and first is not None and span != first[0]:
            yield Finding(f"{where}.type", f"{_held(first[0])}, as in reply {first[1]}", _held(span))
        first = first or (span, layout.name)


def _held(span: int) -> str:
    return f"a counter of {span} counts" if span else "a counter without end"


def _zero_can_be_set(drive: DriveFile) -> Iterator[Finding]:
    """A time-out that 0 switches off can be set to 0: so it is set before drives are enabled and after."""
    if not isinstance(drive.timeout, SetTimeout) or not drive.timeout.zero_is_off:
        return
    for where, layout, field in fields(drive):
        if isinstance(layout, Reply) or field.name != "timeout":
            continue
        low, high = scale.limits(drive, field)
        factor, add = scale.fractions_of(drive, field)
        if not low <= 0 <= high or (add / factor).denominator != 1:
            got = f"{low} to {high} ms in steps of {float(factor):g}"
            yield Finding(f"{where}.min", "0 among what can be set, as timeout.zero_is_off is true", got)


def samples_hold(drive: DriveFile) -> Iterator[Finding]:
    """Every sample is what the file makes of it."""
    for place, sample in enumerate(drive.samples):
        for where, expected, got in judged(drive, sample):
            here = f"samples.{place}"
            yield Finding(f"{here}.{where}" if where else here, expected, got)


def fixed_timeout_fits(drive: DriveFile) -> Iterator[Finding]:
    """A time that is the drive's own is not asked for."""
    if isinstance(drive.timeout, FixedTimeout) and drive.commands.read_timeout:
        yield Finding("commands.read_timeout", 'nothing, as timeout.kind is "fixed"', "a command")


def _named(where: str) -> str:
    return ".".join(where.split(".")[:2])
