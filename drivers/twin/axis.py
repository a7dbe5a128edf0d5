"""The seam between a drive's numbers and one axis' mechanics: counts and units to true mm and back.

Owns the encoder and the scale factors, and hands orders to the mechanics. Knows no state machine and no bus.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from drivers.settings import DriveSettings
from drivers.twin import physics
from drivers.twin.mechanism import Mechanism
from drivers.twin.parameters import TwinAxis

AT_REST_MM_S = 0.5


class Axis:
    """One motor with its belt, number ``k`` of a mechanism. ``state`` is its row, (COLUMNS,) float64."""

    __slots__ = ("_counts_per_mm", "_k", "_mechanism", "_sign", "_step", "_zero_counts",
                 "drive", "speed_max_mm_s", "state", "unit_mm_s", "unit_mm_s2")  # fmt: skip

    def __init__(self, drive: DriveSettings, axis: TwinAxis, mechanism: Mechanism, k: int) -> None:
        self.drive = drive
        self.state = mechanism.state[k]
        self._mechanism = mechanism
        self._k = k
        self._step = axis.encoder_step_counts
        self._sign = drive.direction
        counts_per_mm = float(drive.counts_per_mm) / axis.travel_scale
        self._counts_per_mm = drive.direction * counts_per_mm
        self.unit_mm_s = drive.direction * drive.velocity_unit_counts_s / counts_per_mm
        self.unit_mm_s2 = drive.quick_stop_unit_counts_s2 / counts_per_mm
        self._zero_counts = axis.encoder_zero_counts
        self.speed_max_mm_s = axis.speed_max_mm_s

    @property
    def position_counts(self) -> int:
        """The absolute encoder's reading, unwrapped: whole steps of it, rounded down."""
        step = self._step
        return math.floor(self.motor_mm * self._counts_per_mm / step) * step + self._zero_counts

    def counts_at(self, motor_mm: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
        """The same for motor places (n,)."""
        step = self._step
        steps = np.floor(motor_mm * self._counts_per_mm / step).astype(np.int64)
        return steps * step + self._zero_counts

    @property
    def velocity_units(self) -> int:
        """Motor velocity in drive units."""
        return round(float(self.state[physics.V]) / self.unit_mm_s)

    @property
    def motor_mm(self) -> float:
        """True motor position."""
        return float(self.state[physics.X])

    @property
    def head_mm(self) -> float:
        """True head position."""
        return float(self.state[physics.HEAD])

    @property
    def has_power(self) -> bool:
        """Whether limit switches and the motors' contactor let power through to the motor."""
        return bool(self.state[physics.LIMIT] == 0.0)

    @property
    def is_at_rest(self) -> bool:
        """Reference at zero, no order under way, and the motor slower than what the drive calls standstill."""
        at_rest = self.state[physics.R] == 0.0 and abs(self.state[physics.V]) < AT_REST_MM_S
        return bool(at_rest) and not self._mechanism.waits(self._k)

    @property
    def is_still(self) -> bool:
        """Exactly no motion of the motor, and no order under way."""
        still = self.state[physics.V] == 0.0 and self.state[physics.R] == 0.0
        return bool(still) and not self._mechanism.waits(self._k)

    @property
    def is_head_still(self) -> bool:
        """Exactly no motion of the head on its belt."""
        return bool(self.state[physics.HEAD_V] == 0.0)

    @property
    def has_torque(self) -> bool:
        """Whether the motor is under control, or an order under way will put it there."""
        return self._mechanism.has_torque(self._k)

    @property
    def inputs(self) -> int:
        """Bits 0 to 2 of 60FDh in the drive's own sense: negative limit, positive limit, home."""
        limit = self.state[physics.LIMIT]
        word = 4 if self.state[physics.HOME_CLOSED] else 0
        if limit in (physics.LIMIT_NEGATIVE, physics.LIMIT_POSITIVE):
            low_end = limit == physics.LIMIT_NEGATIVE
            word |= 1 if low_end == (self._sign > 0) else 2
        return word

    def mm_s(self, units: int) -> float:
        """Velocity in mm/s for drive units, cut at what the motor can do."""
        wanted = units * self.unit_mm_s
        return min(max(wanted, -self.speed_max_mm_s), self.speed_max_mm_s)

    def mm_s2(self, units: int) -> float:
        """Acceleration in mm/s2 (without sign) for the drive's units of it."""
        return abs(units * self.unit_mm_s2)

    def length_mm(self, counts: int) -> float:
        """Length of a number of counts."""
        return abs(counts / self._counts_per_mm)

    def mm_at(self, counts: int) -> float:
        """Motor position in the middle of an encoder count near the present one (32-bit counter, unwrapped)."""
        here = self.position_counts
        near = here + ((counts - here + 2**31) % 2**32 - 2**31)
        return (near - self._zero_counts + 0.5) / self._counts_per_mm

    def free(self) -> None:
        """Motor without torque: friction and brake have it."""
        self._mechanism.free(self._k)

    def drive_to(
        self, velocity_mm_s: float, ramp_up_mm_s2: float, ramp_down_mm_s2: float, *, late: bool = True
    ) -> None:
        """Torque on, reference towards a velocity by ramps (infinite = at once).

        ``late``: after the latency of a command; what the drive's own profile says acts at once.
        """
        self._mechanism.order(self._k, velocity_mm_s, ramp_up_mm_s2, ramp_down_mm_s2, late=late)
