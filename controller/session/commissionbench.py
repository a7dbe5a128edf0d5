"""What every step of the commissioning works with: the machine file as it stands, sessions, the person, the latch.

Owns how a step gets a session, what happens when the machine has stopped in one, and the figures of a jog. Decides
nothing about the machine.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from controller.calibrate.values import Measured
from controller.config.load import load_machine
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir, default_state_root
from controller.session.calibrationrows import StepState
from controller.session.commissionask import Answer, Ask, Questioner
from controller.session.daemon import RunnerOf, clear_latch, locked, session
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.service import Service, StoppedError
from controller.session.watcher import Watcher
from controller.stream.spec import JogTask, StreamOutcome, Task
from safety import client, latch

FLAG_FRESH: Final = 1

LookAtGuard = Callable[[Path], Mapping[str, Any]]
"""The guard's status by its stop socket. Raises GuardUnreachableError."""


@dataclass(frozen=True, slots=True)
class StepResult:
    """What came of a step: one sentence each, and what it measured. ``wrote``: the machine file, on the way; what it
    found holds for the file as it is after that."""

    state: StepState
    words: tuple[str, ...]
    measured: tuple[Measured, ...] = ()
    wrote: bool = False


class GivenUpError(Exception):
    """The person goes no further; what was done before stays done."""


@dataclass
class Bench:
    """One commissioning: who answers, and on what machine."""

    machine_path: Path
    state_root: Path | None
    questioner: Questioner
    watcher: Watcher
    runner_of: RunnerOf
    signals: bool = True
    look_at_guard: LookAtGuard = client.request_status
    pause: Callable[[float], Awaitable[None]] = asyncio.sleep
    by_hand_s: float = 60.0
    """So long a person has for one thing to be done by hand."""
    sessions: list[int] = field(default_factory=list)

    _read: tuple[bytes, Machine] | None = field(default=None, init=False, repr=False)

    @property
    def machine(self) -> Machine:
        """As the file says now; judged anew only when it has changed. Files that it names are read once."""
        try:
            raw = self.machine_path.read_bytes()
        except OSError:
            return load_machine(self.machine_path)
        if self._read is None or self._read[0] != raw:
            self._read = raw, load_machine(self.machine_path)
        return self._read[1]

    @property
    def state(self) -> StateDir:
        """The machine's state folder, made where it is missing."""
        machine = self.machine
        root = self.state_root if self.state_root is not None else default_state_root(machine.name)
        return StateDir.open(root, machine.name)

    @property
    def session_id(self) -> int | None:
        """The session of the step, once there was one."""
        return self.sessions[-1] if self.sessions else None

    @asynccontextmanager
    async def session(self, step: str) -> AsyncIterator[Service]:
        """One session of a step. Raises what a session raises."""
        async with session(
            self.machine_path, self.state_root, self.runner_of, SimulatedOperator(), self.watcher,
            verb="commission", job=step, signals=self.signals,
        ) as service:  # fmt: skip
            self.sessions.append(service.session)
            yield service

    @contextlib.contextmanager
    def journal(self) -> Any:
        """The journal between sessions, under the lock."""
        with locked(self.state, "commission"), contextlib.closing(
            Journal.open(self.state.journal, self.machine.name)
        ) as journal:  # fmt: skip
            yield journal

    async def ask(self, question: Ask, service: Service | None = None) -> Any:
        """An answer that is one. Raises GivenUpError for none; StoppedError when a stop comes first."""
        while True:
            asking = self.questioner.ask(question)
            answer: Answer = await (
                asking if service is None else service.asked(question.key, asking, paused=True)
            )
            if question.kind == "do":
                return None
            if answer is None:
                raise GivenUpError(question.key)
            if question.takes(answer):
                return answer
            self.watcher.note(f"expected an answer to {question.key}, got {answer!r}")

    async def confirm(self, key: str, text: str, service: Service | None = None, **about: Any) -> bool:
        """Yes or no."""
        return bool(await self.ask(Ask(key, text, "yes-no", about=about), service))

    async def meanwhile(
        self, service: Service, what: str, tasks: tuple[Task, ...], ask: Ask, *, proving: bool = False
    ) -> StreamOutcome:
        """Have a person do something by hand while the axes are held where they are. Raises as ``bring_up``.

        Asked once the axes are held: a hand that is quicker would open a loop on a machine that is only getting ready,
        which refuses to. In virtual time nothing else happens while axes are held, so it is asked before.
        """
        await service.bring_up(what, (), placed=False, proving=True)
        held = asyncio.Event()
        holding = asyncio.ensure_future(
            service.bring_up(what, tasks, placed=False, proving=proving, look=lambda _records: held.set())
        )
        begun = asyncio.ensure_future(held.wait())
        try:
            if service.runner.clock == "real":
                await asyncio.wait((holding, begun), return_when=asyncio.FIRST_COMPLETED)
            if not holding.done():
                await self.questioner.ask(ask)
            return await holding
        finally:
            for one in (holding, begun):
                one.cancel()
            await asyncio.gather(holding, begun, return_exceptions=True)

    async def clear(self, why: str) -> None:
        """Clear the latch that a step has caused, when the person has looked. Raises GivenUpError for a no."""
        standing = latch.read(self.state.latch)
        if standing is None:
            return
        question = (
            f"Stopped and latched as it should ({standing.reason}: {standing.text}). Does everything stand, is nobody "
            "near the machine, and may the latch be cleared?"
        )
        if not await self.confirm("clear", question, reason=standing.reason, why=why):
            raise GivenUpError("clear")
        machine = self.machine
        with locked(self.state, "commission"):
            clear_latch(self.state, machine.name, reason=standing.reason, person=self.questioner.person)


class Peaks:
    """Largest distance of measured from expected places over a run, mm, and where both axes began and ended.

    ``take`` its records of TICK_DTYPE in order. Axis order x, y; counts are the drives' own.
    """

    def __init__(self, machine: Machine) -> None:
        self._per_mm = np.array([float(machine.axes[axis].drive.counts_per_mm) for axis in AXES])
        self._direction = np.array([machine.axes[axis].drive.direction for axis in AXES])
        self.following_mm = np.zeros(2)
        self.first: npt.NDArray[np.int64] | None = None
        self.last: npt.NDArray[np.int64] | None = None

    def take(self, records: npt.NDArray[np.void]) -> None:
        """These as well."""
        fresh = records[(records["flags"] & FLAG_FRESH) > 0]
        if not len(fresh):
            return
        off = np.abs(fresh["planned_counts"] - fresh["measured_counts"]) / self._per_mm
        self.following_mm = np.maximum(self.following_mm, off.max(axis=0))
        self.first = fresh["measured_counts"][0].copy() if self.first is None else self.first
        self.last = fresh["measured_counts"][-1].copy()

    def moved_mm(self) -> npt.NDArray[np.float64]:
        """By the drives' counters, in machine mm as the file has it; nan where there was no word."""
        if self.first is None or self.last is None:
            return np.full(2, np.nan)
        return np.asarray((self.last - self.first) / (self._per_mm * self._direction), dtype=np.float64)


async def jog(
    service: Service, what: str, jogs: tuple[JogTask, ...], *, placed: bool, peaks: Peaks | None = None
) -> Peaks:
    """Drive jogs one after another. Raises as ``bring_up``."""
    seen = peaks or Peaks(service.machine)
    await service.bring_up(what, jogs, placed=placed, look=seen.take)
    return seen


__all__ = ["Bench", "GivenUpError", "LookAtGuard", "Peaks", "StepResult", "StoppedError", "jog"]
