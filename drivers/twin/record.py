"""The true motion of motors and heads, kept at 1 kHz, and the questions a judge asks of it.

Owns the sample buffers that the compiled physics writes into, the file ``motion.npz``, and proofs of standstill.
Knows no drive and no canvas. Still time takes no room: a sample is written while something moves, and at the last
still instant before a move, so straight lines between samples give the motion back.

``motion.npz`` (numpy, uncompressed): ``t_ns`` (n,) int64 instants of the run's clock (CLOCK_MONOTONIC for the
process), ``motor_mm`` and ``head_mm`` (n, 2) float64 axis mm, ``motor_mm_s`` and ``head_mm_s`` (n, 2) float64,
``end_ns`` () int64 the instant up to which the record speaks, ``dropped`` () int64 samples lost to the bound,
``boot`` () str which boot of the machine the clock belongs to; where the frame is crooked also ``place_mm`` (n, 2)
float64, the head's true mm.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import numpy as np
import numpy.typing as npt

from drivers.twin.physics import SAMPLE_COLUMNS, State, sample

Floats = npt.NDArray[np.float64]
Instants = npt.NDArray[np.int64]

CHUNK = 1 << 15
_MARGIN = 2 * 1000 + 8  # room for one call of the physics over at most one second


def boot_id() -> str:
    """Which boot of this machine CLOCK_MONOTONIC counts from; empty where the kernel does not say."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return ""


def write_npz(path: Path, arrays: dict[str, npt.ArrayLike]) -> None:
    """Write an npz file so that the old one stays whole until the new one is."""
    partial = path.with_name(path.name + ".part")
    with partial.open("wb") as file:
        np.savez(file, **arrays)  # type: ignore[arg-type]
    os.replace(partial, path)  # noqa: PTH105


@dataclass(frozen=True, slots=True)
class MotionRecord:
    """What truly moved. Columns of (n, 2) arrays are the axes in the wire's order.

    ``head_mm`` is where the head is along its guides, on whatever belt it hangs; ``true_mm`` where that is in the
    plane of the canvas, once length errors, squareness and sag are counted in.
    """

    t_ns: Instants
    motor_mm: Floats
    head_mm: Floats
    motor_mm_s: Floats
    head_mm_s: Floats
    end_ns: int
    dropped: int = 0
    boot: str = ""
    place_mm: Floats | None = None

    @property
    def true_mm(self) -> Floats:
        """Head places (n, 2) in true mm."""
        return self.head_mm if self.place_mm is None else self.place_mm

    @classmethod
    def load(cls, path: Path) -> Self:
        """Read ``motion.npz``."""
        with path.open("rb") as file, np.load(file, allow_pickle=False) as data:
            return cls(
                data["t_ns"],
                data["motor_mm"],
                data["head_mm"],
                data["motor_mm_s"],
                data["head_mm_s"],
                int(data["end_ns"]),
                int(data["dropped"]),
                str(data["boot"]),
                data.get("place_mm"),
            )

    def save(self, path: Path) -> None:
        """Write ``motion.npz``."""
        write_npz(
            path,
            {
                "t_ns": self.t_ns,
                "motor_mm": self.motor_mm,
                "head_mm": self.head_mm,
                "motor_mm_s": self.motor_mm_s,
                "head_mm_s": self.head_mm_s,
                "end_ns": np.int64(self.end_ns),
                "dropped": np.int64(self.dropped),
                "boot": np.str_(self.boot),
                **({} if self.place_mm is None else {"place_mm": self.place_mm}),
            },
        )

    def head_at(self, instants_ns: npt.ArrayLike) -> Floats:
        """Head positions (m, 2) axis mm at instants (m,), on straight lines between samples."""
        return self._at(self.head_mm, instants_ns)

    def true_at(self, instants_ns: npt.ArrayLike) -> Floats:
        """Head positions (m, 2) true mm at instants (m,)."""
        return self._at(self.true_mm, instants_ns)

    def motor_at(self, instants_ns: npt.ArrayLike) -> Floats:
        """Motor positions (m, 2) axis mm at instants (m,)."""
        return self._at(self.motor_mm, instants_ns)

    def _at(self, values: Floats, instants_ns: npt.ArrayLike) -> Floats:
        start = int(self.t_ns[0])
        at = np.atleast_1d(np.asarray(instants_ns, dtype=np.int64)) - start
        known = self.t_ns - start  # small numbers: an int64 instant does not fit a float64 to the ns
        return np.stack([np.interp(at, known, values[:, k]) for k in range(2)], axis=1)

    def is_moving(self, above_mm_s: float = 0.5) -> npt.NDArray[np.bool_]:
        """Whether a motor, or a head on its belt, is faster than ``above_mm_s`` at each sample, (n,)."""
        moving: npt.NDArray[np.bool_] = np.any(np.abs(self.motor_mm_s) > above_mm_s, axis=1)
        moving |= np.any(np.abs(self.head_mm_s) > above_mm_s, axis=1)
        return moving

    def standstill_ns(self, after_ns: int, above_mm_s: float = 0.5) -> int | None:
        """First instant from ``after_ns`` on after which nothing moves to the record's end; None if it ends moving.

        Also None when the record ends before ``after_ns``: no record is no proof.
        """
        if self.end_ns < after_ns:
            return None
        moving = np.flatnonzero(self.is_moving(above_mm_s) & (self.t_ns >= after_ns))
        if moving.size == 0:
            return after_ns
        following = int(moving[-1]) + 1
        return None if following >= len(self.t_ns) else int(self.t_ns[following])

    def travel_mm(self, from_ns: int, to_ns: int) -> Floats:
        """Largest minus smallest motor position of each axis between two instants, (2,)."""
        inside = self.motor_mm[(self.t_ns > from_ns) & (self.t_ns < to_ns)]
        edges = self.motor_at([from_ns, to_ns])
        travel: Floats = np.ptp(np.concatenate((edges, inside)), axis=0)
        return travel


