"""What a machine has done since each part was last inspected, and what is due.

Owns the counting over all runs and the reminders. The sums of a run are written at its end (``pens.close_run``); those
of a run whose service died, or from before they were kept, are counted from its timing log.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from controller.config.counting import counted
from controller.config.errors import InputError, Mistake
from controller.config.machine import Machine
from controller.config.maintenance import Maintenance
from controller.config.places import StateDir
from controller.session.journal import Journal
from controller.session.penrows import InspectionRow, SumsRow
from controller.session.runsums import sums_of_log
from controller.stream.timinglog import TimingLogError

HOUR_S: Final = 3600.0
NOTE_CHARACTERS_MAX: Final = 500
SOON: Final = 0.9
"""From this share of an interval on its end is told of."""

PARTS: Final = {
    "belt-x": "belt of x",
    "belt-y": "belt of y",
    "pulleys-x": "pulleys and clamps of x",
    "pulleys-y": "pulleys and clamps of y",
    "guides": "guides",
    "drives": "drives and cables",
    "head": "head",
}
"""What is inspected, and its words."""


@dataclass(frozen=True, slots=True)
class Counter:
    """One part: done in all and since its last inspection, in ``unit``; the interval, None where none is set."""

    part: str
    words: str
    unit: str
    total: float
    since: float
    interval: float | None
    inspected: InspectionRow | None

    @property
    def share(self) -> float:
        """Of the interval that is over; 0 without one."""
        return 0.0 if self.interval is None else self.since / self.interval

    @property
    def state(self) -> str:
        """``due``, ``soon`` or nothing."""
        return "due" if self.share >= 1.0 else "soon" if self.share >= SOON else ""


@dataclass(frozen=True, slots=True)
class Upkeep:
    """All parts, and what could not be counted."""

    counters: tuple[Counter, ...]
    runs: int
    notes: tuple[str, ...]

    @property
    def reminders(self) -> tuple[str, ...]:
        """One line for each part that is due, or soon will be."""
        return tuple(_reminder(one) for one in self.counters if one.state)


def _reminder(one: Counter) -> str:
    since = "its last inspection" if one.inspected else "the first run"
    every = amount(one.interval or 0.0, one.unit)
    soon = "" if one.state == "due" else " (soon)"
    return f"inspect {one.words}: {amount(one.since, one.unit)} since {since}, every {every}{soon}"


def amount(value: float, unit: str) -> str:
    """A number with its unit, as people read it."""
    digits = 1 if unit == "h" and value < 100.0 else 0
    number = f"{value:,.{digits}f}".replace(",", " ")
    return f"{number} {unit}".strip()


def reminders(journal: Journal, machine: Machine) -> tuple[str, ...]:
    """What is due by the sums in the journal alone: quick, for the beginning of a session."""
    return () if machine.maintenance is None else upkeep(journal, machine, None).reminders


def upkeep(journal: Journal, machine: Machine, state: StateDir | None) -> Upkeep:
    """Count over all runs of the journal. state: where timing logs lie; None leaves out runs that need theirs."""
    notes: list[str] = []
    sums = {row.run: row for row in journal.pens.sums()}
    uncounted = 0
    for run in journal.runs():
        if state is None or run.id in sums or run.ended_ms is None:
            continue
        folder = run.folder if run.folder.is_dir() else state.runs / run.folder.name
        try:
            sums[run.id] = sums_of_log(machine, folder / "timing.gtl", run.id)
        except FileNotFoundError:
            continue  # it ended before a tick was sent, or its folder was put away
        except (OSError, TimingLogError) as error:
            notes.append(f"run {run.id} is not counted: {error}")
        else:
            uncounted += 1
    if uncounted:
        notes.append(f"{counted(uncounted, 'run was', 'runs were')} counted from the timing log")
    rows = list(sums.values())
    inspected = {row.what: row for row in journal.pens.inspections()}
    intervals = machine.maintenance or Maintenance()
    counters = []
    for part, words in PARTS.items():
        unit, interval = _interval(part, intervals)
        last = inspected.get(part)
        since = [row for row in rows if last is None or row.run > last.after_run]
        counters.append(Counter(part, words, unit, _done(part, rows), _done(part, since), interval, last))
    return Upkeep(tuple(counters), len(rows), tuple(notes))


def _interval(part: str, intervals: Maintenance) -> tuple[str, float | None]:
    kind = part.partition("-")[0]
    return {
        "belt": ("m", intervals.belt_metres),
        "pulleys": ("reversals", intervals.belt_reversals),
        "guides": ("h", intervals.moving_hours),
        "drives": ("h", intervals.powered_hours),
        "head": ("lifts", intervals.pen_lifts),
    }[kind]


def _done(part: str, rows: list[SumsRow]) -> float:
    match part:
        case "belt-x":
            return sum(row.x_mm for row in rows) / 1000.0
        case "belt-y":
            return sum(row.y_mm for row in rows) / 1000.0
        case "pulleys-x":
            return float(sum(row.x_reversals for row in rows))
        case "pulleys-y":
            return float(sum(row.y_reversals for row in rows))
        case "guides":
            return sum(row.moving_s for row in rows) / HOUR_S
        case "drives":
            return sum(row.powered_s for row in rows) / HOUR_S
        case _:
            return float(sum(row.lifts for row in rows))


def inspect(machine: str, state: StateDir, parts: list[str], note: str, person: str) -> None:
    """Write down that somebody has inspected ``parts``. Raises InputError for an unknown part."""
    unknown = [part for part in parts if part not in PARTS]
    if unknown:
        known = ", ".join(PARTS)
        raise InputError(
            [
                Mistake(
                    Path("maintenance"),
                    "--inspected",
                    f"one of {known}",
                    ", ".join(unknown),
                    code="option-value",
                )
            ]
        )
    note = " ".join(note.split())[:NOTE_CHARACTERS_MAX]
    with contextlib.closing(Journal.open(state.journal, machine)) as journal:
        last = max((run.id for run in journal.runs()), default=0)
        for part in parts:
            journal.pens.add_inspection(part, after_run=last, note=note, person=person)
