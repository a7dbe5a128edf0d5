"""Whole sessions in virtual time, for several tests to look at."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from controller.config.load import load_job
from controller.config.places import StateDir, shipped
from controller.session import verbs
from controller.session.operator import SimulatedOperator
from controller.session.prepared import Prepared, PreparedPass
from controller.session.recorder import Advance
from controller.session.service import Service
from controller.session.states import DaemonState
from controller.session.virtualrunner import VirtualRunner
from controller.session.watcher import Watcher
from tests.faults.waves import edited

SMALL_SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="120mm" viewBox="0 0 200 120">
<g id="moon"><circle cx="30" cy="30" r="6" fill="#d9952b"/><circle cx="60" cy="30" r="5" fill="none" stroke="#d9952b"/>
<path d="M 20 60 L 90 60" fill="none" stroke="#d9952b"/><path d="M 20 75 L 90 75 L 90 90" fill="none" stroke="#d9952b"/>
<path d="M 20 95 L 60 95" fill="none" stroke="#d9952b"/></g>
<g id="water"><path d="M 110 30 C 125 20 140 40 160 30" fill="none" stroke="#1f7a78"/>
<rect x="110" y="50" width="40" height="20" fill="none" stroke="#1f7a78"/></g>
</svg>
"""

SMALL_JOB = """format = 1
name = "small-tide"
artwork = "small.svg"
origin_mm = [20.0, 20.0]
[[inks]]
name = "ochre"
group = "moon"
colour = "#d9952b"
tip_mm = 4.0
[[inks]]
name = "teal"
group = "water"
colour = "#1f7a78"
tip_mm = 4.0
"""


@dataclass
class Seen(Watcher):
    """Keeps what it is told; may call ``on_strokes`` when so many strokes of a pass are finished."""

    at_strokes: int = -1
    on_strokes: Callable[[], None] | None = None
    states: list[DaemonState] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    homings: list[tuple[bool, Sequence[str]]] = field(default_factory=list)
    begun: list[tuple[str, int]] = field(default_factory=list)

    def state(self, state: DaemonState) -> None:
        """Keep it."""
        self.states.append(state)

    def note(self, text: str) -> None:
        """Keep it."""
        self.notes.append(text)

    def homed(self, accepted: bool, lines: Sequence[str]) -> None:
        """Keep it."""
        self.homings.append((accepted, tuple(lines)))

    def pass_begun(self, part: PreparedPass, number: int, count: int, finished: int, ticks: int) -> None:
        """Keep it."""
        self.begun.append((part.name, finished))

    def advanced(self, advance: Advance, strokes: int, ticks_total: int) -> None:
        """Call when it is time."""
        if self.on_strokes is not None and advance.strokes and strokes >= self.at_strokes:
            call, self.on_strokes = self.on_strokes, None
            call()


@dataclass
class Bench:
    """A machine, a job, a state folder, and the verbs on them in virtual time."""

    machine: Path
    job: Path
    root: Path

    @property
    def state(self) -> StateDir:
        """Its layout."""
        return StateDir(self.root)

    def prepared(self) -> Prepared:
        """The job, fresh."""
        return verbs.prepared_for(
            self.job, self.machine, self.root / "prepared" / load_job(self.job).name, None, lambda _note: None,
            state_root=self.root,
        )  # fmt: skip

    def home(self, watcher: Watcher | None = None, **options: object) -> verbs.Done:
        """One session that homes."""
        return asyncio.run(
            verbs.home(
                self.machine, self.root, SimulatedOperator(), watcher or Watcher(),
                runner_of=VirtualRunner, signals=False, **options,  # type: ignore[arg-type]
            )
        )  # fmt: skip

    def paint(
        self, watcher: Watcher | None = None, meanwhile: Callable[[Service], None] | None = None, **options: object
    ) -> verbs.Done:  # fmt: skip
        """One session that paints."""
        return asyncio.run(
            verbs.paint(
                self.prepared(), self.machine, self.root, SimulatedOperator(), watcher or Watcher(),
                runner_of=VirtualRunner, signals=False, meanwhile=meanwhile, **options,  # type: ignore[arg-type]
            )
        )  # fmt: skip


def made(folder: Path, machine_text: str = "") -> Bench:
    """The boathouse, as shipped unless ``machine_text`` says else, with a small job of two inks and seven strokes."""
    machine = folder / "boathouse.toml"
    machine.write_text(machine_text or shipped("machines/boathouse.toml").read_text())
    (folder / "small.svg").write_text(SMALL_SVG)
    job = folder / "job.toml"
    job.write_text(SMALL_JOB)
    return Bench(machine, job, folder / "s")


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """See ``made``; the switches are near and soon touched, for homing is no part of what is tested."""
    return made(tmp_path, edited())


@pytest.fixture(scope="session")
def low_tide(tmp_path_factory: pytest.TempPathFactory) -> tuple[Bench, verbs.Done, Seen]:
    """The shipped job painted whole, once, in virtual time."""
    root = tmp_path_factory.mktemp("lt")
    bench = Bench(shipped("machines/boathouse.toml"), shipped("jobs/low-tide/job.toml"), root / "s")
    bench.prepared()
    seen = Seen()
    return bench, bench.paint(seen, home_first=True), seen


@pytest.fixture
def seen() -> Seen:
    """A watcher that keeps what it is told."""
    return Seen()
