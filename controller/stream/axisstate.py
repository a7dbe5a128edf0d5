"""One axis inside the stream loop: its plan in raw counts, its expected readings, its trim, its limits.

Pure arithmetic; knows no bus and no clock. Positions: *planned* lie on the quantum grid (exact integers) above
``base_counts``; *expected* is what the drive should report when the plan passes through its known latency
and lag.
"""

from __future__ import annotations

from controller.config.machine import Machine
from controller.stream.prepare import Limits
from controller.stream.trim import ExpectedReading, LateDebt, Trim

HISTORY = 8
_MASK = HISTORY - 1


class AxisState:
    """State of one axis; reused every tick, allocates nothing that lasts."""

    __slots__ = (
        "_ahead",
        "_expected",
        "_tick_ns",
        "base_counts",
        "counts_per_mm",
        "debt",
        "error_counts",
        "expected_counts",
        "following_max_counts",
        "high_quanta",
        "low_quanta",
        "name",
        "planned_quanta",
        "quantum_counts",
        "sent_units",
        "speed_max_units",
        "trim",
        "um_per_count",
        "um_s_per_unit",
    )

    def __init__(self, machine: Machine, name: str, index: int, limits: Limits) -> None:
        axis = machine.axes[name]
        drive = axis.drive
        unit = drive.velocity_unit_counts_s
        unsigned = float(drive.counts_per_mm)
        self.name = name
        self.counts_per_mm = drive.direction * unsigned
        self.quantum_counts = machine.quantum_counts(name)
        self.um_per_count = 1000.0 / self.counts_per_mm
        self.um_s_per_unit = unit * self.um_per_count
        self.following_max_counts = axis.following_error_max_mm * unsigned
        self.low_quanta = limits.low_quanta[index]
        self.high_quanta = limits.high_quanta[index]
        authority_units = machine.trim.authority_mm_s * unsigned / unit
        # A tick late by less than one tick is owed at most one tick's worth of acceleration: repaid at that rate.
        repayment_mm_s = machine.motion.acceleration_mm_s2 * machine.tick_ns * 1e-9
        repayment_units = int(repayment_mm_s * unsigned / unit)
        self.debt = LateDebt(repayment_units)
        self.sent_units = 0
        self.speed_max_units = limits.speed_units[index] + int(authority_units) + repayment_units + 1
        self.trim = Trim(machine.trim.gain_per_s, machine.trim.authority_mm_s, unsigned, unit)
        self.base_counts = 0.0
        self.planned_quanta = 0
        self.error_counts = 0.0  # expected less measured, of the last usable reading
        self.expected_counts = 0.0  # at the last reading
        self._tick_ns = machine.tick_ns
        self._ahead = ExpectedReading(
            axis.loop_lag_ms * 1e-3, unit, machine.tick_ns * 1e-9, axis.latency_ms * 1e-3
        )
        self._expected = [0.0] * HISTORY

    def anchor(self, base_counts: float, measured_counts: int) -> None:
        """Take the axis, at rest, for standing where it was measured (to the nearest quantum)."""
        self.base_counts = base_counts
        self.planned_quanta = round((measured_counts - base_counts) / self.quantum_counts)
        self.error_counts = 0.0
        self.debt.forget()
        self._ahead.reset()
        # Readings of ticks sent before, which may still come, are of an axis at rest.
        here = base_counts + self.planned_quanta * self.quantum_counts
        self._expected = [here] * HISTORY
        self.expected_counts = here

    def commit(self, tick: int, velocity_units: int, late_ns: int) -> None:
        """Tick ``tick`` has been sent with the *planned* velocity, ``late_ns`` after its instant.

        The drives sampled their positions at that very instant: note what they should say, then let the plan
        go on to the next boundary.
        """
        after_s = max(0, late_ns) * 1e-9
        planned = self.base_counts + self.planned_quanta * self.quantum_counts
        self._expected[tick & _MASK] = planned + self._ahead.ahead_counts(velocity_units, after_s)
        self.planned_quanta += velocity_units
        self._ahead.advance(velocity_units)

    def deviation(self, tick: int, measured_counts: int) -> float:
        """Expected less measured counts, were the reading of tick ``tick``'s round."""
        return self._expected[tick & _MASK] - measured_counts

    def take(self, tick: int, measured_counts: int) -> None:
        """The reading belongs to tick ``tick``'s round."""
        self.expected_counts = self._expected[tick & _MASK]
        self.error_counts = self.expected_counts - measured_counts

    def goes_outside(self, velocity_units: int) -> bool:
        """Whether one more tick at this velocity leads (further) beyond the soft limits."""
        after = self.planned_quanta + velocity_units
        return (after < self.low_quanta and velocity_units < 0) or (
            after > self.high_quanta and velocity_units > 0
        )
