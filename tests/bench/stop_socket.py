"""How long from a stop at the control socket to the first stop bytes: client, service, guard, wire; real time.

`python -m tests.bench.stop_socket --trials 100`. The client is a process of its own that writes one request and waits
for the answer; the guard is the real one, on a pty, with a streamer that beats; the service is this process: the real
server and host with readers that follow, and what a session's immediate stop does, a request to the guard. A trial
counts from just before the request is written to the guard's own record of when its first stop bytes had been written,
and to the answer. Loaded: every core is kept busy by other processes.
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
import sys
import tempfile
import tty
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from controller.config.load import load_machine
from controller.config.places import StateDir, shipped
from controller.session.control import ControlServer
from controller.session.host import Host
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

READERS = 5
WAIT_S = 30.0
ASKER = """
import json, socket, sys, time
line = socket.socket(socket.AF_UNIX)
line.connect(sys.argv[1])
sys.stdin.readline()
sent = time.monotonic_ns()
line.sendall(b'{"v": 1, "ask": "stop", "kind": "immediate"}\\n')
answer = json.loads(line.makefile("rb").readline())
print(json.dumps({"sent_ns": sent, "answered_ns": time.monotonic_ns(), "answer": answer}), flush=True)
"""


class Session:
    """Stands where a session stands; an immediate stop goes to the guard, as a session's does."""

    def __init__(self) -> None:
        self.session = 1
        self.stop_socket = ""
        self.runner = SimpleNamespace(clock="real")
        self.live = SimpleNamespace(fields=dict)
        self.pausing = SimpleNamespace(choose=None, part=None)

    def stop(self, reason: str, by: str, *, at_once: bool = False) -> str:
        """Ask the guard."""
        client.request_stop(self.stop_socket, reason, by)
        return "immediate"


def _collect(pid: int) -> None:
    """Wait for a child that is ending: nothing else goes on meanwhile."""
    os.waitpid(pid, 0)


async def one_trial(session: Session, control: Path, rng: random.Random) -> tuple[float, float]:
    """One guard, one stop; us from the request to the first stop bytes, and to the answer."""
    folder = Path(tempfile.mkdtemp(prefix="ss-", dir="/tmp"))
    master, slave = os.openpty()
    tty.setraw(slave)
    settings = _settings(folder, os.ttyname(slave))
    near, far = os.pipe()
    children: list[int] = []
    asker = await asyncio.create_subprocess_exec(
        sys.executable,
        "-c",
        ASKER,
        str(control),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
    )
    assert asker.stdin is not None
    try:
        children.append(_fork(lambda: _guard(settings, master, far)))
        if json.loads(_line_from(near))["event"] != "ready":
            raise RuntimeError("no guard")
        children.append(_fork(lambda: _streamer(settings.beat_socket, far)))
        if _line_from(near) != b"armed\n":
            raise RuntimeError("the guard refused to arm")
        session.stop_socket = settings.stop_socket
        await asyncio.sleep(0.2 + rng.random() * TICK_NS * 1e-9)
        os.set_blocking(master, False)
        asker.stdin.write(b"go\n")
        path = Path(settings.latch_path)
        async with asyncio.timeout(WAIT_S):
            while (found := latch.read(path)) is None or found.standstill == "pending":
                with contextlib.suppress(BlockingIOError):
                    os.read(master, 65_536)
                await asyncio.sleep(0.002)
        said, _ = await asker.communicate()
        asked: dict[str, Any] = json.loads(said)
        if found.reason != "stop-asked" or asked["answer"].get("kind") != "immediate":
            raise RuntimeError(f"stopped for another reason: {found.reason}: {asked}")
        client.request_quit(settings.stop_socket)
        _collect(children.pop(0))
        sent_ns = asked["sent_ns"]
        return (found.first_bytes_ns - sent_ns) / 1000.0, (asked["answered_ns"] - sent_ns) / 1000.0
    finally:
        if asker.returncode is None:
            asker.kill()
            await asker.wait()
        for pid in children:
            os.kill(pid, signal.SIGKILL)
            _collect(pid)
        for descriptor in (master, slave, near, far):
            os.close(descriptor)
        shutil.rmtree(folder)


async def _read(path: Path) -> None:
    reader, writer = await asyncio.open_unix_connection(str(path))
    writer.write(b'{"v": 1, "ask": "follow"}\n')
    try:
        while await reader.readline():
            pass
    finally:
        writer.close()


async def _tell(host: Host) -> None:
    """Progress as a pass tells it, a hundred times a second."""
    ticks = 0
    while True:
        ticks += 3
        host.followers.tell(
            {"event": "advanced", "ticks": ticks, "ticks_total": 10**9, "strokes": ticks // 500}
        )
        await asyncio.sleep(0.01)


async def measure(trials: int, seed: int = 1) -> tuple[list[float], list[float]]:
    """Latencies in us to the first bytes and to the answer, each sorted."""
    rng = random.Random(seed)
    machine = load_machine(shipped("machines/boathouse.toml"))
    with tempfile.TemporaryDirectory(prefix="ss-", dir="/tmp") as name:
        state = StateDir.open(Path(name), machine.name)
        host, session = Host(machine, state, "paint"), Session()
        server = ControlServer(state.control_socket, host)
        await server.open()
        readers = [asyncio.create_task(_read(state.control_socket)) for _ in range(READERS)]
        telling = asyncio.create_task(_tell(host))
        await asyncio.sleep(0.2)
        host.bind(session, "paint", "low-tide")  # type: ignore[arg-type]
        try:
            pairs = [await one_trial(session, state.control_socket, rng) for _ in range(trials)]
        finally:
            for task in (telling, *readers):
                task.cancel()
            await asyncio.gather(telling, *readers, return_exceptions=True)
            await server.close()
    to_bytes, to_answer = zip(*pairs, strict=True)
    return sorted(to_bytes), sorted(to_answer)


def main(arguments: list[str] | None = None) -> int:
    """Print the table, as the host is and loaded."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.stop_socket", description=__doc__)
    parser.add_argument("--trials", type=int, default=100)
    options = parser.parse_args(arguments)
    load = os.getloadavg()[0]
    print(
        f"stop at the control socket, us, real time, {options.trials} trials each, load average {load:.1f} before"
    )
    print(f"{'':8} {'to':15}{'p50':>10}{'p99':>10}{'max':>10}")
    for kind in ("as it is", "loaded"):
        burners = [_fork(_burn) for _ in range(os.cpu_count() or 1)] if kind == "loaded" else []
        try:
            found = asyncio.run(measure(options.trials))
        finally:
            for pid in burners:
                os.kill(pid, signal.SIGKILL)
                os.waitpid(pid, 0)
        for counted, ordered in zip(("first bytes", "answer"), found, strict=True):
            figures = "".join(f"{percentile(ordered, one):10.0f}" for one in (50.0, 99.0, 100.0))
            print(f"{kind:8} {counted:15}{figures}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
