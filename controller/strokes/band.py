"""Lines that are wider than the tip, from parallel strokes with crisp edges.

Owns the area that a line of a given width covers, with the caps and joins of the SVG standard, and how many strokes
fit side by side. Knows no inks, no order, no time, no machine.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from controller.artwork.model import BEVEL, BUTT, MITER, ROUND, SQUARE
from controller.strokes.flat import OVERLAP, Tip, flat_paths
from controller.strokes.middle import quad_segments, trimmed
from controller.strokes.paths import Left, Paths, make_paths

Floats = npt.NDArray[np.float64]
Geometry = Any
"""A shapely geometry: the library brings no types."""

_CAPS = {BUTT: "flat", ROUND: "round", SQUARE: "square"}


def rows(width_mm: float, tip_mm: float, overlap: float = OVERLAP) -> tuple[int, float]:
    """How many strokes lie side by side in a band, and how far apart: as far as ``overlap`` allows, or a little less.

    The outer two paint the band's edges: their middles are ``width_mm - tip_mm`` apart.
    """
    between = width_mm - tip_mm
    if between <= 0.0:
        return 1, 0.0
    gaps = max(1, math.ceil(between / ((1.0 - overlap) * tip_mm) - 1e-9))
    return gaps + 1, between / gaps


def band_area(
    points: Floats,
    width_mm: float,
    cap: int = BUTT,
    join: int = MITER,
    miter: float = 4.0,
    tolerance_mm: float = 0.02,
) -> Geometry:
    """The area that a line (n, 2) of ``width_mm`` covers, a shapely geometry in canvas mm.

    A line that ends on the point where it starts is closed and has no caps. cap, join: as in
    ``controller.artwork.model``. miter: longest mitre in widths, as in SVG 2 section 13.5.6: a corner whose mitre,
    1 / sin(half its angle), is longer gets a bevel.
    """
    closed = len(points) > 3 and bool((points[0] == points[-1]).all())
    line = shapely.LinearRing(points) if closed else shapely.LineString(points)
    area = shapely.buffer(
        line,
        width_mm / 2.0,
        quad_segs=quad_segments(width_mm / 2.0, tolerance_mm / 4.0),
        cap_style=_CAPS[cap],
        join_style="round" if join == ROUND else "bevel",
    )
    if join != MITER:
        return area
    return shapely.unary_union([area, *_mitres(points, closed, width_mm / 2.0, miter, tolerance_mm)])


def _mitres(points: Floats, closed: bool, half: float, miter: float, tolerance_mm: float) -> list[Geometry]:
    """What mitres add to bevels: a kite from each corner, where its mitre is allowed and more than rounding."""
    legs = np.diff(points, axis=0)
    legs /= np.hypot(*legs.T)[:, None]
    before, after, corner = legs[:-1], legs[1:], points[1:-1]
    if closed:
        before = np.concatenate([before, legs[-1:]])
        after = np.concatenate([after, legs[:1]])
        corner = np.concatenate([corner, points[:1]])
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    # cos(turn / 2): a mitre is 1 / cos(turn / 2) = 1 / sin(angle / 2) widths long, a bevel stands cos(turn / 2) off.
    cos = np.sqrt(np.maximum((1.0 + (before * after).sum(axis=1)) / 2.0, 0.0))
    cos_safe = np.maximum(cos, 1e-9)
    wanted = (1.0 / cos_safe <= miter) & (half * (1.0 / cos_safe - cos) > tolerance_mm / 4.0)
    before, after, corner = before[wanted], after[wanted], corner[wanted]
    side = -np.sign(cross[wanted])[:, None] * half
    first = side * np.column_stack([-before[:, 1], before[:, 0]])
    second = side * np.column_stack([-after[:, 1], after[:, 0]])
    point = (first + second) / (2.0 * cos[wanted] ** 2)[:, None]
    kites = shapely.polygons(np.stack([corner, corner + first, corner + point, corner + second], axis=1))
    return list(kites)


def band_paths(
    points: Floats,
    width_mm: float,
    cap: int,
    join: int,
    miter: float,
    tip_mm: float,
    overlap: float = OVERLAP,
    tolerance_mm: float = 0.02,
) -> Paths:
    """Strokes that build a line (n, 2) of ``width_mm``, see ``band_area``.

    Narrower than the tip: one stroke along the line, reported in ``left``. As wide as the tip: one stroke. Wider:
    loops along both edges at once, the outermost crisp, evenly spaced, and one stroke in the middle if their number
    is odd. Open ends of a single stroke are shortened so that the round tip ends where the line's cap does.
    """
    if width_mm <= tip_mm + tolerance_mm:
        return _single(points, width_mm, cap, tip_mm, tolerance_mm)
    return band_fill(
        band_area(points, width_mm, cap, join, miter, tolerance_mm),
        [points],
        width_mm,
        tip_mm,
        overlap,
        tolerance_mm,
    )


def band_fill(
    area: Geometry,
    middles: list[Floats],
    width_mm: float,
    tip_mm: Tip,
    overlap: float = OVERLAP,
    tolerance_mm: float = 0.02,
) -> Paths:
    """Strokes for what is to be seen of bands of ``width_mm`` (above the tip's) along ``middles``: ``area``.

    The strokes' distance is chosen so that they share the width evenly. Where bands are cut off, the cut is an edge
    like any other.
    """
    tip = tip_mm(0.0) if callable(tip_mm) else tip_mm
    count, pitch = rows(width_mm, tip, overlap)
    return flat_paths(
        area,
        tip_mm,
        1.0 - pitch / tip if count > 1 else overlap,
        tolerance_mm=tolerance_mm,
        middle=shapely.MultiLineString(middles) if count % 2 else None,
    )


def _single(points: Floats, width_mm: float, cap: int, tip_mm: float, tolerance_mm: float) -> Paths:
    beyond = 0.0 if cap == BUTT else width_mm / 2.0
    line = trimmed(points, max(0.0, tip_mm / 2.0 - beyond))
    length = float(np.hypot(*np.diff(points, axis=0).T).sum())
    left: tuple[Left, ...] = ()
    if width_mm < tip_mm - tolerance_mm:
        middle = shapely.line_interpolate_point(shapely.LineString(points), length / 2.0)
        x, y = (float(value) for value in shapely.get_coordinates(middle)[0])
        left = (Left("line", (x, y), width_mm, length, True),)
    if len(line) < 2:  # no longer than the tip: the least stroke, along the line
        ends = points[[0, -1]] - points[[0, -1]].mean(axis=0)
        line = line + ends * min(0.5, 0.1 * tip_mm / max(length, 1e-9))
        if (line[0] == line[-1]).all():
            line = line[:1] + np.array([[-0.05, 0.0], [0.05, 0.0]]) * tip_mm
    return make_paths([line], left)


__all__ = ["BEVEL", "BUTT", "MITER", "ROUND", "SQUARE", "band_area", "band_fill", "band_paths", "rows"]
