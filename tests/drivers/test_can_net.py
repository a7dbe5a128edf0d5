"""The drives' own net: what makes them stop by themselves is there, holds, and is excused only by the machine file."""

from __future__ import annotations

import struct

import pytest

from drivers.can.group import CanDriveGroup
from drivers.errors import FaultError, LinkError, MisuseError
from tests.fakes.drive_node import DISABLED, ENABLED


@pytest.mark.parametrize(
    ("key", "number"),
    [((0x1016, 1), "1016h:01"), ((0x6007, 0), "6007h:00"), ((0x605A, 0), "605Ah:00"), ((0x6085, 0), "6085h:00")],
)  # fmt: skip
def test_a_drive_without_a_net_of_its_own_is_refused(rig, key: tuple[int, int], number: str) -> None:
    """Heartbeat consumer, abort option, quick stop option and deceleration: a drive that lacks one is refused."""
    del rig.nodes[0].objects[key]
    with pytest.raises(FaultError, match=rf"axis x \(node 1\): expected {number} .*06020000"):
        rig.group.configure()
    with pytest.raises(MisuseError):
        rig.group.enable()


def without_time_out(rig, axis: str) -> CanDriveGroup:
    """A group in which the machine file says that the drive of ``axis`` has no time-out."""
    drive = rig.settings.axes[axis].model_copy(update={"command_timeout": "none"})
    settings = rig.settings.model_copy(update={"axes": {**rig.settings.axes, axis: drive}})
    return CanDriveGroup(settings, rig.bus, rig.clock)


def test_a_drive_without_a_time_out_is_taken_when_the_machine_file_says_so(rig) -> None:
    """command_timeout = "none": neither 1016h nor 6007h is asked for on that drive, the other one still holds both."""
    del rig.nodes[0].objects[0x1016, 1]
    del rig.nodes[0].objects[0x6007, 0]
    rig.nodes[0].advance = lambda _now_ns: [(0x701, bytes([rig.nodes[0].nmt]))]
    group = without_time_out(rig, "x")
    group.configure()
    group.enable()
    assert group.is_enabled
    assert rig.nodes[1].value(0x1016, 1) == 127 << 16 | 160
    assert rig.nodes[1].value(0x6007) == 3
    group.disable()
    group.clear_fault()
    asked = {
        struct.unpack_from("<HB", data, 1)
        for can_id, data in rig.bus.sent
        if can_id == 0x601 and len(data) == 8
    }
    assert not asked & {(0x1016, 1), (0x6007, 0)}
    assert rig.nodes[1].value(0x1016, 1) == 0


@pytest.mark.parametrize("key", [(0x605A, 0), (0x6085, 0)])
def test_the_quick_stop_must_hold_without_a_time_out_too(rig, key: tuple[int, int]) -> None:
    """command_timeout = "none" excuses nothing else: how the drive stops when told to is still checked."""
    rig.nodes[0].broken.add(key)
    with pytest.raises(FaultError, match=r"axis x \(node 1\): expected 60"):
        without_time_out(rig, "x").configure()


def test_a_time_out_that_is_gone_before_enabling_is_seen(rig) -> None:
    """1016h is written and read back once more right before the power: a drive that forgot it is told to stop."""
    rig.group.configure()
    rig.nodes[1].objects[0x1016, 1][1] = 0
    rig.nodes[1].broken.add((0x1016, 1))
    with pytest.raises(FaultError, match=r"axis y \(node 2\): expected 1016h:01"):
        rig.group.enable()
    assert [node.state for node in rig.nodes] == [DISABLED, DISABLED]
    assert not [frame for frame in rig.bus.sent if frame[0] == 0x77F], "no sign of life was given"


def test_a_silent_drive_does_not_keep_the_other_turning(rig) -> None:
    """Left in operation by somebody before us: the second drive is told to stop though the first never answers."""
    rig.nodes[0].is_silent = True
    rig.nodes[1].state = ENABLED
    with pytest.raises(LinkError, match="node 1"):
        rig.group.configure()
    assert rig.nodes[1].state != ENABLED
