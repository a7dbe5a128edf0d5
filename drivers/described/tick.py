"""A tick on a wire of described drives: which frames it has, how long they take, and when each drive acts. Pure.

Owns what follows from drive files and a wire's speed, for the group, for the rules of a machine file and for the
numbers that `check` shows. Sends nothing.

On a serial line a drive acts on a frame when the silence behind it is over; on CAN when the frame's last bit has come.
CAN frames are reckoned at their longest: 55 + 10 n bits with 11-bit, 80 + 10 n bits with 29-bit identifiers, n data
bytes, interframe space included (Davis, Burns, Bril, Lukkien: Controller Area Network (CAN) schedulability analysis,
Real-Time Systems 35, 2007).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from drivers.described.codec import CommandCodec, DriveCodec
from drivers.described.format import CommandName, Quantity, Reply
from drivers.settings import DescribedCanWire, DescribedSerialWire, GroupSettings, described_of

Wire = DescribedCanWire | DescribedSerialWire

_ALWAYS: frozenset[Quantity] = frozenset({"position", "status"})
_IF_REPORTED: frozenset[Quantity] = frozenset({"velocity", "inputs"})
_READS: tuple[CommandName, ...] = ("read_position", "read_status")


@dataclass(frozen=True, slots=True)
class Step:
    """One frame of a tick. Instants in ns from the tick's own: it leaves, the drive has it, the next may leave."""

    command: CommandName
    frame: CommandCodec
    leaves_ns: int
    acts_ns: int
    free_ns: int


@dataclass(frozen=True, slots=True)
class AxisTick:
    """One axis' part of a tick.

    ``idle``: the frames that bring a drive's word and command nothing. ``needed``: what must have come before a round
    counts. ``sampled_ns``: reply to the instant at which what it says was true, ns from the tick's own; a reply that
    the drive sends by itself is not in it.
    """

    axis: str
    codec: DriveCodec
    steps: tuple[Step, ...]
    idle: tuple[CommandCodec, ...]
    needed: frozenset[Quantity]
    sampled_ns: dict[str, int]

    @property
    def acts_ns(self) -> int:
        """From the tick's instant until the drive has its velocity."""
        return next(step.acts_ns for step in self.steps if "velocity" in step.frame.names)


@dataclass(frozen=True, slots=True)
class GroupTick:
    """A whole tick. ``round_ns``: until the last answer is there. ``bits``: of frames and answers on the wire."""

    axes: tuple[AxisTick, ...]
    round_ns: int
    busy_ns: int
    bits: int


def codecs_of(settings: GroupSettings) -> tuple[DriveCodec, ...]:
    """Every drive's codec, in axis order. Raises ValueError where a drive file is missing or the node cannot be."""
    return tuple(
        DriveCodec(described_of(name, drive), drive.node_id) for name, drive in settings.axes.items()
    )


def brought(codec: DriveCodec, frames: Iterable[CommandCodec]) -> set[Quantity]:
    """What the answers to these frames bring."""
    replies = [codec.drive.reply(answer) for frame in frames for answer in frame.answers]
    return {field.name for reply in replies for field in reply.fields if _counts(reply, field.name)}


def by_itself(codec: DriveCodec) -> set[Quantity]:
    """What the drive sends without being asked."""
    replies = [reply for reply in codec.drive.replies if reply.cyclic_ms]
    return {field.name for reply in replies for field in reply.fields if _counts(reply, field.name)}


def _counts(reply: Reply, name: Quantity) -> bool:
    """Nobody knows at which instant a position was true that the drive sends by itself: it is not used."""
    return not (reply.cyclic_ms and name == "position")


def _reads(
    codec: DriveCodec, needed: frozenset[Quantity], have: set[Quantity]
) -> list[tuple[CommandName, CommandCodec]]:
    """The reading commands that bring what is missing."""
    found: list[tuple[CommandName, CommandCodec]] = []
    for name in _READS:
        frames = codec.commands.get(name, ())
        more = brought(codec, frames) & needed
        if more - have:
            found += [(name, frame) for frame in frames]
            have |= more
    return found


def needed_of(codec: DriveCodec) -> frozenset[Quantity]:
    """Position and status; velocity and inputs of a drive that reports them when it is asked."""
    asked = [frame for name in _READS for frame in codec.commands.get(name, ())]
    return _ALWAYS | (_IF_REPORTED & (brought(codec, asked) | by_itself(codec)))


def _frames(codec: DriveCodec, *, is_head: bool) -> list[tuple[CommandName, CommandCodec]]:
    needed = needed_of(codec)
    names: tuple[CommandName, ...] = ("velocity", "outputs") if is_head else ("velocity",)
    sent: list[tuple[CommandName, CommandCodec]] = [
        (name, frame) for name in names for frame in codec.commands.get(name, ())
    ]
    have = (brought(codec, (frame for _, frame in sent)) | by_itself(codec)) & needed
    return sent + _reads(codec, needed, have)


def refusals(codec: DriveCodec) -> list[tuple[str, str, str]]:
    """What a drive file lacks for a group: where in it, what was expected, what stands there."""
    found = []
    everywhere: tuple[CommandName, ...] = ("velocity", "outputs", "stop", "stop_all", *_READS)
    for name in everywhere:
        for place, frame in enumerate(codec.commands.get(name, ())):
            if frame.wait_ms:
                expected = "0, for a frame that is sent in every tick or stops"
                found.append((f"commands.{name}.{place}.wait_ms", expected, str(frame.wait_ms)))
    asked = [frame for name in _READS for frame in codec.commands.get(name, ())]
    if "position" not in brought(codec, asked):
        expected = "an answer with the position that the drive does not also send by itself"
        found.append(("commands.read_position", expected, "none"))
    return found


