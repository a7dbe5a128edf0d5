"""Settings of two drives on a Modbus line for tests: the demo gantry's figures, a register map as drives have them."""

from __future__ import annotations

from typing import Any

from drivers.settings import GroupSettings, ModbusRegisters, ModbusWire
from drivers.twin.parameters import TwinParameters
from tests.fakes.drive_settings import group_settings, twin_parameters

STATES = [
    {"mask": 0x4F, "value": 0x00, "state": "not ready to switch on"},
    {"mask": 0x4F, "value": 0x40, "state": "switch on disabled"},
    {"mask": 0x6F, "value": 0x21, "state": "ready to switch on"},
    {"mask": 0x6F, "value": 0x23, "state": "switched on"},
    {"mask": 0x6F, "value": 0x27, "state": "operation enabled"},
    {"mask": 0x6F, "value": 0x07, "state": "quick stop active"},
    {"mask": 0x4F, "value": 0x0F, "state": "fault reaction active"},
    {"mask": 0x4F, "value": 0x08, "state": "fault"},
]
"""CiA 402's own words, as drives hand them on in a register."""


def register_map(**changes: Any) -> ModbusRegisters:
    """Written: 2000h to 2003h. Read: 1000h to 1006h."""
    return ModbusRegisters.model_validate(
        {
            "control": 0x2000, "velocity": 0x2001, "outputs": 0x2003, "status": 0x1000, "fault": 0x1001,
            "position": 0x1002, "speed": 0x1004, "inputs": 0x1006, "timeout": 0x3000,
            "enable_words": [6, 7, 15], "disable_word": 0, "quick_stop_word": 2, "clear_word": 128,
            "states": STATES, "power_mask": 0x10, "negative_limit_bit": 8, "positive_limit_bit": 9, "home_bit": 10,
        }
        | changes
    )  # fmt: skip


def modbus_settings(
    tick_us: int = 10_000, registers: ModbusRegisters | None = None, **wire: Any
) -> GroupSettings:
    """Units 1 and 2 at 1 Mbit/s with half a millisecond of silence."""
    can = group_settings()
    given = {"kind": "modbus-rtu", "channel": "simulated", "bitrate_bit_s": 1_000_000, "silence_us": 500}
    chosen = register_map() if registers is None else registers
    return GroupSettings(
        wire=ModbusWire.model_validate(given | wire),
        axes={name: drive.model_copy(update={"registers": chosen}) for name, drive in can.axes.items()},
        head=can.head,
        tick_us=tick_us,
    )


def modbus_twin_parameters() -> TwinParameters:
    """As for the bus, but these units think for a millisecond."""
    return twin_parameters().model_copy(update={"response_latency_us": 1000})
