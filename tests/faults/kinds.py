"""The kinds of fault in virtual time: what happens, how it may end, and how soon the machine must stand.

Owns one table. Each bound says in its terms what it is made of; ``docs/faults.md`` explains them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from controller.config.machine import Machine
from drivers.can import frames
from drivers.clock import NS_PER_MS
from tests.faults import bus
from tests.faults.judge import Bound, bound
from tests.faults.loops import Loops
from tests.faults.scene import PHASES
from tests.faults.stage import Stage

STEP_MS = 1.0
LOOK_MS = 2.0
WINDOW_MS = 200
SILENT_MS = 50.0
"""How long a reader may say nothing (``safety.settings.StopInput``)."""
MOVING = tuple(phase for phase in PHASES if phase != "homing")

Ends = Literal["finished", "stopped", "halted", "failed", "refused"]


@dataclass(frozen=True)
class Times:
    """The machine's own numbers that bounds are made of, ms and mm/s."""

    tick: float
    lease: float
    guard_late: float
    feedback_late: float
    heartbeat_lost: float
    speed: float
    motor_speed: float
    debounce: float

    @classmethod
    def of(cls, machine: Machine) -> Times:
        """From the machine file; ``speed`` is the fastest that is planned."""
        assert machine.twin is not None
        return cls(
            machine.tick_ns / NS_PER_MS,
            machine.lease.lease_ms,
            machine.lease.guard_late_ms,
            machine.lease.feedback_late_ms,
            machine.wire.heartbeat_lost_after_ms,
            machine.motion.travel_speed_mm_s,
            max(axis.speed_max_mm_s for axis in machine.twin.axes.values()),
            machine.stops.debounce_ms,
        )


@dataclass(frozen=True)
class Kind:
    """One kind of fault.

    ``react``: ms from the fault (the end of its window excepted) to the first stop command, or to the drives' own
    stop where ``by`` says so; ``window`` of a fault that lasts is added. ``ends``: how a trial may end. ``latch``:
    whether a latch must stand after a halt (no guard, no latch by the guard).
    """

    name: str
    what: str
    inject: Callable[[Stage], None]
    react: Callable[[Times], float]
    of: str
    ends: tuple[Ends, ...] = ("halted",)
    by: Literal["command", "drives", "either", "path"] = "command"
    brake: Literal["quick", "coast", "path"] = "quick"
    phases: tuple[str, ...] = PHASES
    latch: bool = True
    wild: bool = False
    loops: bool = False
    """The machine has stop loops."""

    def bound(self, machine: Machine, window_ms: float = 0.0) -> Bound:
        """What a trial of this kind may cost at most on this machine."""
        times = Times.of(machine)
        speed = times.motor_speed if self.wild else times.speed
        return bound(machine, self.react(times) + window_ms, self.brake, speed)


def _window_ns(stage: Stage) -> int:
    return stage.rng.randint(1, WINDOW_MS) * NS_PER_MS


def _noise(make: Callable[[Stage], bus.Policy], *directions: str) -> Callable[[Stage], None]:
    """A policy on the bus for a window of random length."""

    def inject(stage: Stage) -> None:
        policy = make(stage)

        def set_to(one: bus.Policy | None) -> None:
            for direction in directions:
                setattr(stage.bus, direction, one)

        stage.burst(lambda: set_to(policy), lambda: set_to(None), _window_ns(stage))

    return inject


def _share(stage: Stage) -> float:
    return stage.rng.choice((0.05, 0.2, 0.5, 0.9, 1.0))


def _one_frame(stage: Stage) -> None:
    """Exactly one frame is lost, in either direction."""
    direction = stage.rng.choice(("to_drives", "from_drives"))

    def policy(batch: bus.Sequence[tuple[int, bytes]]) -> list[bus.Passed]:
        passed = bus.all_of(batch)
        if passed:
            passed.pop(stage.rng.randrange(len(passed)))
            setattr(stage.bus, direction, None)
        return passed

    setattr(stage.bus, direction, policy)


def _late(stage: Stage) -> None:
    stage.late_ns = stage.rng.randint(1, 180) * NS_PER_MS


def _freeze(stage: Stage) -> None:
    stage.frozen_until_ns = stage.clock.now_ns() + stage.rng.randint(1, 600) * NS_PER_MS


def _service_killed(stage: Stage) -> None:
    stage.guard.service_died()


def _guard_late(stage: Stage) -> None:
    assert stage.line is not None
    stage.line.held_ns = stage.rng.randint(1, 200) * NS_PER_MS