def frame_bits(id_bits: int, data_bytes: int) -> int:
    """Longest time of a CAN frame, in bits."""
    return (55 if id_bits == 11 else 80) + 10 * data_bytes


def silence_ns(codecs: Sequence[DriveCodec]) -> int:
    """Silence between frames of a line: the longest that one of its drives needs."""
    return max(one.drive.serial.silence_us for one in codecs if one.drive.serial is not None) * 1000


def answer_ns(codec: DriveCodec, frame: CommandCodec, character_ns: int, silent_ns: int) -> int:
    """On a serial line: from when a drive may act on the frame until the line is free again; 0 without an answer."""
    if not frame.answers:
        return 0
    characters = sum(codec.replies[name].length for name in frame.answers)
    return codec.drive.wire.turnaround_us * 1000 + characters * character_ns + len(frame.answers) * silent_ns


def _serial_tick(
    wire: DescribedSerialWire, codecs: Sequence[DriveCodec], axes: Sequence[str], head: str
) -> GroupTick:
    silent_ns, character_ns = silence_ns(codecs), wire.character_ns
    at_ns = busy_ns = characters = 0
    found = []
    for axis, codec in zip(axes, codecs, strict=True):
        steps: list[Step] = []
        sampled: dict[str, int] = {}
        for command, frame in _frames(codec, is_head=axis == head):
            long = frame.length
            acts_ns = at_ns + long * character_ns + silent_ns
            free_ns = acts_ns + answer_ns(codec, frame, character_ns, silent_ns)
            steps.append(Step(command, frame, at_ns, acts_ns, free_ns))
            sampled |= dict.fromkeys(_asked_only(codec, frame), acts_ns)
            characters += long + sum(codec.replies[name].length for name in frame.answers)
            busy_ns += free_ns - at_ns
            at_ns = free_ns
        found.append(_axis(axis, codec, steps, sampled))
    return GroupTick(tuple(found), at_ns, busy_ns, characters * wire.character_bits)


def _can_tick(
    wire: DescribedCanWire, codecs: Sequence[DriveCodec], axes: Sequence[str], head: str, tick_ns: int
) -> GroupTick:
    """Commands of all axes first, so that they act as close together as can be; questions behind them."""
    parts = [_frames(codec, is_head=axis == head) for axis, codec in zip(axes, codecs, strict=True)]
    commands = [
        (k, one) for is_read in (False, True) for k, part in enumerate(parts) for one in part
        if (one[0] in _READS) is is_read
    ]  # fmt: skip
    bit_ns = 1e9 / wire.bitrate_bit_s
    at_ns = bits = 0
    steps: list[list[Step]] = [[] for _ in codecs]
    sampled: list[dict[str, int]] = [{} for _ in codecs]
    for place, (command, frame) in commands:
        codec = codecs[place]
        long = frame_bits(_id_bits(codec), frame.length)
        end_ns = at_ns + round(long * bit_ns)
        steps[place].append(Step(command, frame, at_ns, end_ns, end_ns))
        sampled[place] |= dict.fromkeys(_asked_only(codec, frame), end_ns)
        bits += long
        at_ns = end_ns
    back = sum(
        frame_bits(_id_bits(codec), codec.replies[name].length)
        for codec, part in zip(codecs, parts, strict=True)
        for _, frame in part
        for name in frame.answers
    )
    unasked = sum(
        frame_bits(_id_bits(codec), reply.length) * -(-tick_ns // (reply.cyclic_ms * 1_000_000))
        for codec in codecs
        for reply in codec.drive.replies
        if reply.cyclic_ms
    )
    turnaround_ns = max(codec.drive.wire.turnaround_us for codec in codecs) * 1000
    found = [
        _axis(axis, codec, one, when)
        for axis, codec, one, when in zip(axes, codecs, steps, sampled, strict=True)
    ]
    busy_ns = round((bits + back + unasked) * bit_ns)
    round_ns = at_ns + turnaround_ns + round((back + unasked) * bit_ns)
    return GroupTick(tuple(found), round_ns, busy_ns, bits + back + unasked)


def _asked_only(codec: DriveCodec, frame: CommandCodec) -> list[str]:
    """Answers that come only when they are asked for."""
    return [name for name in frame.answers if not codec.drive.reply(name).cyclic_ms]


def _axis(axis: str, codec: DriveCodec, steps: list[Step], sampled: dict[str, int]) -> AxisTick:
    needed = needed_of(codec)
    idle = tuple(frame for _, frame in _reads(codec, needed, by_itself(codec) & needed))
    return AxisTick(axis, codec, tuple(steps), idle, needed, sampled)


def _id_bits(codec: DriveCodec) -> int:
    return codec.drive.can.id_bits if codec.drive.can is not None else 11


def tick_of(
    wire: Wire, codecs: Sequence[DriveCodec], axes: Sequence[str], head_axis: str, tick_us: int
) -> GroupTick:
    """The tick of a wire with these drives, in axis order."""
    if isinstance(wire, DescribedSerialWire):
        return _serial_tick(wire, codecs, axes, head_axis)
    return _can_tick(wire, codecs, axes, head_axis, tick_us * 1000)
