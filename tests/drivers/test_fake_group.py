"""The fake group fails on demand and records; the rest of its promises stands in the contract."""

from __future__ import annotations

import pytest

from drivers.clock import VirtualClock
from drivers.errors import FaultError, LinkError
from drivers.interface import DriveState
from tests.fakes.drive_group import FakeDriveGroup


@pytest.fixture
def group() -> FakeDriveGroup:
    group = FakeDriveGroup(("x", "y"), VirtualClock(), counts_per_unit_s=2.0, start_counts=(10, 20))
    group.configure()
    group.enable()
    return group


def test_it_records_ticks_with_their_instants(group) -> None:
    """Each accepted tick is kept with instant, velocities and outputs."""
    group.send_tick((5, -5), 1)
    assert group.ticks == [(group._clock.now_ns(), (5, -5), 1)]
    assert group.calls == ["configure", "enable", "send_tick"]


def test_it_moves_by_units_and_time(group) -> None:
    """Position is start + velocity x counts per unit x time."""
    group.send_tick((500, -250), 0)
    group._clock.sleep_until_ns(group._clock.now_ns() + 1_000_000_000)
    group.poll()
    assert [axis.position_counts for axis in group.feedback.axes] == [1010, -480]


def test_it_fails_when_told_and_only_then(group) -> None:
    """A planned failure is raised once, by the call it was planned for."""
    group.fail_next["send_tick"] = LinkError("wire", "frames taken", "nothing")
    with pytest.raises(LinkError):
        group.send_tick((0, 0), 0)
    group.send_tick((0, 0), 0)
    assert len(group.ticks) == 1


def test_a_planned_fault_shows_at_the_next_poll(group) -> None:
    """A drive put into fault is seen by polling and refuses ticks; clearing it does not enable."""
    group.fault("y", 0x7305)
    group.poll()
    assert group.feedback.axes[1].state is DriveState.FAULT
    assert group.feedback.axes[1].fault_code == 0x7305
    with pytest.raises(FaultError, match="axis y"):
        group.send_tick((0, 0), 0)
    group.clear_fault()
    assert group.feedback.axes[1].state is DriveState.SWITCH_ON_DISABLED


def test_a_mute_wire_and_a_stuck_head(group) -> None:
    """Mute: no feedback renews. Stuck head: its switches do not follow."""
    group.head_is_stuck = True
    group.send_tick((0, 0), 1)
    group.poll()
    assert group.feedback.axes[0].inputs == 1 << 17
    group.is_mute = True
    sequence = group.feedback.sequence
    group.send_tick((0, 0), 1)
    group.poll()
    assert group.feedback.sequence == sequence