class Recorder:
    """Growing storage for the samples. ``book``, ``stamps`` and ``samples`` go straight into the physics."""

    def __init__(self, max_samples: int | None = None) -> None:
        self._max_chunks = None if max_samples is None else max(1, -(-max_samples // CHUNK))
        self._full: list[tuple[Instants, Floats]] = []
        self._earlier: MotionRecord | None = None
        self._dropped = 0
        self._open_chunk()
        self.book = np.array([0, -1], dtype=np.int64)
        self.base = 0  # samples written before the present chunk

    def _open_chunk(self) -> None:
        self.stamps = np.zeros(CHUNK, dtype=np.int64)
        self.samples = np.zeros((CHUNK, SAMPLE_COLUMNS), dtype=np.float64)

    def continue_from(self, earlier: MotionRecord) -> None:
        """Put an earlier life's record in front."""
        self._earlier = earlier

    @property
    def is_nearly_full(self) -> bool:
        """Whether ``rotate`` must be called before the next call of the physics."""
        return bool(self.book[0] > CHUNK - _MARGIN)

    @property
    def last_ns(self) -> int:
        """Instant of the last sample written."""
        return int(self.stamps[self.book[0] - 1]) if self.book[0] else -1

    @property
    def written(self) -> int:
        """Number of samples since the start of this life."""
        return self.base + int(self.book[0])

    def rotate(self) -> None:
        """Begin a new chunk, with the last sample repeated as its first so that stillness can be told."""
        n = int(self.book[0])
        if n == 0:
            return
        self._full.append((self.stamps[: n - 1].copy(), self.samples[: n - 1].copy()))
        last_stamp, last_sample = self.stamps[n - 1], self.samples[n - 1].copy()
        self._open_chunk()
        self.stamps[0], self.samples[0] = last_stamp, last_sample
        self.base += n - 1
        self.book[0] = 1
        if self._max_chunks is not None:
            while len(self._full) > self._max_chunks:
                self._dropped += len(self._full.pop(0)[0])
                self._earlier = None

    def note(self, axes: State, now_ns: int) -> None:
        """Write a sample outside the 1 ms grid (start, a person's push)."""
        sample(axes, now_ns, self.stamps, self.samples, self.book)

    def rows_since(self, index: int) -> tuple[Instants, Floats]:
        """Samples of the present chunk from number ``index`` (as ``written`` counts) on: stamps, samples."""
        first = max(0, index - self.base)
        n = int(self.book[0])
        return self.stamps[first:n], self.samples[first:n]

    def record(self, end_ns: int) -> MotionRecord:
        """All that is kept, as one record that speaks up to ``end_ns``."""
        n = int(self.book[0])
        stamps = [chunk[0] for chunk in self._full] + [self.stamps[:n]]
        rows = [chunk[1] for chunk in self._full] + [self.samples[:n]]
        if self.book[1] >= 0 and n > 0:
            stamps.append(self.book[1:2].copy())
            still = self.samples[n - 1 : n].copy()
            rows.append(still)
        t_ns, columns = np.concatenate(stamps), np.concatenate(rows)
        parts = [columns[:, k::4] for k in range(4)]
        dropped = self._dropped
        if self._earlier is not None:
            old = self._earlier
            t_ns = np.concatenate((old.t_ns, t_ns))
            olds = (old.motor_mm, old.head_mm, old.motor_mm_s, old.head_mm_s)
            parts = [np.concatenate(pair) for pair in zip(olds, parts, strict=True)]
            dropped += old.dropped
        return MotionRecord(t_ns, parts[0], parts[1], parts[2], parts[3], end_ns, dropped, boot_id())
