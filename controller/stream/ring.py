"""The shared-memory ring that carries tick records from the streamer to the service.

Owns the file's layout, the writer that never waits and the reader that never disturbs it. Knows nothing of
logs or ticks beyond ``TICK_DTYPE``.

Layout of the file (native little-endian, meant for one machine, never archived):

* 0: magic ``GIORING1`` (8 bytes); 8: u64 record size; 16: u64 capacity (records);
* 32: u64 write index = number of records ever written, stored *after* the record it counts;
* 64: ``capacity`` records; record i lies in slot i mod capacity and its field ``tick`` equals i.

The writer overwrites the oldest record when the reader is slow. The reader copies, looks at the index again
and drops what may have been overwritten meanwhile; a record whose ``tick`` is not its index is not yet visible
(a processor may show the index first) and is read next time.
"""

from __future__ import annotations

import mmap
import os
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from controller.stream.record import PACK, TICK_DTYPE

MAGIC = b"GIORING1"
HEADER_BYTES = 64
DEFAULT_CAPACITY = 16_384
_RECORD_SIZE_WORD, _CAPACITY_WORD, _INDEX_WORD = 1, 2, 4


class RingError(Exception):
    """The file is no ring of ours, or of another layout."""


class Drained(NamedTuple):
    """What ``drain`` found: records in order (a copy), and how many were overwritten before they were read."""

    records: npt.NDArray[np.void]
    lost: int


class Ring:
    """One end of the ring. The streamer calls ``write``, the service ``drain``; each end opens the file itself."""

    def __init__(self, path: Path, memory: mmap.mmap) -> None:
        self.path = path
        self._memory = memory
        self._words = memoryview(memory)[:HEADER_BYTES].cast("Q")
        if bytes(memory[:8]) != MAGIC:
            raise RingError(f"{path}: expected magic {MAGIC!r}, got {bytes(memory[:8])!r}")
        if self._words[_RECORD_SIZE_WORD] != TICK_DTYPE.itemsize:
            raise RingError(
                f"{path}: expected records of {TICK_DTYPE.itemsize} bytes, "
                f"got {self._words[_RECORD_SIZE_WORD]}"
            )
        self.capacity = int(self._words[_CAPACITY_WORD])
        if self.capacity < 2 or len(memory) != HEADER_BYTES + self.capacity * TICK_DTYPE.itemsize:
            raise RingError(f"{path}: expected a file of {self.capacity} records, got {len(memory)} bytes")
        self._records = np.frombuffer(memory, dtype=TICK_DTYPE, offset=HEADER_BYTES)
        self._pack_into = PACK.pack_into
        self._record_bytes = TICK_DTYPE.itemsize
        self._written = int(self._words[_INDEX_WORD])
        self._read = 0

    @classmethod
    def create(cls, path: Path, capacity: int = DEFAULT_CAPACITY) -> Ring:
        """Make (or replace) the file, every page already there, and open it."""
        if capacity < 2:
            raise RingError(f"{path}: expected a capacity of at least 2 records, got {capacity}")
        path.unlink(missing_ok=True)
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            size = HEADER_BYTES + capacity * TICK_DTYPE.itemsize
            os.posix_fallocate(descriptor, 0, size)
            memory = mmap.mmap(descriptor, size)
        finally:
            os.close(descriptor)
        words = memoryview(memory)[:HEADER_BYTES].cast("Q")
        words[_RECORD_SIZE_WORD] = TICK_DTYPE.itemsize
        words[_CAPACITY_WORD] = capacity
        words.release()
        memory[:8] = MAGIC
        return cls(path, memory)

    @classmethod
    def open(cls, path: Path) -> Ring:
        """Open an existing ring. Raises RingError when it is none, OSError when there is no file."""
        with path.open("r+b") as file:
            size = os.fstat(file.fileno()).st_size
            if size < HEADER_BYTES:
                raise RingError(f"{path}: expected a ring, got a file of {size} bytes")
            memory = mmap.mmap(file.fileno(), size)
        return cls(path, memory)

    @property
    def written(self) -> int:
        """How many records have ever been written."""
        return int(self._words[_INDEX_WORD])

    def write(
        self,
        tick: int,
        scheduled_ns: int,
        sent_ns: int,
        feedback_ns: int,
        velocity_x: int,
        velocity_y: int,
        trim_x: int,
        trim_y: int,
        planned_x: int,
        planned_y: int,
        measured_x: int,
        measured_y: int,
        status_x: int,
        status_y: int,
        segment: int,
        task: int,
        head: int,
        flags: int,
    ) -> None:
        """Store one tick. Never waits. ``tick`` must be the number of records written before."""
        index = self._written
        self._pack_into(
            self._memory,
            HEADER_BYTES + (index % self.capacity) * self._record_bytes,
            tick, scheduled_ns, sent_ns, feedback_ns, velocity_x, velocity_y, trim_x, trim_y,
            planned_x, planned_y, measured_x, measured_y, status_x, status_y, segment, task, head, flags,
        )  # fmt: skip
        self._written = index + 1
        # A memoryview item of format Q is stored as one aligned 64-bit word.
        self._words[_INDEX_WORD] = index + 1

    def drain(self) -> Drained:
        """All records that came since the last call, oldest first, and how many were lost."""
        end = int(self._words[_INDEX_WORD])
        first = max(self._read, end - self.capacity)
        index = np.arange(first, end, dtype=np.int64)
        records = self._records[index % self.capacity]  # fancy indexing copies
        # The writer may have come round while we copied; the slot it is at now is not to be trusted either.
        overwritten = int(self._words[_INDEX_WORD]) + 1 - self.capacity
        skip = min(max(0, overwritten - first), len(records))
        records, index = records[skip:], index[skip:]
        visible = records["tick"] == index
        count = len(records) if bool(visible.all()) else int(np.argmin(visible))
        lost = first + skip - self._read
        self._read = first + skip + count
        return Drained(records[:count], lost)

    def close(self) -> None:
        """Unmap the file; it stays where it is."""
        self._words.release()
        del self._records
        try:
            self._memory.close()
        except BufferError:  # somebody still holds a view: the mapping goes with it
            return
