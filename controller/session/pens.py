"""Pens: which is in the head, what it has painted, how long its tip was in the air, how many are left.

Owns what is written down when a pen is put in and when a run ends, and the account from it. A pen is a row of the
journal from the moment it is put in fresh; what it painted is counted by the runs after that.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from controller.config.errors import InputError, Mistake, RefusedError
from controller.config.job import Job
from controller.config.places import StateDir
from controller.session.journal import Journal
from controller.session.penrows import PenRow
from controller.session.prepared import PreparedPass
from controller.session.rows import PassRow, RunRow, SessionRow
from controller.session.runsums import RunSums
from controller.strokes.strokeset import StrokeSet

FEW: Final = 1
"""So many pens left, or fewer, are warned of."""
STOCK_MAX: Final = 10_000
SWATCH_CLEAN: Final = "swatch-clean"
"""Kind of the journal's event by which all places of the swatch are free again."""
WIDTH_FACTOR: Final = (0.2, 5.0)
"""A measured width is believed between these times the width expected."""


@dataclass(frozen=True, slots=True)
class PenUse:
    """One pen. metres painted; down_s, up_s: pen down and up while its passes ran; longest_up_s without a touch;
    up_since_ms: when the tip last left the canvas, in today's clock, None before its first stroke; width_mm: its line
    as measured; up_is_known: no clock has gone back over a boot since the tip left the canvas.
    """

    pen: PenRow
    metres: float
    down_s: float
    up_s: float
    longest_up_s: float
    up_since_ms: int | None
    width_mm: float | None
    is_last: bool
    up_is_known: bool = True


@dataclass(frozen=True, slots=True)
class Until:
    """A moment of the journal: the end of a session, at ``end_ms`` by the clock of then; None: all that there is.

    Rows of a session are told by its number. What a person entered between sessions is told by the clock alone.
    """

    session: int | None = None
    end_ms: int | None = None

    @classmethod
    def end_of(cls, journal: Journal, session: SessionRow) -> Until:
        """The end of a session; of one that never ended, the next one's beginning."""
        end_ms = session.ended_ms
        if end_ms is None:
            end_ms = next((row.begun_ms for row in journal.sessions() if row.id > session.id), None)
        return cls(session.id, end_ms)

    def has(self, at_ms: int, session: int | None = None) -> bool:
        """Whether a row was there by then."""
        if session is not None and self.session is not None:
            return session <= self.session
        return self.end_ms is None or at_ms <= self.end_ms


def loaded(journal: Journal, session: int, part: PreparedPass, person: str = "") -> None:
    """The pen of ``part`` is in: a fresh one, or the ink's last, or one that nobody wrote down yet."""
    known = any(row.ink == part.ink for row in journal.pens.pens())
    if part.fresh_pen or not known:
        journal.pens.add_pen(part.ink, session=session, pass_name=part.name, person=person)


def going_on(journal: Journal, part: PreparedPass, earlier: PassRow | None) -> PreparedPass:
    """``part`` as the person is to be asked for its pen: a pass that was begun goes on with the pen it began with."""
    if earlier is None or not part.fresh_pen or not journal.finished_strokes(earlier.id):
        return part
    last = next((row for row in reversed(journal.pens.pens()) if row.ink == part.ink), None)
    if last is None or last.pass_name != part.name:
        return part
    return part.model_copy(update={"fresh_pen": False, "pen_m": _metres(journal, last.id)})


def close_run(
    journal: Journal, run: RunRow, row: PassRow | None, sums: RunSums, part: PreparedPass | None = None
) -> str:
    """Write down what a run asked of the machine and the pen of ``part``. Answers why it could not be, or nothing:
    never raises for it."""
    try:
        pen, painted_mm = None, 0.0
        if part is not None:
            pen = max((one.id for one in journal.pens.pens() if one.ink == part.ink), default=None)
        if row is not None:
            done = [stroke for stroke, of_run, _ in journal.stroke_rows(row.id) if of_run == run.id]
            if done:
                lengths = StrokeSet.load(row.folder / "strokes.npz").lengths_mm()
                painted_mm = float(lengths[np.array(done, dtype=np.int64)].sum())
        journal.pens.add_sums(sums.row(run.id, pen, painted_mm))
    except Exception as error:  # noqa: BLE001 - whatever it is, it must not hide how the run ended
        return f"the sums of run {run.id} were not written down: {error}"
    return ""


