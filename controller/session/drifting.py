"""What all homings in the journal say of a machine: its drift, what a person has looked at, and what the traps allow.

Owns the way from the journal's rows to histories (controller/register/drift.py judges them), and which finding forbids
painting. Pure but for ``drift_now``, which reads a journal. Knows no bus; moves nothing.

* A *history* is one life of the drives' counters: a homing that a person accepted although it differed by more than
  the machine file allows begins a new one, for both axes; unless one axis alone differs, by a few whole belt pitches.
* A *named jump* (sudden step, tooth jump) forbids painting until a person has looked at the machine and said what
  they found. What they found decides what it means for the picture: homing makes up for a belt or pulley that
  slipped, so that jump leaves the traps alone; a switch that moved does not, and counts.
* What counts of a job is what lies between its first pass, or the last measuring of its marks, and today.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import isfinite
from typing import TYPE_CHECKING, Any, Literal

from controller.config.counting import counted
from controller.config.errors import InputError, RefusedError
from controller.config.machine import AXES, Axis, Machine
from controller.session.journal import Journal
from controller.session.prepared import load_prepared
from controller.session.rows import HomingRow, LookCause, LookRow, MapRow, PassRow

if TYPE_CHECKING:
    from controller.register.drift import Allowance, AxisDrift, Event, History

JobTraps = tuple[str, float | None]
"""A job's name and the width of its traps, None without."""

TEETH_MAX, TOOTH_SHARE = 3, 0.1
"""A homing that a person accepted belongs to the same history when one axis alone differs, by up to so many whole belt
pitches, to within this part of one: the belt jumped, and the counter is the same. Common practice, no source."""

Since = Literal["first pass", "marks", "withdrawn"]
SINCE_WORDS: dict[Since, str] = {
    "first pass": "its first pass began",
    "marks": "its marks were measured",
    "withdrawn": "its register map was withdrawn",
}
CAUSE_WORDS: dict[LookCause, str] = {
    "belt": "belt or pulley, homing has made up for it",
    "switch": "the switch",
    "unknown": "no cause found",
}


@dataclass(frozen=True, slots=True)
class JobDrift:
    """What is asked of a job: its traps' width (None without traps), and since when its places count.

    since_ms: when its first pass began, or its register map last changed; None when neither has been. since: which.
    """

    name: str
    traps_mm: float | None
    since_ms: int | None
    since: Since = "first pass"

    @classmethod
    def of(
        cls, name: str, traps_mm: float | None, begun_ms: Sequence[int], maps: Sequence[tuple[int, MapRow]]
    ) -> JobDrift:
        """By the instants at which its passes began, and its register maps with theirs, oldest first."""
        if maps:
            at_ms, row = maps[-1]
            return cls(name, traps_mm, at_ms, "marks" if row.marks else "withdrawn")
        return cls(name, traps_mm, begun_ms[0] if begun_ms else None)


