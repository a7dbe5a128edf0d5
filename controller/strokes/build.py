"""Outlines and dots to pen paths.

Owns how a dot is filled: one continuous path, a full ring just inside the edge and a spiral of even pitch inwards.
Knows tips and pitches; knows no order, no time, no machine.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.artwork.model import InkShapes
from controller.config.job import Ink
from controller.strokes.strokeset import StrokeKind, StrokeSet

Floats = npt.NDArray[np.float64]

TOUCH_RADIUS_MM: Final = 0.1
"""A dot no wider than the tip is a touch: a pen cannot paint less than its tip, so it goes once around a circle of
this radius, which leaves tip_mm + 0.2 mm. A touch without movement would leave no stroke to time or to find again."""
SIDES_MIN: Final = 36  # chords in a turn, at least: turns of 10 degrees, which no planner takes for corners
SAME_MM: Final = 6  # decimals of a diameter in mm: dots equal to a nanometre share one template


def _sides(radius_mm: float, tolerance_mm: float) -> int:
    """Chords for a full circle so that its corners lie at most the tolerance outside it.

    A corner of the polygon around the circle stands out by r (1 / cos(pi/n) - 1), so cos(pi/n) = r / (r + e).
    """
    return max(SIDES_MIN, math.ceil(math.pi / math.acos(radius_mm / (radius_mm + tolerance_mm))))


def dot_path_mm(diameter_mm: float, tip_mm: float, step_mm: float, tolerance_mm: float) -> Floats:
    """The pen's path (n, 2) for a dot of ``diameter_mm`` around the origin, in mm.

    A full ring at diameter/2 - tip/2 that begins and ends on the x axis, then an Archimedean spiral inwards,
    ``step_mm`` a turn, until the tip covers the centre from every side. The chords touch ring and spiral from
    outside: the whole dot is covered, and at most ``tolerance_mm`` is painted beyond its edge. All turns share their
    angles, so that chords of neighbouring turns are parallel and never farther apart than ``step_mm``.

    ``step_mm`` must be at most ``tip_mm`` (wider leaves bare rings): ValueError otherwise.
    """
    if not 0 < step_mm <= tip_mm:
        raise ValueError(f"expected 0 < step_mm <= tip_mm, got {step_mm} and {tip_mm}")
    ring_mm = max(diameter_mm / 2.0 - tip_mm / 2.0, TOUCH_RADIUS_MM)
    sides = _sides(ring_mm, tolerance_mm)
    turn = np.arange(sides + 1) / sides
    radius = np.full(sides + 1, ring_mm)
    if ring_mm > tip_mm / 2.0:  # else the ring alone reaches the centre
        # Once a whole turn lies within half a tip of the centre, nothing in it is bare. With a pitch beyond half a
        # tip there is no such turn but the one that ends in the centre itself.
        end_mm = max(tip_mm / 2.0 - step_mm, 0.0)
        turns = (ring_mm - end_mm) / step_mm
        inwards = np.append(np.arange(1, math.ceil(turns * sides)) / sides, turns)
        turn = np.concatenate([turn, 1.0 + inwards])
        radius = np.concatenate([radius, ring_mm - step_mm * inwards])
        radius[-1] = end_mm
    radius /= math.cos(math.pi / sides)
    angle = math.tau * (
        turn % 1.0
    )  # the ring closes to the last bit, and all turns have the very same directions
    return _thinned(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))


def _thinned(spiral: Floats, least_mm: float = 1e-3) -> Floats:
    """Leave out vertices near the centre that come closer than a micrometre to their forerunner, keeping the last."""
    step = np.hypot(*np.diff(spiral, axis=0).T)
    keep = np.concatenate([[True], step > least_mm])
    if not keep[-1]:
        keep[-1] = True
        keep[-2] = False
    kept: Floats = spiral[keep]
    return kept


def build_strokes(shapes: InkShapes, ink: Ink) -> StrokeSet:
    """All strokes of one ink in the drawing's order: open outlines LINE, closed ones LOOP, dots DOT.

    Dots of one diameter are the same path but for its place. Canvas mm.
    """
    dot_points, dot_counts = _dots(shapes, ink)
    counts = np.concatenate([np.diff(shapes.offsets), dot_counts])
    kind = np.concatenate(
        [
            np.where(shapes.closed, StrokeKind.LOOP, StrokeKind.LINE),
            np.full(shapes.dots, StrokeKind.DOT),
        ]
    ).astype(np.uint8)
    strokes = StrokeSet(
        np.concatenate([shapes.points_mm, dot_points]),
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        kind,
        np.concatenate([shapes.outline_element, shapes.dot_element]).astype(np.int32),
        shapes.element_ids,
    )
    return strokes.take(np.argsort(strokes.element, kind="stable").astype(np.int64))


def _dots(shapes: InkShapes, ink: Ink) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Vertices of all dots one after another, and how many each has."""
    sizes, which = np.unique(np.round(shapes.dot_diameter_mm, SAME_MM), return_inverse=True)
    templates = [dot_path_mm(float(size), ink.tip_mm, ink.step_mm, shapes.tolerance_mm) for size in sizes]
    lengths = np.array([len(template) for template in templates], dtype=np.int64)
    if not len(templates):
        return np.empty((0, 2)), lengths
    begin = np.cumsum(lengths) - lengths
    counts = lengths[which]
    offsets = np.cumsum(counts) - counts
    row = np.arange(counts.sum()) - np.repeat(offsets - begin[which], counts)
    points: Floats = np.concatenate(templates)[row] + np.repeat(shapes.dot_centre_mm, counts, axis=0)
    return points, counts
