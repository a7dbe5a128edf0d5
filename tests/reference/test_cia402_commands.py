"""Controlwords on the wire against the command coding of IEC 61800-7-201 (CiA 402), byte for byte."""

from __future__ import annotations

import pytest

from drivers.can.frames import RPDO1_DATA
from drivers.cia402 import Command

CODING = [
    (Command.SHUTDOWN, 0x87, 0x06, "06 00"),
    (Command.SWITCH_ON, 0x8F, 0x07, "07 00"),
    (Command.ENABLE_OPERATION, 0x8F, 0x0F, "0F 00"),
    (Command.DISABLE_OPERATION, 0x8F, 0x07, "07 00"),
    (Command.DISABLE_VOLTAGE, 0x82, 0x00, "00 00"),
    (Command.QUICK_STOP, 0x86, 0x02, "02 00"),
    (Command.FAULT_RESET, 0x80, 0x80, "80 00"),
]
"""Command, mask and value of the table, and the bytes that lead RPDO1."""


@pytest.mark.parametrize(("command", "mask", "value", "leads"), CODING)
def test_commands_byte_for_byte(command: Command, mask: int, value: int, leads: str) -> None:
    """The word satisfies the table's mask, asks for no halt (bit 8), and lies low byte first before the velocity."""
    assert command & mask == value
    assert not command & 0x100
    assert RPDO1_DATA.pack(command, -2) == bytes.fromhex(leads + " FE FF FF FF")


@pytest.mark.parametrize(("command", "mask", "value", "leads"), CODING)
def test_only_its_own_row_of_the_table_fits(command: Command, mask: int, value: int, leads: str) -> None:
    """No word of ours is another command as well: switch on and disable operation share theirs by the standard."""
    fits = {other for other, its_mask, its_value, _ in CODING[:-1] if command & its_mask == its_value}
    if command is Command.FAULT_RESET:
        # Bit 7 set, the others clear: a drive that sees no rising edge reads it as no command but disable voltage.
        fits.discard(Command.DISABLE_VOLTAGE)
        assert not fits
    else:
        assert fits == {command}
