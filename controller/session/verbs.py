"""The verbs that may move the machine, whole: from files to a closed session. For the command line and for tests.

Owns the order of what a verb does; how it is asked for and shown is the command line's.
"""

from __future__ import annotations

import asyncio
import dataclasses
import os
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from controller.config.errors import InputError, RefusedError
from controller.config.load import load_job, load_machine
from controller.config.places import StateDir
from controller.session import control
from controller.session.daemon import RunnerOf, clear_latch, locked, session
from controller.session.drifting import MachineDrift, drift_json, drift_now
from controller.session.host import Host
from controller.session.journal import Journal
from controller.session.maintenance import reminders
from controller.session.operator import Operator
from controller.session.pausing import Choice
from controller.session.pens import measured_factors
from controller.session.prepare import Progress, prepare
from controller.session.prepared import Prepared, load_prepared
from controller.session.processrunner import ProcessRunner
from controller.session.replan import map_in_force, under_map
from controller.session.resume import last_words
from controller.session.rows import HomingRow
from controller.session.runner import PauseAt
from controller.session.service import PassResult, Service
from controller.session.states import initial_state
from controller.session.stopwords import EMERGENCY
from controller.session.watcher import Watcher
from safety import client, latch

PARKED_LOOK_S: Final = 0.2
"""So often somebody who waits for a pause looks."""


@dataclass(frozen=True, slots=True)
class Done:
    """What a verb has to say at its end."""

    session: int
    state: StateDir
    homings: tuple[HomingRow, ...] = ()
    passes: tuple[PassResult, ...] = ()
    drift: MachineDrift | None = None


def state_of(machine_path: Path, state_root: Path | None) -> StateDir:
    """The machine's state directory by name only; nothing is made."""
    return StateDir.at(state_root, load_machine(machine_path).name)


def session_state_of(machine_path: Path, state_root: Path | None) -> StateDir:
    """The same for a verb that opens a session or speaks to one.

    Raises InputError where the path is too long for its sockets: said before anything is prepared or asked.
    """
    return StateDir.for_session(state_root, load_machine(machine_path).name)


def default_prepared(job_path: Path, machine_path: Path, state_root: Path | None) -> Path:
    """Where a job is prepared when nobody says otherwise."""
    return state_of(machine_path, state_root).root / "prepared" / load_job(job_path).name


def prepared_for(
    job_path: Path, machine_path: Path, folder: Path, progress: Progress | None, note: Callable[[str], None],
    workers: int = 1, state_root: Path | None = None,
) -> Prepared:  # fmt: skip
    """The prepared job in ``folder``, made anew when it is missing, stale or of other files, planned anew when another
    register map is in force by the machine's state."""
    state, machine, job = state_of(machine_path, state_root), load_machine(machine_path), load_job(job_path)
    factors = measured_factors(state, machine.name, job)
    prepared = _prepared(job_path, machine_path, folder, progress, note, workers, factors)
    wanted = map_in_force(state, machine.name, job.name)
    return under_map(prepared, job_path, machine_path, wanted, progress, note, workers)


def _prepared(
    job_path: Path, machine_path: Path, folder: Path, progress: Progress | None, note: Callable[[str], None],
    workers: int, factors: Mapping[str, float],
) -> Prepared:  # fmt: skip
    try:
        found = load_prepared(folder)
    except InputError:
        found = None
    if found is not None:
        wanted = {str(job_path.absolute()), str(machine_path.absolute())}
        stale = found.stale()
        if not stale and wanted <= set(found.record.sources):
            if found.record.tip_factors != factors:
                note("lines were measured since the job was prepared: giornata prepare goes by their widths")
            return found
        changed = ", ".join(Path(path).name for path in stale) or "the files"
        note(f"{changed} changed since the job was prepared: preparing it again")
    return prepare(job_path, machine_path, folder, progress, workers=workers, tip_factors=factors)


async def home(
    machine_path: Path, state_root: Path | None, operator: Operator, watcher: Watcher, *,
    accept_difference: bool = False, runner_of: RunnerOf = ProcessRunner, signals: bool = True,
    host: Host | None = None,
) -> Done:  # fmt: skip
    """One session that homes. ``host``: the service that holds the lock; without it the session does."""
    async with session(
        machine_path, state_root, runner_of, operator, watcher, verb="home", signals=signals, host=host
    ) as service:
        rows = await service.home(accept_difference=accept_difference)
        return Done(service.session, service.state_dir, tuple(rows), drift=service.drift)


