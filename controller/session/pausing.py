"""Pause and inspect: a pass comes to rest, the head parks away, a person looks and says how it goes on.

Owns what a person may ask of a running pass, the order of a pause, and what follows each answer. Where a run ends is
the streamer's, how an interrupted stroke goes on the job's (``remainder``), states are ``states``'. While a pass is
paused nothing moves; the motors hold under the guard, or are off where the machine file says so, and then going on
homes.
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from controller.config.errors import RefusedError
from controller.config.machine import AXES
from controller.session import pens
from controller.session.drifting import refuse_jumps
from controller.session.prepared import Prepared, PreparedPass
from controller.session.priming import check_places, prime
from controller.session.remainder import Remainder, go_on
from controller.session.rows import PassRow
from controller.session.runner import PauseAt
from controller.session.states import DaemonEvent

if TYPE_CHECKING:
    from controller.session.service import Service

Choice = Literal["go-on", "home", "stop"]
CHOICES: Final[tuple[Choice, ...]] = ("go-on", "home", "stop")
"""What a person may answer: go on, touch the reference again and go on, or end the session here."""
MEANINGS: Final = "go on, home first and go on, or stop here"

Choose = Callable[[str], Awaitable[Choice]]
"""Asks a person a question that is answered by one of the choices."""

LOOK_S: Final = 0.25
"""So often a latch is looked for while no streamer lives that would see it."""
VIRTUAL_HOLD_S: Final = 0.2
"""In virtual time the clock stands while a person is asked: the motors hold for so long, for the code's sake."""


class StoppedError(Exception):
    """A controlled stop was asked for and has been done: the axes rest, the pen is up, nothing is latched."""

    code: Final = "stopped"


@dataclass(frozen=True, slots=True)
class PassResult:
    """What came of one pass."""

    name: str
    ink: str
    pass_id: int
    strokes: int
    painted_now: int
    state: str


@dataclass(frozen=True, slots=True)
class PassPlan:
    """What is left of a pass: its row in the journal, where it was begun, and the strokes finished by then."""

    part: PreparedPass
    folder: Path
    earlier: PassRow | None
    finished: tuple[int, ...]


class Pausing:
    """The pauses of one session. ``choose``: whoever asks the person; without it nobody can be asked, nor pause."""

    def __init__(self, service: Service) -> None:
        self.choose: Choose | None = None
        self.asked: PauseAt | None = None
        """Where the pass is to come to rest; None while nobody has asked for that."""
        self.part: PreparedPass | None = None
        """The pass that is paused."""
        self._service = service
        self._painting = False
        self._place_mm = service.machine.park_mm
        self._unpowered = False

    # -- what a person asks -----------------------------------------------------------------------------------

    def ask(self, at: PauseAt, by: str, park_mm: tuple[float, float] | None = None) -> PauseAt:
        """Pause the pass that runs. A second request may bring it to rest sooner. Answers where it comes to rest.

        park_mm: where the head goes meanwhile, axis mm; the machine's park place if not given. Raises RefusedError.
        """
        service = self._service
        if self.part is not None:
            raise RefusedError(
                "the pass is paused",
                "answer its question: giornata pause --then go-on, home or stop",
                code="pass-paused",
            )
        if not self._painting or self.choose is None:
            raise RefusedError(
                "no pass is being painted",
                "only a running pass can be paused; giornata stop stops",
                code="no-pass",
            )
        if service.stop_asked:
            raise RefusedError(
                "a stop was asked for",
                "the session ends; giornata paint goes on with the pass",
                code="stop-pending",
            )
        self._place_mm = self._within(park_mm) if park_mm is not None else self._place_mm
        if self.asked != "path":
            self.asked = at
            service.runner.ask_pause(at)
            where = "after the stroke in work" if at == "stroke-end" else "on the path"
            service.watcher.note(f"pausing {where}")
            try:
                service.journal.note("pause", f"{at} by {by}", service.session)
            except sqlite3.Error as error:
                service.watcher.note(f"the journal did not take the pause ({error})")
        return self.asked

    def _within(self, place_mm: tuple[float, float]) -> tuple[float, float]:
        for name, mm in zip(AXES, place_mm, strict=True):
            axis = self._service.machine.axes[name]
            if not axis.min_mm <= mm <= axis.max_mm:
                raise RefusedError(
                    f"the place to park is outside the soft limits of axis {name} ({mm:g} mm)",
                    f"choose {axis.min_mm:g} to {axis.max_mm:g} mm",
                    code="pause-park",
                )
        return place_mm

    # -- the order of it --------------------------------------------------------------------------------------

    async def during(self, painting: Awaitable[PassResult]) -> PassResult:
        """A run of a pass, during which a pause may be asked for."""
        self._painting, self.asked = True, None
        self._place_mm = self._service.machine.park_mm
        try:
            return await painting
        finally:
            self._painting = False

    async def stay(self, part: PreparedPass, question: str, *, paused: bool) -> Choice:
        """Park, hold, and ask. Raises StoppedError for the choice to stop and for a stop; HaltedError for a latch.

        paused: a stroke is left, so the daemon is paused; else the pass is finished and it waits for a person.
        """
        service, (x_mm, y_mm) = self._service, self._place_mm
        self.part, self._unpowered = part, False
        try:
            await service.move("pause", [self._place_mm])
            holds = service.machine.pause.motors == "hold"
            motors = "the motors hold" if holds else "the motors are off, so it homes before it goes on"
            service.watcher.note(
                f"paused, parked at x {x_mm:g} mm, y {y_mm:g} mm; {motors}. giornata pause --then answers as well"
            )
            choice = await self._answer(question, paused=paused)
        finally:
            self.part, self.asked = None, None
        service.journal.note("pause", f"answered: {choice}", service.session)
        if choice == "stop":
            raise StoppedError("the pause was ended by a person's stop")
        return "home" if self._unpowered else choice

    async def _answer(self, question: str, *, paused: bool) -> Choice:
        """What the person says. The motors hold meanwhile, as long as they may."""
        service, settings = self._service, self._service.machine.pause
        assert self.choose is not None
        asking = asyncio.ensure_future(service.asked("paused", self.choose(question), paused=paused))
        await asyncio.sleep(0)  # the question stands before anything holds the loop
        holding: asyncio.Future[None] | None = None
        if settings.motors == "hold":
            virtual = service.runner.clock == "virtual"
            seconds = VIRTUAL_HOLD_S if virtual else settings.hold_max_min * 60.0
            holding = asyncio.ensure_future(service.hold(seconds))
        else:
            self._unpowered = True
        try:
            while not asking.done():
                both: set[asyncio.Future[Any]] = {asking} if holding is None else {asking, holding}
                await asyncio.wait(both, timeout=LOOK_S, return_when=asyncio.FIRST_COMPLETED)
                if holding is not None and holding.done():
                    holding.result()
                    holding = None
                    self._held_out()
                if holding is None:
                    service.refuse_stop()
            return asking.result()
        finally:
            await self._let_go(asking, holding)

    def _held_out(self) -> None:
        """The motors have held for as long as they may."""
        service = self._service
        if service.runner.clock == "real":
            self._unpowered = True
            minutes = service.machine.pause.hold_max_min
            service.watcher.note(
                f"the motors have held for {minutes:g} min and are off: it homes before it goes on"
            )

    async def _let_go(self, asking: asyncio.Future[Choice], holding: asyncio.Future[None] | None) -> None:
        """End what has not ended. Raises what a hold ended by, other than by our word: a latch must not be lost."""
        asking.cancel()
        if holding is not None and not holding.done():
            self._service.runner.ask_pause("path")
        await asyncio.gather(asking, return_exceptions=True)
        if holding is not None:
            (end,) = await asyncio.gather(holding, return_exceptions=True)
            if isinstance(end, Exception) and not isinstance(end, StoppedError):
                raise end


