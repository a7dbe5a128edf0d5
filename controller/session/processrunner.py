"""Runs as real processes: the guard for the whole session, one streamer a run, the simulated gantry if any.

Owns these children. Drains the ring while a streamer lives; never speaks to the bus itself.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import time
from pathlib import Path
from typing import Literal

from pydantic import ValidationError

from controller.config.errors import RefusedError
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.session import tracing
from controller.session.guarding import guard_settings
from controller.session.prepared import PreparedPass
from controller.session.processes import Child, ChildError, describe_end
from controller.session.runner import Order, PauseAt, keep_outcome, recorder_of, spec_of
from controller.session.simulated import SimulatedWorld
from controller.session.stopinputs import StopReader, await_closed
from controller.session.tracing import in_memory
from controller.stream.ring import Ring
from controller.stream.spec import StreamOutcome
from controller.stream.tracing import noted
from drivers.clock import MonotonicClock
from drivers.errors import LinkError
from drivers.registry import open_link, stop_plan
from safety import client, latch

DRAIN_S = 0.01
GUARD_START_TIMEOUT_S = 10.0
OLD_GUARD_PATIENCE_S = 8.0
LATCH_TIMEOUT_S = 2.0
STANDSTILL_TIMEOUT_S = 8.0


class ProcessRunner:
    """See ``Runner``. ``guard_pid``, ``streamer_pid`` and ``twin_pid`` are for status and for tests."""

    clock: Literal["real"] = "real"

    def __init__(self, machine: Machine, machine_path: Path, state: StateDir) -> None:
        self._machine = machine
        self._machine_path = machine_path
        self._state = state
        self._world: SimulatedWorld | None = None
        self._guard: Child | None = None
        self._streamer: Child | None = None
        self._reader: StopReader | None = None
        self._channel = ""
        self._ready = False
        self._asked: list[signal.Signals] = []

    @property
    def guard_pid(self) -> int | None:
        """The guard's process id."""
        return self._guard.pid if self._guard is not None else None

    @property
    def streamer_pid(self) -> int | None:
        """The streamer's process id while one runs."""
        return self._streamer.pid if self._streamer is not None else None

    @property
    def twin_pid(self) -> int | None:
        """The simulated gantry's process id."""
        return self._world.pid if self._world is not None else None

    async def open(self) -> None:
        """Start the simulated gantry where the machine file says so, then the guard.

        Raises LinkError; RefusedError while a guard or a gantry of an earlier session lives on, and while a stop input
        cannot be read or is open.
        """
        wire = self._machine.wire
        await self._outlive_guard()
        try:
            if wire.is_simulated:
                self._world = await SimulatedWorld.open(self._machine, self._machine_path, self._state)
                self._channel = self._world.channel
            else:
                self._channel = wire.channel
                # A missing bus is better said now than by the streamer; the link is given back at once.
                open_link(self._machine.group_settings(), self._channel, MonotonicClock()).close()
            await self._start_guard()
            self._reader = await StopReader.start(self._machine, self._state)
            await await_closed(self._state.stop_socket)
        except BaseException:
            await self.close()
            raise

    async def _outlive_guard(self) -> None:
        """Wait for the guard of a service that died: it stops the machine first, and its latch must be seen.

        We hold the state folder's lock, so no living service stands behind it.
        """
        deadline_s = time.monotonic() + OLD_GUARD_PATIENCE_S
        while True:
            try:
                status = await asyncio.to_thread(client.request_status, self._state.stop_socket, 0.5)
                said = f"pid {status.get('pid')}, {status.get('state')}, "
                said += f"standstill {status.get('standstill') or 'not asked for'}"
            except client.GuardSilentError as error:
                said = f"it does not answer: {error}"
            except client.GuardUnreachableError:
                return
            if time.monotonic() > deadline_s:
                raise RefusedError(
                    f"the guard of an earlier session lives on ({said})",
                    "look at the machine; it may still be stopping. Then wait, or end that process by its pid",
                    code="guard-left",
                )
            await asyncio.sleep(0.05)

    async def _start_guard(self) -> None:
        plan = stop_plan(self._machine.group_settings(), self._channel)
        guard_settings(self._machine, self._state, plan, os.getpid()).dump(self._state.guard_settings)
        self._guard = await Child.start(
            "guard",
            "safety.guard",
            str(self._state.guard_settings),
            stderr_path=self._state.run / "guard.err",
        )
        try:
            said = await self._guard.expect("ready", "refused", timeout_s=GUARD_START_TIMEOUT_S)
        except ChildError as error:
            raise LinkError(error.name, error.expected, error.got, code="guard-not-ready") from None
        if said["event"] == "refused":
            raise LinkError(
                "guard", "a guard that is ready", str(said.get("why", said)), code="guard-not-ready"
            )

    async def run(self, order: Order) -> StreamOutcome:
        """Start a streamer for the order and follow it to its end."""
        self._ready, self._asked = False, []
        ring = Ring.create(self._ring_path())
        whole = False
        try:
            spec_of(
                order, machine_path=self._machine_path, channel=self._channel, ring_path=ring.path,
                beat_socket=self._state.beat_socket, latch_path=self._state.latch, service_pid=os.getpid(),
                trace=tracing.wanted(self._state),
                head_channel=None if self._world is None else self._world.head_channel,
            )  # fmt: skip
            outcome = await self._follow(order, ring)
            whole = True
        finally:
            ring.close()
            # What the log did not take is accounted for from the ring.
            if whole:
                ring.path.unlink(missing_ok=True)
        outcome = noted(outcome, await asyncio.to_thread(tracing.keep_left, self._state))
        keep_outcome(order, outcome)
        if outcome.end == "halted":
            await self._await_latch(outcome)
        return outcome

    async def _follow(self, order: Order, ring: Ring) -> StreamOutcome:
        recorder = recorder_of(order, ring)
        done = False
        streamer = await Child.start(
            "streamer", "controller.stream", str(order.run.folder / "spec.json"),
            stderr_path=order.run.folder / "streamer.err",
        )  # fmt: skip
        self._streamer = streamer
        try:
            draining = asyncio.create_task(self._drain(recorder.drain))
            draining.add_done_callback(self._drained)
            try:
                outcome = await self._outcome(streamer)
            finally:
                draining.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await draining
            done = outcome.end == "done"
        except BaseException:
            # The service is going down in the middle of a run: a controlled stop, and not without it.
            streamer.signal(signal.SIGTERM)
            raise
        finally:
            await streamer.end(patience_s=5.0)
            self._streamer = None
            recorder.close(done=done)
        if recorder.lost:
            outcome = outcome.model_copy(
                update={"notes": (*outcome.notes, f"{recorder.lost} tick records were overwritten unread")}
            )
        return outcome

    async def _outcome(self, streamer: Child) -> StreamOutcome:
        """What the streamer says at its end; its death without a word is a halt."""
        said_last = None
        while (said := await streamer.next_line()) is not None:
            event = said.pop("event", None)
            if event == "outcome":
                said_last = said
            elif event == "ready":
                self._ready = True
                for number in self._asked:
                    streamer.signal(number)
        code = await streamer.wait()
        if said_last is not None:
            try:
                return StreamOutcome.model_validate(said_last)
            except ValidationError as error:
                return StreamOutcome(
                    end="halted", reason=f"streamer's outcome is unreadable: {error}", code="streamer-ended"
                )
        return StreamOutcome(
            end="halted", reason=f"streamer ended without a word: {describe_end(code)}", code="streamer-ended"
        )

    def _drained(self, draining: asyncio.Task[None]) -> None:
        """Nothing is painted that cannot be written down: a disk that takes no more ends the run on the path."""
        if not draining.cancelled() and draining.exception() is not None:
            self.ask_stop()

    @staticmethod
    async def _drain(drain: object) -> None:
        assert callable(drain)
        while True:
            await asyncio.sleep(DRAIN_S)
            drain()

    async def _await_latch(self, outcome: StreamOutcome) -> None:
        """Wait until the guard's latch is on disk and standstill is judged; write one ourselves if none comes."""
        deadline_s = time.monotonic() + LATCH_TIMEOUT_S
        standing = latch.read(self._state.latch)
        while standing is None and time.monotonic() < deadline_s:
            await asyncio.sleep(0.01)
            standing = latch.read(self._state.latch)
        if standing is None:
            # The guard was never armed, or is dead too. The machine's state is in doubt: latch all the same.
            standing = latch.Latch(
                "service-halt", outcome.reason or "the streamer halted", "written by the service",
                latch.now_text(), time.monotonic_ns(), standstill="not proved",
            )  # fmt: skip
            latch.write(self._state.latch, standing)
            return
        deadline_s = time.monotonic() + STANDSTILL_TIMEOUT_S
        while standing is not None and standing.standstill == "pending" and time.monotonic() < deadline_s:
            await asyncio.sleep(0.02)
            standing = latch.read(self._state.latch)

    def ask_stop(self) -> None:
        """SIGTERM to the streamer: a controlled stop."""
        self._ask(signal.SIGTERM)

    def ask_pause(self, at: PauseAt) -> None:
        """SIGUSR1 or SIGUSR2 to the streamer."""
        self._ask(signal.SIGUSR2 if at == "path" else signal.SIGUSR1)

    def _ask(self, number: signal.Signals) -> None:
        """Signal the streamer, once it listens: before it is ready nothing moves, and a signal would kill it."""
        if self._ready and self._streamer is not None:
            self._streamer.signal(number)
        else:
            self._asked.append(number)

    def stop_now(self, reason: str, by: str) -> None:
        """The guard's stop socket; without a guard, SIGKILL: the drives stop by themselves without our heartbeat."""
        try:
            client.request_stop(self._state.stop_socket, reason, by)
        except client.GuardUnreachableError:
            if self._streamer is not None:
                self._streamer.signal(signal.SIGKILL)

    async def load_pen(self, part: PreparedPass) -> None:
        """The simulated person's hands."""
        if self._world is not None:
            await self._world.load_pen(part)

    async def close(self) -> None:
        """End the guard by word, then by signal; then who reads for it; then the simulated gantry, which saves."""
        if self._guard is not None:
            with contextlib.suppress(client.GuardUnreachableError):
                await asyncio.to_thread(client.request_quit, self._state.stop_socket)
            await self._guard.end()
            self._guard = None
        if self._reader is not None:
            await self._reader.close()
            self._reader = None
        if self._world is not None:
            await self._world.close()
            self._world = None

    def _ring_path(self) -> Path:
        """Of tick records."""
        return in_memory(self._state, "ring")
