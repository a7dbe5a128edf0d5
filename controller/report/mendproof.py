"""The proof of a mend: what is painted again, which gaps are closed and what the pen covers beside them, in pictures.

Takes strokes and areas, returns figures and PNG bytes. Areas are the coverage's (``coverage``), the pen's paint that of
the proof (``proofpaint``). Frame: canvas mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import shapely
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline

from controller.config.job import Job
from controller.report.coverage import measure, paint_cover, wanted_cover
from controller.report.figures import BLACK, CANVAS, GREY, dress, new_figure, png
from controller.report.gaps import SHOWN
from controller.report.proofpaint import Stretches, constant, pass_paint
from controller.report.proofwanted import Wanted
from controller.strokes.inks import painting_order
from controller.strokes.outlines import union
from controller.strokes.strokeset import StrokeSet
from controller.strokes.touchup import Bare

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = npt.NDArray[np.float64]
Geometry = Any
Box = tuple[float, float, float, float]

CHORDS: Final = 32
"""For a quarter of a stroke's round end."""


@dataclass(frozen=True, slots=True)
class TouchProof:
    """Areas in mm2: canvas that shows before and after; paint of the touch-up on other inks, and on bare canvas outside
    the gaps. error_mm2: bound of what chords in place of arcs make of the first two."""

    before_mm2: float
    after_mm2: float
    on_others_mm2: float
    on_canvas_mm2: float
    error_mm2: float


def touch_proof(bare: Bare, ink: int, strokes: StrokeSet, tip_mm: float) -> TouchProof:
    """What the strokes do to the gaps."""
    if not len(strokes):
        return TouchProof(float(bare.gaps.area), float(bare.gaps.area), 0.0, 0.0, 0.0)
    none = Stretches(np.empty((0, 2)), np.zeros(0, np.int64), np.zeros(0, np.int64), np.empty(0))
    wanted = Wanted(tuple(bare.gaps.geoms), np.empty((0, 2)), np.empty(0), none)
    paint = pass_paint("touch-up", ink, "", strokes, constant(tip_mm))
    areas = measure(paint_cover([paint]), wanted_cover(wanted))
    beside = painted_area(strokes, tip_mm).difference(bare.own)
    others = union([one for row, one in enumerate(bare.areas) if row != ink and not one.is_empty])
    on_others = float(beside.intersection(others).area)
    return TouchProof(
        areas.wanted_mm2, areas.bare_mm2, on_others, float(beside.area) - on_others, areas.error_mm2
    )


def painted_area(strokes: StrokeSet, tip_mm: float) -> Geometry:
    """All that strokes cover with a tip of one width, along their chords."""
    lines = [shapely.LineString(strokes.stroke_mm(one)) for one in range(len(strokes))]
    return shapely.unary_union(shapely.buffer(lines, tip_mm / 2.0, quad_segs=CHORDS))


def touch_picture(job: Job, bare: Bare, strokes: StrokeSet, tip_mm: float, title: str) -> bytes:
    """Before and after around the largest gap, beside the whole picture, as PNG."""
    box = _around([one.bounds for one in bare.areas if not one.is_empty])
    shape = min(max((box[3] - box[1]) / (box[2] - box[0]), 0.3), 1.4)
    figure = new_figure(height_in=1.7 + 3.4 * shape)
    whole, before, after = figure.subplots(1, 3, width_ratios=(3, 2, 2))
    figure.suptitle(title, x=0.01, ha="left", fontsize=12, color=BLACK)
    places = list(bare.gaps.geoms)
    largest = max(places, key=lambda one: one.area) if places else shapely.box(*box)
    middle = shapely.point_on_surface(largest)
    # Near enough to see the gap's width beside the tip's.
    half = 6.0 * max(tip_mm, 2.0 * float(largest.area) / max(float(largest.length), 1e-9))
    tall = 1.5 * half * (box[3] - box[1]) / (box[2] - box[0])
    near = middle.x - half, middle.y - tall, middle.x + half, middle.y + tall
    paint = painted_area(strokes, tip_mm) if len(strokes) else shapely.Polygon()
    _areas(whole, bare, job, 0.9)
    _set(whole, box)
    dress(whole, "Canvas shows", "x in mm", "y in mm")
    whole.add_patch(Rectangle(near[:2], 2 * half, 2 * tall, fill=False, edgecolor=BLACK, linewidth=1.2))
    _areas(before, bare, job, 0.0)
    _set(before, near)
    dress(before, "Before", "x in mm", "")
    _areas(after, bare, job, 0.0)
    row = _ink_row(bare, job, strokes, paint)
    after.add_artist(_patch(paint, job.inks[row].colour, None))
    after.add_artist(_patch(paint, "none", BLACK))
    after.add_artist(_patch(bare.gaps.difference(paint), SHOWN, None))
    _lines(after, strokes, BLACK, 0.6)
    _set(after, near)
    dress(after, "After, way of the pen", "x in mm", "")
    return png(figure)


