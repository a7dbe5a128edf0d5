"""The passes of a day in their order: what is left of each, when it begins, which pen it needs.

Owns the reckoning of times and pens; asks the journal and the prepared job, writes nothing. A day begins with its first
pass at 0 s. Between two passes lie the job's break and a homing; how long one takes is told by those so far. A pass
that shall wait for wet paint begins so much later.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from controller.config.job import Job
from controller.config.machine import Machine
from controller.session import pens
from controller.session.journal import Journal
from controller.session.prepared import Prepared, PreparedPass
from controller.session.remainder import offer_of
from controller.session.rows import PassRow
from controller.session.strokewatch import unfinished_parts

HOMINGS: Final = 20
"""So many of the last homings say how long one takes."""


@dataclass(frozen=True, slots=True)
class GoesOn:
    """Where a pass goes on that was begun. stroke: index of the stroke that comes first, of of_strokes; at_mm: where
    the pen comes down, canvas mm; from_mm: along that stroke, 0 from its start, else of length_mm."""

    stroke: int
    of_strokes: int
    at_mm: tuple[float, float]
    from_mm: float
    length_mm: float


@dataclass(frozen=True, slots=True)
class PassToday:
    """A pass that is not done. number: its place in the day, from 1. strokes, metres, seconds: what is left of it;
    begin_s: about when it begins. fresh_pen: a pen is put in. goes_on: None for one that was not begun.

    other_plan: it was begun from another plan; a person is asked before it goes on.
    """

    number: int
    name: str
    ink: str
    colour: str
    strokes: int
    metres: float
    seconds: float
    begin_s: float
    fresh_pen: bool
    goes_on: GoesOn | None
    other_plan: bool
    wet_minutes: float
    too_long: bool


@dataclass(frozen=True, slots=True)
class InkToday:
    """Pens of one ink. fresh: pens that are put in today, fresh_s about when; unused: pens left by the last count, None
    where nobody has counted; missing: so many more are needed. in_use_m, in_use_left_m: what the pen that goes on has
    painted, and what is left in it by the job, None where the ink begins with a fresh pen or the job does not say."""

    name: str
    colour: str
    tip_mm: float
    passes: int
    metres: float
    fresh: int
    fresh_s: tuple[float, ...]
    unused: int | None
    missing: int
    in_use_m: float | None
    in_use_left_m: float | None


@dataclass(frozen=True, slots=True)
class DayPasses:
    """Passes of the day and those after it; how many are done; how long a homing takes; how often a pen is changed."""

    today: tuple[PassToday, ...]
    later: tuple[PassToday, ...]
    done: int
    homing_s: float | None
    pen_changes: int


def passes_today(
    prepared: Prepared, chosen: Sequence[PreparedPass], journal: Journal | None, job: Job, machine: Machine,
    day_s: float,
) -> DayPasses:  # fmt: skip
    """All of ``chosen`` that are not done, in painting order; the day ends with the last pass that begins in it and
    ends by ``day_s``, or with its first where that takes longer."""
    homing_s = None if journal is None else homing_seconds(journal, machine)
    between_s = 60.0 * prepared.record.change_minutes + (homing_s or 0.0)
    today: list[PassToday] = []
    later: list[PassToday] = []
    done, changes, last_ink = 0, 0, ""
    clock_s = homing_s or 0.0
    for part in chosen:
        row = None if journal is None else journal.latest_pass(prepared.record.job, part.name)
        finished = [] if row is None or journal is None else journal.finished_strokes(row.id)
        if row is not None and len(finished) >= row.strokes:
            done += 1
            continue
        one = _left(prepared, part, journal, row, finished, job)
        clock_s += 60.0 * one.wet_minutes
        one = replace(one, number=len(today) + len(later) + 1, begin_s=clock_s)
        clock_s += one.seconds
        if later or (today and clock_s > day_s):
            later.append(one)
        else:
            today.append(one)
            changes += bool(last_ink) and (one.fresh_pen or one.ink != last_ink)
            last_ink = one.ink
        clock_s += between_s
    return DayPasses(tuple(today), tuple(later), done, homing_s, changes)


def painted_names(prepared: Prepared, journal: Journal) -> tuple[str, ...]:
    """Names of the passes of a prepared folder that are done."""
    out: list[str] = []
    for part in prepared.record.passes:
        row = journal.latest_pass(prepared.record.job, part.name)
        if row is not None and len(journal.finished_strokes(row.id)) >= row.strokes:
            out.append(part.name)
    return tuple(out)


def homing_seconds(journal: Journal, machine: Machine) -> float | None:
    """How long a homing takes, by the ticks of the last ones (their median); None before the first."""
    ticks = {row.run: row.ticks for row in journal.pens.sums()}
    took = [ticks[run.id] for run in journal.runs() if run.what == "homing" and ticks.get(run.id)]
    return statistics.median(took[-HOMINGS:]) * machine.tick_ns * 1e-9 if took else None


def _left(
    prepared: Prepared, part: PreparedPass, journal: Journal | None, row: PassRow | None, finished: list[int],
    job: Job,
) -> PassToday:  # fmt: skip
    """What is left of a pass; number and beginning are the caller's."""
    whole = PassToday(
        0, part.name, part.ink, part.colour, part.strokes, part.metres, part.seconds, 0.0, part.fresh_pen, None,
        False, part.wet_minutes if part.wet_strokes else 0.0, part.too_long,
    )  # fmt: skip
    if row is None or journal is None:
        return whole
    fresh = pens.going_on(journal, part, row).fresh_pen
    same = row.plan_key == part.plan_key if row.plan_key else row.schedule_digest == part.digest
    if not same or row.strokes != part.strokes:
        return replace(whole, fresh_pen=fresh, other_plan=True)
    schedule, strokes = prepared.schedule(part.name), prepared.strokes(part.name)
    segments = np.asarray(schedule.segments)
    ticks = sum(
        int(segments["ticks"][first : last + 1].sum()) for first, last in unfinished_parts(segments, finished)
    )
    todo = np.setdiff1d(np.arange(len(strokes)), np.array(finished, dtype=np.int64))
    lengths = strokes.lengths_mm()
    offer = offer_of(journal.interruptions(row.id), finished, strokes, job)
    # The rest of an interrupted stroke comes before all others; one that is painted anew in its turn.
    cut = offer is not None and offer.from_mm is not None
    first, from_mm = (offer.stroke, offer.from_mm or 0.0) if cut and offer else (int(todo[0]), 0.0)
    path = strokes.stroke_mm(first)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    x, y = (float(np.interp(from_mm, along, path[:, axis])) for axis in (0, 1))
    begun = bool(finished) or offer is not None
    return replace(
        whole,
        strokes=len(todo),
        metres=(float(lengths[todo].sum()) - from_mm) / 1000.0,
        seconds=ticks * schedule.tick_ns * 1e-9,
        fresh_pen=fresh,
        goes_on=GoesOn(first, len(strokes), (x, y), from_mm, float(lengths[first])) if begun else None,
    )


def inks_today(
    today: Sequence[PassToday], prepared: Prepared, job: Job, journal: Journal | None
) -> tuple[InkToday, ...]:
    """The pens of the day's passes, inks in the order of their first pass."""
    unused = {} if journal is None else pens.left(journal)
    used = {} if journal is None else {one.pen.ink: one for one in pens.uses(journal) if one.is_last}
    lasts = {ink.name: ink.pen_metres for ink in job.inks}
    out: list[InkToday] = []
    for name in dict.fromkeys(one.ink for one in today):
        mine = [one for one in today if one.ink == name]
        fresh = [one for one in mine if one.fresh_pen]
        left = unused.get(name)
        pen = None if mine[0].fresh_pen else used.get(name)
        holds = lasts.get(name)
        ink = prepared.ink(name)
        out.append(
            InkToday(
                name,
                ink.colour,
                ink.tip_mm,
                len(mine),
                sum(one.metres for one in mine),
                len(fresh),
                tuple(one.begin_s for one in fresh),
                None if left is None else max(left, 0),
                0 if left is None else max(len(fresh) - max(left, 0), 0),
                None if pen is None else pen.metres,
                None if pen is None or holds is None else max(holds - pen.metres, 0.0),
            )
        )
    return tuple(out)
