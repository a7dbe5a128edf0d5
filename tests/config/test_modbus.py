"""Machine files whose drives are on a Modbus line: what is refused, with which words, and what is derived."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest

from controller.config.derived import machine_numbers
from controller.config.errors import InputError
from controller.config.load import machine_from
from controller.config.places import shipped

FILE = Path("machine.toml")
GOOD = tomllib.loads(shipped("machines/boathouse-modbus.toml").read_text(encoding="utf-8"))
MISSING = object()


def changed(*changes: tuple[str, Any]) -> dict[str, Any]:
    data: dict[str, Any] = copy.deepcopy(GOOD)
    for path, value in changes:
        *steps, last = path.split(".")
        table = data
        for step in steps:
            table = table[step]
        if value is MISSING:
            del table[last]
        else:
            table[last] = value
    return data


def mistakes(*changes: tuple[str, Any]) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        machine_from(changed(*changes), FILE)
    return {one.where: f"{one.expected} / {one.got}" for one in caught.value.mistakes}


def test_the_shipped_file_holds() -> None:
    """It loads without a warning, and its line is taken up by less than 80 % of a tick.

    By hand: two exchanges of 21 + 19 characters of 11 us, two silences of 500 us and 1200 us of turnaround: 5.28 ms.
    """
    numbers = machine_numbers(machine_from(changed(), FILE))
    assert numbers.warnings == ()
    assert numbers.bus_load == pytest.approx(0.528)
    assert numbers.bus_bits_per_tick == 2 * 40 * 11


@pytest.mark.parametrize(
    ("changes", "where", "words"),
    [
        ([("axes.x.drive.registers", MISSING)], "axes.x.drive.registers", "a register map"),
        ([("axes.y.drive.registers.control", 0x1FFF), ("axes.y.drive.registers.velocity", 0x2000),
          ("axes.y.drive.registers.outputs", 0x2002)], "axes.y.drive.registers.control", "8192, as for axes.x"),
        ([("axes.y.drive.registers.quick_stop_word", 4)], "axes.y.drive.registers.quick_stop_word", "2, as for axes.x"),
        ([("axes.x.drive.registers.outputs", MISSING)], "axes.x.drive.registers.outputs", "moves the head"),
        ([("axes.y.drive.registers.home_bit", MISSING)], "axes.y.drive.registers.home_bit", "home switch"),
        ([("head.output_bit", 3)], "head.output_bit", "16 to 31"),
        ([("tick_us", 6000)], "tick_us", "from 6600 on / 6000, of which they take 5280 at 1000000 bit/s, 500 us"),
        ([("axes.y.latency_ms", 0.731)], "axes.y.latency_ms", "at least 3.37"),
        ([("wire.silence_us", 30)], "wire.silence_us", "50"),
        ([("wire.bitrate_bit_s", 9600)], "wire.bitrate_bit_s", "115200"),
        ([("wire.kind", "morse")], "wire.kind", '"can", "modbus-rtu"'),
        ([("wire.interface", "slcan")], "wire.interface", "field"),
        ([(f"axes.{axis}.drive.registers.velocity_bits", 16) for axis in "xy"]
         + [(f"axes.{axis}.drive.registers.outputs", 0x2002) for axis in "xy"], "axes.x.speed_max_mm_s", "32767"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_named(changes: list[tuple[str, Any]], where: str, words: str) -> None:
    """One mistake of the file, by its path, with the numbers."""
    found = mistakes(*changes)
    assert where in found, found
    assert words in found[where]


def test_a_map_on_a_bus_is_refused() -> None:
    """CiA 402 drives have their objects by the standard: a register map there is a slip."""
    can = tomllib.loads(shipped("machines/boathouse.toml").read_text(encoding="utf-8"))
    can["axes"]["x"]["drive"]["registers"] = GOOD["axes"]["x"]["drive"]["registers"]
    with pytest.raises(InputError, match="no register map"):
        machine_from(can, FILE)


def test_a_file_without_kind_is_still_a_bus() -> None:
    """Machine files that never named a kind of wire stay good."""
    can = tomllib.loads(shipped("machines/boathouse.toml").read_text(encoding="utf-8"))
    del can["wire"]["kind"]
    assert machine_from(can, FILE).wire.kind == "can"


def test_a_drive_without_a_time_out_is_warned_of() -> None:
    """No timeout register: it would go on at its last velocity; the drive alone has no stopping distance."""
    numbers = machine_numbers(machine_from(changed(("axes.x.drive.registers.timeout", MISSING)), FILE))
    assert [one.where for one in numbers.warnings] == ["axes.x.drive.command_timeout"]
    assert numbers.axes[0].drive_stop_mm is None
    assert numbers.axes[1].drive_stop_mm is not None
