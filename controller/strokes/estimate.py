"""What a job amounts to: metres, minutes, pens and pen changes, by pass and in all.

Owns the sums. Seconds are the model's (controller/strokes/times.py), or a schedule's where there is one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.strokes.passes import PassPlan

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def seconds_of_ticks(stroke: Ints, ticks: Ints, tick_ns: int, count: int) -> tuple[Floats, float]:
    """Real seconds of each of ``count`` strokes with its approach (S,), and of what belongs to none (parking).

    stroke, ticks: (m,) columns of a schedule's segments, ``stroke`` -1 for none.
    """
    of_stroke = stroke >= 0
    by_stroke = np.bincount(stroke[of_stroke], weights=ticks[of_stroke], minlength=count)
    tick_s = tick_ns * 1e-9
    return (by_stroke * tick_s).astype(np.float64), float(ticks[~of_stroke].sum()) * tick_s


@dataclass(frozen=True, slots=True)
class Row:
    """Sums of one pass or of several. scheduled: all seconds are from schedules, none from the model."""

    strokes: int
    metres: float
    minutes: float
    pens: int
    scheduled: bool


@dataclass(frozen=True, slots=True)
class Estimate:
    """What a job amounts to. by_pass: in painting order; by_ink: by row of ``job.inks``; breaks_minutes: in between."""

    by_pass: tuple[Row, ...]
    by_ink: dict[int, Row]
    total: Row
    pen_changes: int
    breaks_minutes: float


def estimate(plan: PassPlan, scheduled_s: Mapping[int, float] | None = None) -> Estimate:
    """Sum up ``plan``; scheduled_s: real seconds by place in ``plan.passes``, from their schedules."""
    known = scheduled_s if scheduled_s is not None else {}
    rows = tuple(
        Row(len(one.strokes), one.metres, known.get(at, one.seconds) / 60.0, int(one.fresh_pen), at in known)
        for at, one in enumerate(plan.passes)
    )
    inks = sorted({one.ink for one in plan.passes})
    by_ink = {
        ink: _sum([row for row, one in zip(rows, plan.passes, strict=True) if one.ink == ink]) for ink in inks
    }
    breaks = sum(
        after.begin_s - before.begin_s - before.seconds
        for before, after in zip(plan.passes[:-1], plan.passes[1:], strict=True)
    )
    return Estimate(rows, by_ink, _sum(list(rows)), plan.pen_changes, breaks / 60.0)


def _sum(rows: list[Row]) -> Row:
    return Row(
        sum(row.strokes for row in rows),
        sum(row.metres for row in rows),
        sum(row.minutes for row in rows),
        sum(row.pens for row in rows),
        all(row.scheduled for row in rows),
    )