def uses(journal: Journal, until: Until | None = None) -> list[PenUse]:
    """All pens, oldest first; ``until``: as they stood then."""
    rows, known_by = journal.pens, until if until is not None else Until()
    pens = [one for one in rows.pens() if known_by.has(one.at_ms, one.session)]
    runs, jumps = {run.id: run for run in journal.runs()}, journal.jumps
    sums = [
        one for one in rows.sums() if known_by.session is None or runs[one.run].session <= known_by.session
    ]
    widths = {one.pen: one.width_mm for one in rows.widths() if known_by.has(one.at_ms)}
    last_of = {pen.ink: pen.id for pen in pens}
    found: list[PenUse] = []
    for pen in pens:
        mine = [one for one in sums if one.pen == pen.id]
        touched = [one for one in mine if one.down_s > 0.0 and runs[one.run].ended_ms is not None]
        up_since, known = None, True
        if touched:
            last = touched[-1].run
            ended_ms, known = (
                jumps.today_ms(runs[last].ended_ms or 0, "run", last),
                jumps.is_known("run", last),
            )
            up_since = int(ended_ms - 1000.0 * touched[-1].last_up_s)
        found.append(
            PenUse(
                pen,
                sum(one.painted_mm for one in mine) / 1000.0,
                sum(one.down_s for one in mine),
                sum(one.up_s for one in mine),
                max((one.longest_up_s for one in mine), default=0.0),
                up_since,
                widths.get(pen.id),
                last_of[pen.ink] == pen.id,
                known,
            )
        )
    return found


def left(journal: Journal, until: Until | None = None) -> dict[str, int]:
    """Unused pens by ink: the last count less what was put in since; below zero when more were put in than counted.
    ``until``: as they stood then."""
    known_by = until if until is not None else Until()
    pens = [one for one in journal.pens.pens() if known_by.has(one.at_ms, one.session)]
    counts = {row.ink: row for row in journal.pens.stock() if known_by.has(row.at_ms)}
    return {
        ink: row.pens - sum(pen.ink == ink and pen.id > row.after_pen for pen in pens)
        for ink, row in counts.items()
    }


def _metres(journal: Journal, pen: int) -> float:
    return sum(one.painted_mm for one in journal.pens.sums() if one.pen == pen) / 1000.0


def clean_swatch(machine: str, state: StateDir, person: str) -> None:
    """Write down that the swatch is clean: all its places are free."""
    with contextlib.closing(Journal.open(state.journal, machine)) as journal:
        journal.note(SWATCH_CLEAN, f"all places free, by {person}")


def pairs(texts: Sequence[str] | None, expected: str) -> list[tuple[str, str]]:
    """``ink=value`` as ink and value. Raises InputError."""
    found = [text.partition("=") for text in texts or ()]
    wrong = [text for text, (ink, _, value) in zip(texts or (), found, strict=True) if not ink or not value]
    if wrong:
        raise InputError(
            [Mistake(Path("pens"), "option", expected, repr(text), code="option-value") for text in wrong]
        )
    return [(ink.strip(), value.strip()) for ink, _, value in found]


def number(text: str, expected: str) -> float:
    """A number of a person's. Raises InputError."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError([Mistake(Path("pens"), "option", expected, repr(text), code="option-value")])
    return value


def whole(text: str, expected: str) -> int:
    """A whole number of a person's. Raises InputError."""
    if (value := number(text, expected)) != int(value):
        raise InputError([Mistake(Path("pens"), "option", expected, repr(text), code="option-value")])
    return int(value)


# What a person enters ----------------------------------------------------------------------------------------------


