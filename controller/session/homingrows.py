"""A homing on its way: as the streamer answers it, as it is judged, as the journal keeps it. Conversions only."""

from __future__ import annotations

from controller.config.machine import Machine
from controller.register.homing import AxisHoming
from controller.session.rows import HomingRow
from controller.stream.spec import AxisHomingResult


def as_homing(row: HomingRow) -> AxisHoming:
    """A row of the journal as what is judged."""
    return AxisHoming(row.axis, row.touches_counts, row.mean_counts, row.spread_mm, row.offset_counts)


def as_result(homing: AxisHoming) -> AxisHomingResult:
    """What is judged as the streamer takes it."""
    return AxisHomingResult(
        axis=homing.axis,
        touches_counts=homing.touches_counts,
        mean_counts=homing.mean_counts,
        spread_mm=homing.spread_mm,
        offset_counts=homing.offset_counts,
    )


def as_row(result: AxisHoming, last: HomingRow | None, machine: Machine) -> HomingRow:
    """What was judged as a row, with its difference from the last accepted homing of its axis."""
    difference_mm = None
    if last is not None:
        drive = machine.axes[result.axis].drive
        difference_mm = drive.direction * (result.mean_counts - last.mean_counts) / float(drive.counts_per_mm)
    return HomingRow(
        result.axis,
        result.touches_counts,
        result.mean_counts,
        result.spread_mm,
        result.offset_counts,
        difference_mm,
    )
