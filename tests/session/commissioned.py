"""People who answer the commissioning, and a machine on a wire that no test has: the parts of its tests."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from controller.config.load import load_machine
from controller.session.commissionask import Answer, Ask
from controller.session.runner import Order
from controller.stream.record import TICK_DTYPE
from controller.stream.spec import HoldTask, HomingTask, JogTask, StreamOutcome
from safety import latch

from .conftest import FakeRunner

Reply = Answer | Callable[[Ask], Answer]


class Person:
    """Answers by key; to what is not told here: go, yes, and what a right machine would show. Keeps what was asked."""

    person = "Ada"

    def __init__(self, replies: Mapping[str, Reply] | None = None) -> None:
        self.replies = dict(replies or {})
        self.asked: list[Ask] = []

    async def ask(self, question: Ask) -> Answer:
        """As told, else as on a right machine."""
        self.asked.append(question)
        if question.key in self.replies:
            reply = self.replies[question.key]
            return reply(question) if callable(reply) else reply
        match question.key.split():
            case ["begin", *_]:
                return "go"
            case ["direction", axis]:
                return {"x": "right", "y": "down"}[axis]
            case ["free", _]:
                return 200.0
            case ["ruler", _]:
                return float(question.about["distance_mm"])
            case ["limits", _]:
                return False
            case ["giornata", "stop"]:
                question.about["service"].stop("stop", "Ada", at_once=True)
                return None
        return None if question.kind == "do" else True

    @property
    def keys(self) -> list[str]:
        """What was asked, in order."""
        return [one.key for one in self.asked]


class Wired(FakeRunner):
    """A runner on a real wire: jogs go where they are told (times ``scale``), holds end as a hand makes them."""

    def __init__(self, machine: Path, state: Any, scale: float = 1.0, following_mm: float = 0.2) -> None:
        super().__init__()
        self.machine, self.state, self.scale, self.following_mm = machine, state, scale, following_mm
        self.open_input = ""
        self.ended_early = False
        """The guard ends the streamer before it has named the input; with the latch gone, one refuses by its name."""

    async def run(self, order: Order) -> StreamOutcome:
        """Answer as the streamer does."""
        if isinstance(order.tasks[0], HomingTask):
            return await super().run(order)
        self.orders.append(order)
        if isinstance(order.tasks[0], HoldTask):
            if not self.open_input:
                return StreamOutcome(end="done")
            words = f"stop input {self.open_input} is open"
            if self.ended_early and len(self.orders) > 1:
                return StreamOutcome(end="refused", reason=words)
            put_latch(self.state, "input-open", "a stop input wired to a drive is open")
            return StreamOutcome(end="halted", reason="killed by SIGKILL" if self.ended_early else words)
        machine = load_machine(self.machine)
        for task in order.tasks:
            if isinstance(task, JogTask):
                drive, column = machine.axes[task.axis].drive, "xy".index(task.axis)
                per_mm = drive.direction * float(drive.counts_per_mm)
                rows = np.zeros(2, dtype=TICK_DTYPE)
                rows["flags"], rows["feedback_ns"] = 1, 1
                rows["measured_counts"][1, column] = round(task.distance_mm * per_mm * self.scale)
                share = task.acceleration_mm_s2 / machine.motion.acceleration_mm_s2
                rows["planned_counts"] = rows["measured_counts"]
                rows["planned_counts"][1, column] += round(self.following_mm * share * per_mm)
                order.on_records(rows)
        return StreamOutcome(end="done")

    def stop_now(self, reason: str, by: str) -> None:
        """As the guard."""
        super().stop_now(reason, by)
        put_latch(self.state, "stop-asked", f"{by} asked: {reason}")


def put_latch(state: Any, reason: str, text: str) -> None:
    """As the guard writes it, unless one stands."""
    if latch.read(state.latch) is None:
        latch.write(state.latch, latch.Latch(reason, text, standstill="proved"))


class Loops:
    """The guard's inputs as a hand moves them: what ``look_at_guard`` sees."""

    def __init__(self, state: Any, names: tuple[str, ...]) -> None:
        self.state, self.open = state, dict.fromkeys(names, False)
        self.wired = {name: name for name in names}
        self.latches = True

    def look(self, _socket: Path) -> dict[str, Any]:
        """As ``safety.client.request_status``."""
        return {"inputs": {name: {"open": is_open, "why": ""} for name, is_open in self.open.items()}}

    def hand(self, question: Ask) -> Answer:
        """Does what it is told: opens or closes what is wired there."""
        verb, name = question.key.split()
        self.open[self.wired[name]] = verb == "open"
        if verb == "open" and self.latches:
            put_latch(self.state, "input-open", f"stop input {self.wired[name]} is open")
        return None
