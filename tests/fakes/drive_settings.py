"""Settings of a two-axis group for tests: the demo gantry's figures, without its machine file."""

from __future__ import annotations

from typing import Any

from drivers.settings import CanWire, DriveOutputHead, DriveSettings, GroupSettings
from drivers.twin.parameters import TwinAxis, TwinParameters


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


def twin_parameters() -> TwinParameters:
    """A simulated gantry of 3.4 m by 2.2 m for ``group_settings``, standing well inside its travel."""
    common: dict[str, Any] = {
        "home_switch_mm": 15.0,
        "home_switch_active_below": True,
        "loop_lag_ms": 8.0,
        "acceleration_max_mm_s2": 8000.0,
        "speed_max_mm_s": 900.0,
        "play_mm": 0.25,
    }
    return TwinParameters(
        axes={
            "x": TwinAxis(length_mm=3400.0, start_mm=1500.0, **common),
            "y": TwinAxis(length_mm=2200.0, start_mm=1100.0, **common),
        },
        canvas_origin_mm=(200.0, 150.0),
        canvas_size_mm=(3000.0, 1900.0),
    )


def drive_output(settings: GroupSettings) -> DriveOutputHead:
    """The head of settings in which it hangs on a drive's output."""
    assert isinstance(settings.head, DriveOutputHead)
    return settings.head
