"""What stands beside a session's own ticks: all that was painted of its job, pens, homings against the traps, marks.

Owns reading these from the journal as they stood at the session's end. Computes nothing that the rooms before it do
not compute; draws nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from controller.config.errors import InputError
from controller.config.machine import Machine
from controller.report.passdata import PassData, read_pass
from controller.session import pens
from controller.session.drifting import JobDrift, MachineDrift, judge_drift
from controller.session.journal import Journal
from controller.session.penrows import SumsRow
from controller.session.prepared import load_prepared
from controller.session.rows import MapRow, RunRow, SessionRow


@dataclass(frozen=True, slots=True)
class History:
    """passes: all of the session's job that were painted on by its end, in order, this session's among them.

    pens: those that this session's runs used or that were put in for it; put_in: ids of these; pens_left: unused, by
    ink, as last counted less what was put in since. sums: of this session's runs, by run. maps: register maps of the
    job up to the session's end. drift: of the machine up to then, None before its first homing or without a machine
    file; traps_mm: their width, None without.
    """

    passes: tuple[PassData, ...]
    pens: tuple[pens.PenUse, ...]
    put_in: frozenset[int]
    pens_left: dict[str, int]
    sums: dict[int, SumsRow]
    maps: tuple[MapRow, ...]
    drift: MachineDrift | None
    traps_mm: float | None


def gather_history(
    journal: Journal,
    session: SessionRow,
    runs: Sequence[RunRow],
    machine: Machine | None,
    note: Callable[[str], None],
) -> History:
    """Read it. ``runs``: all of the journal up to this session, with their folders where they stand."""
    rows = [row for row in journal.passes() if row.id in {run.pass_id for run in runs}]
    here = {run.id: run for run in runs if run.session == session.id}
    jobs = {row.job for row in rows if row.id in {run.pass_id for run in here.values()}}
    passes = tuple(
        read_pass(journal, row, [run for run in runs if run.pass_id == row.id], session.id, note)
        for row in rows
        if row.job in jobs
    )
    sums = {row.run: row for row in journal.pens.sums() if row.run in here}
    put_in = frozenset(pen.id for pen in journal.pens.pens() if pen.session == session.id)
    used = {row.pen for row in sums.values() if row.pen is not None} | put_in
    job = passes[-1].row.job if passes else ""
    traps_mm = _traps_mm(passes[-1]) if passes else None
    maps = tuple(
        row for row in (journal.register_maps(job) if job else []) if (row.session or 0) <= session.id
    )
    drift = None
    if machine is not None:
        try:
            drift = _drift(journal, session, machine, job, traps_mm, maps)
        except (ValueError, np.linalg.LinAlgError) as error:
            note(f"the homings could not be judged: {error}")
    until = pens.Until.end_of(journal, session)
    return History(
        passes,
        tuple(one for one in pens.uses(journal, until) if one.pen.id in used),
        put_in,
        pens.left(journal, until),
        sums,
        maps,
        drift,
        traps_mm,
    )


def _traps_mm(part: PassData) -> float | None:
    """By the folder that the pass was prepared in; None when that is gone or holds another job."""
    try:
        record = load_prepared(part.row.folder.parent).record
    except InputError:
        return None
    return record.traps_mm if record.job == part.row.job else None


def _drift(
    journal: Journal, session: SessionRow, machine: Machine, job: str, traps_mm: float | None,
    maps: Sequence[MapRow],
) -> MachineDrift | None:  # fmt: skip
    """As ``giornata drift`` judges it, of what was known at the session's end."""
    jumps = journal.jumps
    homings = [
        replace(row, at_ms=jumps.today_ms(row.at_ms, "homing", row.id))
        for row in journal.homings()
        if row.session <= session.id
    ]
    known = {row.id for row in homings}
    looks = [look for look in journal.looks() if look.homing in known]
    asked = None
    if job:
        begun = [jumps.today_ms(row.begun_ms, "pass", row.id) for row in journal.passes() if row.job == job]
        measured = [(jumps.today_ms(row.at_ms, "map", row.id), row) for row in maps]
        asked = JobDrift.of(job, traps_mm, begun, measured)
    return judge_drift(homings, looks, machine.axes, asked)
