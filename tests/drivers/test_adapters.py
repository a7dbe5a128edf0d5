# ruff: noqa: D102
"""python-can's slcan and socketcand backends through our link: what they leave undone, and what we promise of it."""

from __future__ import annotations

import os
import socket
import time
import tty
from collections.abc import Iterator

import pytest

from drivers.can.link import Frame
from drivers.can.pythoncan import PythonCanLink
from drivers.errors import LinkError, MisuseError
from drivers.registry import open_link, stop_plan
from tests.fakes.drive_settings import group_settings
from tests.fakes.socketcand_server import SocketcandServer
from tests.safety.bus_axes import RunningAxes


def frames_within(link: PythonCanLink, count: int) -> list[tuple[int, bytes]]:
    """The next ``count`` frames; the time-out only bounds a failing test."""
    found: list[Frame] = []
    end_s = time.monotonic() + 20
    while len(found) < count:
        assert time.monotonic() < end_s, found
        found += link.receive()
        time.sleep(0.001)
    return [(frame.can_id, frame.data) for frame in found]


class Pty:
    """A serial adapter's far end."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.channel = os.ttyname(self.slave)

    def close(self) -> None:
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def pty() -> Iterator[Pty]:
    made = Pty()
    yield made
    made.close()


@pytest.fixture
def serial(pty: Pty) -> Iterator[PythonCanLink]:
    link = PythonCanLink.open("python-can:slcan", pty.channel, 1_000_000, options={"sleep_after_open": 0.0})
    yield link
    link.close()


def test_acknowledgements_do_not_hide_frames(pty: Pty, serial: PythonCanLink) -> None:
    """python-can takes an acknowledgement for nothing: the frames behind it come with the same call all the same."""
    os.write(pty.master, b"z\rz\rt18121122\rz\rt1822AABB\r")
    assert frames_within(serial, 2) == [(0x181, b"\x11\x22"), (0x182, b"\xaa\xbb")]
    os.write(pty.master, b"z\r" * 8 + b"t1811FF\r")
    assert serial.receive()[0].data == b"\xff"


def test_a_byte_that_is_no_character_costs_its_line_only(pty: Pty, serial: PythonCanLink) -> None:
    """python-can would fail on it for ever."""
    os.write(pty.master, b"t1811\xff\rt18211A\r")
    assert frames_within(serial, 1) == [(0x182, b"\x1a")]
    assert serial.garbled >= 1


def test_letting_go_leaves_the_adapter_on_the_bus(pty: Pty, serial: PythonCanLink) -> None:
    """No closing command: the guard may still need the adapter's channel."""
    serial.send_frames([(0x201, b"\x02")])
    serial.close()
    os.write(pty.slave, b"end")
    text = b""
    while not text.endswith(b"end"):
        text += os.read(pty.master, 4096)
    assert text.endswith(b"O\rt201102\rend")


def test_the_guard_writes_to_python_cans_slcan_by_itself(pty: Pty) -> None:
    """It is a serial line like that of our own link: the same plan, lines on a tty."""
    ours = stop_plan(group_settings("slcan", pty.channel), pty.channel)
    assert stop_plan(group_settings("python-can:slcan", pty.channel), pty.channel) == ours


@pytest.fixture
def bus() -> Iterator[SocketcandServer]:
    server = SocketcandServer("vcan0", RunningAxes())
    yield server
    server.close()


def over(bus: SocketcandServer, **options: str | int | bool) -> PythonCanLink:
    told = {"host": "127.0.0.1", "port": bus.port, **options}
    link = open_link(group_settings("socketcand", "vcan0", options=told), "vcan0", None)  # type: ignore[arg-type]
    assert isinstance(link, PythonCanLink)
    return link


def test_two_handles_hear_each_other_and_the_drives(bus: SocketcandServer) -> None:
    """What one sends reaches the other and the drives; each hears the drives' answer. A descriptor tells of it."""
    first, second = over(bus), over(bus)
    assert first.fileno() >= 0
    first.send_frames([(0x601, bytes.fromhex("4000100000000000"))])
    answer = (0x581, bytes.fromhex("4300100092010200"))
    assert frames_within(second, 2) == [(0x601, bytes.fromhex("4000100000000000")), answer]
    assert frames_within(first, 1) == [answer]
    for link in (first, second):
        link.close()
    assert first.fileno() == -1


def test_a_connection_that_is_closed_is_no_silence(bus: SocketcandServer) -> None:
    """python-can reads nothing for ever; we say that the other end is gone."""
    link = over(bus)
    other = SocketcandServer("vcan1", RunningAxes())
    lost = PythonCanLink.open(
        "socketcand", "vcan1", 1_000_000, options={"host": "127.0.0.1", "port": other.port}
    )
    other.close()
    with pytest.raises(LinkError, match="closed"):
        frames_within(lost, 1)
    lost.close()
    assert link.receive() == []
    link.close()


def test_a_server_that_does_not_read_cannot_hold_a_send(bus: SocketcandServer) -> None:
    """python-can's client ignores the time-out of a send; the socket has one of its own."""
    link = over(bus)
    bus.unread.add(0)
    assert link._socket is not None
    link._socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
    with pytest.raises(LinkError, match="takes each frame"):
        link.send_frames([(0x201, bytes(8))] * 100_000)
    link.close()


def test_nobody_there_is_said_at_once(bus: SocketcandServer) -> None:
    """A refused connection is not tried again for ten seconds."""
    bus.port, there = 1, bus.port
    with pytest.raises(LinkError, match="a bus that opens"):
        over(bus)
    bus.port = there


@pytest.mark.parametrize(
    ("interface", "options", "where"),
    [
        ("socketcand", {"hots": "127.0.0.1"}, r"wire\.options\.hots"),
        ("socketcand", {"port": 1}, "host for socketcand"),
        ("virtual", {"bitrate": 5}, r"wire\.options\.bitrate"),
        ("virtual", {"receive_own_messages": True}, r"wire\.options\.receive_own_messages"),
        ("slcan", {"timeout": 1.0}, r"wire\.options"),
    ],
)
def test_what_a_backend_does_not_know_is_refused(
    interface: str, options: dict[str, object], where: str
) -> None:
    """By name and before anything is opened; what we set ourselves is nobody else's to set."""
    settings = group_settings(interface, "vcan0", options=options)
    with pytest.raises(MisuseError, match=where):
        open_link(settings, "vcan0", None)  # type: ignore[arg-type]


def test_a_bus_that_ends_with_its_process_has_no_plan() -> None:
    """No second program could open it; and by the owner's word there is none to be opened."""
    with pytest.raises(MisuseError, match="second process"):
        stop_plan(group_settings("virtual", "x"), "x")
    plan = stop_plan(group_settings("pcan", "PCAN_USBBUS1", stop_by="power-cut"), "PCAN_USBBUS1")
    assert (plan.kind, plan.frames, plan.standstill) == ("none", (), ())