@dataclass(frozen=True, slots=True, eq=False)
class MachineDrift:
    """What the history says of both axes.

    homings: by axis, rows of this history in order, as many of each; earlier: homings of earlier histories.
    look_of: by axis and row of an event, the first look after it. allowance: None without a job, its traps or a homing
    since it began. compared: homings that count for it, one of them before anything was painted there; with one alone
    nothing is compared yet. whole: the history reaches back to where the job's places begin to count.
    """

    homings: Mapping[str, tuple[HomingRow, ...]]
    earlier: int
    histories: Mapping[str, History]
    axes: Mapping[str, AxisDrift]
    look_of: Mapping[tuple[str, int], LookRow]
    job: JobDrift | None
    allowance: Allowance | None
    compared: int
    whole: bool

    @property
    def open_jumps(self) -> tuple[tuple[str, Event], ...]:
        """Named jumps that nobody has looked at."""
        return tuple(
            (axis, event)
            for axis, drift in self.axes.items()
            for event in drift.events
            if is_jump(event) and (axis, event.row) not in self.look_of
        )

    @property
    def last_homing(self) -> int:
        """Id of the last homing's last row; what a look now would be after."""
        return max(rows[-1].id for rows in self.homings.values())

    @property
    def short(self) -> tuple[str, ...]:
        """As ``lines``; where both axes are quiet, one sentence for both."""
        from controller.register.drift import Finding

        x = self.axes[AXES[0]]
        if any(one.finding not in (Finding.STEADY, Finding.TOO_FEW) for one in self.axes.values()):
            return self.lines
        if x.finding is Finding.TOO_FEW:
            said = f"{counted(x.homings, 'homing')}, too few to tell drift from scatter"
        else:
            scatter = ", ".join(f"{axis} {one.scatter_mm:.3f} mm" for axis, one in self.axes.items())
            said = f"steady over {x.homings} homings, scatter {scatter}"
        return (said, *self._traps_lines())

    @property
    def lines(self) -> tuple[str, ...]:
        """Sentences for a person: each axis, what was looked at, what the traps allow."""
        from controller.register.words import drift_text

        waiting = {axis for axis, _event in self.open_jumps}
        lines: list[str] = []
        for axis, drift in self.axes.items():
            said = drift_text(axis, drift)
            # What to look at is told until somebody has looked.
            seen = any(is_jump(event) for event in drift.events) and axis not in waiting and not drift.drifts
            lines += said[: len(said) - len(drift.checks)] if seen else said
        for (axis, _row), look in self.look_of.items():
            lines.append(
                f"axis {axis}: {look.person} looked on {day(look.at_ms)}: {look.reason} ({CAUSE_WORDS[look.cause]})"
            )
        if self.earlier:
            first = min(rows[0].at_ms for rows in self.homings.values())
            lines.append(f"compared since {day(first)}, when a person accepted other places of the switches")
        return (*lines, *self._traps_lines())

    def _traps_lines(self) -> tuple[str, ...]:
        from controller.register.words import allowance_text

        if self.job is None or self.allowance is None:
            return ()
        name, since = self.job.name, SINCE_WORDS[self.job.since]
        if self.compared > 1:
            # Where it counts from a register map, the figure is less than before the marks were measured: say why.
            after = "" if self.job.since == "first pass" or not self.whole else f", since {since}"
            said = f"{name}{after}: {allowance_text(self.allowance)}"
        else:
            began = f"drift counts since {since}" if self.whole else "drift counts since the last homing"
            said = (
                f"{name}: {began}, and no homing has followed that could show any; the traps allow "
                f"{self.allowance.allowed_mm:.1f} mm"
            )
        before = f"{name}: what was painted before that cannot be compared; measure its marks"
        return (said,) if self.whole else (said, before)


def is_jump(event: Event) -> bool:
    """Whether an event is one that a person has to look at."""
    from controller.register.drift import Finding

    return event.finding in (Finding.STEP, Finding.TOOTH_JUMP)


def day(at_ms: int) -> str:
    """An instant of the journal for a person."""
    return datetime.fromtimestamp(at_ms / 1000.0, UTC).strftime("%Y-%m-%d %H:%M UTC")


def judge_drift(
    homings: Sequence[HomingRow], looks: Sequence[LookRow], axes: Mapping[str, Axis], job: JobDrift | None
) -> MachineDrift | None:
    """What all homings (oldest first, refused ones are passed over) say; None when none was accepted yet."""
    from controller.register.drift import History, judge_history, places_mm

    lives = _lives(homings, axes)
    if not lives:
        return None
    life = lives[-1]
    rows = {axis: tuple(one[axis] for one in life) for axis in AXES}
    # Two homings within a millisecond are told apart, so that time rises.
    instants_s, last_ms = [], -1
    for one in life:
        last_ms = max(last_ms + 1, one[AXES[0]].at_ms)
        instants_s.append(last_ms / 1000.0)
    histories = {
        axis: History.of(
            instants_s,
            places_mm([row.mean_counts for row in rows[axis]], axes[axis]),
            [row.spread_mm for row in rows[axis]],
            [max(len(row.touches_counts), 2) for row in rows[axis]],
        )
        for axis in AXES
    }
    found = {
        axis: judge_history(histories[axis], belt_pitch_mm=axes[axis].drive.belt_pitch_mm) for axis in AXES
    }
    look_of: dict[tuple[str, int], LookRow] = {}
    for axis, drift in found.items():
        for event in filter(is_jump, drift.events):
            after = [look for look in looks if look.homing >= rows[axis][event.row].id]
            if after:
                look_of[axis, event.row] = after[0]
    first_ms = [row.at_ms for row in rows[AXES[0]]]
    start = None if job is None or job.since_ms is None else _in_force(first_ms, job.since_ms)
    allowed = None
    if job is not None and job.traps_mm is not None and start is not None:
        allowed = _allowance(found, look_of, max(start, 0), job.traps_mm)
    return MachineDrift(
        homings=rows,
        earlier=sum(map(len, lives[:-1])),
        histories=histories,
        axes=found,
        look_of=look_of,
        job=job,
        allowance=allowed,
        compared=0 if allowed is None or start is None else len(first_ms) - max(start, 0),
        whole=start is None or start >= 0,
    )


