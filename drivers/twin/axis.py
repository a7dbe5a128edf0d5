"""The seam between a drive's numbers and one axis' mechanics: counts and units to true mm and back.

Owns the encoder and the scale factors. Knows no state machine and no bus.
"""

from __future__ import annotations

import math

from drivers.settings import DriveSettings
from drivers.twin import physics
from drivers.twin.parameters import TwinAxis

AT_REST_MM_S = 0.5


class Axis:
    """One motor with its belt. ``state`` is the compiled physics' row, (COLUMNS,) float64."""

    __slots__ = ("_counts_per_mm", "_sign", "_unit_mm_s", "_zero_counts", "speed_max_mm_s", "state")

    def __init__(self, drive: DriveSettings, axis: TwinAxis, state: physics.State) -> None:
        self.state = state
        self._sign = drive.direction
        counts_per_mm = float(drive.counts_per_mm) / axis.travel_scale
        self._counts_per_mm = drive.direction * counts_per_mm
        self._unit_mm_s = drive.direction * drive.velocity_unit_counts_s / counts_per_mm
        self._zero_counts = axis.encoder_zero_counts
        self.speed_max_mm_s = axis.speed_max_mm_s

    @property
    def position_counts(self) -> int:
        """The absolute encoder's reading, unwrapped: whole counts, rounded down."""
        return math.floor(self.motor_mm * self._counts_per_mm) + self._zero_counts

    @property
    def velocity_units(self) -> int:
        """Motor velocity in drive units."""
        return round(float(self.state[physics.V]) / self._unit_mm_s)

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
        """Reference at zero and the motor slower than what the drive calls standstill."""
        return bool(self.state[physics.R] == 0.0 and abs(self.state[physics.V]) < AT_REST_MM_S)

    @property
    def is_still(self) -> bool:
        """Exactly no motion."""
        return bool(self.state[physics.V] == 0.0 and self.state[physics.R] == 0.0)

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
        wanted = units * self._unit_mm_s
        return min(max(wanted, -self.speed_max_mm_s), self.speed_max_mm_s)

    def mm_s2(self, units_s: int) -> float:
        """Acceleration in mm/s2 (without sign) for drive units per second."""
        return abs(units_s * self._unit_mm_s)

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
        self.state[physics.TORQUE] = 0.0

    def drive_to(self, velocity_mm_s: float, ramp_up_mm_s2: float, ramp_down_mm_s2: float) -> None:
        """Torque on, reference towards a velocity by ramps (infinite = at once)."""
        state = self.state
        if state[physics.TORQUE] == 0.0:
            state[physics.R] = state[physics.V]
            state[physics.TORQUE] = 1.0
        state[physics.TARGET] = velocity_mm_s
        state[physics.RAMP_UP] = ramp_up_mm_s2
        state[physics.RAMP_DOWN] = ramp_down_mm_s2
