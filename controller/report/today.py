"""What a day at the wall needs on one sheet: passes, pens, marks, how the machine stands. Figures only.

Owns gathering them from the prepared job, the journal and the latch; nothing is written and nothing moves. How passes
follow each other is ``todaypasses``', what the sheet looks like ``todaypage``'s. Instants are seconds from the start of
the day's first pass; places are canvas mm.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time
from pathlib import Path
from typing import Any, Final

from controller.config.errors import InputError, Mistake
from controller.config.job import Job
from controller.config.load import load_job, load_machine
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.report.todaypasses import InkToday, PassToday, inks_today, painted_names, passes_today
from controller.session.calibrationages import against_file
from controller.session.drifting import MachineDrift, day, drift_now
from controller.session.journal import Journal
from controller.session.maintenance import reminders
from controller.session.mends import mends_folder, mends_of, pass_states
from controller.session.prepared import Prepared
from controller.session.replan import last_map
from controller.session.stopproof import unproved, wanted, words
from safety import latch

HOURS: Final = 8.0
"""A day's length where nobody says another; common practice, no source."""
HOURS_MAX: Final = 24.0


@dataclass(frozen=True, slots=True)
class MarkToday:
    """A register mark: its name and its place on the canvas, mm."""

    name: str
    place_mm: tuple[float, float]


@dataclass(frozen=True, slots=True)
class RegisterToday:
    """How the machine knows its place. used_mm of the traps' allowed_mm (None where that cannot be said)."""

    registered: bool
    why: str
    last_homing: str
    lines: tuple[str, ...]
    used_mm: float | None
    allowed_mm: float | None
    holds: bool


@dataclass(frozen=True, slots=True)
class Today:
    """The whole sheet.

    barred: what has to be done before anything moves. later: passes after the day, their seconds.
    painted: names of all passes of the job that are done; done: how many of those asked for are. homing_s: how long a
    homing takes by those so far, None before the first. marks_words: what is to be done about the
    marks. due: calibrations and inspections. notes: what a person should know besides.
    """

    job: str
    machine: str
    canvas_mm: tuple[float, float]
    canvas_colour: str | None
    at: datetime
    begin: time | None
    hours: float
    passes: tuple[PassToday, ...]
    inks: tuple[InkToday, ...]
    done: int
    painted: tuple[str, ...]
    later: int
    later_s: float
    change_minutes: float
    homing_s: float | None
    pen_changes: int
    barred: tuple[str, ...]
    latched: str
    register: RegisterToday
    marks: tuple[MarkToday, ...]
    marks_words: str
    swatch_mm: tuple[float, float, float, float] | None
    due: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def strokes(self) -> int:
        """Still to be painted today."""
        return sum(one.strokes for one in self.passes)

    @property
    def metres(self) -> float:
        """Still to be painted today."""
        return sum(one.metres for one in self.passes)

    @property
    def seconds(self) -> float:
        """From the first pass' beginning to the last one's end."""
        return self.passes[-1].begin_s + self.passes[-1].seconds if self.passes else 0.0


def today_of(
    prepared: Prepared, job_path: Path, machine_path: Path, state: StateDir, *, at: datetime,
    hours: float = HOURS, begin: time | None = None, inks: Sequence[str] = (), passes: Sequence[str] = (),
) -> Today:  # fmt: skip
    """The sheet of the day that begins ``at`` (with a time zone), as long as ``hours``.

    begin: when the first pass begins, by the clock on the wall. inks, passes: only these, as paint takes them. Raises
    InputError for bad files, unknown names and hours that are none.
    """
    if not 0.0 < hours <= HOURS_MAX:
        raise InputError(
            [Mistake(job_path, "--hours", f"above 0, up to {HOURS_MAX:g}", f"{hours:g}", code="option-value")]
        )
    job, machine = load_job(job_path), load_machine(machine_path)
    chosen = prepared.chosen(inks, passes)
    with contextlib.ExitStack() as stack:
        journal: Journal | None = None
        if state.journal.exists():
            journal = stack.enter_context(contextlib.closing(Journal.read(state.journal, machine.name)))
        day_s = 3600.0 * hours
        parts = passes_today(prepared, chosen, journal, job, machine, day_s)
        standing = latch.read(state.latch)
        drift = None if journal is None else drift_now(journal, machine, _traps(job))
        barred = _barred(journal, machine, standing, drift)
        marks, marks_words = _marks(
            journal, prepared, job, prepared.folder.parent == mends_folder(state, job.name)
        )
        due = [f"{one.where}: {one.message}" for one in _due(machine_path, state, at)]
        due += [] if journal is None else reminders(journal, machine)
        return Today(
            job=job.name,
            machine=machine.name,
            canvas_mm=machine.canvas.size_mm,
            canvas_colour=job.canvas_colour,
            at=at,
            begin=begin,
            hours=hours,
            passes=parts.today,
            inks=inks_today(parts.today, prepared, job, journal),
            done=parts.done,
            painted=() if journal is None else painted_names(prepared, journal),
            later=len(parts.later),
            later_s=sum(one.seconds for one in parts.later),
            change_minutes=prepared.record.change_minutes,
            homing_s=parts.homing_s,
            pen_changes=parts.pen_changes,
            barred=barred,
            latched="" if standing is None else standing.reason,
            register=_register(journal, drift),
            marks=marks,
            marks_words=marks_words,
            swatch_mm=None if job.swatch is None else (*job.swatch.origin_mm, *job.swatch.size_mm),
            due=tuple(due),
            notes=_notes(journal, prepared, job, state, at),
        )


