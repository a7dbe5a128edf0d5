"""The kinds of fault in real time: deaths, stops, hangs, starvation of real processes, and what a host can do.

Owns their table and the course of one trial. Each bound holds the same terms as in virtual time and ``HOST_MS``: what
a shared computer may take away by itself.
"""

from __future__ import annotations

import contextlib
import math
import os
import random
import resource
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from controller.config.machine import Machine
from drivers.clock import NS_PER_MS
from safety import client, latch
from tests.bench.world import Spinners
from tests.faults.bystander import Bystanders, fair_trial
from tests.faults.fulldisk import fill, namespace, play_inside
from tests.faults.judge import WATCHED_NS, Bound, Trial, bound, judge_motion, judge_rest
from tests.faults.kinds import LOOK_MS, SILENT_MS, Times, drive_input_ms
from tests.faults.realsite import SECONDS, RealSite
from tests.faults.stutter import Stutter
from tests.faults.virtual import seed_of

HOST_MS = 30.0
"""What the host may take from a process with real-time priority on a shared virtual machine (docs/timing.md: its floor
reaches 8 ms), and from one without."""

AFTER_S = 1.7
TRIALS_A_TWIN = 12


Strike = Callable[[RealSite, random.Random], int]


@dataclass(frozen=True)
class RealKind:
    """One kind. ``strike`` does it and returns the instant (CLOCK_MONOTONIC ns) from which it counts."""

    name: str
    what: str
    trials: int
    strike: Strike
    react: Callable[[Times], float]
    of: str
    ends: tuple[str, ...] = ("halted",)
    by: Literal["drives", "latch", "path", "none"] = "drives"
    brake: Literal["quick", "coast", "path"] = "quick"
    latch: bool = True
    module: Callable[[random.Random], tuple[str, ...]] | None = None
    wall_clock: bool = False
    spoils_twin: bool = False
    guard: tuple[str, ...] = ("-m", "safety.guard")
    loops: bool = False
    own_disk: bool = False
    witnessed: bool = True
    """Whether bystanders can tell what the host took: not where a process of the highest priority spins on a core."""
    gradual: bool = False
    """No instant at which it is there: a starved process still runs now and then. Counted from the guard's first stop
    bytes; of a process that is stopped again and again, from the last time before; of a streamer that is late with each
    tick, from the last tick that still left."""

    def bound(self, machine: Machine, speed_mm_s: float) -> Bound:
        """What a trial of this kind may cost at most, ``speed_mm_s`` the fastest that the schedule goes."""
        found = bound(machine, self.react(Times.of(machine)) + HOST_MS, self.brake, speed_mm_s)
        return Bound(found.react_ms, found.stand_ms + HOST_MS, found.travel_mm)


def _pids(site: RealSite, *who: str) -> list[int]:
    out = []
    for name in who:
        process = getattr(site, name)
        assert process is not None
        out.append(process.pid)
    return out


def _send(number: signal.Signals, *who: str) -> Strike:
    def strike(site: RealSite, _rng: random.Random) -> int:
        pids = _pids(site, *who)
        now_ns = time.monotonic_ns()
        site.signal(number, *pids)
        return now_ns

    return strike


def starve(pid: int) -> int:
    """Where every core is busy: the process gets only what is left over. Returns the instant before."""
    now_ns = time.monotonic_ns()
    os.sched_setscheduler(pid, os.SCHED_IDLE, os.sched_param(0))
    # A process in a session of its own shares by its group's weight, where the kernel groups so.
    with contextlib.suppress(OSError):
        Path(f"/proc/{pid}/autogroup").write_text("19")
    return now_ns


def feed(pid: int) -> None:
    """No longer: an ordinary process again."""
    with contextlib.suppress(OSError):
        os.sched_setscheduler(pid, os.SCHED_OTHER, os.sched_param(0))
        Path(f"/proc/{pid}/autogroup").write_text("0")


def _starve(who: str) -> Strike:
    def strike(site: RealSite, _rng: random.Random) -> int:
        (pid,) = _pids(site, who)
        return starve(pid)

    return strike


