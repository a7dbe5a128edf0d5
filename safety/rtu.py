"""The guard's way to drives on a Modbus RTU line: what its frames' silence is, and where an answer holds a position.

What the frames mean was settled by whoever wrote the settings: broadcasts that stop every drive, and for each axis one
request that stops it by name and brings its position.

Sources: MODBUS over Serial Line V1.02, 2.5.1 (silence of 3.5 characters, 1.750 ms above 19200 bit/s; CRC-16 whose
value over a whole frame is 0).
"""

from __future__ import annotations

from collections.abc import Sequence

from safety.linewire import STOPS_FIRST, LineWire
from safety.settings import StandstillAxis

SILENCE_NS = 1_750_000
BROADCASTS_FIRST = STOPS_FIRST
ANSWER_PATIENCE_NS = 10_000_000
"""Silence and turnaround of a drive, at most; then the next is asked."""

_READ_WRITE = 0x17


def crc16(data: bytes) -> int:
    """CRC-16 of the serial line guide: A001h, from FFFFh."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
    return register


def position_in(received: bytes, axis: StandstillAxis, *, low_first: bool) -> int | None:
    """The position in a whole good answer of ``axis``' unit to its request, wherever it stands; None without one."""
    length = axis.offset_bytes + axis.length_bytes
    head = bytes((axis.can_id, _READ_WRITE, length))
    at = received.find(head)
    while at >= 0:
        frame = received[at : at + len(head) + length + 2]
        if len(frame) == len(head) + length + 2 and crc16(frame) == 0:
            words = frame[len(head) + axis.offset_bytes : -2]
            if low_first:
                words = b"".join(words[k : k + 2] for k in range(len(words) - 2, -1, -2))
            return int.from_bytes(words, "big", signed=True)
        at = received.find(head, at + 1)
    return None


class RtuWire(LineWire):
    """A serial line of Modbus drives; ``poll`` is a request for each axis, all equally long."""

    def __init__(
        self,
        channel: str,
        frames: Sequence[bytes],
        poll: bytes,
        axes: Sequence[StandstillAxis],
        *,
        low_first: bool,
    ) -> None:
        size = len(poll) // len(axes) if axes else 0
        polls = [poll[k * size : (k + 1) * size] for k in range(len(axes)) if size]
        super().__init__(
            channel, frames, polls, axes, silence_ns=SILENCE_NS, patience_ns=ANSWER_PATIENCE_NS
        )  # fmt: skip
        self._low_first = low_first

    def _position(self, received: bytes, index: int) -> int | None:
        return position_in(received, self._axes[index], low_first=self._low_first)

    def _answer_characters(self, index: int) -> int:  # noqa: ARG002
        return 9
