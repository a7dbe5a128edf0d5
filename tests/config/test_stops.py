"""The [stops] table: every kind of input, defaults, and what is refused at the door."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.config.errors import InputError
from controller.config.load import machine_from
from drivers.settings import DriveInputSettings, GpioInputSettings, ModemLineInput

FILE = Path("file.toml")


def stops() -> dict[str, Any]:
    """One input of every kind and a power cut."""
    return {
        "inputs": [
            {"kind": "modem-line", "name": "stop-loop", "device": "/dev/ttyUSB1", "line": "cts"},
            {"kind": "drive-input", "name": "belt-x", "axis": "x", "bit": 18},
            {"kind": "gpio", "name": "door", "chip": "/dev/gpiochip0", "line": 17},
        ],
        "power_cut": {"kind": "modem-line", "device": "/dev/ttyUSB1", "line": "rts"},
    }


def test_without_the_table_there_is_nothing_to_stop_by(machine_data: dict[str, Any]) -> None:
    """Old files stay good: no inputs, no power cut, and every drive has its heartbeat time-out."""
    machine = machine_from(machine_data, FILE)
    assert machine.stops.inputs == ()
    assert machine.stops.power_cut is None
    assert machine.axes["x"].drive.command_timeout == "heartbeat"


def test_every_kind_of_input(machine_data: dict[str, Any]) -> None:
    """One of each is read as what it is; the defaults are 2 ms of debounce and a second to the power cut."""
    machine_data["stops"] = stops()
    machine = machine_from(machine_data, FILE)
    assert [type(one) for one in machine.stops.inputs] == [
        ModemLineInput,
        DriveInputSettings,
        GpioInputSettings,
    ]
    assert machine.stops.debounce_ms == 2.0
    assert machine.stops.power_cut is not None
    assert machine.stops.power_cut.open_after_ms == 1000.0
    gpio = machine.stops.inputs[2]
    assert isinstance(gpio, GpioInputSettings)
    assert gpio.closed_level == "high"


@pytest.mark.parametrize(
    ("spoil", "where", "got"),
    [
        (lambda s: s.update(debounce_ms=10.5), "stops.debounce_ms", "10.5"),
        (lambda s: s["inputs"][2].pop("line"), "stops.inputs[door].line", "nothing"),
        (lambda s: s["inputs"][2].update(line="17"), "stops.inputs[door].line", '"17"'),
        (lambda s: s["inputs"][2].update(kind="pin"), "stops.inputs[door].kind", '"pin"'),
        (lambda s: s["inputs"][2].pop("kind"), "stops.inputs[door].kind", "nothing"),
        (lambda s: s["inputs"][0].update(bit=3), "stops.inputs[stop-loop].bit", "unknown field bit"),
        (lambda s: s["inputs"][1].update(name="door"), "stops.inputs[door].name", '"door" twice'),
        (lambda s: s["inputs"][1].update(axis="z"), "stops.inputs[belt-x].axis", '"z"'),
        (
            lambda s: s["inputs"][1].update(bit=2),
            "stops.inputs[belt-x].bit",
            "2, the drive's own home switch",
        ),
        (lambda s: s["inputs"][1].update(bit=16), "stops.inputs[belt-x].bit", "16, head.down_input_bit"),
        (lambda s: s["power_cut"].update(line="cts"), "stops.power_cut.line", '"cts"'),
        (lambda s: s["power_cut"].update(device="simulated"), "stops.power_cut.device", '"simulated"'),
        (lambda s: s["power_cut"].update(open_after_ms=float("nan")), "stops.power_cut.open_after_ms", "nan"),
        (
            lambda s: s["inputs"].append({**s["inputs"][0], "name": "loop-2"}),
            "stops.inputs[loop-2].line",
            "cts of /dev/ttyUSB1 twice",
        ),
        (
            lambda s: s["inputs"].append({**s["inputs"][1], "name": "belt-2"}),
            "stops.inputs[belt-2].bit",
            "18, taken by another stop input",
        ),
        (
            lambda s: s["inputs"].append({**s["inputs"][2], "name": "gate"}),
            "stops.inputs[gate].line",
            "17 of /dev/gpiochip0 twice",
        ),
    ],
)
def test_what_cannot_stop_anything_is_refused(
    machine_data: dict[str, Any], spoil: Callable[[dict[str, Any]], object], where: str, got: str
) -> None:
    """A bad input, or one that shares its line with something else, is named by its own name."""
    machine_data["stops"] = stops()
    spoil(machine_data["stops"])
    with pytest.raises(InputError) as caught:
        machine_from(machine_data, FILE)
    assert [(one.where, one.got) for one in caught.value.mistakes] == [(where, got)]


def test_all_mistakes_of_the_table_at_once(machine_data: dict[str, Any]) -> None:
    """A wrong kind hides neither a wrong field of another input nor a contradiction between two good ones."""
    table = stops()
    table["inputs"][0]["kind"] = "wire"
    table["inputs"][1]["bit"] = 40
    table["inputs"][1]["name"] = "door"
    machine_data["stops"] = table
    with pytest.raises(InputError) as caught:
        machine_from(machine_data, FILE)
    wheres = [one.where for one in caught.value.mistakes]
    assert wheres == ["stops.inputs[stop-loop].kind", "stops.inputs[door].bit", "stops.inputs[door].name"]