def _stutter(who: str, stopped_ms: tuple[float, float], running_ms: tuple[float, float]) -> Strike:
    """Slow: stopped and let go in a rhythm of its own until the trial is over."""

    def strike(site: RealSite, rng: random.Random) -> int:
        (pid,) = _pids(site, who)
        now_ns = time.monotonic_ns()
        site.stutter = Stutter(pid, rng.uniform(*stopped_ms), rng.uniform(*running_ms))
        return now_ns

    return strike


def _spin_twin(site: RealSite, rng: random.Random) -> int:
    """Its loop hangs for a while, or until everybody else has ended."""
    assert site.twin is not None
    now_ns = time.monotonic_ns()
    site.twin.tell(spin_ms=2500.0 if rng.random() < 0.4 else rng.uniform(20.0, 600.0))
    return now_ns


def _open_port(site: RealSite, _rng: random.Random) -> int:
    now_ns = time.monotonic_ns()
    site.put_port(0)
    return now_ns


def _open_fence(site: RealSite, _rng: random.Random) -> int:
    assert site.reader is not None
    now_ns = time.monotonic_ns()
    site.reader.tell(fence="open")
    return now_ns


def _open_belt(site: RealSite, _rng: random.Random) -> int:
    assert site.twin is not None
    site.twin.tell(belt=False)
    return int(site.twin.hear("belt")["now_ns"])


def _heard_slow(site: RealSite, _rng: random.Random) -> int:
    assert site.streamer is not None
    return int(site.streamer.hear("slow")["now_ns"])


def _stop_twin(site: RealSite, rng: random.Random) -> int:
    (pid,) = _pids(site, "twin")
    now_ns = time.monotonic_ns()
    os.kill(pid, signal.SIGSTOP)
    time.sleep(rng.uniform(0.02, 0.6))
    os.kill(pid, signal.SIGCONT)
    return now_ns


def _ask(site: RealSite, _rng: random.Random) -> int:
    now_ns = time.monotonic_ns()
    client.request_stop(site.state.stop_socket, "the campaign", "a trial")
    return now_ns


def _fill_disk(site: RealSite, rng: random.Random) -> int:
    """From now on nothing of guard, streamer and service can be written; then a stop, or a death."""
    if namespace():
        fill(site.folder)
    else:
        for pid in _pids(site, "guard", "streamer", "service"):
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))
    if rng.random() < 0.5:
        return _ask(site, rng)
    return _send(signal.SIGKILL, "streamer")(site, rng)


def _cut_power(site: RealSite, _rng: random.Random) -> int:
    assert site.twin is not None
    site.twin.tell(motor_power=False)
    return int(site.twin.hear("power")["now_ns"])


def _nothing(_site: RealSite, _rng: random.Random) -> int:
    return time.monotonic_ns()


def _hang_at(rng: random.Random) -> tuple[str, ...]:
    return ("tests.faults.hanging", str(rng.randint(150, 850)))


def _slow_from(rng: random.Random) -> tuple[str, ...]:
    return (*_hang_at(rng), f"{rng.uniform(1.0, 180.0):.1f}")


_SPINNING_GUARD = ("-m", "tests.faults.spinning", "1000", "safety.guard")

_K, _S = signal.SIGKILL, signal.SIGSTOP