def enter(
    machine: str, state: StateDir, person: str, *, stock: Mapping[str, int], fresh: tuple[str, ...],
    widths: Mapping[str, float],
) -> None:  # fmt: skip
    """Write down counted pens, pens put in by hand and measured widths, each by ink.

    Raises InputError for numbers that cannot be; RefusedError for the width of an ink whose pen nobody has put in.
    """
    mistakes = [
        Mistake(state.journal, f"--stock {ink}", f"0 to {STOCK_MAX} pens", str(count), code="option-value")
        for ink, count in stock.items()
        if not 0 <= count <= STOCK_MAX
    ]
    mistakes += [
        Mistake(state.journal, f"--width {ink}", "mm above 0, up to 1000", f"{width:g}", code="option-value")
        for ink, width in widths.items()
        if not 0.0 < width <= 1000.0
    ]
    if mistakes:
        raise InputError(mistakes)
    with contextlib.closing(Journal.open(state.journal, machine)) as journal:
        for ink, count in stock.items():
            journal.pens.add_stock(ink, count, person)
        for ink in fresh:
            journal.pens.add_pen(ink, session=None, pass_name="", person=person)
        for ink, width in widths.items():
            last = next((row for row in reversed(journal.pens.pens()) if row.ink == ink), None)
            if last is None:
                raise RefusedError(
                    f"no {ink} pen has been put in yet",
                    "giornata pens --fresh INK, if one is in",
                    code="pens-none",
                )
            journal.pens.add_width(
                ink, pen=last.id, pen_m=_metres(journal, last.id), width_mm=width, person=person
            )


# Measured widths in a job -------------------------------------------------------------------------------------------


def width_factors(journal: Journal, job: Job) -> dict[str, float]:
    """By ink, the last measured width over the one that the job expects after as many metres.

    Raises InputError for a width that is far from what the job expects.
    """
    found: dict[str, float] = {}
    last = {row.ink: row for row in journal.pens.widths()}
    for ink in job.inks:
        if (row := last.get(ink.name)) is None:
            continue
        expected = ink.tip_mm
        if ink.tip is not None:
            from controller.strokes.wear import wear_curve

            table = job.tips[ink.tip]
            expected = float(wear_curve(table.metres, table.width_mm).width_mm(row.pen_m))
        factor = row.width_mm / expected
        if not WIDTH_FACTOR[0] <= factor <= WIDTH_FACTOR[1]:
            words = f"a measured width near {expected:.2f} mm, as the job says after {row.pen_m:.0f} m"
            raise InputError(
                [
                    Mistake(
                        journal.path, f"width of {ink.name}", words, f"{row.width_mm:g} mm", code="pens-width"
                    )
                ]
            )
        found[ink.name] = round(factor, 6)
    return found


def measured_factors(state: StateDir, machine: str, job: Job) -> dict[str, float]:
    """``width_factors`` by the machine's journal; none while there is no journal."""
    if not state.journal.exists():
        return {}
    with contextlib.closing(Journal.read(state.journal, machine)) as journal:
        return width_factors(journal, job)


def width_words(job: Job, factors: Mapping[str, float]) -> tuple[str, ...]:
    """A line for each ink whose measured width is painted by."""
    widths = {ink.name: ink.tip_mm for ink in job.inks}
    return tuple(
        f"{ink}: a new tip's line is taken as {widths[ink] * factor:.2f} mm wide, as measured (job: {widths[ink]:g} mm)"
        for ink, factor in factors.items()
    )


def with_measured_tips(job: Job, factors: Mapping[str, float]) -> Job:
    """The job with its tips as wide as measured: every width of an ink, its wear table's too, times its factor."""
    if not factors:
        return job
    tips: dict[str, Any] = dict(job.tips)
    inks = []
    for ink in job.inks:
        factor = factors.get(ink.name)
        if factor is None:
            inks.append(ink)
            continue
        changes: dict[str, Any] = {"tip_mm": ink.tip_mm * factor}
        if ink.spiral_step_mm is not None:
            changes["spiral_step_mm"] = ink.spiral_step_mm * factor
        if ink.tip is not None:
            table = job.tips[ink.tip]
            name = f"{ink.tip}-as-measured-{ink.name}"
            tips[name] = table.model_copy(
                update={"width_mm": tuple(width * factor for width in table.width_mm)}
            )
            changes["tip"] = name
        inks.append(ink.model_copy(update=changes))
    return job.model_copy(update={"inks": tuple(inks), "tips": tips})
