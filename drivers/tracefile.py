"""The trace's file: a ring of fixed slots that whoever owns the wire fills without waiting, and its reader.

Owns the layout and nothing else: no link, no meaning. docs/trace.md has the layout in words. The writer touches memory
only: every page is there before the first frame, and nothing is allocated, flushed or locked afterwards. A process that
is killed leaves what it had counted; a file that was cut short gives what is whole of it.

All integers little-endian. 64 bytes of head, eight u64: magic ``GIOTRAC1``, bytes of a slot, slots, frames ever written
(stored after the slots that it counts), bytes of the description, first byte of the slots, index of the first slot's
frame, 0. Then the description, JSON in UTF-8. Slot: instant u64 (ns), identifier u32, low half of the index u16, flags
u8, length u8, 8 bytes. Piece i lies in slot (i - first index) mod slots.

A CAN frame is one slot. A run of serial bytes is as many as it needs: the identifier of the first is the run's length,
of those behind it their offset.
"""

from __future__ import annotations

import json
import mmap
import os
import struct
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

MAGIC = b"GIOTRAC1"
HEAD_BYTES = 64
SLOT = struct.Struct("<QIHBB8s")
SLOT_BYTES = SLOT.size
OUT, SERIAL, MORE, NOT_TAKEN = 1, 2, 4, 8
"""Flags: ours (else theirs); serial bytes (else a CAN frame); more of the slot before; the wire did not take it."""

_HEAD = struct.Struct("<8s7Q")
_WRITTEN_WORD = 3
_DESCRIPTION_MAX = 1 << 20


class TraceError(Exception):
    """The file is no trace of this layout."""


class Piece(NamedTuple):
    """What passed at once: a CAN frame, or a run of serial bytes (``can_id`` is 0 then)."""

    instant_ns: int
    is_out: bool
    is_serial: bool
    is_taken: bool
    can_id: int
    data: bytes


def _nowhere(*_: object) -> None:
    """What comes when the trace has been closed."""


class TraceWriter:
    """The one writer of a ring. Its methods never block and never raise for want of room: the oldest gives way."""

    __slots__ = ("_capacity", "_memory", "_pack", "_slots_at", "_words", "path", "written")

    def __init__(self, path: Path, memory: mmap.mmap, slots_at: int, capacity: int) -> None:
        self.path = path
        self.written = 0
        self._memory = memory
        self._words = memoryview(memory)[:HEAD_BYTES].cast("Q")
        self._slots_at = slots_at
        self._capacity = capacity
        self._pack: Callable[..., None] = SLOT.pack_into

    @classmethod
    def create(cls, path: Path, capacity: int, description: Mapping[str, Any]) -> TraceWriter:
        """Make (or replace) the file with room for ``capacity`` slots, every page already there.

        Raises OSError when there is no room for it.
        """
        if capacity < 2:
            raise ValueError(f"expected room for at least 2 frames, got {capacity}")
        text = json.dumps(description).encode()
        slots_at = (HEAD_BYTES + len(text) + 7) // 8 * 8
        size = slots_at + capacity * SLOT_BYTES
        path.unlink(missing_ok=True)
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        try:
            # A page that could not be had when it is first touched would kill the process.
            os.posix_fallocate(descriptor, 0, size)
            memory = mmap.mmap(descriptor, size, flags=mmap.MAP_SHARED | getattr(mmap, "MAP_POPULATE", 0))
        except OSError:
            path.unlink(missing_ok=True)
            raise
        finally:
            os.close(descriptor)
        memory[HEAD_BYTES : HEAD_BYTES + len(text)] = text
        memory[:HEAD_BYTES] = _HEAD.pack(MAGIC, SLOT_BYTES, capacity, 0, len(text), slots_at, 0, 0)
        return cls(path, memory, slots_at, capacity)

    def frame(self, instant_ns: int, flags: int, can_id: int, data: bytes) -> None:
        """Put one CAN frame (up to 8 bytes) down; ``count`` makes it visible."""
        index = self.written
        self._pack(
            self._memory, self._slots_at + index % self._capacity * SLOT_BYTES,
            instant_ns, can_id, index & 0xFFFF, flags, len(data), data,
        )  # fmt: skip
        self.written = index + 1

    def run_of_bytes(self, instant_ns: int, flags: int, data: bytes) -> None:
        """Put serial bytes down; ``count`` makes them visible."""
        self.frame(instant_ns, flags | SERIAL, len(data), data[:8])
        for offset in range(8, len(data), 8):
            self.frame(instant_ns, flags | SERIAL | MORE, offset, data[offset : offset + 8])

    def count(self) -> None:
        """Let readers see what has been put down."""
        # One store of 8 bytes: whoever reads meanwhile sees the old number or this one.
        if not self._memory.closed:
            self._words[_WRITTEN_WORD] = self.written

    def close(self) -> None:
        """Let the memory go; the file stays. A second call does nothing."""
        if not self._memory.closed:
            self.count()
            self._pack = _nowhere
            self._words.release()
            self._memory.close()


