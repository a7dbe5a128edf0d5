"""Tables that more than one verb prints. No logic."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.table import Table

if TYPE_CHECKING:
    from controller.session.figures import PassFigures


def passes_table(figures: Sequence[PassFigures]) -> Table:
    """One row a pass; timing error is the lateness of sending in microseconds, homing the spread of its touches."""
    table = Table(title="passes")
    table.add_column("ink")
    table.add_column("state")
    for name in ("strokes", "metres", "ticks", "p50 us", "p99 us", "p99.9 us", "max us"):
        table.add_column(name, justify="right")
    table.add_column("homing spread mm", justify="right")
    for one in figures:
        timing = one.timing
        late = (
            ("-",) * 4
            if timing is None
            else tuple(
                f"{value:.1f}" for value in (timing.p50_us, timing.p99_us, timing.p999_us, timing.max_us)
            )
        )
        spread = ", ".join(f"{axis} {mm:.3f}" for axis, mm in sorted(one.homing_spread_mm.items()))
        table.add_row(
            one.ink, one.state, str(one.strokes), f"{one.metres:.2f}", str(one.ticks), *late, spread
        )
    return table
