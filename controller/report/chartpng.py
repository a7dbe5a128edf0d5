"""A chart as PNG: the same description that the page draws, through matplotlib, on white."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from controller.report.chart import Bars, Chart, Panel, Range
from controller.report.figures import dress, new_figure, png
from controller.report.pieces import LIGHT

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MARKERS = {"round": "o", "square": "s", "cross": "x"}
PANEL_IN = 1.9


def chart_png(chart: Chart) -> bytes:
    """The chart with legend, yardsticks and numbered peaks."""
    figure = new_figure(PANEL_IN * len(chart.panels) + 1.5)
    grid = figure.subplots(len(chart.panels), 1, sharex=True, squeeze=False)
    for place, panel in enumerate(chart.panels):
        axes = grid[place][0]
        _panel(axes, chart, panel)
        last = panel is chart.panels[-1]
        # The title says what the y axis is, as on the page.
        dress(axes, panel.title or panel.y.label, chart.x.label if last else "", "")
        axes.set_title(axes.get_title(loc="left"), loc="left", fontsize=9.5, pad=5)
    figure.suptitle(chart.title, x=0.01, ha="left", fontsize=11.5)
    if chart.legend:
        handles = [
            grid[0][0].plot(
                [], [], color=LIGHT[colour], marker=MARKERS.get(shape, "s"), linestyle="none", label=words
            )[0]
            for words, colour, shape in chart.legend
        ]
        figure.legend(handles=handles, loc="outside lower left", ncols=3, fontsize=8.5, frameon=False)
    return png(figure)


def _panel(axes: Axes, chart: Chart, panel: Panel) -> None:
    for scale, axis, limits, scaled in (
        (chart.x, axes.xaxis, axes.set_xlim, axes.set_xscale),
        (panel.y, axes.yaxis, axes.set_ylim, axes.set_yscale),
    ):
        if scale.log:
            scaled("log")
        limits(scale.low, scale.high)
        axis.set_ticks([value for value, _ in scale.marks], labels=[words for _, words in scale.marks])
    for span in chart.spans:
        axes.axvspan(span.low, span.high, color=LIGHT["shade"], linewidth=0, zorder=0)
        if panel is chart.panels[0] and span.words:
            wide = float(chart.x.place(span.high) - chart.x.place(span.low))
            if wide > 0.07:
                axes.text(
                    0.5 * (span.low + span.high), 0.96, span.words, transform=axes.get_xaxis_transform(), ha="center",
                    va="top", fontsize=8, color=LIGHT["quiet"],
                )  # fmt: skip
    floor = panel.y.low
    for one in panel.series:
        colour = LIGHT[one.colour]
        if isinstance(one, Range):
            axes.vlines(
                0.5 * (one.left + one.right), np.maximum(one.low, floor), np.maximum(one.high, floor), color=colour,
                linewidth=1.0, zorder=2,
            )  # fmt: skip
            axes.plot(
                0.5 * (one.left + one.right),
                np.maximum(one.high, floor),
                ".",
                color=colour,
                markersize=1.5,
                zorder=3,
            )
        elif isinstance(one, Bars):
            axes.bar(
                one.edges[:-1], np.maximum(one.heights, 0.0), np.diff(one.edges), align="edge", color=colour,
                edgecolor="white", linewidth=0.3, zorder=2,
            )  # fmt: skip
        else:
            axes.plot(
                one.x, one.y, color=colour, marker=MARKERS[one.shape], markersize=4.5, linewidth=1.1,
                linestyle="-" if one.joined else "none", zorder=3,
            )  # fmt: skip
    for rule in panel.rules:
        colour = LIGHT[rule.colour]
        if rule.upright:
            axes.axvline(rule.at, color=colour, linewidth=1.2, linestyle="--", zorder=4)
            axes.text(
                rule.at,
                0.96,
                f" {rule.label}",
                transform=axes.get_xaxis_transform(),
                va="top",
                fontsize=8.5,
                color=colour,
            )
        else:
            axes.axhline(rule.at, color=colour, linewidth=1.2, linestyle="--", zorder=4)
            axes.text(
                0.995, rule.at, rule.label, transform=axes.get_yaxis_transform(), ha="right", va="bottom", fontsize=8.5,
                color=colour,
            )  # fmt: skip
    for peak in panel.peaks:
        axes.annotate(
            str(peak.number), (peak.x, peak.y), ha="center", va="center", fontsize=7.5, color=LIGHT["link"], zorder=5,
            bbox={"boxstyle": "circle,pad=0.25", "facecolor": "white", "edgecolor": LIGHT["link"], "linewidth": 1.2},
        )  # fmt: skip
