"""One trial in virtual time: the real loop, drive group and guard's judgement over the simulated gantry.

Owns the processes' stand-ins: a streamer that can die or freeze at any instant, a guard that can die, hang or be
slow, its stop sequence as docs/guard.md tells it (kill first, stop frames at once and every 4 ms until both axes have
stood for 60 ms). What happens to them is a ``Kind``'s business; what came of it, the judge's.
"""

from __future__ import annotations

import contextlib
import random
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, cast

from controller.config.places import StateDir
from controller.session.guarding import guard_settings
from controller.stream.loop import FLAG_STOPPING, HaltError, StopFlag, rest_counts
from controller.stream.ring import Ring
from controller.stream.run import run_stream
from controller.stream.spec import HomingTask, ScheduleTask, StreamOutcome, StreamSpec, Task
from controller.stream.stopagain import keep_stopping
from drivers.can import frames
from drivers.can.link import Frame
from drivers.clock import NS_PER_MS, NS_PER_S
from drivers.errors import LinkError
from drivers.interface import StopPlan
from drivers.registry import group_on_link
from drivers.twin import physics
from drivers.twin.virtual import VirtualGantry
from safety.events import Event, Garbled, PeerDied, Stop
from safety.local import LocalBeatLine, LocalGuard
from safety.verdict import Limits
from tests.faults.bus import Bus, StageClock
from tests.faults.loops import Loops
from tests.faults.scene import Scene

STEP_NS = NS_PER_MS
STOP_AGAIN_NS = 4 * NS_PER_MS
STILL_FOR_NS = 60 * NS_PER_MS
WATCH_NS = 1200 * NS_PER_MS
LOOK_NS = 2 * NS_PER_MS


class GoneError(HaltError):
    """The streamer's process runs none of its own code any more; only we come back here."""


class StreamerClock:
    """The streamer's view of time: it may be woken late, freeze, or never come back."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage

    def now_ns(self) -> int:
        """The stage's instant."""
        return self._stage.clock.now_ns()

    def sleep_until_ns(self, instant_ns: int) -> None:
        """Sleep as long as the fault lets it."""
        stage = self._stage
        stage.clock.sleep_until_ns(instant_ns + stage.late_ns)
        while stage.frozen_until_ns > stage.clock.now_ns() and not stage.streamer_gone:
            stage.clock.sleep_until_ns(min(stage.frozen_until_ns, stage.clock.now_ns() + STEP_NS))
        stage.leave_if_gone()


class Port:
    """The streamer's own descriptor to the bus."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage

    @property
    def garbled(self) -> int:
        """As the bus counts."""
        return self._stage.bus.garbled

    def send_frames(self, batch: Any) -> None:
        """Nothing leaves a process that is gone."""
        self._stage.leave_if_gone()
        self._stage.bus.send(batch)

    def receive(self) -> list[Frame]:
        """What has come."""
        self._stage.leave_if_gone()
        return self._stage.bus.receive()

    def close(self) -> None:
        """The wire stays: the guard has its own descriptor."""


class Line:
    """The streamer's line to the guard, with a guard behind it that may be dead, hung or slow."""

    def __init__(self, stage: Stage, inner: LocalBeatLine) -> None:
        self._stage = stage
        self.inner = inner
        self._echo = (-1, 0)
        self._waiting: list[tuple[int, ...]] = []
        self.lose = 0
        self.again = False
        self.held_ns = 0

    @property
    def latched(self) -> bool:
        """A guard that hangs says nothing."""
        return self.inner.latched and self._stage.guard_runs

    @property
    def gone(self) -> bool:
        """The kernel closes the line of a guard that is dead."""
        return self.inner.gone or self._stage.guard_dead

    def arm(
        self, now_ns: int, lease_until_ns: int, position_um: tuple[int, int] = (0, 0), flags: int = 0
    ) -> bool:
        """As ``BeatLine.arm``."""
        return self.inner.arm(now_ns, lease_until_ns, position_um, flags)

    def beat(self, *numbers: int) -> bool:
        """As ``BeatLine.beat``."""
        if self._stage.guard_dead:
            return False
        if self.lose:
            self.lose -= 1
            self.inner._sequence += 1
            return True
        if not self._stage.guard_runs:
            self._waiting.append(numbers)
            return True
        if self.held_ns:
            self._stage.clock.at(self._stage.clock.now_ns() + self.held_ns, partial(self._late, numbers))
            return True
        taken = self.inner.beat(*numbers)  # type: ignore[call-arg]
        if self.again:
            self.again = False
            self.inner._sequence -= 1
            taken = self.inner.beat(*numbers)  # type: ignore[call-arg]
        return taken

    def _late(self, numbers: tuple[int, ...]) -> None:
        if self._stage.guard_runs and not self.inner.gone:
            self.inner.beat(*numbers)  # type: ignore[call-arg]

    def wake(self) -> None:
        """The guard runs again and reads what lay there."""
        waiting, self._waiting = self._waiting, []
        for numbers in waiting:
            self.inner.beat(*numbers)  # type: ignore[call-arg]

    def poll_echo(self) -> tuple[int, int]:
        """The last echo that a guard which runs has sent."""
        if self._stage.guard_runs:
            self._echo = self.inner.poll_echo()
        return self._echo

    def disarm(self, now_ns: int, tick: int = 0) -> bool:
        """As ``BeatLine.disarm``: it waits for the answer, and a slow guard hears everything later."""
        if self.held_ns:
            self._stage.clock.sleep_until_ns(self._stage.clock.now_ns() + self.held_ns)
        return self._stage.guard_runs and self.inner.disarm(now_ns, tick)

    def close(self) -> None:
        """As ``BeatLine.close``."""
        if self._stage.guard_runs:
            self.inner.close()