def begin_of(text: str | None, job_path: Path) -> time | None:
    """``HH:MM`` as a time of day. Raises InputError."""
    if text is None:
        return None
    try:
        return datetime.strptime(text.strip(), "%H:%M").time()
    except ValueError:
        raise InputError(
            [Mistake(job_path, "--begin", "a time of day such as 09:30", repr(text), code="option-value")]
        ) from None


def _traps(job: Job) -> tuple[str, float | None]:
    return job.name, None if job.traps is None else job.traps.width_mm


def _due(machine_path: Path, state: StateDir, at: datetime) -> list[Any]:
    """What the history says against the machine file; stops that are not proved bar all motion and are told there."""
    found = against_file(machine_path, state.root, int(at.timestamp() * 1000.0))
    return [one for one in found if one.where != "stops"]


def _barred(
    journal: Journal | None, machine: Machine, standing: latch.Latch | None, drift: MachineDrift | None
) -> tuple[str, ...]:
    """What has to be done first. The code by which a card is found and the commands stand before words of others, for
    those may be long, and a sheet of paper cuts what is."""
    out: list[str] = []
    if standing is not None:
        said = (
            f"Stopped ({standing.reason}). Cause gone: giornata clear, giornata home. It was: {standing.text}"
        )
        out.append(said)
    missing = wanted(machine) if journal is None else unproved(journal.calibration, machine)
    if missing:
        said = f"Nothing moves before giornata commission. Not proved on this wiring: {', '.join(map(words, missing))}"
        out.append(said)
    if journal is None:
        out.append("Never homed: giornata home.")
    elif standing is None and not journal.registered:
        out.append(f"Not registered: giornata home. Why: {journal.registration_reason}")
    if drift is not None and drift.open_jumps:
        axes = " and ".join(dict.fromkeys(axis for axis, _ in drift.open_jumps))
        said = "No painting before somebody has looked (giornata drift):"
        out.append(f"{said} the home switch of {axes} seems to have jumped")
    return tuple(out)


def _register(journal: Journal | None, drift: MachineDrift | None) -> RegisterToday:
    if journal is None:
        return RegisterToday(False, "never homed", "", (), None, None, True)
    allowed = None if drift is None or drift.compared < 2 else drift.allowance
    last = "" if drift is None else day(max(rows[-1].at_ms for rows in drift.homings.values()))
    return RegisterToday(
        journal.registered,
        journal.registration_reason,
        last,
        () if drift is None else tuple(drift.short),
        None if allowed is None else allowed.used_mm,
        None if allowed is None else allowed.allowed_mm,
        True if allowed is None else allowed.holds,
    )


def _marks(
    journal: Journal | None, prepared: Prepared, job: Job, is_mend: bool
) -> tuple[tuple[MarkToday, ...], str]:
    """The job's marks, and what is to be done about them."""
    if job.marks is None:
        return (), "The job has no register marks."
    marks = tuple(MarkToday(name, place) for name, place in job.marks.marks_mm.items())
    found = None if journal is None else last_map(journal, job.name)
    if found is not None and found.marks:
        said = f"Map {found.id} of {day(found.at_ms)[:10]} is in force. Look at every mark;"
        return marks, f"{said} canvas moved: giornata marks."
    first = prepared.record.passes[0].name if prepared.record.passes else ""
    if not (job.marks.existing or is_mend or _crosses_painted(journal, job, first, 2 * len(marks))):
        return (
            marks,
            f"Crosses are painted first of all, in {first}; from the next pass on giornata marks measures them.",
        )
    return marks, "Not measured yet: giornata marks goes to each."


def _crosses_painted(journal: Journal | None, job: Job, first: str, strokes: int) -> bool:
    row = None if journal is None else journal.latest_pass(job.name, first)
    return row is not None and journal is not None and len(journal.finished_strokes(row.id)) >= strokes


def _notes(
    journal: Journal | None, prepared: Prepared, job: Job, state: StateDir, at: datetime
) -> tuple[str, ...]:
    out: list[str] = []
    if journal is not None and journal.open_runs():
        out.append(
            "A run is under way, or its service died: what it has painted is not all counted here yet."
        )
    states = pass_states(state, job.name) if journal is not None else {}
    waiting = [
        mend.name
        for mend in mends_of(state, job.name)
        if mend.prepared.folder != prepared.folder
        and any(states.get(one) != "painted" for one in mend.passes)
    ]
    out += [f"Mend {name} waits: giornata paint with --pass {name}." for name in waiting]
    if left := len([one for one in prepared.record.skipped if one.kind == "left out"]):
        out.append(f"Not painted: {left} element{'' if left == 1 else 's'} of the drawing (giornata check).")
    if journal is not None and any(jump.at_ms > 0 for jump in journal.jumps.all):
        out.append("The computer's clock was set while this journal was kept; dates are as it said then.")
    assert at.tzinfo is not None
    return tuple(out)
