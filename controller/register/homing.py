"""What one homing found. (The logic that drives it is beside this, in this module; no bus, no clock.)"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class AxisHoming:
    """One axis' homing: raw drive counts of every slow touch, and what follows from them.

    ``offset_counts``: raw counts = machine mm x signed counts per mm + offset_counts.
    ``spread_mm``: largest minus smallest touch.
    """

    axis: str
    touches_counts: tuple[float, ...]
    mean_counts: float
    spread_mm: float
    offset_counts: float
