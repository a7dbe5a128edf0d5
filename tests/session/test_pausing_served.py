"""A pause through the service: asked for and answered over the socket, by whichever client; what keys ask for."""

from __future__ import annotations

import asyncio
import os
import pty
import socket
import sys
from pathlib import Path

import pytest

from controller.cli.following import _keys, keys_for, request_for
from controller.config.errors import RefusedError
from controller.session import control, verbs
from controller.session.service import StoppedError
from controller.session.wire import WireError, parse
from tests.session.test_pausing import Resting
from tests.session.test_serve import MACHINE, House


class PausingHouse(House):
    """A service whose passes last until they are paused, and go on whole."""

    def runner(self, *_: object) -> Resting:
        """A session's runner."""
        self.runners.append(Resting(self.state))
        return self.runners[-1]

    async def asked(self, what: str, **fields: object):
        """One request."""
        return await asyncio.to_thread(control.ask, self.state.control_socket, what, 5.0, **fields)

    async def standing(self):
        """The question of the paused pass, once it stands."""
        async with asyncio.timeout(10):
            while True:
                prompt = (await self.status()).get("prompt")
                if prompt is not None and prompt["kind"] == "pause":
                    return prompt
                await asyncio.sleep(0.001)


@pytest.fixture
def house(tmp_path: Path) -> PausingHouse:
    """A machine that was never homed."""
    return PausingHouse(tmp_path / "s")


async def _painting(house: PausingHouse, three) -> asyncio.Task:
    await house.ask("home")
    painting = asyncio.create_task(house.ask("paint", prepared=str(three.folder), yes=True))
    async with asyncio.timeout(10):
        while len(house.runners) < 2:  # noqa: ASYNC110
            await asyncio.sleep(0.001)
        await house.runners[-1].moving.wait()
    return painting


async def test_asked_and_answered_from_another_terminal(house: PausingHouse, three) -> None:
    """Also with --yes nobody but a person goes on; the client that paints hears the end as if nothing had been."""
    async with house.served():
        painting = await _painting(house, three)
        answer = await asyncio.to_thread(verbs.pause, MACHINE, house.state.root, park_mm=(500.0, 600.0))
        assert answer == {"pausing": True, "at": "stroke-end"}
        prompt = await house.standing()
        assert prompt["choices"] == ["go-on", "home", "stop"]
        status = await house.status()
        assert (status["state"], status["pass"]["name"]) == (
            "paused",
            "teal-1",
        )
        with pytest.raises(RefusedError, match="the pass is paused"):
            await asyncio.to_thread(verbs.pause, MACHINE, house.state.root)
        with pytest.raises(RefusedError, match="giornata paint runs"):
            await house.ask("home")
        wrong = await house.asked("answer", prompt=prompt["prompt"], value=True)
        assert (wrong["ok"], wrong["expected"]) == (False, '"value" one of go-on, home, stop')
        assert not painting.done()
        await asyncio.to_thread(verbs.answer_pause, MACHINE, house.state.root, "go-on")
        painted = await painting
        assert [(one["state"], one["painted_now"]) for one in painted["passes"]] == [("finished", 3)]
        assert (await house.status())["state"] == "registered"


