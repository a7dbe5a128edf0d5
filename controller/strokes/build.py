"""Outlines and dots to pen paths.

Owns how a dot is filled: one continuous path, a full ring just inside the edge and a spiral of even pitch inwards;
and how one that is painted is made wider.
Knows tips and pitches; knows no order, no time, no machine.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.artwork.model import InkShapes
from controller.config.job import Ink
from controller.strokes.paths import join_strokes
from controller.strokes.strokeset import StrokeKind, StrokeSet
from controller.strokes.wear import QUANTUM_MM, WearCurve, widths_in_turn_mm

Floats = npt.NDArray[np.float64]

TOUCH_RADIUS_MM: Final = 0.1
"""A dot no wider than the tip is a touch: a pen cannot paint less than its tip, so it goes once around a circle of
this radius, which leaves tip_mm + 0.2 mm. A touch without movement would leave no stroke to time or to find again."""
SIDES_MIN: Final = 36  # chords in a turn, at least: turns of 10 degrees, which no planner takes for corners
EASED: Final = 0.125
"""Turns over which the spiral's pitch grows from nothing, so that it leaves the ring along its tangent."""
BARE_MAX: Final = 8e-4
"""Share of a dot that the chords of its ring may leave bare along the edge; the curve through them leaves a tenth."""
SAME_MM: Final = 6  # decimals of a diameter in mm: dots equal to a nanometre share one template


def _sides(radius_mm: float, tolerance_mm: float) -> int:
    """Chords for a full circle with its corners on it, so that their middles lie at most the tolerance inside.

    The sagitta is r (1 - cos(pi / n)), so cos(pi / n) = 1 - e / r.
    """
    if tolerance_mm >= radius_mm:
        return SIDES_MIN
    return max(SIDES_MIN, math.ceil(math.pi / math.acos(1.0 - tolerance_mm / radius_mm)))


def _sides_for_edge(ring_mm: float, tip_mm: float) -> int:
    """Chords with which a ring's polygon, painted by the tip, covers its disc but for BARE_MAX.

    A polygon of n sides on a circle of radius r lacks 2/3 pi^3 r^2 / n^2 of its area and pi^3 r / 3 n^2 of its length,
    to the first order; widened by h on both sides (Steiner: A + P h + pi h^2) of the disc of r + h it lacks the share
    pi^2 (2 r^2 + r h) / (3 n^2 (r + h)^2).
    """
    half_mm = tip_mm / 2.0
    lack = (2.0 * ring_mm**2 + ring_mm * half_mm) / (3.0 * (ring_mm + half_mm) ** 2)
    return math.ceil(math.pi * math.sqrt(lack / BARE_MAX))


def dot_path_mm(diameter_mm: float, tip_mm: float, step_mm: float, tolerance_mm: float) -> Floats:
    """The pen's path (n, 2) for a dot of ``diameter_mm`` around the origin, in mm.

    A full ring at diameter/2 - tip/2 that begins and ends on the x axis, then an Archimedean spiral inwards that leaves
    it along its tangent, ``step_mm`` a turn, until the tip covers the centre from every side. Every vertex lies on ring
    or spiral: what is driven is a curve through the vertices, which strays from the chords by no more than
    ``tolerance_mm``. The ring has more chords than the spiral, so that the chords alone cover 99.9 % of the dot. All
    turns share the spiral's angles, so that its chords are parallel and never farther apart than ``step_mm``.

    ``step_mm`` must be at most ``tip_mm`` (wider leaves bare rings): ValueError otherwise.
    """
    if not 0 < step_mm <= tip_mm:
        raise ValueError(f"expected 0 < step_mm <= tip_mm, got {step_mm} and {tip_mm}")
    ring_mm = max(diameter_mm / 2.0 - tip_mm / 2.0, TOUCH_RADIUS_MM)
    # Once a whole turn lies within half a tip of the centre, nothing in it is bare. With a pitch beyond half a
    # tip there is no such turn but the one that ends in the centre itself. A small ring reaches the centre by itself.
    end_mm = max(tip_mm / 2.0 - step_mm, 0.0) if ring_mm > tip_mm / 2.0 else ring_mm
    return _ring_and_spiral(ring_mm, end_mm, tip_mm, step_mm, tolerance_mm)


def wider_dot_path_mm(
    painted_mm: float, diameter_mm: float, tip_mm: float, step_mm: float, tolerance_mm: float
) -> Floats:
    """The pen's path (n, 2) that makes a dot of ``painted_mm`` one of ``diameter_mm``, around the origin, in mm.

    The ring of the wider dot, then a spiral inwards as in ``dot_path_mm``, only until nothing is bare between it and
    what is painted. An equal dot is painted over along its edge. Raises ValueError for a narrower one: paint does not
    come off.
    """
    if not 0 < step_mm <= tip_mm:
        raise ValueError(f"expected 0 < step_mm <= tip_mm, got {step_mm} and {tip_mm}")
    if not diameter_mm >= painted_mm:
        raise ValueError(f"expected a dot of at least {painted_mm} mm, which is painted, got {diameter_mm}")
    ring_mm = max(diameter_mm / 2.0 - tip_mm / 2.0, TOUCH_RADIUS_MM)
    whole_mm = max(tip_mm / 2.0 - step_mm, 0.0) if ring_mm > tip_mm / 2.0 else ring_mm
    # The last whole turn begins a pitch farther out; from there on its inner edge lies inside what is painted.
    enough_mm = painted_mm / 2.0 + tip_mm / 2.0 - step_mm
    return _ring_and_spiral(ring_mm, max(whole_mm, min(enough_mm, ring_mm)), tip_mm, step_mm, tolerance_mm)


