"""The one talk with a service: what it asks, how often, and what becomes of it when nobody speaks."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from controller.page.board import Board, Link
from controller.page.talk import Talk
from controller.session.control import ControlServer

from .conftest import Scene, Told


class Beat:
    """A clock that a test moves: whoever sleeps goes on when it is told to, and instants are its own."""

    def __init__(self) -> None:
        self.now_ns = 0
        self._sleepers: list[asyncio.Future[None]] = []

    async def sleep(self, _seconds: float) -> None:
        """Until the next ``go``."""
        sleeper = asyncio.get_running_loop().create_future()
        self._sleepers.append(sleeper)
        await sleeper

    async def go(self, times: int = 1) -> None:
        """A second passes, so many times."""
        for _ in range(times):
            self.now_ns += 1_000_000_000
            sleepers, self._sleepers = self._sleepers, []
            for one in sleepers:
                if not one.done():
                    one.set_result(None)
            await asyncio.sleep(0)
            await asyncio.sleep(0)


async def until(true: Callable[[], bool]) -> None:
    """Let others run until it holds; the time-out only bounds a failing test."""
    async with asyncio.timeout(20):
        while not true():  # noqa: ASYNC110 - what is waited for is no event
            await asyncio.sleep(0.001)


@contextlib.asynccontextmanager
async def talking(path: Path) -> AsyncIterator[tuple[Board, Beat]]:
    """A talk that runs, its board and its clock."""
    beat = Beat()
    board = Board("boathouse")
    task = asyncio.create_task(Talk(path, board, lambda: beat.now_ns, beat.sleep).run())
    try:
        yield board, beat
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def test_follows_and_asks_once_a_second(scene: Scene) -> None:
    """One talk: the snapshot, events as they come, and a question each second that keeps the state known."""
    told = Told()
    server = ControlServer(scene.state.control_socket, told)
    await server.open()
    async with talking(scene.state.control_socket) as (board, beat):
        await until(lambda: board.link(0) is Link.LIVE)
        told.followers.tell({"event": "note", "text": "the tide turns"})
        await until(lambda: bool(board.view(0)["events"]))
        for count in range(1, 5):
            await beat.go()
            await until(lambda count=count: len(told.asked) == count)  # type: ignore[misc]
            await until(lambda: board.view(beat.now_ns)["age_ms"] == 0)
        assert {one.ask for one in told.asked} == {"status"}
        # What says less than has changed is followed by a question at once.
        told.fields["state"] = "paused"
        told.followers.tell({"event": "session_ended", "session": 3, "end": "done"})
        await until(lambda: board.view(beat.now_ns)["state"] == "paused")
    await server.close()


async def test_a_service_that_hangs_collects_one_question(scene: Scene) -> None:
    """However long it says nothing: one connection, one follow, one question; and its state is unknown."""
    lines: list[bytes] = []
    talks: list[asyncio.StreamWriter] = []

    async def hold(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        talks.append(writer)
        while line := await reader.readline():
            lines.append(line)
        writer.close()

    server = await asyncio.start_unix_server(hold, str(scene.state.control_socket))
    async with talking(scene.state.control_socket) as (board, beat):
        await until(lambda: len(lines) == 1)
        for _ in range(30):
            await beat.go()
        assert board.link(beat.now_ns) is Link.SILENT
        assert [json.loads(line)["ask"] for line in lines] == ["follow"]
        # It speaks again, late: known again, and asked again.
        answer = {"v": 1, "ok": True, "following": True, "state": "registered", "session": None, "recent": []}
        talks[0].write(json.dumps(answer).encode() + b"\n")
        await until(lambda: board.link(beat.now_ns) is Link.LIVE)
        await beat.go(3)
        await until(lambda: len(lines) == 2)
        assert json.loads(lines[1])["ask"] == "status"
        assert len(talks) == 1
    await until(talks[0].is_closing)
    server.close()


async def test_looks_again_where_nobody_listens(scene: Scene) -> None:
    """No socket, then a service, then none: each is seen within a second or two."""
    told = Told()
    async with talking(scene.state.control_socket) as (board, beat):
        await beat.go(2)
        await until(lambda: board._connected is False)
        server = ControlServer(scene.state.control_socket, told)
        await server.open()
        await beat.go(2)
        await until(lambda: board.link(beat.now_ns) is Link.LIVE)
        await server.close()
        await until(lambda: board._connected is False)
        assert board.view(beat.now_ns)["position_mm"] is None


async def test_a_talk_that_is_refused_or_unreadable(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """A refusal is shown in its words; bytes that are no answer of version 1 end the talk, and are said, and so is a
    fault of the page's own."""
    take = Board.take

    def at_fault(board: Board, message: Mapping[str, Any], now_ns: int) -> None:
        take(board, message, now_ns)
        if message.get("state") == "painting":
            raise KeyError("tide")

    monkeypatch.setattr(Board, "take", at_fault)
    answers = [
        b'{"v": 1, "ok": false, "expected": "up to 32 talks at a time", "got": "one more"}\n',
        b'{"v": 2, "ok": true}\n',
        b'{"v": 1, "ok": true, "state": "painting", "position_mm": [NaN, 1]}\n',
        b"\xff\xfe\n",
        b'{"v": 1, "ok": true, "state": "painting", "recent": []}\n',
    ]

    async def say(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(answers[0])
        await writer.drain()
        writer.close()

    server = await asyncio.start_unix_server(say, str(scene.state.control_socket))
    async with talking(scene.state.control_socket) as (board, beat):
        for piece in ("32 talks", "unreadable", "unreadable", "unreadable", "cannot make out"):
            await until(lambda piece=piece: piece in board.view(beat.now_ns)["doing"])  # type: ignore[misc]
            assert board.view(beat.now_ns)["state"] == "unknown"
            answers.pop(0)
            if answers:
                await beat.go(2)
    server.close()


async def test_a_talk_can_be_ended_at_any_instant(scene: Scene) -> None:
    """Also while it ends by itself, the service having hung up, and waits for its own question to be given up."""
    giving_up, given_up = asyncio.Event(), asyncio.Event()

    async def sleep(_seconds: float) -> None:
        try:
            await asyncio.get_running_loop().create_future()
        finally:
            giving_up.set()
            await given_up.wait()

    async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        # Its question has begun to wait once the follow is here.
        await reader.readline()
        writer.close()

    server = await asyncio.start_unix_server(hang_up, str(scene.state.control_socket))
    task = asyncio.create_task(Talk(scene.state.control_socket, Board("boathouse"), lambda: 0, sleep).run())
    async with asyncio.timeout(20):
        await giving_up.wait()
    task.cancel()
    await asyncio.wait({task}, timeout=20)
    given_up.set()
    server.close()
    assert task.cancelled()
