"""The group of described drives for a wire. Owns the choice, no more."""

from __future__ import annotations

from typing import Any

from drivers.clock import Clock
from drivers.interface import DriveGroup
from drivers.settings import DescribedSerialWire, GroupSettings


def described_group(settings: GroupSettings, link: Any, clock: Clock) -> DriveGroup:
    """The group on an open link or line, which it takes over. Raises MisuseError when something does not fit."""
    if isinstance(settings.wire, DescribedSerialWire):
        from drivers.described.linegroup import DescribedLineGroup

        return DescribedLineGroup(settings, link, clock)
    from drivers.described.cangroup import DescribedCanGroup

    return DescribedCanGroup(settings, link, clock)
