"""The stop of described drives as ready-made bytes, for the guard. Pure.

The guard reads positions as whole bytes at a fixed place of an answer: an answer to the stop itself where it holds
one, else to a question. A drive file whose position is an f32 or lies across bytes has no such place and is refused.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.can.frames import socketcan_frame
from drivers.can.slcan import END_OF_CUT_LINE, encode_frames
from drivers.described.cangroup import flagged, stop_frames
from drivers.described.codec import CommandCodec, DriveCodec, PositionPlace
from drivers.described.format import CommandName
from drivers.described.linegroup import stop_rest_ns, stops_of
from drivers.described.tick import codecs_of, silence_ns
from drivers.errors import MisuseError
from drivers.interface import StandstillWord, StopPlan
from drivers.settings import DescribedCanWire, DescribedSerialWire, DriveSettings, GroupSettings

_ASKING: tuple[CommandName, ...] = ("stop", "read_position")


def position_answers(codec: DriveCodec) -> dict[CommandName, tuple[CommandCodec, PositionPlace]]:
    """Commands of one frame whose answer holds the position where a stranger can read it."""
    found: dict[CommandName, tuple[CommandCodec, PositionPlace]] = {}
    for name in _ASKING:
        frames = codec.commands.get(name, ())
        places = [codec.position_place(answer) for frame in frames for answer in frame.answers]
        place = next((one for one in places if one is not None), None)
        if len(frames) == 1 and place is not None:
            found[name] = frames[0], place
    return found


def _word(
    axis: str, drive: DriveSettings, codec: DriveCodec, place: PositionPlace, poll: bytes
) -> StandstillWord:
    reply = codec.replies[place.reply]
    mask = bytes(0xFF if at in reply.fixed else 0 for at in range(reply.length))
    value = bytes(reply.fixed.get(at, 0) for at in range(reply.length))
    on_line = codec.drive.serial is not None
    check = _check_of(codec, place.reply)
    return StandstillWord(
        axis=axis,
        can_id=drive.node_id if on_line else flagged(codec, reply.can_id),
        offset_bytes=place.at,
        length_bytes=place.size,
        resolution_um=float(1000 * place.step_counts / drive.counts_per_mm),
        order="little" if place.low_first else "big",
        # On CAN, too, where nothing is constant: another reply may have this identifier and another length.
        mask_hex=mask.hex(),
        value_hex=value.hex(),
        poll_hex=poll.hex() if on_line else "",
        checksum=check[0],
        checksum_from=check[1],
        checksum_at=check[2],
        checksum_order=check[3],
    )


def _check_of(codec: DriveCodec, reply: str) -> tuple[str, int, int, str]:
    """Name of the checksum, where its bytes begin, where it stands, and its order; an empty name for none."""
    wire = codec.drive.serial
    if wire is None or wire.checksum is None:
        return "", 0, 0, "little"
    start = len(bytes.fromhex(wire.start if wire.reply_start is None else wire.reply_start))
    payload = start + len(wire.header)
    begin = {"start": 0, "header": start, "payload": payload}[wire.checksum.begins]
    is_low_first = (wire.checksum.order or codec.drive.byte_order) == "low-first"
    order = "little" if is_low_first else "big"
    return wire.checksum.name, begin, payload + codec.drive.reply(reply).length, order


def _asked(codecs: Sequence[DriveCodec]) -> tuple[CommandName, list[tuple[CommandCodec, PositionPlace]]]:
    """The command that brings every drive's position, and its frame and place for each."""
    answers = [position_answers(codec) for codec in codecs]
    for name in _ASKING:
        if all(name in one for one in answers):
            return name, [one[name] for one in answers]
    raise MisuseError(
        "drive_file",
        "an answer to stop or read_position that holds the position in whole bytes: the guard proves standstill by it",
        "none",
    )


def described_stop_plan(settings: GroupSettings, channel: str) -> StopPlan:
    """Stops, and what brings positions. Raises MisuseError where a guard could not write or read."""
    try:
        codecs = codecs_of(settings)
    except ValueError as error:
        raise MisuseError("drive_file", "a drive file for every axis", str(error)) from None
    name, asked = _asked(codecs)
    made = [frame.make({"outputs": 0}) for frame, _ in asked]
    words = tuple(
        _word(axis, drive, codec, place, one.data)
        for (axis, drive), codec, (_, place), one in zip(
            settings.axes.items(), codecs, asked, made, strict=True
        )
    )
    wire = settings.wire
    if isinstance(wire, DescribedSerialWire):
        silent_ns = silence_ns(codecs)
        turnaround_ns = max(codec.drive.wire.turnaround_us for codec in codecs) * 1000
        return StopPlan(
            wire.kind,
            channel,
            b"",
            stops_of(codecs),
            b"",
            words,
            silence_us=silent_ns / 1000,
            # Twice, and what a busy computer adds: an answer that is waited for too shortly is lost.
            answer_us=(2 * (turnaround_ns + silent_ns) + 5_000_000) / 1000,
            stop_rest_us=stop_rest_ns(codecs, wire.character_ns) / 1000,
            polls_stop=name == "stop",
        )
    assert isinstance(wire, DescribedCanWire)
    stop = stop_frames(codecs)
    polls = [
        (flagged(codec, one.can_id), one.data)
        for codec, one in zip(codecs, made, strict=True)
        if name != "stop"
    ]
    if wire.interface == "slcan":
        # One write: no other process' bytes can come between the lines.
        return StopPlan("tty", channel, END_OF_CUT_LINE, (encode_frames(stop),), encode_frames(polls), words)
    if wire.interface == "socketcan":
        frames = tuple(socketcan_frame(can_id, data) for can_id, data in (*stop, *polls))
        return StopPlan("socketcan", channel, b"", frames, b"", words)
    raise MisuseError("wire.interface", "slcan or socketcan, where a guard can write", repr(wire.interface))
