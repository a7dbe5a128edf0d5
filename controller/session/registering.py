"""Register marks in a session: the head goes to each, a person steers it on to the mark, a map is fitted and kept.

Owns the order of that and what is written down; controller/register/marks.py fits and refuses. How a person steers is
a ``Steerer``'s. Nothing moves but by the person's word, every move under the guard and with the pen up.

A mark's place is where the tip stands by the map in force, play taken up from one side, plus what the person says that
the mark lies off the tip. The drives are believed to hold the head where they stopped it.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError, Mistake, RefusedError
from controller.config.job import Job
from controller.config.load import load_job, load_machine
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.motion.approach import play_at_mm
from controller.motion.frames import soft_limits_mm
from controller.motion.geometry import GeometryMap
from controller.session.daemon import RunnerOf, locked, session
from controller.session.host import Host
from controller.session.journal import Journal
from controller.session.operator import Operator
from controller.session.processrunner import ProcessRunner
from controller.session.replan import last_map
from controller.session.rows import MapRow, MarkMeasured, Matrix
from controller.session.service import Service, StoppedError
from controller.session.watcher import Watcher

if TYPE_CHECKING:
    from controller.register.marks import Refusal, Registration

Vector = npt.NDArray[np.float64]

JOG_MAX_MM = 10.0
"""A single jog is no longer, along either axis."""

REACH_MM = 2.0
"""The last way to a mark is longer than the play by this much, so that the play is taken up."""


UNMOVED: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
"""The map of a canvas that lies where it is said to."""


@dataclass(frozen=True, slots=True)
class Jog:
    """Move the tip by so much, canvas mm."""

    right_mm: float
    down_mm: float


@dataclass(frozen=True, slots=True)
class Found:
    """The mark lies so far from the tip, canvas mm; both 0: the tip is on it."""

    right_mm: float = 0.0
    down_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Skip:
    """The mark cannot be seen: go on without it."""


@dataclass(frozen=True, slots=True)
class AtMark:
    """Where the head stands: at mark ``number`` of ``count``, jogged by ``off_mm`` from where it should be."""

    name: str
    number: int
    count: int
    off_mm: tuple[float, float]


class Steerer(Protocol):
    """Whoever looks at the tip and the mark."""

    async def steer(self, at: AtMark) -> Jog | Found | Skip | None:
        """What to do next at a mark; None gives up. The machine rests meanwhile."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class MarksDone:
    """What came of it. ``kept``: the map in force from here on; None when the person said no."""

    session: int
    marks: tuple[MarkMeasured, ...]
    registration: Registration
    lines: tuple[str, ...]
    kept: MapRow | None


Show = Callable[[Sequence[MarkMeasured], "Registration", Sequence[str]], None]
"""Shows a person the fit before they are asked."""


async def marks(
    job_path: Path, machine_path: Path, state_root: Path | None, operator: Operator, steerer: Steerer,
    watcher: Watcher, person: str, *, show: Show = lambda _marks, _registration, _lines: None,
    runner_of: RunnerOf = ProcessRunner, signals: bool = True, host: Host | None = None,
) -> MarksDone:  # fmt: skip
    """One session that measures a job's marks and, on a yes, puts the map through them in force.

    ``host``: the service that holds the lock; without it the session does.

    Raises RefusedError with the reason when the marks speak for no map; nothing is kept then but a note of them.
    """
    from controller.register.words import registration_text

    job = job_with_marks(job_path)
    async with session(
        machine_path,
        state_root,
        runner_of,
        operator,
        watcher,
        verb="marks",
        job=job.name,
        signals=signals,
        host=host,
    ) as service:
        measured = await _measured(service, job, steerer)
        names = [one.name for one in measured]
        service.journal.note("marks", json.dumps([asdict(one) for one in measured]), service.session)
        found = accepted(measured, job, service.machine)
        lines = registration_text(found, names)
        show(measured, found, lines)
        question = f"Put this map in force for all passes of {job.name} from here on?"
        if not await service.asked("waiting for a yes to the register map", operator.confirm(question)):
            return MarksDone(service.session, measured, found, lines, None)
        earlier = last_map(service.journal, job.name)
        kept = service.journal.add_register_map(
            job.name, session=service.session,
            matrix=_matrix(found.after(None if earlier is None else earlier.matrix)),
            marks=measured, summary=lines, person=person,
        )  # fmt: skip
        watcher.note(
            f"register map {kept.id} is in force for {job.name}: paint plans the passes anew under it"
        )
        return MarksDone(service.session, measured, found, lines, kept)


def withdraw(job_path: Path, machine_path: Path, state_root: Path | None, person: str) -> MapRow:
    """Put the map in force that changes nothing: the canvas lies where the machine file says, or it is another canvas.

    Nothing moves. Raises RefusedError when a session runs or no map is in force.
    """
    machine, job = load_machine(machine_path), load_job(job_path)
    state = StateDir.open(state_root, machine.name)
    with locked(state, "marks"):
        return withdrawn(state, machine, job, person)


def withdrawn(state: StateDir, machine: Machine, job: Job, person: str) -> MapRow:
    """``withdraw``, the lock being held."""
    with contextlib.closing(Journal.open(state.journal, machine.name)) as journal:
        before = last_map(journal, job.name)
        if before is None or before.matrix == UNMOVED:
            raise RefusedError(
                f"no register map is in force for {job.name}",
                "there is nothing to withdraw",
                code="no-register-map",
            )
        said = (f"register map {before.id} withdrawn: the canvas lies where the machine file says",)
        return journal.add_register_map(
            job.name, session=None, matrix=UNMOVED, marks=(), summary=said, person=person
        )


