"""The guard's way to described drives on a serial line: where an answer of theirs holds a position.

What the frames mean was settled by whoever wrote the settings. An answer is found by the bytes of it that are always
the same, by its length, and by its checksum where it has one. A drive whose frames have none can hand a damaged answer
on as a good one: proof of standstill then rests on several answers, over a window of time, that agree with each other
(``safety.standstill``), and no single one proves anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from safety.checks import CHECKS
from safety.linewire import LineWire
from safety.settings import StandstillAxis


def position_in(received: bytes, axis: StandstillAxis) -> int | None:
    """The position in the latest whole good answer of ``axis``, wherever it stands; None without one."""
    mask, value = int(axis.mask_hex, 16), int(axis.value_hex, 16)
    long = len(axis.mask_hex) // 2
    for at in range(len(received) - long, -1, -1):
        frame = received[at : at + long]
        if int.from_bytes(frame, "big") & mask == value and _is_whole(frame, axis):
            return axis.position(frame)
    return None


def _is_whole(frame: bytes, axis: StandstillAxis) -> bool:
    if not axis.checksum:
        return True
    size, total = CHECKS[axis.checksum]
    at = axis.checksum_at
    order: Literal["big", "little"] = "big" if axis.checksum_order == "big" else "little"
    return total(frame[axis.checksum_from : at]) == int.from_bytes(frame[at : at + size], order)


class FramesWire(LineWire):
    """A serial line of described drives; each axis brings its own request."""

    def __init__(
        self,
        channel: str,
        frames: Sequence[bytes],
        axes: Sequence[StandstillAxis],
        *,
        silence_ns: int,
        patience_ns: int,
        polls_stop: bool,
        stop_rest_ns: int,
    ) -> None:
        polls = [bytes.fromhex(axis.poll_hex) for axis in axes]
        super().__init__(
            channel, frames, polls, axes, silence_ns=silence_ns, patience_ns=patience_ns, polls_stop=polls_stop,
            stop_rest_ns=stop_rest_ns,
        )  # fmt: skip

    def _position(self, received: bytes, index: int) -> int | None:
        return position_in(received, self._axes[index])

    def _answer_characters(self, index: int) -> int:
        return len(self._axes[index].mask_hex) // 2