async def paint(
    prepared: Prepared, machine_path: Path, state_root: Path | None, operator: Operator, watcher: Watcher, *,
    inks: Sequence[str] = (), passes: Sequence[str] = (), again: bool = False, home_first: bool = False,
    runner_of: RunnerOf = ProcessRunner, signals: bool = True, meanwhile: Callable[[Service], None] | None = None,
    host: Host | None = None,
) -> Done:  # fmt: skip
    """One session that paints these inks' passes and these passes, in painting order (all when nothing is named).

    ``home_first``: home before anything else, for a simulated machine that was never homed; the first pass goes by
    that homing. ``meanwhile`` gets the service
    before it begins.
    """
    names = [one.name for one in prepared.chosen(inks, passes)]
    async with session(
        machine_path, state_root, runner_of, operator, watcher,
        verb="paint", job=prepared.record.job, signals=signals, host=host,
    ) as service:  # fmt: skip
        if prepared.record.machine != service.machine.name:
            raise RefusedError(
                f"the job was prepared for {prepared.record.machine}, not for {service.machine.name}",
                "prepare it for this machine",
                code="prepared-other-machine",
            )
        for line in reminders(service.journal, service.machine):
            service.watcher.note(line)
        if meanwhile is not None:
            meanwhile(service)
        if home_first:
            await service.home()
        results = await service.paint(prepared, names, again=again, homed_now=home_first)
        return Done(service.session, service.state_dir, passes=tuple(results))


def status(machine_path: Path, state_root: Path | None) -> dict[str, Any]:
    """How the machine stands: from a session that runs, else from the journal and the latch.

    ``service``: what whoever holds the state folder answered; None when nobody does.
    """
    state = state_of(machine_path, state_root)
    machine = load_machine(machine_path)
    standing = latch.read(state.latch)
    latched = None
    if standing is not None:
        latched = {
            "reason": standing.reason, "text": standing.text, "detail": standing.detail,
            "wall_time": standing.wall_time, "standstill": standing.standstill,
            "standstill_words": standing.standstill_words(), "lease": standing.lease,
        }  # fmt: skip
    common: dict[str, Any] = {"machine": machine.name, "state_folder": str(state.root), "latch": latched}
    trouble, service = "", None
    if state.control_socket.exists():
        try:
            answer = control.ask(state.control_socket, "status")
            service = {name: value for name, value in answer.items() if name not in ("v", "ok")}
            if service.get("session") is not None:
                return {**common, "service": service, "state": answer.get("state")}
        except RefusedError as error:
            trouble = error.reason
    if not state.journal.exists():
        return {**common, "service": service, "trouble": trouble, "registered": False, "why": "never homed",
                "drift": None, "register_maps": [],
                "state": initial_state(latched=standing is not None, registered=False, pass_open=False).value,
                "passes": []}  # fmt: skip
    journal = Journal.read(state.journal, machine.name)
    try:
        drift = drift_now(journal, machine)
        return {
            **common,
            "register_maps": [
                {"job": job, "id": row.id, "at_ms": row.at_ms, "person": row.person, "lines": list(row.summary)}
                for job, row in {row.job: row for row in journal.register_maps()}.items()
            ],
            "drift": None if drift is None else {**drift_json(drift), "short": list(drift.short)},
            "service": service,
            "trouble": trouble,
            "state": initial_state(
                latched=standing is not None,
                registered=journal.registered,
                pass_open=journal.open_pass() is not None,
            ).value,
            "registered": journal.registered,
            "why": journal.registration_reason,
            "passes": [
                {"job": row.job, "pass": row.name, "ink": row.ink, "state": row.state, "strokes": row.strokes,
                 "strokes_finished": len(journal.finished_strokes(row.id)), "account": last_words(journal, row)}
                for row in journal.passes() if row.state != "abandoned"
            ],
        }  # fmt: skip
    finally:
        journal.close()


GENTLE_ANSWER_S = 1.0
"""A service that has not answered by then is not trusted with a stop on the path."""


GUARD_ANSWER_S = 2.0
"""A guard that has not answered by then may be hung, and motion under way."""


