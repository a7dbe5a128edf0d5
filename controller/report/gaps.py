"""The picture of a gap map: the painted areas in their colours, and in a loud one where canvas may show.

Takes areas and a job, returns PNG bytes. Owns no figure of its own: the numbers are the map's.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline

from controller.config.job import Job
from controller.report.figures import BLACK, CANVAS, dress, new_figure, png
from controller.strokes.inks import painting_order
from controller.strokes.regions import Work
from controller.strokes.traps import GapMap, solids

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from shapely.geometry import MultiPolygon

SHOWN: Final = "#E6007E"
"""Of the gaps: no paint of a calm picture has it."""
_CLOSE_UP: Final = 12.0
"""The close-up is so many errors wide."""


def gap_picture(works: Sequence[Work], gaps: GapMap, job: Job) -> bytes:
    """The whole picture and a close-up of its largest gap, as PNG. works: as painted, traps included."""
    areas = solids(works, len(job.inks))
    bounds = np.array([one.bounds for one in areas if not one.is_empty]).reshape(-1, 4)
    if not len(bounds):
        bounds = np.array([[0.0, 0.0, 1.0, 1.0]])
    x0, y0 = map(float, bounds[:, :2].min(axis=0))
    x1, y1 = map(float, bounds[:, 2:].max(axis=0))
    shape = min(max((y1 - y0) / (x1 - x0), 0.3), 1.4)
    places = gaps.places
    figure = new_figure(height_in=1.4 + (4.6 if len(places.geoms) else 7.4) * shape)
    if len(places.geoms):
        whole, close = figure.subplots(1, 2, width_ratios=(3, 2))
    else:
        whole, close = figure.subplots(), None
    margin = 0.02 * max(x1 - x0, y1 - y0)
    _draw(whole, areas, places, job, 0.9)
    _frame(whole, x0 - margin, y0 - margin, x1 + margin, y1 + margin)
    most = gaps.area_mm2[1]
    words = f"{most:,.0f}".replace(",", "\u2009") if most >= 10 else f"{most:.2g}"
    title = f"Canvas may show: {words} mm²" if most else "No canvas shows"
    title = f"{title}, one ink off by up to {gaps.error_mm:g} mm"
    figure.suptitle(title, x=0.01, ha="left", fontsize=12, color=BLACK)
    dress(whole, "All of the picture", "x in mm", "y in mm")
    if close is not None:
        largest = max(places.geoms, key=lambda one: one.area)
        middle = shapely.point_on_surface(largest)
        half = _CLOSE_UP * gaps.error_mm / 2.0
        # As tall as the whole picture beside it, which is half as wide again.
        tall = 1.5 * half * (y1 - y0 + 2 * margin) / (x1 - x0 + 2 * margin)
        corner = middle.x - half, middle.y - tall
        _draw(close, areas, places, job, 0.4)
        _frame(close, *corner, middle.x + half, middle.y + tall)
        dress(close, "Largest gap", "x in mm", "")
        whole.add_patch(Rectangle(corner, 2 * half, 2 * tall, fill=False, edgecolor=BLACK, linewidth=1.2))
    return png(figure)


def _draw(axes: Axes, areas: list[MultiPolygon], places: MultiPolygon, job: Job, line: float) -> None:
    axes.set_facecolor(CANVAS)
    # As artists and not as patches: the limits are set afterwards, and to find them takes longer than to draw.
    for ink in painting_order(job):
        axes.add_artist(_patch(areas[ink], job.inks[ink].colour, 0.0))
    # The line keeps hair-thin gaps visible.
    axes.add_artist(_patch(places, SHOWN, line))


def _patch(area: MultiPolygon, colour: str, line: float) -> PathPatch:
    rings = shapely.get_parts(shapely.boundary(area)) if not area.is_empty else []
    outlines = [Outline(shapely.get_coordinates(ring), closed=True) for ring in rings]
    path = Outline.make_compound_path(*outlines) if outlines else Outline(np.zeros((0, 2)))
    return PathPatch(path, facecolor=colour, edgecolor=colour if line else "none", linewidth=line)


def _frame(axes: Axes, x0: float, y0: float, x1: float, y1: float) -> None:
    axes.set_xlim(x0, x1)
    axes.set_ylim(y1, y0)  # y downwards, as on the canvas
    axes.set_aspect("equal")
