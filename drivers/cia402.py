"""The CiA 402 power drive system machine (IEC 61800-7-201) without I/O: statuswords in, controlwords out.

Owns the table of states, commands and transitions. Knows no bus, no clock and no axis. One rule is above all:
a drive is in the state that its statusword says, never in the one that we asked for; a word that the
standard does not define is ``UNKNOWN``, which is never healthy.
"""

from __future__ import annotations

from enum import IntEnum

from drivers.errors import FaultError, MisuseError
from drivers.interface import DriveState

VELOCITY_MODE = 9
"""6060h: cyclic synchronous velocity."""

STATUS_WARNING = 1 << 7
STATUS_VOLTAGE = 1 << 4
STATUS_REMOTE = 1 << 9
STATUS_INTERNAL_LIMIT = 1 << 11

_FAULT_RESET_BIT = 1 << 7


class Command(IntEnum):
    """Controlword values of the standard's commands; DISABLE_OPERATION has the value of SWITCH_ON."""

    DISABLE_VOLTAGE = 0x0000
    QUICK_STOP = 0x0002
    SHUTDOWN = 0x0006
    SWITCH_ON = 0x0007
    DISABLE_OPERATION = 0x0007
    ENABLE_OPERATION = 0x000F
    FAULT_RESET = 0x0080


STATES: tuple[tuple[DriveState, int, int], ...] = (
    (DriveState.NOT_READY_TO_SWITCH_ON, 0x4F, 0x00),
    (DriveState.SWITCH_ON_DISABLED, 0x4F, 0x40),
    (DriveState.READY_TO_SWITCH_ON, 0x6F, 0x21),
    (DriveState.SWITCHED_ON, 0x6F, 0x23),
    (DriveState.OPERATION_ENABLED, 0x6F, 0x27),
    (DriveState.QUICK_STOP_ACTIVE, 0x6F, 0x07),
    (DriveState.FAULT_REACTION_ACTIVE, 0x4F, 0x0F),
    (DriveState.FAULT, 0x4F, 0x08),
)
"""(state, mask, value) of the statusword."""


def _decode_slowly(word: int) -> DriveState:
    for state, mask, value in STATES:
        if word & mask == value:
            return state
    return DriveState.UNKNOWN


_DECODED = tuple(_decode_slowly(word) for word in range(128))
"""State by the low seven bits of the statusword: 24 words are defined, 104 are not."""


def decode(statusword: int) -> DriveState:
    """The state that ``statusword`` (6041h) reports; ``UNKNOWN`` for the 104 undefined low-seven-bit words."""
    return _DECODED[statusword & 0x7F]


TRANSITIONS: dict[tuple[DriveState, Command], DriveState] = {
    (DriveState.SWITCH_ON_DISABLED, Command.SHUTDOWN): DriveState.READY_TO_SWITCH_ON,  # 2
    (DriveState.READY_TO_SWITCH_ON, Command.SWITCH_ON): DriveState.SWITCHED_ON,  # 3
    (DriveState.SWITCHED_ON, Command.ENABLE_OPERATION): DriveState.OPERATION_ENABLED,  # 4
    (DriveState.OPERATION_ENABLED, Command.DISABLE_OPERATION): DriveState.SWITCHED_ON,  # 5
    (DriveState.SWITCHED_ON, Command.SHUTDOWN): DriveState.READY_TO_SWITCH_ON,  # 6
    (DriveState.READY_TO_SWITCH_ON, Command.DISABLE_VOLTAGE): DriveState.SWITCH_ON_DISABLED,  # 7
    (DriveState.READY_TO_SWITCH_ON, Command.QUICK_STOP): DriveState.SWITCH_ON_DISABLED,  # 7
    (DriveState.OPERATION_ENABLED, Command.SHUTDOWN): DriveState.READY_TO_SWITCH_ON,  # 8
    (DriveState.OPERATION_ENABLED, Command.DISABLE_VOLTAGE): DriveState.SWITCH_ON_DISABLED,  # 9
    (DriveState.SWITCHED_ON, Command.DISABLE_VOLTAGE): DriveState.SWITCH_ON_DISABLED,  # 10
    (DriveState.SWITCHED_ON, Command.QUICK_STOP): DriveState.SWITCH_ON_DISABLED,  # 10
    (DriveState.OPERATION_ENABLED, Command.QUICK_STOP): DriveState.QUICK_STOP_ACTIVE,  # 11
    (DriveState.QUICK_STOP_ACTIVE, Command.DISABLE_VOLTAGE): DriveState.SWITCH_ON_DISABLED,  # 12
    (DriveState.FAULT, Command.FAULT_RESET): DriveState.SWITCH_ON_DISABLED,  # 15
}
"""Every commanded transition of the standard by its number, but for 16.

Transition 16 (quick stop active back to operation enabled) is left out: a stop is never taken back.
Transitions 0, 1, 13 and 14 are the drive's own.
"""

