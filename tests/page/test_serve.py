"""Where the page listens, and when it refuses to; over real connections to 127.0.0.1."""

from __future__ import annotations

import contextlib
import http.client
import importlib.util
import json
import socket
import stat
import sys
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from controller.cli.main import main
from controller.config.errors import InputError
from controller.page.access import Access
from controller.page.connections import CONNECTIONS_MAX
from controller.page.serve import UNREAD_MS, listen, url_of

from .conftest import Scene, Served, Told, paged


def refusal(capsys: pytest.CaptureFixture[str], scene: Scene, *options: str) -> tuple[int, str]:
    """Exit code and words of a command that does not come to serve."""
    capsys.readouterr()
    code = main(["page", "--machine", str(scene.machine), "--state", str(scene.state.root), *options])
    return code, capsys.readouterr().err


def test_beyond_this_computer_only_with_a_token(capsys: pytest.CaptureFixture[str], scene: Scene) -> None:
    """Any other address than a loopback one is refused without a token, before anything listens."""
    for host in ("0.0.0.0", "wall.example"):
        code, said = refusal(capsys, scene, "--host", host)
        assert code == 2
        assert "--token-file or --new-token" in said


def test_a_token_file_that_others_can_read_is_refused(
    capsys: pytest.CaptureFixture[str], scene: Scene, tmp_path: Path
) -> None:
    """Whatever the host; and so are two ways of a token at once."""
    path = tmp_path / "token"
    path.write_text("t" * 30)
    path.chmod(0o644)
    code, said = refusal(capsys, scene, "--token-file", str(path))
    assert (code, "chmod 600" in said) == (2, True)
    code, said = refusal(capsys, scene, "--token-file", str(path), "--new-token")
    assert (code, "both" in said) == (2, True)


