"""Small drive files as parsed tables, for tests to change: one on CAN, one on a serial line. Invented."""

from __future__ import annotations

import copy
from typing import Any

STATES = [
    {"mask": 0x0F, "value": 0, "state": "switch on disabled"},
    {"mask": 0x0F, "value": 3, "state": "operation enabled"},
    {"mask": 0x0F, "value": 9, "state": "fault"},
]

_COMMON: dict[str, Any] = {
    "format": 1,
    "name": "moon",
    "byte_order": "low-first",
    "node_min": 1,
    "node_max": 7,
    "position": {"counts_per_turn": 4096},
    "status": {"states": STATES},
}

_SAID = {
    "enable": "01", "disable": "02", "stop": "03", "clear_fault": "04", "read_position": "05", "read_status": "05",
}  # fmt: skip


def velocity_field(**changes: Any) -> dict[str, Any]:
    """A velocity in whole counts a second, at byte 1."""
    return {"name": "velocity", "at": 1, "type": "i32", "unit": "counts_s", **changes}


def state_fields() -> list[dict[str, Any]]:
    """What the reply carries: 7 bytes."""
    return [
        {"name": "status", "at": 1, "type": "u16"},
        {"name": "position", "at": 3, "type": "i32", "unit": "counts"},
    ]


def can_drive() -> dict[str, Any]:
    """On CAN: 100h + node what we say, 180h + node the state."""
    drive = copy.deepcopy(_COMMON)
    drive["wire"] = {"kind": "can", "turnaround_us": 200}
    drive["commands"] = {
        name: [
            {
                "id": {"base": 0x100},
                "length": 1,
                "constants": [{"at": 0, "hex": code}],
                "answers": ["state"],
            }
        ]
        for name, code in _SAID.items()
    }
    drive["commands"]["velocity"] = [
        {
            "id": {"base": 0x100},
            "length": 8,
            "constants": [{"at": 0, "hex": "10"}],
            "fields": [velocity_field()],
            "answers": ["state"],
        }
    ]
    drive["replies"] = [
        {
            "name": "state",
            "id": {"base": 0x180},
            "length": 8,
            "constants": [{"at": 0, "hex": "A0"}],
            "fields": state_fields(),
        }
    ]
    return drive


def serial_drive(checksum: str | None = "crc-16-modbus", **wire: Any) -> dict[str, Any]:
    """On a line: C3, address, length, payload, checksum."""
    drive = can_drive()
    drive["wire"] = {
        "kind": "serial",
        "start": "C3",
        "header": ["address", "length"],
        "silence_us": 300,
        "turnaround_us": 500,
        **wire,
    }
    if checksum is not None:
        drive["wire"]["checksum"] = {"name": checksum}
    for frames in drive["commands"].values():
        for frame in frames:
            del frame["id"]
    for reply in drive["replies"]:
        del reply["id"]
    return drive
