"""The timing log of one run: every tick record, in blocks that carry their own proof.

Owns the file format (docs/timing-log.md) and nothing else: writer and reader. The service writes it, never
the streamer.

All integers little-endian. The file is a sequence of blocks, each a 24-byte header and its payload:

* 0: magic ``GTLB``; 4: u16 version (1); 6: u16 kind (0 meta, 1 ticks); 8: u32 sequence (0, 1, 2, ...);
* 12: u32 payload bytes; 16: u32 CRC-32 of the payload; 20: u32 CRC-32 of header bytes 0 to 19.

Block 0 is the meta block: a JSON object in UTF-8 that holds, beside the caller's fields, ``record`` (the
records' layout). Every other block holds whole records of ``TICK_DTYPE``. A block is valid when both checksums
hold. A reader that meets anything else searches for the next valid header, reports what it left out and never
uses a byte of it.
"""

from __future__ import annotations

import json
import os
import struct
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple, Self

import numpy as np
import numpy.typing as npt

from controller.stream.record import TICK_DTYPE

MAGIC = b"GTLB"
VERSION = 1
KIND_META, KIND_TICKS = 0, 1
_HEAD = struct.Struct("<4sHHIII")
_CRC = struct.Struct("<I")
HEADER_BYTES = _HEAD.size + _CRC.size
PAYLOAD_MAX_BYTES = 64 * 1024 * 1024


class TimingLogError(Exception):
    """The file is no timing log of this version at all (not even its meta block can be read)."""


@dataclass(frozen=True, slots=True)
class Damage:
    """A stretch of the file that was left out."""

    offset: int
    length: int
    what: str


class TimingLog(NamedTuple):
    """A log as read: meta, trusted records in order, and what was left out."""

    meta: dict[str, Any]
    records: npt.NDArray[np.void]
    damage: tuple[Damage, ...]


def _block(kind: int, sequence: int, payload: bytes) -> bytes:
    head = _HEAD.pack(MAGIC, VERSION, kind, sequence, len(payload), zlib.crc32(payload))
    return head + _CRC.pack(zlib.crc32(head)) + payload


class TimingLogWriter:
    """Appends blocks. Each ``append`` with records writes one block in one call.

    Every ``sync_blocks``-th block is followed by fsync, and so is ``close``: a crash of the host loses at most
    the blocks since then, a crash of the process loses none that ``append`` has returned from.
    """

    def __init__(self, path: Path, meta: Mapping[str, Any], sync_blocks: int = 4) -> None:
        described = {**meta, "record": TICK_DTYPE.descr}
        self._file = path.open("xb", buffering=0)
        self._sequence = 0
        self._sync_blocks = sync_blocks
        self.records = 0
        self._put(KIND_META, json.dumps(described).encode())
        os.fsync(self._file.fileno())

    def append(self, records: npt.NDArray[np.void]) -> None:
        """Write ``records`` (of ``TICK_DTYPE``) as one block; nothing when there are none."""
        if records.dtype != TICK_DTYPE:
            raise TypeError(f"expected records of the tick layout, got {records.dtype}")
        if len(records) == 0:
            return
        self._put(KIND_TICKS, np.ascontiguousarray(records).tobytes())
        self.records += len(records)
        if self._sequence % self._sync_blocks == 0:
            os.fsync(self._file.fileno())

    def close(self) -> None:
        """Make all of it durable and close. A second call does nothing."""
        if not self._file.closed:
            os.fsync(self._file.fileno())
            self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _put(self, kind: int, payload: bytes) -> None:
        block = memoryview(_block(kind, self._sequence, payload))
        while block:
            block = block[self._file.write(block) :]
        self._sequence += 1


class _Header(NamedTuple):
    kind: int
    sequence: int
    payload_bytes: int
    payload_crc: int


class _Window:
    """A file as bytes, read where it is looked at: a disk that fails raises OSError, and a log of hours fits."""

    _STEP = 1 << 20

    def __init__(self, file: BinaryIO) -> None:
        self._descriptor = file.fileno()
        self._size = os.fstat(self._descriptor).st_size

    def __len__(self) -> int:
        return self._size

    def read(self, begin: int, count: int) -> bytes:
        """``count`` bytes from ``begin`` on, fewer where the file ends."""
        parts = []
        while count > 0 and (part := os.pread(self._descriptor, count, begin)):
            parts.append(part)
            begin += len(part)
            count -= len(part)
        return b"".join(parts)

    def find(self, word: bytes, begin: int) -> int:
        """Where ``word`` is next, from ``begin`` on; -1 when nowhere."""
        while begin < self._size:
            found = self.read(begin, self._STEP).find(word)
            if found >= 0:
                return begin + found
            begin += self._STEP - len(word) + 1
        return -1


