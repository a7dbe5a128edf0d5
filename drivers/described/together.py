"""Described drives that share a wire: no frame of one may be taken for one of another. Pure.

Owns what two drives must not have in common; what one file must not is in ``drivers.described.wholerules``. Knows no
machine.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from drivers.described.codec import DriveCodec


@dataclass(frozen=True, slots=True)
class _Shape:
    """A frame: where in the file, identifier (bit 31 marks 29 bits; -1 on a line), constant bytes, length."""

    where: str
    is_to_all: bool
    can_id: int
    fixed: Mapping[int, int]
    length: int


def can_ids(codec: DriveCodec) -> set[int]:
    """Every identifier that means something to the drive or comes from it; bit 31 marks 29 bits (linux/can.h)."""
    return {one.can_id for one in _shapes(codec)}


def clashes(codecs: Sequence[DriveCodec]) -> list[tuple[int, str, str]]:
    """For each pair of drives the first frame that means something to both: place of the second, expected, got."""
    found = []
    for (_, mine), (place, theirs) in combinations(enumerate(codecs), 2):
        expected = f"frames that are none of node {mine.node}'s, which is on the same wire"
        for other in _shapes(theirs):
            alike = next((one for one in _shapes(mine) if _alike(one, other)), None)
            if alike is not None:
                named = f"{other.can_id & 0x1FFF_FFFF:X}h, " if other.can_id >= 0 else ""
                got = f"{named}{other.where}, which may be taken for its {alike.where}"
                found.append((place, expected, got))
                break
    return found


def _shapes(codec: DriveCodec) -> Iterator[_Shape]:
    is_long = codec.drive.can is not None and codec.drive.can.id_bits == 29
    mark = 1 << 31 if is_long else 0
    for name, frames in codec.commands.items():
        for place, frame in enumerate(frames):
            can_id = frame.can_id | mark
            yield _Shape(f"commands.{name}.{place}", name == "stop_all", can_id, frame.fixed, frame.length)
    for place, reply in enumerate(codec.replies.values()):
        yield _Shape(f"replies.{place}", False, reply.can_id | mark, reply.fixed, reply.length)


def _alike(one: _Shape, other: _Shape) -> bool:
    """Whether a frame of the one may be taken for the other's. What stops everybody may be the same."""
    if one.can_id != other.can_id or (one.is_to_all and other.is_to_all):
        return False
    if one.can_id >= 0:
        return True
    # On a line whoever begins alike has begun: as far as the shorter one goes.
    least = min(one.length, other.length)
    return all(other.fixed.get(at, value) == value for at, value in one.fixed.items() if at < least)
