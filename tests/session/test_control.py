"""The control socket answers what is asked, and stands whatever is sent."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import sys
import tempfile
from pathlib import Path

import pytest

from controller.config.errors import RefusedError
from controller.session import control
from controller.session.control import ControlServer

from .obliging import Obliging


async def _say(path: Path, *lines: bytes) -> list[dict[str, object]]:
    reader, writer = await asyncio.open_unix_connection(str(path))
    writer.write(b"".join(lines))
    writer.write_eof()
    answers = [json.loads(line) for line in (await reader.read()).splitlines()]
    writer.close()
    await writer.wait_closed()
    return answers


async def test_status(tmp_path: Path) -> None:
    """A request of version 1 is answered with version 1; several on one line of talk are answered in order."""
    server = ControlServer(tmp_path / "c.sock", Obliging())
    await server.open()
    request = b'{"v": 1, "ask": "status"}\n'
    assert (
        await _say(tmp_path / "c.sock", request, request) == [{"v": 1, "ok": True, "state": "painting"}] * 2
    )
    assert (await asyncio.to_thread(control.ask, tmp_path / "c.sock", "status"))["state"] == "painting"
    await server.close()
    assert not (tmp_path / "c.sock").exists()


CIRCLE = (
    b'{"v": 1, "ask": "run", "verb": "measure", "arguments": {"test": '
    b'{"kind": "circle", "centre_mm": [90, 90], "radius_mm": %s, "speed_mm_s": %s}}}\n'
)


@pytest.mark.parametrize(
    "line",
    [
        b"\xff\xfe\n", b"[]\n", b'{"ask": "status"}\n', b'{"v": 2, "ask": "status"}\n', b'{"v": 1}\n',
        b'{"v": 1, "ask": 7}\n', b"[" * 4000 + b"\n", b'{"v": 1, "ask": "paint"}\n',
        b'{"v": 1, "ask": "status", "more": 1}\n', b'{"v": 1, "ask": "status", "kind": "immediate"}\n',
        b'{"v": 1, "ask": "stop", "kind": "soft"}\n', b'{"v": 1, "ask": "stop", "kind": 1}\n',
        b'{"v": true, "ask": "status"}\n', b'{"v": 1.0, "ask": "status"}\n', b'{"v": 1, "ask": "run"}\n',
        b'{"v": 1, "ask": "run", "verb": "move", "arguments": {}}\n',
        b'{"v": 1, "ask": "run", "verb": "home", "arguments": []}\n',
        b'{"v": 1, "ask": "run", "verb": "home", "arguments": {"speed": 9}}\n',
        b'{"v": 1, "ask": "run", "verb": "home", "arguments": {"accept_difference": "yes"}}\n',
        b'{"v": 1, "ask": "run", "verb": "paint", "arguments": {}}\n',
        b'{"v": 1, "ask": "run", "verb": "paint", "arguments": {"prepared": "low-tide"}}\n',
        b'{"v": 1, "ask": "run", "verb": "measure", "arguments": {"test": {"kind": "spiral"}}}\n',
        CIRCLE % (b"5", b"0"), CIRCLE % (b"NaN", b"9"), CIRCLE % (b"true", b"9"),
        b'{"v": 1, "ask": "run", "verb": "clear", "arguments": {"reason": "", "person": "Ada"}}\n',
        b'{"v": 1, "ask": "answer", "prompt": true, "value": true}\n',
        b'{"v": 1, "ask": "answer", "prompt": 1, "value": 1}\n',
        b'{"v": 1, "ask": "answer", "prompt": 1, "value": true}\n', b'{"v": 1, "ask": "follow", "from": 3}\n',
    ],
)  # fmt: skip
async def test_nonsense_is_answered_and_the_line_goes_on(tmp_path: Path, line: bytes) -> None:
    """A bad request says what was expected and what came; the next good one is answered as ever."""
    server = ControlServer(tmp_path / "c.sock", Obliging())
    await server.open()
    bad, good = await _say(tmp_path / "c.sock", line, b'{"v": 1, "ask": "status"}\n')
    assert (bad["v"], bad["ok"]) == (1, False)
    assert bad["expected"]
    assert good["ok"] is True
    await server.close()


async def test_a_test_to_measure_is_taken(tmp_path: Path) -> None:
    """The circle that the lines above damage is a request."""
    host = Obliging()
    server = ControlServer(tmp_path / "c.sock", host)
    await server.open()
    assert (await _say(tmp_path / "c.sock", CIRCLE % (b"5", b"9")))[0]["running"] == "measure"
    await server.close()


async def test_both_kinds_of_stop(tmp_path: Path) -> None:
    """stop takes the kind controlled or immediate, or none."""
    server = ControlServer(tmp_path / "c.sock", Obliging())
    await server.open()
    for kind in control.KINDS_OF_STOP:
        answer = await asyncio.to_thread(control.ask, tmp_path / "c.sock", "stop", 2.0, kind)
        assert (answer["stopping"], answer["kind"]) == (True, kind)
    assert (await _say(tmp_path / "c.sock", b'{"v": 1, "ask": "stop"}\n'))[0]["kind"] == "none given"
    await server.close()


async def test_endless_line_ends_the_talk(tmp_path: Path) -> None:
    """A line longer than any request is not stored: the talk is ended."""
    server = ControlServer(tmp_path / "c.sock", Obliging())
    await server.open()
    assert await _say(tmp_path / "c.sock", b"x" * (3 * control.LINE_BYTES_MAX)) == []
    await server.close()


async def test_silent_caller_does_not_keep_the_server(tmp_path: Path) -> None:
    """Whoever connects and says nothing is hung up on when the service ends."""
    server = ControlServer(tmp_path / "c.sock", Obliging())
    await server.open()
    reader, writer = await asyncio.open_unix_connection(str(tmp_path / "c.sock"))
    writer.write(b'{"v": 1, "ask": "status"}\n')
    assert await reader.readline()
    await server.close()
    assert await reader.read() == b""
    writer.close()
    await writer.wait_closed()


async def test_socket_left_by_a_dead_service(tmp_path: Path) -> None:
    """A stale socket file is replaced; the file is for this user alone."""
    stale = socket.socket(socket.AF_UNIX)
    stale.bind(str(tmp_path / "c.sock"))
    stale.close()
    with pytest.raises(RefusedError, match="no service runs"):
        control.ask(tmp_path / "c.sock", "status")
    server = ControlServer(tmp_path / "c.sock", Obliging())
    await server.open()
    assert (tmp_path / "c.sock").stat().st_mode & 0o777 == 0o600
    await server.close()


def test_no_service(tmp_path: Path) -> None:
    """Without a service the message says so and what to do."""
    with pytest.raises(RefusedError, match=r"no service runs.*giornata paint"):
        control.ask(tmp_path / "c.sock", "status")


def test_service_that_hangs(tmp_path: Path) -> None:
    """A service that takes the call and never answers is reported within the time-out; stop is pointed at."""
    with socket.socket(socket.AF_UNIX) as deaf:
        deaf.bind(str(tmp_path / "c.sock"))
        deaf.listen(1)
        with pytest.raises(RefusedError, match="giornata stop works even when it hangs"):
            control.ask(tmp_path / "c.sock", "status", timeout_s=0.05)


# following and running


class Line:
    """A client that reads line by line."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer

    @classmethod
    async def to(cls, path: Path) -> Line:
        """Connect."""
        return cls(*await asyncio.open_unix_connection(str(path)))

    def say(self, **request: object) -> None:
        """Send a request."""
        self._writer.write(json.dumps({"v": 1, **request}).encode() + b"\n")

    async def hear(self) -> dict[str, object]:
        """The next line; empty at the end."""
        async with asyncio.timeout(10):
            line = await self._reader.readline()
        return json.loads(line) if line else {}

    async def leave(self) -> None:
        """Hang up."""
        self._writer.close()
        await self._writer.wait_closed()


