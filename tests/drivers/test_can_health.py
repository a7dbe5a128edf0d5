# ruff: noqa: D102
"""A bus controller in trouble: found in error frames and in an adapter's flags, told once, kept until opened anew."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator

import can
import pytest

from drivers.can.health import BusHealth
from drivers.can.pythoncan import PythonCanLink
from drivers.can.slcan import SlcanLink
from drivers.clock import VirtualClock
from drivers.errors import LinkError
from drivers.twin.slcan import SerialCanAdapter

OFF, RESTARTED, CONTROLLER, NO_ANSWER = 0x040, 0x100, 0x004, 0x020
"""Classes of error frames as linux/can/error.h has them: CAN_ERR_BUSOFF, _RESTARTED, _CRTL, _ACK."""


@pytest.mark.parametrize(
    ("can_id", "data", "words"),
    [
        (OFF, "00 00 00 00 00 00 00 00", "bus-off"),
        (RESTARTED, "00 00 00 00 00 00 00 00", "restarted by itself"),
        (CONTROLLER, "00 10 00 00 00 00 00 00", "error-passive"),
        (CONTROLLER, "00 20 00 00 00 00 88 05", r"error-passive \(136 transmit and 5 receive errors\)"),
        (CONTROLLER | OFF, "00 20 00 00 00 00 FF 00", r"bus-off \(255 transmit"),
    ],
)
def test_error_frames_that_stop(can_id: int, data: str, words: str) -> None:
    """Each is told once with its counts and what to look at, and stays as the trouble found."""
    health = BusHealth()
    told = health.error_frame(can_id, bytes.fromhex(data))
    assert re.search(words, told)
    assert "terminators" in told
    assert health.trouble == told
    assert health.error_frame(can_id, bytes.fromhex(data)) == ""


@pytest.mark.parametrize(
    ("can_id", "data", "counts"),
    [
        (CONTROLLER, "00 04 00 00 00 00 60 00", (1, 0)),
        (CONTROLLER, "00 08 00 00 00 00 00 00", (1, 0)),
        (CONTROLLER, "00 01 00 00 00 00 00 00", (0, 1)),
        (CONTROLLER, "00 40 00 00 00 00 00 00", (0, 0)),
        (NO_ANSWER, "00 FF 00 00 00 00 00 00", (0, 0)),
        (CONTROLLER, "", (0, 0)),
    ],
)
def test_error_frames_that_are_counted(can_id: int, data: str, counts: tuple[int, int]) -> None:
    """A warning limit, a frame lost, back to active, a frame nobody acknowledged: no trouble by themselves."""
    health = BusHealth()
    assert health.error_frame(can_id, bytes.fromhex(data)) == ""
    assert health.trouble == ""
    assert (health.warnings, health.overflows) == counts


def test_socketcan_error_frames_break_the_link_once(request) -> None:
    """LinkError when it is found; what came with it is not lost; frames can still leave, for a stop."""
    with can.Bus(request.node.name, "virtual", ignore_config=True) as far_end:
        link = PythonCanLink.open("virtual", request.node.name, 1_000_000, VirtualClock(5))
        far_end.send(can.Message(arbitration_id=0x181, data=b"\x37\x02", is_extended_id=False))
        far_end.send(can.Message(arbitration_id=CONTROLLER, is_error_frame=True, data=b"\0\x20\0\0\0\0\0\0"))
        far_end.send(can.Message(arbitration_id=0x182, data=b"\x37\x02", is_extended_id=False))
        with pytest.raises(LinkError, match="error-passive"):
            link.receive()
        assert [frame.can_id for frame in link.receive()] == [0x181, 0x182]
        assert "error-passive" in link.health.trouble
        link.send_frames([(0x201, b"\x02")])
        assert far_end.recv(0).arbitration_id == 0x201
        link.close()


class Adapter:
    """The simulated serial adapter at the other end of a pair of sockets, which pass bytes at once."""

    def __init__(self, end: socket.socket) -> None:
        self.end = end
        self.device = SerialCanAdapter(1_000_000)
        self.device.feed(b"C\rS8\rO\r")
        self.heard: list[tuple[int, bytes]] = []

    def live(self) -> None:
        frames, answers, _ = self.device.feed(self.end.recv(65536))
        self.heard += frames
        self.end.sendall(answers)


@pytest.fixture
def adapter() -> Iterator[tuple[Adapter, SlcanLink, VirtualClock]]:
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    clock = VirtualClock()
    link = SlcanLink(ours.detach(), "pair", clock)
    with theirs:
        yield Adapter(theirs), link, clock
    link.close()


def settle(end: Adapter, link: SlcanLink, clock: VirtualClock) -> None:
    """100 ms pass; a frame leaves, the adapter answers."""
    clock.sleep_until_ns(clock.now_ns() + 100_000_000)
    link.send_frames([(0x080, b"")])
    end.live()


def test_an_adapters_flags_are_asked_for_and_judged(adapter) -> None:
    """An adapter that has answered F once is asked ten times a second; error-passive is a LinkError, told once."""
    end, link, clock = adapter
    link._ask_flags()
    end.live()
    assert link.receive() == []
    end.device.flags = 0x84
    settle(end, link, clock)
    link.receive()
    assert (link.health.warnings, link.health.bus_errors, link.health.trouble) == (1, 1, "")
    end.device.flags = 0x20
    settle(end, link, clock)
    with pytest.raises(LinkError, match=r"error-passive \(adapter's flags 20h\)"):
        link.receive()
    assert link.receive() == []
    link.send_frames([(0x201, b"\x02")])
    end.live()
    assert end.heard[-1] == (0x201, b"\x02")


def test_an_adapter_without_flags_is_not_asked(adapter) -> None:
    """One that rings its bell at F is never asked again: a stream must not be full of refusals."""
    end, link, clock = adapter
    end.device.flags = None
    link._ask_flags()
    end.live()
    link.receive()
    refused = end.device.refused
    for _ in range(3):
        settle(end, link, clock)
        link.receive()
    assert end.device.refused == refused
    assert len(end.heard) == 3
