"""The ticks of one run, read from its timing log and reduced to what a report needs, however many hours they are.

Owns reading in pieces and the two errors of position. Knows the log's records and the scale of both axes; no plan.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.report.runfiles import is_fresh
from controller.session.rows import RunRow
from controller.stream.record import TICK_DTYPE
from controller.stream.timinglog import Damage, log_meta, tick_blocks

PIECE_TICKS = 1 << 18
"""So many records are reduced at a time; the service writes them in blocks of a fraction of a second."""

Index = npt.NDArray[np.int64]
Vector = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TaskPlan:
    """What a task of a run streamed: its schedule's ``segments``, their strokes numbered as in the pass.

    from_mm: how far along its stroke the schedule of a remainder begins.
    """

    segments: npt.NDArray[np.void]
    from_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class RunTicks:
    """The ticks of one run, reduced to what the report needs; all arrays (n,) but ``error_mm`` (n, 2).

    scheduled_ns, lateness_ns (sent - scheduled); segment (-1 outside a schedule); task; head; error_mm: measured
    minus expected position by axis, not-a-number where no fresh word came from the drives. contour_mm: what of that
    lies at right angles to the way, always positive, not-a-number at standstill as well; way_mm: expected way since the
    tick before. Axis mm. task_kinds: what each task was (``homing``, ``move``, ``schedule``). plans: by task, of those
    whose schedules the run kept.
    """

    run: RunRow
    tick_ns: int
    task_kinds: tuple[str, ...]
    scheduled_ns: Index
    lateness_ns: Index
    segment: npt.NDArray[np.int32]
    task: npt.NDArray[np.int16]
    head: npt.NDArray[np.uint8]
    error_mm: Vector
    contour_mm: Vector
    way_mm: Vector
    plans: Mapping[int, TaskPlan]

    @property
    def ticks(self) -> int:
        """Number of ticks."""
        return len(self.lateness_ns)


def read_ticks(
    path: Path,
    run: RunRow,
    task_kinds: tuple[str, ...],
    counts_per_mm: tuple[float, float] | None,
    damaged: Callable[[Damage], None],
    plans: Mapping[int, TaskPlan] | None = None,
) -> RunTicks:
    """Read a run's log. ``counts_per_mm`` signed, by axis; None: positions stay unknown.

    ``damaged`` is told what of the log was left out. Raises OSError and TimingLogError as ``tick_blocks`` does.
    """
    meta = log_meta(path)
    scheduled: list[Index] = [np.zeros(0, dtype=np.int64)]
    late: list[Index] = [np.zeros(0, dtype=np.int64)]
    segment: list[npt.NDArray[np.int32]] = [np.zeros(0, dtype=np.int32)]
    task: list[npt.NDArray[np.int16]] = [np.zeros(0, dtype=np.int16)]
    head: list[npt.NDArray[np.uint8]] = [np.zeros(0, dtype=np.uint8)]
    error: list[Vector] = [np.zeros((0, 2))]
    planned: list[Index] = [np.zeros((0, 2), dtype=np.int64)]
    for records in _pieces(path, damaged):
        scheduled.append(records["scheduled_ns"].astype(np.int64))
        late.append((records["sent_ns"] - records["scheduled_ns"]).astype(np.int64))
        segment.append(records["segment"].astype(np.int32))
        task.append(records["task"].astype(np.int16))
        head.append(records["head"].astype(np.uint8))
        error.append(error_mm_of(records, counts_per_mm))
        planned.append(records["planned_counts"].astype(np.int64))
    scheduled_ns, error_mm = np.concatenate(scheduled), np.concatenate(error)
    contour, way = contour_and_way(np.concatenate(planned), error_mm, counts_per_mm)
    return RunTicks(
        run,
        int(meta.get("tick_ns", 0)) or _tick_ns(scheduled_ns),
        task_kinds,
        scheduled_ns,
        np.concatenate(late),
        np.concatenate(segment),
        np.concatenate(task),
        np.concatenate(head),
        error_mm,
        contour,
        way,
        {} if plans is None else plans,
    )


def error_mm_of(records: npt.NDArray[np.void], counts_per_mm: tuple[float, float] | None) -> Vector:
    """Measured less expected place (n, 2) of records, axis mm; nan without fresh word, or a scale."""
    off_mm = np.full((len(records), 2), np.nan)
    if counts_per_mm is not None:
        fresh = is_fresh(records)
        off_counts = records["measured_counts"][fresh] - records["planned_counts"][fresh]
        off_mm[fresh] = off_counts / np.array(counts_per_mm)
    return off_mm


def timing_errors_ns(scheduled_ns: Index, lateness_ns: Index, starts: Index, tick_ns: int) -> Index:
    """How much longer each segment took than its ticks (s,), by where its ticks start (s,) among a run's (n,).

    Up to the next segment's first tick where that follows at once, else up to its own last one. A tick's instant is its
    number times the tick from the run's first one on, so that a stretch that the log has lost is no error.
    """
    last = np.append(starts[1:], len(scheduled_ns)) - 1
    end = last.copy()
    follows = scheduled_ns[starts[1:]] == scheduled_ns[last[:-1]] + tick_ns
    end[:-1][follows] = starts[1:][follows]
    errors: Index = (lateness_ns[end] - lateness_ns[starts]).astype(np.int64)
    return errors


def contour_and_way(
    planned_counts: Index, error_mm: Vector, counts_per_mm: tuple[float, float] | None
) -> tuple[Vector, Vector]:
    """Contour error (n,) and expected way since the tick before (n,), mm, of expected counts and errors (n, 2) of all
    ticks of a run in order; nan without counts a mm.

    Whoever says something of contour error goes through here, before choosing ticks: the direction is that from
    neighbour to neighbour, and one that was left out would make a tick at rest look like one on its way.
    The contour error is the part of the following error at right angles to the expected motion, |ex uy - ey ux| with u
    the direction from the tick before to the tick after (Y. Koren 1980, from memory): the distance from the path where
    it is straight; where it is curved, right to within the square of the error over twice the radius.
    """
    n = len(planned_counts)
    if counts_per_mm is None:
        return np.full(n, np.nan), np.full(n, np.nan)
    contour, way = np.full(n, np.nan), np.zeros(n)
    scale = np.array(counts_per_mm)
    for begin in range(0, n, PIECE_TICKS):
        # One tick more at both ends, so that pieces join.
        low, high = max(begin - 1, 0), min(begin + PIECE_TICKS + 1, n)
        place = planned_counts[low:high] / scale
        step = np.diff(place, axis=0)
        here = slice(begin - low, begin - low + min(PIECE_TICKS, n - begin))
        direction = np.zeros_like(place)
        direction[:-1] += step
        direction[1:] += step
        length = np.hypot(direction[:, 0], direction[:, 1])
        mine = slice(begin, begin + PIECE_TICKS)
        across = error_mm[mine, 0] * direction[here, 1] - error_mm[mine, 1] * direction[here, 0]
        moving = length[here] > 0.0
        contour[mine] = np.where(moving, np.abs(across) / np.where(moving, length[here], 1.0), np.nan)
        walked = np.concatenate([[0.0], np.hypot(step[:, 0], step[:, 1])])
        way[mine] = walked[here]
    return contour, way


def _pieces(path: Path, damaged: Callable[[Damage], None]) -> Iterator[npt.NDArray[np.void]]:
    """The records, joined into pieces that are worth an array's trouble."""
    waiting: list[npt.NDArray[np.uint8]] = []
    held = 0
    for records in tick_blocks(path, damaged):
        # As bytes: numpy compares every field of every block before it joins records.
        waiting.append(records.view(np.uint8))
        held += len(records)
        if held >= PIECE_TICKS:
            yield np.concatenate(waiting).view(TICK_DTYPE)
            waiting, held = [], 0
    if waiting:
        yield np.concatenate(waiting).view(TICK_DTYPE)


def _tick_ns(scheduled_ns: Index) -> int:
    return int(np.median(np.diff(scheduled_ns))) if len(scheduled_ns) > 1 else 0
