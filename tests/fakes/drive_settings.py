"""Settings of a two-axis group for tests: the demo gantry's figures, without its machine file."""

from __future__ import annotations

from typing import Any

from drivers.settings import CanWire, DriveOutputHead, DriveSettings, GroupSettings


def group_settings(interface: str = "slcan", channel: str = "simulated", **wire: Any) -> GroupSettings:
    """Nodes 1 and 2, 324 000 counts a turn on 60 mm, ticks of 4 ms, the head on axis x."""
    drive: dict[str, Any] = {
        "counts_per_turn": 324_000,
        "belt_pitch_mm": 3.0,
        "pulley_teeth": 20,
        "quick_stop_mm_s2": 5000.0,
    }
    return GroupSettings(
        wire=CanWire(interface=interface, channel=channel, bitrate_bit_s=1_000_000, **wire),
        axes={
            "x": DriveSettings(node_id=1, direction=1, **drive),
            "y": DriveSettings(node_id=2, direction=-1, **drive),
        },
        head=DriveOutputHead(
            axis="x",
            output_bit=16,
            down_input_bit=16,
            up_input_bit=17,
            settle_down_ms=120.0,
            settle_up_ms=80.0,
        ),
        tick_us=4000,
    )
