"""A runner that streams nothing and answers as told; the service around it is the real one."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import pytest

from controller.config.load import load_machine
from controller.config.places import StateDir, shipped
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.prepare import prepare
from controller.session.prepared import Prepared, PreparedPass
from controller.session.runner import Order, PauseAt
from controller.session.service import Service
from controller.session.watcher import Watcher
from controller.stream.record import TICK_DTYPE
from controller.stream.spec import AxisHomingResult, HomingTask, MoveTask, ScheduleTask, StreamOutcome

SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="60mm" viewBox="0 0 100 60">
<g id="water"><path d="M 10 40 L 60 40" fill="none" stroke="#000"/>
<path d="M 10 45 L 60 45" fill="none" stroke="#000"/><path d="M 10 50 L 60 50" fill="none" stroke="#000"/></g></svg>
"""
JOB = """format = 1
name = "three"
artwork = "three.svg"
origin_mm = [20.0, 20.0]
[[inks]]
name = "teal"
group = "water"
colour = "#1f7a78"
tip_mm = 4.0
"""


@dataclass
class FakeRunner:
    """Keeps what it is asked; homes where ``offsets`` says; ends passes as ``pass_end`` says after ``strokes``."""

    offsets: dict[str, float] = field(default_factory=lambda: {"x": 100.0, "y": -200.0})
    spread_mm: float = 0.01
    pass_end: StreamOutcome = field(default_factory=lambda: StreamOutcome(end="done"))
    strokes: int = 3
    during: Callable[[], None] | None = None
    orders: list[Order] = field(default_factory=list)
    calls: list[str] = field(default_factory=list)

    clock: Literal["virtual"] = "virtual"

    async def open(self) -> None:
        """Keep it."""
        self.calls.append("open")

    async def run(self, order: Order) -> StreamOutcome:
        """Answer as told."""
        self.orders.append(order)
        if isinstance(order.tasks[0], HomingTask):
            return StreamOutcome(
                end="done",
                homing=tuple(
                    AxisHomingResult(
                        axis=axis, touches_counts=(offset, offset + 1), mean_counts=offset,
                        spread_mm=self.spread_mm, offset_counts=offset,
                    )
                    for axis, offset in self.offsets.items()
                ),
            )  # fmt: skip
        if isinstance(order.tasks[0], MoveTask):
            if self.during is not None:
                self.during()
            return self.pass_end
        assert isinstance(order.tasks[0], ScheduleTask)
        for watch in order.watches:
            for stroke in range(self.strokes):
                later = np.zeros(1, dtype=TICK_DTYPE)
                later["segment"], later["flags"], later["statusword"] = 5 * stroke + 4, 1, 0x0237
                if finished := watch.take(later):
                    order.on_strokes(finished)
        if self.during is not None:
            self.during()
        return self.pass_end

    def ask_stop(self) -> None:
        """Keep it."""
        self.calls.append("ask_stop")

    def ask_pause(self, at: PauseAt) -> None:
        """Keep it."""
        self.calls.append(f"ask_pause {at}")

    def stop_now(self, reason: str, by: str) -> None:
        """Keep it."""
        self.calls.append(f"stop_now {reason} {by}")

    async def load_pen(self, part: PreparedPass) -> None:
        """Keep it."""
        self.calls.append(f"pen {part.ink}")

    async def close(self) -> None:
        """Keep it."""
        self.calls.append("close")


@pytest.fixture(scope="session")
def three(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    """A prepared job of one ink with three strokes."""
    folder = tmp_path_factory.mktemp("three")
    (folder / "three.svg").write_text(SVG)
    (folder / "job.toml").write_text(JOB)
    return prepare(folder / "job.toml", shipped("machines/boathouse.toml"), folder / "out")


@dataclass
class Bench:
    """A service on a fake runner, and what it writes."""

    state: StateDir
    journal: Journal
    runner: FakeRunner
    operator: SimulatedOperator

    def service(self, watcher: Watcher | None = None) -> Service:
        """A new session's service."""
        machine = load_machine(shipped("machines/boathouse.toml"))
        session = self.journal.begin_session("paint", "three", "virtual")
        return Service(
            machine, self.state, self.journal, self.runner, self.operator, watcher or Watcher(), session
        )


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """A machine that was never homed."""
    state = StateDir.open(tmp_path / "s", "boathouse")
    journal = Journal.open(state.journal, "boathouse")
    yield Bench(state, journal, FakeRunner(), SimulatedOperator())
    journal.close()