class Spy:
    """In the ring's place: tells the stage of every tick."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self.segments: list[int] = []

    def write(self, tick: int, *values: int) -> None:
        """One tick has been sent."""
        self.segments.append(values[13])
        self._stage.ticked(tick, values[16])


class Stage:
    """Everything of one trial. ``play`` once, then look at the attributes."""

    def __init__(self, scene: Scene, phase: str, seed: int, folder: Path, **axis_x: Any) -> None:
        self.scene = scene
        self.phase = phase
        self.rng = random.Random(seed)
        self.folder = folder
        self.clock = StageClock()
        self.world = VirtualGantry(
            scene.machine.group_settings(), scene.twin(phase, seed, **axis_x), self.clock, max_samples=60_000
        )
        self.bus = Bus(self.world.link, self.clock)
        limits = Limits.of(
            guard_settings(scene.machine, StateDir(folder), StopPlan("none", "virtual", b"", (), b"", ()), 0)
        )
        self.latch_path = folder / "latch.json"
        self.latch_path.unlink(missing_ok=True)
        self.guard = LocalGuard(limits, self.clock.now_ns, self._on_guard_stop, self.latch_path)
        self.loops: Loops | None = None
        if scene.machine.stops.inputs:
            self.loops = Loops(
                scene.machine, self.world.gantry, self.clock.now_ns(), lambda event: self._hear_input(event)
            )
        self.clock.on_advance(self._advance_guard)
        self.stop = StopFlag()
        self.line: Line | None = None
        self.spy = Spy(self)
        self.streamer_gone = False
        self.late_ns = 0
        self.frozen_until_ns = 0
        self.guard_runs = True
        self.guard_dead = False
        self.disk_error = ""
        self.fault_tick: int | None = None
        self.fault_ns: int | None = None
        self.window_ns = 0
        self.stopping_ns: int | None = None
        self.ended_ns = 0
        self.outcome = StreamOutcome(end="halted", reason="")
        self._inject: Callable[[Stage], None] = lambda _stage: None
        self._is_over = False
        self._nodes = tuple(axis.node_id for axis in scene.machine.group_settings().axes.values())

    # The run

    def play(self, inject: Callable[[Stage], None], fault_tick: int | None) -> None:
        """Stream the phase's tasks; ``inject`` happens at a random instant after ``fault_tick`` was sent."""
        self._inject, self.fault_tick = inject, fault_tick
        is_homing = self.phase == "homing"
        tasks: tuple[Task, ...] = (
            (HomingTask(),) if is_homing else (ScheduleTask(folder=str(self.scene.folder / "schedule")),)
        )
        spec = StreamSpec(
            run="trial", machine_file="", channel="virtual", tasks=tasks, ring_path="", guard_socket=None,
            latch_path=str(self.latch_path), offset_counts=None if is_homing else (0.0, 0.0),
        )  # fmt: skip
        clock = StreamerClock(self)
        group = group_on_link(self.scene.machine.group_settings(), Port(self), clock)
        self.line = Line(self, self.guard.line())
        self.outcome = run_stream(
            spec, self.scene.machine, group, clock, cast("Ring", self.spy), self.line, stop=self.stop
        )
        if self.outcome.end == "halted" and not self.streamer_gone:
            # As the streamer's process does: hang up, then say the stop again by itself for a moment.
            self._tell_guard(self.line.close)
            with contextlib.suppress(GoneError):
                keep_stopping(group, clock, self.scene.machine.tick_ns, rest_counts(self.scene.machine))
        if not self._is_over:
            self.ended_ns = self.clock.now_ns()
            self._tell_guard(self.line.close)
            self._watch_on()

    def play_again(self, phase: str) -> None:
        """The next run on the same machine, under the same guard, whatever became of the one before."""
        self.phase = phase
        self.streamer_gone = self._is_over = False
        self.play(lambda _stage: None, None)

    def ticked(self, tick: int, flags: int) -> None:
        """The streamer has sent a tick."""
        if tick == self.fault_tick:
            wait_ns = self.rng.randrange(self.scene.machine.tick_ns)
            self.clock.at(self.clock.now_ns() + wait_ns, self._strike)
        if flags & FLAG_STOPPING and self.stopping_ns is None:
            self.stopping_ns = self.clock.now_ns()

    def _strike(self) -> None:
        self.mark_fault()
        self._inject(self)

    def mark_fault(self, at_ns: int | None = None) -> None:
        """The fault is now (or was just now); from here on stop commands count and time is cut fine."""
        self.fault_ns = at_ns if at_ns is not None else self.clock.now_ns()
        self.bus.watch_from_ns = self.fault_ns
        self.bus.first_stop_ns = None
        self.clock.fine_ns = STEP_NS

    def leave_if_gone(self) -> None:
        """A process that is gone never comes back from a call; only the world goes on."""
        if self.streamer_gone:
            if not self._is_over:
                self._is_over = True
                self.ended_ns = self.clock.now_ns()
                self._watch_on()
            raise GoneError("the streamer is gone", code="streamer-died")

    def _watch_on(self) -> None:
        """Go on until everything has stood for longer than a judge asks, or that is past hope."""
        self._is_over = True
        end_ns = self.clock.now_ns() + 4 * NS_PER_S
        still_from_ns = None
        while self.clock.now_ns() < end_ns:
            self.clock.sleep_until_ns(self.clock.now_ns() + 20 * NS_PER_MS)
            if not self.world.gantry.is_still:
                still_from_ns = None
            elif still_from_ns is None:
                still_from_ns = self.clock.now_ns()
            elif self.clock.now_ns() - still_from_ns >= WATCH_NS:
                return

    def expect_trip(self) -> None:
        """The fault is the instant at which a limit switch is hit."""
        self.clock.fine_ns = STEP_NS

        def look(_now_ns: int) -> None:
            if self.fault_ns is None and (self.world.gantry._state[:, physics.LIMIT] != 0.0).any():
                self.mark_fault(self.world.gantry.left_operation_ns[0])

        self.clock.on_advance(look)

    # What can be done to it

    def kill_streamer(self, *, seen: bool = True) -> None:
        """SIGKILL. ``seen``: a guard lives and looks for it every 2 ms."""
        self.streamer_gone = True
        if seen:
            wait_ns = self.rng.randrange(LOOK_NS) + 1
            self.clock.at(self.clock.now_ns() + wait_ns, self._see_death)

    def _see_death(self) -> None:
        assert self.line is not None
        peer = self.line.inner._peer
        if self.guard_runs and not self.line.inner.gone:
            self._tell_guard(lambda: self.guard.take(PeerDied(peer)))

    def hang_streamer(self) -> None:
        """It never comes back, and nobody is told."""
        self.streamer_gone = True

    def kill_guard(self) -> None:
        """SIGKILL of the guard."""
        self.guard_runs, self.guard_dead = False, True

    def hang_guard(self, for_ns: int | None) -> None:
        """The guard runs no more, for ever or for a while."""
        self.guard_runs = False
        if for_ns is not None:
            self.clock.at(self.clock.now_ns() + for_ns, self._wake_guard)

    def _wake_guard(self) -> None:
        assert self.line is not None
        self.guard_runs = True
        self.line.wake()
        self._advance_guard(self.clock.now_ns())

    def garble_beat(self) -> None:
        """Bytes that are no message come over the streamer's line."""
        assert self.line is not None
        if not self.line.inner.gone:
            self.guard.take(Garbled(self.line.inner._peer, "the campaign's rubbish"))

    def burst(self, begin: Callable[[], None], end: Callable[[], None], for_ns: int) -> None:
        """A fault that lasts ``for_ns``."""
        self.window_ns = for_ns
        begin()
        self.clock.at(self.clock.now_ns() + for_ns, end)

    # The guard

    def _advance_guard(self, now_ns: int) -> None:
        if self.guard_runs:
            if self.loops is not None:
                self.loops.advance(now_ns)
            self._tell_guard(lambda: self.guard.advance(now_ns))

    def _hear_input(self, event: Event) -> None:
        self._tell_guard(lambda: self.guard.take(event))

    def _tell_guard(self, tell: Callable[[], object]) -> None:
        """The real guard leaves the disk to a thread of its own; here its failure is met in the same call."""
        try:
            tell()
        except OSError as error:
            self.disk_error = str(error)

    def ask_guard(self, why: str) -> None:
        """A person's stop, straight to the guard."""
        self._tell_guard(lambda: self.guard.ask_stop(why, "the campaign"))

    def _on_guard_stop(self, _stop: Stop) -> None:
        self.streamer_gone = True
        self._stop_round(0)

    def _stop_round(self, still_since_ns: int) -> None:
        """The guard's round, until both axes have stood long enough."""
        if not self.guard_runs:
            return
        # Without a wire it goes on asking for one.
        with contextlib.suppress(LinkError):
            self.bus.send(frames.stop_frames(self._nodes))
        now_ns = self.clock.now_ns()
        stands = bool((self.world.gantry._state[:, physics.V] == 0.0).all())
        still_since_ns = (still_since_ns or now_ns) if stands else 0
        if not still_since_ns or now_ns - still_since_ns < STILL_FOR_NS:
            self.clock.at(now_ns + STOP_AGAIN_NS, partial(self._stop_round, still_since_ns))
