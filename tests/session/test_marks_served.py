"""Marks through a service: the same moves and the same map as without one, and nothing left half done by a client."""

from __future__ import annotations

import asyncio
import json
import socket
from pathlib import Path

import numpy as np
import pytest

from controller.config.errors import InputError, RefusedError
from controller.config.load import load_machine
from controller.session import control, remote, serve, steering
from controller.session.registering import AtMark, Found, Jog, Skip
from controller.session.service import StoppedError
from controller.session.steering import AskedSteerer, from_wire, to_wire
from controller.session.watcher import Watcher
from controller.session.wire import Message, WireError
from controller.stream.spec import MoveTask
from tests.session.conftest import JOB, SVG, FakeRunner
from tests.session.test_registering import BOATHOUSE, MARKS, MOVED, PLACES, Place, Says, Steers
from tests.session.test_serve import House

MACHINE = load_machine(BOATHOUSE)


class MarksHouse(House):
    """A service whose runs end at once, and a job with marks beside it."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder / "s")
        (folder / "three.svg").write_text(SVG)
        self.job = folder / "job.toml"
        self.job.write_text(JOB + MARKS)
        self.shown: list[int] = []

    def runner(self, *_: object) -> FakeRunner:
        """A session's runner."""
        self.runners.append(FakeRunner())
        return self.runners[-1]

    async def measure(self, steerer: object, operator: object = None):
        """As the command does."""
        return await remote.marks(
            self.job, BOATHOUSE, self.state.root, operator or Says(), steerer, Watcher(), "Ada",
            show=lambda measured, _found, _lines: self.shown.append(len(measured)), virtual=False,
            runner_of=self.runner,
        )  # fmt: skip

    def targets(self) -> list[tuple[float, float]]:
        """Where the head was sent."""
        return [
            task.target_mm
            for runner in self.runners
            for order in runner.orders
            for task in order.tasks
            if isinstance(task, MoveTask)
        ]

    async def prompt(self, kind: str) -> Message:
        """The question of a kind, once it stands."""
        async with asyncio.timeout(10):
            while True:
                found = (await self.status()).get("prompt")
                if found is not None and found["kind"] == kind:
                    return found
                await asyncio.sleep(0.001)


@pytest.fixture
def house(tmp_path: Path) -> MarksHouse:
    """A machine that was never homed."""
    return MarksHouse(tmp_path)


ANSWERS = {"a": [Jog(1.0, -2.0), Jog(0.5, 0.0)], "c": [Skip()]}


async def test_same_moves_and_map_as_without_a_service(house: MarksHouse, tmp_path: Path) -> None:
    """Jogs, a skip and what is typed: every target and the map in force are those of a session of its own."""
    (tmp_path / "alone").mkdir()
    alone = Place(house.job, tmp_path / "alone" / "s", FakeRunner(), Says())
    answers = {name: list(some) for name, some in ANSWERS.items()}
    expected = await asyncio.to_thread(alone.measure, Steers(MOVED, answers))
    async with house.served():
        steers = Steers(MOVED, {name: list(some) for name, some in ANSWERS.items()})
        done = await house.measure(steers)
    assert house.targets() == alone.targets()
    assert house.shown == [3]
    assert done.kept is not None
    assert expected.kept is not None
    assert (done.marks, done.lines, done.kept.matrix) == (
        expected.marks,
        expected.lines,
        expected.kept.matrix,
    )
    assert [at.off_mm for at in steers.seen][:3] == [(0.0, 0.0), (1.0, -2.0), (1.5, -2.0)]
    np.testing.assert_allclose(done.registration.turn_deg, expected.registration.turn_deg)


async def test_no_keeps_nothing_and_withdrawing_works(house: MarksHouse) -> None:
    """A no at the end; then a map in force, withdrawn through the service too."""
    async with house.served():
        assert (await house.measure(Steers(MOVED), Says(yes=False))).kept is None
        assert (await house.measure(Steers(MOVED))).kept is not None
        row = await remote.withdraw(house.job, BOATHOUSE, house.state.root, "Ada")
        assert row.summary[0].startswith("register map 1 withdrawn")
        with pytest.raises(RefusedError, match="no register map is in force"):
            await remote.withdraw(house.job, BOATHOUSE, house.state.root, "Ada")


async def test_bad_marks_and_a_job_without_them(house: MarksHouse) -> None:
    """What is refused or bad input without a service is so with it, in the same words."""
    wild = {name: [Found(40.0 * number**2, 0.0)] for number, name in enumerate(PLACES)}
    async with house.served():
        with pytest.raises(RefusedError, match="the marks speak for no register map"):
            await house.measure(Steers(answers=wild))
        house.job.write_text(JOB)
        with pytest.raises(InputError, match="register"):
            await house.measure(Steers())


class Silent(Steers):
    """Looks, and says nothing."""

    async def steer(self, at: AtMark):
        """Wait for ever."""
        self.seen.append(at)
        await asyncio.Event().wait()


def _answer(house: MarksHouse, prompt: Message, value: object) -> Message:
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(str(house.state.control_socket))
        request = {"v": 1, "ask": "answer", "prompt": prompt["prompt"], "value": value}
        line.sendall(json.dumps(request).encode() + b"\n")
        with line.makefile("rb") as answers:
            return json.loads(answers.readline())