REAL_KINDS: tuple[RealKind, ...] = (
    RealKind("real-streamer-killed", "SIGKILL", 8, _send(_K, "streamer"), lambda t: LOOK_MS, "guard's look"),
    RealKind("real-streamer-stopped", "SIGSTOP", 6, _send(_S, "streamer"), lambda t: t.lease, "lease"),
    RealKind("real-streamer-hung", "its loop spins", 6, _nothing, lambda t: t.lease, "lease", module=_hang_at),
    RealKind("real-streamer-starved", "gets only what is left, cores busy", 6, _starve("streamer"),
             lambda t: 0.0, "counted from the stop", ("halted", "finished"), gradual=True),
    RealKind("real-streamer-slow", "it wakes 1 to 180 ms late from then on", 4, _heard_slow,
             lambda t: t.lease + t.tick, "lease + tick", ("halted", "finished"), "drives", module=_slow_from,
             gradual=True),
    RealKind("real-streamer-stutters", "stopped for 0.2 to 3 ms every 10 to 40 ms", 4,
             _stutter("streamer", (0.2, 3.0), (10.0, 40.0)), lambda t: t.lease + t.tick, "lease + tick",
             ("halted", "finished"), "drives", gradual=True),
    RealKind("real-guard-hung", "its loop spins", 4, _send(signal.SIGUSR1, "guard"),
             lambda t: t.guard_late + 2 * t.tick, "guard_late + 2 ticks", by="drives", latch=False,
             guard=_SPINNING_GUARD, witnessed=False),
    RealKind("real-guard-slow", "stopped for 5 to 120 ms every 10 to 200 ms", 4,
             _stutter("guard", (5.0, 120.0), (10.0, 200.0)), lambda t: t.guard_late + 2 * t.tick,
             "guard_late + 2 ticks", ("halted", "finished"), "drives", latch=False, gradual=True),
    RealKind("real-twin-hung", "its loop spins for 20 to 600 ms or 2.5 s", 5, _spin_twin,
             lambda t: t.heartbeat_lost, "heartbeat_lost", ("halted", "finished"), "drives"),
    RealKind("real-twin-slow", "stopped for 2 to 90 ms every 5 to 60 ms", 4,
             _stutter("twin", (2.0, 90.0), (5.0, 60.0)), lambda t: t.heartbeat_lost, "heartbeat_lost",
             ("halted", "finished"), "drives", gradual=True),
    RealKind("real-twin-starved", "gets only what is left, cores busy", 3, _starve("twin"),
             lambda t: t.heartbeat_lost, "heartbeat_lost from the guard's bytes", ("halted", "finished"), "drives",
             spoils_twin=True, gradual=True),
    RealKind("real-stop-loop-modem", "a loop on a modem line opens", 3, _open_port,
             lambda t: LOOK_MS + t.debounce, "guard's look + debounce", loops=True),
    RealKind("real-stop-loop-gpio", "a loop on a GPIO line opens", 3, _open_fence,
             lambda t: t.debounce + 1.0, "debounce + 1 ms", loops=True),
    RealKind("real-stop-loop-drive", "a loop on a drive's input opens", 3, _open_belt,
             drive_input_ms, "2 ticks + debounce in whole ticks", loops=True),
    RealKind("real-stop-reader-killed", "SIGKILL of the reader", 2, _send(_K, "reader"),
             lambda t: LOOK_MS, "guard's look", loops=True),
    RealKind("real-stop-reader-stopped", "SIGSTOP of the reader", 2, _send(_S, "reader"),
             lambda t: SILENT_MS + LOOK_MS, "silent + guard's look", loops=True),
    RealKind("real-guard-killed", "SIGKILL", 6, _send(_K, "guard"), lambda t: 2 * t.tick, "2 ticks", latch=False),
    RealKind("real-guard-stopped", "SIGSTOP", 6, _send(_S, "guard"),
             lambda t: t.guard_late + 2 * t.tick, "guard_late + 2 ticks", latch=False),
    RealKind("real-guard-starved", "gets only what is left, cores busy", 4, _starve("guard"),
             lambda t: 0.0, "counted from the stop", ("halted", "finished"), latch=False, gradual=True),
    RealKind("real-twin-killed", "SIGKILL: the adapter is gone, and the record with it", 3, _send(_K, "twin"),
             lambda t: t.feedback_late + 2 * t.tick, "feedback_late + 2 ticks", by="none", spoils_twin=True),
    RealKind("real-twin-stopped", "SIGSTOP for 20 to 600 ms", 6, _stop_twin,
             lambda t: t.heartbeat_lost, "heartbeat_lost", ("halted", "finished")),
    RealKind("real-all-killed", "SIGKILL of streamer, guard and service at once", 8,
             _send(_K, "streamer", "guard", "service"), lambda t: t.heartbeat_lost, "heartbeat_lost", latch=False),
    RealKind("real-all-stopped", "SIGSTOP of streamer, guard and service at once", 4,
             _send(_S, "streamer", "guard", "service"), lambda t: t.heartbeat_lost, "heartbeat_lost", latch=False),
    RealKind("real-disk-full", "not one byte more fits, then a stop or a death", 6, _fill_disk, lambda t: LOOK_MS,
             "guard's look", own_disk=True),
    RealKind("real-wall-clock", "readings jump by years; harmless", 3, _nothing, lambda t: 0.0, "-", ("finished",),
             wall_clock=True),
    RealKind("real-wall-clock-stop", "the same, and a stop is asked for", 3, _ask, lambda t: 0.0, "0", wall_clock=True),
    RealKind("real-stop-immediate", "a person asks the guard", 6, _ask, lambda t: 0.0, "0"),
    RealKind("real-stop-controlled", "SIGTERM to the streamer", 4, _send(signal.SIGTERM, "streamer"),
             lambda t: 2 * t.tick, "2 ticks", ("stopped",), "path", "path"),
    RealKind("real-motor-power-cut", "both motors lose their power", 4, _cut_power,
             lambda t: 2 * t.tick, "2 ticks", by="latch", brake="coast", spoils_twin=True),
)  # fmt: skip

