"""What the drives' latest words give reason to stop for: lost motor power, faults, open stop loops, missing motion.

Pure: feedback and instants in, a reason out, and the flags that tell the guard. Mirrors, never assumes: an axis is
under power when its own statusword says so.
"""

from __future__ import annotations

import math

from controller.config.machine import AXES, Machine
from drivers.clock import NS_PER_MS
from drivers.inputs.drive import drive_stop_inputs
from drivers.interface import AxisFeedback, DriveState, GroupFeedback
from safety.beat import DRIVE_FAULT, DRIVE_INPUT_OPEN, POWER_LOST

VOLTAGE_ENABLED = 1 << 4
"""Statusword (6041h): there is motor power. Some drives never set it; only one that did can take it back."""

POWER_FAULTS = frozenset({0x3120, 0x3130, 0x3220})
"""CiA 402 error codes (603Fh) of missing power: mains too low, a phase missing, DC link too low (from memory)."""

NO_MOTION_MS = 100.0
NO_MOTION_MM_S = 1.0
"""Commanded at least so fast for longer than that (and the drive's lag) and not moved at all: something is off. The
time is counted in readings, one a tick: while readings are held up, nothing is known, and silence has its own limit."""

_FAULTS = (DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE)


CODES = ((POWER_LOST, "motor-power-lost"), (DRIVE_INPUT_OPEN, "input-open"), (DRIVE_FAULT, "drive-fault"))
"""By the flag that is set: the catalogue's entry, the guard's own word for it."""


class MotionWatch:
    """Commanded motion of one axis without any measured motion."""

    __slots__ = (
        "_from_counts",
        "_is_forth",
        "_looks",
        "_looks_max",
        "_rest_counts",
        "_speed_units",
        "limit_ms",
    )

    def __init__(self, machine: Machine, axis: str, rest_counts: float) -> None:
        """``rest_counts``: a change of position up to this is none."""
        settings = machine.axes[axis]
        unit = settings.drive.velocity_unit_counts_s
        self.limit_ms = NO_MOTION_MS + settings.loop_lag_ms + settings.latency_ms
        self._looks_max = math.ceil(self.limit_ms * 1000 / machine.tick_us)
        self._rest_counts = rest_counts
        # On a coarse counter slow motion looks like none: there the speed must be one that would surely show.
        surely_counts_s = 4 * rest_counts * 1000 / self.limit_ms
        self._speed_units = max(NO_MOTION_MM_S * float(settings.drive.counts_per_mm), surely_counts_s) / unit
        self._from_counts = 0
        self._is_forth = True
        self._looks: int | None = None

    def is_stuck(self, commanded_units: int, position_counts: int) -> bool:
        """Whether the axis ought to have moved by this reading. ``commanded_units``: what was last sent."""
        is_forth = commanded_units > 0
        if (
            self._looks is None
            or is_forth is not self._is_forth  # to and fro within the time may well come to nothing
            or abs(commanded_units) < self._speed_units
            or abs(position_counts - self._from_counts) > self._rest_counts
        ):
            self._from_counts = position_counts
            self._is_forth = is_forth
            self._looks = 0
            return False
        self._looks += 1
        return self._looks > self._looks_max


class MachineWatch:
    """Looks at all axes once a tick. ``flags``: the bits of a beat (safety/beat.py) that say what was found."""

    __slots__ = ("_feedback", "_had_power", "_inputs", "_motion", "flags")

    def __init__(self, machine: Machine, feedback: GroupFeedback, rest_counts: list[float]) -> None:
        self.flags = 0
        self._feedback = feedback
        silent_ns = round(machine.lease.feedback_late_ms * NS_PER_MS)
        self._inputs = drive_stop_inputs(machine.stops, AXES, feedback, silent_ns)
        self._had_power = [False] * len(AXES)
        self._motion = [
            MotionWatch(machine, axis, rest) for axis, rest in zip(AXES, rest_counts, strict=True)
        ]

    def look(self, now_ns: int) -> str:
        """Why the machine must stop, or an empty text. Motor power comes first: it explains what follows it."""
        reason = ""
        flags = 0
        for index, word in enumerate(self._feedback.axes):
            if word.statusword & VOLTAGE_ENABLED and word.state is DriveState.OPERATION_ENABLED:
                self._had_power[index] = True
            elif self._has_lost_power(index, word):
                flags |= POWER_LOST
                reason = reason or f"axis {AXES[index]}: motor power is lost ({_words(word)})"
        for one in self._inputs:
            if not one.is_closed(now_ns):
                flags |= DRIVE_INPUT_OPEN
                reason = reason or f"stop input {one.name} is open"
        for index, word in enumerate(self._feedback.axes):
            if word.fault_code or word.state in _FAULTS:
                flags |= DRIVE_FAULT
            if word.state is not DriveState.OPERATION_ENABLED:
                reason = reason or f"axis {AXES[index]}: expected operation enabled, got {_words(word)}"
        self.flags = flags
        return reason

    @property
    def code(self) -> str:
        """The catalogue's entry for what ``look`` found last, in its order."""
        for bit, code in CODES:
            if self.flags & bit:
                return code
        return "drive-not-enabled"

    def stuck(self, index: int, commanded_units: int, position_counts: int) -> str:
        """Why axis ``index`` must stop: it was commanded to move and has not moved. Else an empty text."""
        motion = self._motion[index]
        if not motion.is_stuck(commanded_units, position_counts):
            return ""
        return (
            f"axis {AXES[index]}: no motion: expected the position to change within "
            f"{motion.limit_ms:g} ms of a commanded velocity, got {position_counts} counts all along"
        )

    def notes(self) -> tuple[str, ...]:
        """What could not be watched."""
        return tuple(
            f"axis {name}: its drive never reported motor power (statusword bit 4): its loss shows as a fault only"
            for name, had_power in zip(AXES, self._had_power, strict=True)
            if not had_power
        )

    def _has_lost_power(self, index: int, word: AxisFeedback) -> bool:
        gone = self._had_power[index] and not word.statusword & VOLTAGE_ENABLED
        return gone or word.fault_code in POWER_FAULTS


def _words(word: AxisFeedback) -> str:
    code = f"fault code {word.fault_code:#06x}" if word.fault_code else ""
    told = ", ".join(one for one in (code, word.event) if one)
    return f"{word.state.value} ({told})" if told else word.state.value
