"""The guided bring-up, from first power to a machine that homes and follows: steps in order, resumed from the journal.

Owns the order, what a step rests on, what is asked before it and kept after it. Each step is a session of its own; what
it does stands in ``commissionstops`` and ``commissionmoves``. Every answer comes from a ``Questioner``: a person at the
terminal, or one who is simulated.

A step is done as long as what it rests on stands in the machine file as it did then (``basis``): another drive's
direction asks for directions again, another wiring for the stops.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from controller.config.errors import HaltedError, RefusedError
from controller.config.load import load_machine, read_toml
from controller.config.machine import AXES, Machine
from controller.config.tomlkeep import value_at
from controller.session import calibrationkeep
from controller.session import commissionmoves as moves
from controller.session import commissionstops as proofs
from controller.session.calibrationrows import CalibrationRow, StepRow
from controller.session.commissionask import Ask, Questioner
from controller.session.commissionbench import Bench, GivenUpError, StepResult
from controller.session.daemon import RunnerOf
from controller.session.journal import Journal
from controller.session.latched import refused
from controller.session.processrunner import ProcessRunner
from controller.session.service import StoppedError
from controller.session.stopproof import stops_digest
from controller.session.verbs import state_of
from controller.session.watcher import Watcher
from drivers.errors import DriverError
from safety import latch

TRIES_MAX: Final = 3
"""So often one call does a step again whose values it has written into the file."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step. ``why``, ``moves`` and ``hold`` are told before it; ``basis``: digest of what it rests on."""

    name: str
    why: str
    moves: Callable[[Machine], str]
    hold: str
    basis: Callable[[Machine], str]
    run: Callable[[Bench], Awaitable[StepResult]]
    may_be_left_out: bool = False


def _digest(*parts: Any) -> str:
    return hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()


def _axes(*fields: str) -> Callable[[Machine], str]:
    """Digest of these tables or fields of both axes."""

    def basis(machine: Machine) -> str:
        dumped = [machine.axes[axis].model_dump(mode="json") for axis in AXES]
        return _digest(*([axis[field] for field in fields] for axis in dumped))

    return basis


def _still(_machine: Machine) -> str:
    return "Nothing moves."


STEPS: Final[tuple[Step, ...]] = (
    Step(
        "stops",
        "Every loop that stops the machine is opened by your hand, one by one, and has to be seen. Nothing else is "
        "allowed before.",
        lambda _machine: "Nothing moves. For inputs on a drive both motors hold where they stand.",
        "The emergency stop that needs no software in one hand.",
        stops_digest,
        proofs.stops,
    ),
    Step(
        "stop-command",
        "giornata stop has to reach the guard from another terminal, and the guard has to latch.",
        lambda _machine: "Nothing moves; both motors hold where they stand.",
        "The emergency stop.",
        lambda machine: _digest(stops_digest(machine)),
        proofs.stop_command,
    ),
    Step(
        "direction",
        "A wrong sign drives an axis away from where it should go, into the end.",
        lambda _machine: (
            f"Each axis by {moves.FIRST_MM:g} mm at {moves.SLOW_MM_S:g} mm/s, and back. Put the head in "
            "the middle of its travel by hand, motors without power."
        ),
        "The emergency stop; nobody else near the gantry.",
        _axes("drive"),
        moves.direction,
    ),
    Step(
        "counts",
        "Wrong counts a turn make every speed, every way and every stopping distance wrong.",
        lambda _machine: (
            f"Each axis by the way that you name, {moves.WAY_MM[1]:g} mm at most, at "
            f"{moves.SLOW_MM_S:g} mm/s, and back."
        ),
        "The emergency stop; a ruler or tape.",
        _axes("drive"),
        moves.counts,
        may_be_left_out=True,
    ),
    Step(
        "limits",
        "A limit switch on the wrong input, or on none, lets an axis run into its end.",
        lambda _machine: "Nothing moves; both motors hold where they stand.",
        "The emergency stop in one hand, the limit switch under the other; keep clear of belt and pulley.",
        _axes("drive"),
        moves.limits,
        may_be_left_out=True,
    ),
    Step(
        "travel",
        "The whole way between the soft limits has to be free before anything goes fast on it.",
        lambda machine: (
            f"Both axes home, at up to {max(machine.axes[axis].homing.fast_mm_s for axis in AXES):g} mm/s by the file "
            "(lower homing.fast_mm_s if that is too fast to reach the emergency stop), then go from end to end at "
            f"{moves.TRAVEL_MM_S:g} mm/s."
        ),
        "The emergency stop; look along the whole way for tools, cables, scaffolding.",
        lambda machine: _digest(_axes("drive", "homing", "min_mm", "max_mm")(machine), machine.home_order),
        moves.travel,
    ),
    Step(
        "homing",
        "Every picture hangs on homing finding the same place again.",
        lambda _machine: f"Both axes home {moves.HOMINGS} times, and go aside in between.",
        "The emergency stop.",
        _axes("drive", "homing"),
        moves.homing,
    ),
    Step(
        "following",
        "How fast the axes may go is what they can follow, with a margin.",
        lambda machine: (
            "Each axis to and fro in the middle of its travel, in steps up to "
            f"{machine.motion.travel_speed_mm_s:g} mm/s and {machine.motion.acceleration_mm_s2:g} mm/s2."
        ),
        "The emergency stop; nobody within reach of the gantry.",
        lambda machine: _digest(
            _axes("drive", "following_error_max_mm", "loop_lag_ms", "latency_ms", "acceleration_max_mm_s2")(
                machine
            ),
            machine.motion.travel_speed_mm_s,
            machine.motion.acceleration_mm_s2,
        ),
        moves.following,
    ),
)

