"""Runs in virtual time: the streamer's own code against the simulated gantry in this process, hours in seconds.

Owns the virtual clock and all that hangs on it. The guard's judgement is the real one (``safety.local``); its stop
bytes are those of the real plan, put on the simulated wire at the instant of the verdict. What cannot be shown
here is lateness and the death of processes.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Literal

from controller.config.errors import InputError, Mistake
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.session import tracing
from controller.session.guarding import guard_settings
from controller.session.prepared import PreparedPass
from controller.session.runner import Order, PauseAt, keep_outcome, recorder_of, spec_of
from controller.stream.loop import StopFlag
from controller.stream.ring import Ring
from controller.stream.run import run_stream
from controller.stream.spec import StreamOutcome
from controller.stream.tracing import noted, with_trace
from drivers.clock import NS_PER_MS, NS_PER_S, VirtualClock
from drivers.interface import StopPlan
from drivers.registry import group_on_link
from drivers.twin.record import MotionRecord
from drivers.twin.virtual import AnyVirtualGantry, virtual_gantry
from safety.events import Stop
from safety.local import LocalGuard
from safety.verdict import Limits

DRAIN_EVERY_NS = 250 * NS_PER_MS
SETTLE_NS = 2 * NS_PER_S
STANDSTILL_WINDOW_NS = 200 * NS_PER_MS
STANDSTILL_MM = 0.001
STOP_AGAIN_NS = 4 * NS_PER_MS


class VirtualRunner:
    """See ``Runner``. ``on_drain`` hooks of tests are called every quarter of a virtual second of a run."""

    clock: Literal["virtual"] = "virtual"

    def __init__(self, machine: Machine, machine_path: Path, state: StateDir) -> None:
        if machine.twin is None:
            raise InputError(
                [
                    Mistake(
                        machine_path,
                        "twin",
                        "a [twin] table for the simulated gantry",
                        "none",
                        code="twin-missing",
                    )
                ]
            )
        self._machine = machine
        self._machine_path = machine_path
        self._state = state
        self._settings = machine.group_settings()
        self._clock = VirtualClock(_begin_ns(state.twin / "motion.npz"))
        self._stop = StopFlag()
        self._drain_ns = 0
        self._drain: Callable[[], None] | None = None
        self.world: AnyVirtualGantry | None = None
        self.guard: LocalGuard | None = None

    async def open(self) -> None:
        """Build the world and the guard on one clock; the guard looks after the world has moved."""
        assert self._machine.twin is not None
        self.world = virtual_gantry(self._settings, self._machine.twin, self._clock, self._state.twin)
        plan = StopPlan("none", "virtual", b"", (), b"", ())
        limits = Limits.of(guard_settings(self._machine, self._state, plan, 0))
        self.guard = LocalGuard(limits, self._clock.now_ns, self._stop_axes, self._state.latch)
        self._clock.on_advance(self.guard.advance)
        self._clock.on_advance(self._advance)

    async def run(self, order: Order) -> StreamOutcome:
        """Stream the order. The event loop waits meanwhile: in virtual time nothing else happens."""
        assert self.world is not None
        assert self.guard is not None
        ring = Ring.create(order.run.folder / "ring")
        recorder = recorder_of(order, ring)
        spec = spec_of(
            order, machine_path=self._machine_path, channel="virtual", ring_path=ring.path, beat_socket=None,
            latch_path=self._state.latch, service_pid=None, trace=tracing.wanted(self._state),
        )  # fmt: skip
        self._stop = StopFlag()
        self._drain = recorder.drain
        self.world.link.reopen()
        link, trace_notes = with_trace(self.world.link, spec, self._machine, self._clock, "virtual")
        group = group_on_link(self._settings, link, self._clock, self.world.head_line)
        line = self.guard.line()
        outcome = StreamOutcome(end="halted", reason="the run raised an error", code="internal-fault")
        try:
            outcome = run_stream(spec, self._machine, group, self._clock, ring, line, stop=self._stop)
            outcome = noted(outcome, trace_notes)
        finally:
            self._drain = None
            line.close()
            recorder.close(done=outcome.end == "done")
            if self.guard.verdict is not None:
                self._prove_standstill()
            group.close()
            ring.close()
            ring.path.unlink(missing_ok=True)
            outcome = noted(outcome, tracing.keep_left(self._state))
        keep_outcome(order, outcome)
        return outcome

    def ask_stop(self) -> None:
        """A controlled stop from the next tick on."""
        self._stop.asked = True

    def ask_pause(self, at: PauseAt) -> None:
        """From the next tick on."""
        if at == "path":
            self._stop.asked = True
        else:
            self._stop.stroke_end = True

    def stop_now(self, reason: str, by: str) -> None:
        """The guard's stop, at this virtual instant."""
        if self.guard is not None:
            self.guard.ask_stop(reason, by)

    async def load_pen(self, part: PreparedPass) -> None:
        """The simulated person's hands."""
        assert self.world is not None
        self.world.load_pen(part.ink, part.colour, part.tip_mm)

    async def close(self) -> None:
        """Save the world."""
        if self.world is not None:
            self.world.save(picture=True)
            self.world.link.close()
            self.world = None

    def _advance(self, now_ns: int) -> None:
        if self._drain is not None and now_ns >= self._drain_ns:
            self._drain_ns = now_ns + DRAIN_EVERY_NS
            self._drain()

    def _stop_axes(self, _stop: Stop) -> None:
        assert self.world is not None
        self.world.put_stop()

    def _prove_standstill(self) -> None:
        """Say to the guard what the world's axes do after its stop: the truth stands in for the wire here."""
        assert self.world is not None
        assert self.guard is not None
        self.world.link.reopen()
        end_ns = self._clock.now_ns() + SETTLE_NS
        while self._clock.now_ns() < end_ns:
            self.world.put_stop()
            self._clock.sleep_until_ns(self._clock.now_ns() + STOP_AGAIN_NS)
        now_ns = self._clock.now_ns()
        travel_mm = self.world.gantry.record().travel_mm(now_ns - STANDSTILL_WINDOW_NS, now_ns)
        self.guard.stood(bool((travel_mm <= STANDSTILL_MM).all()))


def _begin_ns(record: Path) -> int:
    """Virtual time goes on where the last virtual session ended, so that one record holds all."""
    try:
        return MotionRecord.load(record).end_ns + NS_PER_S
    except (OSError, ValueError, KeyError, EOFError):
        return NS_PER_S
