"""The trial of a drive file: every command made and taken apart again, every sample, both ways over a wire of its own.

Owns what is tried and what counts as good; the commands' bytes are made by the compiled codec and read by
``drivers.described.driveside`` bit by bit, the replies the other way round. The wires are in this process (bytes in
pieces of any size; python-can's ``virtual``) or a pseudo-terminal. Nothing of the user's is opened.
"""

from __future__ import annotations

import os
import random
import select
import tty
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from drivers.described.cautions import Caution, cautions
from drivers.described.codec import SERIAL, Decoded, DriveCodec, OutFrame
from drivers.described.driveside import DriveSide
from drivers.described.format import CommandName, DataField, DriveFile, Layout, Sample
from drivers.described.receiver import CanReceiver, SerialReceiver
from drivers.described.samples import (
    decoded_back,
    judged,
    number_of,
    ours_of,
    parsed,
    payload,
    picked,
    shown,
    value_of,
)
from drivers.described.scale import fractions_of, limits, velocity_unit_counts_s

ROUNDS = 100
"""Exchanges in each loopback."""
WAIT_S = 5.0
"""For bytes that are on their way inside this computer; only a loopback that is broken waits so long."""


@dataclass(frozen=True, slots=True)
class TriedFrame:
    """One frame of a command: values as asked in the file's units, bytes in hex, values read back."""

    command: CommandName
    place: int
    count: int
    node: int
    values: dict[str, float]
    units: dict[str, str]
    text: str
    back: dict[str, float]
    answers: tuple[str, ...]
    trouble: str

    @property
    def ok(self) -> bool:
        """Whether what was read back is what was asked."""
        return not self.trouble


@dataclass(frozen=True, slots=True)
class TriedSample:
    """One sample of the file; ``trouble`` is empty when it holds."""

    place: int
    what: str
    node: int
    frames: tuple[str, ...]
    says: str
    trouble: str

    @property
    def ok(self) -> bool:
        """Whether the file makes of it what the manual shows."""
        return not self.trouble


@dataclass(frozen=True, slots=True)
class Loopback:
    """Exchanges over a wire of our own: ``garbage`` counts bytes or frames put in between that were no replies."""

    wire: str
    exchanges: int
    pieces: int
    garbage: int
    trouble: str

    @property
    def ok(self) -> bool:
        """Whether everything came through and nothing else did."""
        return not self.trouble


@dataclass(frozen=True, slots=True)
class Trial:
    """All of a trial."""

    drive: DriveFile
    frames: tuple[TriedFrame, ...]
    samples: tuple[TriedSample, ...]
    loopbacks: tuple[Loopback, ...]
    cautions: tuple[Caution, ...]

    @property
    def ok(self) -> bool:
        """Whether all holds; cautions are no failure."""
        return (
            all(one.ok for one in self.frames)
            and all(one.ok for one in self.samples)
            and all(one.ok for one in self.loopbacks)
        )


def tried(drive: DriveFile, seed: int = 1, rounds: int = ROUNDS) -> Trial:
    """Try a drive file, with so many exchanges on each wire. The same seed tries the same values."""
    chance = random.Random(seed)  # noqa: S311 - values to be tried, not secrets
    return Trial(
        drive,
        tuple(_frames(drive)),
        tuple(_sample(drive, place, one) for place, one in enumerate(drive.samples)),
        tuple(_loopbacks(drive, chance, rounds)),
        tuple(cautions(drive)),
    )


# Commands


def _frames(drive: DriveFile) -> Iterator[TriedFrame]:
    for command, _ in drive.commands.all():
        for node, values in _cases(drive, command):
            yield from _command(drive, command, node, values)


def _cases(drive: DriveFile, command: CommandName) -> list[tuple[int, dict[str, float]]]:
    """The values that the file's samples show, else some of our own."""
    found = [
        (one.node, {key: value for key, value in one.values.items() if not isinstance(value, str)})
        for one in drive.samples
        if one.command == command
    ]
    if found:
        return found
    fields = [field for frame in drive.commands.frames(command) for field in frame.fields]
    if not fields:
        return [(drive.node_min, {})]
    ways = (1, -1) if any(field.name == "velocity" for field in fields) else (1,)
    return [(drive.node_min, {field.name: _value(drive, field, way) for field in fields}) for way in ways]