def _header_at(data: _Window, offset: int) -> _Header | None:
    """The header at ``offset`` when it is whole, of this version and its checksum holds."""
    if offset + HEADER_BYTES > len(data):
        return None
    head = data.read(offset, HEADER_BYTES)
    (crc,) = _CRC.unpack_from(head, _HEAD.size)
    if zlib.crc32(head[: _HEAD.size]) != crc:
        return None
    magic, version, kind, sequence, payload_bytes, payload_crc = _HEAD.unpack_from(head)
    if magic != MAGIC or version != VERSION or payload_bytes > PAYLOAD_MAX_BYTES:
        return None
    return _Header(kind, sequence, payload_bytes, payload_crc)


def read_timing_log(path: Path) -> TimingLog:
    """Read a log, leaving out and reporting all that is torn or corrupted.

    Raises TimingLogError when the meta block cannot be trusted: then nobody knows the records' layout.
    """
    meta: dict[str, Any] | None = None
    parts: list[npt.NDArray[np.void]] = []
    damage: list[Damage] = []
    for found in _walk(path):
        if isinstance(found, Damage):
            damage.append(found)
        elif isinstance(found, dict):
            meta = _checked(found, path)
        else:
            parts.append(found)
    if meta is None:
        raise _no_meta(path)
    records = np.concatenate(parts) if parts else np.empty(0, dtype=TICK_DTYPE)
    return TimingLog(meta, records, tuple(damage))


def tick_blocks(
    path: Path, damaged: Callable[[Damage], None] | None = None
) -> Iterator[npt.NDArray[np.void]]:
    """The trusted records of a log, block by block: no more memory than a block, however long the run was.

    Yields what ``read_timing_log`` has in ``records``, and raises what it raises; arrays are read-only. ``damaged`` is
    told what was left out.
    """
    meta = None
    for found in _walk(path):
        if isinstance(found, dict):
            meta = _checked(found, path)
        elif isinstance(found, Damage):
            if damaged is not None:
                damaged(found)
        else:
            if meta is None:
                raise _no_meta(path)
            yield found
    if meta is None:
        raise _no_meta(path)


def log_meta(path: Path) -> dict[str, Any]:
    """What the log's meta block says; no records are read. Raises what ``read_timing_log`` raises."""
    for found in _walk(path):
        if isinstance(found, dict):
            return _checked(found, path)
    raise _no_meta(path)


def _no_meta(path: Path) -> TimingLogError:
    return TimingLogError(f"{path}: expected a timing log with a whole meta block, got none")


def _checked(meta: dict[str, Any], path: Path) -> dict[str, Any]:
    if meta.get("record") != json.loads(json.dumps(TICK_DTYPE.descr)):
        raise TimingLogError(f"{path}: expected records of this version's layout, got another layout")
    return meta


def _walk(path: Path) -> Iterator[Damage | dict[str, Any] | npt.NDArray[np.void]]:
    """What stands in the file from its begin to its end: the meta block's object, records, and what is no good."""
    with path.open("rb") as file:
        data = _Window(file)
        offset, expected = 0, 0
        while offset < len(data):
            header = _header_at(data, offset)
            begin = offset + HEADER_BYTES
            payload, trouble = b"", "no valid block header"
            if header is not None:
                payload, trouble = data.read(begin, header.payload_bytes), ""
                if len(payload) < header.payload_bytes:
                    # A torn last block, or a lost stretch inside it: whole blocks may still follow.
                    trouble = f"block {header.sequence} is cut short"
                elif zlib.crc32(payload) != header.payload_crc:
                    trouble = f"block {header.sequence}: checksum does not hold"
            if header is None or trouble:
                following = _next_header(data, offset + 1)
                end = len(data) if following is None else following
                yield Damage(offset, end - offset, trouble)
                offset = end
                continue
            if header.sequence != expected:
                missing = f"expected block {expected}, got block {header.sequence}: blocks are missing"
                yield Damage(offset, 0, missing)
            expected = header.sequence + 1
            offset = begin + header.payload_bytes
            if header.kind == KIND_META and header.sequence == 0:
                yield dict(json.loads(payload))
            elif header.kind == KIND_TICKS and len(payload) % TICK_DTYPE.itemsize == 0:
                yield np.frombuffer(payload, TICK_DTYPE)
            else:
                yield Damage(begin, header.payload_bytes, f"block {header.sequence}: unknown content")


def _next_header(data: _Window, offset: int) -> int | None:
    """Where the next trustworthy header begins at or after ``offset``."""
    while (found := data.find(MAGIC, offset)) >= 0:
        if _header_at(data, found) is not None:
            return found
        offset = found + 1
    return None
