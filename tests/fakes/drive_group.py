# ruff: noqa: D102 - the docstrings of the protocols that these classes keep hold here
"""A DriveGroup without any wire: it records what it is told, moves exactly as commanded, and fails on demand.

It keeps the promises of drivers/interface.py (tests/contract runs over it), so that a test of a loop above can use
it in place of drives.
"""

from __future__ import annotations

from drivers.clock import Clock
from drivers.errors import DriverError, FaultError, LinkError, MisuseError
from drivers.interface import AxisFeedback, DriveState, GroupFeedback

_STATUSWORDS = {
    DriveState.UNKNOWN: 0,
    DriveState.SWITCH_ON_DISABLED: 0x0250,
    DriveState.OPERATION_ENABLED: 0x0237,
    DriveState.QUICK_STOP_ACTIVE: 0x0217,
    DriveState.FAULT: 0x0218,
}


class FakeDriveGroup:
    """Records every call in ``calls`` and every tick in ``ticks``.

    ``fail_next[call] = error`` makes the next such call raise. ``is_mute`` stops the feedback; ``fault(axis)`` puts
    a drive into fault; ``inputs`` per axis are reported as they stand, the head's switches follow its output
    at once (bits ``down_bit`` and ``up_bit`` of axis ``head_axis``) unless ``head_is_stuck``.
    """

    def __init__(
        self,
        axes: tuple[str, ...],
        clock: Clock,
        counts_per_unit_s: float = 1.0,
        start_counts: tuple[int, ...] | None = None,
        head_axis: int = 0,
        down_bit: int = 16,
        up_bit: int = 17,
    ) -> None:
        self._axes = axes
        self._clock = clock
        self._counts_per_unit_s = counts_per_unit_s
        self._feedback = GroupFeedback([AxisFeedback() for _ in axes])
        self._exact_counts = [float(start) for start in (start_counts or (0,) * len(axes))]
        self._states = [DriveState.SWITCH_ON_DISABLED for _ in axes]
        self._velocities = [0] * len(axes)
        self._moved_ns = clock.now_ns()
        self._head = (head_axis, down_bit, up_bit)
        self._answers_due = 0
        self.inputs = [0] * len(axes)
        self.inputs[head_axis] |= 1 << up_bit
        self.calls: list[str] = []
        self.ticks: list[tuple[int, tuple[int, ...], int]] = []
        self.stops = 0
        self.fail_next: dict[str, DriverError] = {}
        self.is_mute = False
        self.head_is_stuck = False
        self.is_aborted = False
        self.is_closed = False
        self.is_live = False
        self.is_configured = False

    @property
    def axes(self) -> tuple[str, ...]:
        return self._axes

    @property
    def feedback(self) -> GroupFeedback:
        return self._feedback

    @property
    def is_enabled(self) -> bool:
        return all(axis.state is DriveState.OPERATION_ENABLED for axis in self._feedback.axes)

    def feedback_age_ns(self, now_ns: int) -> int:
        oldest_ns = min(axis.received_ns for axis in self._feedback.axes)
        return now_ns - oldest_ns if oldest_ns else (1 << 63) - 1

    def fault(self, axis: str, code: int = 0x7300) -> None:
        """The drive of ``axis`` fails; told by the next poll."""
        position = self._axes.index(axis)
        self._move()
        self._states[position] = DriveState.FAULT
        self._velocities[position] = 0
        self._feedback.axes[position].fault_code = code
        self._answers_due += 1

    def configure(self) -> None:
        self._refuse_when_over("configure")
        self._begin("configure")
        self.is_configured = True

    def enable(self) -> None:
        self._refuse_when_over("enable")
        if not self.is_configured:
            raise MisuseError("enable", "a group that is configured", "one that is not")
        self._begin("enable")
        for name, state in zip(self._axes, self._states, strict=True):
            if state is DriveState.FAULT:
                self.stops += 1
                raise FaultError(f"axis {name}", "operation enabled", "fault")
        self._states = [DriveState.OPERATION_ENABLED for _ in self._axes]
        self._velocities = [0] * len(self._axes)
        self.is_live = True
        self._answers_due += 1
        self.poll()

    def send_tick(self, velocity_units: tuple[int, ...], outputs: int) -> None:
        if not self.is_live:
            raise MisuseError("send_tick", "an enabled group", "one that is not")
        if len(velocity_units) != len(self._axes) or outputs not in (0, 1):
            raise MisuseError("send_tick", "one velocity per axis", str(velocity_units))
        if not all(-(1 << 31) <= units < 1 << 31 for units in velocity_units):
            raise MisuseError("send_tick", "velocities of 32 bits", str(velocity_units))
        for name, axis in zip(self._axes, self._feedback.axes, strict=True):
            if axis.state is not DriveState.OPERATION_ENABLED:
                raise FaultError(f"axis {name}", "operation enabled", axis.state.value)
        self._begin("send_tick")
        self._move()
        self._velocities = [
            units if state is DriveState.OPERATION_ENABLED else 0
            for units, state in zip(velocity_units, self._states, strict=True)
        ]
        self.ticks.append((self._clock.now_ns(), tuple(velocity_units), outputs))
        if not self.head_is_stuck:
            axis, down_bit, up_bit = self._head
            self.inputs[axis] &= ~(1 << down_bit | 1 << up_bit)
            self.inputs[axis] |= 1 << (down_bit if outputs else up_bit)
        self._answers_due += 1

    def poll(self) -> None:
        if self.is_closed:
            raise LinkError("fake group", "an open wire", "a closed wire")
        self._fail_if_told("poll")
        if self.is_mute or not self._answers_due:
            return
        self._move()
        now_ns = self._clock.now_ns()
        for position, axis in enumerate(self._feedback.axes):
            axis.position_counts = round(self._exact_counts[position])
            axis.velocity_units = self._velocities[position]
            axis.state = self._states[position]
            axis.statusword = _STATUSWORDS[axis.state]
            axis.inputs = self.inputs[position]
            axis.received_ns = now_ns
        self._feedback.sequence += 1
        self._answers_due = 0

    def clear_fault(self) -> tuple[str, ...]:
        self._begin("clear_fault")
        self.is_live = False
        found = tuple(
            f"axis {name}: fault {axis.fault_code:04X}h"
            for name, axis, state in zip(self._axes, self._feedback.axes, self._states, strict=True)
            if state is DriveState.FAULT
        )
        self._states = [DriveState.SWITCH_ON_DISABLED for _ in self._axes]
        for axis in self._feedback.axes:
            axis.fault_code = 0
        self._answers_due += 1
        self.poll()
        return found

    def abort(self) -> None:
        self.calls.append("abort")
        self.is_aborted = True
        self.is_live = False
        self.stops += 1
        self._move()
        self._velocities = [0] * len(self._axes)
        self._states = [
            DriveState.SWITCH_ON_DISABLED if state is DriveState.OPERATION_ENABLED else state
            for state in self._states
        ]
        self._answers_due += 1

    def disable(self) -> None:
        self._begin("disable")
        self.is_live = False
        self._move()
        self._velocities = [0] * len(self._axes)
        self._states = [
            state if state is DriveState.FAULT else DriveState.SWITCH_ON_DISABLED for state in self._states
        ]
        self._answers_due += 1
        self.poll()

    def close(self) -> None:
        if not self.is_closed:
            self.calls.append("close")
            self.is_closed = True
            self.is_live = False

    def _move(self) -> None:
        now_ns = self._clock.now_ns()
        elapsed_s = (now_ns - self._moved_ns) * 1e-9
        self._moved_ns = now_ns
        for position, units in enumerate(self._velocities):
            self._exact_counts[position] += units * self._counts_per_unit_s * elapsed_s

    def _begin(self, call: str) -> None:
        self.calls.append(call)
        self._fail_if_told(call)

    def _fail_if_told(self, call: str) -> None:
        error = self.fail_next.pop(call, None)
        if error is not None:
            raise error

    def _refuse_when_over(self, call: str) -> None:
        if self.is_aborted or self.is_closed:
            raise MisuseError(call, "a group in use", "one after abort or close")