async def painted(
    service: Service, prepared: Prepared, plan: PassPlan, rest: Remainder | None, number: int, count: int
) -> PassResult:
    """Paint what is left of a pass, through as many pauses as a person asks for. Raises as ``Service.paint``."""
    before, part, pausing = len(plan.finished), plan.part, service.pausing
    while True:
        try:
            result = await pausing.during(service.paint_pass(prepared, plan, rest, number, count))
        except StoppedError:
            if pausing.asked is None or service.stop_asked:
                raise
            result = None
        row = service.journal.latest_pass(prepared.record.job, part.name)
        assert row is not None
        if row.state == "finished":
            if pausing.asked is not None:
                await _after_all(service, part, stopped=result is None, more=number < count)
            painted_now = row.strokes - before
            return PassResult(part.name, part.ink, row.id, row.strokes, painted_now, "finished")
        finished = tuple(service.journal.finished_strokes(row.id))
        said, rest = go_on(
            service.journal, prepared, part, row, service.machine, service.state_dir.root / "resume"
        )
        where = said.removesuffix(". Go on?") or f"{len(finished)} of {row.strokes} strokes are painted"
        choice = await pausing.stay(part, f"{where}. Go on, home first, or stop here?", paused=True)
        # The pen is the one that was in the head; its tip may have dried.
        in_use = pens.going_on(service.journal, part, row).model_copy(update={"fresh_pen": False})
        if choice == "home":
            check_places(service, prepared, in_use, (), homes=True)
            await service.home()
            refuse_jumps(service.drift)
        else:
            service.take(DaemonEvent.GOING_ON)
        plan = replace(plan, earlier=row, finished=finished)
        await prime(service, prepared, in_use)


async def _after_all(service: Service, part: PreparedPass, *, stopped: bool, more: bool) -> None:
    """A pause that was asked for in the last stroke: the pass is finished, but nothing goes on without a word."""
    if more:
        question = f"Pass {part.name} is finished. Go on to the next one, or stop here?"
        await service.pausing.stay(part, question, paused=False)
        return
    if stopped:
        await service.move("park", [service.machine.park_mm])
    service.watcher.note(f"pass {part.name} was finished before the pause")
