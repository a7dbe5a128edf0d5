"""A homed machine, a broker and a session beside it: what the tests of MQTT begin with."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.config.places import StateDir, shipped
from controller.session import verbs
from controller.session.journal import Journal
from controller.session.mqttwords import Topics
from controller.session.operator import SimulatedOperator
from controller.session.watcher import Watcher

from .broker import Broker, Published
from .conftest import FakeRunner
from .test_stops import HoldingRunner

BOATHOUSE = shipped("machines/boathouse.toml")
TOPICS = Topics.of("giornata", "boathouse")
STOP = b'{"v": 1, "ask": "stop"}'
AT_ONCE = b'{"v": 1, "ask": "stop", "kind": "immediate"}'
Step = Callable[["Day"], Awaitable[None]]


class Notes(Watcher):
    """Keeps what a person would have read."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self._more = asyncio.Event()

    def note(self, text: str) -> None:
        """Keep it."""
        self.lines.append(text)
        self._more.set()

    async def until(self, words: str, times: int = 1) -> None:
        """Wait until so many lines have these words."""
        async with asyncio.timeout(60.0):
            while sum(words in line for line in self.lines) < times:
                self._more.clear()
                await self._more.wait()


@dataclass
class Day:
    """A homed machine with a broker's table, and a session on it."""

    folder: Path
    broker: Broker
    table: dict[str, Any] = field(default_factory=dict)
    runner: Any = None
    notes: Notes = field(default_factory=Notes)

    @property
    def state(self) -> StateDir:
        """The machine's folder."""
        return StateDir.open(self.folder / "s", "boathouse")

    @property
    def machine(self) -> Path:
        """The machine file, with the table."""
        path = self.folder / "machine.toml"
        fields = {"host": "127.0.0.1", "port": self.broker.port, **self.table}
        tls = fields.pop("tls", None)
        lines = [f"{name} = {json.dumps(value)}" for name, value in fields.items()]
        if tls is not None:
            lines += ["[mqtt.tls]", *(f"{name} = {json.dumps(value)}" for name, value in tls.items())]
        path.write_text(BOATHOUSE.read_text() + "\n[mqtt]\n" + "\n".join(lines) + "\n")
        return path

    def home(self) -> None:
        """Home it, without any broker."""
        asyncio.run(
            verbs.home(
                BOATHOUSE, self.state.root, SimulatedOperator(), Watcher(),
                runner_of=lambda *_: FakeRunner(), signals=False,
            )
        )  # fmt: skip

    def paint(self, three: Any, step: Step | None = None) -> None:
        """One session that paints; ``step`` goes on beside it once it moves. Its errors come out."""

        async def session() -> None:
            self.notes = Notes()
            painting = asyncio.ensure_future(
                verbs.paint(
                    three, self.machine, self.state.root, SimulatedOperator(), self.notes,
                    runner_of=lambda *_: self.runner, signals=False,
                )
            )  # fmt: skip
            if step is not None:
                await self.runner.moving.wait()
                await step(self)
            await painting

        asyncio.run(session())

    async def connected(self, times: int = 1) -> None:
        """Wait until a client listens to the command topic, for the first time or a later one."""
        await self.notes.until("connected to the broker", times)

    def events(self) -> list[str]:
        """What the journal says of MQTT."""
        journal = Journal.read(self.state.journal)
        found = [one.text for one in journal.events() if one.kind == "mqtt"]
        journal.close()
        return found


@contextmanager
def made_day(folder: Path) -> Iterator[Day]:
    """A broker, and a machine that was homed; its session runs until it is stopped."""
    with Broker() as broker:
        made = Day(folder, broker)
        made.home()
        made.runner = HoldingRunner(made.state, patient=False)
        yield made


def said(message: Published) -> dict[str, Any]:
    return dict(json.loads(message.body))


async def wait(broker: Broker, wanted: Callable[[Published], bool]) -> Published:
    return await asyncio.to_thread(broker.wait_for, wanted, 60.0)


def state_is(**wanted: Any) -> Callable[[Published], bool]:
    return lambda one: one.topic == TOPICS.state and wanted.items() <= said(one).items()


def stops(runner: FakeRunner) -> list[str]:
    return [call.split()[0] for call in runner.calls if "stop" in call]
