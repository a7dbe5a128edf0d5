"""Asking described drives how they stand, timed, by commands that only read. Enables, moves and sets nothing.

Owns which questions those are and their timing. A question is a frame of ``read_status`` or ``read_position`` that
carries no value, that is answered, and whose bytes nothing on the wire takes for any command but a reading one: what a
file gives another meaning as well is not sent.

A question is a frame that a drive hears, and may keep it from noticing our silence: once a drive is found in operation
nothing more is asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from drivers.clock import NS_PER_MS, NS_PER_S, Clock
from drivers.described.cangroup import flagged
from drivers.described.codec import CommandCodec, Decoded, DriveCodec, ReplyCodec
from drivers.described.driveside import DriveSide
from drivers.described.format import CommandName
from drivers.described.receiver import SerialReceiver
from drivers.described.tick import Wire, codecs_of, silence_ns
from drivers.heads.framing import HeadCodec
from drivers.heads.settings import DescribedHead
from drivers.interface import DriveState
from drivers.look import NodeLook
from drivers.settings import DescribedCanWire, DescribedSerialWire, GroupSettings

GRAIN_NS = 20_000
"""While an answer is awaited the wire is read so often."""

PAUSE_NS = 2_000_000
"""Between questions on a bus, which other users need as well."""

READING: tuple[CommandName, ...] = ("read_status", "read_position", "read_timeout")
"""Commands that a drive file calls reading ones; the first two are asked."""

MAY_MOVE = frozenset(
    {DriveState.OPERATION_ENABLED, DriveState.QUICK_STOP_ACTIVE, DriveState.FAULT_REACTION_ACTIVE}
)
_LOST_MAX = 3
_CYCLES = 4


def why_not(
    codec: DriveCodec, name: CommandName, everybody: Sequence[DriveCodec], head: Sequence[tuple[int, bytes]]
) -> str:
    """Why a command is no question that only reads; empty where it is one.

    ``everybody``: all drives on the wire; ``head``: frames that a head on it takes.
    """
    frames = codec.commands.get(name, ())
    if not frames:
        return f"its file has no {name}"
    for frame in frames:
        if frame.names:
            return f"{name} carries {' and '.join(frame.names)}"
        if not frame.answers:
            return f"a frame of {name} has no answer: what it does is not known"
        data = frame.make({}).data
        if (frame.can_id, data) in head:
            return f"the frame of {name} is one of the head's"
        for other in everybody:
            if (command := _also(other, frame.can_id, data)) is not None:
                whose = "" if other is codec else f" of node {other.node}"
                return f"the frame of {name} is one of {command}{whose} as well"
    return ""


def _also(codec: DriveCodec, can_id: int, data: bytes) -> CommandName | None:
    """The command other than a reading one for which the drive takes the frame."""
    side = DriveSide(codec.drive, codec.node)
    for command, frames in codec.drive.commands.all():
        if command in READING:
            continue
        for frame in frames:
            try:
                is_taken = side.taken_for(frame, can_id, data) is not None
            except (ValueError, ArithmeticError):  # the frame fits, its number is none
                is_taken = True
            if is_taken:
                return command
    return None


@dataclass(slots=True)
class _Drive:
    """One drive that is looked at: its questions, and what has come of it."""

    look: NodeLook
    codec: DriveCodec
    questions: tuple[CommandCodec, ...]
    untold: str
    heard: dict[str, Decoded] = field(default_factory=dict)
    has_status: bool = False

    def take(self, word: Decoded) -> None:
        """Take in a whole good reply."""
        self.heard[word.reply] = word
        if word.status is not None:
            self.has_status = True
            self.look.statusword, self.look.state = word.status, self.codec.state(word.status)
        if word.fault is not None:
            self.look.fault_code = word.fault
            self.look.fault_text = self.codec.drive.fault_text(word.fault) if word.fault else ""
        if word.position is not None:
            self.look.values["position_counts"] = word.position

    @property
    def cycle_ns(self) -> int:
        """How often the drive tells its status by itself; 0: it does not."""
        cycles = [one.cyclic_ms for one in self.codec.drive.replies if one.cyclic_ms and one.field("status")]
        return min(cycles, default=0) * NS_PER_MS


def _head_frames(settings: GroupSettings) -> list[tuple[int, bytes]]:
    """Frames that a described head on the drives' bus takes."""
    head = settings.head
    if not isinstance(head, DescribedHead) or head.device is None or head.device.can is None:
        return []
    codec = HeadCodec(head.device, head.node_id)
    return [one for one in (codec.up, codec.down, codec.ask) if one is not None]


