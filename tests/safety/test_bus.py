"""Error frames: when the bus takes no frames any more, and when it does again.

The layout is that of linux/can/error.h, from memory.
"""

from __future__ import annotations

import errno
import socket
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from safety.bus import BusHealth
from safety.wire import CanWire

ERR = 0x2000_0000
BUSOFF, CRTL, RESTARTED, ACK = 0x40, 0x04, 0x100, 0x20


def error_frame(kind: int, state: int = 0) -> bytes:
    return struct.pack("=IB3x8s", ERR | kind, 8, bytes([0, state, 0, 0, 0, 0, 0, 0]))


OFF, RESTART = error_frame(BUSOFF), error_frame(RESTARTED)
WARN, PASSIVE_RX, PASSIVE_TX, ACTIVE = (error_frame(CRTL, state) for state in (0x08, 0x10, 0x20, 0x40))


@pytest.mark.parametrize(
    ("frames", "word"),
    [
        ((), ""),
        ((WARN,), ""),
        ((OFF,), "off the bus"),
        ((PASSIVE_RX,), "error-passive"),
        ((PASSIVE_TX,), "error-passive"),
        ((WARN, PASSIVE_TX), "error-passive"),
        ((PASSIVE_TX, WARN), ""),
        ((PASSIVE_TX, ACTIVE), ""),
        ((PASSIVE_TX, OFF), "off the bus"),
        ((OFF, PASSIVE_TX), "off the bus"),
        ((OFF, WARN), "off the bus"),
        ((OFF, RESTART), ""),
        ((OFF, ACTIVE), ""),
        ((error_frame(ACK),), ""),
        ((OFF[:15],), ""),
        ((struct.pack("=IB3x8s", BUSOFF, 8, bytes(8)),), ""),
    ],
)
def test_the_controllers_state(frames: tuple[bytes, ...], word: str) -> None:
    """Off the bus until restarted, passive until it recovers; warnings and data frames say nothing."""
    health = BusHealth()
    for frame in frames:
        health.feed(frame)
    assert word in health.trouble
    assert bool(health.trouble) is bool(word)


@given(
    st.lists(
        st.one_of(st.binary(max_size=20), st.sampled_from([WARN, PASSIVE_TX, ACTIVE, RESTART])), max_size=20
    )
)
def test_bus_off_is_never_missed(noise: list[bytes]) -> None:
    """Whatever came before, off the bus is trouble."""
    health = BusHealth()
    for frame in [*noise, OFF]:
        health.feed(frame)
    assert "off the bus" in health.trouble


def can_wire() -> tuple[CanWire, socket.socket, socket.socket]:
    """A CAN wire on packet sockets, which keep messages apart as CAN sockets do; its two far ends."""
    near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    near_errors, far_errors = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    return CanWire(near, [bytes(16)], b"", (), near_errors), far, far_errors


def test_the_wire_tells_the_bus_trouble() -> None:
    """Error frames come over a socket of their own; all that wait are taken in at once."""
    wire, far, far_errors = can_wire()
    assert wire.trouble_fileno() >= 0
    assert wire.bus_trouble() == ""
    for frame in (WARN, PASSIVE_TX):
        far_errors.send(frame)
    assert "error-passive" in wire.bus_trouble()
    far_errors.send(ACTIVE)
    assert wire.bus_trouble() == ""
    far_errors.close()
    assert "gone" in wire.bus_trouble()
    wire.close()
    wire.close()
    assert wire.trouble_fileno() == -1
    assert wire.bus_trouble() == ""
    far.close()


def test_an_interface_that_is_taken_down_is_trouble() -> None:
    """The kernel says ENETDOWN on the socket: told as trouble, not raised."""

    class Down(socket.socket):
        def recv(self, *_: object) -> bytes:
            raise OSError(errno.ENETDOWN, "Network is down")

    near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    down = Down(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    wire = CanWire(near, [bytes(16)], b"", (), down)
    assert wire.bus_trouble() == "the CAN interface is gone: Network is down"
    wire.close()
    far.close()