def _ring_and_spiral(
    ring_mm: float, end_mm: float, tip_mm: float, step_mm: float, tolerance_mm: float
) -> Floats:
    sides = _sides(ring_mm, tolerance_mm)
    wanted = _sides_for_edge(ring_mm, tip_mm)
    # The spiral's chords end where every so-manieth of the ring does.
    ratio = math.ceil(wanted / sides)
    sides = max(sides, math.ceil(wanted / ratio))
    turn = np.arange(ratio * sides + 1) / (ratio * sides)
    radius = np.full(ratio * sides + 1, ring_mm)
    if end_mm < ring_mm:
        # The radius falls with the square of the turn over EASED, then evenly: half of EASED more in all.
        steps = (ring_mm - end_mm) / step_mm
        turns = steps + EASED / 2.0 if steps > EASED / 2.0 else math.sqrt(2.0 * EASED * steps)
        inwards = np.append(np.arange(1, math.ceil(turns * sides)) / sides, turns)
        eased = np.where(inwards < EASED, inwards**2 / (2.0 * EASED), inwards - EASED / 2.0)
        turn = np.concatenate([turn, 1.0 + inwards])
        radius = np.concatenate([radius, ring_mm - step_mm * eased])
        radius[-1] = end_mm
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


def dot_strokes(
    centre_mm: Floats,
    diameter_mm: Floats,
    element: npt.NDArray[np.int32],
    element_ids: tuple[str, ...],
    tip_mm: float | Floats,
    step_share: float,
    tolerance_mm: float,
    painted_mm: Floats | None = None,
) -> StrokeSet:
    """Dots (D,) as strokes, in their order. Dots of one diameter and one tip are the same path but for its place.

    tip_mm: width of the tip, one for all or (D,) as it is when each dot is begun (``controller.strokes.wear``);
    few different widths make few different paths. step_share: the spiral's pitch in tips, above 0 and at most 1.
    painted_mm: (D,) where the dots are there already and are only made wider; ValueError where one is to shrink.
    """
    count = len(diameter_mm)
    kinds = np.zeros((count, 3))
    kinds[:, 0] = np.round(diameter_mm, SAME_MM)
    kinds[:, 1] = np.broadcast_to(tip_mm, count)
    kinds[:, 2] = -1.0 if painted_mm is None else np.round(painted_mm, SAME_MM)
    sorts, which = np.unique(kinds, axis=0, return_inverse=True)
    templates = [
        dot_path_mm(size, tip, step_share * tip, tolerance_mm)
        if painted < 0.0
        else wider_dot_path_mm(painted, size, tip, step_share * tip, tolerance_mm)
        for size, tip, painted in sorts.tolist()
    ]
    points, counts = _placed(templates, which.reshape(-1), centre_mm)
    return StrokeSet(
        points,
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        np.full(count, StrokeKind.DOT, dtype=np.uint8),
        np.asarray(element, dtype=np.int32),
        element_ids,
    )


def dot_widths_mm(
    diameter_mm: Floats,
    curve: WearCurve,
    step_share: float,
    tolerance_mm: float,
    begin_m: float = 0.0,
    quantum_mm: float = QUANTUM_MM,
) -> Floats:
    """Width (D,) of a wearing tip as it begins each dot, painted in this order from ``begin_m`` metres on."""
    sizes, which = np.unique(np.round(diameter_mm, SAME_MM), return_inverse=True)

    def length_mm(tip: float) -> Floats:
        paths = [dot_path_mm(size, tip, step_share * tip, tolerance_mm) for size in sizes.tolist()]
        return np.array([np.hypot(*np.diff(path, axis=0).T).sum() for path in paths])[which]

    return widths_in_turn_mm(curve, length_mm, len(diameter_mm), begin_m, quantum_mm)


def build_strokes(shapes: InkShapes, ink: Ink) -> StrokeSet:
    """All strokes of one ink in the drawing's order: open outlines LINE, closed ones LOOP, dots DOT. Canvas mm."""
    outlines = StrokeSet(
        shapes.points_mm,
        shapes.offsets,
        np.where(shapes.closed, StrokeKind.LOOP, StrokeKind.LINE).astype(np.uint8),
        shapes.outline_element,
        shapes.element_ids,
    )
    dots = dot_strokes(
        shapes.dot_centre_mm,
        shapes.dot_diameter_mm,
        shapes.dot_element,
        shapes.element_ids,
        ink.tip_mm,
        ink.step_mm / ink.tip_mm,
        shapes.tolerance_mm,
    )
    strokes = join_strokes([outlines, dots])
    return strokes.take(np.argsort(strokes.element, kind="stable").astype(np.int64))


def _placed(
    templates: list[Floats], which: npt.NDArray[np.int64], centre_mm: Floats
) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Vertices of all dots one after another, and how many each has."""
    lengths = np.array([len(template) for template in templates], dtype=np.int64)
    if not len(templates):
        return np.empty((0, 2)), lengths
    begin = np.cumsum(lengths) - lengths
    counts = lengths[which]
    offsets = np.cumsum(counts) - counts
    row = np.arange(counts.sum()) - np.repeat(offsets - begin[which], counts)
    points: Floats = np.concatenate(templates)[row] + np.repeat(centre_mm, counts, axis=0)
    return points, counts
