"""Sessions beside a broker: what it is told, and stops that come from it; with real client processes.

Every wait is for something said, never for time; what may not happen is followed by something that must, which comes
after it on the same line.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.config.errors import HaltedError
from controller.config.places import StateDir
from controller.session import remote, serve, verbs
from controller.session.figures import figures_of
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.service import StoppedError
from controller.session.virtualrunner import VirtualRunner
from controller.session.watcher import Watcher
from controller.stream.spec import StreamOutcome
from drivers.errors import FaultError
from safety import latch

from .broker import publish
from .conftest import FakeRunner
from .mqttday import AT_ONCE, STOP, TOPICS, Day, Notes, made_day, said, state_is, stops, wait
from .test_stops import HoldingRunner


@pytest.fixture
def day(tmp_path: Path) -> Iterator[Day]:
    """A broker, and a machine that was homed; its session runs until it is stopped."""
    with made_day(tmp_path) as made:
        yield made


# what is told


def test_a_pass_is_told_from_begin_to_end(day: Day, three) -> None:
    """State (kept), progress and timing of a pass in virtual time, as the report has them; at last "ended"."""

    class Seen(VirtualRunner):
        """Begins when the broker has been reached: a short pass would be over before."""

        async def open(self) -> None:
            """Wait for the connection first."""
            await day.connected()
            await super().open()

    async def session() -> None:
        day.notes = Notes()
        await verbs.paint(
            three, day.machine, day.folder / "v", SimulatedOperator(), day.notes,
            home_first=True, runner_of=Seen, signals=False,
        )  # fmt: skip

    asyncio.run(session())
    told = list(day.broker.published.queue)
    states = [said(one) for one in told if one.topic == TOPICS.state]
    assert all(one.retain and one.qos == 1 for one in told if one.topic == TOPICS.state)
    assert {"painting", "registered"} <= {one.get("state") for one in states}
    assert (states[-1]["presence"], states[-1]["state"]) == ("ended", "registered")
    assert said(day.broker.retained[TOPICS.state]) == states[-1]
    assert all(one["v"] == 1 for one in states)

    progress = [said(one) for one in told if one.topic == TOPICS.progress]
    painted = [one for one in progress if one["what"] == "teal-1"]
    assert [one["ticks_sent"] for one in painted] == sorted({one["ticks_sent"] for one in painted})
    assert painted[-1]["ticks_sent"] > 0
    assert {one["strokes"] for one in painted} == {3}

    (timing,) = (said(one) for one in told if one.topic == TOPICS.timing)
    state = StateDir.open(day.folder / "v", "boathouse")
    (figures,) = figures_of(state, 1)
    assert figures.timing is not None
    assert (timing["pass"], timing["state"], timing["ticks"]) == ("teal-1", "finished", figures.ticks)
    assert timing["late_p99_us"] == pytest.approx(figures.timing.p99_us, abs=0.06)
    assert (timing["strokes_finished"], timing["strokes"], timing["missing_logs"]) == (3, 3, 0)
    assert [one for one in told if one.topic == TOPICS.alarm] == []
    assert not any(one.will for one in told)


def test_refused_homing_is_an_alarm(day: Day, three) -> None:
    """Touches that spread too far: the alarm says what homing said."""
    day.runner = HoldingRunner(day.state)
    day.runner.spread_mm = 0.2
    day.runner.moving.set()

    async def open_later() -> None:
        await day.connected()

    day.runner.open = open_later
    with pytest.raises(Exception, match="homing refused"):
        day.paint(three)
    alarm = said(day.broker.wait_for(lambda one: one.topic == TOPICS.alarm))
    assert alarm["kind"] == "homing-refused"
    assert "spread over 0.200 mm" in alarm["text"]
    assert said(day.broker.retained[TOPICS.state])["state"] == "unregistered"


def test_a_drives_fault_is_an_alarm(day: Day, three) -> None:
    """A run that failed: one alarm with the streamer's reason."""
    day.runner = FakeRunner(strokes=1, pass_end=StreamOutcome(end="failed", reason="axis x: fault 7121h"))

    async def open_later() -> None:
        await day.connected()

    day.runner.open = open_later
    with pytest.raises(FaultError):
        day.paint(three)
    alarms = [said(one) for one in list(day.broker.published.queue) if one.topic == TOPICS.alarm]
    assert [(one["kind"], one["text"]) for one in alarms] == [("drive-fault", "axis x: fault 7121h")]


# stops


def test_a_controlled_stop_however_often_is_one(day: Day, three) -> None:
    """The same message again is the same stop: nothing latches, the streamer is asked once, the pass can go on."""

    async def step(day: Day) -> None:
        await day.connected()
        for _ in range(3):
            day.broker.send(TOPICS.command, STOP)

    with pytest.raises(StoppedError):
        day.paint(three, step)
    assert stops(day.runner) == ["ask_stop"]
    assert latch.read(day.state.latch) is None
    assert said(day.broker.retained[TOPICS.state])["state"] == "paused"
    journal = Journal.read(day.state.journal)
    assert "stop by MQTT" in [one.text for one in journal.events() if one.kind == "stop"]
    journal.close()


