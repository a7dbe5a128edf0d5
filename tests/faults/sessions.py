"""Faults of the service in real time: a real session (``giornata paint``) is killed, stopped, hung, starved, slowed.

Owns these kinds and the course of one of their trials: the machine is laid out anew, homed and with its job prepared,
painting begins, and in the middle of a long stroke the service gets its fault. The judge is the gantry's own record.
"""

from __future__ import annotations

import contextlib
import os
import random
import select
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.session import verbs
from drivers.clock import NS_PER_MS
from safety import client, latch
from tests.bench.world import Spinners
from tests.faults.bystander import Bystanders, fair_trial
from tests.faults.judge import Bound, Trial, bound, judge_motion, judge_rest, way_mm
from tests.faults.kinds import Times
from tests.faults.realtime import HOST_MS, starve
from tests.faults.scene import machine_text
from tests.faults.sessionsite import Site
from tests.faults.stutter import Stutter
from tests.faults.virtual import seed_of

SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="1000mm" height="600mm" viewBox="0 0 1000 600">
<g id="waves"><path d="M 20 20 L 60 20" fill="none" stroke="#1f7a78"/>
<path d="M 60 60 C 250 20 450 160 800 60" fill="none" stroke="#1f7a78"/></g></svg>
"""
JOB = """format = 1
name = "waves"
artwork = "waves.svg"
origin_mm = [20.0, 20.0]
[[inks]]
name = "teal"
group = "waves"
colour = "#1f7a78"
tip_mm = 4.0
"""
HUNG_S = 9.0
"""Longer than what is left of the pass, and its watch."""

FOR_EVER_S = 1000.0
WATCH_S = 1.3
VERB_MS = 10.0
"""Before ``giornata stop`` asks the guard it reads the machine file: 1.5 to 6 ms measured."""

MOVING_NS = 50 * NS_PER_MS
MOVING_MM = 0.5
PASS_S = 25.0
ENDED_S = 60.0


class Sitting:
    """One session under way, and what can be done to its service."""

    def __init__(self, site: Site, painting: subprocess.Popen[bytes]) -> None:
        self.site = site
        self.painting = painting
        self.streamer = os.pidfd_open(site.pid_of("controller.stream"))
        self.stutter: Stutter | None = None
        self.answer: dict[str, object] = {}
        self.before_ms = 0.0
        """What passed after the fault's instant before anybody could act on it: the kernel ending a killed service,
        ``giornata stop`` reading its files at an ordinary process' turn. Measured, and added to the bound."""
        self.verb_cpu_ms = 0.0
        """Processor time of ``giornata stop`` until it asked the guard."""

    def await_streamer(self) -> bool:
        """Until the streamer has ended; whether it has."""
        return bool(select.select([self.streamer], [], [], PASS_S)[0])

    def await_twin(self) -> None:
        """Until the gantry, whose session died, has saved its record and ended."""
        with contextlib.suppress(ValueError):
            twin = os.pidfd_open(self.site.pid_of("drivers.twin"))
            ended = select.select([twin], [], [], ENDED_S)[0]
            os.close(twin)
            if not ended:
                raise RuntimeError("expected the gantry to end after its session, got none")

    def close(self) -> None:
        """Let everything go."""
        if self.stutter is not None:
            self.stutter.end()
        os.close(self.streamer)


Strike = Callable[[Sitting, random.Random], int]


@dataclass(frozen=True)
class SessionKind:
    """One kind. ``strike`` does it and returns the instant (CLOCK_MONOTONIC ns) from which it counts."""

    name: str
    what: str
    trials: int
    strike: Strike
    react: Callable[[Times], float]
    of: str
    ends: tuple[str, ...] = ("finished",)
    spins_s: float = 0.0
    busy: bool = False

    def bound(self, machine: Machine, before_ms: float = 0.0) -> Bound:
        """What a trial of this kind may cost at most; ``before_ms``: until anybody could act, as measured."""
        times = Times.of(machine)
        found = bound(machine, self.react(times) + before_ms + HOST_MS, "quick", times.speed)
        return Bound(found.react_ms, found.stand_ms + HOST_MS, found.travel_mm)


def _send(number: signal.Signals) -> Strike:
    def strike(sitting: Sitting, _rng: random.Random) -> int:
        now_ns = time.monotonic_ns()
        sitting.painting.send_signal(number)
        return now_ns

    return strike


def _kill(sitting: Sitting, _rng: random.Random) -> int:
    """SIGKILL, and how long the kernel takes to give the process' memory back and say that it is gone."""
    service = os.pidfd_open(sitting.painting.pid)
    now_ns = time.monotonic_ns()
    sitting.painting.kill()
    select.select([service], [], [], PASS_S)
    sitting.before_ms = (time.monotonic_ns() - now_ns) / NS_PER_MS
    os.close(service)
    return now_ns


