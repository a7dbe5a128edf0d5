"""A pass is known by what its schedule is made from, and by nothing else of the machine file."""

from __future__ import annotations

import tomllib
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from controller.config.load import load_machine, machine_from
from controller.config.places import shipped
from controller.session.passcache import ContentCache
from controller.session.prepared import Prepared
from controller.session.schedules import Planner


@pytest.mark.parametrize(
    ("table", "field", "value", "same"),
    [
        ("pause", "motors", "off", True),
        ("pause", "hold_max_min", 5.0, True),
        ("calibration", "warn_after_days", 30.0, True),
        ("lease", "lease_ms", 40.0, True),
        ("wire", "heartbeat_lost_after_ms", 170, True),
        ("wire", "channel", "/dev/ttyACM1", True),
        ("motion", "travel_speed_mm_s", 500.0, False),
    ],
)
def test_what_planning_does_not_read_leaves_a_begun_pass_as_it_is(
    three: Prepared, tmp_path: Path, table: str, field: str, value: Any, same: bool
) -> None:
    """What happens in a pause, and when check warns, is no part of a plan: a pass that was begun goes on unasked."""
    path = shipped("machines/boathouse.toml")
    raw = tomllib.loads(path.read_text())
    raw.setdefault(table, {})[field] = value
    task: Any = SimpleNamespace(
        folder=three.pass_folder("teal-1"), ink=SimpleNamespace(paint_speed_mm_s=None)
    )
    before, after = (
        Planner(machine, ContentCache(tmp_path), 1, lambda _name, _done: None).plan_key(task)
        for machine in (load_machine(path), machine_from(raw, path))
    )
    assert (before == after) is same