def stop(machine_path: Path, state_root: Path | None, *, reason: str, gently: bool = False) -> dict[str, Any]:
    """Stop the machine: through the guard, at once; ``gently`` through the service, on the path.

    Answers ``kind`` (controlled or immediate), ``why_at_once`` (why a gentle stop became an immediate one, or an empty
    text) and what service or guard said; ``session.stopwords`` reads it. Raises RefusedError when nobody is there to
    stop anything, GuardSilentError when a guard does not answer.
    """
    state = state_of(machine_path, state_root)
    why_at_once = ""
    if gently:
        try:
            said = control.ask(state.control_socket, "stop", GENTLE_ANSWER_S, "controlled")
        except RefusedError as error:
            why_at_once = error.reason
        else:
            if said.get("ok") is True and said.get("kind") in control.KINDS_OF_STOP:
                kind = str(said["kind"])
                why = "" if kind == "controlled" else "a stop had been asked for before"
                return {"kind": kind, "why_at_once": why, "latch": str(state.latch)}
            why_at_once = f"the service refused: expected {said.get('expected')}"
    try:
        answer = client.request_stop(state.stop_socket, reason, person_name(), GUARD_ANSWER_S)
    except client.GuardSilentError as error:
        raise client.GuardSilentError(f"{EMERGENCY}. {error}") from None
    except client.GuardUnreachableError as error:
        raise RefusedError(
            f"no guard runs for this machine, so no session of ours moves it ({error})",
            "if the machine moves all the same, use its emergency stop",
            code="no-guard",
        ) from None
    return {"kind": "immediate", "why_at_once": why_at_once, **answer}


def pause(
    machine_path: Path, state_root: Path | None, *, at: PauseAt = "stroke-end",
    park_mm: tuple[float, float] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Ask whoever paints to pause. Answers ``at``: where the pass comes to rest. Raises RefusedError."""
    place: dict[str, Any] = {} if park_mm is None else {"park_mm": list(park_mm)}
    path = session_state_of(machine_path, state_root).control_socket
    return _said(control.ask(path, "pause", at=at, **place))


def parked(
    machine_path: Path, state_root: Path | None, sleep: Callable[[float], None] = time.sleep
) -> dict[str, Any]:
    """Wait until a pause that was asked for is there: the head parked and a question standing.

    Answers ``paused`` and ``question``; when the session ended first (with ``giornata paint`` its socket goes with it)
    or somebody answered in between, ``paused`` is false and ``question`` an empty text. Raises RefusedError when
    whoever is there does not answer.
    """
    path = session_state_of(machine_path, state_root).control_socket
    while True:
        try:
            status = control.ask(path, "status")
        except RefusedError as error:
            if error.code != "no-service":
                raise
            return {"paused": False, "question": ""}
        prompt = status.get("prompt")
        if isinstance(prompt, dict) and prompt.get("kind") == "pause":
            return {"paused": True, "question": str(prompt.get("question"))}
        if status.get("session") is None or status.get("pause_asked") is None:
            return {"paused": False, "question": ""}
        sleep(PARKED_LOOK_S)


def answer_pause(machine_path: Path, state_root: Path | None, choice: Choice) -> dict[str, Any]:
    """Answer the question of a paused pass. Raises RefusedError when none is paused."""
    path = session_state_of(machine_path, state_root).control_socket
    prompt = control.ask(path, "status").get("prompt")
    if not isinstance(prompt, dict) or prompt.get("kind") != "pause":
        raise RefusedError("no pass is paused", "giornata status shows what runs", code="no-pass")
    return _said(control.ask(path, "answer", prompt=prompt["prompt"], value=choice))


def _said(answer: dict[str, Any]) -> dict[str, Any]:
    if answer.get("ok") is not True:
        raise RefusedError(str(answer.get("got")), str(answer.get("expected")), code="answer-not-taken")
    return {name: value for name, value in answer.items() if name not in ("v", "ok")}


def clear(machine_path: Path, state_root: Path | None, *, reason: str, person: str) -> Path:
    """Clear the latch whose reason code the person has seen; the machine is unregistered from then on.

    Answers the file that keeps the cleared latch. Raises RefusedError when no latch stands, the reason is another
    or a session runs.
    """
    machine = load_machine(machine_path)
    state = StateDir.open(state_root, machine.name)
    with locked(state, "clear"):
        return clear_latch(state, machine.name, reason=reason, person=person)


def run(work: Any) -> Any:
    """Run one verb's coroutine to its end."""
    return asyncio.run(work)


def person_name() -> str:
    """Who is at the keyboard, for the record."""
    return os.environ.get("SUDO_USER") or os.environ.get("USER") or f"uid {os.getuid()}"


def last_painting_session(state: StateDir) -> int:
    """The latest session that had a pass. Raises RefusedError when there is none."""
    journal = Journal.read(state.journal)
    try:
        painted = [row.session for row in journal.runs() if row.pass_id is not None]
    finally:
        journal.close()
    if not painted:
        raise RefusedError("no session has painted yet", "run giornata paint", code="nothing-painted")
    return painted[-1]


def paths_of(files: Any) -> dict[str, Any]:
    """The paths in a record of files, by field name."""
    fields = dataclasses.fields(files)
    return {field.name: getattr(files, field.name) for field in fields}
