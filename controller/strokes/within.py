"""Whether all strokes lie on the canvas and within the machine's travel.

Owns that one check: artwork that reaches too far is refused before anything moves, by element and by how many mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError, Mistake
from controller.config.job import Job
from controller.config.machine import AXES, Machine
from controller.strokes.strokeset import StrokeSet

ROUNDING_MM = 1e-6


def check_within(strokes_by_ink: Mapping[str, StrokeSet], machine: Machine, job: Job, job_path: Path) -> None:
    """Refuse strokes whose painted width leaves the canvas or whose path leaves the soft limits.

    One mistake for each element and side, worst first. Raises InputError naming the artwork's file.
    """
    file = job_path.parent / job.artwork
    found: list[tuple[float, Mistake]] = []
    for ink in job.inks:
        strokes = strokes_by_ink.get(ink.name)
        if strokes is None or len(strokes) == 0:
            continue
        low = np.minimum.reduceat(strokes.points_mm, strokes.offsets[:-1])
        high = np.maximum.reduceat(strokes.points_mm, strokes.offsets[:-1])
        for axis, name in enumerate(AXES):
            size, origin = machine.canvas.size_mm[axis], machine.canvas.origin_mm[axis]
            limits = machine.axes[name]
            half = ink.tip_mm / 2.0
            sides: tuple[tuple[str, npt.NDArray[np.float64], str], ...] = (
                (
                    f"the canvas, {name} from 0 to {size:g} mm with the tip's width",
                    np.maximum(half - low[:, axis], 0.0),
                    "before it",
                ),
                (
                    f"the canvas, {name} from 0 to {size:g} mm with the tip's width",
                    np.maximum(high[:, axis] + half - size, 0.0),
                    "beyond it",
                ),
                (
                    f"the travel of axes.{name}, {limits.min_mm:g} to {limits.max_mm:g} mm",
                    np.maximum(limits.min_mm - origin - low[:, axis], 0.0),
                    "before it",
                ),
                (
                    f"the travel of axes.{name}, {limits.min_mm:g} to {limits.max_mm:g} mm",
                    np.maximum(high[:, axis] + origin - limits.max_mm, 0.0),
                    "beyond it",
                ),
            )
            for what, excess, side in sides:
                found.extend(
                    (
                        mm,
                        Mistake(
                            file,
                            f"{element} (ink {ink.name})",
                            f"within {what}",
                            f"{mm:.2f} mm {side}",
                            code="picture-off-canvas",
                        ),
                    )
                    for element, mm in _worst(strokes, excess)
                )
    if found:
        found.sort(key=lambda item: -item[0])
        raise InputError([mistake for _, mistake in found])


def _worst(strokes: StrokeSet, excess: npt.NDArray[np.float64]) -> list[tuple[str, float]]:
    """The largest excess of each element that has one."""
    worst = np.zeros(len(strokes.element_ids))
    np.maximum.at(worst, strokes.element, excess)
    return [(strokes.element_ids[i], float(worst[i])) for i in np.flatnonzero(worst > ROUNDING_MM)]
