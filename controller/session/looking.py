"""What a person asks of a machine's drift, and what they say when they have looked at it. Moves nothing.

Owns opening the journal for either; controller/session/drifting.py judges.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

from controller.config.errors import InputError, Mistake, RefusedError
from controller.config.load import load_job, load_machine
from controller.config.places import StateDir
from controller.session.drifting import JobTraps, MachineDrift, drift_now
from controller.session.journal import Journal
from controller.session.rows import LookCause

REASON_CHARACTERS_MAX = 500


def drift(machine_path: Path, state_root: Path | None, job_path: Path | None = None) -> MachineDrift | None:
    """What all homings say, of the job at ``job_path`` or of the one painted last; None before the first homing.

    Raises InputError for bad files.
    """
    machine = load_machine(machine_path)
    state = _state(state_root, machine.name)
    if not state.journal.exists():
        return None
    asked = _traps(job_path)
    with contextlib.closing(Journal.read(state.journal, machine.name)) as journal:
        return drift_now(journal, machine, asked)


def look(machine_path: Path, state_root: Path | None, *, cause: LookCause, reason: str, person: str) -> None:
    """Write down that a person has looked at all jumps up to the last homing.

    Raises RefusedError when no jump waits for a look, or one was seen by a single homing only.
    """
    machine = load_machine(machine_path)
    state = _state(state_root, machine.name)
    reason = " ".join(reason.split())
    if not reason or len(reason) > REASON_CHARACTERS_MAX:
        expected = f"what you found, in 1 to {REASON_CHARACTERS_MAX} characters"
        raise InputError(
            [Mistake(state.journal, "--looked", expected, repr(reason[:40]), code="option-value")]
        )
    found = drift(machine_path, state_root)
    if found is None or not found.open_jumps:
        raise RefusedError(
            "no jump waits for a look", "giornata drift shows what the homings say", code="no-jump"
        )
    if not all(event.confirmed for _, event in found.open_jumps):
        raise RefusedError(
            "one homing alone shows the jump",
            "giornata home: a second one shows whether it stays",
            code="jump-unconfirmed",
        )
    with contextlib.closing(Journal.open(state.journal, machine.name)) as journal:
        journal.add_look(homing=found.last_homing, cause=cause, reason=reason, person=person)


def _traps(job_path: Path | None) -> JobTraps | None:
    if job_path is None:
        return None
    job = load_job(job_path)
    return job.name, None if job.traps is None else job.traps.width_mm


def _state(state_root: Path | None, machine: str) -> StateDir:
    return StateDir.at(state_root, machine)
