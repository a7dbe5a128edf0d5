"""Every decoder of the hardware layer and of the guard under frames that may come, each beside its judge.

A trial hands a decoder some frames and compares what it made of them with ``tests.fuzz.framesjudge``. Knows no groups.
"""

from __future__ import annotations

import json
import random
import re
import struct
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict
from functools import cache

from drivers.can import emcy, health
from drivers.can.link import Frame
from drivers.can.mirror import GroupMirror
from drivers.can.sdo import ObjectAccess
from drivers.can.setup import FAULT_CODE, MODE, MODE_DISPLAY, Entry
from drivers.can.slcan import LINE_BYTES_MAX, ChunkParser
from drivers.clock import VirtualClock
from drivers.described.codec import DriveCodec
from drivers.described.linegroup import Request
from drivers.described.receiver import CanReceiver, SerialReceiver
from drivers.errors import FaultError, LinkError
from drivers.interface import DriveState
from drivers.line.master import AnswerError
from drivers.modbus import frames as modbus
from drivers.registry import stop_plan
from drivers.settings import GroupSettings
from drivers.tracefile import HEAD_BYTES, MAGIC, SERIAL, SLOT, SLOT_BYTES, Piece, TraceError, parse_trace
from drivers.tracewords import KINDS, Decoder
from safety import frames as guardframes
from safety import rtu
from safety.bus import CAN_FRAME
from safety.bus import BusHealth as GuardsBusHealth
from safety.settings import StandstillAxis
from safety.standstill import Standstill
from safety.wire import PositionReader
from tests.fakes.described_settings import can_settings, drive_file, serial_settings
from tests.fakes.drive_settings import group_settings
from tests.fakes.modbus_settings import modbus_settings
from tests.fuzz import framesjudge as judge
from tests.fuzz import framesmade as made

Counts = Counter[str]


class FindingError(AssertionError):
    """A decoder and its judge do not agree, or something that may not happen has happened."""


def need(holds: bool, *words: object) -> None:
    """Raise FindingError where something does not hold."""
    if not holds:
        raise FindingError(
            " ".join(f"{word!r:.300}" if not isinstance(word, str) else word for word in words)
        )


def adapter_lines(chance: random.Random, count: int) -> Counts:
    """The serial CAN adapter's text: in any pieces the same frames, those that the judge sees, and little kept."""
    text = made.adapter_text(chance.choice(("can", "described-can")), chance, count)
    wanted = judge.adapter_frames(text)
    parser, came = ChunkParser(), []
    for piece in made.cut_up(text, chance):
        came += parser.feed(piece, 7)
        need(parser.held_bytes < LINE_BYTES_MAX, "held", parser.held_bytes)
    need([(can_id, data) for can_id, data, _ in came] == wanted, "frames", text, "came to", came)
    need([one[:2] for one in ChunkParser().feed(text)] == wanted, "in one piece", text)
    return Counter(taken=len(wanted), dropped=count - len(wanted))


def can_mirror(chance: random.Random, count: int) -> Counts:
    """Process data, emergencies and heartbeats: enabled exactly when the judge says so, after every frame."""
    mirror = GroupMirror(made.NODES, lambda *_: None)
    truths = [judge.CanTruth(node) for node in made.NODES]
    if chance.random() < 0.8:
        mirror.trust_all(1)
        for truth in truths:
            truth.trust()
    counts: Counts = Counter()
    for can_id, data in made.can_burst("can", chance, count):
        mirror.take((Frame(can_id, data, 5),))
        for truth, axis in zip(truths, mirror.feedback.axes, strict=True):
            truth.hear(can_id, data)
            is_enabled = axis.state is DriveState.OPERATION_ENABLED
            need(is_enabled == truth.healthy, "enabled", is_enabled, "by", hex(can_id), data)
            counts["enabled" if is_enabled else "not enabled"] += 1
    return counts


def emergencies(chance: random.Random, count: int) -> Counts:
    """Emergency messages: words for eight bytes, ValueError for any other length."""
    counts: Counts = Counter()
    for _ in range(count):
        data = made.can_frame("can", chance)[1]
        try:
            text = str(emcy.decode(data))
        except ValueError:
            need(len(data) != 8, "refused", data)
            counts["refused"] += 1
        else:
            need(len(data) == 8 and text.isprintable(), "words", data, text)
            counts["taken"] += 1
    return counts