REAL_BY_NAME = {kind.name: kind for kind in REAL_KINDS}


def play(kind: RealKind, seed: int, folder: Path, only: int | None = None) -> Iterator[Trial]:
    """The trials of one kind, or one of them."""
    if kind.own_disk and namespace():
        yield from play_inside(kind.name, seed, folder, only)
    else:
        yield from play_here(kind, seed, folder, only)


def play_here(
    kind: RealKind, seed: int, folder: Path, only: int | None = None, world: Path | None = None
) -> Iterator[Trial]:
    """The same, in this process; ``world``: where the gantry's record lies."""
    folder.mkdir(exist_ok=True)
    with RealSite(folder, world=world, loops=kind.loops) as site, Bystanders() as bystanders:
        for count, number in enumerate(range(kind.trials) if only is None else (only,)):

            def play_one(
                again: int, number: int = number, *, fresh: bool = count % TRIALS_A_TWIN == 0
            ) -> Trial:
                if kind.spoils_twin or (fresh and not again):
                    site.fresh_twin()
                return _one(kind, seed, number, site)

            yield fair_trial(play_one, bystanders, HOST_MS if kind.witnessed else math.inf)


def _one(kind: RealKind, seed: int, number: int, site: RealSite) -> Trial:
    rng = random.Random(seed_of(seed, kind.name, number))
    is_busy = number % 2 == 1 or "starved" in kind.name
    trial = Trial(kind.name, seed, number, "busy" if is_busy else "idle", real_time=True)
    trial.bound = kind.bound(site.machine, site.top_mm_s)
    places = {"PYTHONPATH": str(Path(__file__).parent / "wallclock")} if kind.wall_clock else None
    module = kind.module(rng) if kind.module is not None else ()
    try:
        site.begin(module=module, guard=kind.guard, environment=places)
        with Spinners(os.cpu_count() or 1) if is_busy else contextlib.nullcontext():
            _strike_and_judge(kind, trial, site, rng)
    except (RuntimeError, client.GuardUnreachableError) as error:
        trial.broke = True
        trial.problems.append(f"the trial itself broke: {error}")
    finally:
        site.clear()
    return trial