@pytest.fixture
async def house(tmp_path: Path):
    """A server and its host."""
    host = Obliging()
    server = ControlServer(tmp_path / "c.sock", host)
    await server.open()
    yield host, tmp_path / "c.sock"
    await server.close()


async def test_any_number_follow_and_are_told_the_same(house) -> None:
    """Each follower gets how it stands, then every event in order; requests in the same talk are answered as ever."""
    host, path = house
    lines = [await Line.to(path) for _ in range(5)]
    for line in lines:
        line.say(ask="follow")
        assert (await line.hear())["following"] is True
    for number in range(10):
        host.followers.tell({"event": "note", "text": str(number)})
    for line in lines:
        assert [(await line.hear())["text"] for _ in range(10)] == [str(number) for number in range(10)]
        line.say(ask="status")
        assert (await line.hear())["state"] == "painting"
        await line.leave()


async def test_reader_that_stops_reading_loses_events_and_holds_nobody_up(house) -> None:
    """One follower does not read: another gets all events meanwhile; the first later hears how many it has lost."""
    host, path = house
    deaf, awake = await Line.to(path), await Line.to(path)
    for line in (deaf, awake):
        line.say(ask="follow")
        await line.hear()
    events = 4000
    for number in range(events):
        host.followers.tell({"event": "note", "text": f"{number} " + "x" * 1000})
        heard = await awake.hear()
        assert str(heard["text"]).startswith(f"{number} ")
    lost, seen, last = 0, 0, ""
    while not last.startswith(f"{events - 1} "):
        heard = await deaf.hear()
        if heard["event"] == "lost":
            lost += int(str(heard["events"]))
        else:
            seen, last = seen + 1, str(heard["text"])
    assert lost > 0
    assert lost + seen == events
    for line in (deaf, awake):
        await line.leave()


async def test_the_end_of_a_verb_is_never_lost(house) -> None:
    """A client that reads late loses events, but not its verb's result, which comes after all others."""
    host, path = house
    line = await Line.to(path)
    line.say(ask="run", verb="home")
    assert (await line.hear())["running"] == "home"
    (follower,) = host.running
    for number in range(5000):
        host.followers.tell({"event": "note", "text": f"{number} " + "x" * 1000})
    follower.finish({"result": "done", "ok": True, "exit": 0, "value": {}})
    host.followers.tell({"event": "note", "text": "too late for this one"})
    heard: list[dict[str, object]] = []
    while not heard or "result" not in heard[-1]:
        heard.append(await line.hear())
    assert heard[0]["event"] == "lost"
    line.say(ask="status")
    assert (await line.hear())["state"] == "painting"
    await line.leave()


