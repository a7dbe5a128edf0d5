"""Settings of two described drives for tests: the demo gantry's figures, the drive files as they are shipped."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from drivers.described.format import DriveFile
from drivers.settings import DescribedCanWire, DescribedSerialWire, DriveSettings, GroupSettings
from drivers.twin.parameters import TwinParameters
from tests.fakes.drive_settings import group_settings, twin_parameters

DRIVES = Path(__file__).parents[2] / "configs" / "drives"


@cache
def drive_data(name: str) -> str:
    """The text of a shipped drive file."""
    return (DRIVES / f"{name}.toml").read_text(encoding="utf-8")


def drive_file(name: str, **changes: Any) -> DriveFile:
    """A shipped drive, with other tables in place of some of its own."""
    return DriveFile.model_validate(tomllib.loads(drive_data(name)) | changes)


def _axes(drive: DriveFile) -> dict[str, DriveSettings]:
    from drivers.described.scale import velocity_unit_counts_s

    common: dict[str, Any] = {
        "counts_per_turn": drive.position.counts_per_turn,
        "belt_pitch_mm": 3.0,
        "pulley_teeth": 20,
        "velocity_unit_counts_s": float(velocity_unit_counts_s(drive)),
        "quick_stop_mm_s2": 5000.0,
        "drive_file": f"{drive.name}.toml",
        "described": drive,
    }
    return {
        "x": DriveSettings(node_id=1, direction=1, **common),
        "y": DriveSettings(node_id=2, direction=-1, **common),
    }


def can_settings(drive: DriveFile | None = None, tick_us: int = 10_000, **wire: Any) -> GroupSettings:
    """Heron drives, nodes 1 and 2, at 1 Mbit/s."""
    given = {
        "kind": "described-can",
        "interface": "slcan",
        "channel": "simulated",
        "bitrate_bit_s": 1_000_000,
    }
    return GroupSettings(
        wire=DescribedCanWire.model_validate(given | wire),
        axes=_axes(drive_file("heron") if drive is None else drive),
        head=group_settings().head,
        tick_us=tick_us,
    )


def serial_settings(drive: DriveFile | None = None, tick_us: int = 10_000, **wire: Any) -> GroupSettings:
    """Tide drives, addresses 1 and 2, at 1 Mbit/s."""
    given = {"kind": "described-serial", "channel": "simulated", "bitrate_bit_s": 1_000_000}
    return GroupSettings(
        wire=DescribedSerialWire.model_validate(given | wire),
        axes=_axes(drive_file("tide") if drive is None else drive),
        head=group_settings().head,
        tick_us=tick_us,
    )


def described_twin_parameters() -> TwinParameters:
    """As for the bus; these drives think for a quarter of a millisecond."""
    return twin_parameters().model_copy(update={"response_latency_us": 250})