def _guard_stopped(stage: Stage) -> None:
    stage.hang_guard(stage.rng.randint(1, 600) * NS_PER_MS)


def _all_killed(stage: Stage) -> None:
    stage.kill_guard()
    stage.kill_streamer(seen=False)


def _beats_lost(stage: Stage) -> None:
    assert stage.line is not None
    stage.line.lose = stage.rng.randint(1, 30)


def _beat_again(stage: Stage) -> None:
    assert stage.line is not None
    stage.line.again = True


def _unplugged(stage: Stage) -> None:
    stage.world.link.plugged = False


def _pulled_for_a_while(stage: Stage) -> None:
    link = stage.world.link
    stage.burst(
        lambda: setattr(link, "plugged", False), lambda: setattr(link, "plugged", True), _window_ns(stage)
    )


def _adapter_gone(stage: Stage) -> None:
    stage.bus.is_broken = True
    stage.world.link.plugged = False


def _drive_fault(stage: Stage) -> None:
    stage.world.gantry.fail_drive(
        stage.rng.choice(("x", "y")), stage.rng.choice((0x2310, 0x4310, 0x7305, 0x8611))
    )


def _node_reset(stage: Stage) -> None:
    stage.world.gantry.reset_drive(stage.rng.choice(("x", "y")))


def _sync_lost(stage: Stage) -> None:
    stage.bus.to_drives = bus.losing_sync()


def _power_cut(stage: Stage) -> None:
    stage.world.gantry.cut_motor_power()


def _ask_guard(stage: Stage) -> None:
    stage.ask_guard("a person wants it")


def _ask_streamer(stage: Stage) -> None:
    stage.stop.asked = True


def _ask_twice(stage: Stage) -> None:
    """First on the path, a while before; the second request is the one that is measured."""
    stage.stop.asked = True

    def again() -> None:
        stage.mark_fault()
        if stage.rng.random() < 0.5:
            stage.ask_guard("once more")
        else:
            stage.stop.abort = True

    stage.clock.at(stage.clock.now_ns() + stage.rng.randrange(1, 250) * NS_PER_MS, again)


def _disk_full(stage: Stage) -> None:
    """No latch can be written (its folder takes nothing); then any other stop."""
    no_folder = stage.folder / "no-folder"
    no_folder.touch()
    stage.guard._latch_path = no_folder / "latch.json"
    stage.rng.choice((_ask_guard, lambda one: one.kill_streamer(), lambda one: one.hang_streamer()))(stage)


def _loops(stage: Stage) -> Loops:
    assert stage.loops is not None
    return stage.loops


def _button(stage: Stage) -> None:
    _loops(stage).button_closed = False


def _fence(stage: Stage) -> None:
    _loops(stage).fence_closed = False


def _reader_silent(stage: Stage) -> None:
    _loops(stage).reader_lives = False


def _blinks(stage: Stage) -> None:
    """One of the loops opens for 1 to 40 ms: shorter than the debouncing it is a disturbance, longer a stop."""
    loops = _loops(stage)
    name = stage.rng.choice(("belt", "button", "fence"))

    def put(closed: bool) -> None:
        if name == "belt":
            loops.belt(closed=closed)
        else:
            setattr(loops, f"{name}_closed", closed)

    stage.burst(lambda: put(False), lambda: put(True), stage.rng.randint(1, 40) * NS_PER_MS)


def _emergency_stop(stage: Stage) -> None:
    """The contactor drops, an auxiliary contact of the same loop tells; either up to 20 ms before the other."""
    loops, gantry = _loops(stage), stage.world.gantry
    first, second = stage.rng.sample((gantry.cut_motor_power, lambda: loops.belt(closed=False)), 2)
    first()
    stage.clock.at(stage.clock.now_ns() + stage.rng.randrange(20 * NS_PER_MS), second)


def _head_frames_lost(stage: Stage) -> None:
    """The next frames to the head's output are lost: the pen hears of its next move late."""
    head = stage.scene.machine.head.axis
    node = stage.scene.machine.group_settings().axes[head].node_id
    stage.bus.to_drives = bus.losing_next(frames.RPDO2 + node, stage.rng.randint(1, 5))


def _short_axis(stage: Stage) -> None:
    """The x switch stands somewhere on the way: ``campaign`` moves it; the fault is the instant at which it is hit."""


_NOISE_ENDS: tuple[Ends, ...] = ("finished", "halted", "failed")


def _noise_ms(times: Times) -> float:
    return max(times.feedback_late, times.heartbeat_lost) + 2 * times.tick


