"""What should be covered, by ink: the areas, lines and dots that a job's techniques call for, traps included.

Owns the step from job and drawing to wanted areas. Reads files; knows no strokes. It asks the drawing anew and not
the strokes, so that it can say what these miss. Frame: canvas mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.artwork.model import Drawing
from controller.artwork.read import read_artwork, read_drawing
from controller.config.job import Job, Technique
from controller.report.proofpaint import STRETCH, Stretches
from controller.strokes.inks import AS_DRAWN, assign
from controller.strokes.regions import NO_SCREEN, Work, regions
from controller.strokes.screen import Lattice, ScreenDots, diameter_for, lattice, screen_dots
from controller.strokes.traps import trapped
from controller.strokes.works import is_as_drawn

Floats = npt.NDArray[np.float64]
Geometry = Any
"""A shapely geometry: the library brings no types."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """All that one ink should cover.

    areas: shapely polygons, perhaps overlapping each other and the rest. centre_mm (D, 2), diameter_mm (D,): dots.
    lines: along the middles of lines, as wide as the tip when new.
    """

    areas: tuple[Geometry, ...]
    centre_mm: Floats
    diameter_mm: Floats
    lines: Stretches


@dataclass(frozen=True, slots=True)
class WantedPicture:
    """inks: by row of ``job.inks``. sheet_mm: the drawing's own edges, x0, y0, x1, y1.

    works, with_traps: what is seen without and with traps, for the map of gaps; empty where a job is painted as drawn.
    """

    inks: tuple[Wanted, ...]
    sheet_mm: tuple[float, float, float, float]
    works: tuple[Work, ...]
    with_traps: tuple[Work, ...]


def wanted_picture(job: Job, job_path: Path) -> WantedPicture:
    """Read the drawing again and say what every ink should cover. Raises InputError where it cannot be read."""
    if is_as_drawn(job):
        artwork = read_artwork(job, job_path)
        inks = []
        for ink in job.inks:
            shapes = artwork.inks[ink.name]
            lines = _cut(shapes.points_mm, shapes.offsets, ink.tip_mm)
            inks.append(Wanted((), shapes.dot_centre_mm, shapes.dot_diameter_mm, lines))
        return WantedPicture(tuple(inks), _sheet(job, artwork.size_mm), (), ())
    drawing = read_drawing(job, job_path)
    found = regions(drawing, assign(drawing, job), job).works
    grown = trapped(found, job).works
    by_ink = tuple(
        _of_works(drawing, job, row, [work for work in grown if work.ink == row])
        for row in range(len(job.inks))
    )
    return WantedPicture(by_ink, _sheet(job, drawing.size_mm), found, grown)


def _sheet(job: Job, size_mm: tuple[float, float]) -> tuple[float, float, float, float]:
    x, y = job.origin_mm
    return x, y, x + size_mm[0], y + size_mm[1]


def _of_works(drawing: Drawing, job: Job, ink: int, works: Sequence[Work]) -> Wanted:
    areas: list[Geometry] = []
    centres, diameters = [np.empty((0, 2))], [np.empty(0)]
    points: list[Floats] = []
    for work in works:
        how = Technique() if work.technique == AS_DRAWN else job.techniques[work.technique]
        wider_mm = how.enlarge_mm or 0.0  # dots that are painted twice, the second time wider
        if work.kind == "screen":
            dots = _screen(drawing, work, how)
            centres.append(dots.centre_mm)
            diameters.append(dots.diameter_mm + wider_mm)
            areas += dots.clipped
        elif work.area is not None:
            areas += work.area.geoms
        if work.kind == "line" and work.lines is not None:
            points += [work.lines.line_mm(row) for row in range(len(work.lines))]
        if work.dots is not None:
            centres.append(work.dots.centre_mm)
            diameters.append(work.dots.diameter_mm + wider_mm)
    offsets = np.concatenate([[0], np.cumsum([len(line) for line in points])]).astype(np.int64)
    lines = _cut(np.vstack(points) if points else np.empty((0, 2)), offsets, job.inks[ink].tip_mm)
    return Wanted(tuple(areas), np.vstack(centres), np.concatenate(diameters), lines)


def _screen(drawing: Drawing, work: Work, how: Technique) -> ScreenDots:
    if work.screen != NO_SCREEN:
        drawn = drawing.screens[work.screen]
        places, diameter_mm = Lattice(drawn.pitch_mm, drawn.origin_mm), drawn.diameter_mm
    else:
        assert how.pitch_mm is not None  # the job file's rules
        places = lattice(how.lattice, how.pitch_mm, how.angle_deg)
        share = float(diameter_for(how.tint or 0.0, how.lattice))
        diameter_mm = how.diameter_mm if how.diameter_mm is not None else share * how.pitch_mm
    return screen_dots(work.area, places, diameter_mm, how.borders, drawing.tolerance_mm)


def _cut(points_mm: Floats, offsets: npt.NDArray[np.int64], width_mm: float) -> Stretches:
    """Whole lines of one width as stretches of at most STRETCH chords."""
    chords = np.diff(offsets) - 1
    parts = -(-chords // STRETCH)
    line = np.repeat(np.arange(len(chords)), parts)
    portion = np.arange(len(line)) - np.repeat(np.cumsum(parts) - parts, parts)
    count = np.minimum(STRETCH, chords[line] - portion * STRETCH) + 1
    first = offsets[line] + portion * STRETCH
    return Stretches(points_mm, first.astype(np.int64), count.astype(np.int64), np.full(len(line), width_mm))
