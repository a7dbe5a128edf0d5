"""What becomes of the mural: its strokes, its passes, and a picture of what the strokes paint.

Owns figures and the picture. Each stroke is drawn as a line with round ends, as wide as its tip is by then.
"""

from __future__ import annotations

import io
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.artwork.read import read_drawing
from controller.config.job import Job
from controller.config.load import load_job, load_machine
from controller.config.machine import Machine
from controller.strokes.passes import JobPasses, Pass, Watch
from controller.strokes.strokeset import StrokeKind, StrokeSet
from controller.strokes.wear import wear_curve
from controller.strokes.works import BuiltStrokes, build_works


@dataclass(frozen=True, slots=True)
class Mural:
    """A job's strokes and passes, and the seconds of processor time that it took to make them."""

    job: Job
    machine: Machine
    built: BuiltStrokes
    seconds: float

    def strokes(self, one: Pass) -> StrokeSet:
        """Those of a pass, in painting order."""
        return self.built.strokes[self.job.inks[one.ink].name].take(one.strokes)


def build(job_path: Path, machine_path: Path) -> Mural:
    """Read, match inks, cut, trap, fill, order, cut into passes: all but ticks."""
    begun = time.process_time()
    job, machine = load_job(job_path), load_machine(machine_path)
    watch = Watch(job.sitting.watch_minutes, job.sitting.change_minutes)
    built = build_works(read_drawing(job, job_path), job, job_path, JobPasses(job, machine, watch))
    return Mural(job, machine, built, time.process_time() - begun)


def figures(mural: Mural) -> list[str]:
    """A table of passes for a terminal, times by the model."""
    lines = [f"{'pass':10s} {'strokes':>8s} {'dots':>6s} {'metres':>7s} {'minutes':>8s}  pen    cut by"]
    total = np.zeros(4)
    plan = mural.built.passes
    for one in plan.passes:
        strokes = mural.strokes(one)
        dots = int(np.count_nonzero(strokes.kind == StrokeKind.DOT))
        row = (len(strokes), dots, one.metres, one.seconds / 60.0)
        total += row
        wet = f", {len(one.wet.strokes)} beside wet paint" if one.wet is not None else ""
        name = f"{mural.job.inks[one.ink].name}-{one.number}"
        lines.append(
            f"{name:10s} {row[0]:8d} {row[1]:6d} {row[2]:7.1f} {row[3]:8.1f}  "
            f"{'fresh' if one.fresh_pen else 'same':5s}  {one.cut_by}{', too long' if one.too_long else ''}{wet}"
        )
    lines.append(f"{'all':10s} {total[0]:8.0f} {total[1]:6.0f} {total[2]:7.1f} {total[3]:8.1f}")
    lines.append(
        f"{len(plan.passes)} passes, {plan.pens} pens; {mural.seconds:.1f} s of processor time, "
        f"{len(mural.built.skipped)} reports"
    )
    return lines


def picture(mural: Mural, path: Path, wide_px: int = 1480, colours: int = 64) -> None:
    """A PNG of the whole canvas as painted, pass after pass."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt
    from matplotlib.collections import LineCollection
    from PIL import Image

    width, height = mural.machine.canvas.size_mm
    dpi, finer = 100.0, 2
    inches = finer * wide_px / dpi
    points_per_mm = inches * 72.0 / width
    figure = plt.figure(
        figsize=(inches, inches * height / width), dpi=dpi, facecolor=mural.job.canvas_colour or "white"
    )
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, width)
    axes.set_ylim(height, 0.0)
    axes.set_axis_off()
    for place, one in enumerate(mural.built.passes.passes):
        strokes = mural.strokes(one)
        lines = LineCollection(
            list(_paths(strokes)),
            linewidths=widths_mm(strokes, one, mural.job) * points_per_mm,
            colors=mural.job.inks[one.ink].colour,
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


def widths_mm(strokes: StrokeSet, one: Pass, job: Job) -> npt.NDArray[np.float64]:
    """(S,): the tip's width where each stroke of a pass begins."""
    ink = job.inks[one.ink]
    if ink.tip is None:
        return np.full(len(strokes), ink.tip_mm)
    table = job.tips[ink.tip]
    metres = strokes.lengths_mm() / 1000.0
    return wear_curve(table.metres, table.width_mm).width_mm(one.pen_m + np.cumsum(metres) - metres)


def _paths(strokes: StrokeSet) -> Iterator[npt.NDArray[np.float64]]:
    for index in range(len(strokes)):
        yield strokes.stroke_mm(index)
