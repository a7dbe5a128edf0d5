"""Listening on a wire: only the adapter's own words leave, what comes is kept, and no session is disturbed."""

from __future__ import annotations

import os
import select
import threading
import tty
from pathlib import Path

import pytest

from controller.config.errors import InputError, RefusedError
from controller.config.places import StateDir, shipped
from controller.session import listening
from controller.session.daemon import locked
from drivers.can.slcan import SlcanLink
from drivers.clock import MonotonicClock
from drivers.errors import LinkError
from drivers.tracefile import TraceWriter, read_trace


def test_an_adapter_is_told_to_listen_only(tmp_path: Path) -> None:
    """Close and listen-only (L of the adapter's protocol), and back; no frame leaves; what came is in the trace."""
    near, far = os.openpty()
    tty.setraw(far)
    os.set_blocking(far, False)
    try:
        link = SlcanLink(os.dup(far), "pty")
        os.write(near, b"t1812370A\rt7010\rt701100\r")
        writer = TraceWriter.create(tmp_path / "ring", 16, {})
        listening._hear(link, writer, MonotonicClock(), 0.01, threading.Event())
        said = b""
        # In as many pieces as the kernel likes.
        while len(said) < 8 and select.select([near], [], [], 10.0)[0]:
            said += os.read(near, 100)
        assert said == b"C\rL\rC\rO\r"
        assert select.select([near], [], [], 0.0)[0] == []
    finally:
        os.close(near)
        os.close(far)
    pieces = list(read_trace(tmp_path / "ring").pieces())
    assert [(piece.is_out, piece.can_id, piece.data) for piece in pieces] == [
        (False, 0x181, b"\x37\x0a"),
        (False, 0x701, b""),
        (False, 0x701, b"\x00"),
    ]
    assert link.fileno() == -1


def test_a_line_without_an_adapter_is_only_read(tmp_path: Path) -> None:
    """A Modbus line is not written to at all."""

    class Line:
        """Bytes once; whoever sends fails the test."""

        left = b"\x01\x03"
        closed = False

        def send(self, _data: bytes) -> None:
            """Never."""
            raise AssertionError

        def receive(self) -> bytes:
            """All there is."""
            came, self.left = self.left, b""
            return came

        def close(self) -> None:
            """Remembered."""
            self.closed = True

    line = Line()
    over = threading.Event()
    over.set()
    listening._hear(line, TraceWriter.create(tmp_path / "ring", 16, {}), MonotonicClock(), 60.0, over)  # type: ignore[arg-type]
    assert [piece.data for piece in read_trace(tmp_path / "ring").pieces()] == [b"\x01\x03"]
    assert line.closed


async def test_a_session_is_not_disturbed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While somebody holds the machine a serial wire is refused, by name; nothing is opened."""

    def never(*_: object) -> None:
        raise AssertionError

    monkeypatch.setattr(listening, "open_link", never)
    with (
        locked(StateDir.open(tmp_path, "template-slcan"), "paint"),
        pytest.raises(RefusedError, match="giornata paint"),
    ):
        await listening.record(shipped("machines/template-slcan.toml"), tmp_path, 1.0, None)


@pytest.mark.parametrize(
    ("name", "interface"),
    [
        ("template-slcan", "socketcan"),
        ("template-slcan", "python-can:socketcan"),
        ("boathouse-described-can", "socketcan"),
    ],
)
async def test_a_shared_bus_may_be_heard_beside_a_session(
    name: str, interface: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A SocketCAN interface has many readers: it is opened though a session runs. What fails is the wire's error."""
    text = (
        shipped(f"machines/{name}.toml")
        .read_text()
        .replace('interface = "slcan"', f'interface = "{interface}"')
    )
    machine = tmp_path / "bench.toml"
    machine.write_text(
        text.replace("/dev/ttyACM0", "can0")
        .replace('channel = "simulated"', 'channel = "can0"')
        .replace("../drives", str(shipped("drives/heron.toml").parent))
    )
    opened: list[str] = []

    def gone(_settings: object, channel: str, _clock: object) -> None:
        opened.append(channel)
        raise LinkError("wire", "a bus", "none")

    monkeypatch.setattr(listening, "open_link", gone)
    with locked(StateDir.open(tmp_path / "s", name), "paint"), pytest.raises(LinkError):
        await listening.record(machine, tmp_path / "s", 1.0, tmp_path / "heard.gtr")
    assert opened == ["can0"]


async def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    """Said before anything is opened."""
    with pytest.raises(InputError, match="a folder that is there"):
        await listening.record(
            shipped("machines/boathouse.toml"), tmp_path, 1.0, tmp_path / "none" / "heard.gtr"
        )