Ended = Literal["", "refused", "halted", "drive", "interrupted"]

NAMES: Final = tuple(step.name for step in STEPS)


@dataclass(frozen=True, slots=True)
class StepStatus:
    """How a step stands: ``last`` of the journal, and whether it holds for the file as it is."""

    name: str
    holds: bool
    last: StepRow | None


@dataclass(frozen=True, slots=True)
class Commissioned:
    """What a call has come to. ``stopped_at``: the step that was not finished, with ``why``; both empty at the end.

    ``ended``: "halted" when a stop stands latched, "drive" for a fault of wire or drive, "interrupted" by Ctrl-C or its
    like, else "refused"; empty at the end.
    """

    done: tuple[StepRow, ...]
    stopped_at: str = ""
    why: str = ""
    standing: tuple[StepStatus, ...] = ()
    ended: Ended = ""


def standing(rows: Sequence[StepRow], machine: Machine) -> tuple[StepStatus, ...]:
    """How every step stands, in order. What was failed last does not hold, whatever came before."""
    last = {row.step: row for row in rows}
    return tuple(
        StepStatus(
            step.name,
            (row := last.get(step.name)) is not None
            and row.state != "failed"
            and row.basis == step.basis(machine),
            row,
        )
        for step in STEPS
    )


async def commission(
    machine_path: Path, state_root: Path | None, questioner: Questioner, watcher: Watcher, *,
    only: str = "", again: bool = False, write: Literal["ask", "never", "always"] = "ask",
    runner_of: RunnerOf = ProcessRunner, signals: bool = True, bench: Bench | None = None,
) -> Commissioned:  # fmt: skip
    """Every step that does not hold yet, in order; or ``only`` one, ``again`` though it holds.

    ``write``: whether measured values go into the machine file. Raises RefusedError when a latch stands, another
    session runs, or a step before ``only`` does not hold; InputError for a bad machine file.
    """
    bench = bench or Bench(machine_path, state_root, questioner, watcher, runner_of, signals)
    found = latch.read(bench.state.latch)
    if found is not None:
        raise refused(found, "look at the machine, then giornata clear")
    done: list[StepRow] = []
    tries: dict[str, int] = {}
    while (step := _next(bench, only, again, tries)) is not None:
        tries[step.name] = tries.get(step.name, 0) + 1
        row, why, ended = await _step(bench, step, write)
        if row is not None:
            done.append(row)
        if why:
            if latch.read(bench.state.latch) is not None:
                ended = "halted"
            return Commissioned(tuple(done), step.name, why, _standing(bench), ended)
    return Commissioned(tuple(done), standing=_standing(bench))


def how_it_stands(machine_path: Path, state_root: Path | None) -> tuple[StepStatus, ...]:
    """How every step stands, from the journal alone; nothing is made where there is none."""
    machine = load_machine(machine_path)
    path = state_of(machine_path, state_root).journal
    if not path.exists():
        return standing((), machine)
    with contextlib.closing(Journal.read(path, machine.name)) as journal:
        return standing(journal.calibration.steps(), machine)