async def test_others_are_refused_meanwhile_and_may_answer(house: MarksHouse) -> None:
    """At a mark home is refused by name; an answer that means nothing leaves the question; another client's moves."""
    async with house.served():
        measuring = asyncio.create_task(house.measure(Silent()))
        prompt = await house.prompt("steer")
        assert (prompt["mark"], prompt["number"], prompt["off_mm"]) == ("a", 1, [0.0, 0.0])
        assert (await house.status())["state"] == "waiting"
        with pytest.raises(RefusedError, match="giornata marks runs on this machine"):
            await house.ask("home")
        refused = await asyncio.to_thread(control.ask, house.state.control_socket, "pause")
        assert (refused["ok"], refused["got"]) == (False, "no pass is being painted")
        before = house.targets()
        for value in (True, "here", {"jog_mm": [11.0, 0.0]}, {"jog_mm": [1.0]}, {"skip": True, "x": 1}, {}):
            assert (await asyncio.to_thread(_answer, house, prompt, value))["ok"] is False
        assert house.targets() == before
        assert (await asyncio.to_thread(_answer, house, prompt, {"jog_mm": [1.0, 0.0]}))["ok"] is True
        again = await house.prompt("steer")
        while again["prompt"] == prompt["prompt"]:
            again = await house.prompt("steer")
        assert again["off_mm"] == [1.0, 0.0]
        assert len(house.targets()) == len(before) + 2
        assert (await asyncio.to_thread(_answer, house, again, {"give_up": True}))["ok"] is True
        with pytest.raises(StoppedError, match="given up"):
            await measuring
        assert (await house.status())["what"] == "at rest"


async def test_stop_at_a_mark(house: MarksHouse) -> None:
    """A controlled stop while a person steers: nothing moves any more, nothing latches, the client hears stopped."""
    async with house.served():
        measuring = asyncio.create_task(house.measure(Silent()))
        await house.prompt("steer")
        before = house.targets()
        await house.stop()
        with pytest.raises(StoppedError):
            await measuring
        assert house.targets() == before


@pytest.mark.parametrize("leaves", [True, False])
async def test_client_that_dies_or_falls_silent(
    leaves: bool, house: MarksHouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The marks are given up after the stated time, the head where it was; the next verb runs."""
    long, short = 3600.0, 0.05
    monkeypatch.setattr(
        serve,
        "AskedSteerer",
        lambda prompts, gone: AskedSteerer(
            prompts, gone, long if leaves else short, short if leaves else long
        ),
    )
    async with house.served():
        measuring = asyncio.create_task(house.measure(Silent()))
        if leaves:
            await house.prompt("steer")
            measuring.cancel()
            await asyncio.wait({measuring})
        else:
            with pytest.raises(StoppedError, match=r"nobody has answered for 0\.05 s"):
                await measuring
        async with asyncio.timeout(10):
            while (await house.status())["session"] is not None:  # noqa: ASYNC110
                await asyncio.sleep(0.001)
        assert len(house.targets()) == 2  # the way to the first mark and nothing after it
        ended = next(one for one in reversed(house.log) if one["event"] == "verb_ended")
        assert (ended["verb"], ended["exit"]) == ("marks", 130)
        assert "given up" in ended["message"]
        assert (await house.ask("home"))["homings"]


async def test_somebody_else_takes_over_from_a_client_that_left(house: MarksHouse) -> None:
    """Before the time is over another client answers: the marks go on, with a new time for each question."""
    async with house.served():
        measuring = asyncio.create_task(house.measure(Silent()))
        await house.prompt("steer")
        measuring.cancel()
        await asyncio.wait({measuring})
        for name in PLACES:
            prompt = await house.prompt("steer")
            while prompt["mark"] != name:
                prompt = await house.prompt("steer")
            assert (await asyncio.to_thread(_answer, house, prompt, {"found_mm": [6.0, -2.0]}))["ok"] is True
        prompt = await house.prompt("confirm")
        assert (await asyncio.to_thread(_answer, house, prompt, False))["ok"] is True
        async with asyncio.timeout(10):
            while (await house.status())["session"] is not None:  # noqa: ASYNC110
                await asyncio.sleep(0.001)
        ended = next(one for one in reversed(house.log) if one["event"] == "verb_ended")
        assert (ended["verb"], ended["exit"]) == ("marks", 0)


@pytest.mark.parametrize("answer", [Jog(1.0, -0.1), Found(), Found(3.5, -2.0), Skip(), None])
def test_answers_come_back_from_the_wire(answer: object) -> None:
    """To the wire and back through JSON."""
    assert from_wire(json.loads(json.dumps(to_wire(answer)))) == answer


@pytest.mark.parametrize(
    "value",
    [{"jog_mm": [float("nan"), 0.0]}, {"found_mm": [501.0, 0.0]}, {"jog_mm": "rr"}, "skip", 5, {"skip": 1}],
)
def test_what_is_no_answer(value: object) -> None:
    """Refused in words; nothing moves for it."""
    with pytest.raises(WireError):
        from_wire(value)


def test_stated_times_are_those_of_the_documentation() -> None:
    """docs/session.md states both."""
    text = (Path(__file__).parents[2] / "docs" / "session.md").read_text()
    assert f"{steering.ANSWER_S / 60:g} minutes" in text
    assert f"{steering.GONE_S:g} s after" in text
