"""A group of two drives on a bus in the same process, in virtual time."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from drivers.can.group import CanDriveGroup
from drivers.clock import VirtualClock
from drivers.settings import GroupSettings
from tests.fakes.drive_node import FakeBus, FakeDriveNode
from tests.fakes.drive_settings import group_settings

TICK_NS = 4_000_000


@dataclass
class CanRig:
    """Everything that a test of the group may want to touch."""

    settings: GroupSettings
    clock: VirtualClock
    nodes: list[FakeDriveNode]
    bus: FakeBus
    group: CanDriveGroup

    def tick(self, velocities: tuple[int, ...] = (0, 0), outputs: int = 0) -> None:
        """Send one tick, let it pass, read what came."""
        self.group.send_tick(velocities, outputs)
        self.clock.sleep_until_ns(self.clock.now_ns() + TICK_NS)
        self.group.poll()

    def sent_since(self, mark: int) -> list[tuple[int, bytes]]:
        """Frames of ours after the first ``mark``."""
        return self.bus.sent[mark:]


@pytest.fixture
def rig() -> CanRig:
    clock = VirtualClock()
    nodes = [FakeDriveNode(1, 1000), FakeDriveNode(2, -500)]
    bus = FakeBus(nodes, clock)
    settings = group_settings()
    return CanRig(settings, clock, nodes, bus, CanDriveGroup(settings, bus, clock))


@pytest.fixture
def enabled(rig: CanRig) -> CanRig:
    rig.group.configure()
    rig.group.enable()
    return rig
