"""Guard settings are refused at the door, each field by name."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest

from safety.settings import GuardSettings, PowerCut, SettingsError, StopInput


def test_what_is_dumped_is_loaded(settings: GuardSettings, folder: Path) -> None:
    """Settings survive their file unchanged."""
    full = replace(
        settings,
        inputs=(StopInput("button", "modem-line", "/dev/ttyS9", "dcd"), StopInput("gate", "reported")),
        power_cut=PowerCut("/dev/ttyS9", "dtr", 250.0),
        input_socket="/run/input.sock",
    )
    for one in (settings, full):
        one.dump(folder / "s.json")
        assert GuardSettings.load(folder / "s.json") == one


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("wire_kind", "smoke"),
        ("lease_max_ms", 0),
        ("lease_max_ms", True),
        ("lease_max_ms", float("nan")),
        ("beat_late_ms", float("inf")),
        ("stop_repeat_ms", -1),
        ("overrun_ms", "soon"),
        ("standstill_samples", 0),
        ("stop_um_s2", [0, 1]),
        ("speed_max_um_s", [1, -1]),
        ("envelope_um", [[0, 10], [10, 10]]),
        ("service_pid", -4),
        ("stop_frames_hex", ["zz"]),
        (
            "standstill",
            [{"axis": "x", "can_id": 0x181, "offset_bytes": 6, "length_bytes": 4, "resolution_um": 1.0}],
        ),
        ("standstill", [{"axis": "x"}]),
        (
            "standstill",
            [{"axis": "x", "can_id": "181h", "offset_bytes": 2, "length_bytes": 4, "resolution_um": 1.0}],
        ),
        ("service_pid", "me"),
        ("handle_late_ms", 0),
        ("colour", "blue"),
        ("feedback_late_ms", 0),
        ("tick_ms", -4.0),
        ("rest_um_s", "slow"),
        ("spin_share", 1.01),
        ("spin_share", 0),
        ("spin_window_ms", None),
        ("inputs", [{"name": "a"}]),
        ("inputs", ["a"]),
        ("inputs", [{"name": "", "kind": "modem-line", "device": "/dev/ttyS9", "line": "dsr"}]),
        ("inputs", [{"name": "a", "kind": "modem-line", "device": "/dev/ttyS9", "line": "dsr"}] * 2),
        ("inputs", [{"name": "a", "kind": "modem-line", "device": "/dev/ttyS9", "line": "rts"}]),
        ("inputs", [{"name": "a", "kind": "modem-line", "device": "", "line": "dsr"}]),
        ("inputs", [{"name": "a", "kind": "smoke"}]),
        ("inputs", [{"name": "a", "kind": "reported"}]),
        ("inputs", [{"name": "a", "kind": "modem-line", "device": "d", "line": "dsr", "debounce_ms": 10.1}]),
        ("inputs", [{"name": "a", "kind": "modem-line", "device": "d", "line": "dsr", "debounce_ms": -1}]),
        ("inputs", [{"name": "a", "kind": "modem-line", "device": "d", "line": "dsr", "silent_ms": 0}]),
        ("inputs", [{"name": "a", "kind": "modem-line", "device": "d", "line": "dsr", "silent_ms": True}]),
        ("power_cut", {"device": "/dev/ttyS9"}),
        ("power_cut", {"device": "/dev/ttyS9", "line": "dsr"}),
        ("power_cut", {"device": "", "line": "rts"}),
        ("power_cut", {"device": "/dev/ttyS9", "line": "rts", "open_after_ms": 0}),
        ("power_cut", {"device": "/dev/ttyS9", "line": "rts", "open_after_ms": float("nan")}),
    ],
)
def test_bad_fields_are_refused(settings: GuardSettings, folder: Path, field: str, value: Any) -> None:
    """A value the guard cannot use raises SettingsError; no field is corrected in silence."""
    path = folder / "s.json"
    path.write_text(json.dumps(asdict(settings) | {field: value}))
    with pytest.raises(SettingsError, match=r"s\.json"):
        GuardSettings.load(path)


def test_a_wire_without_stop_bytes_is_refused(settings: GuardSettings, folder: Path) -> None:
    """A guard that has a wire and nothing to say on it could not stop anything."""
    path = folder / "s.json"
    raw = asdict(settings) | {"wire_kind": "tty", "wire_channel": "/dev/ttyS0", "stop_frames_hex": []}
    path.write_text(json.dumps(raw))
    with pytest.raises(SettingsError, match="at least one frame"):
        GuardSettings.load(path)


@pytest.mark.parametrize("content", ["", "[]", "{}", "{"])
def test_bad_files_are_refused(folder: Path, content: str) -> None:
    """What is no settings file says so."""
    path = folder / "s.json"
    path.write_text(content)
    with pytest.raises(SettingsError, match=r"s\.json: expected"):
        GuardSettings.load(path)
    with pytest.raises(SettingsError, match=r"none\.json"):
        GuardSettings.load(folder / "none.json")
