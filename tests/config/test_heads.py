"""Heads in machine files: what is refused with file, field, expected and got, and what is cautioned."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from controller.config.derived import machine_numbers
from controller.config.errors import InputError
from controller.config.load import machine_from

CONFIGS = Path(__file__).parents[2] / "configs"
BOATHOUSE = CONFIGS / "machines" / "boathouse.toml"
TIMES = {"settle_down_ms": 120.0, "settle_up_ms": 80.0}
TRAVEL = {"kind": "travel", "up_mm": 0.0, "down_mm": 8.0, "window_mm": 0.5, "hold_ms": 20.0}
FORCE = {"kind": "force", "down_n": 3.0, "window_n": 0.5, "up_max_n": 0.2, "hold_ms": 40.0}
NODE = {"kind": "node", "node_id": 5, "output_bit": 0, "down_input_bit": 0, "up_input_bit": 1}
LINES = {
    "kind": "serial", "channel": "simulated", "up": "U", "down": "D", "ask": "?",
    "answers": [{"text": "u", "means": "up"}, {"text": "d", "means": "down"}],
}  # fmt: skip
PETREL = {"kind": "described", "head_file": "../heads/petrel.toml", "channel": "simulated", "node_id": 3}


def with_head(head: dict[str, Any], source: str = "boathouse", **wire: Any) -> Any:
    """A shipped machine with another head."""
    path = CONFIGS / "machines" / f"{source}.toml"
    data = tomllib.loads(path.read_text())
    data["head"] = TIMES | head
    data["wire"] |= wire
    return machine_from(data, path)


@pytest.mark.parametrize("head", [NODE, LINES, PETREL, PETREL | {"settle": TRAVEL}])
def test_each_kind_is_read(head: dict[str, Any]) -> None:
    """And its file with it."""
    assert with_head(head).head.kind == head["kind"]


def test_a_head_without_kind_is_a_drive_output() -> None:
    """Machine files from before heads had kinds."""
    data = tomllib.loads(BOATHOUSE.read_text())
    del data["head"]["kind"]
    assert machine_from(data, BOATHOUSE).head.kind == "drive-output"


@pytest.mark.parametrize(
    ("head", "source", "field", "words"),
    [
        (NODE | {"node_id": 2}, "boathouse", "head.node_id", "another node than that of axis y"),
        (NODE, "boathouse-modbus", "head.kind", "CANopen"),
        (PETREL | {"channel": None}, "boathouse", "head.channel", "serial port"),
        (PETREL | {"settle": FORCE}, "boathouse", "head.settle.kind", "a field force"),
        (PETREL | {"head_file": "../heads/none.toml"}, "boathouse", "file", "can be read"),
        (PETREL | {"device": {}}, "boathouse", "head.device", "head_file"),
        (LINES | {"channel": "/dev/ttyS0"}, "boathouse", "head.channel", "simulated where wire.channel is"),
        (LINES | {"axis": "x"}, "boathouse", "head.axis", ""),
        ({"kind": "spring"}, "boathouse", "head", "serial"),
    ],
)
def test_contradictory_heads_are_refused(head: dict[str, Any], source: str, field: str, words: str) -> None:
    """One message that names the field."""
    given = {name: value for name, value in head.items() if value is not None}
    with pytest.raises(InputError) as caught:
        with_head(given, source)
    told = [one for one in caught.value.mistakes if one.where.startswith(field)]
    assert told, caught.value.mistakes
    assert any(words in one.expected for one in told), told


@pytest.mark.parametrize(
    ("head", "where"),
    [
        (NODE, "head.without_power"),
        (NODE | {"without_power": "stays"}, "head.without_power"),
        (NODE | {"without_power": "up", "error_output": "none"}, "head.error_output"),
        (LINES | {"without_power": "up"}, "head.kind"),
    ],
)
def test_a_head_that_does_not_rise_by_itself_is_cautioned(head: dict[str, Any], where: str) -> None:
    """``check`` says it."""
    assert where in [one.where for one in machine_numbers(with_head(head)).warnings]


def test_a_head_that_rises_by_itself_is_not() -> None:
    """A node with a spring and an error value."""
    found = machine_numbers(with_head(NODE | {"without_power": "up"})).warnings
    assert not [one for one in found if one.where.startswith("head")]