def _lives(homings: Sequence[HomingRow], axes: Mapping[str, Axis]) -> list[list[dict[str, HomingRow]]]:
    """Accepted homings of both axes, cut where a person accepted other places that are no jump of the belt."""
    lives: list[list[dict[str, HomingRow]]] = []
    together: dict[tuple[int, int | None, int], dict[str, HomingRow]] = {}
    for row in homings:
        if row.accepted:
            together.setdefault((row.session, row.run, row.at_ms), {})[row.axis] = row
    for one in together.values():
        if set(one) != set(AXES):
            continue
        moved = {
            axis: row.difference_mm
            for axis, row in one.items()
            if row.difference_mm is not None and abs(row.difference_mm) > axes[axis].homing.difference_max_mm
        }
        teeth = len(moved) == 1 and all(_is_teeth(mm, axes[axis]) for axis, mm in moved.items())
        if (moved and not teeth) or not lives:
            lives.append([])
        lives[-1].append(one)
    return lives


def _is_teeth(difference_mm: float, axis: Axis) -> bool:
    """Whether a difference is a few whole belt pitches: a counter that was lost comes back anywhere, not just there."""
    pitch_mm = axis.drive.belt_pitch_mm
    teeth = round(difference_mm / pitch_mm)
    return 0 < abs(teeth) <= TEETH_MAX and abs(difference_mm - teeth * pitch_mm) <= TOOTH_SHARE * pitch_mm


def _in_force(homed_ms: Sequence[int], since_ms: int) -> int:
    """Row of the last homing up to an instant; -1 when all are later."""
    return sum(at_ms <= since_ms for at_ms in homed_ms) - 1


def _allowance(
    found: Mapping[str, AxisDrift], look_of: Mapping[tuple[str, int], LookRow], start: int, traps_mm: float
) -> Allowance:
    from controller.register.drift import allowance

    bearing = []
    for axis, drift in found.items():
        level = drift.level_mm.copy()
        for event in drift.events:
            look = look_of.get((axis, event.row))
            if look is not None and look.cause == "belt" and is_jump(event):
                level[event.row :] -= event.size_mm
        bearing.append(replace(drift, level_mm=level[start:]))
    x, y = bearing
    return allowance(x, y, allowed_mm=traps_mm)


def drift_now(journal: Journal, machine: Machine, job: JobTraps | None = None) -> MachineDrift | None:
    """What the journal says; of the job that was painted last where none is named."""
    return judge_drift(_homings(journal), journal.looks(), machine.axes, _asked(journal, job))


async def drift_beside(
    journal: Journal, machine: Machine, job: JobTraps | None = None
) -> MachineDrift | None:
    """``drift_now``, judged in a thread: hundreds of homings take a tenth of a second, and a stop must not wait."""
    homings, looks, asked = _homings(journal), journal.looks(), _asked(journal, job)
    return await asyncio.to_thread(judge_drift, homings, looks, machine.axes, asked)


def _homings(journal: Journal) -> list[HomingRow]:
    """All homings, their times in today's clock: one that was set in between is neither drift nor haste."""
    jumps, rows = journal.jumps, journal.homings()
    if not jumps.all:
        return rows
    return [replace(row, at_ms=jumps.today_ms(row.at_ms, "homing", row.id)) for row in rows]


def _asked(journal: Journal, job: JobTraps | None) -> JobDrift | None:
    """The job, its traps and since when its places count, by the journal."""
    passes = journal.passes()
    if job is None:
        if not passes:
            return None
        job = (passes[-1].job, _traps_of(passes[-1]))
    name, traps_mm = job
    jumps = journal.jumps
    begun = [jumps.today_ms(row.begun_ms, "pass", row.id) for row in passes if row.job == name]
    maps = [(jumps.today_ms(row.at_ms, "map", row.id), row) for row in journal.register_maps(name)]
    return JobDrift.of(name, traps_mm, begun, maps)