def _ink_row(bare: Bare, job: Job, strokes: StrokeSet, paint: Geometry) -> int:
    """The ink that the touch-up is painted in: the one on whose paint most of it lies."""
    if not len(strokes):
        return painting_order(job)[0]
    return int(np.argmax([0.0 if one.is_empty else one.intersection(paint).area for one in bare.areas]))


def again_picture(
    canvas_mm: tuple[float, float], context: Sequence[StrokeSet], again: StrokeSet, colour: str, tip_mm: float,
    title: str, region: Geometry | None = None,
) -> bytes:  # fmt: skip
    """What is painted again (loud) among all that its passes painted (in their ink), as PNG."""
    boxes = [one.bounds_mm() for one in [*context, again] if len(one)]
    box = _around(boxes) if boxes else (0.0, 0.0, *canvas_mm)
    shape = min(max((box[3] - box[1]) / (box[2] - box[0]), 0.3), 1.4)
    figure = new_figure(height_in=1.6 + 4.6 * shape)
    whole, close = figure.subplots(1, 2, width_ratios=(3, 2))
    figure.suptitle(title, x=0.01, ha="left", fontsize=12, color=BLACK)
    x0, y0, x1, y1 = again.bounds_mm() if len(again) else box
    # As tall as the whole picture beside it, which is half as wide again.
    slope = 1.5 * (box[3] - box[1]) / (box[2] - box[0])
    half = 0.5 * max(x1 - x0, (y1 - y0) / slope, 6.0 * tip_mm) + 2.0 * tip_mm
    middle = (x0 + x1) / 2.0, (y0 + y1) / 2.0
    near = middle[0] - half, middle[1] - slope * half, middle[0] + half, middle[1] + slope * half
    for axes, limits, words in ((whole, box, "All of these passes"), (close, near, "Painted again")):
        _set(axes, limits)
        dress(axes, words, "x in mm", "y in mm" if axes is whole else "")
    figure.draw_without_rendering()  # only now is it known how many points a millimetre has
    for axes in (whole, close):
        axes.set_facecolor(CANVAS)
        points_mm = 72.0 / figure.dpi * float(np.abs(axes.transData.get_matrix()[0, 0]))
        for one in context:
            _lines(axes, one, colour, max(tip_mm * points_mm, 0.4), 0.35)
        _lines(axes, again, SHOWN, max(tip_mm * points_mm, 0.8), 0.8)
        if region is not None:
            axes.add_artist(_patch(region, "none", GREY))
    return png(figure)


def _areas(axes: Axes, bare: Bare, job: Job, line: float) -> None:
    axes.set_facecolor(CANVAS)
    for row in painting_order(job):
        axes.add_artist(_patch(bare.areas[row], job.inks[row].colour, None))
    axes.add_artist(_patch(bare.gaps, SHOWN, SHOWN if line else None, line))


def _patch(area: Geometry, face: str, edge: str | None, line: float = 0.9) -> PathPatch:
    rings = shapely.get_parts(shapely.boundary(area)) if not area.is_empty else []
    outlines = [Outline(shapely.get_coordinates(ring), closed=True) for ring in rings]
    path = Outline.make_compound_path(*outlines) if outlines else Outline(np.zeros((0, 2)))
    return PathPatch(path, facecolor=face, edgecolor=edge or "none", linewidth=line if edge else 0.0)


def _lines(axes: Axes, strokes: StrokeSet, colour: str, width: float, alpha: float = 1.0) -> None:
    if not len(strokes):
        return
    codes = np.full(len(strokes.points_mm), Outline.LINETO, dtype=np.uint8)
    codes[strokes.offsets[:-1]] = Outline.MOVETO
    axes.add_artist(
        PathPatch(
            Outline(strokes.points_mm, codes), facecolor="none", edgecolor=colour, linewidth=width, alpha=alpha,
            capstyle="round", joinstyle="round",
        )
    )  # fmt: skip


def _around(boxes: Sequence[Sequence[float]]) -> Box:
    low = np.min([one[:2] for one in boxes], axis=0)
    high = np.max([one[2:] for one in boxes], axis=0)
    margin = 0.03 * float((high - low).max()) + 1.0
    return float(low[0]) - margin, float(low[1]) - margin, float(high[0]) + margin, float(high[1]) + margin


def _set(axes: Axes, box: Box) -> None:
    axes.set_xlim(box[0], box[2])
    axes.set_ylim(box[3], box[1])  # y downwards, as on the canvas
    axes.set_aspect("equal")
