"""What a schedule amounts to: metres and seconds by what the head does. Reads a schedule; knows nothing else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.motion.schedule import Schedule, SegmentKind


@dataclass(frozen=True, slots=True)
class KindTotal:
    """Totals over all segments of one kind."""

    segments: int
    ticks: int
    seconds: float
    metres: float


@dataclass(frozen=True, slots=True)
class ScheduleTotals:
    """Totals of a schedule. ``strokes`` counts the STROKE segments."""

    strokes: int
    ticks: int
    seconds: float
    metres_painted: float
    metres_travelled: float
    by_kind: dict[SegmentKind, KindTotal]


def totals(schedule: Schedule) -> ScheduleTotals:
    """Sum up ``schedule``."""
    table = schedule.segments
    size = len(SegmentKind)
    kind = table["kind"].astype(np.int64)
    counts = np.bincount(kind, minlength=size)
    ticks = np.bincount(kind, weights=table["ticks"], minlength=size).astype(np.int64)
    metres = np.bincount(kind, weights=table["length_mm"], minlength=size) / 1000.0
    tick_s = schedule.tick_ns * 1e-9
    by_kind = {
        each: KindTotal(int(counts[each]), int(ticks[each]), float(ticks[each] * tick_s), float(metres[each]))
        for each in SegmentKind
    }
    painted = by_kind[SegmentKind.STROKE]
    return ScheduleTotals(
        painted.segments,
        schedule.ticks,
        schedule.ticks * tick_s,
        painted.metres,
        float(metres.sum()) - painted.metres,
        by_kind,
    )
