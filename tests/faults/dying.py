"""A session in a process of its own that dies: the scene, how it dies, and what a power cut leaves of its files.

The gantry is the world: it goes on without its computer until its drives, or the guard, stop it; its canvas is kept.
Judges nothing.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import resource
import shutil
import signal
import sqlite3
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np

from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.motion.schedule import SegmentKind
from controller.session import verbs
from controller.session.operator import SimulatedOperator
from controller.session.prepare import prepare
from controller.session.prepared import Prepared, load_prepared
from controller.session.runner import Order
from controller.session.virtualrunner import VirtualRunner
from controller.session.watcher import Watcher
from controller.stream.spec import ScheduleTask, StreamOutcome
from controller.stream.timinglog import read_timing_log
from controller.strokes.strokeset import StrokeSet
from drivers.clock import NS_PER_MS, NS_PER_S
from safety import latch
from tests.faults.waves import Files, write_scene

Kind = Literal["killed", "all killed", "killed writing", "power cut", "torn commit", "disk full"]
KINDS: tuple[Kind, ...] = get_args(Kind)
AFTERMATH_NS = 2 * NS_PER_S
STEP_NS = 4 * NS_PER_MS
PASS = "teal-1"

SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="400mm" height="300mm" viewBox="0 0 400 300">
<g id="waves" fill="none" stroke="#1f7a78"><path d="M 20 20 L 110 20"/>
<path d="M 20 50 C 60 20 80 80 130 50"/><path d="M 20 80 L 26 80"/><path d="M 40 80 L 46 80"/>
<path d="M 60 80 L 66 80"/><path d="M 80 80 L 86 80"/><path d="M 70 100 L 20 105"/></g></svg>
"""


class PlainRunner(VirtualRunner):
    """A virtual session whose gantry draws no picture at its end: nobody looks at it, and it takes time."""

    async def close(self) -> None:
        """Save the world."""
        if self.world is not None:
            self.world.save()
            self.world.link.close()
            self.world = None


@dataclass(frozen=True)
class Crash:
    """How a session dies: after so many ns, or at the so-many-th statement or commit of its journal."""

    kind: Kind
    after_ns: int
    statement: int
    seed: int


