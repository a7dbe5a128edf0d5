"""A line of a trace in plain words: what every decoder of frames gives. Owns the shape and the kinds, no meaning."""

from __future__ import annotations

from dataclasses import dataclass

KINDS = (
    "nmt", "sync", "emcy", "time", "pdo", "sdo", "heartbeat",
    "request", "answer", "exception", "broadcast", "broken", "other",
)  # fmt: skip

EXTENDED, REMOTE, ERROR = 0x8000_0000, 0x4000_0000, 0x2000_0000
"""Flags of an identifier, as in linux/can.h."""


@dataclass(frozen=True, slots=True)
class Line:
    """One frame: when, whose, from or for which node (-1: none), what kind, its bytes, and what it means."""

    instant_ns: int
    is_out: bool
    is_taken: bool
    can_id: int | None
    node: int
    kind: str
    data: bytes
    words: str


def printable(text: str) -> str:
    """The text with a mark in place of what would not print on one line."""
    return text if text.isprintable() else "".join(one if one.isprintable() else "?" for one in text)
