"""A schedule: ticks of integer velocity for two axes, ready to be streamed. Data and its files only.

Files of one schedule folder: ``velocity.npy`` (n, 2) int32, ``segments.npy`` (records below), ``meta.json``. They
are written piece by piece (``ScheduleWriter``) and memory-mapped when read, so that neither planning nor streaming
needs memory that grows with the pass. What the head does in a tick, and the segment that a tick belongs to, follow
from the segments and are not stored.

Positions live on the *quantum* grid: one quantum is what one unit of drive velocity moves an axis in one tick
(``Machine.quantum_counts``), signed by the drive's direction, zero at machine zero. So the planned position at
tick boundary k is ``start_quanta + sum(velocity[:k])``, an exact integer, however long the schedule.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import IntEnum
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.config.damage import whole

FORMAT = 2
CHUNK_TICKS = 1 << 18
"""So many ticks are digested or summed at a time."""

_HEADER_BYTES = 128
"""Of ``velocity.npy``: numpy's format 1.0 pads the header of a two-column array to this."""


class SegmentKind(IntEnum):
    """What the head does during a run of ticks."""

    TRAVEL = 0
    LEAD_IN = 1
    LOWER = 2
    STROKE = 3
    RAISE = 4


PEN_DOWN = np.isin(np.arange(len(SegmentKind)), [SegmentKind.LOWER, SegmentKind.STROKE])
"""By kind: whether the pen is down, or on its way down."""

SEGMENT_DTYPE = np.dtype(
    [
        ("kind", "u1"),
        ("stroke", "<i4"),  # index in the pass' StrokeSet; -1 for none
        ("first_tick", "<i8"),
        ("ticks", "<i8"),
        ("length_mm", "<f8"),
    ]
)


class PerTick:
    """A value for each tick that is the same all through a segment; slices and indices only, like an array.

    ends: (m,) int64, the tick after each segment's last; values: (m,) by segment.
    """

    __slots__ = ("_ends", "_values")

    def __init__(self, ends: npt.NDArray[np.int64], values: npt.NDArray[Any]) -> None:
        self._ends = ends
        self._values = values

    def __len__(self) -> int:
        return int(self._ends[-1]) if len(self._ends) else 0

    def __getitem__(self, ticks: slice | int) -> Any:
        if isinstance(ticks, slice):
            first, last, step = ticks.indices(len(self))
            if step != 1:
                return self._between(0, len(self))[ticks]
            return self._between(first, last)
        at = ticks + len(self) if ticks < 0 else ticks
        if not 0 <= at < len(self):
            raise IndexError(f"tick: expected 0 to {len(self) - 1}, got {ticks}")
        return self._values[np.searchsorted(self._ends, at, side="right")]

    def __array__(self, dtype: npt.DTypeLike | None = None, copy: bool | None = None) -> npt.NDArray[Any]:
        return self._between(0, len(self)).astype(self._values.dtype if dtype is None else dtype)

    def _between(self, first: int, last: int) -> npt.NDArray[Any]:
        if last <= first:
            return self._values[:0]
        low = int(np.searchsorted(self._ends, first, side="right"))
        high = int(np.searchsorted(self._ends, last - 1, side="right"))
        bounds = np.minimum(self._ends[low : high + 1], last)
        return np.repeat(self._values[low : high + 1], np.diff(bounds, prepend=first))


@dataclass(frozen=True, slots=True)
class Schedule:
    """One pass, or one move, as ticks.

    velocity_units: (n, 2) int32, drive units, axis order x, y.
    segments: (m,) SEGMENT_DTYPE, in time order, covering all ticks.
    start_quanta: where the schedule expects the machine to stand, on the quantum grid of each axis.
    """

    velocity_units: npt.NDArray[np.int32]
    segments: npt.NDArray[np.void]
    start_quanta: tuple[int, int]
    tick_ns: int
    machine: str
    head: PerTick = field(init=False, repr=False, compare=False)
    """By tick, uint8: 1 = pen down during that tick."""
    segment: PerTick = field(init=False, repr=False, compare=False)
    """By tick, int32: index into ``segments``."""

    def __post_init__(self) -> None:
        table = self.segments
        ends = np.asarray(table["first_tick"] + table["ticks"], dtype=np.int64)
        starts = np.concatenate([np.zeros(1, dtype=np.int64), ends[:-1]])[: len(ends)]
        total = int(ends[-1]) if len(ends) else 0
        if total != len(self.velocity_units) or not np.array_equal(table["first_tick"], starts):
            raise ValueError(
                f"segments: expected to cover {len(self.velocity_units)} ticks in order, they do not"
            )
        object.__setattr__(self, "head", PerTick(ends, PEN_DOWN[table["kind"]].astype(np.uint8)))
        object.__setattr__(self, "segment", PerTick(ends, np.arange(len(ends), dtype=np.int32)))

    @property
    def ticks(self) -> int:
        """Number of ticks."""
        return len(self.velocity_units)

    def boundaries_quanta(self) -> npt.NDArray[np.int64]:
        """Planned positions (n + 1, 2) at all tick boundaries, on the quantum grid."""
        out = np.empty((self.ticks + 1, 2), dtype=np.int64)
        out[0] = self.start_quanta
        np.cumsum(self.velocity_units, axis=0, dtype=np.int64, out=out[1:])
        out[1:] += out[0]
        return out

    def boundaries_in_chunks(self) -> Iterator[npt.NDArray[np.int64]]:
        """``boundaries_quanta`` piece by piece, for those that only look at each once. The first holds the start."""
        at = np.array([self.start_quanta], dtype=np.int64)
        yield at
        for first in range(0, self.ticks, CHUNK_TICKS):
            part = np.cumsum(self.velocity_units[first : first + CHUNK_TICKS], axis=0, dtype=np.int64) + at
            yield part
            at = part[-1:]

    def digest(self) -> str:
        """SHA-256 over all that is streamed: equal plans have equal digests."""
        digest = _begun_digest(self.start_quanta, self.tick_ns, self.machine)
        for first in range(0, self.ticks, CHUNK_TICKS):
            digest.update(np.ascontiguousarray(self.velocity_units[first : first + CHUNK_TICKS]).data)
        digest.update(np.ascontiguousarray(self.segments).view(np.uint8).data)
        return digest.hexdigest()

    def save(self, folder: Path) -> str:
        """Write the schedule's files into ``folder`` (made when missing); returns the digest."""
        writer = ScheduleWriter(self.start_quanta, self.tick_ns, self.machine, folder)
        for first in range(0, self.ticks, CHUNK_TICKS):
            writer.add_ticks(self.velocity_units[first : first + CHUNK_TICKS])
        writer.add_segments(self.segments)
        return writer.finish()[1]

    @classmethod
    def load(cls, folder: Path) -> Schedule:
        """Read what ``save`` wrote, memory-mapped. Raises OSError, or ValueError when a file is damaged or the digest
        does not hold."""
        schedule, digest = _mapped(folder)
        with whole(folder):
            found = schedule.digest()
        if found != digest:
            raise ValueError(f"{folder}: expected digest {digest[:12]}…, got {found[:12]}…")
        return schedule


