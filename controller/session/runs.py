"""One life of the streamer as a session sees it: what it is told, what is written down of it, what its end means.

Owns the order that a run makes, the journal's rows of it, the daemon's state, latches and lost registration. Knows
nothing of passes' order, of questions or of homing's judgement: those are ``controller.session.service``'s.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.config.errors import RefusedError
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir
from controller.register.homing import AxisHoming
from controller.session import pens, resume
from controller.session.homingrows import as_result
from controller.session.journal import Journal
from controller.session.latched import halted, refused
from controller.session.live import Live
from controller.session.pausing import StoppedError
from controller.session.prepared import PreparedPass
from controller.session.recorder import Advance
from controller.session.rows import PassEnd, PassRow, RunEnd, RunRow
from controller.session.runner import Order, Runner
from controller.session.runsums import RunSums
from controller.session.states import Daemon, DaemonEvent, DaemonState
from controller.session.stopproof import refuse_unproved
from controller.session.strokewatch import StrokeWatch
from controller.session.watcher import Watcher
from controller.stream.spec import HomingTask, ScheduleTask, StreamOutcome, Task
from drivers.errors import FaultError, LinkError
from safety import latch


def scale_meta(machine: Machine) -> dict[str, list[float]]:
    """For a log: what its counts are in mm, signed, and what was allowed. Later the machine file may say otherwise."""
    axes = [machine.axes[axis] for axis in AXES]
    return {
        "counts_per_mm": [one.drive.direction * float(one.drive.counts_per_mm) for one in axes],
        "following_error_max_mm": [one.following_error_max_mm for one in axes],
    }


class Runs:
    """What every run of a session needs; ``Service`` makes it."""

    machine: Machine
    state_dir: StateDir
    journal: Journal
    runner: Runner
    watcher: Watcher
    session: int
    daemon: Daemon
    live: Live
    part: PreparedPass | None
    stop_asked: str
    _is_up: bool
    _running: bool
    _what: str
    _advance: Advance
    _ticks_total: int
    _strokes_before: int

    def _refuse_motion(self, *, proving: bool = False) -> None:
        """Raises StoppedError after a stop, RefusedError while a stop input is not proved."""
        self.refuse_stop()
        if not proving:
            refuse_unproved(self.journal.calibration, self.machine)

    async def _stream(
        self, what: str, tasks: tuple[Task, ...], row: PassRow | None, *, watches: tuple[StrokeWatch, ...] = (),
        part: PreparedPass | None = None, previous: Sequence[AxisHoming] = (), placed: bool = True,
        proving: bool = False, look: Callable[[npt.NDArray[np.void]], None] | None = None,
    ) -> StreamOutcome:  # fmt: skip
        """One life of the streamer. Raises for every end but done, and but failed where homing is to be judged.

        HaltedError, StoppedError, FaultError (a pass that could not be finished) or LinkError; RefusedError while a
        stop input is not proved: every way to motion leads through here.
        """
        self._refuse_motion(proving=proving)
        first_segment = next((task.first_segment for task in tasks if isinstance(task, ScheduleTask)), 0)
        run = self.journal.begin_run(
            self.session, what, lambda number: self.state_dir.run_folder(number, what),
            pass_id=row.id if row is not None else None, first_segment=first_segment,
        )  # fmt: skip
        run.folder.mkdir(mode=0o700, parents=True)
        if row is not None:
            resume.keep_plan(run.folder, tasks)
        self._strokes_before += self._advance.strokes
        self._what, self._advance, self.part = what, Advance(0, 0, False), part
        homing = isinstance(tasks[0], HomingTask)
        offsets = None if homing or not placed else self._offsets()
        self.live.begin(offsets)
        sums = RunSums(self.machine)

        def strokes(finished: list[tuple[int, int]]) -> None:
            assert row is not None
            self.journal.finish_strokes(row.id, run.id, finished)

        def advanced(advance: Advance) -> None:
            self._advance = advance
            self.watcher.advanced(advance, self._strokes_before + advance.strokes, self._ticks_total)

        def records(taken: npt.NDArray[np.void]) -> None:
            self.live.take(taken)
            sums.take(taken)
            if look is not None:
                look(taken)

        order = Order(
            run,
            tasks,
            offset_counts=offsets,
            previous_homing=tuple(as_result(one) for one in previous),
            watches=watches,
            meta=self._meta(run, what, row, part, offsets),
            on_strokes=strokes,
            on_advance=advanced,
            on_records=records,
        )
        self._running = True
        end: RunEnd = "died"
        reason, realtime, died = "the service ended first", False, True
        try:
            outcome = await self.runner.run(order)
            end, reason, realtime, died = outcome.end, outcome.reason, outcome.realtime, False
        finally:
            self._running = False
            # A run that could not be accounted for stays open: the next session does it.
            if row is None or end == "done" or self._settle(run, died=died):
                self.journal.end_run(run.id, end, reason, realtime=realtime)
            standing = latch.read(self.state_dir.latch)
            if standing is not None:
                self._halt(standing)
            if trouble := pens.close_run(self.journal, run, row, sums, part):
                self.watcher.note(trouble)
        for note in outcome.notes:
            self.journal.note("streamer", note, self.session)
        if standing is not None:
            # When the streamer gave up first, what it saw is the cause, and the guard's word only the consequence.
            cause = outcome.reason if outcome.end == "halted" else ""
            raise halted(standing, cause=cause, code=outcome.code)
        if outcome.end == "halted":
            # No latch to be read although the streamer speaks of one: the machine's state is in doubt all the same.
            self._lose_registration(outcome.reason)
            got, code = outcome.reason or "neither", outcome.code or "streamer-ended"
            raise LinkError("streamer", "a run to its end, or a latch", got, code=code)
        if outcome.end == "stopped":
            raise StoppedError(outcome.reason or "stopped on the path")
        if outcome.end == "failed" and not homing:
            expected = "a pass to its end" if row is not None else "a test to its end"
            raise FaultError("streamer", expected, outcome.reason, code=outcome.code or "run-failed")
        if outcome.end == "refused":
            code = outcome.code or "machine-not-ready"
            raise LinkError("streamer", "a machine ready to move", outcome.reason, code=code)
        return outcome

    def _settle(self, run: RunRow, *, died: bool) -> bool:
        """How far the run had come goes into the journal before its end does: a crash between is made up for."""
        try:
            lines = resume.settle(self.journal, run, died=died)
        except (OSError, ValueError, sqlite3.Error) as error:
            # A latch must be told of all the same.
            self.watcher.note(f"run {run.id} could not be accounted for yet: {error}")
            return False
        for line in lines:
            self.watcher.note(line)
        return True

    def _pass_state(self, row: PassRow, otherwise: PassEnd) -> PassEnd:
        """A pass whose strokes are all finished is finished, however its run ended."""
        return "finished" if len(self.journal.finished_strokes(row.id)) == row.strokes else otherwise

    def _meta(
        self, run: RunRow, what: str, row: PassRow | None, part: PreparedPass | None,
        offsets: tuple[float, float] | None,
    ) -> dict[str, Any]:  # fmt: skip
        return {
            "machine": self.machine.name,
            "session": self.session,
            "run": run.id,
            "what": what,
            "clock": self.runner.clock,
            "tick_ns": self.machine.tick_ns,
            "first_segment": run.first_segment,
            "pass": row.id if row is not None else None,
            "ink": part.ink if part is not None else None,
            "pass_name": part.name if part is not None else None,
            "pen_m": part.pen_m if part is not None else None,
            "schedule": str(row.folder / "schedule") if row is not None else None,
            "schedule_digest": part.digest if part is not None else None,
            "offset_counts": list(offsets) if offsets is not None else None,
            **scale_meta(self.machine),
        }

    def _offsets(self) -> tuple[float, float]:
        x, y = (self.journal.last_homing(axis) for axis in AXES)
        if x is None or y is None:
            raise RefusedError("no accepted homing of both axes", "run giornata home", code="not-homed")
        return x.offset_counts, y.offset_counts

    # -- states -----------------------------------------------------------------------------------------------

    def take(self, event: DaemonEvent) -> None:
        """Move by the table of states, and tell."""
        before = self.daemon.state
        after = self.daemon.take(event)
        if after is not before:
            self.watcher.state(after)

    def _halt(self, standing: latch.Latch) -> None:
        self.journal.lose_registration(f"halted: {standing.reason}", self.session)
        detail = f": {standing.detail}" if standing.detail else ""
        self.journal.note("latch", f"{standing.reason}: {standing.text}{detail}", self.session)
        self.take(DaemonEvent.HALTED)

    def _lose_registration(self, why: str) -> None:
        self.journal.lose_registration(why, self.session)
        if self.daemon.state is not DaemonState.PAINTING:
            self.take(DaemonEvent.REGISTRATION_LOST)

    def _refuse_latched(self, *, proving: bool = False) -> None:
        """Before anything is brought up: a latch stands, or stop inputs that are not ``proving`` are not proved."""
        standing = latch.read(self.state_dir.latch)
        if standing is not None:
            raise refused(standing)
        if not proving:
            refuse_unproved(self.journal.calibration, self.machine)

    def _refuse_unregistered(self) -> None:
        if not self.journal.registered:
            said = f"the machine is not registered ({self.journal.registration_reason})"
            raise RefusedError(said, "run giornata home", code="not-homed")

    async def _up(self) -> None:
        """Bring up guard and world, once, and only when nothing speaks against motion any more."""
        if not self._is_up:
            self._what = "starting the guard"
            await self.runner.open()
            self._is_up = True

    def refuse_stop(self) -> None:
        """Raises HaltedError where a latch has come to stand, StoppedError where a stop was asked for."""
        standing = latch.read(self.state_dir.latch)
        if standing is not None:
            self._halt(standing)
            raise halted(standing)
        if self.stop_asked:
            raise StoppedError(f"stop asked for: {self.stop_asked}")