def test_an_immediate_stop_latches_and_is_an_alarm(day: Day, three) -> None:
    """kind immediate goes to the guard; the latch is told as an alarm, and the kept state says halted."""

    async def step(day: Day) -> None:
        await day.connected()
        day.broker.send(TOPICS.command, AT_ONCE, qos=0)

    with pytest.raises(HaltedError):
        day.paint(three, step)
    assert stops(day.runner) == ["stop_now"]
    alarm = said(day.broker.wait_for(lambda one: one.topic == TOPICS.alarm))
    assert (alarm["kind"], alarm["reason"]) == ("latch", "stop-asked")
    assert said(day.broker.retained[TOPICS.state])["state"] == "halted"


def test_an_immediate_stop_follows_a_controlled_one(day: Day, three) -> None:
    """While the axes still slow down on the path, a person can ask for more."""
    day.runner = HoldingRunner(day.state)

    async def step(day: Day) -> None:
        await day.connected()
        day.broker.send(TOPICS.command, STOP)
        await day.notes.until("stopping on the path")
        day.broker.send(TOPICS.command, AT_ONCE)
        day.broker.send(TOPICS.command, AT_ONCE)

    with pytest.raises(HaltedError):
        day.paint(three, step)
    assert stops(day.runner) == ["ask_stop", "stop_now"]


@pytest.mark.realtime
def test_a_stop_while_the_simulated_gantry_paints(day: Day, three) -> None:
    """Real processes on a wire: a controlled stop by message in the middle of a pass; nothing latches, all stands."""

    async def session() -> None:
        day.notes = Notes()
        painting = asyncio.create_task(
            verbs.paint(
                three, day.machine, day.folder / "r", SimulatedOperator(), day.notes, home_first=True, signals=False,
            )
        )  # fmt: skip
        await wait(
            day.broker,
            lambda one: (
                one.topic == TOPICS.progress
                and said(one)["what"] == "teal-1"
                and said(one)["ticks_sent"] > 200
            ),
        )
        day.broker.send(TOPICS.command, STOP)
        await painting

    with pytest.raises(StoppedError):
        asyncio.run(session())
    state = StateDir.open(day.folder / "r", "boathouse")
    assert latch.read(state.latch) is None
    journal = Journal.read(state.journal)
    assert [row.end for row in journal.runs()] == ["done", "stopped"]
    assert journal.registered
    journal.close()
    assert said(day.broker.retained[TOPICS.state])["state"] == "paused"
    (timing,) = (said(one) for one in list(day.broker.published.queue) if one.topic == TOPICS.timing)
    assert (timing["state"], timing["missing_logs"]) == ("stopped", 0)
    assert timing["ticks"] > 0


def test_what_is_no_stop_does_nothing(day: Day, three) -> None:
    """A kept stop, one too old, other words, other topics: nothing; the stop after them is the only one."""
    day.broker.send(TOPICS.command, AT_ONCE, retain=True)

    async def step(day: Day) -> None:
        await day.connected()
        await day.notes.until("a retained message")
        for body in (
            b'{"v": 1, "ask": "stop", "kind": "immediate", "sent_ms": 1000}',
            b'{"v": 1, "ask": "paint"}',
            b'{"v": 1, "ask": "home"}',
            b'{"v": 1, "ask": "clear"}',
            b"\x00" * 100_000,
            b"[" * 1000,
        ):
            day.broker.send(TOPICS.command, body)
        day.broker.raw(publish("giornata/chapel/command", AT_ONCE))
        day.broker.send(TOPICS.command, STOP)

    with pytest.raises(StoppedError):
        day.paint(three, step)
    assert stops(day.runner) == ["ask_stop"]
    assert len(day.runner.orders) == 2


def test_a_service_that_outlives_its_sessions(day: Day, three) -> None:
    """At rest it is told of too, and a stop there does nothing; a session of it is stopped like any; then "ended"."""

    async def day_of_service() -> None:
        refused = asyncio.Event()

        def keep(event: dict[str, Any]) -> None:
            if "not obeyed" in str(event.get("text")):
                refused.set()

        up: asyncio.Future[serve.Service] = asyncio.get_running_loop().create_future()
        serving = asyncio.create_task(
            serve.serve(
                day.machine, day.state.root, lambda *_: day.runner, clock="real", signals=False,
                log=keep, meanwhile=up.set_result,
            )
        )  # fmt: skip
        service = await up
        await wait(day.broker, state_is(presence="here", what="at rest", state="registered", session=None))
        day.broker.send(TOPICS.command, AT_ONCE)
        async with asyncio.timeout(60.0):
            await refused.wait()
        assert day.runner.calls == []
        assert latch.read(day.state.latch) is None

        painting = asyncio.create_task(
            remote.run_there(
                day.state, "paint", {"prepared": str(three.folder), "yes": True}, SimulatedOperator(), Watcher(),
                stop=None,
            )
        )  # fmt: skip
        await day.runner.moving.wait()
        await wait(day.broker, state_is(state="painting"))
        day.broker.send(TOPICS.command, STOP)
        with pytest.raises(StoppedError):
            await painting
        assert stops(day.runner) == ["ask_stop"]
        await wait(day.broker, state_is(presence="here", what="at rest", state="paused"))
        service.end("the day is over")
        await serving

    asyncio.run(day_of_service())
    kept = said(day.broker.retained[TOPICS.state])
    assert (kept["presence"], kept["state"], kept["session"]) == ("ended", "paused", None)
