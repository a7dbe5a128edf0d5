"""What the drive does with its motor: the operating modes, halts and stops, turned into ramps and targets.

Owns modes 1 (profile position), 3 (profile velocity) and 9 (cyclic velocity). Reads the dictionary, the power
machine and the axis; knows no bus. In mode 9 the target is the value that stood in 60FFh at the last SYNC, taken
as a step: without new commands the motor goes on turning, as real drives do.
"""

from __future__ import annotations

import math

from drivers.twin import physics
from drivers.twin.axis import Axis
from drivers.twin.objects import AbortCode, ObjectDictionary, SdoAbortError
from drivers.twin.power import Power, PowerMachine

PROFILE_POSITION, PROFILE_VELOCITY, CYCLIC_VELOCITY = 1, 3, 9
AT_TARGET_MM_S = 0.5
_STEP_S = 1e-3
_HALT, _NEW_SETPOINT, _AT_ONCE, _RELATIVE = 1 << 8, 1 << 4, 1 << 5, 1 << 6


class MotionControl:
    """The motion side of one drive; ``step`` is called every ms while ``needs_steps``."""

    __slots__ = ("_acceleration", "_acknowledged", "_axis", "_deceleration", "_goal_mm",
                 "_halt_option", "_next_goal_mm", "_power", "_profile_velocity", "_quick_stop", "_target_position",
                 "_target_velocity", "_window", "_word", "cyclic_units", "mode")  # fmt: skip

    def __init__(self, od: ObjectDictionary, power: PowerMachine, axis: Axis) -> None:
        self._power = power
        self._axis = axis
        self.mode = 0
        self.cyclic_units = 0
        self._word = 0
        self._goal_mm: float | None = None
        self._next_goal_mm: float | None = None
        self._acknowledged = False
        entries = od.entries
        self._target_velocity = entries[0x60FF, 0]
        self._target_position = entries[0x607A, 0]
        self._profile_velocity = entries[0x6081, 0]
        self._acceleration = entries[0x6083, 0]
        self._deceleration = entries[0x6084, 0]
        self._quick_stop = entries[0x6085, 0]
        self._halt_option = entries[0x605D, 0]
        self._window = entries[0x6067, 0]
        entries[0x6060, 0].write = self.set_mode
        entries[0x60FF, 0].write = self._set_velocity

    def set_mode(self, mode: int) -> None:
        """Change the mode of operation at once. Raises SdoAbortError for a mode that the drive does not have."""
        if mode not in (0, PROFILE_POSITION, PROFILE_VELOCITY, CYCLIC_VELOCITY):
            raise SdoAbortError(AbortCode.VALUE)
        if mode == self.mode:
            return
        self.mode = mode
        self._drop_goals()
        self.cyclic_units = self._target_velocity.value
        self.update()

    def _set_velocity(self, units: int) -> None:
        if self.mode == PROFILE_VELOCITY:
            self._target_velocity.value = units
            self.update()

    def latch(self) -> None:
        """The SYNC: mode 9 takes its value now."""
        units = self._target_velocity.value
        if units != self.cyclic_units:
            self.cyclic_units = units
            self.update()

    def controlword(self, word: int) -> None:
        """Mode-specific bits and halt, after the power machine has had the word."""
        rising = bool(word & _NEW_SETPOINT) and not self._word & _NEW_SETPOINT
        changed = word != self._word
        self._word = word
        if self.mode == PROFILE_POSITION and self._power.state is Power.OPERATION_ENABLED:
            if rising and self._next_goal_mm is None:
                goal_mm = self._wanted_mm(bool(word & _RELATIVE))
                if self._goal_mm is None or word & _AT_ONCE:
                    self._goal_mm = goal_mm
                else:
                    self._next_goal_mm = goal_mm
                self._acknowledged = True
            elif not word & _NEW_SETPOINT and self._next_goal_mm is None:
                self._acknowledged = False
        if changed:
            self.update()

    def _wanted_mm(self, relative: bool) -> float:
        counts = self._target_position.value
        return self._axis.mm_at(counts + self._axis.position_counts if relative else counts)

    def _drop_goals(self) -> None:
        self._goal_mm = self._next_goal_mm = None
        self._acknowledged = False

    @property
    def needs_steps(self) -> bool:
        """Whether something ends by itself, so that the drive has to look every ms."""
        power = self._power
        if power.state is Power.OPERATION_ENABLED:
            return power.is_ramping_down or (self.mode == PROFILE_POSITION and self._goal_mm is not None)
        if power.state is Power.QUICK_STOP_ACTIVE:
            return power.quick_stop_option < 5
        return power.state is Power.FAULT_REACTION_ACTIVE

    def update(self) -> None:
        """Set the axis as power state, mode and halt bit say."""
        axis, power = self._axis, self._power
        if not power.has_torque:
            axis.free()
            self._drop_goals()
            return
        slow_mm_s2 = axis.mm_s2(self._deceleration.value)
        quick_mm_s2 = axis.mm_s2(self._quick_stop.value)
        if power.state is Power.QUICK_STOP_ACTIVE:
            self._drop_goals()
            option = power.quick_stop_option
            ramp = {1: slow_mm_s2, 5: slow_mm_s2, 2: quick_mm_s2, 6: quick_mm_s2}.get(option, math.inf)
            axis.drive_to(0.0, ramp, ramp)
        elif power.state is Power.FAULT_REACTION_ACTIVE:
            self._drop_goals()
            ramp = slow_mm_s2 if power.fault_option == 1 else quick_mm_s2
            axis.drive_to(0.0, ramp, ramp)
        elif power.is_ramping_down:
            axis.drive_to(0.0, slow_mm_s2, slow_mm_s2)
        elif self._word & _HALT:
            ramp = quick_mm_s2 if self._halt_option.value == 2 else slow_mm_s2
            axis.drive_to(0.0, ramp, ramp)
        elif self.mode == CYCLIC_VELOCITY:
            axis.drive_to(axis.mm_s(self.cyclic_units), math.inf, math.inf)
        elif self.mode == PROFILE_VELOCITY:
            target_mm_s = axis.mm_s(self._target_velocity.value)
            axis.drive_to(target_mm_s, axis.mm_s2(self._acceleration.value), slow_mm_s2)
        elif self.mode == PROFILE_POSITION and self._goal_mm is not None:
            self._step_position(self._goal_mm)
        else:
            axis.drive_to(0.0, slow_mm_s2, slow_mm_s2)

    def step(self) -> None:
        """One ms of the drive's own program: finish stops, follow the position profile."""
        power = self._power
        if power.state is Power.OPERATION_ENABLED and not power.is_ramping_down:
            if self._goal_mm is not None and not self._word & _HALT:
                self._step_position(self._goal_mm)
        elif self._axis.is_at_rest:
            power.standstill()
            self.update()

    def _step_position(self, goal_mm: float) -> None:
        """Profile position: the reference for the next ms; the last one lands on the goal exactly.

        A loop with first-order lag travels lag * V further than its reference, so that much is subtracted from
        what is left.
        """
        axis, state = self._axis, self._axis.state
        left_mm = goal_mm - state[physics.X] - state[physics.LAG] * state[physics.V]
        if abs(left_mm) < 1e-7 and axis.is_at_rest:
            self._goal_mm, self._next_goal_mm = self._next_goal_mm, None
            axis.drive_to(0.0, math.inf, math.inf, late=False)
            return
        up, down = axis.mm_s2(self._acceleration.value), axis.mm_s2(self._deceleration.value)
        half_step = down * _STEP_S / 2
        size = min(
            abs(axis.mm_s(self._profile_velocity.value)),
            math.sqrt(2 * down * abs(left_mm) + half_step**2) - half_step,
            abs(left_mm) / _STEP_S,
        )
        if abs(left_mm) <= down * _STEP_S**2:
            size = abs(left_mm) / _STEP_S
        wanted = math.copysign(size, left_mm)
        reference = float(state[physics.R])
        if wanted > reference:
            wanted = min(wanted, reference + (up if reference >= 0 else down) * _STEP_S)
        else:
            wanted = max(wanted, reference - (up if reference <= 0 else down) * _STEP_S)
        axis.drive_to(wanted, math.inf, math.inf, late=False)

    def status_bits(self) -> int:
        """Bits 10 to 12 of the statusword."""
        axis = self._axis
        enabled = self._power.state is Power.OPERATION_ENABLED
        word = 0
        if (self._word & _HALT and enabled) or self._power.state is Power.QUICK_STOP_ACTIVE:
            word |= 0x0400 if axis.is_at_rest else 0
        elif enabled and self.mode == PROFILE_VELOCITY:
            target = axis.mm_s(self._target_velocity.value)
            word |= 0x0400 if abs(axis.state[physics.V] - target) < AT_TARGET_MM_S else 0
        elif enabled and self.mode == PROFILE_POSITION:
            left_mm = 0.0 if self._goal_mm is None else abs(self._goal_mm - axis.motor_mm)
            word |= 0x0400 if left_mm <= axis.length_mm(self._window.value) and axis.is_at_rest else 0
        if enabled and (
            self.mode == CYCLIC_VELOCITY
            or (self.mode == PROFILE_VELOCITY and axis.is_at_rest)
            or (self.mode == PROFILE_POSITION and self._acknowledged)
        ):
            word |= 0x1000
        return word