def _starve(sitting: Sitting, _rng: random.Random) -> int:
    return starve(sitting.painting.pid)


def _slow(sitting: Sitting, rng: random.Random) -> int:
    now_ns = time.monotonic_ns()
    sitting.stutter = Stutter(sitting.painting.pid, rng.uniform(20.0, 400.0), rng.uniform(5.0, 100.0))
    return now_ns


def _hung_then(stop: Callable[[Sitting], dict[str, object]], number: signal.Signals) -> Strike:
    """The service hangs; a while later a person stops the machine. Counted from the person."""

    def strike(sitting: Sitting, rng: random.Random) -> int:
        sitting.painting.send_signal(number)
        time.sleep(rng.uniform(0.05, 0.5))
        now_ns = time.monotonic_ns()
        sitting.answer = stop(sitting)
        return now_ns

    return strike


_GENTLE_MS = 1000.0 * verbs.GENTLE_ANSWER_S


def _stop(*, gently: bool) -> Callable[[Sitting], dict[str, object]]:
    """``giornata stop``, by the function that is all of it.

    How long it took to ask the guard, beyond the wait for the service that it owes a gentle stop, is measured apart.
    """
    owed_ms = _GENTLE_MS if gently else 0.0

    def stop(sitting: Sitting) -> dict[str, object]:
        began_ns, cpu_ns = time.monotonic_ns(), time.thread_time_ns()
        request = client.request_stop

        def asked(*args: Any, **more: Any) -> dict[str, Any]:
            sitting.verb_cpu_ms = (time.thread_time_ns() - cpu_ns) / NS_PER_MS
            sitting.before_ms = (time.monotonic_ns() - began_ns) / NS_PER_MS - owed_ms
            return request(*args, **more)

        with mock.patch.object(client, "request_stop", asked):
            return verbs.stop(sitting.site.machine, sitting.site.state.root, reason="a trial", gently=gently)

    return stop


_HALTED = ("halted",)

SESSION_KINDS: tuple[SessionKind, ...] = (
    SessionKind("real-service-killed", "SIGKILL of giornata paint", 4, _kill,
                lambda t: 2 * t.tick, "until the kernel has ended it + 2 ticks", _HALTED),
    SessionKind("real-service-stopped", "SIGSTOP of giornata paint until the pass is over; harmless", 2,
                _send(signal.SIGSTOP), lambda t: 0.0, "-"),
    SessionKind("real-service-hung", "its loop spins until the pass is over; harmless", 2,
                _send(signal.SIGUSR1), lambda t: 0.0, "-", spins_s=HUNG_S),
    SessionKind("real-service-slow", "stopped for 20 to 400 ms every 25 to 500 ms; harmless", 2, _slow,
                lambda t: 0.0, "-"),
    SessionKind("real-service-starved", "gets only what is left, cores busy; harmless", 2, _starve,
                lambda t: 0.0, "-", busy=True),
    SessionKind("real-service-hung-stop", "its loop spins, then giornata stop", 3,
                _hung_then(_stop(gently=False), signal.SIGUSR1), lambda t: 0.0, "until the guard is asked, as measured",
                _HALTED, spins_s=FOR_EVER_S),
    SessionKind("real-service-stopped-gently", "it is stopped, then giornata stop --gently", 2,
                _hung_then(_stop(gently=True), signal.SIGSTOP), lambda t: _GENTLE_MS,
                "1 s of waiting for the service, then until the guard is asked, as measured", _HALTED),
)  # fmt: skip

SESSION_BY_NAME = {kind.name: kind for kind in SESSION_KINDS}


def play(kind: SessionKind, seed: int, folder: Path, only: int | None = None) -> Iterator[Trial]:
    """The trials of one kind, or one of them."""
    site, template = _laid_out(folder)
    with Bystanders() as bystanders:
        for number in range(kind.trials) if only is None else (only,):

            def play_one(_again: int, number: int = number) -> Trial:
                return _one(kind, seed, number, site, template)

            yield fair_trial(play_one, bystanders, HOST_MS)


def _laid_out(folder: Path) -> tuple[Site, Path]:
    """Machine and job, homed and prepared once; each trial begins with a copy of that state."""
    place, template = folder / "sessions", folder / "sessions" / "homed"
    site = Site(place)
    if not template.is_dir():
        place.mkdir()
        # The boathouse of the other trials, under the name that the site looks for.
        site.machine.write_text(machine_text())
        site.job.write_text(JOB)
        (place / "waves.svg").write_text(SVG)
        for words in (("home", "--virtual", "--yes"), ("prepare", str(site.job))):
            verb = site.start(*words)
            _, said = verb.communicate(timeout=300)
            if verb.returncode:
                raise RuntimeError(f"{words}: expected 0, got {verb.returncode}: {said.decode()}")
        site.children.clear()
        shutil.copytree(site.state.root, template)
    return site, template