_NOISE_OF = "window + max(feedback_late, heartbeat_lost) + 2 ticks"


def drive_input_ms(times: Times) -> float:
    """Sampled at the next SYNC, read with the tick after; then read open for the debouncing, looked at once a tick."""
    return (2 + math.ceil(times.debounce / times.tick)) * times.tick + STEP_MS


_DRIVE_INPUT_OF = "2 ticks + debounce in whole ticks + step"

KINDS: tuple[Kind, ...] = (
    Kind("streamer-killed", "SIGKILL of the streamer", lambda s: s.kill_streamer(),
         lambda t: LOOK_MS + STEP_MS, "guard's look + step"),
    Kind("streamer-hung", "the streamer stops for ever", lambda s: s.hang_streamer(),
         lambda t: t.lease + STEP_MS, "lease + step"),
    Kind("streamer-stopped", "it stops for 1 to 600 ms and goes on", _freeze,
         lambda t: t.lease + STEP_MS, "lease + step", ("finished", "halted")),
    Kind("streamer-slow", "it wakes 1 to 180 ms late from then on", _late,
         lambda t: t.lease + t.tick + STEP_MS, "lease + tick + step", ("finished", "halted", "failed")),
    Kind("service-killed", "SIGKILL of the service", _service_killed, lambda t: STEP_MS, "step"),
    Kind("guard-killed", "SIGKILL of the guard", lambda s: s.kill_guard(),
         lambda t: 2 * t.tick, "2 ticks", latch=False),
    Kind("guard-hung", "the guard stops for ever", lambda s: s.hang_guard(None),
         lambda t: t.guard_late + 2 * t.tick, "guard_late + 2 ticks", latch=False),
    Kind("guard-stopped", "it stops for 1 to 600 ms and goes on", _guard_stopped,
         lambda t: t.guard_late + 2 * t.tick, "guard_late + 2 ticks", ("finished", "halted"), latch=False),
    Kind("guard-slow", "it hears every beat 1 to 200 ms late", _guard_late,
         lambda t: max(t.guard_late, t.lease) + 2 * t.tick, "max(guard_late, lease) + 2 ticks",
         ("finished", "halted")),
    Kind("all-killed", "streamer, guard and service at once", _all_killed,
         lambda t: t.heartbeat_lost + STEP_MS, "heartbeat_lost + step", by="drives", latch=False),
    Kind("beats-lost", "1 to 30 beats are lost", _beats_lost, lambda t: t.lease + 2 * t.tick, "lease + 2 ticks"),
    Kind("beat-repeated", "a beat comes twice", _beat_again, lambda t: t.tick + STEP_MS, "tick + step"),
    Kind("beat-garbled", "bytes that are no beat", lambda s: s.garble_beat(), lambda t: STEP_MS, "step"),
    Kind("one-frame-lost", "one frame, either way", _one_frame, _noise_ms, _NOISE_OF, _NOISE_ENDS),
    Kind("head-frames-lost", "the next 1 to 5 frames to the pen lift", _head_frames_lost, _noise_ms, _NOISE_OF,
         ("finished",), phases=MOVING),
    Kind("to-drives-dropped", "5 to 100 % lost for a while",
         _noise(lambda s: bus.losing(s.rng, _share(s)), "to_drives"), _noise_ms, _NOISE_OF, _NOISE_ENDS, "either"),
    Kind("from-drives-dropped", "5 to 100 % lost for a while",
         _noise(lambda s: bus.losing(s.rng, _share(s)), "from_drives"), _noise_ms, _NOISE_OF, _NOISE_ENDS, "either"),
    Kind("frames-delayed", "up to 60 ms each, both ways",
         _noise(lambda s: bus.delaying(s.rng, 60 * NS_PER_MS), "to_drives", "from_drives"),
         lambda t: _noise_ms(t) + 60, _NOISE_OF + " + 60 ms", _NOISE_ENDS, "either"),
    Kind("frames-doubled", "up to 20 ms later, both ways",
         _noise(lambda s: bus.doubling(s.rng, _share(s)), "to_drives", "from_drives"),
         lambda t: _noise_ms(t) + 20, _NOISE_OF + " + 20 ms", _NOISE_ENDS, "either"),
    Kind("to-drives-garbled", "bits flipped or bytes missing",
         _noise(lambda s: bus.garbling(s.rng, _share(s)), "to_drives"),
         _noise_ms, _NOISE_OF, _NOISE_ENDS, "either", wild=True),
    Kind("from-drives-garbled", "bits flipped or bytes missing",
         _noise(lambda s: bus.garbling(s.rng, _share(s)), "from_drives"),
         _noise_ms, _NOISE_OF, _NOISE_ENDS, "either"),
    Kind("frames-shuffled", "another order, both ways",
         _noise(lambda s: bus.shuffling(s.rng), "to_drives", "from_drives"),
         lambda t: _noise_ms(t) + 4, _NOISE_OF + " + 4 ms", _NOISE_ENDS, "either"),
    Kind("unplugged", "nothing passes any more", _unplugged,
         lambda t: t.heartbeat_lost + STEP_MS, "heartbeat_lost + step", by="drives"),
    Kind("unplugged-a-while", "nothing passes for 1 to 200 ms", _pulled_for_a_while,
         _noise_ms, _NOISE_OF, _NOISE_ENDS, "either"),
    Kind("adapter-gone", "the line is closed; nobody can send", _adapter_gone,
         lambda t: t.heartbeat_lost + STEP_MS, "heartbeat_lost + step", by="drives"),
    Kind("drive-fault", "one drive finds a fault", _drive_fault, lambda t: 2 * t.tick + STEP_MS, "2 ticks + step"),
    Kind("node-reset", "one drive starts anew by itself", _node_reset,
         lambda t: 2 * t.tick + STEP_MS, "2 ticks + step", brake="coast"),
    Kind("sync-lost", "no SYNC passes any more", _sync_lost,
         lambda t: t.feedback_late + 2 * t.tick, "feedback_late + 2 ticks"),
    Kind("limit-switch", "a switch stands where the plan goes", _short_axis,
         lambda t: 2 * t.tick + STEP_MS, "2 ticks + step", brake="coast", phases=("travel",)),
    Kind("motor-power-cut", "both motors lose their power", _power_cut,
         lambda t: 2 * t.tick + STEP_MS, "2 ticks + step", brake="coast"),
    Kind("stop-loop-drive", "a loop on a drive's input opens (60FDh)", lambda s: _loops(s).belt(closed=False),
         drive_input_ms, _DRIVE_INPUT_OF, loops=True),
    Kind("stop-loop-modem", "a loop on a modem line opens", _button,
         lambda t: LOOK_MS + t.debounce + 2 * STEP_MS, "guard's look + debounce + 2 steps", loops=True),
    Kind("stop-loop-reported", "a loop that a reader reports opens", _fence,
         lambda t: t.debounce + 2 * STEP_MS, "debounce + 2 steps", loops=True),
    Kind("stop-reader-silent", "the reader of a loop hangs", _reader_silent,
         lambda t: SILENT_MS + STEP_MS, "silent + step", loops=True),
    Kind("stop-reader-gone", "SIGKILL of the reader", lambda s: _loops(s).reader_dies(s.clock.now_ns()),
         lambda t: STEP_MS, "step", loops=True),
    Kind("stop-loop-blinks", "one of the three opens for 1 to 40 ms", _blinks,
         drive_input_ms, "window + " + _DRIVE_INPUT_OF, ("finished", "halted"), loops=True),
    Kind("emergency-stop", "the contactor drops, and a loop tells, up to 20 ms apart", _emergency_stop,
         drive_input_ms, _DRIVE_INPUT_OF, brake="coast", loops=True),
    Kind("disk-full", "the latch cannot be written, then a stop", _disk_full,
         lambda t: t.lease + STEP_MS, "lease + step", latch=False),
    Kind("stop-immediate", "a person asks the guard", _ask_guard, lambda t: STEP_MS, "step"),
    Kind("stop-at-pen-change", "a person asks the guard between two runs", _ask_guard,
         lambda t: STEP_MS, "step", ("refused",), phases=("pen change",)),
    Kind("stop-controlled-at-pen-change", "a person asks for a stop on the path between two runs", _ask_streamer,
         lambda t: 2 * t.tick, "2 ticks", ("stopped",), phases=("pen change",)),
    Kind("stop-controlled", "a person asks for a stop on the path", _ask_streamer,
         lambda t: 2 * t.tick, "2 ticks", ("stopped",), "path", "path"),
    Kind("stop-twice", "on the path, then at once", _ask_twice,
         lambda t: 2 * t.tick, "2 ticks", ("halted", "stopped")),
)  # fmt: skip

BY_NAME = {kind.name: kind for kind in KINDS}


def limit_mm(stage_seed: int, low_mm: float, high_mm: float) -> float:
    """Where a limit trial's switch stands: anywhere on the way, from the trial's seed."""
    return low_mm + (high_mm - low_mm) * ((stage_seed * 2654435761) % 1000) / 1000.0