_HOLD: dict[DriveState, Command] = {
    DriveState.SWITCH_ON_DISABLED: Command.DISABLE_VOLTAGE,
    DriveState.READY_TO_SWITCH_ON: Command.SHUTDOWN,
    DriveState.SWITCHED_ON: Command.SWITCH_ON,
    DriveState.OPERATION_ENABLED: Command.ENABLE_OPERATION,
    DriveState.QUICK_STOP_ACTIVE: Command.QUICK_STOP,
}
"""What keeps a drive where it is."""

_STEP_UP: dict[DriveState, Command] = {
    DriveState.NOT_READY_TO_SWITCH_ON: Command.DISABLE_VOLTAGE,
    DriveState.QUICK_STOP_ACTIVE: Command.DISABLE_VOLTAGE,
    DriveState.SWITCH_ON_DISABLED: Command.SHUTDOWN,
    DriveState.READY_TO_SWITCH_ON: Command.SWITCH_ON,
    DriveState.SWITCHED_ON: Command.ENABLE_OPERATION,
}
_STEP_DOWN: dict[DriveState, Command] = {
    DriveState.NOT_READY_TO_SWITCH_ON: Command.DISABLE_VOLTAGE,
    DriveState.QUICK_STOP_ACTIVE: Command.DISABLE_VOLTAGE,
    DriveState.OPERATION_ENABLED: Command.SHUTDOWN,
    DriveState.SWITCHED_ON: Command.SHUTDOWN,
    DriveState.READY_TO_SWITCH_ON: Command.DISABLE_VOLTAGE,
}
_STEPS: dict[DriveState, dict[DriveState, Command]] = {
    DriveState.OPERATION_ENABLED: _STEP_UP,
    DriveState.SWITCH_ON_DISABLED: _STEP_DOWN,
}
"""Next command by goal and present state. Other goals are of no use here and are refused."""


def after(state: DriveState, command: Command) -> DriveState:
    """The state that ``command`` leads to. Raises MisuseError when the standard has no such transition."""
    try:
        return TRANSITIONS[state, command]
    except KeyError:
        raise MisuseError(
            "power machine", f"a command that CiA 402 allows in {state.value!r}", command.name
        ) from None


def next_controlword(state: DriveState, goal: DriveState) -> int:
    """The controlword that brings a drive one step from ``state`` towards ``goal``, or holds it there.

    Goals: ``OPERATION_ENABLED`` and ``SWITCH_ON_DISABLED``; ``QUICK_STOP_ACTIVE`` gives the quick stop in every
    state, since asking for a stop is never illegal. Raises MisuseError for another goal, FaultError when the
    drive is in a fault or in an unknown state (a fault is only left by ``PowerMachine.reset_step``).
    """
    if goal is DriveState.QUICK_STOP_ACTIVE:
        return Command.QUICK_STOP
    steps = _STEPS.get(goal)
    if steps is None:
        raise MisuseError("power machine", "a goal that can be asked for", goal.value)
    if state is goal:
        return _HOLD[state]
    command = steps.get(state)
    if command is None:
        raise FaultError("power machine", f"a state from which {goal.value!r} can be reached", state.value)
    return command


class PowerMachine:
    """The mirror of one drive: its last reported state, and the last controlword we gave.

    Methods that raise change nothing.
    """

    __slots__ = ("last_controlword", "state", "statusword")

    def __init__(self) -> None:
        self.state = DriveState.UNKNOWN
        self.statusword = 0
        self.last_controlword = 0

    @property
    def is_enabled(self) -> bool:
        """Whether the drive's own word says OPERATION ENABLED."""
        return self.state is DriveState.OPERATION_ENABLED

    def observe(self, statusword: int) -> DriveState:
        """Take in a statusword; returns the state it means."""
        self.statusword = statusword
        self.state = _DECODED[statusword & 0x7F]
        return self.state

    def lose(self) -> None:
        """Forget the drive's state: it went silent or started anew."""
        self.statusword = 0
        self.state = DriveState.UNKNOWN

    def step(self, goal: DriveState) -> int:
        """The controlword for the next round towards ``goal``. Raises as ``next_controlword`` does."""
        word = next_controlword(self.state, goal)
        self.last_controlword = word
        return word

    def stay(self) -> int:
        """The controlword that holds the drive where it is: in a state without one, no voltage."""
        word = int(_HOLD.get(self.state, Command.DISABLE_VOLTAGE))
        self.last_controlword = word
        return word

    def reset_step(self, *, stands: bool = False) -> int:
        """The controlword for the next round of acknowledging a fault.

        The drive acts on a rising edge of bit 7 only, so the bit is first taken back when it stands. ``stands``: the
        last word is to stand for another round. Raises MisuseError when the drive reports no fault.
        """
        if self.state is not DriveState.FAULT:
            raise MisuseError("power machine", "a drive in fault to acknowledge", self.state.value)
        was_up = bool(self.last_controlword & _FAULT_RESET_BIT)
        word = int(Command.FAULT_RESET) if was_up is stands else 0
        self.last_controlword = word
        return word
