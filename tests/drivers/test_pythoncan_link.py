# ruff: noqa: D102
"""The link over python-can's backends, with its in-process ``virtual`` bus."""

from __future__ import annotations

from collections.abc import Iterator

import can
import pytest

from drivers.can.pythoncan import PythonCanLink
from drivers.clock import VirtualClock
from drivers.errors import LinkError


@pytest.fixture
def far_end(request) -> Iterator[can.BusABC]:
    with can.Bus(request.node.name, "virtual", ignore_config=True) as bus:
        yield bus


@pytest.fixture
def link(request, far_end) -> Iterator[PythonCanLink]:
    link = PythonCanLink.open("virtual", request.node.name, 1_000_000, VirtualClock(5))
    yield link
    link.close()


def test_frames_pass_in_order_both_ways(link, far_end) -> None:
    """Frames go out whole and in order; what comes is stamped with the clock's instant."""
    link.send_frames([(0x201, b"\x01"), (0x080, b"")])
    got = [far_end.recv(0), far_end.recv(0)]
    assert [(m.arbitration_id, bytes(m.data), m.is_extended_id) for m in got] == [
        (0x201, b"\x01", False),
        (0x080, b"", False),
    ]
    far_end.send(can.Message(arbitration_id=0x181, data=b"\x37\x02", is_extended_id=False))
    assert link.receive() == [(0x181, b"\x37\x02", 5)]
    assert link.receive() == []


def test_frames_of_other_kinds_are_counted(link, far_end) -> None:
    """Remote and error frames are no words of our drives: dropped and counted. 29 bits are another identifier."""
    far_end.send(can.Message(arbitration_id=0x181, is_extended_id=True))
    far_end.send(can.Message(arbitration_id=0x181, is_remote_frame=True, is_extended_id=False))
    far_end.send(can.Message(arbitration_id=0x04, is_error_frame=True, dlc=8))
    assert link.receive() == [(0x8000_0181, b"", 5)]
    assert link.garbled == 2


def test_bus_off_is_a_link_error(link, far_end) -> None:
    """An error frame with CAN_ERR_BUSOFF (40h, linux/can/error.h) means that nothing goes out any more."""
    far_end.send(can.Message(arbitration_id=0x40, is_error_frame=True, dlc=8))
    with pytest.raises(LinkError, match="bus-off"):
        link.receive()


def test_a_closed_bus_raises_link_errors(link) -> None:
    """After ``close`` reading and writing raise; a second ``close`` does nothing."""
    link.close()
    link.close()
    with pytest.raises(LinkError, match="closed"):
        link.receive()
    with pytest.raises(LinkError, match="closed"):
        link.send_frames([(0x080, b"")])


class BrokenBus(can.BusABC):
    """A bus whose backend fails in all its ways."""

    def __init__(self) -> None:
        super().__init__("broken")

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        assert timeout is not None, "a send without time-out may block for good"
        raise can.CanOperationError("transmit buffer full")

    def _recv_internal(self, timeout):
        assert timeout == 0
        raise ValueError("corrupt line")


def test_a_failing_backend() -> None:
    """A refused send is a LinkError; a corrupt line of the backend's own is counted and survived."""
    link = PythonCanLink(BrokenBus(), "broken")
    with pytest.raises(LinkError, match="transmit buffer full"):
        link.send_frames([(0x080, b"")])
    assert link.receive() == []
    assert link.garbled == 1
    link.close()
