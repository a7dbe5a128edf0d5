"""Pictures of the canvas: planned and painted lines, where they differ, and by how much.

Takes gathered and measured data, returns PNG bytes. Canvas mm, x to the right, y downwards, as the painter sees it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from matplotlib.collections import LineCollection
from matplotlib.colors import is_color_like, to_rgb

from controller.config.counting import counted
from controller.report.deviation import Measured
from controller.report.figures import (
    BLACK,
    BLUE,
    CANVAS,
    DPI,
    GREY,
    ORANGE,
    VERMILLION,
    dress,
    new_figure,
    png,
)
from controller.report.painted import Painted
from controller.report.passdata import FALLBACK_COLOUR, PassData

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

Vector = npt.NDArray[np.float64]

SHOWN_POINTS = 60_000
"""More points than this are thinned before they are drawn as dots."""

WORST = 6


@dataclass(frozen=True, slots=True)
class Layer:
    """One pass with what was painted of it. ``contacts``: indices of its contacts in the canvas."""

    part: PassData
    measured: Measured | None
    contacts: npt.NDArray[np.int64]


def planned_and_painted(layers: Sequence[Layer], painted: Painted) -> bytes | None:
    """Painted lines at the tip's width in ink colours, the planned paths thin over them."""
    bounds = _bounds(layers, painted)
    if bounds is None:
        return None
    figure, axes = _sheet(bounds, painted.size_mm)
    _frame(axes, bounds, "Planned paths (thin) over what the tip painted")
    figure.draw_without_rendering()
    points_per_mm = _points_per_mm(axes)
    planned = [
        (layer, _lines(layer.part.strokes.points_mm, layer.part.strokes.offsets, 0.25 / points_per_mm))
        for layer in layers
        if layer.part.strokes is not None
    ]
    # Under the paint as well: where it still shows, nothing was painted.
    for _, lines in planned:
        axes.add_collection(LineCollection(lines, colors=VERMILLION, linewidths=1.2))
    for layer in layers:
        _draw_contacts(axes, painted, layer, points_per_mm)
    for layer, lines in planned:
        width = min(max(0.06 * layer.part.tip_mm * points_per_mm, 0.4), 0.9)
        axes.add_collection(LineCollection(lines, colors=_over(layer.part.colour), linewidths=width))
    return png(figure)


def deviation_map(layers: Sequence[Layer], painted: Painted) -> bytes | None:
    """Every painted point coloured by its distance from the planned path."""
    points, distance = _all_points(layers)
    bounds = _bounds(layers, painted)
    if bounds is None or not len(points):
        return None
    figure, axes = _sheet(bounds, painted.size_mm)
    step = max(1, len(points) // SHOWN_POINTS)
    points, distance = points[::step], distance[::step]
    order = np.argsort(distance)  # the worst on top
    dots = axes.scatter(
        points[order, 0], points[order, 1], c=distance[order], s=5, cmap="cividis_r", linewidths=0,
        vmin=0.0, vmax=max(float(distance.max()), 1e-6), rasterized=True,
    )  # fmt: skip
    bar = figure.colorbar(dots, ax=axes, shrink=0.75, pad=0.015)
    bar.set_label("distance from the planned path, mm", fontsize=9.5)
    bar.ax.tick_params(labelsize=9)
    _frame(axes, bounds, "Where the painted line left its path")
    return png(figure)


def deviation_histogram(layers: Sequence[Layer], limit_mm: float) -> bytes | None:
    """Distances of all painted points, and the largest of each stroke, against ``limit_mm``."""
    _, distance = _all_points(layers)
    if not len(distance):
        return None
    largest = np.concatenate(
        [layer.measured.strokes["off_max_mm"] for layer in layers if layer.measured is not None]
    )
    largest = largest[~np.isnan(largest)]
    top = 1.12 * max(float(distance.max()), limit_mm)
    figure = new_figure(3.4)
    left, right = figure.subplots(1, 2)
    for axes, values, title, unit in (
        (left, distance, counted(len(distance), "painted point", spec=","), "points"),
        (right, largest, f"The largest of each of {counted(len(largest), 'stroke', spec=',')}", "strokes"),
    ):
        axes.hist(values, bins=np.linspace(0, top, 45).tolist(), color=BLUE, edgecolor="white", linewidth=0.4)
        axes.axvline(limit_mm, color=VERMILLION, linewidth=1.4, linestyle="--")
        axes.annotate(
            f"limit {limit_mm:g} mm", (limit_mm, 0.97), xycoords=("data", "axes fraction"), xytext=(4, 0),
            textcoords="offset points", ha="left", va="top", fontsize=8.5, color=VERMILLION, rotation=90,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0},
        )  # fmt: skip
        axes.set_xlim(0, top)
        dress(axes, title, "distance from the planned path, mm", unit)
    left.set_yscale("log")
    left.set_ylim(0.7, None)
    return png(figure)


