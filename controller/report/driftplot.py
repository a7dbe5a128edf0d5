"""The charts of a machine's drift: places of the home switches over time with their model, and the EWMA over them.

Takes what controller/session/drifting.py judged, returns PNG bytes. Owns no figure that ``giornata drift`` lacks.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

from controller.report.figures import BLUE, GREY, ORANGE, PURPLE, VERMILLION, dress, new_figure, png

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from controller.session.drifting import MachineDrift

COLOURS = {"x": BLUE, "y": ORANGE}


def drift_png(drift: MachineDrift) -> bytes:
    """Above: each axis' places and model, events marked; below: the EWMA of its scores between its limits."""
    figure = new_figure(6.2, 10.4)
    grid = figure.subplots(2, len(drift.axes), squeeze=False)
    for column, axis in enumerate(drift.axes):
        _places(grid[0][column], drift, axis)
        _average(grid[1][column], drift, axis)
    return png(figure)


def _dates(at_s: npt.NDArray[np.float64]) -> npt.NDArray[np.datetime64]:
    return (1000.0 * at_s).astype(np.int64).astype("datetime64[ms]")


def _places(axes: Axes, drift: MachineDrift, axis: str) -> None:
    history, found = drift.histories[axis], drift.axes[axis]
    at = _dates(history.at_s)
    places = history.place_mm - history.place_mm[0]
    # The model is zero at the first homing; the readings scatter about it.
    model = found.level_mm + float(np.median(places - found.level_mm))
    axes.plot(at, places, linestyle="none", marker="o", markersize=4, color=COLOURS[axis], label="homing")
    axes.plot(at, model, color="black", linewidth=1.1, label="model")
    for event in found.events:
        looked = (axis, event.row) in drift.look_of
        axes.axvline(at[event.row], color=GREY if looked else VERMILLION, linewidth=1.2, linestyle="--")
        axes.annotate(
            f"{event.finding.value}{', looked at' if looked else ''}",
            (at[event.row], 0.98), xycoords=("data", "axes fraction"), xytext=(-3, 0),
            textcoords="offset points", rotation=90, ha="right", va="top", fontsize=8,
            color=GREY if looked else VERMILLION,
        )  # fmt: skip
    dress(axes, f"Axis {axis}: place of the home switch ({found.finding.value})", "", "mm from the first")
    _time(axes)
    axes.legend(loc="best", fontsize=8.5, framealpha=0.92)


def _average(axes: Axes, drift: MachineDrift, axis: str) -> None:
    found = drift.axes[axis]
    at = _dates(drift.histories[axis].at_s)[found.charted]
    chart = found.ewma
    axes.plot(at, chart.average, color=COLOURS[axis], marker="o", markersize=3, linewidth=1.1)
    for limit in (chart.low, chart.high):
        axes.plot(at, limit, color=GREY, linewidth=1.0, linestyle=":")
    if chart.call is not None:
        axes.plot(
            at[[chart.call]], chart.average[[chart.call]], linestyle="none", marker="s", markersize=9,
            markerfacecolor="none", markeredgecolor=PURPLE, markeredgewidth=1.8, label="first call",
        )  # fmt: skip
        axes.legend(loc="best", fontsize=8.5, framealpha=0.92)
    dress(axes, f"Axis {axis}: EWMA of scores, jumps taken out", "", "standard deviations")
    _time(axes)


def _time(axes: Axes) -> None:
    locator = AutoDateLocator(minticks=3, maxticks=6)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
