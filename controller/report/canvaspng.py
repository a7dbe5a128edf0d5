"""The pictures of the canvas as PNG, through matplotlib: what the page shows as SVG, with scales in mm."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from controller.report.canvaspicture import CASING, PALE, Canvas, ErrorMap, bounds, ink, map_title
from controller.report.figures import CANVAS, DPI, dress, new_figure, png

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def picture_png(canvas: Canvas) -> bytes:
    """All that is painted, earlier sessions pale, today's strokes in their inks."""
    figure, axes = _sheet(
        canvas, "Painted so far" + (", earlier sessions pale" if canvas.has_earlier else "")
    )
    per_mm = _points_per_mm(figure, axes)
    for one in canvas.shown:
        if len(one.earlier):
            _draw(axes, one.sampler.lines(one.earlier, canvas.step_mm), PALE, one.part.tip_mm * per_mm)
    for one in canvas.shown:
        for chosen, style in ((one.here, "-"), (one.begun, ":")):
            if len(chosen):
                lines = one.sampler.lines(chosen, canvas.step_mm)
                width = max(one.part.tip_mm * per_mm, 0.6)
                if canvas.has_earlier:
                    _draw(axes, lines, CASING, width + 0.8)
                _draw(axes, lines, ink(one.part.colour), width, style)
    return png(figure)


def map_png(canvas: Canvas, one: ErrorMap) -> bytes:
    """Errors along the strokes by class, peaks ringed."""
    figure, axes = _sheet(canvas, map_title(one))
    for number, colour in enumerate(one.colours):
        chosen = one.places[one.number == number]
        offsets = np.arange(0, 3 * len(chosen) + 1, 3)
        _draw(axes, (chosen.reshape(-1, 2), offsets), colour, 1.0 + 0.45 * number, label=bounds(one, number))
    for number, (x, y), _ in one.rings:
        axes.plot(x, y, marker="o", markersize=11, markerfacecolor="none", markeredgecolor="#D55E00")
        axes.annotate(str(number), (x, y), xytext=(9, -3), textcoords="offset points", fontsize=9)
    figure.legend(
        *axes.get_legend_handles_labels(), loc="outside lower center", ncols=4, fontsize=8, frameon=False
    )
    return png(figure)


def _sheet(canvas: Canvas, title: str) -> tuple[Figure, Axes]:
    (x0, y0), (x1, y1) = canvas.frame.low, canvas.frame.high
    figure = new_figure(min(max(7.6 * (y1 - y0) / (x1 - x0), 2.2) + 1.2, 11.0))
    axes = figure.subplots()
    axes.set_aspect("equal")
    axes.set_facecolor(CANVAS)
    axes.set_xlim(x0, x1)
    axes.set_ylim(y1, y0)
    dress(axes, title, "x on the canvas, mm", "y on the canvas, mm")
    axes.grid(visible=False)
    return figure, axes


def _points_per_mm(figure: Figure, axes: Axes) -> float:
    figure.draw_without_rendering()
    low, high = axes.get_xlim()
    return 72.0 * float(axes.get_window_extent().width) / DPI / abs(high - low)


def _draw(
    axes: Axes,
    lines: tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]],
    colour: str,
    width: float,
    style: str = "-",
    label: str | None = None,
) -> None:
    """All lines as one with gaps: tens of thousands of shapes by themselves take as many times longer."""
    points, offsets = lines
    broken = np.insert(points, offsets[1:-1], np.nan, axis=0)
    axes.plot(
        broken[:, 0], broken[:, 1], color=colour, linewidth=width, linestyle=style, solid_capstyle="round",
        solid_joinstyle="round", label=label,
    )  # fmt: skip
