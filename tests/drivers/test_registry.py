"""Names to drivers, and stop plans for a stranger."""

from __future__ import annotations

import subprocess
import sys

import pytest

from drivers.clock import VirtualClock
from drivers.errors import LinkError, MisuseError
from drivers.interface import DriveGroup
from drivers.registry import group_on_link, open_group, open_link, stop_plan
from tests.fakes.drive_node import FakeBus
from tests.fakes.drive_settings import group_settings


def test_an_unknown_interface_lists_the_known_ones() -> None:
    """A name that nobody knows is refused with the list; nothing else is tried."""
    settings = group_settings("nosuchbus", "x")
    with pytest.raises(MisuseError, match=r"slcan, socketcan.*nosuchbus"):
        open_link(settings, "x", VirtualClock())
    with pytest.raises(MisuseError, match="slcan"):
        stop_plan(settings, "x")


def test_an_unfit_backend_is_not_known() -> None:
    """The multicast backend keeps no order of frames: it is no wire for motion."""
    with pytest.raises(MisuseError, match="udp_multicast"):
        open_link(group_settings("udp_multicast", "239.0.0.1"), "239.0.0.1", VirtualClock())


def test_the_simulated_channel_must_be_resolved() -> None:
    """The word "simulated" is not a device: whoever starts the simulated gantry passes its line."""
    with pytest.raises(MisuseError, match="simulated"):
        open_group(group_settings(), "simulated", VirtualClock())


def test_a_missing_line_is_a_link_error(tmp_path) -> None:
    """A name that is known and a device that is not there: LinkError, no other backend."""
    with pytest.raises(LinkError, match="none"):
        open_group(group_settings(), str(tmp_path / "none"), VirtualClock())


def test_a_missing_can_interface_is_a_link_error() -> None:
    """The same for a network interface."""
    with pytest.raises(LinkError, match="nocan9"):
        open_group(group_settings("socketcan", "nocan9"), "nocan9", VirtualClock())


def test_a_group_takes_the_link_that_it_is_given() -> None:
    """``group_on_link`` gives a DriveGroup and sends nothing."""
    clock = VirtualClock()
    bus = FakeBus([], clock)
    group = group_on_link(group_settings(), bus, clock)
    assert isinstance(group, DriveGroup)
    assert bus.sent == []
    group.close()
    assert bus.is_closed


def test_stop_plan_for_a_serial_adapter() -> None:
    """The bytes are the lines of the stop frames in one write, and the words say where positions stand.

    Line format: t, three hex digits, length, data, carriage return. What ends a cut line also opens the channel: the
    cut line's rest may have been its CLOSE. 1000 um / 5400 counts a mm = 0.185 um.
    """
    plan = stop_plan(group_settings(), "/dev/ttyACM0")
    assert (plan.kind, plan.channel, plan.end_frame) == ("tty", "/dev/ttyACM0", b"\rO\r")
    assert b"".join(plan.frames) == (
        b"t2016020000000000\rt2026020000000000\rt0800\rt60182B40600002000000\rt60282B40600002000000\r"
        b"t301400000000\r"  # behind the stop: pen up, RPDO2 of the head's drive
    )
    assert plan.poll_frame == b"t0800\r"
    assert [(w.axis, w.can_id, w.offset_bytes, w.length_bytes) for w in plan.standstill] == [
        ("x", 0x181, 2, 4),
        ("y", 0x182, 2, 4),
    ]
    assert plan.standstill[0].resolution_um == pytest.approx(1000 / 5400, rel=1e-12)


def test_planning_a_stop_loads_no_bus_library() -> None:
    """A stop plan needs neither python-can nor canopen: it must be there when they break."""
    code = (
        "import sys; from tests.fakes.drive_settings import group_settings; from drivers.registry import stop_plan;"
        "stop_plan(group_settings(), 'x'); print(sorted({'can', 'canopen', 'serial'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"
