"""Steps of the commissioning as programs: one axis by so much from wherever it stands, and waiting for an input.

Pure, like ``programs``. Made for a machine of which little is known: a jog asks for no homing, goes by one trapezoid at
the speed and acceleration that it is given, and ends at once (by its own ramp) when a limit input of its axis closes.
"""

from __future__ import annotations

import math
from typing import Literal

from controller.config.machine import AXES, Machine
from controller.stream.programs import INPUT_HOME, INPUT_NEGATIVE_LIMIT, INPUT_POSITIVE_LIMIT, LIMITS, Seen
from controller.stream.spec import JogTask, WaitTask

InputName = Literal["negative-limit", "positive-limit", "home"]
BITS: dict[InputName, int] = {
    "negative-limit": INPUT_NEGATIVE_LIMIT, "positive-limit": INPUT_POSITIVE_LIMIT, "home": INPUT_HOME,
}  # fmt: skip
"""What a drive calls its inputs: negative and positive in its own counting direction."""


class JogProgram:
    """Moves one axis by ``distance_mm``; the other stands. ``refusal``: why it may not begin, or empty."""

    head = 0
    segment = -1

    def __init__(self, task: JogTask, machine: Machine, refusal: str = "") -> None:
        self.velocity_x = self.velocity_y = 0
        self.stopping = self.ending = False
        self.failure = refusal
        self._axis = task.axis
        self._index = AXES.index(task.axis)
        drive = machine.axes[task.axis].drive
        units_per_mm_s = float(drive.counts_per_mm) / drive.velocity_unit_counts_s
        quanta = round(task.distance_mm * machine.quanta_per_mm(task.axis))
        self._sign = 1 if quanta > 0 else -1
        self._left = abs(quanta)
        self._speed = 0  # drive units; one unit is one quantum a tick
        self._top = max(1, math.floor(task.speed_mm_s * units_per_mm_s))
        self._ramp = max(1, math.floor(task.acceleration_mm_s2 * units_per_mm_s * machine.tick_ns * 1e-9))
        self._inputs: int | None = None

    def step(self, seen: Seen) -> bool:
        """One tick of the trapezoid."""
        if self.failure and self._speed == 0:
            return False
        inputs = seen.inputs[self._index] & LIMITS
        if self._inputs is None:
            self._inputs = inputs
            if inputs:
                self.failure = (
                    f"axis {self._axis}: a limit input is closed before the jog (inputs {inputs:#x}): move the axis "
                    "off it by hand, motors without power"
                )
                return False
        if inputs & ~self._inputs and not self.failure:
            self.failure = f"axis {self._axis}: a limit input closed on the way (inputs {inputs:#x})"
        if self.stopping or self.failure:
            self._speed = max(0, self._speed - self._ramp)
            if self._speed == 0:
                return self._set(going=False)
        else:
            if self._left == 0:
                return self._set(going=False)
            self._speed = min(self._speed + self._ramp, self._top, _stops_within(self._left, self._ramp))
        self._speed = min(self._speed, self._left)  # a stop asked for late still ends at the way's end
        self._left -= self._speed
        return self._set(going=True)

    def request_stop(self) -> None:
        """Come to rest by the ramp."""
        self.stopping = True

    def request_end(self) -> None:
        """The same."""
        self.stopping = True

    def _set(self, *, going: bool) -> bool:
        velocity = self._sign * self._speed if going else 0
        self.velocity_x, self.velocity_y = (velocity, 0) if self._index == 0 else (0, velocity)
        if not going:
            self._speed = 0
        return going


def _stops_within(left: int, ramp: int) -> int:
    """The largest speed whose ticks, each slower by ``ramp``, add up to ``left`` at most; quanta a tick, 1 at least.

    From n ramp + q the ticks down to q add up to (n + 1) (n ramp / 2 + q).
    """
    steps = (math.isqrt(1 + 8 * left // ramp) - 1) // 2
    return max(1, steps * ramp + (2 * left - steps * (steps + 1) * ramp) // (2 * (steps + 1)))


class WaitProgram:
    """Zero velocity until an input of a drive that was open closes; then done. Any other limit input is a failure."""

    velocity_x = velocity_y = head = 0
    segment = -1

    def __init__(self, task: WaitTask, ticks: int) -> None:
        self.stopping = self.ending = False
        self.failure = ""
        self._what = f"axis {task.axis}: {task.input.replace('-', ' ')}"
        self._index, self._bit = AXES.index(task.axis), BITS[task.input]
        self._left = ticks
        self._before: tuple[int, int] | None = None

    def step(self, seen: Seen) -> bool:
        """One tick more."""
        now = (seen.inputs[0], seen.inputs[1])
        if self._before is None and seen.fresh:
            self._before = now
            if now[self._index] & self._bit:
                self.failure = f"{self._what}: expected the input open before, got it closed"
                return False
        if self._before is not None:
            closed = [after & ~before & LIMITS for after, before in zip(now, self._before, strict=True)]
            closed[self._index] &= ~self._bit
            if any(closed):
                axis = AXES[0] if closed[0] else AXES[1]
                name = "negative limit" if max(closed) & INPUT_NEGATIVE_LIMIT else "positive limit"
                self.failure = f"{self._what}: another input closed instead: axis {axis}, {name}"
                return False
            if now[self._index] & self._bit:
                return False
        self._left -= 1
        if self._left < 0:
            self.failure = f"{self._what}: expected the input to close, got an open one all the time"
            return False
        return not self.stopping

    def request_stop(self) -> None:
        """End with the next tick."""
        self.stopping = True

    def request_end(self) -> None:
        """The same."""
        self.stopping = True
