"""Guard settings are refused at the door, each field by name."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from safety.settings import GuardSettings, SettingsError


def test_what_is_dumped_is_loaded(settings: GuardSettings, folder: Path) -> None:
    """Settings survive their file unchanged."""
    settings.dump(folder / "s.json")
    assert GuardSettings.load(folder / "s.json") == settings


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
        ("colour", "blue"),
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