@dataclass
class Site(Files):
    """One machine's files. ``state`` is copied for every trial."""

    folder: Path

    @property
    def prepared(self) -> Prepared:
        """The job as prepared."""
        return load_prepared(self.state.root / "prepared" / "waves")

    @property
    def strokes(self) -> StrokeSet:
        """Its strokes in painting order."""
        return StrokeSet.load(self.prepared.pass_folder(PASS) / "strokes.npz")

    @classmethod
    def build(cls, folder: Path) -> Site:
        """A machine that is homed, and its job prepared."""
        write_scene(folder, SVG)
        site = cls(folder)
        site.prepare()
        site.home()
        return site

    def prepare(self) -> None:
        """Prepare the job."""
        prepare(self.folder / "job.toml", self.machine, self.state.root / "prepared" / "waves")

    def middle_ns(self, stroke: int) -> int:
        """The instant in the middle of a stroke of the pass that was painted last, by its log; from virtual zero."""
        (log,) = self.state.runs.glob(f"*-{PASS}/timing.gtl")
        records = read_timing_log(log).records
        segments = self.prepared.schedule(PASS).segments
        own = np.flatnonzero((segments["stroke"] == stroke) & (segments["kind"] == SegmentKind.STROKE))
        instants = records["sent_ns"][np.isin(records["segment"], own)]
        return int(instants[len(instants) // 2])

    def copy(self, folder: Path) -> Site:
        """The same in another folder; the machine file stays where it is."""
        shutil.copytree(self.folder, folder, dirs_exist_ok=True)
        return Site(folder)

    def clear(self) -> None:
        """A person clears what is latched, if anything is, and homes."""
        self._unlatch()
        self.home()

    def _unlatch(self) -> None:
        standing = latch.read(self.state.latch)
        if standing is not None:
            verbs.clear(self.machine, self.state.root, reason=standing.reason, person="the crew")

    def finish(self) -> None:
        """Clear, home and paint what is left, in one session."""
        self._unlatch()
        self.paint(home_first=True)

    def home(self) -> None:
        """Home in virtual time."""
        asyncio.run(
            verbs.home(
                self.machine, self.state.root, SimulatedOperator(), Watcher(), runner_of=PlainRunner,
                signals=False, accept_difference=True,
            )
        )  # fmt: skip

    def paint(
        self,
        runner_of: Callable[[Machine, Path, StateDir], VirtualRunner] = PlainRunner,
        *,
        home_first: bool = False,
    ) -> None:
        """Paint, or go on painting."""
        asyncio.run(
            verbs.paint(
                self.prepared, self.machine, self.state.root, SimulatedOperator(), Watcher(), runner_of=runner_of,
                signals=False, home_first=home_first,
            )
        )  # fmt: skip


class DyingRunner(PlainRunner):
    """A virtual session that dies as told; without a ``crash`` it only counts what there is to die at."""

    def __init__(
        self, machine: Machine, machine_path: Path, state: StateDir, crash: Crash | None, commits_only: bool
    ) -> None:
        super().__init__(machine, machine_path, state)
        self.crash = crash
        self.statements = 0
        self.passes_ns: list[int] = []
        self.synced: dict[str, int] = {}
        self._commits_only = commits_only
        self._begun_ns = self._clock.now_ns()
        self._fatal_commit = False
        self._painting = False

    async def run(self, order: Order) -> StreamOutcome:
        """Stream, and know whether it is the pass."""
        self._painting = isinstance(order.tasks[0], ScheduleTask)
        return await super().run(order)

    async def open(self) -> None:
        """Bring up the world, and what watches for the end of it."""
        await super().open()
        self._clock.on_advance(self._look)

    def _look(self, now_ns: int) -> None:
        if self._drain is not None and self._painting:
            self.passes_ns.append(now_ns - self._begun_ns)
        if self._fatal_commit:
            self.die()
        if self.crash is None or self.crash.statement or now_ns - self._begun_ns < self.crash.after_ns:
            return
        if self.crash.kind == "disk full":
            self._fill_disk()
        else:
            self.die()

    def statement(self, text: str) -> None:
        """A statement of the journal is about to run."""
        if self.world is None:
            return
        if self._fatal_commit:
            self.die()
        if self._commits_only and text != "COMMIT":
            return
        self.statements += 1
        if self.crash is None or self.statements != self.crash.statement:
            return
        if self._commits_only:
            # The commit runs; what of it reached the disk is decided afterwards.
            for name in ("journal.sqlite", "journal.sqlite-wal"):
                shutil.copyfile(self._state.root / name, self._state.root.parent / f"{name}.before")
            self._fatal_commit = True
        else:
            self.die()

    def _fill_disk(self) -> None:
        assert self.crash is not None
        rng = random.Random(self.crash.seed)
        logs = sorted(self._state.runs.glob("*/timing.gtl"))
        name = rng.choice(
            [self._state.journal.with_name("journal.sqlite-wal"), logs[-1] if logs else self._state.journal]
        )
        room = name.stat().st_size + rng.randrange(40_000) if name.exists() else 4096
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, resource.RLIM_INFINITY))
        self.crash = None

    async def close(self) -> None:
        """The world is no file on that disk."""
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        await super().close()

    def die(self) -> None:
        """The world goes on without us for a while and is kept; then SIGKILL."""
        try:
            assert self.world is not None
            assert self.guard is not None
            self._drain = None
            guarded = self.crash is not None and self.crash.kind in ("killed", "killed writing")
            end_ns = self._clock.now_ns() + AFTERMATH_NS
            while self._clock.now_ns() < end_ns:
                self._clock._now_ns += STEP_NS
                self.world.link._on_advance(self._clock.now_ns())
                if guarded:
                    self.guard.advance(self._clock.now_ns())
            if self.guard.verdict is not None:
                self.guard.stood(True)
            self.world.save()
            (self._state.root.parent / "synced.json").write_text(json.dumps(self.synced))
        except BaseException:  # noqa: BLE001
            traceback.print_exc()
            os._exit(99)
        os.kill(os.getpid(), signal.SIGKILL)


