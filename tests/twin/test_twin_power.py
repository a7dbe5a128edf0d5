"""The simulated drive's power machine, judged by the table of an independent open-source library (canopen)."""

from __future__ import annotations

import pytest
from canopen.profiles.p402 import State402
from hypothesis import given
from hypothesis import strategies as st

from drivers.twin.power import Power, PowerMachine


def judge(machine: PowerMachine) -> str:
    """Name of the state that canopen reads out of the machine's statusword bits."""
    names = [name for name, (mask, value) in State402.SW_MASK.items() if machine.state.value & mask == value]
    assert len(names) == 1
    return names[0]


def machine_in(name: str) -> PowerMachine:
    machine = PowerMachine()
    if name == "NOT READY TO SWITCH ON":
        return machine
    machine.initialised()
    walk = {
        "SWITCH ON DISABLED": [],
        "READY TO SWITCH ON": [0x06],
        "SWITCHED ON": [0x06, 0x07],
        "OPERATION ENABLED": [0x06, 0x07, 0x0F],
        "QUICK STOP ACTIVE": [0x06, 0x07, 0x0F, 0x02],
        "FAULT REACTION ACTIVE": [0x06, 0x07, 0x0F],
        "FAULT": [],
    }
    for word in walk[name]:
        machine.controlword(word)
    if name.startswith("FAULT"):
        machine.fault(0x8130)
    assert judge(machine) == name
    return machine


COMMANDED = [
    (start, end, word)
    for (start, end), word in State402.TRANSITIONTABLE.items()
    if start in State402.SW_MASK and start not in ("NOT READY TO SWITCH ON", "FAULT REACTION ACTIVE")
]


@pytest.mark.parametrize(("start", "end", "word"), COMMANDED)
def test_every_commanded_transition_of_the_table(start: str, end: str, word: int):
    """Each transition that canopen's table gives a controlword for leads where the table says."""
    machine = machine_in(start)
    machine.quick_stop_option = 6 if (start, end) == ("QUICK STOP ACTIVE", "OPERATION ENABLED") else 2
    machine.disable_option = 0
    machine.controlword(word)
    assert judge(machine) == end


def test_quick_stop_that_may_not_stay_cannot_be_enabled_again():
    """Transition 16 exists only with quick stop options 5 to 8 (CiA 402)."""
    machine = machine_in("QUICK STOP ACTIVE")
    machine.controlword(0x0F)
    assert machine.state is Power.QUICK_STOP_ACTIVE
    machine.standstill()
    assert machine.state is Power.SWITCH_ON_DISABLED


def test_fault_reset_needs_a_rising_edge():
    """Bit 7 held since before the fault resets nothing."""
    machine = machine_in("SWITCH ON DISABLED")
    machine.controlword(0x80)
    machine.fault(0x8130)
    machine.controlword(0x80)
    assert machine.state is Power.FAULT
    machine.controlword(0x00)
    machine.controlword(0x80)
    assert machine.state is Power.SWITCH_ON_DISABLED
    assert machine.fault_code == 0


def test_fault_reaction_ends_in_fault_and_keeps_the_first_cause():
    """Transitions 13 and 14; a second fault does not hide the first."""
    machine = machine_in("OPERATION ENABLED")
    assert machine.fault(0x8130)
    assert judge(machine) == "FAULT REACTION ACTIVE"
    assert not machine.fault(0x3220)
    machine.standstill()
    assert judge(machine) == "FAULT"
    assert machine.fault_code == 0x8130


def test_no_motor_power_no_switching_on():
    """Without voltage the drive neither switches on nor leaves a fault."""
    machine = machine_in("READY TO SWITCH ON")
    assert machine.power_lost(0x3220)
    machine.controlword(0x00)
    machine.controlword(0x80)
    assert machine.state is Power.FAULT
    machine.voltage = True
    machine.controlword(0x00)
    machine.controlword(0x80)
    machine.controlword(0x06)
    machine.voltage = False
    machine.controlword(0x07)
    machine.controlword(0x0F)
    assert machine.state is Power.READY_TO_SWITCH_ON


@given(st.lists(st.one_of(st.integers(0, 0xFFFF), st.sampled_from(["fault", "power", "still", "back"]))))
def test_torque_comes_only_from_an_enabling_word(events: list[int | str]):
    """Law: torque begins only with a controlword whose bits 0 to 3 are all set; every state is one of the table."""
    machine = PowerMachine()
    machine.initialised()
    for event in events:
        before = machine.has_torque
        if isinstance(event, int):
            machine.controlword(event)
        elif event == "fault":
            machine.fault(0x8130)
        elif event == "power":
            machine.power_lost(0x3220)
        elif event == "still":
            machine.standstill()
        else:
            machine.voltage = True
        judge(machine)
        if machine.has_torque and not before:
            assert isinstance(event, int)
            assert event & 0x0F == 0x0F
            assert machine.voltage