class ScheduleWriter:
    """Takes a schedule piece by piece; keeps it in memory, or in ``folder`` where one is given."""

    def __init__(
        self, start_quanta: tuple[int, int], tick_ns: int, machine: str, folder: Path | None
    ) -> None:
        self._start, self._tick_ns, self._machine = start_quanta, tick_ns, machine
        self._folder = folder
        self._velocities: list[npt.NDArray[np.int32]] = []
        self._segments: list[npt.NDArray[np.void]] = []
        self._digest = _begun_digest(start_quanta, tick_ns, machine)
        self._file = None
        self.ticks = 0
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
            self._file = (folder / "velocity.npy").open("wb")
            self._file.write(bytes(_HEADER_BYTES))  # the header is known when all is written

    def add_ticks(self, velocity_units: npt.NDArray[np.int32]) -> None:
        """The next ticks, (k, 2)."""
        velocities = np.ascontiguousarray(velocity_units, dtype=np.int32)
        self._digest.update(velocities.data)
        self.ticks += len(velocities)
        if self._file is not None:
            self._file.write(velocities.data)
        else:
            self._velocities.append(velocities)

    def add_segments(self, segments: npt.NDArray[np.void]) -> None:
        """The next segments, their first ticks counted from the schedule's start."""
        self._segments.append(segments)

    def finish(self) -> tuple[Schedule, str]:
        """The whole, memory-mapped where it was written to files, and its digest."""
        segments = np.concatenate([np.zeros(0, dtype=SEGMENT_DTYPE), *self._segments])
        self._digest.update(segments.view(np.uint8).data)
        digest = self._digest.hexdigest()
        if self._folder is None or self._file is None:
            velocities = np.concatenate([np.zeros((0, 2), dtype=np.int32), *self._velocities])
            return Schedule(velocities, segments, self._start, self._tick_ns, self._machine), digest
        self._file.seek(0)
        np.lib.format.write_array_header_1_0(
            self._file, {"descr": "<i4", "fortran_order": False, "shape": (self.ticks, 2)}
        )
        if self._file.tell() != _HEADER_BYTES:
            raise RuntimeError(f"header: expected {_HEADER_BYTES} bytes, got {self._file.tell()}")
        self._file.close()
        np.save(self._folder / "segments.npy", segments)
        meta = {
            "format": FORMAT,
            "start_quanta": list(self._start),
            "tick_ns": self._tick_ns,
            "machine": self._machine,
            "digest": digest,
        }
        (self._folder / "meta.json").write_text(json.dumps(meta, indent=1) + "\n")
        return _mapped(self._folder)

    def close(self) -> None:
        """Let go of an unfinished file. Does nothing after ``finish``."""
        if self._file is not None:
            self._file.close()


def _begun_digest(start_quanta: tuple[int, int], tick_ns: int, machine: str) -> hashlib._Hash:
    return hashlib.sha256(json.dumps([list(start_quanta), tick_ns, machine]).encode())


def _mapped(folder: Path) -> tuple[Schedule, str]:
    """The schedule in ``folder``, unchecked, and the digest that it says it has."""
    with whole(folder / "meta.json"):
        meta = json.loads((folder / "meta.json").read_text())
        format_said = meta.get("format")
    if format_said != FORMAT:
        raise ValueError(
            f"{folder}: expected schedule format {FORMAT}, got {format_said}: prepare the job again"
        )
    with whole(folder):
        schedule = Schedule(
            np.load(folder / "velocity.npy", mmap_mode="r", allow_pickle=False),
            np.load(folder / "segments.npy", mmap_mode="r", allow_pickle=False),
            (int(meta["start_quanta"][0]), int(meta["start_quanta"][1])),
            int(meta["tick_ns"]),
            str(meta["machine"]),
        )
        return schedule, str(meta["digest"])