def in_child(work: Callable[[], Any]) -> tuple[int, Any]:
    """Do ``work`` in a process of its own; answers how it ended (negative: by that signal) and what it answered."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(reading)
        code = 0
        try:
            with os.fdopen(writing, "w") as out:
                try:
                    out.write(json.dumps(work()))
                except Exception as error:  # noqa: BLE001
                    out.write(
                        json.dumps(
                            {"error": f"{type(error).__name__}: {error}", "at": traceback.format_exc()}
                        )
                    )
                    code = 1
        finally:
            os._exit(code)
    os.close(writing)
    with os.fdopen(reading) as answer:
        text = answer.read()
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status), json.loads(text) if text else None


def paint_until_death(site: Site, crash: Crash | None, commits_only: bool) -> dict[str, Any]:
    """In a child: paint, and die as told. Answers what there was to die at when it did not."""
    made: list[DyingRunner] = []

    def runner_of(machine: Machine, machine_path: Path, state: StateDir) -> DyingRunner:
        made.append(DyingRunner(machine, machine_path, state, crash, commits_only))
        return made[-1]

    connect, fsync = sqlite3.connect, os.fsync

    def watched(*arguments: Any, **names: Any) -> sqlite3.Connection:
        db: sqlite3.Connection = connect(*arguments, **names)
        db.set_trace_callback(lambda text: made[-1].statement(text) if made else None)
        return db

    def synced(descriptor: int) -> None:
        fsync(descriptor)
        if made:
            made[-1].synced[str(Path(f"/proc/self/fd/{descriptor}").readlink())] = os.fstat(
                descriptor
            ).st_size

    sqlite3.connect, os.fsync = watched, synced  # type: ignore[assignment]
    site.paint(runner_of)
    runner = made[-1]
    return {
        "statements": runner.statements,
        "ns": runner._clock.now_ns() - runner._begun_ns,
        "pass_ns": [runner.passes_ns[0], runner.passes_ns[-1]] if runner.passes_ns else [0, 0],
    }


def lose_power(site: Site, rng: random.Random) -> None:
    """What lies in memory only is gone: the ring, and any part of what was written and not synced."""
    synced = json.loads((site.folder / "synced.json").read_text())
    for run in site.state.runs.iterdir():
        (run / "ring").unlink(missing_ok=True)
        log = run / "timing.gtl"
        if not log.exists() or str(log) not in synced:
            continue
        kept, size = synced[str(log)], log.stat().st_size
        cut = rng.randint(kept, size) if size > kept else size
        with log.open("r+b") as file:
            if rng.random() < 0.5:
                file.truncate(cut)
            elif cut < size:
                file.seek(cut)
                file.write(bytes(size - cut) if rng.random() < 0.5 else rng.randbytes(size - cut))
    if rng.random() < 0.1:
        newest = max(site.state.runs.iterdir(), default=None)
        if newest is not None and (newest / "spec.json").exists():
            (newest / "spec.json").write_bytes(b"")


def tear(site: Site, rng: random.Random) -> None:
    """Of the journal's last commit only a part reached the disk, perhaps with a sector of rubbish at its end."""
    wal = site.state.root / "journal.sqlite-wal"
    before, after = (site.folder / "journal.sqlite-wal.before").read_bytes(), wal.read_bytes()
    common = next(
        (n for n, (a, b) in enumerate(zip(before, after, strict=False)) if a != b),
        min(len(before), len(after)),
    )
    cut = rng.randint(common, len(after))
    rubbish = rng.randbytes(min(512, len(after) - cut)) if rng.random() < 0.5 else b""
    torn = after[:cut] + rubbish
    wal.write_bytes(torn + before[len(torn) :])
    (site.state.root / "journal.sqlite-shm").unlink(missing_ok=True)
