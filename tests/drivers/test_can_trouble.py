"""A drive or the bus fails in motion: unknown at once, only a stop leaves, and nothing comes back by itself."""

from __future__ import annotations

import struct

import pytest

from drivers.errors import FaultError, LinkError, MisuseError
from drivers.interface import DriveState

MS = 1_000_000


def test_a_restart_is_told_with_what_to_look_at(enabled) -> None:
    """Boot-up in mid-run (700h + node, 00h): UNKNOWN with words; commands are refused though its words look well."""
    for frame in enabled.nodes[0].reboot():
        enabled.bus.put(*frame)
    enabled.group.poll()
    axis = enabled.group.feedback.axes[0]
    assert axis.state is DriveState.UNKNOWN
    assert "started anew" in axis.event
    assert "supply" in axis.event
    mark = len(enabled.bus.sent)
    for _ in range(3):
        enabled.bus.put(0x181, struct.pack("<Hi", 0x0237, 0))
        enabled.bus.put(0x701, b"\x05")
        enabled.group.poll()
        with pytest.raises(FaultError, match=r"axis x \(node 1\).*unknown.*started anew by itself"):
            enabled.group.send_tick((0, 0), 0)
    with pytest.raises(LinkError, match="started anew"):
        enabled.group.enable()
    assert not [one for one in enabled.sent_since(mark) if one[1][:1] in (b"\x06", b"\x07", b"\x0f")]
    enabled.group.configure()
    assert enabled.nodes[0].value(0x6007) == 3
    assert enabled.group.feedback.axes[0].event == ""


def test_a_drive_told_to_leave_operation_is_unknown(enabled) -> None:
    """A heartbeat with another NMT state than operational (CiA 301: 04h stopped, 7Fh pre-operational)."""
    enabled.bus.put(0x702, b"\x04")
    enabled.group.poll()
    with pytest.raises(FaultError, match=r"axis y \(node 2\).*heartbeat with state 4"):
        enabled.group.send_tick((0, 0), 0)


def test_a_missing_heartbeat_is_found_though_words_come(enabled) -> None:
    """No heartbeat for lost-after plus one period (200 ms): UNKNOWN, at the first reading after that and not before."""
    enabled.nodes[0].objects[0x1017, 0][1] = 0
    begun_ns = enabled.clock.now_ns()
    while enabled.group.is_enabled and enabled.clock.now_ns() < begun_ns + 1000 * MS:
        enabled.tick((0, 0))
    with pytest.raises(FaultError, match=r"axis x \(node 1\).*unknown.*has sent no heartbeat for 2\d\d ms"):
        enabled.tick((0, 0))
    late_ms = (enabled.clock.now_ns() - begun_ns) / MS
    assert 160 <= late_ms <= 208
    assert enabled.group.feedback.axes[1].state is DriveState.OPERATION_ENABLED


def test_heartbeats_that_wait_to_be_read_are_heard(enabled) -> None:
    """A loop that was held up for a second finds them in the queue: nobody is distrusted for our own delay."""
    enabled.tick((0, 0))
    for _ in range(20):
        enabled.clock.sleep_until_ns(enabled.clock.now_ns() + 50 * MS)
    enabled.group.poll()
    assert all("heartbeat" not in axis.event for axis in enabled.group.feedback.axes if axis.fault_code == 0)


def test_a_bus_in_trouble_ends_all_but_the_stop(enabled) -> None:
    """LinkError from ``poll``: every axis UNKNOWN, no tick, no enabling; ``abort`` still speaks."""
    enabled.tick((1000, 1000))
    receive = enabled.bus.receive

    def fail() -> list:
        enabled.bus.receive = receive
        raise LinkError("wire can0", "a bus controller without errors", "error-passive")

    enabled.bus.receive = fail
    with pytest.raises(LinkError, match="error-passive"):
        enabled.group.poll()
    for axis in enabled.group.feedback.axes:
        assert axis.state is DriveState.UNKNOWN
        assert "error-passive" in axis.event
    mark = len(enabled.bus.sent)
    for call in (
        lambda: enabled.group.send_tick((1000, 1000), 0),
        enabled.group.enable,
        enabled.group.clear_fault,
    ):
        with pytest.raises(MisuseError):
            call()
    for _ in range(100):
        enabled.clock.sleep_until_ns(enabled.clock.now_ns() + 4 * MS)
        enabled.group.poll()
    assert enabled.sent_since(mark) == []
    assert not enabled.group.is_enabled
    enabled.group.abort()
    assert enabled.sent_since(mark) == enabled.group._stop_frames


def test_an_emergency_is_told_in_words(enabled) -> None:
    """Code, register and the maker's bytes stand in the refusal and in what ``clear_fault`` acknowledges."""
    enabled.nodes[1].fail(0x7305)
    enabled.bus.put(0x82, bytes.fromhex("05 73 21 DE AD BE EF 01"))
    enabled.group.poll()
    words = r"emergency 7305h: encoder 1; register 21h \(generic, profile\); maker's bytes DE AD BE EF 01"
    assert enabled.group.feedback.axes[1].fault_code == 0x7305
    with pytest.raises(FaultError, match=words):
        enabled.group.send_tick((0, 0), 0)
    mark = len(enabled.bus.sent)
    (told,) = enabled.group.clear_fault()
    assert "axis y (node 2)" in told
    sent = [data[:2] for can_id, data in enabled.sent_since(mark) if can_id == 0x202]
    assert sent[sent.index(b"\x80\x00") - 1] == b"\x00\x00", "the reset's edge comes out of 0000h"
    assert "DE AD BE EF 01" in told
    assert enabled.group.feedback.axes[1].event == ""
