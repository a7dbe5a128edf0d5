"""What check says of CAN adapters: options, two handles, and what is left where an adapter takes one program only."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.config.adapterrules import adapter_warnings
from controller.config.errors import InputError
from controller.config.load import load_machine
from controller.config.places import shipped

WIRE = 'interface = "slcan"\nchannel = "simulated"'
CUT = '\n[stops.power_cut]\nkind = "modem-line"\ndevice = "/dev/ttyUSB7"\nline = "rts"\n'


def machine_file(folder: Path, wire: str, more: str = "") -> Path:
    """The shipped machine with another wire."""
    text = shipped("machines/boathouse.toml").read_text()
    assert WIRE in text
    path = folder / "machine.toml"
    path.write_text(text.replace(WIRE, wire) + more)
    return path


@pytest.mark.parametrize(
    ("wire", "where"),
    [
        ('interface = "pcan"\nchannel = "PCAN_USBBUS1"\nstop_by = "power-cut"', "stops.power_cut"),
        ('interface = "slcan"\nchannel = "/dev/ttyACM0"\nstop_by = "power-cut"', "wire.stop_by"),
        ('interface = "slcan"\nchannel = "/dev/ttyACM0"\noptions = { timeout = 1.0 }', "wire.options"),
        ('interface = "virtual"\nchannel = "x"', "wire.interface"),
        ('interface = "socketcand"\nchannel = "simulated"', "wire.interface"),
        ('interface = "socketcand"\nchannel = "x"\noptions = { port = [1] }', "wire.options.port"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path: Path, wire: str, where: str) -> None:
    """Each with the field to look at first."""
    with pytest.raises(InputError) as refused:
        load_machine(machine_file(tmp_path, wire))
    assert any(mistake.where.startswith(where) for mistake in refused.value.mistakes)


@pytest.mark.parametrize(
    ("wire", "more", "said"),
    [
        (WIRE, "", []),
        ('interface = "pcan"\nchannel = "PCAN_USBBUS1"', "", ["wire.interface"]),
        ('interface = "pcan"\nchannel = "PCAN_USBBUS1"\nstop_by = "power-cut"', CUT, ["wire.stop_by"]),
    ],
)
def test_how_the_guard_will_stop_is_said(tmp_path: Path, wire: str, more: str, said: list[str]) -> None:
    """A second handle, which may be refused; or no stop frames at all."""
    machine = load_machine(machine_file(tmp_path, wire, more))
    assert [where for where, _, _ in adapter_warnings(machine)] == said
