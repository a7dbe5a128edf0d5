"""A machine's state with a prepared tide, and a service of its own that says what a test has it say."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.config.places import StateDir, shipped
from controller.page.access import Access
from controller.page.serve import listen, serve, url_of
from controller.session.control import ControlServer
from controller.session.followers import Follower, Followers
from controller.session.journal import Journal
from controller.session.prepared import Prepared
from controller.session.wire import Message, Request
from controller.strokes.strokeset import StrokeKind
from tests.safety.conftest import bench_settings

from .test_board import status
from .test_picture import folder_of, strokes_of


class Told:
    """Answers a control socket with ``fields``, and tells events. ``asked``: what it was asked."""

    def __init__(self, **changes: Any) -> None:
        self.fields = {name: value for name, value in status(**changes).items() if name not in ("v", "ok")}
        self.followers = Followers(time.monotonic_ns, lambda: time.time_ns() // 1_000_000)
        self.asked: list[Request] = []

    def answer(self, request: Request) -> Message:
        """As it stands; a stop is agreed to."""
        self.asked.append(request)
        return {"stopping": True, "kind": request.kind} if request.ask == "stop" else self.fields

    def run(self, request: Request, follower: Follower) -> None:
        """Nobody runs verbs here."""
        raise AssertionError("the page asked for a verb")

    def snapshot(self) -> Message:
        """As it stands, and what has happened."""
        return {"following": True, **self.fields, "recent": self.followers.recent}


class Served:
    """``Told`` on a control socket, in a thread and a loop of its own. ``close`` it."""

    def __init__(self, path: Path, told: Told) -> None:
        self.told = told
        self._server = ControlServer(path, told)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever)
        self._thread.start()
        self._go_on: threading.Event | None = None
        self.here(self._server.open)

    def here(self, work: Callable[[], Any]) -> Any:
        """Do it in the service's loop and wait for it."""

        async def do() -> Any:
            done = work()
            return await done if asyncio.iscoroutine(done) else done

        return asyncio.run_coroutine_threadsafe(do(), self._loop).result(30)

    def tell(self, event: Message, **fields: Any) -> None:
        """Tell all that follow; ``fields`` change how it stands."""
        self.told.fields.update(fields)
        self.here(lambda: self.told.followers.tell(event))

    def hang(self) -> None:
        """Say nothing from here on, the socket being held."""
        begun, self._go_on = threading.Event(), threading.Event()

        def wait(go_on: threading.Event = self._go_on) -> None:
            begun.set()
            go_on.wait(60)

        self._loop.call_soon_threadsafe(wait)
        assert begun.wait(30)

    def go_on(self) -> None:
        """Speak again."""
        if self._go_on is not None:
            self._go_on.set()

    def close(self) -> None:
        """End it, as a service that ends in order."""
        self.go_on()
        self.here(self._server.close)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(30)
        self._loop.close()


@dataclass
class Scene:
    """Where files lie. The job has a pass of dots and one of waves."""

    state: StateDir
    machine: Path
    prepared: Prepared
    session: int = 0
    row: int = 0
    run: int = 0

    def begin(self, name: str = "teal-2") -> None:
        """A pass begins, by the journal."""
        part = self.prepared.part(name)
        with contextlib.closing(Journal.open(self.state.journal, "boathouse")) as journal:
            self.session = journal.begin_session("paint", "tide")
            self.row = journal.begin_pass(
                self.session, job="tide", job_digest="j", name=name, ink=part.ink, ink_index=0,
                strokes=part.strokes, schedule_digest=part.digest, folder=self.prepared.pass_folder(name),
            ).id  # fmt: skip
            self.run = journal.begin_run(
                self.session, name, lambda number: self.state.runs / f"{number:04d}", pass_id=self.row
            ).id

    def paint(self, *strokes: int) -> None:
        """Strokes are finished, by the journal."""
        with contextlib.closing(Journal.open(self.state.journal, "boathouse")) as journal:
            journal.finish_strokes(self.row, self.run, [(one, 1 + one) for one in strokes])


DOTS = [np.array([[50.0 + 40.0 * step, 40.0], [50.2 + 40.0 * step, 40.0]]) for step in range(5)]
ALONG = np.linspace(0.0, 1.0, 60)
WAVES = [
    np.column_stack([20.0 + 360.0 * ALONG, 90.0 + 30.0 * row + 8.0 * np.sin(18.0 * ALONG)])
    for row in range(4)
]


@pytest.fixture
def scene() -> Iterator[Scene]:
    """See above; in a folder with a short path, since socket paths end at 107 bytes (unix(7))."""
    folder = Path(tempfile.mkdtemp(prefix="p-", dir="/tmp"))
    state = StateDir.open(folder / "s", "boathouse")
    place = state.root / "prepared" / "tide"
    place.mkdir(parents=True)
    dots = strokes_of(*DOTS, kind=StrokeKind.DOT)
    prepared = folder_of(place, dots, strokes_of(*WAVES), tip_mm=8.0)
    machine = folder / "boathouse.toml"
    machine.write_text(shipped("machines/boathouse.toml").read_text())
    try:
        yield Scene(state, machine, prepared)
    finally:
        shutil.rmtree(folder)


@contextlib.contextmanager
def guarding(state: StateDir, *, wired: bool = True) -> Iterator[subprocess.Popen[str]]:
    """A guard of this machine, a process of its own; it has said that it is ready. Nobody is at its wire's far end."""
    far, near = os.openpty()
    settings = replace(
        bench_settings(state.run, os.ttyname(near) if wired else ""),
        standstill=(),
        latch_path=str(state.latch),
        event_path=str(state.root / "guard-events.jsonl"),
    )
    settings.dump(state.guard_settings)
    guard = subprocess.Popen(
        [sys.executable, "-m", "safety.guard", str(state.guard_settings)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert guard.stdout is not None
        assert "ready" in guard.stdout.readline()
        yield guard
    finally:
        guard.send_signal(signal.SIGCONT)
        guard.kill()
        guard.communicate(timeout=30)
        os.close(far)
        os.close(near)


@contextlib.contextmanager
def paged(scene: Scene, access: Access | None = None, port: int = 0) -> Iterator[str]:
    """The page itself, served from a thread on 127.0.0.1, on a free port if not given; its address."""
    up = threading.Event()
    ends: list[Callable[[], None]] = []

    def ready(end: Callable[[], None]) -> None:
        ends.append(end)
        up.set()

    with listen("127.0.0.1", port) as line:
        given = access or Access(is_local=True)
        thread = threading.Thread(
            target=lambda: asyncio.run(
                serve(scene.machine, scene.state.root, line, given, signals=False, ready=ready)
            )
        )
        thread.start()
        assert up.wait(60)
        try:
            yield url_of(line, "127.0.0.1")
        finally:
            ends[0]()
            thread.join(60)
            assert not thread.is_alive()