def job_with_marks(job_path: Path) -> Job:
    """The job. Raises InputError for one without marks."""
    job = load_job(job_path)
    if job.marks is None:
        raise InputError(
            [Mistake(job_path, "register", "a [register] table with marks_mm", "none", code="marks-none")]
        )
    return job


def accepted(measured: Sequence[MarkMeasured], job: Job, machine: Machine) -> Registration:
    """The map through marks that speak for one. Raises RefusedError when they do not."""
    from controller.register.marks import Refusal
    from controller.register.words import marks_code, refusal_text

    found = fitted(measured, job, machine)
    if isinstance(found, Refusal):
        raise RefusedError(
            f"the marks speak for no register map: {refusal_text(found, [one.name for one in measured])}",
            "giornata marks measures them again; the map in force stays",
            code=marks_code(found.reason),
        )
    return found


def fitted(measured: Sequence[MarkMeasured], job: Job, machine: Machine) -> Registration | Refusal:
    """The map through measured marks, or why there is none, by the job's uncertainty and the machine's canvas."""
    from controller.register.marks import register_marks

    assert job.marks is not None
    return register_marks(
        np.array([one.nominal_mm for one in measured], dtype=np.float64).reshape(-1, 2),
        np.array([one.measured_mm for one in measured], dtype=np.float64).reshape(-1, 2),
        size_mm=machine.canvas.size_mm,
        uncertainty_mm=job.marks.uncertainty_mm,
    )


async def _measured(service: Service, job: Job, steerer: Steerer) -> tuple[MarkMeasured, ...]:
    """Home, then every mark in the file's order, then park."""
    assert job.marks is not None
    before = last_map(service.journal, job.name)
    head = _Head(service, GeometryMap.of(service.machine, None if before is None else before.matrix))
    places = list(job.marks.marks_mm.items())
    for _name, nominal in places:
        head.targets_mm(np.array(nominal))  # all within reach, before anything moves
    await service.home()
    found: list[MarkMeasured] = []
    for number, (name, nominal) in enumerate(places, 1):
        tip = np.array(nominal, dtype=np.float64)
        await head.go(tip, f"mark-{name}")
        while True:
            right, down = (tip - nominal).tolist()
            at = AtMark(name, number, len(places), (right, down))
            answer = await service.asked(f"waiting at mark {name}", steerer.steer(at))
            if answer is None:
                raise StoppedError("the marks were given up; the map in force stays")
            if isinstance(answer, Jog):
                if max(abs(answer.right_mm), abs(answer.down_mm)) > JOG_MAX_MM:
                    raise ValueError(f"expected jogs of at most {JOG_MAX_MM:g} mm, got {answer}")
                jogged = tip + np.array([answer.right_mm, answer.down_mm])
                try:
                    head.targets_mm(jogged)
                except RefusedError as error:  # a jog too far must not cost the marks that were found
                    service.watcher.note(f"{error.reason}: jog the other way, or type off")
                    continue
                tip = jogged
                await head.go(tip, f"mark-{name}")
                continue
            if isinstance(answer, Found):
                x, y = (tip + np.array([answer.right_mm, answer.down_mm])).tolist()
                found.append(MarkMeasured(name, nominal, (x, y)))
            break
    await service.move("park", [service.machine.park_mm])
    return tuple(found)


class _Head:
    """Takes the raised tip to canvas places, the last way always from one side."""

    def __init__(self, service: Service, geometry: GeometryMap) -> None:
        self._service, self._geometry = service, geometry

    async def go(self, tip_mm: Vector, what: str) -> None:
        await self._service.move(what, self.targets_mm(tip_mm))

    def targets_mm(self, tip_mm: Vector) -> list[tuple[float, float]]:
        """Where the motors go, axis mm: to one side, then on to the place, half the play ahead of the head.

        From below, or from above where the soft limit is too near. Raises RefusedError outside the travel.
        """
        machine = self._service.machine
        head = self._geometry.to_axes(tip_mm)
        play = play_at_mm(machine, head[None])[0]
        low, high = soft_limits_mm(machine)
        side = np.where(head - play / 2.0 - REACH_MM >= low, 1.0, -1.0)
        last = head + side * play / 2.0
        first = head - side * (play / 2.0 + REACH_MM)
        if not all(bool(np.all((low <= one) & (one <= high))) for one in (first, last)):
            x, y = np.asarray(tip_mm).tolist()
            raise RefusedError(
                f"canvas place ({x:.1f}, {y:.1f}) mm is outside the machine's travel",
                "choose marks within it",
                code="marks-outside",
            )
        return [(float(one[0]), float(one[1])) for one in (first, last)]


def _matrix(matrix: Vector) -> Matrix:
    (a, b, c), (d, e, f) = matrix.tolist()
    return (a, b, c), (d, e, f)


def marks_json(done: MarksDone) -> dict[str, Any]:
    """What came of it, for a program; what cannot be said is null."""
    fit = done.registration.fit
    rows = zip(done.marks, fit.residuals_mm.tolist(), fit.deleted_residuals_mm.tolist(), strict=True)
    return {
        "session": done.session,
        "kept": None if done.kept is None else {"id": done.kept.id, "matrix": done.kept.matrix},
        "kind": fit.kind.value,
        "shift_mm": done.registration.shift_mm.tolist(),
        "turn_deg": done.registration.turn_deg,
        "stretch_mm_m": done.registration.stretch_mm_m.tolist(),
        "corner_radius_mm": done.registration.corner_radius_mm.tolist(),
        "everywhere_mm": done.registration.everywhere_mm,
        "marks": [
            {
                **asdict(one),
                "left_over_mm": left,
                "left_over_by_others_mm": [mm if np.isfinite(mm) else None for mm in others],
            }
            for one, left, others in rows
        ],
        "lines": list(done.lines),
    }