def test_without_its_libraries_it_says_what_to_install(
    capsys: pytest.CaptureFixture[str], scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit 3 and the extra's name, not a traceback."""
    real = importlib.util.find_spec

    def without(name: str, *rest: Any) -> Any:
        return None if name == "uvicorn" else real(name, *rest)

    monkeypatch.setattr(importlib.util, "find_spec", without)
    code, said = refusal(capsys, scene)
    assert code == 3
    assert "uvicorn" in said
    assert "giornata[page]" in said


def test_addresses_that_cannot_be_had(scene: Scene) -> None:
    """A port in use, an address of another computer: bad input, in words."""
    with listen("127.0.0.1", 0) as line:
        port = line.getsockname()[1]
        assert url_of(line, "127.0.0.1") == f"http://127.0.0.1:{port}/"
        assert (url_of(line, "0.0.0.0"), url_of(line, "::1")) == (
            f"http://127.0.0.1:{port}/",
            f"http://[::1]:{port}/",
        )
        for host in ("127.0.0.1", "192.0.2.7"):
            with pytest.raises(InputError, match="a port that is free"):
                listen(host, port)


def test_whoever_takes_nothing_is_ended_by_the_kernel() -> None:
    """A connection has its bound from the socket that took it (tcp(7), TCP_USER_TIMEOUT)."""
    with listen("127.0.0.1", 0) as line, socket.create_connection(line.getsockname()):
        taken, _ = line.accept()
        with taken:
            assert taken.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == UNREAD_MS


def test_over_a_real_connection(scene: Scene) -> None:
    """The server itself: the page, its headers, another host's name, a request that is none, and the stream."""
    served = Served(scene.state.control_socket, Told())
    with paged(scene) as url:
        parts = urlsplit(url)
        assert parts.hostname is not None
        assert parts.port is not None
        talk = http.client.HTTPConnection(parts.hostname, parts.port, timeout=30)
        talk.request("GET", "/")
        answer = talk.getresponse()
        body = answer.read()
        assert (answer.status, b"Stop the machine" in body) == (200, True)
        assert answer.getheader("server") is None
        assert "default-src 'none'" in (answer.getheader("content-security-policy") or "")
        talk.request("GET", "/", headers={"Host": "elsewhere.example"})
        answer = talk.getresponse()
        answer.read()
        assert answer.status == 421
        talk.request("GET", "/events")
        answer = talk.getresponse()
        assert answer.getheader("content-type") == "text/event-stream"
        assert answer.readline() == b"event: hello\n"
        while b'"state":"painting"' not in answer.readline():
            pass
        assert served.here(lambda: served.told.followers.count) == 1
        answer.close()
        talk.close()
        with socket.create_connection((parts.hostname, parts.port), timeout=30) as line:
            line.sendall(b"\x16\x03\x01 no request\r\n\r\n")
            assert line.recv(4096).startswith(b"HTTP/1.1 400")
    served.close()


def place_of(url: str) -> tuple[str, int]:
    """Where it listens."""
    parts = urlsplit(url)
    assert parts.hostname is not None
    assert parts.port is not None
    return parts.hostname, parts.port


def is_ended(line: socket.socket) -> bool:
    """Whether the page has ended a connection on which it has said nothing."""
    line.setblocking(False)
    try:
        return line.recv(1) == b""
    except BlockingIOError:
        return False
    except ConnectionResetError:
        return True


BEGUN = {
    "nothing": b"",
    "part of a request": b"GET / HT",
    "a press without its end": (
        b"POST /stop HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: 90\r\n\r\npress="
    ),
}


@pytest.mark.parametrize(
    "begun", [*([one] for one in BEGUN.values()), list(BEGUN.values())], ids=[*BEGUN, "each"]
)
def test_a_press_gets_in_whoever_holds_connections(
    scene: Scene, monkeypatch: pytest.MonkeyPatch, begun: list[bytes]
) -> None:
    """More than there may be, from peers that show no token, and what they have said by then. A press is answered by
    the page, not by the server's 503; those longest there are left for it, and no others."""
    # However long this takes, it is their number that ends them.
    monkeypatch.setattr("controller.page.serve.KEEP_S", 600)
    monkeypatch.setattr("controller.page.app.BODY_S", 600.0)
    access = Access(is_local=True, press="a-word")
    with paged(scene, access) as url, contextlib.ExitStack() as held:
        place = place_of(url)
        lines = [
            held.enter_context(socket.create_connection(place, timeout=30))
            for _ in range(CONNECTIONS_MAX + 10)
        ]
        for number, line in enumerate(lines):
            line.sendall(begun[number % len(begun)])
        talk = http.client.HTTPConnection(*place, timeout=30)
        headers = {"Origin": url.rstrip("/"), "Accept": "application/json"}
        talk.request("POST", "/stop", body="press=a-word", headers=headers)
        answer = json.loads(talk.getresponse().read())
        talk.close()
        assert not answer["stopped"]
        assert "No guard answers" in answer["lines"][0]
        ended = [is_ended(line) for line in lines]
        assert ended == [True] * 11 + [False] * (CONNECTIONS_MAX - 1)


def test_a_peer_with_many_connections_takes_none_of_another(scene: Scene) -> None:
    """The one that has waited longest is another address's: it is kept, and served when it speaks."""
    with paged(scene) as url, contextlib.ExitStack() as held:
        place = place_of(url)
        first = http.client.HTTPConnection(*place, timeout=30, source_address=("127.0.0.2", 0))
        first.connect()
        lines = [
            held.enter_context(socket.create_connection(place, timeout=30))
            for _ in range(CONNECTIONS_MAX + 10)
        ]
        # The last one is answered when all before it have been taken.
        for talk in (http.client.HTTPConnection(*place, timeout=30), first):
            talk.request("GET", "/page.js")
            answer = talk.getresponse()
            assert (answer.status, len(answer.read()) > 0) == (200, True)
            held.callback(talk.close)
        assert sum(map(is_ended, lines)) == 12


def test_a_connection_that_asks_nothing_is_ended(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whether it has said nothing at all or part of a request, and after an answer too; a stream goes on."""
    monkeypatch.setattr("controller.page.serve.KEEP_S", 0.2)
    with paged(scene) as url:
        place = place_of(url)
        for begun in (b"", b"GET / HTTP/1.1\r\nhost: ", b"GET /icon.svg HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n"):
            with socket.create_connection(place, timeout=30) as line:
                line.sendall(begun)
                while line.recv(4096):
                    pass
        talk = http.client.HTTPConnection(*place, timeout=30)
        talk.request("GET", "/events")
        answer = talk.getresponse()
        views = 0
        while views < 2:
            views += answer.readline() == b"event: view\n"
        answer.close()
        talk.close()


def test_the_token_is_asked_for_over_a_real_connection(scene: Scene) -> None:
    """Without it 401 and nothing of the machine."""
    with paged(scene, Access(is_local=True, token="t" * 24)) as url:
        parts = urlsplit(url)
        assert parts.hostname is not None
        talk = http.client.HTTPConnection(parts.hostname, parts.port, timeout=30)
        talk.request("GET", "/")
        answer = talk.getresponse()
        assert (answer.status, b"boathouse" in answer.read()) == (401, False)
        talk.close()


def test_the_page_makes_nothing_in_the_state_folder(scene: Scene) -> None:
    """It reads: no file is there that was not, and none has other rights."""

    def there() -> set[tuple[str, int]]:
        return {(str(one), stat.S_IMODE(one.stat().st_mode)) for one in scene.state.root.rglob("*")}

    before = there()
    with paged(scene) as url:
        parts = urlsplit(url)
        assert parts.hostname is not None
        talk = http.client.HTTPConnection(parts.hostname, parts.port, timeout=30)
        talk.request("GET", "/events")
        answer = talk.getresponse()
        while b'"link":"none"' not in answer.readline():
            pass
        answer.close()
        talk.close()
    assert there() == before


def test_the_command_line_starts_without_the_servers_libraries() -> None:
    """They are imported when a page is served, and not for every other verb's start."""
    import subprocess

    words = (
        "import sys, controller.cli.main; print([n for n in ('starlette', 'uvicorn') if n in sys.modules])"
    )
    assert subprocess.check_output([sys.executable, "-c", words], text=True).strip() == "[]"