def _strike_and_judge(kind: RealKind, trial: Trial, site: RealSite, rng: random.Random) -> None:
    ticks = round(SECONDS / (site.machine.tick_ns * 1e-9))
    if kind.module is None:
        site.await_ticks(rng.randint(ticks // 6, ticks * 5 // 6))
        time.sleep(rng.uniform(0.0, site.machine.tick_ns * 1e-9))
        fault_ns = kind.strike(site, rng)
    elif kind.strike is _nothing:
        fault_ns = _hung_ns(site)
    else:
        fault_ns = kind.strike(site, rng)
    said = site.outcome(SECONDS + 4.0) if "finished" in kind.ends or "stopped" in kind.ends else {}
    ended_ns = time.monotonic_ns()
    trial.end = {"done": "finished", "stopped": "stopped"}.get(str(said.get("end")), "halted")
    trial.note = str(said.get("reason", ""))
    if site.stutter is not None:
        site.stutter.end()
    wait_s = AFTER_S if not said else 1.2
    time.sleep(wait_s)
    standing = latch.read(site.state.latch)
    trial.reason = f"guard: {standing.reason}" if standing is not None else trial.note
    if trial.end not in kind.ends:
        trial.problems.append(f"expected the end {' or '.join(kind.ends)}, got {trial.end}: {trial.note}")
    if trial.end == "halted" and kind.latch and standing is None:
        trial.problems.append("no latch stands")
    if kind.by == "none":
        _judge_without_record(trial, standing, fault_ns)
        return
    if kind.name == "real-twin-starved":
        feed(*_pids(site, "twin"))  # what it has to say is ready; saying it need not take minutes
        # Starved, its record lags behind the clock by as much as it got too little: it shows enough only now.
        time.sleep(WATCHED_NS * 1e-9)
    record = site.record()
    if trial.end == "finished":
        judge_rest(trial, record, ended_ns)
        return
    first_ns = None
    if standing is not None and not kind.gradual:
        _told_by_latch(trial, standing, fault_ns)
    if kind.by == "drives":
        left = [at for at in site.left_operation_ns() if at is not None and at >= fault_ns]
        first_ns = max(left) if len(left) == len(site.machine.axes) else None
        if first_ns is None:
            trial.problems.append("a drive never left operation")
    elif kind.by == "path":
        first_ns = site.first_stopping_ns()
    elif kind.by == "latch" and standing is not None:
        first_ns = standing.first_bytes_ns
    if kind.gradual and first_ns is not None:
        begun_ns, from_ns = fault_ns, first_ns
        if kind.strike is _heard_slow:
            from_ns = max(fault_ns, site.last_sent_ns())
        elif site.stutter is not None:
            from_ns = site.stutter.last_before(first_ns) or first_ns
        elif standing is not None and standing.first_bytes_ns is not None:
            from_ns = min(first_ns, standing.first_bytes_ns)
        trial.note += f" (going on for {(from_ns - begun_ns) / NS_PER_MS:.0f} ms before)"
        fault_ns = from_ns
    judge_motion(trial, record, fault_ns, first_ns, ended_ns if trial.end == "stopped" else 0)


def _told_by_latch(trial: Trial, standing: latch.Latch, fault_ns: int) -> None:
    trial.verdict_ms = (standing.stopped_ns - fault_ns) / NS_PER_MS
    if standing.first_bytes_ns:
        trial.bytes_ms = (standing.first_bytes_ns - fault_ns) / NS_PER_MS


def _hung_ns(site: RealSite) -> int:
    """The instant of the last tick that a hanging streamer sent: it must come to a stop within a lease of it."""
    assert site.ring is not None
    last_ns = 0
    end_s = time.monotonic() + 20.0
    while time.monotonic() < end_s:
        records = site.ring.drain().records
        if len(records):
            last_ns = int(records["sent_ns"][-1])
        elif last_ns and time.monotonic_ns() - last_ns > 300 * NS_PER_MS:
            break
        time.sleep(0.003)
    return last_ns


def _judge_without_record(trial: Trial, standing: latch.Latch | None, fault_ns: int) -> None:
    """The gantry's record died with it: the latch says when the guard gave its verdict."""
    trial.note = "no record: the gantry itself was killed"
    if standing is None or trial.bound is None:
        return
    trial.react_ms = (standing.stopped_ns - fault_ns) / NS_PER_MS
    if trial.react_ms > trial.bound.react_ms:
        trial.problems.append(f"verdict (ms): bound {trial.bound.react_ms:.1f}, got {trial.react_ms:.1f}")
