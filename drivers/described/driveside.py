"""The drive's end of the wire: commands taken apart and replies put together, bit by bit. Pure.

Owns the other way to every byte: nothing of the compiled codec is used, so that each judges the other. Serves the trial
of a drive file; whoever plays such a drive may use it. Values are ours.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass

from drivers.described.checksums import CHECKSUMS
from drivers.described.format import CommandFrame, CommandName, DataField, DriveFile, Reply, SerialFrames
from drivers.described.samples import ours_of, payload, picked
from drivers.described.scale import fractions_of

SERIAL = -1


@dataclass(frozen=True, slots=True)
class Heard:
    """A frame that a drive has taken: which of the command's frames, and its values."""

    command: CommandName
    place: int
    frame: CommandFrame
    values: dict[str, int]


class DriveSide:
    """One drive of a description, as it sees the wire."""

    def __init__(self, drive: DriveFile, node: int) -> None:
        self.drive, self.node = drive, node

    def heard(self, can_id: int, data: bytes) -> Heard | None:
        """What a whole frame on the wire tells this drive; None where it is not for it, or not good."""
        for command, frames in self.drive.commands.all():
            for place, frame in enumerate(frames):
                if (values := self.taken_for(frame, can_id, data)) is not None:
                    return Heard(command, place, frame, values)
        return None

    def taken_for(self, frame: CommandFrame, can_id: int, data: bytes) -> dict[str, int] | None:
        """The values of a whole frame on the wire, taken for this one of the file; None where it is another."""
        if not self._is(frame, can_id, data):
            return None
        body = payload(self.drive, frame, data)
        return {
            field.name: ours_of(self.drive, field, picked(self.drive, field, body)) for field in frame.fields
        }

    def reply(self, name: str, values: Mapping[str, int]) -> tuple[int, bytes]:
        """Identifier (``SERIAL`` on a line) and bytes of a reply; a value that is not given is 0.

        Ours become the nearest number that the field can hold.
        """
        layout = self.drive.reply(name)
        numbers: dict[str, int | float] = {
            field.name: nearest_number(self.drive, field, values.get(field.name, 0))
            for field in layout.fields
        }
        return self.reply_of_numbers(name, numbers)

    def reply_of_numbers(self, name: str, numbers: Mapping[str, int | float]) -> tuple[int, bytes]:
        """The same from the numbers that stand in the frame."""
        layout = self.drive.reply(name)
        body = bytearray(layout.length)
        for one in layout.constants:
            data = bytes.fromhex(one.hex)
            body[one.at : one.at + len(data)] = data
        for field in layout.fields:
            put(self.drive, field, body, numbers[field.name])
        if self.drive.serial is None:
            assert layout.id is not None
            return layout.id.of(self.node), bytes(body)
        return SERIAL, self.framed(self.drive.serial, layout, bytes(body))

    def _is(self, frame: CommandFrame, can_id: int, data: bytes) -> bool:
        wire = self.drive.serial
        if wire is None:
            if frame.id is None or frame.id.of(self.node) != can_id or len(data) != frame.length:
                return False
        elif can_id != SERIAL or data != self.framed(wire, frame, payload(self.drive, frame, data)):
            return False
        body = payload(self.drive, frame, data)
        return len(body) == frame.length and all(
            body[one.at : one.at + len(bytes.fromhex(one.hex))] == bytes.fromhex(one.hex)
            for one in frame.constants
        )

    def framed(self, wire: SerialFrames, layout: CommandFrame | Reply, body: bytes) -> bytes:
        """A serial frame of this drive around a payload."""
        is_reply = isinstance(layout, Reply)
        start = bytes.fromhex(wire.reply_start if is_reply and wire.reply_start is not None else wire.start)
        address = layout.address or (wire.reply_address if is_reply else None) or wire.address
        header = bytes(
            address.of(self.node) if part == "address" else len(body) + wire.length_adds
            for part in wire.header
        )
        check = b""
        if (place := wire.checksum) is not None:
            covered = {"start": start + header + body, "header": header + body, "payload": body}[place.begins]
            kind = CHECKSUMS[place.name]
            is_low_first = (place.order or self.drive.byte_order) == "low-first"
            check = kind.of(covered).to_bytes(kind.size, "little" if is_low_first else "big")
        return start + header + body + check + bytes.fromhex(wire.end)


def put(drive: DriveFile, field: DataField, body: bytearray, number: float) -> None:
    """Set the bits of a field in CAN data or a serial payload."""
    is_low_first = (field.order or drive.byte_order) == "low-first"
    word = int.from_bytes(struct.pack(">f", number), "big") if field.is_float else int(number)
    long = field.bytes_long
    for place in range(field.bits_wide):
        bit = field.lowest_bit + place
        at = field.at + (bit // 8 if is_low_first else long - 1 - bit // 8)
        body[at] = body[at] & ~(1 << bit % 8) | (word >> place & 1) << bit % 8


def nearest_number(drive: DriveFile, field: DataField, ours: int) -> int | float:
    """The number in the frame that comes nearest to one of ours; beyond the field's range it is cut off."""
    factor, add = fractions_of(drive, field)
    exact = (ours - add) / factor
    if field.is_float:
        return float(exact)
    low, high = field.raw_range
    return min(max(round(exact), low), high)
