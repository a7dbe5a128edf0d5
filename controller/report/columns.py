"""A session's ticks reduced to columns of time: extremes, never means, so that no peak is lost however long it was.

Owns the columns and the choice of peaks. Arrays in, arrays out. All ticks of a session count; a column is as wide as
the session's length over their number.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.report.runticks import RunTicks

COLUMNS = 720
"""About one column a pixel of a chart on a wide screen."""

Vector = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Extremes:
    """Lowest and highest of one quantity by column (m,), not-a-number where a column has none."""

    low: Vector
    high: Vector


@dataclass(frozen=True, slots=True)
class Columns:
    """Columns of time that hold ticks, in order.

    number: (m,) which of all columns; left_s, right_s: from the session's first tick; ticks: how many.
    lateness_us, following_mm, contour_mm: extremes. zero_ns: instant of the session's first tick; width_s: of a column.
    """

    number: Index
    left_s: Vector
    right_s: Vector
    ticks: Index
    lateness_us: Extremes
    following_mm: Extremes
    contour_mm: Extremes
    zero_ns: int
    width_s: float
    end_s: float

    def of(self, at_ns: npt.ArrayLike) -> Index:
        """The columns that instants lie in, whether those hold ticks or not."""
        since = (np.asarray(at_ns, dtype=np.int64) - self.zero_ns) * 1e-9
        found: Index = np.clip(np.floor(since / self.width_s), 0, COLUMNS - 1).astype(np.int64)
        return found


def columns_of(ticks: Sequence[RunTicks]) -> Columns | None:
    """All ticks of a session in columns; None when it has none."""
    logs = [one for one in ticks if one.ticks]
    if not logs:
        return None
    zero_ns = min(int(one.scheduled_ns[0]) for one in logs)
    end_ns = max(int(one.scheduled_ns[-1]) + one.tick_ns for one in logs)
    width_ns = max((end_ns - zero_ns) / COLUMNS, 1.0)
    low, high = np.full((3, COLUMNS), np.inf), np.full((3, COLUMNS), -np.inf)
    count = np.zeros(COLUMNS, dtype=np.int64)
    for one in logs:
        number = np.minimum(((one.scheduled_ns - zero_ns) / width_ns).astype(np.int64), COLUMNS - 1)
        # Time only rises within a run: equal columns stand together.
        starts = np.flatnonzero(np.diff(number, prepend=-1))
        at = number[starts]
        np.add.at(count, at, np.diff(np.append(starts, one.ticks)))
        quantities = (one.lateness_ns * 1e-3, np.hypot(*one.error_mm.T), one.contour_mm)
        for row, values in enumerate(quantities):
            # fmin and fmax pass over what is not known.
            np.fmin.at(low[row], at, np.fmin.reduceat(values, starts))
            np.fmax.at(high[row], at, np.fmax.reduceat(values, starts))
    held = np.flatnonzero(count)
    left_s: Vector = held.astype(np.float64) * (width_ns * 1e-9)
    right_s: Vector = left_s + width_ns * 1e-9
    low[~np.isfinite(low)] = np.nan
    high[~np.isfinite(high)] = np.nan
    late, following, contour = (Extremes(low[row, held], high[row, held]) for row in range(3))
    width_s = width_ns * 1e-9
    return Columns(
        held, left_s, right_s, count[held], late, following, contour, zero_ns, width_s,
        (end_ns - zero_ns) * 1e-9,
    )  # fmt: skip


def histogram(values: Sequence[Vector], edges: Vector) -> Index:
    """How many of all ``values`` lie in each bin; what lies beyond counts in the first or last one."""
    counts = np.zeros(len(edges) - 1, dtype=np.int64)
    for one in values:
        known = one[~np.isnan(one)]
        counts += np.histogram(np.clip(known, edges[0], edges[-1]), bins=edges)[0]
    return counts
