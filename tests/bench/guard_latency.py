"""How long from a streamer's death to the first stop bytes, on a pty, with the real guard process.

Each trial is one guard and one streamer (forked, so that starting them costs little), a SIGKILL at a random phase of
the beat, and the guard's own record of when its first stop bytes had been written. Two figures: ``kill`` counts from
just before the kill is called, so it holds the dying of the streamer's process (the kernel gives back its memory
before it closes its sockets); ``verdict`` counts from the guard's verdict, and holds the guard's own work only. The
streamer has the rights of a real one (SCHED_FIFO where permitted) and as much locked memory. Loaded: every core is
kept busy by other processes. A hung streamer is not measured here: it is stopped when its lease ends, by design.

With ``--cause stop`` the streamer is stopped by SIGSTOP instead; with ``--cause input`` a stop input on a (simulated)
serial port opens, with 2 ms of debouncing. ``--cpu`` measures what an armed guard costs: its
processor time over some seconds of beats, without and with stop inputs on a (simulated) serial port.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import mmap
import os
import random
import select
import shutil
import signal
import sys
import tempfile
import time
import tty
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Literal

from safety import latch, modem
from safety.beat import FRESH
from safety.client import BeatLine, request_quit, request_status
from safety.guard import Guard
from safety.rights import take_rights
from safety.settings import GuardSettings, StopInput
from safety.watched import Watched

TICK_NS = 4_000_000
STREAMER_PRIORITY = 60
STREAMER_BYTES = 250_000_000
LEASE_NS = 200_000_000
STOP = b"t2016020000000000\rt2026020000000000\r"
PERCENTILES = (50.0, 99.0, 100.0)
Cause = Literal["kill", "stop", "input"]
_REASONS: dict[Cause, str] = {"kill": "streamer-died", "stop": "streamer-stopped", "input": "input-open"}
_PRESSED = mmap.mmap(-1, 1)


def _settings(folder: Path, channel: str) -> GuardSettings:
    return GuardSettings(
        wire_kind="tty",
        wire_channel=channel,
        end_frame_hex=b"\r".hex(),
        stop_frames_hex=(STOP.hex(),),
        poll_frame_hex=b"t0800\r".hex(),
        standstill=(),
        beat_socket=str(folder / "beat.sock"),
        stop_socket=str(folder / "stop.sock"),
        latch_path=str(folder / "latch.json"),
        event_path=str(folder / "events.jsonl"),
        service_pid=os.getpid(),
        lease_max_ms=300.0,
        beat_late_ms=200.0,
        envelope_um=((0, 1000), (0, 1000)),
        speed_max_um_s=(1000, 1000),
        following_max_um=(1000, 1000),
        stop_um_s2=(1000, 1000),
        give_up_after_s=0.05,
        overrun_ms=200.0,
    )


def _fork(work: Callable[[], object]) -> int:
    """Run ``work`` in a child that leaves without cleaning up after us."""
    pid = os.fork()
    if pid:
        return pid
    try:
        work()
    finally:
        os._exit(0)


def _guard(settings: GuardSettings, far_end: int, ready: int) -> None:
    os.close(far_end)
    os.dup2(ready, 1)
    sys.stdout = os.fdopen(1, "w")
    guard = Guard(settings)
    guard.open()
    guard.run()


def _streamer(beat_socket: str, ready: int) -> None:
    take_rights(STREAMER_PRIORITY)
    held = bytearray(STREAMER_BYTES)
    line = BeatLine.connect(beat_socket, answer_timeout_s=5.0)
    now_ns = time.monotonic_ns()
    armed = line.arm(now_ns, now_ns + LEASE_NS)
    os.write(ready, b"armed\n" if armed else b"refused\n")
    while True:
        now_ns = time.monotonic_ns()
        line.beat(now_ns, now_ns + LEASE_NS, 0, 0, 0, 0, 0, 0, 0, FRESH)
        line.poll_echo()
        held[0] = 1
        time.sleep(TICK_NS * 1e-9)


def _line_from(descriptor: int) -> bytes:
    """What a child says first; raises when it says nothing."""
    if not select.select((descriptor,), (), (), 10.0)[0]:
        raise TimeoutError("a child did not get ready within 10 s")
    return os.read(descriptor, 65536)


class _SteadyPort:
    """A serial port whose stop loop is closed until ``_PRESSED`` says otherwise."""

    def __init__(self, device: str, holds_power: bool) -> None:
        """Nothing to open."""

    def read(self) -> int:
        """All lines asserted, or none."""
        return 0 if _PRESSED[0] else 0x1EE

    def set(self, bits: int) -> None:
        """Nothing to set."""

    def clear(self, bits: int) -> None:
        """Nothing to clear."""

    def close(self) -> None:
        """Nothing to close."""


def _do(cause: Cause, streamer_pid: int) -> None:
    if cause == "input":
        _PRESSED[0] = 1
    else:
        os.kill(streamer_pid, signal.SIGKILL if cause == "kill" else signal.SIGSTOP)


def _with_input(settings: GuardSettings) -> GuardSettings:
    modem.TtyPort = _SteadyPort  # type: ignore[misc,assignment]
    _PRESSED[0] = 0
    return replace(settings, inputs=(StopInput("button", "modem-line", "simulated", "dsr"),))


def one_trial(rng: random.Random, cause: Cause = "kill") -> tuple[float, float]:
    """Do ``cause`` to a guarded streamer; returns us from that, and from the verdict, to the first stop bytes."""
    folder = Path(tempfile.mkdtemp(prefix="gl-", dir="/tmp"))
    master, slave = os.openpty()
    tty.setraw(slave)
    settings = _settings(folder, os.ttyname(slave))
    if cause == "input":
        settings = _with_input(settings)
    near, far = os.pipe()
    children = []
    try:
        children.append(_fork(lambda: _guard(settings, master, far)))
        ready = json.loads(_line_from(near))
        if ready["event"] != "ready":
            raise RuntimeError(str(ready))
        time.sleep(0.02 * (cause == "input"))  # until the input has been read closed
        children.append(_fork(lambda: _streamer(settings.beat_socket, far)))
        if _line_from(near) != b"armed\n":
            raise RuntimeError("the guard refused to arm")
        time.sleep(0.02 + rng.random() * TICK_NS * 1e-9)
        killed_ns = time.monotonic_ns()
        _do(cause, children[1])
        if not select.select((master,), (), (), 10.0)[0]:
            raise TimeoutError("no stop bytes within 10 s")
        if not os.read(master, 4096).startswith(b"\r" + STOP):
            raise RuntimeError("something else than stop bytes came")
        path = Path(settings.latch_path)
        while (found := latch.read(path)) is None or found.standstill == "pending":
            with contextlib.suppress(BlockingIOError):
                os.set_blocking(master, False)
                os.read(master, 65536)
            time.sleep(0.002)
        if found.reason != _REASONS[cause]:
            raise RuntimeError(f"stopped for another reason: {found.reason}: {found.text}")
        request_quit(settings.stop_socket)
        os.waitpid(children.pop(0), 0)
        return (found.first_bytes_ns - killed_ns) / 1000.0, (found.first_bytes_ns - found.stopped_ns) / 1000.0
    finally:
        for pid in children:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
        for descriptor in (master, slave, near, far):
            os.close(descriptor)
        shutil.rmtree(folder)


def cpu_share(duration_s: float, inputs: bool) -> float:
    """The share of a core that a guard uses while a streamer beats; ``inputs``: it reads a stop input as well."""
    folder = Path(tempfile.mkdtemp(prefix="gl-", dir="/tmp"))
    master, slave = os.openpty()
    tty.setraw(slave)
    settings = _settings(folder, os.ttyname(slave))
    if inputs:
        settings = _with_input(settings)
    near, far = os.pipe()
    children = []
    try:
        children.append(_fork(lambda: _guard(settings, master, far)))
        _line_from(near)
        time.sleep(0.1)
        children.append(_fork(lambda: _streamer(settings.beat_socket, far)))
        if _line_from(near) != b"armed\n":
            raise RuntimeError("the guard refused to arm")
        guard = Watched(children[0])
        begin_ns, used_ns = time.monotonic_ns(), guard.cpu_ns()
        time.sleep(duration_s)
        share = (guard.cpu_ns() - used_ns) / (time.monotonic_ns() - begin_ns)
        guard.close()
        if request_status(settings.stop_socket)["state"] != "armed":
            raise RuntimeError("the guard has stopped meanwhile")
        return share
    finally:
        for pid in reversed(children):
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
        for descriptor in (master, slave, near, far):
            os.close(descriptor)
        shutil.rmtree(folder)


def measure(trials: int, load: bool, seed: int = 1, cause: Cause = "kill") -> tuple[list[float], list[float]]:
    """Latencies in us from kill and from verdict, each sorted. ``load``: every core is kept busy meanwhile."""
    rng = random.Random(seed)
    burners = [_fork(_burn) for _ in range(os.cpu_count() or 1)] if load else []
    try:
        from_kill, from_verdict = zip(*(one_trial(rng, cause) for _ in range(trials)), strict=True)
        return sorted(from_kill), sorted(from_verdict)
    finally:
        for pid in burners:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)


def _burn() -> None:
    while True:
        pass


def percentile(ordered: list[float], percent: float) -> float:
    """The value that ``percent`` of the sorted values do not exceed (nearest rank)."""
    rank = max(1, -(-len(ordered) * percent // 100))
    return ordered[int(rank) - 1]


def main(arguments: list[str] | None = None) -> int:
    """Print the table: streamer's death to first stop bytes, idle and loaded."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.guard_latency", description=__doc__)
    parser.add_argument("--trials", type=int, default=100)
    parser.add_argument("--quick", action="store_true", help="20 trials instead")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--cause", choices=tuple(_REASONS), default="kill")
    parser.add_argument("--cpu", action="store_true", help="processor time of an armed guard instead")
    options = parser.parse_args(arguments)
    trials = 20 if options.quick else options.trials
    if options.cpu:
        shares = {name: cpu_share(5.0, name == "with inputs") for name in ("without inputs", "with inputs")}
        print(json.dumps({"what": "share of a core, armed, beats every 4 ms", **shares}))
        return 0
    table = {
        (load, counted): {f"p{percent:g}": percentile(ordered, percent) for percent in PERCENTILES}
        for load in ("idle", "loaded")
        for counted, ordered in zip(
            (options.cause, "verdict"), measure(trials, load == "loaded", cause=options.cause), strict=True
        )
    }
    if options.json:
        rows = {f"{load}, from {counted}": row for (load, counted), row in table.items()}
        print(
            json.dumps(
                {"what": f"streamer's {options.cause} to first stop bytes, us", "trials": trials, **rows}
            )
        )
        return 0
    print(f"streamer's {options.cause} to first stop bytes, us, real time, {trials} trials each")
    print(f"{'':8}{'from':8}{'p50':>10}{'p99':>10}{'max':>10}")
    for (load, counted), row in table.items():
        print(f"{load:8}{counted:8}" + "".join(f"{value:10.0f}" for value in row.values()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