def _value(drive: DriveFile, field: DataField, way: int) -> float:
    """A turn a second, a turn, a tenth of a second, one; as near as the field has it."""
    factor, add = fractions_of(drive, field)
    turn = drive.position.counts_per_turn
    wanted = {
        "velocity": Fraction(way * turn) / velocity_unit_counts_s(drive),
        "position": Fraction(turn),
        "timeout": Fraction(100),
    }.get(field.name, Fraction(1))
    low, high = limits(drive, field)
    ours = min(max(round(wanted), low), high)
    number = (ours - add) / factor
    if not field.is_float:
        number = Fraction(round(number))
    return float(number * field.scale_exact + field.offset_exact)


def _command(
    drive: DriveFile, command: CommandName, node: int, values: dict[str, float]
) -> Iterator[TriedFrame]:
    layouts = drive.commands.frames(command)
    fields = {field.name: field for frame in layouts for field in frame.fields}
    trouble, made = "", tuple[OutFrame, ...]()
    try:
        ours = {
            name: ours_of(drive, fields[name], number_of(fields[name], value))  # type: ignore[index]
            for name, value in values.items()
        }
        made = DriveCodec(drive, node).encode(command, **ours)
    except ValueError as error:
        trouble = str(error)
    side = DriveSide(drive, node)
    for place, layout in enumerate(layouts):
        asked: dict[str, float] = {
            field.name: values.get(field.name, 0.0) for field in layout.fields
        }  # outputs not given are 0
        if place >= len(made):
            yield TriedFrame(command, place, len(layouts), node, {}, {}, "", {}, layout.answers, trouble)
            continue
        frame = made[place]
        back = decoded_back(drive, layout, frame)
        heard = side.taken_for(layout, frame.can_id, frame.data)
        wrong = trouble
        if heard is None:
            wrong = "the drive's side does not take it for this command"
        else:
            for name, value in asked.items():
                if abs(back[name] - value) > _slack(fields[name], value):  # type: ignore[index]
                    wrong = f"{name}: expected {value:g}, got {back[name]:g}"
        yield TriedFrame(
            command, place, len(layouts), node, dict(asked), {one.name: one.unit for one in layout.fields},
            shown(frame.can_id, frame.data), back, layout.answers, wrong,
        )  # fmt: skip


def _slack(field: DataField, value: float) -> float:
    """What an f32 may round away."""
    return abs(value) * 2.0**-24 if field.is_float else 0.0


def _sample(drive: DriveFile, place: int, sample: Sample) -> TriedSample:
    troubles = [f"{where}: expected {expected}, got {got}" for where, expected, got in judged(drive, sample)]
    what = sample.command or f"reply {sample.reply}"
    return TriedSample(place, what, sample.node, sample.frames, _says(drive, sample), "; ".join(troubles))


def _says(drive: DriveFile, sample: Sample) -> str:
    """What the bytes of a sample say, all of it, in the file's units and words."""
    if sample.command is not None:
        layouts: list[Layout] = list(drive.commands.frames(sample.command))
    else:
        layouts = [drive.reply(sample.reply or "")]
    parts = []
    for layout, text in zip(layouts, sample.frames, strict=False):
        body = payload(drive, layout, parsed(drive, text)[1])
        for field in layout.fields:
            number = picked(drive, field, body)
            parts.append(f"{field.name} {said(field, number)}")
            if field.name == "status":
                parts[-1] += f" ({', '.join(_of_status(drive, int(number)))})"
            if field.name == "fault" and (words := drive.fault_text(int(number))):
                parts[-1] += f" ({words})"
    return ", ".join(parts)


def _of_status(drive: DriveFile, status: int) -> list[str]:
    codec = DriveCodec(drive, drive.node_min)
    return [codec.state(status).value, *(one.text for one in drive.status.bits if status >> one.bit & 1)]


def said(field: DataField, number: float) -> str:
    """A number of a frame in the field's unit, or as bits."""
    if field.name in ("status", "inputs", "outputs", "fault"):
        return f"{int(number):X}h"
    value = value_of(field, number)
    return f"{value:.10g} {field.unit.replace('_s', '/s')}"


# Loopbacks


def _loopbacks(drive: DriveFile, chance: random.Random, rounds: int) -> Iterator[Loopback]:
    ends = _Ends(drive, chance, rounds)
    if drive.serial is None:
        yield _over_virtual_bus(ends)
    else:
        yield _over_pieces(ends)
        yield _over_terminal(ends)