def _standing(bench: Bench) -> tuple[StepStatus, ...]:
    with bench.journal() as journal:
        return standing(journal.calibration.steps(), bench.machine)


def _next(bench: Bench, only: str, again: bool, tries: dict[str, int]) -> Step | None:
    """The step to do; None at the end. Raises RefusedError where one before ``only`` does not hold."""
    for step, status in zip(STEPS, _standing(bench), strict=True):
        if only and step.name == only:
            wanted = not status.holds or (again and step.name not in tries)
            return step if wanted and tries.get(step.name, 0) < TRIES_MAX else None
        if status.holds:
            continue
        if only:
            raise RefusedError(
                f"step {step.name} comes before {only} and does not hold",
                "giornata commission",
                code="commission-order",
            )
        if tries.get(step.name, 0) >= TRIES_MAX:
            raise RefusedError(
                f"step {step.name} was done {TRIES_MAX} times and still does not hold",
                "look at what it says",
                code="commission-tries",
            )
        return step
    return None


async def _step(bench: Bench, step: Step, write: str) -> tuple[StepRow | None, str, Ended]:
    """One step: told, done, confirmed, kept. Answers its row, and why the commissioning stops here."""
    ended: Ended = "refused"
    machine = bench.machine
    about = {"step": step.name}
    told = (
        f"\nStep {NAMES.index(step.name) + 1} of {len(NAMES)}, {step.name}\n  why:   {step.why}\n"
        f"  moves: {step.moves(machine)}\n  hold:  {step.hold}\nBegin?"
    )
    choices = ("go", "leave out", "stop") if step.may_be_left_out else ("go", "stop")
    try:
        word = await bench.ask(Ask(f"begin {step.name}", told, "choice", choices=choices, about=about))
        if word == "stop":
            return None, "stopped before it by the person", ended
        if word == "leave out":
            return (
                _keep_step(bench, step, machine, StepResult("left out", ("left out by the person",))),
                "",
                "",
            )
        result = await step.run(bench)
        if result.state == "done":
            words = "".join(f"  - {one}\n" for one in result.words)
            if not await bench.confirm(
                f"confirm {step.name}", f"\n{words}Is that what you saw?", step=step.name
            ):
                result = StepResult("failed", (*result.words, "the person saw something else"))
    except GivenUpError as error:
        return None, f"left at the question {error}", ended
    except (HaltedError, StoppedError, DriverError, RefusedError) as error:
        if isinstance(error, StoppedError):
            ended = "interrupted"
        elif isinstance(error, DriverError):
            ended = "drive"
        result = StepResult("failed", (str(error),))
    row = _keep_step(bench, step, bench.machine if result.wrote else machine, result)
    if result.state == "failed":
        return row, result.words[-1], ended
    with bench.journal() as journal:
        rows = calibrationkeep.keep(
            journal,
            bench.machine_path,
            result.measured,
            person=bench.questioner.person,
            session=bench.session_id,
        )
    await _write(bench, rows, write)
    return row, "", ""


def _keep_step(bench: Bench, step: Step, machine: Machine, result: StepResult) -> StepRow:
    with bench.journal() as journal:
        journal.calibration.add_step(
            step.name, result.state, step.basis(machine), result.words, session=bench.session_id,
            person=bench.questioner.person,
        )  # fmt: skip
        rows: list[StepRow] = journal.calibration.steps()
    for words in result.words if result.state != "done" else ():
        bench.watcher.note(f"{step.name}: {words}")
    return rows[-1]


async def _write(bench: Bench, rows: Sequence[CalibrationRow], write: str) -> None:
    """Put into the machine file what it says otherwise, on consent."""
    data = read_toml(bench.machine_path)
    news = [
        row
        for row in rows
        if calibrationkeep.is_field(row.measured.field)
        and value_at(data, row.measured.field) != row.measured.plain()
    ]
    if not news or write == "never":
        return
    told = ", ".join(
        f"{row.measured.field} = {row.measured.plain()} (it says {value_at(data, row.measured.field)})"
        for row in news
    )
    if write == "ask" and not await bench.confirm(
        "write",
        f"Write into the machine file: {told}? The file as it is now is kept.",
        fields=[row.measured.field for row in news],
    ):
        return
    written = calibrationkeep.write(
        bench.machine_path, bench.state_root, [row.id for row in news], bench.questioner.person
    )
    for line in written.lines:
        bench.watcher.note(f"{written.file.name}: {line}")
