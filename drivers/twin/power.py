"""The drive's power machine as CiA 402 / IEC 61800-7-201 draws it: controlwords and events in, state out.

Pure: no bus, no clock, no motion. Written from the standard's state diagram on the drive's side, apart from the
master's view of it elsewhere, so that one cannot hide a mistake of the other. What each state means for the motor
is the node's business; it learns of it through ``state`` and the two "ramping" flags.
"""

from __future__ import annotations

from enum import IntEnum


class Power(IntEnum):
    """The states; the value is the state's statusword bits (mask 6Fh, or 4Fh where bit 5 has no meaning)."""

    NOT_READY_TO_SWITCH_ON = 0x00
    SWITCH_ON_DISABLED = 0x40
    READY_TO_SWITCH_ON = 0x21
    SWITCHED_ON = 0x23
    OPERATION_ENABLED = 0x27
    QUICK_STOP_ACTIVE = 0x07
    FAULT_REACTION_ACTIVE = 0x0F
    FAULT = 0x08


_TORQUE = frozenset((Power.OPERATION_ENABLED, Power.QUICK_STOP_ACTIVE, Power.FAULT_REACTION_ACTIVE))
_LIVE = frozenset(
    (Power.READY_TO_SWITCH_ON, Power.SWITCHED_ON, Power.OPERATION_ENABLED, Power.QUICK_STOP_ACTIVE)
)


class PowerMachine:
    """One drive's state. The ``..._option`` attributes stand for 605Ah, 605Bh, 605Ch and 605Eh."""

    __slots__ = (
        "_after_ramp",
        "_last_word",
        "disable_option",
        "fault_code",
        "fault_option",
        "quick_stop_option",
        "shutdown_option",
        "state",
        "voltage",
    )  # fmt: skip

    def __init__(self) -> None:
        self.voltage = True
        self.restart()
        self.state = Power.NOT_READY_TO_SWITCH_ON

    def restart(self) -> None:
        """Everything as after a reboot whose self-test passed; whether there is motor power stays as it is."""
        self.state = Power.SWITCH_ON_DISABLED
        self.fault_code = 0
        self.quick_stop_option = 2
        self.shutdown_option = 0
        self.disable_option = 1
        self.fault_option = 2
        self._last_word = 0
        self._after_ramp: Power | None = None

    @property
    def has_torque(self) -> bool:
        """Whether the motor is under control (else friction and brake have it)."""
        return self.state in _TORQUE

    @property
    def is_ramping_down(self) -> bool:
        """In OPERATION ENABLED, slowing down because a controlword took the enable away."""
        return self._after_ramp is not None

    def initialised(self) -> None:
        """Self-test done: transition 1."""
        if self.state is Power.NOT_READY_TO_SWITCH_ON:
            self.state = Power.SWITCH_ON_DISABLED

    def controlword(self, word: int) -> None:
        """Take a controlword; what the standard does not allow in the present state changes nothing."""
        rising_reset = bool(word & 0x80) and not self._last_word & 0x80
        self._last_word = word
        state = self.state
        if state is Power.FAULT:
            if rising_reset and self.voltage:
                self.state, self.fault_code = Power.SWITCH_ON_DISABLED, 0  # 15
            return
        if state in (Power.FAULT_REACTION_ACTIVE, Power.NOT_READY_TO_SWITCH_ON):
            return
        if not word & 0x02:  # disable voltage: 7, 9, 10, 12
            self._go(Power.SWITCH_ON_DISABLED)
        elif not word & 0x04:  # quick stop: 7, 10, 11
            if state is Power.OPERATION_ENABLED:
                self._go(Power.QUICK_STOP_ACTIVE if self.quick_stop_option != 0 else Power.SWITCH_ON_DISABLED)
            elif state in (Power.READY_TO_SWITCH_ON, Power.SWITCHED_ON):
                self._go(Power.SWITCH_ON_DISABLED)
        elif not word & 0x01:  # shutdown: 2, 6, 8
            if state is Power.SWITCH_ON_DISABLED or state is Power.SWITCHED_ON:
                self._go(Power.READY_TO_SWITCH_ON)
            elif state is Power.OPERATION_ENABLED:
                self._leave(Power.READY_TO_SWITCH_ON, self.shutdown_option)
        elif not word & 0x08:  # switch on, or disable operation: 3, 5
            if state is Power.READY_TO_SWITCH_ON and self.voltage:
                self._go(Power.SWITCHED_ON)
            elif state is Power.OPERATION_ENABLED:
                self._leave(Power.SWITCHED_ON, self.disable_option)
        else:  # enable operation: 3 and 4 at once, 4, 16
            stays = self.quick_stop_option in (5, 6, 7, 8)
            if (
                (state is Power.READY_TO_SWITCH_ON and self.voltage)
                or state is Power.SWITCHED_ON
                or (state is Power.QUICK_STOP_ACTIVE and stays)
                or state is Power.OPERATION_ENABLED
            ):
                self._go(Power.OPERATION_ENABLED)

    def _go(self, state: Power) -> None:
        self.state = state
        self._after_ramp = None

    def _leave(self, state: Power, option: int) -> None:
        if option == 0:
            self._go(state)
        else:
            self._after_ramp = state

    def standstill(self) -> None:
        """The motor stands while under torque: finishes a quick stop, a fault reaction or a ramp down."""
        if self.state is Power.QUICK_STOP_ACTIVE and self.quick_stop_option not in (5, 6, 7, 8):
            self._go(Power.SWITCH_ON_DISABLED)  # 12
        elif self.state is Power.FAULT_REACTION_ACTIVE:
            self._go(Power.FAULT)  # 14
        elif self._after_ramp is not None:
            self._go(self._after_ramp)

    def fault(self, code: int) -> bool:
        """A fault: transition 13. Returns False when the drive was in fault already (the first cause is kept)."""
        if self.state in (Power.FAULT, Power.FAULT_REACTION_ACTIVE):
            return False
        self.fault_code = code
        reacts = self.has_torque and self.voltage and self.fault_option != 0
        self._go(Power.FAULT_REACTION_ACTIVE if reacts else Power.FAULT)
        return True

    def power_lost(self, code: int) -> bool:
        """Motor power is gone: no reaction is possible, the drive is in FAULT at once if it was using it."""
        self.voltage = False
        if self.state is Power.FAULT_REACTION_ACTIVE:
            self._go(Power.FAULT)
            return False
        return self.state in _LIVE and self.fault(code)

    def quick_stop(self) -> None:
        """Stop as by the quick stop command (abort connection option 3)."""
        self.controlword(0x02)

    def disable_voltage(self) -> None:
        """Torque off as by the command (abort connection option 2)."""
        self.controlword(0x00)