def _traps_of(row: PassRow) -> float | None:
    """By the folder that the pass was prepared in; None when that is gone or holds another job."""
    try:
        record = load_prepared(row.folder.parent).record
    except InputError:
        return None
    return record.traps_mm if record.job == row.job else None


def refuse_jumps(drift: MachineDrift | None) -> None:
    """Raises RefusedError while a named jump stands that nobody has looked at."""
    jumps = () if drift is None else drift.open_jumps
    if not jumps or drift is None:
        return
    from controller.register.words import CHECK_WORDS, event_text

    said = "; ".join(f"axis {axis}: {event_text(event)}" for axis, event in jumps)
    if not all(event.confirmed for _, event in jumps):
        raise RefusedError(
            said, "giornata home: a second homing shows whether it stays", code="jump-unconfirmed"
        )
    checks = dict.fromkeys(check for axis, _ in jumps for check in drift.axes[axis].checks)
    look = ", ".join(CHECK_WORDS[check] for check in checks)
    raise RefusedError(
        said,
        f"{look}; then giornata drift --looked TEXT --found belt, switch or unknown",
        code="jump-not-looked-at",
    )


def drift_json(drift: MachineDrift) -> dict[str, Any]:
    """The same for a program; what is unknown is null."""
    return {
        "homings": [
            {
                "at_ms": rows[AXES[0]].at_ms,
                "session": rows[AXES[0]].session,
                **{
                    axis: {
                        "place_mm": float(drift.histories[axis].place_mm[place])
                        - float(drift.histories[axis].place_mm[0]),
                        "spread_mm": rows[axis].spread_mm,
                        "model_mm": float(drift.axes[axis].level_mm[place]),
                    }
                    for axis in AXES
                },
            }
            for place, rows in enumerate(homings_of(drift))
        ],
        "earlier_homings": drift.earlier,
        "axes": {axis: _axis_json(drift, axis) for axis in AXES},
        "refuses": [
            {"axis": axis, "finding": event.finding.value, "confirmed": event.confirmed}
            for axis, event in drift.open_jumps
        ],
        "traps": _allowance_json(drift),
        "lines": list(drift.lines),
    }


def homings_of(drift: MachineDrift) -> tuple[dict[str, HomingRow], ...]:
    """The history's homings, both axes of each."""
    return tuple(dict(zip(AXES, both, strict=True)) for both in zip(*drift.homings.values(), strict=True))


def _axis_json(drift: MachineDrift, axis: str) -> dict[str, Any]:
    one = drift.axes[axis]
    return {
        "finding": one.finding.value,
        "scatter_mm": _known(one.scatter_mm),
        "drifts": one.drifts,
        "rate_mm_day": _known(one.rate_mm_day),
        "rate_low_mm_day": _known(one.rate_low_mm_day),
        "rate_high_mm_day": _known(one.rate_high_mm_day),
        "ewma_call": _called(one, one.ewma.call),
        "cusum_call": _called(one, one.cusum.call),
        "events": [
            {
                "finding": event.finding.value,
                "homing": event.row,
                "at_ms": drift.homings[axis][event.row].at_ms,
                "size_mm": _known(event.size_mm),
                "low_mm": _known(event.low_mm),
                "high_mm": _known(event.high_mm),
                "teeth": event.teeth,
                "confirmed": event.confirmed,
                "looked": drift.look_of[axis, event.row].reason
                if (axis, event.row) in drift.look_of
                else None,
            }
            for event in one.events
        ],
        "look_at": [check.value for check in one.checks],
    }


def _called(axis: AxisDrift, place: int | None) -> int | None:
    """Row of the homing at which a chart called."""
    return None if place is None else int(axis.charted[place])


def _allowance_json(drift: MachineDrift) -> dict[str, Any] | None:
    if drift.job is None or drift.allowance is None:
        return None
    return {
        "job": drift.job.name,
        "used_mm": drift.allowance.used_mm,
        "allowed_mm": drift.allowance.allowed_mm,
        "holds": drift.allowance.holds,
        "since": drift.job.since,
        "since_ms": drift.job.since_ms,
        "compared": drift.compared,
        "days_left": _known(drift.allowance.days_left),
        "days_left_least": _known(drift.allowance.days_left_least),
        "whole": drift.whole,
    }


def _known(value: float) -> float | None:
    return float(value) if isfinite(value) else None