@dataclass(frozen=True, slots=True)
class _Exchange:
    """One command and one reply with values of any kind, and what must come out at either end."""

    node: int
    command: CommandName
    frames: tuple[OutFrame, ...]
    values: dict[str, int]
    reply: tuple[int, bytes]
    expected: Decoded


class _Ends:
    """Our end and the drives' of a wire: the first and the last node, where it carries two."""

    def __init__(self, drive: DriveFile, chance: random.Random, rounds: int) -> None:
        self.drive, self.chance, self.rounds = drive, chance, rounds
        nodes = [drive.node_min]
        if drive.node_max > drive.node_min and (drive.serial is None or "address" in drive.serial.header):
            nodes.append(drive.node_max)
        self.codecs = {node: DriveCodec(drive, node) for node in nodes}
        self.sides = {node: DriveSide(drive, node) for node in nodes}
        self.commands = list(drive.commands.all())
        self.expected: list[Decoded] = []
        self.got: list[Decoded] = []
        self.trouble = ""

    def exchange(self) -> _Exchange:
        """Any command and any reply of any node; the reply is expected from then on."""
        drive, chance = self.drive, self.chance
        node = chance.choice(list(self.codecs))
        command, layouts = chance.choice(self.commands)
        values: dict[str, int] = {
            field.name: _any_of_ours(drive, field, chance) for frame in layouts for field in frame.fields
        }
        reply = chance.choice(drive.replies)
        numbers: dict[str, int | float] = {field.name: _any_number(field, chance) for field in reply.fields}
        ours = {field.name: ours_of(drive, field, numbers[field.name]) for field in reply.fields}
        expected = Decoded(reply.name, node, **ours)
        self.expected.append(expected)
        return _Exchange(
            node,
            command,
            self.codecs[node].encode(command, **values),
            values,
            self.sides[node].reply_of_numbers(reply.name, numbers),
            expected,
        )

    def hear(self, one: _Exchange, frames: list[tuple[int, bytes]]) -> None:
        """The drive's end takes the frames of a command as they came, and must find its values."""
        found: dict[str, int] = {}
        layouts = self.drive.commands.frames(one.command)
        for layout, (can_id, data) in zip(layouts, frames, strict=True):
            values = self.sides[one.node].taken_for(layout, can_id, data)
            if values is None:
                self._wrong(f"{one.command}: {shown(can_id, data)} is not taken for it")
                return
            found |= values
        if found != one.values:
            self._wrong(f"{one.command}: expected {one.values}, got {found}")

    def judged(self, wire: str, pieces: int, garbage: int) -> Loopback:
        """What came of it."""
        return Loopback(
            wire, self.rounds, pieces, garbage, self.trouble or _difference(self.expected, self.got)
        )

    def _wrong(self, text: str) -> None:
        self.trouble = self.trouble or text


def _any_of_ours(drive: DriveFile, field: DataField, chance: random.Random) -> int:
    """A value that may be commanded: the ends now and then."""
    low, high = limits(drive, field)
    factor, add = fractions_of(drive, field)
    ours = chance.choice((low, high, chance.randint(low, high), chance.randint(low, high)))
    if field.is_float:
        return ours
    step = int(factor)
    at = ours - (ours - int(add)) % step
    return at if at >= low else at + step


def _any_number(field: DataField, chance: random.Random) -> int | float:
    if field.is_float:
        return float(chance.randint(-(1 << 20), 1 << 20)) / chance.choice((1, 2, 64))
    low, high = field.raw_range
    return chance.choice((low, high, 0 if low <= 0 <= high else low, chance.randint(low, high)))


def _over_pieces(ends: _Ends) -> Loopback:
    """Replies in pieces of any size, with bytes of noise and silence between some of them."""
    chance, codecs = ends.chance, list(ends.codecs.values())
    receiver = SerialReceiver(codecs)
    pieces = garbage = 0
    stream = bytearray()

    def pour() -> None:
        nonlocal pieces
        while stream:
            size = chance.choice((1, 2, 3, 7, 64))
            ends.got.extend(receiver.feed(bytes(stream[:size])))
            del stream[:size]
            pieces += 1

    for _ in range(ends.rounds):
        one = ends.exchange()
        ends.hear(one, [(frame.can_id, frame.data) for frame in one.frames])
        stream += one.reply[1]
        if chance.random() < 0.3:
            pour()
            ends.got.extend(receiver.silence())
            noise = _noise(codecs, chance)
            garbage += len(noise)
            ends.got.extend(receiver.feed(noise))
            ends.got.extend(receiver.silence())
    pour()
    return ends.judged("bytes in pieces, noise between", pieces, garbage)