def _drive(
    axis: str, codec: DriveCodec, everybody: Sequence[DriveCodec], head: Sequence[tuple[int, bytes]]
) -> _Drive:
    questions: dict[tuple[int, bytes], CommandCodec] = {}
    refused = []
    for name in READING[:2]:
        why = why_not(codec, name, everybody, head)
        if why:
            refused.append(why)
            continue
        for frame in codec.commands[name]:
            made = frame.make({})
            questions.setdefault((made.can_id, made.data), frame)
    asked = tuple(questions.values())
    return _Drive(NodeLook(axis, codec.node), codec, asked, "; ".join(refused))


class _Bus:
    """The questions' way on CAN."""

    def __init__(self, link: Any, clock: Clock, drives: Sequence[_Drive]) -> None:
        self._link, self._clock = link, clock
        self._routes: dict[int, list[tuple[_Drive, ReplyCodec]]] = {}
        for drive in drives:
            for reply in drive.codec.replies.values():
                self._routes.setdefault(flagged(drive.codec, reply.can_id), []).append((drive, reply))

    def free(self) -> None:
        """Wait until a question may be put, and take what has come."""
        self._clock.sleep_until_ns(self._clock.now_ns() + PAUSE_NS)
        self.hear()

    def put(self, drive: _Drive, frame: CommandCodec) -> None:
        made = frame.make({})
        self._link.send_frames(((flagged(drive.codec, made.can_id), made.data),))

    def hear(self) -> int:
        """Take what has come; how much that nobody understands."""
        strange = 0
        for can_id, data, _ in self._link.receive():
            routes = self._routes.get(can_id, [])
            for drive, reply in routes:
                if (word := reply.decode(data)) is not None:
                    drive.take(word)
                    break
            else:
                strange += len(data) if routes else 0
        return strange

    def rest(self) -> None:
        """Nothing is half heard here."""

    def line_ns(self, drive: _Drive, frame: CommandCodec) -> int:  # noqa: ARG002
        """Not known: others may be on the bus."""
        return 0


class _Line:
    """The questions' way on a serial line, with its silences."""

    def __init__(self, line: Any, clock: Clock, drives: Sequence[_Drive], wire: DescribedSerialWire) -> None:
        self._line, self._clock = line, clock
        codecs = [drive.codec for drive in drives]
        self._receiver = SerialReceiver(codecs)
        self._by_node = {drive.codec.node: drive for drive in drives}
        self._character_ns, self._silence_ns = wire.character_ns, silence_ns(codecs)

    def free(self) -> None:
        self._clock.sleep_until_ns(self._clock.now_ns() + self._silence_ns + 2 * self._character_ns)
        self.hear()
        self.rest()

    def put(self, drive: _Drive, frame: CommandCodec) -> None:  # noqa: ARG002
        self._line.send(frame.make({}).data)

    def hear(self) -> int:
        came = self._line.receive()
        self._take(self._receiver.feed(came))
        return len(came)

    def rest(self) -> None:
        self._take(self._receiver.silence())

    def _take(self, words: Sequence[Decoded]) -> None:
        for word in words:
            self._by_node[word.node].take(word)

    def line_ns(self, drive: _Drive, frame: CommandCodec) -> int:
        """Characters and silences of a question and its answers."""
        characters = frame.length + sum(drive.codec.replies[name].length for name in frame.answers)
        return characters * self._character_ns + len(frame.answers) * self._silence_ns


