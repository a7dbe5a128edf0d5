"""The CiA 402 tables against the `canopen` library's own (IEC 61800-7-201)."""

from __future__ import annotations

import pytest
from canopen.profiles.p402 import OperationMode, State402

from drivers import cia402
from drivers.cia402 import Command, decode
from drivers.interface import DriveState


def library_state(word: int) -> str | None:
    found = [name for name, (mask, value) in State402.SW_MASK.items() if word & mask == value]
    assert len(found) <= 1
    return found[0] if found else None


def test_all_128_words_decode_as_the_library_says() -> None:
    """Every low-seven-bit word means what the `canopen` library's table says, and undefined ones mean UNKNOWN."""
    for word in range(128):
        expected = library_state(word)
        got = decode(word)
        assert got.value.upper() == (expected or "UNKNOWN"), f"{word:02X}h"


def test_24_words_are_defined() -> None:
    """IEC 61800-7-201: 24 of the 128 words are defined, 104 are not."""
    states = [decode(word) for word in range(128)]
    assert states.count(DriveState.UNKNOWN) == 104
    assert len(states) - states.count(DriveState.UNKNOWN) == 24
    assert set(states) == set(DriveState)


@pytest.mark.parametrize(
    ("word", "state"),
    [
        (0x0250, DriveState.SWITCH_ON_DISABLED),
        (0x0237, DriveState.OPERATION_ENABLED),
        (0x0217, DriveState.QUICK_STOP_ACTIVE),
        (0x0218, DriveState.FAULT),
        (0x021F, DriveState.FAULT_REACTION_ACTIVE),
    ],
)
def test_statuswords_seen_on_drives(word: int, state: DriveState) -> None:
    """Whole statuswords as public drive manuals print them decode to their states."""
    assert decode(word) is state


def test_upper_bits_do_not_matter() -> None:
    """Warning, remote, target and limit bits never change the state (bits 7 to 15)."""
    for word in range(128):
        for upper in range(7, 16):
            assert decode(word | 1 << upper) is decode(word)


def test_transitions_are_the_librarys() -> None:
    """Each commanded transition has the controlword of the `canopen` library's table.

    The standard also lets a quick stop command do transitions 7 and 10; the library's table lists one
    command per pair of states. Transition 16 is left out of ours on purpose.
    """
    names = {state: state.value.upper() for state in DriveState}
    ours = {
        (names[start], names[end]): int(command)
        for (start, command), end in cia402.TRANSITIONS.items()
        if command is not Command.QUICK_STOP or start is DriveState.OPERATION_ENABLED
    }
    theirs = {pair: word for pair, word in State402.TRANSITIONTABLE.items() if "START" not in pair}
    for automatic in (
        ("NOT READY TO SWITCH ON", "SWITCH ON DISABLED"),
        ("FAULT REACTION ACTIVE", "FAULT"),
        ("QUICK STOP ACTIVE", "OPERATION ENABLED"),
    ):
        del theirs[automatic]
    assert ours == theirs


def test_mode_number() -> None:
    """Cyclic synchronous velocity is mode 9 of 6060h."""
    assert cia402.VELOCITY_MODE == OperationMode.CYCLIC_SYNCHRONOUS_VELOCITY
