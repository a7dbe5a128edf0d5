"""What a run that did not end in order has painted, told from its tick records and its plan. Pure.

Three answers: strokes that are finished by the records, the stroke that was interrupted and how far between two bounds,
and strokes after it that may have been touched because the last records were lost. Knows no file and no journal.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.motion.schedule import SegmentKind
from controller.session.strokewatch import StrokeWatch

HeadWay = Callable[[int, int], npt.NDArray[np.float64]]
"""For a first tick of the schedule and a number of ticks: the head's way at the beginning of each, and at the end of
the last, (ticks + 1,) mm from the first."""


@dataclass(frozen=True, slots=True)
class Part:
    """A schedule task of a run: its index in the spec, first and last segment, both included."""

    task: int
    first_segment: int
    last_segment: int


@dataclass(frozen=True, slots=True)
class Stopping:
    """How a machine comes to rest by itself: command to head (``lag_s``), death to the last stop word (``react_s``),
    then braking at no less than ``braking_mm_s2``."""

    tick_s: float
    lag_s: float
    react_s: float
    braking_mm_s2: float


@dataclass(frozen=True, slots=True)
class Interrupted:
    """The stroke in the middle of which a run ended.

    sent_ticks of its of_ticks are known to have been sent. The pen's way from the stroke's start lies between low_mm
    and high_mm, along the path; a machine that was not stopped on the path may have left it within the last part.
    """

    stroke: int
    sent_ticks: int
    of_ticks: int
    low_mm: float
    high_mm: float
    length_mm: float


@dataclass(frozen=True, slots=True)
class Account:
    """See above. ``finished``: (stroke, instant in ns) by the records, also those that the journal has already.
    ``doubtful``: strokes after the interrupted one that may have been begun, or painted, in ``lost_ticks``."""

    finished: tuple[tuple[int, int], ...]
    interrupted: Interrupted | None
    doubtful: tuple[int, ...]
    lost_ticks: int


def account_of(
    records: npt.NDArray[np.void],
    segments: npt.NDArray[np.void],
    velocity_units: npt.NDArray[np.int32],
    parts: Sequence[Part],
    finished_before: Collection[int],
    quanta_per_mm: tuple[float, float],
    lost_ticks: int,
    stopping: Stopping,
    head_way: HeadWay | None = None,
) -> Account:
    """The account of one run.

    records: (k,) TICK_DTYPE in order, gaps allowed. segments (m,), velocity_units (n, 2): of its schedule.
    finished_before: strokes that the journal has, of this run and of earlier ones. lost_ticks: so many more ticks may
    have been sent after the last record. head_way: without it the head is taken to go wherever the motors go, evenly.
    """
    finished: list[tuple[int, int]] = []
    for part in parts:
        finished += StrokeWatch(segments, part.task, part.first_segment, part.last_segment).take(records)
    done = {*finished_before, *(stroke for stroke, _ in finished)}
    tasks = np.array([part.task for part in parts], dtype=np.int64)
    painting = np.isin(records["task"], tasks) & (records["segment"] >= 0)
    mine = records[painting]
    if len(mine) == 0:
        at = _place(segments, parts, done, None, 0)
        return Account(
            tuple(finished), None, _doubtful(segments, parts, done, None, at, lost_ticks), lost_ticks
        )
    last = mine[-1]
    in_last = int(np.count_nonzero((mine["task"] == last["task"]) & (mine["segment"] == last["segment"])))
    stroke = int(segments["stroke"][int(last["segment"])])
    interrupted = None
    labels = segments["stroke"][mine["segment"]]
    if stroke >= 0 and stroke not in done and bool(mine["head"][labels == stroke].any()):
        interrupted = _interrupted(
            records, mine[labels == stroke], segments, velocity_units, stroke, quanta_per_mm, lost_ticks, stopping,
            head_way,
        )  # fmt: skip
    at = _place(segments, parts, done, (int(last["task"]), int(last["segment"])), in_last)
    return Account(
        tuple(finished), interrupted, _doubtful(segments, parts, done, interrupted, at, lost_ticks), lost_ticks
    )  # fmt: skip


def missing_ticks(
    records: npt.NDArray[np.void], segments: npt.NDArray[np.void], parts: Sequence[Part]
) -> dict[int, int]:
    """Strokes of which tick records are missing in the middle of a run (a damaged block of its log), each with how many
    ticks at most were on it, pen down.

    records: (k,) TICK_DTYPE in order, the moves between parts among them; segments (m,) of the schedule, of which the
    run streams ``parts``.
    """
    out: dict[int, int] = {}
    painted = segments["kind"] == SegmentKind.STROKE
    streamed = np.zeros(len(segments), dtype=bool)
    for part in parts:
        streamed[part.first_segment : part.last_segment + 1] = True
    tasks = np.array([part.task for part in parts], dtype=np.int64)
    mine = np.flatnonzero(np.isin(records["task"], tasks) & (records["segment"] >= 0))
    gaps = np.diff(records["tick"].astype(np.int64)) - 1
    for place in np.flatnonzero(gaps > 0).tolist():
        after = int(np.searchsorted(mine, place, side="right"))
        if not 0 < after < len(mine):
            continue
        first, last = (int(records["segment"][mine[one]]) for one in (after - 1, after))
        for one in range(first, last + 1):
            if painted[one] and streamed[one]:
                stroke, ticks = (
                    int(segments["stroke"][one]),
                    min(int(segments["ticks"][one]), int(gaps[place])),
                )
                out[stroke] = out.get(stroke, 0) + ticks
    return out


def _interrupted(
    records: npt.NDArray[np.void],
    mine: npt.NDArray[np.void],
    segments: npt.NDArray[np.void],
    velocity_units: npt.NDArray[np.int32],
    stroke: int,
    quanta_per_mm: tuple[float, float],
    lost_ticks: int,
    stopping: Stopping,
    head_way: HeadWay | None,
) -> Interrupted:
    own = np.flatnonzero((segments["stroke"] == stroke) & (segments["kind"] == SegmentKind.STROKE))
    scale = np.abs(np.array(quanta_per_mm))
    planned = np.concatenate(
        [
            np.hypot(*(velocity_units[first : first + ticks] / scale).T)
            for first, ticks in zip(
                segments["first_tick"][own].tolist(), segments["ticks"][own].tolist(), strict=True
            )
        ]
    )
    along = np.concatenate([[0.0], np.cumsum(planned)])
    length_mm = float(segments["length_mm"][own].sum())
    by_head = along
    if head_way is not None:
        # Where the motors cross their play the head stands: their way and the path's do not grow evenly.
        ways = [head_way(int(segments["first_tick"][one]), int(segments["ticks"][one])) for one in own]
        by_head = np.concatenate([[0.0], np.cumsum(np.concatenate([np.diff(way) for way in ways]))])
    to_path = length_mm / float(by_head[-1]) if by_head[-1] > 0.0 else 1.0
    with_pen = mine[segments["kind"][mine["segment"]] == SegmentKind.STROKE]
    steps = np.hypot(*((with_pen["velocity_units"] - with_pen["trim_units"]) / scale).T)
    # Records that are missing in the middle were ticks that were sent: they may have gone on as planned.
    missing = int(with_pen["tick"][-1] - with_pen["tick"][0]) + 1 - len(with_pen) if len(with_pen) else 0
    known_mm = float(steps.sum())
    settled = with_pen["tick"] <= int(records["tick"][-1]) - math.ceil(stopping.lag_s / stopping.tick_s)
    low_mm = float(steps[settled].sum())
    # The trim goes on taking back what is left of an error when the plan has come to rest: that is no way along it.
    planned_units = records["velocity_units"][-1] - records["trim_units"][-1]
    at_rest = lost_ticks <= 1 and not records["head"][-1] and not planned_units.any()
    if at_rest and missing == 0:
        high_mm, on_mm = known_mm, 0.0
    else:
        reached = int(np.searchsorted(along, known_mm - 1e-9, side="left"))
        furthest = min(reached + missing + lost_ticks, len(planned))
        speed_mm_s = float(planned[max(reached - 1, 0) : furthest + 1].max(initial=0.0)) / stopping.tick_s
        high_mm, on_mm = float(along[furthest]), 0.0
        if not at_rest:
            on_mm = speed_mm_s * stopping.react_s + speed_mm_s**2 / (2.0 * stopping.braking_mm_s2)
    low_mm, high_mm = np.interp([low_mm, high_mm], along, by_head).tolist()
    return Interrupted(
        stroke,
        len(with_pen) + missing,
        len(planned),
        min(low_mm * to_path, length_mm),
        min((high_mm + on_mm) * to_path, length_mm),
        length_mm,
    )


def _place(
    segments: npt.NDArray[np.void],
    parts: Sequence[Part],
    done: Collection[int],
    last: tuple[int, int] | None,
    in_last: int,
) -> tuple[int, int]:
    """(index of the part, tick of the schedule) that the run had come to at least, by records and journal."""
    best = (0, int(segments["first_tick"][parts[0].first_segment]))
    if last is not None:
        task, segment = last
        index = next(n for n, part in enumerate(parts) if part.task == task)
        best = (
            index,
            int(segments["first_tick"][segment]) + min(in_last, int(segments["ticks"][segment])),
        )
    for index, part in enumerate(parts):
        mine = segments[part.first_segment : part.last_segment + 1]
        ended = np.isin(mine["stroke"], np.fromiter(done, dtype=np.int64)) & (
            mine["kind"] == SegmentKind.STROKE
        )
        if ended.any():
            one = mine[np.flatnonzero(ended)[-1]]
            best = max(best, (index, int(one["first_tick"] + one["ticks"])))
    return best


def _doubtful(
    segments: npt.NDArray[np.void],
    parts: Sequence[Part],
    done: Collection[int],
    interrupted: Interrupted | None,
    at: tuple[int, int],
    lost_ticks: int,
) -> tuple[int, ...]:
    """Strokes whose pen may have gone down within ``lost_ticks`` from ``at`` on; moves between parts take no time."""
    out: list[int] = []
    left = lost_ticks
    for index in range(at[0], len(parts)):
        part = parts[index]
        mine = segments[part.first_segment : part.last_segment + 1]
        begin = max(at[1], int(mine["first_tick"][0])) if index == at[0] else int(mine["first_tick"][0])
        lowered = (mine["kind"] == SegmentKind.LOWER) & (mine["first_tick"] + mine["ticks"] > begin)
        lowered &= mine["first_tick"] < begin + left
        out += [
            int(stroke)
            for stroke in mine["stroke"][lowered]
            if stroke not in done and (interrupted is None or stroke != interrupted.stroke)
        ]
        left -= int(mine["first_tick"][-1] + mine["ticks"][-1]) - begin
        if left <= 0:
            break
    return tuple(out)