class _Rain:
    """A link on which nobody hears and whose frames are made up; each look brings the next few."""

    garbled = 0

    def __init__(self, frames: list[made.CanFrame]) -> None:
        self.frames = frames

    def send_frames(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """Nobody hears."""

    def receive(self) -> list[Frame]:
        """The next frames."""
        came, self.frames = self.frames[:4], self.frames[4:]
        return [Frame(*one, 1) for one in came]

    def close(self) -> None:
        """Nothing to close."""


_ENTRIES: tuple[Entry, ...] = (MODE, MODE_DISPLAY, FAULT_CODE)


def _near_answer(entry: Entry, chance: random.Random) -> made.CanFrame:
    command = chance.choice((0x43, 0x47, 0x4B, 0x4F, 0x42, 0x41, 0x40, 0x60, 0x80, 0x61))
    data = struct.pack("<BHB", command, entry.index, entry.subindex) + chance.choice(
        (bytes(4), chance.randbytes(4))
    )
    return 0x581, data


def object_answers(chance: random.Random, count: int) -> Counts:
    """Answers of SDO servers: a value only when an answer names the object, else one of our own errors."""
    entry = chance.choice(_ENTRIES)
    rain = made.can_burst("can", chance, count)
    for at in range(0, count, 7):
        rain[at] = _near_answer(entry, chance)
    clock, is_read = VirtualClock(), chance.random() < 0.6
    access = ObjectAccess(_Rain(list(rain)), clock, {1: "axis x (node 1)"}, 0.01)
    # Initiate answers of CiA 301: 010xxxxxb to uploads, 60h to downloads.
    kinds = (2,) if is_read else (3,)
    fits = [
        data
        for can_id, data in rain
        if can_id == 0x581 and len(data) == 8
        and data[0] >> 5 in kinds and data[1:4] == struct.pack("<HB", entry.index, entry.subindex)
    ]  # fmt: skip
    try:
        if is_read:
            value = access.read(1, entry)
            need(isinstance(value, int), "value", value)
        else:
            access.write(1, entry, 3)
    except (FaultError, LinkError) as error:
        need(str(error).isprintable(), "words", str(error))
        return Counter(refused=count)
    need(bool(fits), "took an answer that nobody gave", rain)
    return Counter(taken=1, passed=count - 1)


def modbus_answers(chance: random.Random, count: int) -> Counts:
    """Answers on a Modbus line: registers only for a whole answer to that very request."""
    counts: Counts = Counter()
    for _ in range(count):
        unit = chance.choice((1, 2))
        request = chance.choice(
            (
                modbus.read(unit, 0x1000, chance.choice((1, 7))),
                modbus.read_write(unit, 0x1000, 7, 0x2000, [15, 0, 0, 0]),
                modbus.write(unit, 0x2000, [2]),
                modbus.write_one(unit, 0x2000, 2),
            )
        )
        answer = made.serial_piece("modbus-rtu", chance)
        if chance.random() < 0.2:
            echo = request.frame[:6]
            answer = echo + struct.pack("<H", judge.crc_modbus(echo))
        elif chance.random() < 0.3:
            words = (request.answer_bytes - 5) // 2
            answer = made.modbus_answer(chance, unit, max(1, words), request.function)
        if chance.random() < 0.3:
            answer = made.bytes_damaged(answer, chance)
        if request.function in (0x03, 0x17):
            wanted = judge.modbus_words(request.frame, answer)
        else:
            is_echo = len(answer) == 8 and answer[:6] == request.frame[:6]
            wanted = () if is_echo and judge.crc_modbus(answer[:6]) == answer[6] | answer[7] << 8 else None
        need(1 <= request.needed(answer) <= 256, "needed", answer)
        try:
            got: tuple[int, ...] | None = request.content(answer)
        except AnswerError as error:
            need(str(error).isprintable(), "words", str(error))
            got = None
        need(got == wanted, "content of", answer, "to", request.frame, got, wanted)
        counts["refused" if got is None else "taken"] += 1
    return counts


@cache
def _codecs(name: str) -> tuple[DriveCodec, ...]:
    return tuple(DriveCodec(drive_file(name), node) for node in made.NODES)


def described_can(chance: random.Random, count: int) -> Counts:
    """Replies of heron: exactly those of right identifier and length, and what struct reads in them."""
    receiver, counts = CanReceiver(_codecs("heron")), Counter[str]()
    for can_id, data in made.can_burst("described-can", chance, count):
        word = receiver.take(can_id, data)
        base, node = can_id & ~0x3F, can_id & 0x3F
        is_ours = can_id < 0x800 and node in made.NODES
        if is_ours and base == 0x2C0 and len(data) == 8:
            status, inputs, fault, _, current = struct.unpack("<HHBBh", data)
            need(word is not None, "lost", hex(can_id), data)
            assert word is not None
            need(
                (word.node, word.status, word.inputs, word.fault) == (node, status, inputs, fault),
                "fields",
                data,
            )
            need(word.current == 10 * current, "current", data)
        elif is_ours and base == 0x280 and len(data) == 8:
            need(
                word is not None and (word.position, word.velocity) == struct.unpack("<ii", data),
                "motion",
                data,
            )
        elif is_ours and base == 0x300 and len(data) == 2:
            need(word is not None and word.timeout == data[0] | data[1] << 8, "time-out", data)
        else:
            need(word is None, "took", hex(can_id), data)
        counts["dropped" if word is None else "taken"] += 1
    return counts


def _tides(stream: bytes, *, overlapping: bool = False) -> list[tuple[int, int, int, int]]:
    """Node, status, position, velocity of all whole replies of tide 1 and 2 anywhere in some bytes.

    Where two overlap, which takes a chance of 16 bits of checksum or an end that reads as a beginning, no bytes tell
    which is meant: the first counts, or both.
    """
    found, free = [], 0
    for match in re.finditer(rb"(?=\xa5([\x81\x82])\x0d\xa0)", stream):
        frame = stream[match.start() : match.start() + 18]
        node = match[1][0] & 0x7F
        if (overlapping or match.start() >= free) and judge.is_tide(frame, node):
            found.append((node, *struct.unpack_from(">Hii", frame, 4)))
            free = match.start() + len(frame)
    return found


def described_serial(chance: random.Random, count: int) -> Counts:
    """Replies of tide in a stream: only whole ones, in order, little kept, and the next good one is always found."""
    stream = b"".join(made.serial_piece("described-serial", chance) for _ in range(count))
    receiver, came = SerialReceiver(_codecs("tide")), []
    for piece in made.cut_up(stream, chance):
        came += receiver.feed(piece)
        need(receiver.held < 18, "held", receiver.held)
    came += receiver.silence()
    got = [(one.node, one.status, one.position, one.velocity) for one in came]
    wanted = _tides(stream)
    need(got == wanted, "frames", len(got), len(wanted), stream)
    (last,) = receiver.feed(made.tide_answer(chance, 2))
    need(last.node == 2, "the next one", last)
    return Counter(taken=len(got), dropped=count - len(got))


def described_answers(chance: random.Random, count: int) -> Counts:
    """An answer to one request on a described line: that drive's whole reply and nothing else."""
    counts: Counts = Counter()
    for _ in range(count):
        codec = chance.choice(_codecs("tide"))
        request = Request(codec.encode("read_status")[0].data, (codec.replies["state"],))
        piece = made.serial_piece("described-serial", chance)
        wanted = judge.tide_word(request.frame, piece)
        try:
            (word,) = request.content(piece)
        except AnswerError:
            need(wanted == "nothing", "refused", piece)
            counts["refused"] += 1
            continue
        assert word.status is not None
        is_well = codec.state(word.status) is DriveState.OPERATION_ENABLED
        need(wanted == ("well" if is_well else "unwell"), "took", piece, wanted)
        counts["taken"] += 1
    return counts


# Traces


_WIRES = ("can", "modbus-rtu", "described-can", "described-serial")


def _description(wire: str) -> dict[str, object]:
    return {"wire": {"kind": wire, "silence_ns": 500_000}, "nodes": {"1": "x", "2": "y"}, "registers": {}}


def _pieces(wire: str, chance: random.Random, count: int) -> list[Piece]:
    if wire.endswith("can"):
        return [
            Piece(at, chance.random() < 0.4, False, chance.random() < 0.9, can_id & 0xFFFF_FFFF, data[:8])
            for at, (can_id, data) in enumerate(made.can_burst(wire, chance, count))
        ]
    return [
        Piece(at * 400_000, chance.random() < 0.4, True, True, 0, made.serial_piece(wire, chance))
        for at in range(count)
    ]


def trace_words(chance: random.Random, count: int) -> Counts:
    """Words for what passed: a printable line for anything, and no frame is left out on a bus."""
    wire = chance.choice(_WIRES)
    pieces = _pieces(wire, chance, count)
    lines = list(Decoder(_description(wire)).lines(pieces))
    for line in lines:
        need(line.kind in KINDS and line.words.isprintable(), "words", line)
    need(not wire.endswith("can") or len(lines) == len(pieces), "lines", len(lines), len(pieces))
    return Counter(taken=len(lines))


def _trace_bytes(wire: str, chance: random.Random, count: int) -> bytes:
    """A trace of one slot a frame, written by hand."""
    text = json.dumps(_description(wire)).encode()
    slots_at = (HEAD_BYTES + len(text) + 7) // 8 * 8
    head = struct.pack("<8s7Q", MAGIC, SLOT_BYTES, count, count, len(text), slots_at, 0, 0)
    slots = bytearray()
    for index, piece in enumerate(_pieces(wire, chance, count)):
        flags = SERIAL if piece.is_serial else 0
        word = len(piece.data) if piece.is_serial else piece.can_id
        slots += SLOT.pack(piece.instant_ns, word, index & 0xFFFF, flags, len(piece.data[:8]), piece.data[:8])
    return head.ljust(HEAD_BYTES, b"\0") + text.ljust(slots_at - HEAD_BYTES, b"\0") + slots


def trace_files(chance: random.Random, count: int) -> Counts:
    """A damaged trace: refused as no trace, or read, with words for whatever is left of it."""
    raw = _trace_bytes(chance.choice(_WIRES), chance, count)
    if chance.random() < 0.5:
        at = chance.randrange(HEAD_BYTES)
        raw = (
            raw[:at]
            + chance.choice((b"\xff" * 8, bytes(8), chance.randbytes(8), b"\x01" + bytes(7)))
            + raw[at + 8 :]
        )
    else:
        raw = made.bytes_damaged(raw, chance)
    try:
        trace = parse_trace(raw)
    except TraceError as error:
        need(str(error).isprintable(), "words", str(error))
        return Counter(refused=count)
    need(trace.torn >= 0, "torn", trace.torn)
    lines = list(Decoder(trace.description).lines(trace.pieces()))
    need(len(lines) <= 4 * count, "lines", len(lines))
    need(all(line.words.isprintable() for line in lines), "words")
    return Counter(taken=count)


# The guard's own readers


@cache
def _axes(wire: str) -> tuple[StandstillAxis, ...]:
    settings: dict[str, Callable[[], GroupSettings]] = {
        "can": lambda: group_settings("slcan", "/dev/null"),
        "described-can": lambda: can_settings(channel="/dev/null"),
        "modbus-rtu": lambda: modbus_settings(channel="/dev/null"),
        "described-serial": lambda: serial_settings(channel="/dev/null"),
    }
    return tuple(
        StandstillAxis(**asdict(word)) for word in stop_plan(settings[wire](), "/dev/null").standstill
    )


def _placed(wire: str, can_id: int, data: bytes) -> list[tuple[int, int]]:
    """Axis and position of a frame: 1802h:2 of CiA 402 nodes, the first number of heron's motion, which has 8 bytes."""
    base, at = (0x180, 2) if wire == "can" else (0x280, 0)
    if can_id - base not in made.NODES or len(data) < at + 4 or (wire != "can" and len(data) != 8):
        return []
    return [(can_id - base - 1, int.from_bytes(data[at : at + 4], "little", signed=True))]


def guard_can(chance: random.Random, count: int) -> Counts:
    """Positions off a bus, as text and as frames of the kernel: exactly those that the judge finds."""
    wire = chance.choice(("can", "described-can"))
    reader, counts = PositionReader(_axes(wire)), Counter[str]()
    text = made.adapter_text(wire, chance, count)
    wanted = []
    # For a reader of positions a bell or a line feed ends a line as well.
    *lines, _ = re.split(rb"[\r\n\a]", text)
    for can_id, data in judge.adapter_frames(b"\r".join([*lines, b""])):
        if can_id < 0x800:
            wanted += _placed(wire, can_id, data)
    came = []
    for piece in made.cut_up(text, chance):
        came += reader.feed_text(piece)
    need(came == wanted, "positions", text, came, wanted)
    for can_id, data in made.can_burst(wire, chance, count):
        frame = CAN_FRAME.pack(can_id & 0xFFFF_FFFF, len(data) & 0xFF, data[:8])
        if chance.random() < 0.1:
            frame = made.bytes_damaged(frame, chance)
        found = reader.feed_can(frame)
        if len(frame) == 16:
            can_id, length, data = CAN_FRAME.unpack(frame)
            is_data = can_id < 0x800 and length <= 8
            need(found == (_placed(wire, can_id, data[:length]) if is_data else []), "a frame", frame, found)
        else:
            need(found == [], "a frame of another length", frame)
        counts["taken" if found else "dropped"] += 1
    return counts + Counter(taken=len(came), dropped=max(0, count - len(came)))


def guard_lines(chance: random.Random, count: int) -> Counts:
    """Positions off a serial line, wherever a whole good answer stands: Modbus the first, described the latest."""
    counts: Counts = Counter()
    axis = chance.randrange(2)
    for _ in range(count):
        answer = made.modbus_answer(chance, axis + 1, 2)
        data = made.serial_piece("modbus-rtu", chance)[: chance.randrange(40)] + chance.choice(
            (answer, answer, made.bytes_damaged(answer, chance), b"")
        )
        wanted = None
        for match in re.finditer(re.escape(bytes((axis + 1, 0x17, 4))), data):
            frame = data[match.start() : match.start() + 9]
            if wanted is None and judge.modbus_words(bytes((axis + 1, 0x17, 0, 0, 0, 2)), frame) is not None:
                wanted = int.from_bytes(frame[3:7], "big", signed=True)
        got = rtu.position_in(data, _axes("modbus-rtu")[axis], low_first=False)
        need(got == wanted, "position", data, got, wanted)
        tide = b"".join(made.serial_piece("described-serial", chance) for _ in range(2))
        places = [position for node, _, position, _ in _tides(tide, overlapping=True) if node == axis + 1]
        got = guardframes.position_in(tide, _axes("described-serial")[axis])
        need(got == (places[-1] if places else None), "position", tide, got, places)
        counts["dropped" if got is None else "taken"] += 1
    return counts


def bus_health(chance: random.Random, count: int) -> Counts:
    """Error frames and adapter flags: no words, or words; ours once in trouble stays so."""
    ours, guards, counts = health.BusHealth(), GuardsBusHealth(), Counter[str]()
    for can_id, data in made.can_burst("can", chance, count):
        error_id = 0x2000_0000 | can_id & 0x1FF
        before = ours.trouble
        told = (
            ours.adapter_flags(data[0])
            if data and chance.random() < 0.3
            else ours.error_frame(error_id, data)
        )
        need(not before or (ours.trouble == before and not told), "taken back", before, ours.trouble)
        is_off = bool(error_id & 0x040)
        guards.feed(CAN_FRAME.pack(error_id, 8, data[:8]))
        need(not is_off or bool(guards.trouble), "off the bus, and the guard does not see it", error_id)
        guards.feed(made.bytes_damaged(CAN_FRAME.pack(error_id, 8, data[:8]), chance))
        counts["trouble" if told else "nothing told"] += 1
    return counts


def standstill(chance: random.Random, count: int) -> Counts:
    """Proof of standstill: never while positions of the window lie further apart than the tolerance."""
    axes, window_ns = _axes("can"), 100_000_000
    watch = Standstill(axes, window_ns, 50.0, 5)
    now_ns, place, counts = 10**9, [0, 0], Counter[str]()
    seen: list[list[tuple[int, int]]] = [[], []]
    restless = chance.choice((0.0, 0.02, 0.3))
    for _ in range(count):
        now_ns += chance.choice((0, 5 * 10**6, 10**7, 2 * 10**7, 3 * 10**7))
        for axis in (0, 1):
            if chance.random() < 0.9:
                step = chance.choice((300, -300, chance.randrange(-(2**31), 2**31)))
                place[axis] += step if chance.random() < restless else chance.choice((0, 0, 0, 1, -1))
                raw = (place[axis] + 2**31) % 2**32 - 2**31
                watch.add(now_ns, axis, raw)
                seen[axis].append((now_ns, raw))
        is_proved = watch.proved(now_ns)
        counts["proved" if is_proved else "not proved"] += 1
        if not is_proved:
            continue
        for axis, positions in zip(axes, seen, strict=True):
            start_ns = now_ns - window_ns
            # What lies in the window, and the latest before it: where the axis was when the window began.
            late = [raw for at_ns, raw in positions if at_ns > start_ns]
            late = [raw for at_ns, raw in positions if at_ns <= start_ns][-1:] + late
            apart = max((((one - late[0] + 2**31) % 2**32 - 2**31) for one in late), default=2**31)
            apart -= min((((one - late[0] + 2**31) % 2**32 - 2**31) for one in late), default=0)
            need(apart * axis.resolution_um <= 50.0, "proved though it moved", late)
    return counts


DECODERS: dict[str, Callable[[random.Random, int], Counts]] = {
    "adapter lines": adapter_lines,
    "CAN mirror": can_mirror,
    "emergencies": emergencies,
    "object answers": object_answers,
    "Modbus answers": modbus_answers,
    "described CAN": described_can,
    "described serial": described_serial,
    "described answers": described_answers,
    "trace words": trace_words,
    "trace files": trace_files,
    "guard, CAN": guard_can,
    "guard, lines": guard_lines,
    "bus health": bus_health,
    "standstill": standstill,
}