def _one(kind: SessionKind, seed: int, number: int, site: Site, template: Path) -> Trial:
    rng = random.Random(seed_of(seed, kind.name, number))
    is_busy = kind.busy or number % 2 == 1
    trial = Trial(kind.name, seed, number, "busy" if is_busy else "idle", real_time=True)
    machine = load_machine(site.machine)
    trial.bound = kind.bound(machine)
    shutil.rmtree(site.state.root)
    shutil.copytree(template, site.state.root)
    sitting = None
    try:
        program = ("controller.cli.main",)
        if kind.spins_s:
            program = ("tests.faults.spinning", str(kind.spins_s), *program)
        painting = site.start("paint", str(site.job), "--yes", program=program)
        with Spinners(os.cpu_count() or 1) if is_busy else contextlib.nullcontext():
            _into_the_long_stroke(site, painting, rng)
            sitting = Sitting(site, painting)
            _strike_and_judge(kind, trial, sitting, rng, machine)
    except (RuntimeError, ValueError, ProcessLookupError, subprocess.TimeoutExpired) as error:
        trial.broke = True
        trial.problems.append(f"the trial itself broke: {error}")
    finally:
        if sitting is not None:
            sitting.close()
        site.end()
    return trial


def _into_the_long_stroke(site: Site, painting: subprocess.Popen[bytes], rng: random.Random) -> None:
    """Until the second stroke has gone on for a random while."""
    end_s = time.monotonic() + 120.0
    reached = 0
    while True:
        status = site.status()
        if painting.poll() is not None or time.monotonic() > end_s:
            said = painting.communicate()[1].decode() if painting.poll() is not None else "silence"
            raise RuntimeError(f"expected a stroke, got {said}")
        if not reached and status.get("strokes_finished"):
            reached = int(status["ticks_sent"]) + rng.randint(120, 480)
        if reached and status.get("ticks_sent", 0) >= reached:
            return
        time.sleep(0.01)


def _strike_and_judge(
    kind: SessionKind, trial: Trial, sitting: Sitting, rng: random.Random, machine: Machine
) -> None:
    site, painting = sitting.site, sitting.painting
    fault_ns = kind.strike(sitting, rng)
    if sitting.before_ms:
        trial.bound = kind.bound(machine, sitting.before_ms)
        trial.note = f"{sitting.before_ms:.1f} ms passed before anybody could act on it"
    if sitting.verb_cpu_ms > VERB_MS:
        trial.problems.append(
            f"giornata stop: expected at most {VERB_MS:g} ms of work before it asks, got {sitting.verb_cpu_ms:.1f}"
        )
    if not sitting.await_streamer():
        trial.problems.append(f"the streamer went on for more than {PASS_S:g} s")
    ended_ns = time.monotonic_ns()
    if "finished" in kind.ends:
        # Nobody ends the gantry while it is watched.
        if sitting.stutter is not None:
            sitting.stutter.end()
        painting.send_signal(signal.SIGSTOP)
        time.sleep(WATCH_S)
        painting.send_signal(signal.SIGCONT)
        _, said = painting.communicate(timeout=ENDED_S)
        trial.end = "finished" if painting.returncode == 0 else "halted"
        trial.note = "" if painting.returncode == 0 else said.decode()[-300:]
    else:
        time.sleep(WATCH_S + 0.5)
        painting.kill()
        painting.communicate(timeout=ENDED_S)
        sitting.await_twin()
        trial.end = "halted"
    standing = latch.read(site.state.latch)
    trial.reason = f"guard: {standing.reason}" if standing is not None else trial.note
    if trial.end not in kind.ends:
        trial.problems.append(f"expected the end {' or '.join(kind.ends)}, got {trial.end}: {trial.note}")
    record = site.record()
    if trial.end == "finished":
        if standing is not None:
            trial.problems.append("finished, yet a latch stands")
        judge_rest(trial, record, ended_ns)
        return
    if standing is None:
        trial.problems.append("no latch stands")
    if sitting.answer and sitting.answer.get("kind") != "immediate":
        trial.problems.append(f"expected an immediate stop, got {sitting.answer}")
    if way_mm(record, fault_ns - MOVING_NS, fault_ns) < MOVING_MM:
        trial.problems.append("the machine stood already when the fault came")
    judge_motion(trial, record, fault_ns, standing.first_bytes_ns if standing is not None else None)