async def test_whoever_asked_hears_when_the_head_is_parked(
    house: PausingHouse, three, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The wait ends with the question, and again when it is answered; at rest there is nothing to wait for, and the
    same is said where whoever took the pause has gone or died. Somebody who is there and silent is told of."""
    async with house.served():
        painting = await _painting(house, three)
        await asyncio.to_thread(verbs.pause, MACHINE, house.state.root)
        there = await asyncio.to_thread(verbs.parked, MACHINE, house.state.root, lambda _s: None)
        assert there["paused"]
        assert there["question"].endswith("Go on, home first, or stop here?")
        await asyncio.to_thread(verbs.answer_pause, MACHINE, house.state.root, "go-on")
        await painting
        gone = await asyncio.to_thread(verbs.parked, MACHINE, house.state.root, lambda _s: None)
        assert gone == {"paused": False, "question": ""}
    assert await asyncio.to_thread(verbs.parked, MACHINE, house.state.root, lambda _s: None) == gone
    with socket.socket(socket.AF_UNIX) as left:  # as a process that was killed leaves it
        left.bind(str(house.state.control_socket))
    assert await asyncio.to_thread(verbs.parked, MACHINE, house.state.root, lambda _s: None) == gone

    def silent(*_: object, **__: object) -> dict[str, object]:
        raise RefusedError("the service does not answer within 2 s", "giornata stop", code="service-silent")

    monkeypatch.setattr(control, "ask", silent)
    with pytest.raises(RefusedError, match="does not answer"):
        await asyncio.to_thread(verbs.parked, MACHINE, house.state.root, lambda _s: None)


async def test_client_that_left_leaves_the_pause(house: PausingHouse, three) -> None:
    """The client that painted is gone; the question stands until somebody ends it."""
    async with house.served():
        painting = await _painting(house, three)
        await house.asked("pause", at="path")
        await house.standing()
        painting.cancel()
        await asyncio.wait({painting})
        assert (await house.status())["state"] == "paused"
        await asyncio.to_thread(verbs.answer_pause, MACHINE, house.state.root, "stop")
        async with asyncio.timeout(10):
            while (await house.status())["session"] is not None:  # noqa: ASYNC110
                await asyncio.sleep(0.001)
        assert (await house.status())["state"] == "paused"  # the pass can go on another day
        assert house.log[-1]["event"] == "verb_ended"
        assert house.log[-1]["exit"] == 130


async def test_stop_over_the_socket_while_paused(house: PausingHouse, three) -> None:
    """giornata stop --gently's request: the client hears stopped, nothing latches."""
    async with house.served():
        painting = await _painting(house, three)
        await house.asked("pause")
        await house.standing()
        await house.runners[-1].holding.wait()
        assert (await house.stop())["kind"] == "controlled"
        with pytest.raises(StoppedError):
            await painting
        assert (await house.status())["latch"] is None


async def test_nothing_to_pause(house: PausingHouse) -> None:
    """At rest both a pause and an answer are refused."""
    async with house.served():
        with pytest.raises(RefusedError, match="nothing runs"):
            await asyncio.to_thread(verbs.pause, MACHINE, house.state.root)
        with pytest.raises(RefusedError, match="no pass is paused"):
            await asyncio.to_thread(verbs.answer_pause, MACHINE, house.state.root, "go-on")


@pytest.mark.parametrize(
    "more",
    [
        '"at": "later"',
        '"at": 1',
        '"park_mm": 5',
        '"park_mm": [1]',
        '"park_mm": [1, NaN]',
        '"park_mm": [1, true]',
    ],
)
def test_requests_that_are_none(more: str) -> None:
    """Refused before anybody is asked."""
    with pytest.raises(WireError):
        parse(f'{{"v": 1, "ask": "pause", {more}}}'.encode())


PROMPT = {
    "kind": "pause",
    "prompt": 7,
    "question": "1 of 3 strokes are painted. Go on, home first, or stop here?",
}


@pytest.mark.parametrize(
    ("key", "fields", "asks"),
    [
        ("p", {"state": "painting"}, {"ask": "pause", "at": "stroke-end"}),
        ("P", {"state": "painting"}, {"ask": "pause", "at": "path"}),
        ("p", {"state": "registered"}, None),
        ("g", {"state": "paused", "prompt": PROMPT}, {"ask": "answer", "prompt": 7, "value": "go-on"}),
        ("h", {"state": "paused", "prompt": PROMPT}, {"ask": "answer", "prompt": 7, "value": "home"}),
        ("s", {"state": "paused", "prompt": PROMPT}, {"ask": "answer", "prompt": 7, "value": "stop"}),
        ("p", {"state": "paused", "prompt": PROMPT}, None),
        ("g", {"state": "paused"}, None),
        ("g", {"state": "waiting", "prompt": {"kind": "confirm", "prompt": 2}}, None),
    ],
)
def test_keys_of_the_live_screen(key: str, fields: dict, asks: dict | None) -> None:
    """A key does what the last line says it does as the machine stands, and nothing else."""
    assert request_for(key, fields) == asks


@pytest.mark.parametrize("way", ["q", "the terminal has gone"])
async def test_live_screen_takes_whole_keys(monkeypatch: pytest.MonkeyPatch, way: str) -> None:
    """F1 ends in the letter P and is none; nor is it kept for later. The screen ends by q, and with its terminal."""
    person, inside = pty.openpty()
    with os.fdopen(inside, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        ended, pressed, came = asyncio.Event(), list[str](), asyncio.Event()

        async def take(key: str) -> None:
            pressed.append(key)
            came.set()

        async with asyncio.timeout(10):
            with _keys(ended, take):
                os.write(person, b"\x1bOP\x1b[A")
                os.write(person, b"p")
                while "p" not in pressed:
                    await came.wait()
                    came.clear()
                assert not ended.is_set()
                if way == "q":
                    os.write(person, b"\x1b[15~q")
                else:
                    os.close(person)
                await ended.wait()
    if way == "q":
        os.close(person)
    assert [request for key in pressed if (request := request_for(key, {"state": "painting"}))] == [
        {"ask": "pause", "at": "stroke-end"}
    ]


def test_last_line_tells_the_keys() -> None:
    """In 80 columns."""
    for fields in ({"state": "painting"}, {"state": "paused", "prompt": PROMPT}, {"state": "registered"}, {}):
        line = keys_for(fields)
        assert "q ends this screen" in line
        assert len(line) <= 80
