"""Small drive files as parsed tables, for tests to change: one on CAN, one on a serial line. Invented."""

from __future__ import annotations

import copy
import random
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


_UNITS = {
    "velocity": ("counts_s", "rpm", "turns_s", "deg_s"),
    "position": ("counts",),
    "current": ("mA",),
}
_SUMS = ("sum-8", "xor-8", "lrc-8", "crc-8", "crc-16-modbus", "crc-16-ccitt-false", "crc-16-xmodem", "crc-32")
_ORDERS = ("low-first", "high-first")


def _placed(chance: random.Random, names: list[str], first: int, last: int) -> list[dict[str, Any]]:
    """Fields of these names behind one another, of any type, as far as there is room."""
    fields, at = [], first
    for name in names:
        is_code = name in ("status", "inputs", "outputs", "fault")
        field: dict[str, Any] = {
            "name": name,
            "type": chance.choice(("u8", "u16") if is_code else ("i16", "i32", "bits")),
        }
        size = {"u8": 1, "u16": 2, "i16": 2, "i32": 4}.get(field["type"], chance.randint(1, 4))
        if field["type"] == "bits":
            bit = chance.randint(0, 8 * size - 2)
            field |= {"size": size, "bit": bit, "width": chance.randint(2, 8 * size - bit), "signed": True}
        if chance.random() < 0.4:
            field["order"] = chance.choice(_ORDERS)
        if name in _UNITS:
            field["unit"] = chance.choice(_UNITS[name])
        if name in ("velocity", "current"):
            field["scale"] = chance.choice((1.0, 0.1, 0.01, 2.0, [1, 3], [360, 65536]))
        at += chance.choice((0, 0, 0, 1))
        if at + size > last:
            continue
        fields.append({**field, "at": at})
        at += size
    return fields


def invented(chance: random.Random) -> dict[str, Any]:
    """A drive of any make: wire, header, sums, places, types and scales by chance. Most hold; some are refused."""
    is_can = chance.random() < 0.4
    room = 8 if is_can else chance.choice((9, 14, 30, 64))
    drive = can_drive() if is_can else serial_drive(None)
    drive |= {"byte_order": chance.choice(_ORDERS), "node_max": chance.choice((1, 7, 63))}
    drive["position"]["counts_per_turn"] = chance.choice((1, 7, 4096, 36_000, 10_000_000))
    shift = 0
    if is_can:
        drive["wire"]["id_bits"] = chance.choice((11, 29))
        shift = chance.choice((0, 0, 8)) if drive["wire"]["id_bits"] == 29 else 0
    else:
        wire = drive["wire"]
        wire["start"] = chance.choice(("", "C3", "AA 55", "02 02 03"))
        wire["header"] = chance.choice(
            (["address", "length"], ["length", "address"], ["address"], ["length"], [])
        )
        wire["length_adds"] = chance.choice((0, 0, 1, 4))
        wire["end"] = chance.choice(("", "", "0D", "0D 0A"))
        if chance.random() < 0.3:
            wire["reply_start"] = chance.choice(("3C", "AA"))
        if chance.random() < 0.3:
            wire["reply_address"] = {"base": 0x80}
        if chance.random() < 0.9:
            wire["checksum"] = {
                "name": chance.choice(_SUMS),
                "begins": chance.choice(("start", "header", "payload")),
            }
            if chance.random() < 0.3:
                wire["checksum"]["order"] = chance.choice(_ORDERS)

    def named(base: int) -> dict[str, Any]:
        return {"id": {"base": base << shift, "shift": shift}} if is_can else {}

    for code, frames in enumerate(drive["commands"].values()):
        frames[0] = {
            **named(0x40 * (code + 1)),
            "length": chance.randint(1, 3),
            "constants": [{"at": 0, "hex": f"{code + 1:02X}"}],
            "answers": ["state"],
        }
    drive["commands"]["velocity"] = [
        {
            **named(0x300),
            "length": room,
            "constants": [{"at": 0, "hex": "20"}],
            "fields": _placed(chance, chance.choice((["velocity"], ["velocity", "outputs"])), 1, room),
            "answers": ["state"],
        }
    ]
    names = ["inputs", "fault", "velocity", "current"]
    chance.shuffle(names)
    drive["replies"] = [
        {
            "name": name,
            **named(0x400 + 0x80 * place),
            "length": room,
            "constants": [{"at": 0, "hex": f"{0xA0 + place:02X}"}],
            "fields": fields,
        }
        for place, (name, fields) in enumerate(
            (
                ("state", _placed(chance, ["status", "position", *names], 1, room)),
                ("more", _placed(chance, names, 1, room)),
            )
        )
    ]
    return drive