async def test_client_that_leaves_ends_nothing(house) -> None:
    """The verb's queue is closed with the talk; telling goes on, and the end of the verb reaches nobody."""
    host, path = house
    line = await Line.to(path)
    line.say(ask="run", verb="home")
    await line.hear()
    await line.leave()
    async with asyncio.timeout(10):
        while host.followers.count:  # noqa: ASYNC110 - until the server has seen the end of the line
            await asyncio.sleep(0)
    host.followers.tell({"event": "note", "text": "on"})
    host.running[0].finish({"result": "done"})
    after = await Line.to(path)
    after.say(ask="status")
    assert (await after.hear())["ok"] is True
    await after.leave()


async def test_refused_verb_is_answered_as_an_error(house) -> None:
    """Busy: exit 3, with the words; the talk goes on and may ask again."""
    host, path = house
    host.busy = True
    line = await Line.to(path)
    line.say(ask="run", verb="home")
    refused = await line.hear()
    assert (refused["ok"], refused["exit"]) == (False, 3)
    host.busy = False
    line.say(ask="run", verb="home")
    assert (await line.hear())["running"] == "home"
    line.say(ask="follow")
    assert (await line.hear())["ok"] is False
    await line.leave()


async def test_half_lines_are_waited_for(house) -> None:
    """A request that comes byte by byte is one request; without its end it is none."""
    host, path = house
    reader, writer = await asyncio.open_unix_connection(str(path))
    for byte in b'{"v": 1, "ask": "stop", "kind": "immediate"}':
        writer.write(bytes([byte]))
        await writer.drain()
    other = await Line.to(path)
    other.say(ask="status")
    await other.hear()
    assert [one.ask for one in host.asked] == ["status"]
    writer.write(b"\n")
    assert json.loads(await reader.readline())["kind"] == "immediate"
    writer.close()
    await writer.wait_closed()
    await other.leave()


async def test_line_of_a_megabyte_ends_the_talk(house) -> None:
    """It is neither stored nor answered, and others do not notice."""
    _, path = house
    reader, writer = await asyncio.open_unix_connection(str(path))
    writer.write(b"x" * 1_000_000)
    with contextlib.suppress(ConnectionError):
        assert await reader.read() == b""
    writer.close()
    with contextlib.suppress(ConnectionError):
        await writer.wait_closed()
    other = await Line.to(path)
    other.say(ask="status")
    assert (await other.hear())["ok"] is True
    await other.leave()


async def test_too_many_talks_are_refused(house) -> None:
    """Beyond the limit a talk is told so and ended; when one leaves there is room again."""
    _, path = house
    lines = [await Line.to(path) for _ in range(control.TALKS_MAX)]
    for line in lines:
        line.say(ask="status")
        assert (await line.hear())["ok"] is True
    beyond = await Line.to(path)
    assert (await beyond.hear())["ok"] is False
    assert await beyond.hear() == {}
    for line in (*lines, beyond):
        await line.leave()


async def test_foreign_user_is_not_served(tmp_path: Path) -> None:
    """Somebody else's process gets no answer, whatever it says; checked by what the kernel would say of it."""
    host = Obliging()
    server = ControlServer(tmp_path / "c.sock", host, uid_at=lambda _peer: os.getuid() + 1)
    await server.open()
    reader, writer = await asyncio.open_unix_connection(str(tmp_path / "c.sock"))
    with contextlib.suppress(ConnectionError):
        writer.write(b'{"v": 1, "ask": "stop"}\n')
        assert await reader.read() == b""
    writer.close()
    with contextlib.suppress(ConnectionError):
        await writer.wait_closed()
    assert host.asked == []
    await server.close()


@pytest.mark.skipif(os.getuid() != 0, reason="only root can become somebody else")
async def test_foreign_user_is_not_served_by_the_kernels_word() -> None:
    """The same with a process that truly runs as another user and may open the file."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)  # noqa: ASYNC240
        host = Obliging()
        server = ControlServer(folder / "c.sock", host)
        await server.open()
        (folder / "c.sock").chmod(0o666)
        child = await asyncio.create_subprocess_exec(
            sys.executable, "-c", FOREIGN, str(folder / "c.sock"), stdout=asyncio.subprocess.PIPE
        )
        said, _ = await child.communicate()
        assert (child.returncode, said) == (0, b"")
        assert host.asked == []
        await server.close()


FOREIGN = """
import os, socket, sys
os.setgid(65534); os.setuid(65534)
line = socket.socket(socket.AF_UNIX)
line.connect(sys.argv[1])
try:
    line.sendall(b'{"v": 1, "ask": "stop", "kind": "immediate"}\\n')
    sys.stdout.write(line.recv(4096).decode())
except ConnectionError:
    pass
"""
