"""A picture of what a prepared job's strokes paint, small enough for a document.

Owns the picture. Each stroke is a line with round ends, as wide as its tip is where it begins; passes lie on each other
as they are painted. ``giornata proof`` looks closer: at true scale, with coverage and gaps.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.job import Job
from controller.config.machine import Machine
from controller.session.prepared import Prepared, PreparedPass
from controller.strokes.strokeset import StrokeSet
from controller.strokes.wear import wear_curve


def picture(
    prepared: Prepared, job: Job, machine: Machine, path: Path, wide_px: int = 1480, colours: int = 64
) -> None:
    """A PNG of the whole canvas, ``wide_px`` wide."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt
    from matplotlib.collections import LineCollection
    from PIL import Image

    width, height = machine.canvas.size_mm
    dpi, finer = 100.0, 2
    inches = finer * wide_px / dpi
    points_per_mm = inches * 72.0 / width
    figure = plt.figure(figsize=(inches, inches * height / width), facecolor=job.canvas_colour or "white")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, width)
    axes.set_ylim(height, 0.0)
    axes.set_axis_off()
    for place, part in enumerate(prepared.record.passes):
        strokes = prepared.strokes(part.name)
        lines = LineCollection(
            list(_paths(strokes)),
            linewidths=widths_mm(strokes, part, job) * points_per_mm,
            colors=part.colour,
            capstyle="round",
            joinstyle="round",
            snap=False,
            zorder=place,
        )
        axes.add_collection(lines)
    drawn = io.BytesIO()
    figure.savefig(drawn, format="png", dpi=dpi, facecolor=figure.get_facecolor())
    plt.close(figure)
    image = Image.open(drawn).convert("RGB").reduce(finer)
    # A few colours are enough for flat inks and their edges, and make the file a quarter as large.
    image.quantize(colours, dither=Image.Dither.NONE).save(path, optimize=True)


def widths_mm(strokes: StrokeSet, part: PreparedPass, job: Job) -> npt.NDArray[np.float64]:
    """(S,): the tip's width where each stroke of a pass begins."""
    ink = next(one for one in job.inks if one.name == part.ink)
    if ink.tip is None:
        return np.full(len(strokes), ink.tip_mm)
    table = job.tips[ink.tip]
    metres = strokes.lengths_mm() / 1000.0
    return wear_curve(table.metres, table.width_mm).width_mm(part.pen_m + np.cumsum(metres) - metres)


def _paths(strokes: StrokeSet) -> Iterator[npt.NDArray[np.float64]]:
    for index in range(len(strokes)):
        yield strokes.stroke_mm(index)
