"""A field of the machine file over time: what was measured, how sure it was, what was written.

Takes rows of the history, returns PNG bytes. A plain value is one line of points; a table one curve a date.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

from controller.config.errors import RefusedError
from controller.report.figures import BLUE, VERMILLION, dress, new_figure, png

if TYPE_CHECKING:
    from controller.session.calibrationhistory import History
    from controller.session.calibrationrows import CalibrationRow


def calibration_png(history: History, field: str) -> bytes:
    """Points with 95 % intervals, and squares where a value went into the machine file; of a table every column by
    place, a line for each date. Raises ValueError for none, RefusedError for what is no number."""
    rows = history.rows
    if not rows:
        raise ValueError("expected at least one measurement, got none")
    if isinstance(rows[-1].measured.value, Mapping):
        return _tables_png(rows, field)
    figure = new_figure(4.0, 8.6)
    axes: Any = figure.subplots()
    sure = [row.measured.half_width for row in rows]
    for known, label in ((True, "measured, 95 %"), (False, "measured, no interval")):
        mine = [row for row, half in zip(rows, sure, strict=True) if (half is not None) is known]
        if mine:
            axes.errorbar(
                _dates([row.at_ms for row in mine]), [_number(row.measured.value) for row in mine],
                yerr=[row.measured.half_width for row in mine] if known else None, linestyle="none", marker="o",
                markersize=5, capsize=4, color=BLUE, markerfacecolor=BLUE if known else "white", label=label,
            )  # fmt: skip
    written = [(row.at_ms, json.loads(row.after)) for row in history.writes]
    told = [(at_ms, float(value)) for at_ms, value in written if isinstance(value, int | float)]
    if told:
        axes.plot(_dates([at_ms for at_ms, _ in told]), [value for _, value in told], linestyle="none", marker="s",
                  markersize=11, markerfacecolor="none", color=VERMILLION, label="into the machine file")  # fmt: skip
    dress(axes, field, "", rows[-1].measured.unit)
    locator = AutoDateLocator(minticks=2, maxticks=7)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    axes.legend(loc="best", fontsize=8.5, framealpha=0.92)
    return png(figure)


def _tables_png(rows: Sequence[CalibrationRow], field: str) -> bytes:
    """One panel for each column of the table, the latest date darkest."""
    names = list(_curves(rows[-1].measured.value))
    if not names:
        raise RefusedError(
            f"{field} is no table by place", "giornata calibration list", code="calibration-not-alike"
        )
    figure = new_figure(1.2 + 2.8 * len(names), 8.6)
    panels: Any = figure.subplots(len(names), 1, sharex=True, squeeze=False)[:, 0]
    for panel, name in zip(panels, names, strict=True):
        for number, row in enumerate(rows, 1):
            table = row.measured.value
            places = (
                _curves(table, "position_mm").get("position_mm", ()) if isinstance(table, Mapping) else ()
            )
            values = _curves(table).get(name, ()) if isinstance(table, Mapping) else ()
            if places and len(places) == len(values):
                date = str(_dates([row.at_ms])[0].astype("datetime64[D]"))
                panel.plot(places, values, marker="o", markersize=4, color=BLUE, linewidth=1.2,
                           alpha=number / len(rows), label=date)  # fmt: skip
        dress(panel, field if panel is panels[0] else "", "place, mm" if panel is panels[-1] else "", name)
    panels[0].legend(loc="best", fontsize=8.5, framealpha=0.92)
    return png(figure)


def _dates(at_ms: Sequence[int]) -> npt.NDArray[np.datetime64]:
    return np.array(at_ms, dtype="datetime64[ms]")


def _number(value: Any) -> float:
    if isinstance(value, bool | str | tuple):
        raise RefusedError(
            f"{value!r} is no number, so there is no line to draw",
            "giornata calibration list",
            code="calibration-not-alike",
        )
    return float(value)


def _curves(value: Any, only: str = "") -> dict[str, tuple[float, ...]]:
    """The columns of a table, the places apart."""
    return {
        name: part
        for name, part in value.items()
        if isinstance(part, tuple) and ((name == only) if only else name != "position_mm")
    }
