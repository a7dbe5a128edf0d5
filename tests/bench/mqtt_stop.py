"""How long from a stop's message to the first stop bytes: publisher, broker, client, service, guard, wire; real time.

`python -m tests.bench.mqtt_stop --trials 100`. The broker is the tests' own in a process of its own (or another one:
``--broker HOST:PORT``), the client the real one in its own, the guard the real one on a pty with a streamer that beats.
The service is this process: the real reporter, and what a session's immediate stop does, a request to the guard. A
trial counts from just before the message is written to the publisher's socket, once to the session's stop, once to the
guard's own record of when its first stop bytes had been written. Loaded: every core is kept busy by other processes.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from controller.config.mqtt import Mqtt
from controller.session.mqtt import Reporter
from controller.session.mqttbroker import CONNECT, packet
from controller.session.mqttwords import Topics
from controller.session.watcher import Watcher
from safety import client, latch
from tests.bench.guard_latency import (
    TICK_NS,
    _burn,
    _fork,
    _guard,
    _line_from,
    _settings,
    _streamer,
    percentile,
)
from tests.session.broker import publish, text

TOPICS = Topics.of("giornata", "boathouse")
AT_ONCE = b'{"v": 1, "ask": "stop", "kind": "immediate"}'
WAIT_S = 30.0


class Session:
    """Stands where host and session stand; an immediate stop goes to the guard as a session's does."""

    def __init__(self, folder: Path) -> None:
        self.machine = SimpleNamespace(name="boathouse")
        self.state_dir = SimpleNamespace(run=folder, latch=folder / "latch.json")
        self.journal = SimpleNamespace(note=lambda *_: None)
        self.watcher = Watcher()
        self.session = 1
        self.service = self
        self.asked = ""
        self.asked_ns = 0
        self.stop_socket = ""

    def status(self) -> dict[str, Any]:
        """In the middle of a pass."""
        return {"machine": "boathouse", "state": "painting", "session": 1, "stop_asked": self.asked}

    def stop(self, reason: str, by: str, *, at_once: bool = False) -> None:
        """Ask the guard."""
        assert at_once
        self.asked, self.asked_ns = reason, time.monotonic_ns()
        client.request_stop(self.stop_socket, reason, by)


@contextmanager
def publisher(host: str, port: int) -> Iterator[socket.socket]:
    """Somebody else's line to the broker, connected."""
    with socket.create_connection((host, port), WAIT_S) as line:
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        line.sendall(packet(CONNECT, 0, text("MQTT") + b"\x04\x02\x00\x00" + text("publisher")))
        if line.recv(4) != b"\x20\x02\x00\x00":
            raise RuntimeError("the broker does not let us in")
        yield line


def _collect(pid: int) -> None:
    """Wait for a child that is ending: nothing else goes on meanwhile."""
    os.waitpid(pid, 0)


async def one_trial(session: Session, line: socket.socket, rng: random.Random) -> tuple[float, float]:
    """One guard, one stop; us from the message to the session's stop, and to the first stop bytes."""
    folder = Path(tempfile.mkdtemp(prefix="ms-", dir="/tmp"))
    master, slave = os.openpty()
    tty.setraw(slave)
    settings = _settings(folder, os.ttyname(slave))
    near, far = os.pipe()
    children = []
    try:
        children.append(_fork(lambda: _guard(settings, master, far)))
        if json.loads(_line_from(near))["event"] != "ready":
            raise RuntimeError("no guard")
        children.append(_fork(lambda: _streamer(settings.beat_socket, far)))
        if _line_from(near) != b"armed\n":
            raise RuntimeError("the guard refused to arm")
        session.stop_socket, session.asked = settings.stop_socket, ""
        await asyncio.sleep(0.05 + rng.random() * TICK_NS * 1e-9)
        os.set_blocking(master, False)
        sent_ns = time.monotonic_ns()
        line.sendall(publish(TOPICS.command, AT_ONCE, qos=1, number=7))
        path = Path(settings.latch_path)
        async with asyncio.timeout(WAIT_S):
            while (found := latch.read(path)) is None or found.standstill == "pending":
                with contextlib.suppress(BlockingIOError):
                    os.read(master, 65_536)
                await asyncio.sleep(0.002)
        if found.reason != "stop-asked":
            raise RuntimeError(f"stopped for another reason: {found.reason}: {found.text}")
        await asyncio.to_thread(line.recv, 4)  # the broker's acknowledgement
        client.request_quit(settings.stop_socket)
        _collect(children.pop(0))
        return (session.asked_ns - sent_ns) / 1000.0, (found.first_bytes_ns - sent_ns) / 1000.0
    finally:
        for pid in children:
            os.kill(pid, signal.SIGKILL)
            _collect(pid)
        for descriptor in (master, slave, near, far):
            os.close(descriptor)
        shutil.rmtree(folder)


async def measure(trials: int, address: tuple[str, int], seed: int = 1) -> tuple[list[float], list[float]]:
    """Latencies in us to the session's stop and to the first bytes, each sorted."""
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder, publisher(*address) as line:
        session = Session(Path(folder))
        reporter = Reporter(session, Mqtt(host=address[0], port=address[1]), Path(folder))  # type: ignore[arg-type]
        connected = asyncio.Event()
        session.watcher.note = lambda said: connected.set() if "connected" in said else None  # type: ignore[method-assign]
        reporter.open()
        pumping = asyncio.create_task(reporter.run())
        try:
            async with asyncio.timeout(WAIT_S):
                await connected.wait()
            pairs = [await one_trial(session, line, rng) for _ in range(trials)]
        finally:
            pumping.cancel()
            await asyncio.gather(pumping, return_exceptions=True)
            await reporter.close()
    to_stop, to_bytes = zip(*pairs, strict=True)
    return sorted(to_stop), sorted(to_bytes)


def main(arguments: list[str] | None = None) -> int:
    """Print the table, idle and loaded."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.mqtt_stop", description=__doc__)
    parser.add_argument("--trials", type=int, default=100)
    parser.add_argument("--broker", metavar="HOST:PORT", help="another broker than the tests' own")
    options = parser.parse_args(arguments)
    own = None
    if options.broker:
        host, _, port = options.broker.rpartition(":")
        address = (host, int(port))
    else:
        own = subprocess.Popen(
            [sys.executable, "-m", "tests.session.broker"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        assert own.stdout is not None
        address = ("127.0.0.1", json.loads(own.stdout.readline())["port"])
    print(
        f"MQTT stop, us, real time, {options.trials} trials each, load average {os.getloadavg()[0]:.1f} before"
    )
    print(f"{'':8}{'to':16}{'p50':>10}{'p99':>10}{'max':>10}")
    try:
        for load in ("as it is", "loaded"):
            burners = [_fork(_burn) for _ in range(os.cpu_count() or 1)] if load == "loaded" else []
            try:
                found = asyncio.run(measure(options.trials, address))
            finally:
                for pid in burners:
                    os.kill(pid, signal.SIGKILL)
                    os.waitpid(pid, 0)
            for counted, ordered in zip(("session's stop", "first bytes"), found, strict=True):
                figures = "".join(f"{percentile(ordered, one):10.0f}" for one in (50.0, 99.0, 100.0))
                print(f"{load:8} {counted:15}{figures}", flush=True)
    finally:
        if own is not None:
            own.communicate(timeout=WAIT_S)
    return 0


if __name__ == "__main__":
    sys.exit(main())
