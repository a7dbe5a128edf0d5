"""From the ring to what lasts: the timing log, the strokes finished, the progress. One run, one recorder.

Owns when records are taken out of the ring and where they go. It runs in the service, behind the streamer's
back: whatever it does, the streamer does not wait.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.session.strokewatch import StrokeWatch
from controller.stream.record import TICK_DTYPE
from controller.stream.ring import Ring
from controller.stream.timinglog import TimingLogWriter

BLOCK_RECORDS = 64
"""Records are collected to blocks of at least so many: a quarter of a second at a tick of 4 ms."""


@dataclass(frozen=True, slots=True)
class Advance:
    """How far a run has come. ``ticks`` sent so far; ``strokes`` finished in this run so far."""

    ticks: int
    strokes: int
    head_down: bool


@dataclass(slots=True)
class Recorder:
    """Drains one ring into one timing log.

    watches: those of the run's schedule tasks. on_strokes: called with newly finished strokes, ``(stroke, instant)``,
    before anything else is told of them. on_advance: called after every drain that found records. on_records: called
    with the records of every drain, before on_advance.
    """

    ring: Ring
    log_path: Path
    meta: Mapping[str, Any]
    watches: tuple[StrokeWatch, ...] = ()
    on_strokes: Callable[[list[tuple[int, int]]], None] = lambda _strokes: None
    on_advance: Callable[[Advance], None] = lambda _advance: None
    on_records: Callable[[npt.NDArray[np.void]], None] = lambda _records: None
    lost: int = 0
    ticks: int = 0
    last_ns: int = 0
    _log: TimingLogWriter | None = None
    _waiting: list[npt.NDArray[np.void]] = field(default_factory=list)
    _waiting_records: int = 0

    def open(self) -> None:
        """Begin the log."""
        self._log = TimingLogWriter(self.log_path, self.meta)

    def drain(self) -> None:
        """Take what has come."""
        records, lost = self.ring.drain()
        self.lost += lost
        if len(records) == 0:
            return
        self._waiting.append(records)
        self._waiting_records += len(records)
        self.ticks += len(records)
        self.last_ns = int(records["sent_ns"][-1])
        for watch in self.watches:
            if finished := watch.take(records):
                # A stroke in the journal has its ticks in the log, whoever dies next.
                self._write()
                self.on_strokes(finished)
        if self._waiting_records >= BLOCK_RECORDS:
            self._write()
        self.on_records(records)
        self.on_advance(Advance(self.ticks, self.strokes, bool(records["head"][-1])))

    @property
    def strokes(self) -> int:
        """Strokes finished in this run."""
        return sum(watch.finished for watch in self.watches)

    def close(self, *, done: bool) -> None:
        """Take the last records and end the log. ``done``: the streamer has said that every task ended."""
        try:
            self.drain()
            self._write()
            if done:
                for watch in self.watches:
                    if rest := watch.take_rest(self.last_ns):
                        self.on_strokes(rest)
        finally:
            if self._log is not None:
                self._log.close()

    def _write(self) -> None:
        if self._log is not None and self._waiting:
            self._log.append(np.concatenate(self._waiting).astype(TICK_DTYPE, copy=False))
        self._waiting.clear()
        self._waiting_records = 0
