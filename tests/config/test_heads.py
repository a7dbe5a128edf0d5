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


def petrel_on_can(folder: Path, base: int) -> dict[str, Any]:
    """A described head on CAN: commands at ``base`` and its node, the reply 40h above."""
    file = folder / "petrel-can.toml"
    frames = "\n".join(
        f'{name} = {{ id = {{ base = {base} }}, length = 1, constants = [{{ at = 0, hex = "{byte}" }}] }}'
        for name, byte in (("head_up", "00"), ("head_down", "01"), ("read_head", "02"))
    )
    file.write_text(
        'format = 1\nkind = "head"\nname = "petrel"\nbyte_order = "low-first"\nup_bit = 0\ndown_bit = 1\n'
        f'[wire]\nkind = "can"\nturnaround_us = 500\n[commands]\n{frames}\n'
        f"[reply]\nid = {{ base = {base + 0x40} }}\nlength = 1\n"
        'fields = [{ name = "inputs", at = 0, type = "u8" }]\n'
    )
    return {"kind": "described", "head_file": str(file), "node_id": 3}


def test_a_head_on_a_bus_of_described_drives_has_identifiers_of_its_own(tmp_path: Path) -> None:
    """Heron 2 hears 102h, 142h, 182h, 1C2h, 202h and says 282h, 2C2h, 302h; all hear 040h (its drive file)."""
    bus = {"channel": "/dev/ttyACM0"}
    source = "boathouse-described-can"
    assert with_head(petrel_on_can(tmp_path, 0x400), source, **bus).head.kind == "described"
    for base, clash in ((0xFF, "102h"), (0x27F, "282h"), (0x03D, "40h"), (0x1C1 - 3, "1C1h")):
        with pytest.raises(
            InputError, match=f"head.head_file: expected identifiers that no drive has, got {clash}"
        ):
            with_head(petrel_on_can(tmp_path, base), source, **bus)


@pytest.mark.parametrize("source", ["boathouse-described-can", "boathouse"])
def test_a_head_s_number_fits_its_frames(source: str, tmp_path: Path) -> None:
    """An identifier beyond 11 bits, an address beyond a byte: told as the number's mistake."""
    with pytest.raises(
        InputError, match=r"head.node_id: expected a number that fits the frames of head_file, got 120"
    ):
        with_head(petrel_on_can(tmp_path, 0x790) | {"node_id": 120}, source, channel="/dev/ttyACM0")
    with pytest.raises(InputError, match=r"head.node_id: expected a number that fits"):
        with_head(PETREL | {"node_id": 127, "head_file": str(far_petrel(tmp_path))})


def far_petrel(folder: Path) -> Path:
    """A petrel whose answers' addresses begin at 90h."""
    text = (CONFIGS / "heads" / "petrel.toml").read_text().partition("[[samples]]")[0]
    file = folder / "far.toml"
    file.write_text(text.replace("base = 0x80", "base = 0x90"))
    return file


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