def look_at_drives(settings: GroupSettings, link: Any, clock: Clock, rounds: int) -> list[NodeLook]:
    """See ``drivers.look.look``."""
    wire: Wire = settings.wire  # type: ignore[assignment]
    codecs = codecs_of(settings)
    head = _head_frames(settings)
    drives = [_drive(axis, codec, codecs, head) for axis, codec in zip(settings.axes, codecs, strict=True)]
    way = (
        _Line(link, clock, drives, wire)
        if isinstance(wire, DescribedSerialWire)
        else _Bus(link, clock, drives)
    )
    assert isinstance(wire, DescribedCanWire | DescribedSerialWire)
    for turn in range(max(1, rounds)):
        for drive in drives:
            if not drive.look.trouble:
                _ask(drive, way, clock, wire, is_first=turn == 0)
        if any(drive.look.state in MAY_MOVE for drive in drives):
            break
    _listen(drives, way, clock)
    for drive in drives:
        if not drive.look.trouble and not drive.has_status:
            why = drive.untold or "no answer to its reading commands carries the status"
            drive.look.not_asked = f"{'its state' if drive.questions else 'it'} was not asked for: {why}"
    return [drive.look for drive in drives]


def _ask(drive: _Drive, way: _Bus | _Line, clock: Clock, wire: Wire, *, is_first: bool) -> None:
    """All of a drive's questions once, later only the first of them, whose round trips are the drive's."""
    look, codec = drive.look, drive.codec
    patience_ns = max(round(wire.answer_timeout_s * NS_PER_S), codec.drive.wire.answer_timeout_ms * NS_PER_MS)
    for place, frame in enumerate(drive.questions if is_first else drive.questions[:1]):
        way.free()
        drive.heard.clear()
        begin_ns = clock.now_ns()
        way.put(drive, frame)
        strange = 0
        while True:
            strange += way.hear()
            now_ns = clock.now_ns()
            if all(name in drive.heard for name in frame.answers):
                break
            if now_ns - begin_ns >= patience_ns:
                way.rest()
                break
            clock.sleep_until_ns(now_ns + GRAIN_NS)
        missing = [name for name in frame.answers if name not in drive.heard]
        if missing:
            look.lost += 1
            if is_first or look.lost >= _LOST_MAX or not look.round_trips_ns:
                got = f"{strange} bytes that are no good one" if strange else "none"
                look.trouble = (
                    f"no answer {' and '.join(missing)} within {patience_ns / NS_PER_S:g} s, got {got}"
                )
                return
        elif place == 0 and not any(codec.drive.reply(name).cyclic_ms for name in frame.answers):
            # What comes unasked as well is no sign of when the question was answered.
            look.round_trips_ns.append(now_ns - begin_ns)
            look.line_ns = way.line_ns(drive, frame)
            look.allowed_ns = codec.drive.wire.turnaround_us * 1000


def _listen(drives: Sequence[_Drive], way: _Bus | _Line, clock: Clock) -> None:
    """Wait for what drives tell by themselves, where their status is still unknown."""
    quiet = [drive for drive in drives if drive.cycle_ns and not drive.has_status and not drive.look.trouble]
    end_ns = clock.now_ns() + _CYCLES * max((drive.cycle_ns for drive in quiet), default=0)
    while any(not drive.has_status for drive in quiet):
        way.hear()
        now_ns = clock.now_ns()
        if now_ns >= end_ns:
            break
        clock.sleep_until_ns(min(end_ns, now_ns + NS_PER_MS))
    for drive in quiet:
        if not drive.has_status:
            every_ms = drive.cycle_ns / NS_PER_MS
            drive.look.trouble = (
                f"its file says that it tells its status every {every_ms:g} ms, and nothing came"
            )
