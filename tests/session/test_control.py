"""The control socket answers what is asked, and stands whatever is sent."""

from __future__ import annotations

import asyncio
import json
import socket
from pathlib import Path

import pytest

from controller.config.errors import RefusedError
from controller.session import control
from controller.session.control import ControlServer


def _handler(verb: str, kind: str) -> dict[str, object]:
    if verb == "stop":
        return {"stopping": True, "kind": kind or "none given"}
    if verb != "status":
        raise KeyError(verb)
    return {"state": "painting"}


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
    server = ControlServer(tmp_path / "c.sock", _handler)
    await server.open()
    request = b'{"v": 1, "ask": "status"}\n'
    assert (
        await _say(tmp_path / "c.sock", request, request) == [{"v": 1, "ok": True, "state": "painting"}] * 2
    )
    assert (await asyncio.to_thread(control.ask, tmp_path / "c.sock", "status"))["state"] == "painting"
    await server.close()
    assert not (tmp_path / "c.sock").exists()


@pytest.mark.parametrize(
    "line",
    [
        b"\xff\xfe\n", b"[]\n", b'{"ask": "status"}\n', b'{"v": 2, "ask": "status"}\n', b'{"v": 1}\n',
        b'{"v": 1, "ask": 7}\n', b"[" * 4000 + b"\n", b'{"v": 1, "ask": "paint"}\n',
        b'{"v": 1, "ask": "status", "more": 1}\n', b'{"v": 1, "ask": "status", "kind": "immediate"}\n',
        b'{"v": 1, "ask": "stop", "kind": "soft"}\n', b'{"v": 1, "ask": "stop", "kind": 1}\n',
    ],
)  # fmt: skip
async def test_nonsense_is_answered_and_the_line_goes_on(tmp_path: Path, line: bytes) -> None:
    """A bad request says what was expected and what came; the next good one is answered as ever."""
    server = ControlServer(tmp_path / "c.sock", _handler)
    await server.open()
    bad, good = await _say(tmp_path / "c.sock", line, b'{"v": 1, "ask": "status"}\n')
    assert (bad["v"], bad["ok"]) == (1, False)
    assert bad["expected"]
    assert good["ok"] is True
    await server.close()


async def test_both_kinds_of_stop(tmp_path: Path) -> None:
    """stop takes the kind controlled or immediate, or none."""
    server = ControlServer(tmp_path / "c.sock", _handler)
    await server.open()
    for kind in control.KINDS_OF_STOP:
        answer = await asyncio.to_thread(control.ask, tmp_path / "c.sock", "stop", 2.0, kind)
        assert (answer["stopping"], answer["kind"]) == (True, kind)
    assert (await _say(tmp_path / "c.sock", b'{"v": 1, "ask": "stop"}\n'))[0]["kind"] == "none given"
    await server.close()


async def test_endless_line_ends_the_talk(tmp_path: Path) -> None:
    """A line longer than any request is not stored: the talk is ended."""
    server = ControlServer(tmp_path / "c.sock", _handler)
    await server.open()
    assert await _say(tmp_path / "c.sock", b"x" * (3 * control.LINE_BYTES_MAX)) == []
    await server.close()


async def test_silent_caller_does_not_keep_the_server(tmp_path: Path) -> None:
    """Whoever connects and says nothing is hung up on when the service ends."""
    server = ControlServer(tmp_path / "c.sock", _handler)
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
    server = ControlServer(tmp_path / "c.sock", _handler)
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