def _noise(codecs: list[DriveCodec], chance: random.Random) -> bytes:
    """Bytes that are no frame; often they begin like one."""
    some = chance.choice([reply for codec in codecs for reply in codec.replies.values()])
    while True:
        like = bytes(some.fixed.get(at, 0) for at in range(chance.randint(0, some.length)))
        noise = like + bytes(chance.randrange(256) for _ in range(chance.randint(1, 4)))
        judge = SerialReceiver(codecs)
        # Where there is no checksum, or a short one, noise may be a frame by chance; such noise proves nothing.
        if not judge.feed(noise) and not judge.silence():
            return noise


def _over_terminal(before: _Ends) -> Loopback:
    """Both ways over a pseudo-terminal, as over a serial port."""
    ends, wire = _Ends(before.drive, before.chance, before.rounds), "pseudo-terminal"
    try:
        ours, theirs = os.openpty()
    except OSError as error:
        return Loopback(wire, 0, 0, 0, f"no pseudo-terminal: {error.strerror}")
    try:
        tty.setraw(theirs)
        tty.setraw(ours)
        receiver = SerialReceiver(list(ends.codecs.values()))
        pieces = 0
        for _ in range(ends.rounds):
            one = ends.exchange()
            came = []
            for frame in one.frames:
                os.write(ours, frame.data)
                came.append((SERIAL, _read(theirs, len(frame.data))))
            ends.hear(one, came)
            os.write(theirs, one.reply[1])
            left = len(one.reply[1])
            while left and (piece := _read(ours, min(left, ends.chance.randint(1, 9)))):
                left -= len(piece)
                pieces += 1
                ends.got.extend(receiver.feed(piece))
        return ends.judged(wire, pieces, 0)
    finally:
        os.close(ours)
        os.close(theirs)


def _read(descriptor: int, count: int) -> bytes:
    """So many bytes, or fewer when no more come."""
    data = b""
    while len(data) < count and select.select([descriptor], [], [], WAIT_S)[0]:
        data += os.read(descriptor, count - len(data))
    return data


def _over_virtual_bus(ends: _Ends) -> Loopback:
    """Both ways over python-can's bus within this process, with frames cut short between."""
    import can

    drive, chance = ends.drive, ends.chance
    is_long = drive.can is not None and drive.can.id_bits == 29
    channel = f"giornata-drive-try-{os.getpid()}-{chance.getrandbits(32)}"
    receiver, judge = (CanReceiver(list(ends.codecs.values())) for _ in range(2))
    strange = 0

    def message(can_id: int, data: bytes) -> can.Message:
        return can.Message(arbitration_id=can_id, data=data, is_extended_id=is_long)

    def received(bus: can.BusABC) -> tuple[int, bytes]:
        came = bus.recv(WAIT_S)
        if came is None or came.is_extended_id != is_long:
            return -1, b""
        return came.arbitration_id, bytes(came.data)

    def take(bus: can.BusABC) -> None:
        if (found := receiver.take(*received(bus))) is not None:
            ends.got.append(found)

    with (
        can.Bus(channel, "virtual", ignore_config=True) as ours,
        can.Bus(channel, "virtual", ignore_config=True) as theirs,
    ):
        for _ in range(ends.rounds):
            one = ends.exchange()
            came = []
            for frame in one.frames:
                ours.send(message(frame.can_id, frame.data))
                came.append(received(theirs))
            ends.hear(one, came)
            can_id, data = one.reply
            if data and chance.random() < 0.3 and judge.take(can_id, data[:-1]) is None:
                theirs.send(message(can_id, data[:-1]))
                strange += 1
                take(ours)
            theirs.send(message(can_id, data))
            take(ours)
    return ends.judged("python-can virtual", len(ends.got), strange)


def _difference(expected: list[Decoded], got: list[Decoded]) -> str:
    if expected == got:
        return ""
    for place, (one, other) in enumerate(zip(expected, got, strict=False)):
        if one != other:
            return f"reply {place + 1}: expected {_said(one)}, got {_said(other)}"
    return f"expected {len(expected)} replies, got {len(got)}"


def _said(one: Decoded) -> str:
    return ", ".join(f"{name} {value}" for name, value in one._asdict().items() if value is not None)
