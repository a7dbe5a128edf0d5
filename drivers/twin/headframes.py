"""What a simulated head answers in frames of a head file, or in lines of text: its own packing of its own words.

Pure: what is heard, what is said. The file is data here; the samples in it hold this packing and production's against
a third.
"""

from __future__ import annotations

import struct
from typing import Protocol

from drivers.described.checksums import CHECKSUMS
from drivers.heads.headfile import HeadFile, HeadFrame
from drivers.heads.pattern import PLACE
from drivers.heads.settings import Answer, SerialHead

SERIAL = -1
_LETTERS = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f"}


class LiftWords(Protocol):
    """What the lift's own sensors say at this instant."""

    @property
    def is_up(self) -> bool:
        """Upper switch."""
        ...

    @property
    def is_down(self) -> bool:
        """Lower switch."""
        ...

    @property
    def travel_mm(self) -> float:
        """Ruler."""
        ...

    @property
    def force_n(self) -> float:
        """Force cell."""
        ...

    def lower(self, down: bool) -> None:
        """Set the output that moves it."""
        ...


class FrameLift:
    """A head that speaks frames. ``identifiers`` of its commands are those of the bus; none on a line."""

    def __init__(self, file: HeadFile, node: int, lift: LiftWords) -> None:
        self._file, self._node, self._lift = file, node, lift
        orders = file.commands
        self._up, self._down = self.packed(orders.head_up), self.packed(orders.head_down)
        self._ask = None if orders.read_head is None else self.packed(orders.read_head)

    @property
    def identifiers(self) -> tuple[int, ...]:
        """Of every frame that it hears."""
        return tuple(one[0] for one in (self._up, self._down, self._ask) if one is not None)

    @property
    def heard(self) -> tuple[bytes, ...]:
        """Every whole frame that it knows."""
        return tuple(one[1] for one in (self._up, self._down, self._ask) if one is not None)

    def hear(self, can_id: int, data: bytes) -> tuple[int, bytes] | None:
        """Do what a whole frame says. The answer, where there is one."""
        if (can_id, data) == self._up:
            self._lift.lower(down=False)
        elif (can_id, data) == self._down:
            self._lift.lower(down=True)
        elif (can_id, data) == self._ask:
            return self.word()
        return None

    def word(self) -> tuple[int, bytes]:
        """Its reply at this instant."""
        file, reply = self._file, self._file.reply
        payload = bytearray(self._payload(reply))
        for field in reply.fields:
            order = field.order or file.byte_order
            layout = struct.Struct(("<" if order == "low-first" else ">") + _LETTERS[field.type])
            number: float
            if field.name == "inputs":
                number = int(self._lift.is_up) << (file.up_bit or 0) if file.up_bit is not None else 0
                number |= int(self._lift.is_down) << file.down_bit if file.down_bit is not None else 0
            else:
                value = self._lift.travel_mm if field.name == "travel" else self._lift.force_n
                number = (value - field.offset) / field.scale
                if field.type != "f32":
                    number = round(number)
            layout.pack_into(payload, field.at, number)
        return self._wrapped(reply, bytes(payload), is_reply=True)

    def packed(self, frame: HeadFrame) -> tuple[int, bytes]:
        """One of our frames as it is on the wire."""
        return self._wrapped(frame, self._payload(frame), is_reply=False)

    @staticmethod
    def _payload(frame: HeadFrame) -> bytes:
        payload = bytearray(frame.length)
        for one in frame.constants:
            data = bytes.fromhex(one.hex)
            payload[one.at : one.at + len(data)] = data
        return bytes(payload)

    def _wrapped(self, frame: HeadFrame, payload: bytes, *, is_reply: bool) -> tuple[int, bytes]:
        wire = self._file.serial
        if wire is None:
            assert frame.id is not None
            return frame.id.base + (self._node << frame.id.shift if frame.id.node == "added" else 0), payload
        start = bytes.fromhex(wire.reply_start if is_reply and wire.reply_start is not None else wire.start)
        place = wire.reply_address if is_reply and wire.reply_address is not None else wire.address
        address = place.base + (self._node << place.shift if place.node == "added" else 0)
        header = bytes(
            address if part == "address" else len(payload) + wire.length_adds for part in wire.header
        )
        check = b""
        if wire.checksum is not None:
            kind = CHECKSUMS[wire.checksum.name]
            over = {"start": start + header, "header": header, "payload": b""}[wire.checksum.begins]
            low_first = (wire.checksum.order or self._file.byte_order) == "low-first"
            check = kind.of(over + payload).to_bytes(kind.size, "little" if low_first else "big")
        return SERIAL, start + header + payload + check + bytes.fromhex(wire.end)


class TextLift:
    """A head that speaks lines, by what the machine file says of them."""

    def __init__(self, settings: SerialHead, lift: LiftWords) -> None:
        self._settings, self._lift = settings, lift

    def hear(self, line: str) -> str | None:
        """Do what a line says. The answer, where there is one; a line that it does not know is not answered."""
        settings = self._settings
        if line in (settings.up, settings.down):
            self._lift.lower(down=line == settings.down)
            return settings.accepted
        return self._word() if line == settings.ask else None

    def _word(self) -> str | None:
        lift, settings = self._lift, self._settings
        place = "up" if lift.is_up else "down" if lift.is_down else "between"
        wanted: Answer | None = None
        for means in (place, "reading"):
            wanted = wanted or next((one for one in settings.answers if one.means == means), None)
        if wanted is None:
            return None
        value = lift.force_n if settings.settle.kind == "force" else lift.travel_mm
        return wanted.text.replace(PLACE, f"{value / settings.value_step:.4f}")
