"""The power machine without I/O."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import cia402
from drivers.cia402 import Command, PowerMachine, after, decode, next_controlword
from drivers.errors import FaultError, MisuseError
from drivers.interface import DriveState

WORDS = {state: value for state, _, value in cia402.STATES}


def test_the_way_up_is_walked_one_state_at_a_time() -> None:
    """From SWITCH ON DISABLED the machine asks for each next state of IEC 61800-7-201 and for nothing else."""
    machine = PowerMachine()
    state = DriveState.SWITCH_ON_DISABLED
    seen = []
    for _ in range(3):
        machine.observe(WORDS[state])
        word = machine.step(DriveState.OPERATION_ENABLED)
        seen.append(word)
        state = after(state, Command(word))
    assert seen == [0x06, 0x07, 0x0F]
    assert state is DriveState.OPERATION_ENABLED


def test_enabled_only_by_the_drives_own_word() -> None:
    """Asking for operation does not make a drive enabled; only its statusword does."""
    machine = PowerMachine()
    assert not machine.is_enabled
    machine.observe(0x0233)
    machine.step(DriveState.OPERATION_ENABLED)
    assert not machine.is_enabled
    machine.observe(0x0237)
    assert machine.is_enabled
    machine.lose()
    assert not machine.is_enabled


def test_every_illegal_command_raises() -> None:
    """Each pair of state and command outside the standard's table raises MisuseError naming both."""
    for state in DriveState:
        for command in Command:
            if (state, command) not in cia402.TRANSITIONS:
                with pytest.raises(MisuseError, match=command.name):
                    after(state, command)


def test_a_stop_is_never_taken_back() -> None:
    """Transition 16 does not exist here: out of a quick stop the way leads through SWITCH ON DISABLED."""
    with pytest.raises(MisuseError):
        after(DriveState.QUICK_STOP_ACTIVE, Command.ENABLE_OPERATION)
    assert next_controlword(DriveState.QUICK_STOP_ACTIVE, DriveState.OPERATION_ENABLED) == 0x00


@pytest.mark.parametrize(
    "state", [DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE, DriveState.UNKNOWN], ids=lambda s: s.name
)
def test_no_step_out_of_a_fault_or_the_unknown(state: DriveState) -> None:
    """A step from a fault or an unknown state raises FaultError and changes nothing."""
    machine = PowerMachine()
    machine.state = state
    machine.last_controlword = 0x1234
    for goal in (DriveState.OPERATION_ENABLED, DriveState.SWITCH_ON_DISABLED):
        with pytest.raises(FaultError, match=state.value):
            machine.step(goal)
    assert (machine.state, machine.last_controlword) == (state, 0x1234)


def test_a_goal_of_no_use_is_refused() -> None:
    """Only operation, disabled and quick stop can be asked for."""
    with pytest.raises(MisuseError, match="switched on"):
        next_controlword(DriveState.SWITCH_ON_DISABLED, DriveState.SWITCHED_ON)


@given(st.integers(0, 0xFFFF))
def test_quick_stop_can_always_be_asked_for(word: int) -> None:
    """Whatever the statusword, a quick stop is one step away and is controlword 0002h."""
    assert next_controlword(decode(word), DriveState.QUICK_STOP_ACTIVE) == 0x0002


def test_a_fault_is_reset_by_rising_edges() -> None:
    """Bit 7 is taken back before it is set again: the drive acts on edges only."""
    machine = PowerMachine()
    machine.observe(0x0218)
    words = [machine.reset_step() for _ in range(4)]
    assert [word >> 7 & 1 for word in words] == [1, 0, 1, 0]


def test_resetting_without_a_fault_is_misuse() -> None:
    """A reset without a reported fault raises and changes nothing."""
    machine = PowerMachine()
    machine.observe(0x0237)
    with pytest.raises(MisuseError, match="operation enabled"):
        machine.reset_step()
    assert machine.last_controlword == 0


@given(st.lists(st.integers(0, 0xFFFF), max_size=30))
def test_no_row_of_words_makes_a_drive_enabled_by_accident(words: list[int]) -> None:
    """After any row of statuswords a drive is enabled exactly when the last one says so (mask 6Fh, value 27h)."""
    machine = PowerMachine()
    for word in words:
        machine.observe(word)
    assert machine.is_enabled == bool(words and words[-1] & 0x6F == 0x27)
