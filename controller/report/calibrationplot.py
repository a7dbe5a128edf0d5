"""A field of the machine file over time: what was measured, how sure it was, what was written.

Takes rows of the history, returns PNG bytes. A plain value is one line of points; a table one curve a date.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

from controller.report.figures import BLUE, VERMILLION, dress, new_figure, png

if TYPE_CHECKING:
    from controller.session.calibrationhistory import History


def calibration_png(history: History, field: str) -> bytes:
    """Points with 95 % intervals, and crosses where a value went into the machine file. Raises ValueError for none."""
    rows = history.rows
    if not rows:
        raise ValueError("expected at least one measurement, got none")
    figure = new_figure(4.0, 8.6)
    axes: Any = figure.subplots()
    unit = rows[-1].measured.unit
    if isinstance(rows[-1].measured.value, Mapping):
        for number, row in enumerate(rows, 1):
            for name, values in _curves(row.measured.value).items():
                places = _curves(row.measured.value, "position_mm").get("position_mm", ())
                if len(places) == len(values):
                    date = np.datetime64(row.at_ms, "ms").astype("datetime64[D]")
                    axes.plot(places, values, marker="o", markersize=4, color=BLUE, linewidth=1.2,
                              alpha=number / len(rows), label=f"{date} {name}")  # fmt: skip
        dress(axes, field, "place along the axis, mm", unit)
        axes.legend(loc="best", fontsize=8.5, framealpha=0.92)
        return png(figure)
    at = np.array([row.at_ms for row in rows], dtype="datetime64[ms]")
    numbers = [_number(row.measured.value) for row in rows]
    sure = [row.measured.half_width or 0.0 for row in rows]
    axes.errorbar(at, numbers, yerr=sure, linestyle="none", marker="o", markersize=5, capsize=4, color=BLUE,
                  label="measured, 95 %")  # fmt: skip
    written = [(row.at_ms, json.loads(row.after)) for row in history.writes]
    told = [(at_ms, float(value)) for at_ms, value in written if isinstance(value, int | float)]
    if told:
        when = np.array([one[0] for one in told], dtype="datetime64[ms]")
        axes.plot(when, [one[1] for one in told], linestyle="none", marker="x", markersize=8, color=VERMILLION,
                  label="into the machine file")  # fmt: skip
    dress(axes, field, "", unit)
    locator = AutoDateLocator(minticks=2, maxticks=7)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    axes.legend(loc="best", fontsize=8.5, framealpha=0.92)
    return png(figure)


def _number(value: Any) -> float:
    if isinstance(value, bool | str | tuple):
        raise ValueError(f"expected a number to draw, got {value!r}")
    return float(value)


def _curves(value: Any, only: str = "") -> dict[str, tuple[float, ...]]:
    """The columns of a table, the places apart."""
    return {
        name: part
        for name, part in value.items()
        if isinstance(part, tuple) and ((name == only) if only else name != "position_mm")
    }
