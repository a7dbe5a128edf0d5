"""The session's logic: what may be done in which state, in what order, and what is written down of it.

Owns the daemon's state, homing before every pass, resuming, and what a halt means. It streams through a
``Runner``, asks through an ``Operator``, writes to the ``Journal`` and tells a ``Watcher``; it knows no process,
no terminal and no bus.
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt

from controller.config.errors import HaltedError, RefusedError
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir
from controller.motion.schedule import Schedule
from controller.register.homing import AxisHoming, judge_all, refusal_code
from controller.session import pens
from controller.session.carrying import carry_over
from controller.session.drifting import JobTraps, MachineDrift, drift_beside, refuse_jumps
from controller.session.homingrows import as_homing, as_row
from controller.session.journal import Journal
from controller.session.live import Live
from controller.session.operator import Operator
from controller.session.pausing import PassPlan, Pausing, painted
from controller.session.pausing import PassResult as PassResult
from controller.session.pausing import StoppedError as StoppedError
from controller.session.prepared import Prepared, PreparedPass
from controller.session.priming import HOMING, check_places, prime
from controller.session.recorder import Advance
from controller.session.remainder import Remainder, go_on
from controller.session.replan import refuse_other_map
from controller.session.rows import HomingRow, RunRow
from controller.session.runner import Runner
from controller.session.runs import Runs
from controller.session.states import Daemon, DaemonEvent, DaemonState, initial_state
from controller.session.strokewatch import StrokeWatch, unfinished_parts
from controller.session.watcher import Watcher
from controller.stream.spec import HoldTask, HomingTask, MoveTask, ScheduleTask, StreamOutcome, Task
from drivers.errors import DriverError
from safety import latch

T = TypeVar("T")

StopKind = Literal["controlled", "immediate"]


class Service(Runs):
    """One session on one machine. Use from one event loop; ``stop`` may be called at any time in it."""

    def __init__(
        self, machine: Machine, state: StateDir, journal: Journal, runner: Runner, operator: Operator,
        watcher: Watcher, session: int,
    ) -> None:  # fmt: skip
        self.machine = machine
        self.state_dir = state
        self.journal = journal
        self.runner = runner
        self.operator = operator
        self.watcher = watcher
        self.session = session
        self.daemon = Daemon(
            initial_state(
                latched=latch.read(state.latch) is not None,
                registered=journal.registered,
                pass_open=journal.open_pass() is not None,
            )
        )
        self.live = Live(machine)
        self.pausing = Pausing(self)
        self.part: PreparedPass | None = None
        self._is_up = False
        self._running = False
        self.stop_asked = ""
        self._waiting: asyncio.Future[Any] | None = None
        self.drift: MachineDrift | None = None
        self._traps: JobTraps | None = None
        self._what = ""
        self._advance = Advance(0, 0, False)
        self._ticks_total = 0
        self._strokes_total = 0
        self._strokes_before = 0

    # -- what others may ask at any time ----------------------------------------------------------------------

    def stop(self, reason: str, by: str, *, at_once: bool = False) -> StopKind:
        """First call: a controlled stop, or with ``at_once`` an immediate one; any further call: an immediate one.

        It does not matter who asked first and who asks again. Answers which kind it was. An immediate stop is the
        guard's: it latches.
        """
        again = bool(self.stop_asked)
        if again or at_once:
            self.stop_asked = self.stop_asked or f"{reason} by {by}"
            which = "again: stop at once" if again else "at once"
            self.runner.stop_now(reason, by)
            self._note_stop(f"{reason} by {by}, {which}")
            self.watcher.note("stopping at once")
            self._stop_waiting()
            return "immediate"
        self.stop_asked = f"{reason} by {by}"
        if self._running:
            self.runner.ask_stop()
        self._note_stop(self.stop_asked)
        self.watcher.note("stopping on the path; once more stops at once")
        self._stop_waiting()
        return "controlled"

    def _note_stop(self, text: str) -> None:
        """After the stop, never before it: the journal's disk may be slow, or full."""
        try:
            self.journal.note("stop", text, self.session)
        except sqlite3.Error as error:
            self.watcher.note(f"the journal did not take this: {text} ({error})")

    def _stop_waiting(self) -> None:
        if not self._running and self._waiting is not None and not self._waiting.done():
            self._waiting.cancel()

    def status(self) -> dict[str, Any]:
        """What the control socket answers."""
        return {
            "machine": self.machine.name,
            "state": self.daemon.state.value,
            "pause_asked": self.pausing.asked,
            "session": self.session,
            "clock": self.runner.clock,
            "what": self._what,
            "strokes_finished": self._strokes_before + self._advance.strokes,
            "strokes": self._strokes_total,
            "ticks_sent": self._advance.ticks,
            "ticks": self._ticks_total,
            "stop_asked": self.stop_asked,
        }

    # -- homing -----------------------------------------------------------------------------------------------

    async def home(self, *, accept_difference: bool = False) -> list[HomingRow]:
        """Home all axes, judge it against the last time, write it down.

        ``accept_difference``: a person has looked and the new place is the right one; the spread is still
        judged. Raises RefusedError when it is not believed, HaltedError, StoppedError or LinkError.
        """
        self._refuse_latched()
        await self._up()
        last = {axis: self.journal.last_homing(axis) for axis in AXES}
        previous = [as_homing(row) for row in last.values() if row is not None and not accept_difference]
        self._of_no_pass(0)
        self.watcher.homing_begun()
        outcome = await self._stream(HOMING, (HomingTask(),), None, previous=previous)
        results = [
            AxisHoming(one.axis, one.touches_counts, one.mean_counts, one.spread_mm, one.offset_counts)
            for one in outcome.homing
        ]
        accepted, lines = judge_all(results, previous, self.machine.axes)
        if outcome.end == "failed" or sorted(one.axis for one in results) != sorted(AXES):
            accepted, lines = False, (outcome.reason or "not every axis has a result",)
        rows = [as_row(one, last[one.axis], self.machine) for one in results]
        reason = "; ".join(lines)
        run = self.journal.runs(self.session)[-1].id
        self.journal.record_homing(self.session, run, rows, accepted=accepted, reason=reason)
        self.watcher.homed(accepted, lines)
        if not accepted:
            self.take(DaemonEvent.REGISTRATION_LOST)
            raise RefusedError(
                f"homing refused: {reason}",
                "look at the machine and home again; if the new place is the right one, "
                "giornata home --accept-difference",
                code=outcome.code or refusal_code(results, previous, self.machine.axes),
            )
        self.take(DaemonEvent.HOMING_ACCEPTED)
        self.drift = await drift_beside(self.journal, self.machine, self._traps)
        if self.drift is not None:
            self.watcher.drifted(self.drift)
        return rows

    # -- painting ---------------------------------------------------------------------------------------------

    async def paint(
        self, prepared: Prepared, names: Sequence[str], *, again: bool = False, homed_now: bool = False
    ) -> list[PassResult]:
        """Paint the passes ``names`` in this order, each after homing; go on where one was left.

        ``homed_now``: this session has just homed and nobody has touched the machine since, so that the first pass
        goes by that homing.

        Raises RefusedError before anything moves when the machine's state or the journal forbids it.
        """
        self._refuse_latched()
        self._refuse_unregistered()
        self._traps = (prepared.record.job, prepared.record.traps_mm)
        refuse_jumps(await drift_beside(self.journal, self.machine, self._traps))
        refuse_other_map(self.journal, prepared)
        self.live.lies(prepared.record.register_map)
        plans = [await self._plan(prepared, prepared.part(name), again) for name in names]
        results: list[PassResult] = []
        todo = [plan for plan in plans if len(plan.finished) < plan.part.strokes]
        for plan in plans:
            if plan not in todo:
                self.watcher.note(f"pass {plan.part.name} is painted already; --again paints it anew")
        for number, plan in enumerate(todo, 1):
            self.refuse_stop()
            await self._up()
            part = pens.going_on(self.journal, plan.part, plan.earlier)
            homes = number > 1 or not homed_now
            later = [one.part for one in todo[number:]] if number == 1 else ()
            check_places(self, prepared, part, later, homes=homes)
            question, rest = go_on(
                self.journal, prepared, part, plan.earlier, self.machine, self.state_dir.root / "resume"
            )
            await self._load_pen(part, number, len(todo), question)
            check_places(self, prepared, part, (), homes=homes)
            if homes:
                await self.home()
                refuse_jumps(self.drift)
            await prime(self, prepared, part)
            results.append(await painted(self, prepared, plan, rest, number, len(todo)))
        return results

    async def _plan(self, prepared: Prepared, part: PreparedPass, again: bool) -> PassPlan:
        """What is left of a pass. Raises RefusedError when it was begun from another plan and that is not wanted."""
        folder = prepared.pass_folder(part.name)
        earlier = None if again else self.journal.latest_pass(prepared.record.job, part.name)
        if earlier is None:
            return PassPlan(part, folder, None, ())
        # Another register map is no other plan: the strokes that are left go where the canvas lies by now.
        same = (
            earlier.plan_key == part.plan_key if earlier.plan_key else earlier.schedule_digest == part.digest
        )
        if not same:
            asking = carry_over(self.journal, self.operator, self.session, prepared, part, earlier)
            self._waiting = asyncio.ensure_future(asking)
            try:
                earlier = await self._waiting
            except asyncio.CancelledError:
                self.refuse_stop()
                raise
            finally:
                self._waiting = None
        return PassPlan(part, folder, earlier, tuple(self.journal.finished_strokes(earlier.id)))

    async def _load_pen(self, part: PreparedPass, number: int, count: int, question: str) -> None:
        """Have the pen put in; ``question``: what is asked before, nothing when empty."""

        async def ask() -> bool:
            if question and not await self.operator.confirm(question):
                return False
            return await self.operator.load_pen(part, number, count)

        self.take(DaemonEvent.PERSON_NEEDED)
        self._what = f"waiting for the {part.ink} pen, {part.name}"
        ready = False
        try:
            self._waiting = asyncio.ensure_future(ask())
            ready = await self._waiting
        except asyncio.CancelledError:
            if not self.stop_asked:
                raise
        finally:
            self._waiting = None
            self.take(DaemonEvent.PERSON_READY if ready else DaemonEvent.PERSON_DECLINED)
        self.refuse_stop()
        if not ready:
            raise StoppedError(f"the {part.ink} pen was not confirmed; nothing moved for it")
        await self.runner.load_pen(part)
        pens.loaded(self.journal, self.session, part)

    async def paint_pass(
        self, prepared: Prepared, plan: PassPlan, rest: Remainder | None, number: int, count: int
    ) -> PassResult:
        """Stream what is left of a pass. Raises StoppedError when it was stopped or paused; else as ``paint``."""
        part = plan.part
        schedule = prepared.schedule(part.name)
        segments = np.asarray(schedule.segments)
        parts = unfinished_parts(segments, [*plan.finished, *([rest.stroke] if rest is not None else [])])
        tasks: list[Task] = []
        watches: list[StrokeWatch] = []
        if rest is not None:
            watches.append(StrokeWatch(rest.segments, 0, 0, rest.last_segment))
            tasks.append(ScheduleTask(folder=str(rest.folder), last_segment=rest.last_segment))
        for first, last in parts:
            whole = last == len(segments) - 1
            watches.append(StrokeWatch(segments, len(tasks), first, last))
            tasks.append(
                ScheduleTask(
                    folder=str(plan.folder / "schedule"),
                    first_segment=first,
                    last_segment=None if whole else last,
                )
            )
        if not parts or parts[-1][1] != len(segments) - 1:
            tasks.append(MoveTask(target_mm=self.machine.park_mm))
        row = plan.earlier or self.journal.begin_pass(
            self.session, job=prepared.record.job, job_digest=prepared.record.job_digest, name=part.name,
            ink=part.ink, ink_index=[one.name for one in prepared.record.inks].index(part.ink),
            schedule_digest=part.digest, folder=plan.folder, strokes=part.strokes,
            plan_key=part.plan_key,
        )  # fmt: skip
        self.take(DaemonEvent.PASS_BEGUN)
        self._strokes_before, self._strokes_total = len(plan.finished), part.strokes
        self._advance = Advance(0, 0, False)
        self._ticks_total = _ticks_of(segments, parts)
        if rest is not None:
            self._ticks_total += _ticks_of(rest.segments, [(0, rest.last_segment)])
        self.watcher.pass_begun(part, number, count, len(plan.finished), self._ticks_total)
        try:
            await self._stream(part.name, tuple(tasks), row, watches=tuple(watches), part=part)
        except HaltedError:
            state = self._pass_state(row, "halted")
            self.journal.end_pass(row.id, state)
            self.watcher.pass_ended(part, state)
            raise
        except (StoppedError, DriverError):
            state = self._pass_state(row, "stopped")
            self.journal.end_pass(row.id, state)
            self.take(DaemonEvent.PASS_FINISHED if state == "finished" else DaemonEvent.PASS_STOPPED)
            if not self.journal.registered:
                self.take(DaemonEvent.REGISTRATION_LOST)
            self.watcher.pass_ended(part, state)
            raise
        self.journal.end_pass(row.id, "finished")
        self.take(DaemonEvent.PASS_FINISHED)
        self.watcher.pass_ended(part, "finished")
        now = part.strokes - len(plan.finished)
        return PassResult(part.name, part.ink, row.id, part.strokes, now, "finished")

    # -- measuring --------------------------------------------------------------------------------------------

    async def measure(self, what: str, folder: Path) -> RunRow:
        """Home, drive the schedule in ``folder`` with the pen up, park; answers the run that drove it.

        Raises RefusedError before anything moves when the machine's state forbids it; else as a pass does.
        """
        self._refuse_latched()
        self._refuse_unregistered()
        schedule = Schedule.load(folder)
        if bool(np.asarray(schedule.head).any()):
            raise ValueError(f"{folder}: expected a schedule with the pen up all the way")
        await self.home()
        self._ticks_total = schedule.ticks
        self.watcher.measuring_begun(what, schedule.ticks)
        await self._stream(
            what, (ScheduleTask(folder=str(folder)), MoveTask(target_mm=self.machine.park_mm)), None
        )
        return self.journal.runs(self.session)[-1]

    def _of_no_pass(self, ticks: int) -> None:
        """What streams next has so many ticks (0: not known) and no strokes: nothing of the pass before is told of."""
        self._advance = Advance(0, 0, False)
        self._strokes_before = self._strokes_total = 0
        self._ticks_total = ticks

    # -- moves and questions ----------------------------------------------------------------------------------

    async def move(self, what: str, targets_mm: Sequence[tuple[float, float]]) -> None:
        """Pen up, from one place (axis mm) to the next, and rest at the last. Raises as ``measure`` does."""
        self._refuse_latched()
        self._refuse_unregistered()
        await self._up()
        self._ticks_total = 0
        await self._stream(what, tuple(MoveTask(target_mm=one) for one in targets_mm), None)

    async def hold(self, seconds: float) -> None:
        """Stand here, drives enabled and guard armed, for so long. Raises as ``measure`` does."""
        self._ticks_total = 0
        await self._stream("paused", (HoldTask(seconds=seconds),), None)

    async def drive(self, what: str, folder: Path, part: PreparedPass) -> None:
        """Stream a schedule that belongs to no pass, with the pen of ``part`` in the head. Raises as a pass does."""
        self._refuse_motion()
        self._of_no_pass(Schedule.load(folder).ticks)
        await self._stream(what, (ScheduleTask(folder=str(folder)),), None, part=part)

    async def bring_up(
        self, what: str, tasks: tuple[Task, ...], *, placed: bool, proving: bool = False,
        look: Callable[[npt.NDArray[np.void]], None] | None = None,
    ) -> StreamOutcome:  # fmt: skip
        """Steps of the commissioning; without tasks the guard alone. ``placed``: by the last homing, else wherever the
        axes stand; ``look`` gets the tick records; ``proving``: a stop input is, and nothing but holding is allowed.

        Raises as ``move`` does; ValueError for motion while proving, and for a homing, which is ``home``'s.
        """
        if not all(isinstance(task, HoldTask) for task in tasks if proving) or HomingTask() in tasks:
            raise ValueError(f"expected axes that hold still while stops are proved, no homing, got {tasks}")
        self._refuse_latched(proving=proving)
        if placed:
            self._refuse_unregistered()
        await self._up()
        self._ticks_total = 0
        if not tasks:
            return StreamOutcome(end="done")
        return await self._stream(what, tasks, None, placed=placed, proving=proving, look=look)

    async def asked(self, what: str, question: Awaitable[T], *, paused: bool = False) -> T:
        """A person's answer while the machine rests, in a pause or not. Raises StoppedError when a stop comes first."""
        if not paused:
            self.take(DaemonEvent.PERSON_NEEDED)
        self._what = what
        waiting = asyncio.ensure_future(question)
        self._waiting = waiting
        try:
            return await waiting
        except asyncio.CancelledError:
            self.refuse_stop()
            raise
        finally:
            self._waiting = None
            if self.daemon.state is DaemonState.WAITING:
                self.take(DaemonEvent.PERSON_READY)


def _ticks_of(segments: npt.NDArray[np.void], parts: Sequence[tuple[int, int]]) -> int:
    return int(sum(segments["ticks"][first : last + 1].sum() for first, last in parts))