def worst_places(layers: Sequence[Layer]) -> bytes | None:
    """The strokes that are farthest from their paths, seen close: path, painted middle, painted width."""
    found: list[tuple[float, Layer, int]] = []
    for layer in layers:
        if layer.measured is None or layer.part.strokes is None:
            continue
        off = np.nan_to_num(layer.measured.strokes["off_max_mm"], nan=-1.0)
        found += [
            (float(off[index]), layer, int(index))
            for index in np.argsort(off)[::-1][:WORST]
            if off[index] >= 0
        ]
    if not found:
        return None
    found = sorted(found, key=lambda one: -one[0])[:WORST]
    columns = min(3, len(found))
    rows = -(-len(found) // columns)
    figure = new_figure(2.95 * rows + 0.5)
    panels = figure.subplots(rows, columns, squeeze=False).ravel()
    for axes in panels[len(found) :]:
        axes.set_visible(False)
    bands = [
        _close_up(axes, layer, index, off_mm)
        for axes, (off_mm, layer, index) in zip(panels, found, strict=False)
    ]
    panels[0].plot([], [], color=BLACK, linewidth=1.2, label="planned")
    panels[0].plot([], [], color=VERMILLION, linewidth=1.2, linestyle="--", label="painted, the tip's middle")
    panels[0].plot([], [], color=GREY, linewidth=6, alpha=0.35, label="painted, the tip's width")
    figure.legend(loc="outside lower center", ncols=3, fontsize=8.5, frameon=False)
    figure.suptitle(
        "The strokes farthest from their paths, close up (mm on the canvas)", x=0.01, ha="left", fontsize=11
    )
    figure.draw_without_rendering()
    for axes, lines, (_, layer, _) in zip(panels, bands, found, strict=False):
        for line in lines:
            line.set_linewidth(layer.part.tip_mm * _points_per_mm(axes))
    return png(figure)


def _close_up(axes: Axes, layer: Layer, index: int, off_mm: float) -> list[Line2D]:
    """One panel; returns the painted bands, whose width is known once all is laid out."""
    measured, strokes = layer.measured, layer.part.strokes
    assert measured is not None
    assert strokes is not None
    mine = np.flatnonzero(measured.stroke == index)
    centre = measured.points_mm[mine[np.argmax(measured.distance_mm[mine])]]
    half = max(0.75 * layer.part.tip_mm, 6.0 * off_mm, 0.5)
    axes.set_aspect("equal")
    axes.set_xlim(centre[0] - half, centre[0] + half)
    axes.set_ylim(centre[1] + half, centre[1] - half)
    axes.set_facecolor(CANVAS)
    bands: list[Line2D] = []
    points = measured.points_mm[mine]
    # A stroke may have been painted twice: a step of more than a tip's width is no line.
    jumps = np.flatnonzero(np.hypot(*np.diff(points, axis=0).T) > max(layer.part.tip_mm, 1.0)) + 1
    for line in np.split(points, jumps):
        bands += axes.plot(
            line[:, 0], line[:, 1], color=_ink(layer.part.colour), alpha=0.35, solid_capstyle="round",
            solid_joinstyle="round",
        )  # fmt: skip
        axes.plot(line[:, 0], line[:, 1], color=VERMILLION, linewidth=1.2, linestyle="--")
    planned = strokes.stroke_mm(index)
    axes.plot(planned[:, 0], planned[:, 1], color=BLACK, linewidth=1.2)
    axes.plot(
        *centre, marker="o", markersize=9, markerfacecolor="none", markeredgecolor=ORANGE, markeredgewidth=1.8
    )
    name = strokes.element_ids[int(strokes.element[index])]
    dress(axes, f"{name}: {off_mm:.3f} mm", "", "")
    axes.set_title(axes.get_title(loc="left"), loc="left", fontsize=9, color=BLACK)
    axes.locator_params(nbins=4)
    axes.tick_params(labelsize=8)
    return bands


def _all_points(layers: Sequence[Layer]) -> tuple[Vector, Vector]:
    found = [layer.measured for layer in layers if layer.measured is not None]
    return (
        np.concatenate([np.empty((0, 2)), *(one.points_mm for one in found)]),
        np.concatenate([np.empty(0), *(one.distance_mm for one in found)]),
    )


def _bounds(layers: Sequence[Layer], painted: Painted) -> tuple[Vector, Vector] | None:
    """Lowest and highest canvas mm of all that is shown, with room for the tip and a little air."""
    low, high = np.full(2, np.inf), np.full(2, -np.inf)
    for layer in layers:
        reach = layer.part.tip_mm
        if layer.part.strokes is not None and len(layer.part.strokes):
            x0, y0, x1, y1 = layer.part.strokes.bounds_mm()
            low = np.minimum(low, np.array([x0, y0]) - reach)
            high = np.maximum(high, np.array([x1, y1]) + reach)
        for contact in layer.contacts.tolist():
            points = painted.points_mm[painted.offsets[contact] : painted.offsets[contact + 1]]
            low = np.minimum(low, points.min(axis=0) - reach)
            high = np.maximum(high, points.max(axis=0) + reach)
    if not bool(np.all(np.isfinite(low))):
        return None
    air = 0.03 * float((high - low).max()) + 1.0
    return low - air, high + air


def _points_per_mm(axes: Axes) -> float:
    """How many points (1/72 inch, the unit of line widths) a mm of the canvas is, once all is laid out."""
    low, high = axes.get_xlim()
    return 72.0 * float(axes.get_window_extent().width) / DPI / abs(high - low)


def _sheet(bounds: tuple[Vector, Vector], size_mm: tuple[float, float]) -> tuple[Figure, Axes]:
    """A figure with the canvas on it."""
    width, height = (bounds[1] - bounds[0]).tolist()
    inches = 7.6
    figure = new_figure(min(max(inches * height / width, 2.2) + 0.9, 11.0))
    axes = figure.subplots()
    axes.set_aspect("equal")
    axes.set_facecolor("#EDEDED")
    axes.fill([0, size_mm[0], size_mm[0], 0], [0, 0, size_mm[1], size_mm[1]], color=CANVAS, zorder=0)
    return figure, axes


def _frame(axes: Axes, bounds: tuple[Vector, Vector], title: str) -> None:
    axes.set_xlim(bounds[0][0], bounds[1][0])
    axes.set_ylim(bounds[1][1], bounds[0][1])
    dress(axes, title, "x on the canvas, mm", "y on the canvas, mm")
    axes.grid(visible=False)


def _draw_contacts(axes: Axes, painted: Painted, layer: Layer, points_per_mm: float) -> None:
    lines: list[Vector] = []
    for contact in layer.contacts.tolist():
        points = painted.points_mm[painted.offsets[contact] : painted.offsets[contact + 1]]
        lines.append(_thinned(points, 0.25 / points_per_mm))
    axes.add_collection(
        LineCollection(
            lines,
            colors=_ink(layer.part.colour),
            linewidths=layer.part.tip_mm * points_per_mm,
            capstyle="round",
            joinstyle="round",
        )
    )


def _lines(points: Vector, offsets: npt.NDArray[np.int64], step_mm: float) -> list[Vector]:
    return [
        _thinned(points[a:b], step_mm)
        for a, b in zip(offsets[:-1].tolist(), offsets[1:].tolist(), strict=True)
    ]


def _thinned(points: Vector, step_mm: float) -> Vector:
    """The line with points closer than ``step_mm`` along it left out; both ends stay. A lone point becomes a dot."""
    if len(points) < 2:
        return np.concatenate([points, points + 1e-3])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    keep = np.floor(along / max(step_mm, 1e-9))
    chosen = np.concatenate([[True], keep[1:] != keep[:-1]])
    chosen[-1] = True
    line: Vector = points[chosen]
    return line if len(line) > 1 else np.concatenate([line, line + 1e-3])


def _ink(colour: str) -> str:
    return colour if is_color_like(colour) else FALLBACK_COLOUR


def _over(colour: str) -> str:
    """A colour that is seen on ink of ``colour``: by its relative luminance (Rec. 709 weights)."""
    red, green, blue = to_rgb(_ink(colour))
    return BLACK if 0.2126 * red + 0.7152 * green + 0.0722 * blue > 0.45 else "white"
