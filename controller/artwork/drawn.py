"""A drawing's shapes by ink, as drawn: outlines and dots of the groups that the job's inks name.

Owns the rule by which a shape is an outline or a dot where the job says no more than its inks' groups. Knows no XML.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.artwork.limits import Limits
from controller.artwork.model import Artwork, Drawing, InkShapes
from controller.artwork.rows import Reports
from controller.config.errors import InputError, Mistake
from controller.config.job import Job


def check_groups(drawing: Drawing, job: Job, job_path: Path) -> list[Mistake]:
    """Groups of the job's inks that the drawing does not have, or has twice."""
    counts = Counter(drawing.group_ids)
    there = ", ".join(sorted(counts)) or "none has an id"
    file = job_path.parent / job.artwork
    mistakes: list[Mistake] = []
    for index, ink in enumerate(job.inks):
        if ink.group is None:
            continue
        count = counts.get(ink.group, 0)
        if count == 0:
            expected = f"the id of a group in {file.name} ({there})"
            mistakes.append(
                Mistake(job_path, f"inks[{index}].group", expected, repr(ink.group), code="group-missing")
            )
        elif count > 1:
            mistakes.append(
                Mistake(
                    file,
                    f"group {ink.group}",
                    "an id given once",
                    f"{count} groups with it",
                    code="group-twice",
                )
            )
    return mistakes


def ink_rows(drawing: Drawing, job: Job) -> npt.NDArray[np.int32]:
    """(S,): the job's ink whose group holds each shape, the innermost one's; -1 where none does."""
    number = {ink.group: index for index, ink in enumerate(job.inks) if ink.group is not None}
    by_layer = [
        next((number[group] for group in reversed(layer) if group in number), -1) for layer in drawing.layers
    ]
    rows: npt.NDArray[np.int32] = np.array(by_layer, dtype=np.int32)[drawing.shapes["layer"]]
    return rows


def as_drawn(drawing: Drawing, job: Job, job_path: Path) -> Artwork:
    """Outlines and dots by ink, in the job's order. Raises InputError where an ink's group is missing or twice."""
    if mistakes := check_groups(drawing, job, job_path):
        raise InputError(mistakes)
    reports = Reports(job_path.parent / job.artwork, Limits())
    shapes, names = drawing.shapes, drawing.element_ids
    ink = ink_rows(drawing, job)

    def report(rows: npt.NDArray[np.bool_], what: str, why: str, changed: bool = False) -> None:
        for row in np.flatnonzero(rows).tolist():
            name = names[shapes["element"][row]]
            reports.skip(name, what, why, "changed" if changed else "left out")

    cut, reaching = _clipped(drawing)
    report(ink < 0, "ink", "outside every ink's group")
    report(
        cut & (ink >= 0),
        "clip-path",
        "clipping is not done as drawn; painted whole it would go beyond its edge",
    )
    taken = (ink >= 0) & ~cut
    report(
        taken & reaching, "edge", "reaches beyond the edge of its svg element; painted whole", changed=True
    )
    filled = shapes["fill"] >= 0
    dot = taken & filled & (shapes["pattern"] < 0) & ~np.isnan(shapes["dot_mm"])
    line = taken & ~dot & ((shapes["stroke"] >= 0) | shapes["bare"])
    why = "reaches beyond the edge of its svg element; painted whole"
    report((dot | line) & reaching, "edge", why, changed=True)
    lined = (shapes["stroke"] >= 0) | shapes["bare"]
    report(
        dot & lined, "stroke", "a dot is painted in the circle's own size, without its outline", changed=True
    )
    report(
        taken & filled & ~dot & lined,
        "fill",
        "not painted as drawn; only its outline is painted",
        changed=True,
    )
    report(taken & filled & ~dot & ~lined, "fill", "not painted as drawn")
    report(
        line & (shapes["dash"] >= 0),
        "dashes",
        "dashes are not painted; the line is drawn through",
        changed=True,
    )
    inks = {
        one.name: _ink_shapes(drawing, dot & (ink == index), line & (ink == index))
        for index, one in enumerate(job.inks)
    }
    return Artwork(inks, (*drawing.skipped, *reports.all()), drawing.size_mm)


def _clipped(drawing: Drawing) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """(S,) twice: shapes that a clip path cuts, and those that only reach beyond the edge of a viewport."""
    real = [False] * (len(drawing.clips) + 1)  # the last one stands for -1
    for row, clip in enumerate(drawing.clips):
        real[row] = not clip.frame or real[clip.within]
    rows = drawing.shapes["clip"]
    cut = np.array(real)[rows]
    return cut, (rows >= 0) & ~cut


def _ink_shapes(drawing: Drawing, dot: npt.NDArray[np.bool_], line: npt.NDArray[np.bool_]) -> InkShapes:
    shapes = drawing.shapes
    rows = np.flatnonzero(dot | line)
    number = np.full(len(shapes), -1, dtype=np.int32)
    number[rows] = np.arange(len(rows))
    outlines = np.flatnonzero(line[drawing.shape])
    counts = np.diff(drawing.offsets)
    chosen = np.zeros(len(counts), dtype=bool)
    chosen[outlines] = True
    dots = np.flatnonzero(dot)
    return InkShapes(
        points_mm=drawing.points_mm[np.repeat(chosen, counts)],
        offsets=np.concatenate([[0], np.cumsum(counts[outlines])]).astype(np.int64),
        closed=drawing.closed[outlines],
        outline_element=number[drawing.shape[outlines]],
        dot_centre_mm=np.column_stack([shapes["dot_x"][dots], shapes["dot_y"][dots]]),
        dot_diameter_mm=shapes["dot_mm"][dots].copy(),
        dot_element=number[dots],
        element_ids=tuple(drawing.element_ids[element] for element in shapes["element"][rows]),
        tolerance_mm=drawing.tolerance_mm,
    )
