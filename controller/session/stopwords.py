"""What came of asking the guard for a stop: what it says has been done, in words for a person. Pure.

Owns the reading of the guard's answer. A stop has two halves that fail by themselves, bytes on the wire and the latch
on the disk; nothing is called done that the answer does not say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from drivers.errors import LinkError

EMERGENCY: Final = "the machine may be moving: use its emergency stop"


class StopUnlatchedError(OSError):
    """Stop bytes are out and the disk does not take the latch."""

    code = "stop-unlatched"


@dataclass(frozen=True, slots=True)
class CameOf:
    """``is_sent``: stop bytes are out. ``is_latched``: the latch stands on disk. ``words``: both in one sentence."""

    is_sent: bool
    is_latched: bool
    words: str

    @property
    def is_whole(self) -> bool:
        """Is the stop what a person expects of one?"""
        return self.is_sent and self.is_latched

    def failure(self) -> LinkError | StopUnlatchedError | None:
        """What a command ends with that asked for the stop; None when it is whole."""
        if self.is_whole:
            return None
        if self.is_sent:
            return StopUnlatchedError(
                f"{self.words}. the guard holds the stop for as long as it lives: leave it alone"
            )
        wanted = "stop bytes on the wire and the latch on the disk"
        return LinkError("stop", wanted, f"this: {self.words}. {EMERGENCY}", code="stop-unsent")


def came_of(said: Mapping[str, Any]) -> CameOf:
    """What the guard's answer to a stop (docs/guard.md) says of its two halves."""
    is_sent = said.get("sent") is True
    error = str(said.get("latch_error") or "")
    wire = str(said.get("wire_error") or "")
    bytes_words = (
        "stop bytes are out" if is_sent else "no stop bytes could be sent" + f" ({wire})" * bool(wire)
    )
    latch_words = f"the latch could not be written ({error})" if error else "the latch stands"
    return CameOf(
        is_sent, not error, f"{bytes_words} {'and' if is_sent == (not error) else 'but'} {latch_words}"
    )
