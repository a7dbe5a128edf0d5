"""A schedule: ticks of integer velocity for two axes, ready to be streamed. Data and its files only.

Files of one schedule folder: ``velocity.npy`` (n, 2) int32, ``head.npy`` (n,) uint8, ``segment.npy`` (n,) int32,
``segments.npy`` (records below), ``meta.json``. They are memory-mapped when read.

Positions live on the *quantum* grid: one quantum is what one unit of drive velocity moves an axis in one tick
(``Machine.quantum_counts``), signed by the drive's direction, zero at machine zero. So the planned position at
tick boundary k is ``start_quanta + sum(velocity[:k])``, an exact integer, however long the schedule.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path

import numpy as np
import numpy.typing as npt


class SegmentKind(IntEnum):
    """What the head does during a run of ticks."""

    TRAVEL = 0
    LEAD_IN = 1
    LOWER = 2
    STROKE = 3
    RAISE = 4


SEGMENT_DTYPE = np.dtype(
    [
        ("kind", "u1"),
        ("stroke", "<i4"),  # index in the pass' StrokeSet; -1 for none
        ("first_tick", "<i8"),
        ("ticks", "<i8"),
        ("length_mm", "<f8"),
    ]
)


@dataclass(frozen=True, slots=True)
class Schedule:
    """One pass, or one move, as ticks.

    velocity_units: (n, 2) int32, drive units, axis order x, y.
    head: (n,) uint8, 1 = pen down during that tick.
    segment: (n,) int32, index into ``segments``.
    segments: (m,) SEGMENT_DTYPE, in time order, covering all ticks.
    start_quanta: where the schedule expects the machine to stand, on the quantum grid of each axis.
    """

    velocity_units: npt.NDArray[np.int32]
    head: npt.NDArray[np.uint8]
    segment: npt.NDArray[np.int32]
    segments: npt.NDArray[np.void]
    start_quanta: tuple[int, int]
    tick_ns: int
    machine: str

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

    def digest(self) -> str:
        """SHA-256 over all that is streamed: equal plans have equal digests."""
        digest = hashlib.sha256()
        digest.update(json.dumps([list(self.start_quanta), self.tick_ns, self.machine]).encode())
        for array in (self.velocity_units, self.head, self.segment):
            digest.update(np.ascontiguousarray(array).tobytes())
        return digest.hexdigest()

    def save(self, folder: Path) -> None:
        """Write the schedule's files into ``folder`` (made when missing)."""
        folder.mkdir(parents=True, exist_ok=True)
        np.save(folder / "velocity.npy", self.velocity_units)
        np.save(folder / "head.npy", self.head)
        np.save(folder / "segment.npy", self.segment)
        np.save(folder / "segments.npy", self.segments)
        meta = {
            "format": 1,
            "start_quanta": list(self.start_quanta),
            "tick_ns": self.tick_ns,
            "machine": self.machine,
            "digest": self.digest(),
        }
        (folder / "meta.json").write_text(json.dumps(meta, indent=1) + "\n")

    @classmethod
    def load(cls, folder: Path) -> Schedule:
        """Read what ``save`` wrote, memory-mapped. Raises ValueError when the digest does not hold."""
        meta = json.loads((folder / "meta.json").read_text())
        schedule = cls(
            np.load(folder / "velocity.npy", mmap_mode="r", allow_pickle=False),
            np.load(folder / "head.npy", mmap_mode="r", allow_pickle=False),
            np.load(folder / "segment.npy", mmap_mode="r", allow_pickle=False),
            np.load(folder / "segments.npy", mmap_mode="r", allow_pickle=False),
            (int(meta["start_quanta"][0]), int(meta["start_quanta"][1])),
            int(meta["tick_ns"]),
            str(meta["machine"]),
        )
        if schedule.digest() != meta["digest"]:
            raise ValueError(
                f"{folder}: expected digest {meta['digest'][:12]}…, got {schedule.digest()[:12]}…"
            )
        return schedule