@dataclass(frozen=True, slots=True)
class Trace:
    """A file as read: ``description``, and how many slots were ``overwritten`` before its first.

    ``parts``: the whole slots as they lie in the file, oldest first, each stretch with the index of its first.
    ``missing``: how many more its head speaks of.
    """

    description: dict[str, Any]
    overwritten: int
    missing: int
    parts: tuple[tuple[int, memoryview], ...]

    @property
    def torn(self) -> int:
        """How many slots are half written, or cut off with the file's end."""
        return (
            self.missing
            + sum(len(part) for _, part in self.parts) // SLOT_BYTES
            - sum(1 for _ in self.slots())
        )

    def slots(self) -> Iterator[tuple[int, int, int, bytes]]:
        """(instant, identifier, flags, bytes) of every whole slot, oldest first."""
        for first, part in self.parts:
            for index, (instant_ns, word, low, flags, length, data) in enumerate(
                SLOT.iter_unpack(part), first
            ):
                if low == index & 0xFFFF and length <= 8:
                    yield instant_ns, word, flags, data[:length]

    def pieces(self) -> Iterator[Piece]:
        """What passed, oldest first; runs of bytes put together again as far as they are there."""
        held: tuple[int, int, int] | None = None
        joined = bytearray()
        for instant_ns, word, flags, data in self.slots():
            if flags & SERIAL and flags & MORE:
                if held is not None and word == len(joined):
                    joined += data
                continue
            if held is not None:
                yield _run(held, joined)
                held = None
            if flags & SERIAL:
                held, joined = (instant_ns, word, flags), bytearray(data)
            else:
                yield Piece(instant_ns, bool(flags & OUT), False, not flags & NOT_TAKEN, word, data)
        if held is not None:
            yield _run(held, joined)


def _run(held: tuple[int, int, int], joined: bytearray) -> Piece:
    instant_ns, length, flags = held
    return Piece(instant_ns, bool(flags & OUT), True, not flags & NOT_TAKEN, 0, bytes(joined[:length]))


def read_trace(path: Path) -> Trace:
    """Read a trace, whole or cut short, also while it is written. Raises TraceError, OSError."""
    return parse_trace(path.read_bytes(), str(path))


def parse_trace(raw: bytes, name: str = "trace") -> Trace:
    """As ``read_trace``, from bytes. Raises TraceError for what is no trace, and for nothing else."""
    if len(raw) < HEAD_BYTES:
        raise TraceError(f"{name}: expected a trace, got {len(raw)} bytes")
    magic, slot_bytes, capacity, written, text_bytes, slots_at, first, _ = _HEAD.unpack_from(raw)
    if magic != MAGIC or slot_bytes != SLOT_BYTES:
        raise TraceError(f"{name}: expected a trace that begins with {MAGIC.decode()}, got another file")
    whole = (len(raw) - slots_at) // SLOT_BYTES if HEAD_BYTES <= slots_at <= len(raw) else 0
    if not (capacity >= 1 and text_bytes <= _DESCRIPTION_MAX and HEAD_BYTES + text_bytes <= slots_at):
        raise TraceError(f"{name}: expected the head of a trace, got numbers that cannot be")
    try:
        description = json.loads(raw[HEAD_BYTES : HEAD_BYTES + text_bytes])
    except (ValueError, RecursionError):
        raise TraceError(f"{name}: expected a description in JSON, got something else") from None
    if not isinstance(description, dict):
        raise TraceError(f"{name}: expected a description that is an object, got something else")
    oldest = max(first, written - capacity)
    count = min(max(0, written - oldest), capacity)
    begin, present = (oldest - first) % capacity, min(whole, capacity)
    slots = memoryview(raw)[slots_at:]
    parts = []
    # No more slots are looked at than the file has, whatever its head says.
    for index, low, high in (
        (oldest, begin, min(present, begin + count)),
        (oldest + capacity - begin, 0, min(present, begin, begin + count - capacity)),
    ):
        if high > low:
            parts.append((index, slots[low * SLOT_BYTES : high * SLOT_BYTES]))
    there = sum(len(part) for _, part in parts) // SLOT_BYTES
    return Trace(description, oldest, count - there, tuple(parts))


def keep(ring: Path, target: Path) -> bool:
    """Move a ring that nobody writes any more to ``target``: oldest first, without the empty rest.

    False when there was none or it was no trace; the ring is gone in either case. Raises OSError when ``target`` cannot
    be written; then the ring stays.
    """
    try:
        trace = read_trace(ring)
    except FileNotFoundError:
        return False
    except TraceError:
        ring.unlink()
        return False
    write_trace(target, trace)
    ring.unlink()
    return True


def write_trace(target: Path, trace: Trace) -> None:
    """Write a trace as a whole file: the one from before or this one, never half of it. Raises OSError."""
    text = json.dumps(trace.description).encode()
    slots_at = (HEAD_BYTES + len(text) + 7) // 8 * 8
    first, count = trace.overwritten, sum(len(part) for _, part in trace.parts) // SLOT_BYTES
    head = _HEAD.pack(MAGIC, SLOT_BYTES, max(1, count), first + count, len(text), slots_at, first, 0)
    part = target.with_name(target.name + ".part")
    try:
        with part.open("wb") as file:
            file.write(head + text.ljust(slots_at - HEAD_BYTES, b"\0"))
            for _, slots in trace.parts:
                file.write(slots)
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
    except OSError:
        part.unlink(missing_ok=True)
        raise
