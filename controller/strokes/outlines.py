"""What a drawing's outlines cover: fills by their rule, strokes by width, cap, join and dashes, clips.

Owns the step from outlines to areas (SVG 2, chapters 13.4 and 13.5; CSS Masking 1, chapter 5). Knows no inks and no
pens. Overlays are snapped to a grid of GRID_MM, so that edges drawn twice are one edge and no hair's width of canvas
lies between them.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from controller.artwork.model import BEVEL, BUTT, EVENODD, ROUND, SQUARE, Drawing

Points = npt.NDArray[np.float64]

GRID_MM: Final = 1e-4
SPECK_MM2: Final = 1e-4
"""Smaller pieces are what rounding leaves over."""
_CAPS: Final = {BUTT: "flat", ROUND: "round", SQUARE: "square"}
_WINDING_AT_ONCE: Final = 4_000_000


def polygons(geometry: BaseGeometry) -> MultiPolygon:
    """The polygons in a geometry, without specks; perhaps none."""
    parts = shapely.get_parts(geometry)
    if len(parts) and (shapely.get_type_id(parts) >= 4).any():
        parts = shapely.get_parts(parts)  # collections of collections
    parts = parts[(shapely.get_type_id(parts) == 3) & (shapely.area(parts) > SPECK_MM2)]
    return MultiPolygon(list(parts))


def union(geometries: list[BaseGeometry] | npt.NDArray[np.object_]) -> MultiPolygon:
    """All areas together, snapped to the grid."""
    some = [one for one in geometries if not one.is_empty]
    if len(some) < 2:
        return polygons(some[0]) if some else MultiPolygon()
    together = shapely.union_all(np.array(some, dtype=object))
    return polygons(shapely.set_precision(together, GRID_MM))


def without(area: BaseGeometry, cover: BaseGeometry) -> MultiPolygon:
    """What of ``area`` lies outside ``cover``."""
    return polygons(shapely.difference(area, cover, grid_size=GRID_MM))


def within(area: BaseGeometry, cover: BaseGeometry) -> MultiPolygon:
    """What of ``area`` lies inside ``cover``."""
    return polygons(shapely.intersection(area, cover, grid_size=GRID_MM))


def subdivided(area: BaseGeometry, most: int = 200) -> npt.NDArray[np.object_]:
    """The same area as polygons of about ``most`` corners, so that looking at one place costs one place."""
    done: list[BaseGeometry] = []
    todo = list(polygons(area).geoms)
    while todo:
        part = todo.pop()
        if shapely.get_num_coordinates(part) <= most:
            done.append(part)
            continue
        x0, y0, x1, y1 = part.bounds
        x, y = (x0 + x1) / 2.0, (y0 + y1) / 2.0
        wide = x1 - x0 > y1 - y0
        halves = (
            shapely.box(x0, y0, x if wide else x1, y1 if wide else y),
            shapely.box(x if wide else x0, y0 if wide else y, x1, y1),
        )
        for half in shapely.intersection(part, np.array(halves, dtype=object)):
            todo += list(polygons(half).geoms)
    found = np.empty(len(done), dtype=object)
    found[:] = done
    return found


def quarter_segments(radius_mm: float, tolerance_mm: float) -> int:
    """Chords for a quarter of a circle that stray at most ``tolerance_mm`` from it; at least 4."""
    if radius_mm <= tolerance_mm:
        return 4
    return max(4, math.ceil(math.pi / 4.0 / math.acos(1.0 - tolerance_mm / radius_mm)))


def discs(centres_mm: Points, diameters_mm: Points, tolerance_mm: float) -> npt.NDArray[np.object_]:
    """One polygon a dot, (n,), vertices on the circle."""
    found = np.empty(len(diameters_mm), dtype=object)
    for diameter in np.unique(diameters_mm):
        some = diameters_mm == diameter
        segments = quarter_segments(diameter / 2.0, tolerance_mm)
        found[some] = shapely.buffer(shapely.points(centres_mm[some]), diameter / 2.0, quad_segs=segments)
    return found


def filled(outlines: list[Points], rule: int) -> MultiPolygon:
    """The inside of outlines taken together, each closed, by SVG's fill rule ``rule``."""
    rings = [one for one in outlines if len(one) >= 3]
    if len(rings) == 1:
        ring = rings[0] if np.array_equal(rings[0][0], rings[0][-1]) else np.vstack([rings[0], rings[0][:1]])
        if len(ring) < 4:
            return MultiPolygon()
        plain = Polygon(ring)
        if plain.is_valid:
            return polygons(plain)
    if not rings:
        return MultiPolygon()
    closed = [np.vstack([one, one[:1]]) for one in rings]
    lines = shapely.union_all([shapely.linestrings(one) for one in closed])
    faces = shapely.get_parts(shapely.polygonize([lines]))
    if not len(faces):
        return MultiPolygon()
    inside = shapely.get_coordinates(shapely.point_on_surface(faces))
    winding = _winding(inside, closed)
    kept = winding % 2 != 0 if rule == EVENODD else winding != 0
    return union(faces[kept])


def _winding(points: Points, rings: list[Points]) -> npt.NDArray[np.int64]:
    """How often the rings go around each point, counted along a ray towards positive x."""
    start = np.concatenate([ring[:-1] for ring in rings])
    end = np.concatenate([ring[1:] for ring in rings])
    winding = np.zeros(len(points), dtype=np.int64)
    step = max(1, _WINDING_AT_ONCE // len(start))
    for low in range(0, len(points), step):
        x, y = points[low : low + step, :1], points[low : low + step, 1:]
        left = (end[:, 0] - start[:, 0]) * (y - start[:, 1]) - (x - start[:, 0]) * (end[:, 1] - start[:, 1])
        up = (start[:, 1] <= y) & (end[:, 1] > y) & (left > 0)
        down = (start[:, 1] > y) & (end[:, 1] <= y) & (left < 0)
        winding[low : low + step] = up.sum(axis=1) - down.sum(axis=1)
    return winding


def dashed(outline: Points, closed: bool, dash: tuple[float, ...]) -> list[tuple[Points, bool]]:
    """The dashes of one outline, (points, closed), by the offset and the lengths in ``dash``.

    A dash that runs over the start of a closed outline is one dash.
    """
    lengths = np.asarray(dash[1:], dtype=np.float64)
    period = float(lengths.sum())
    steps = np.hypot(*np.diff(outline, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    whole = float(along[-1])
    if period <= 0.0 or whole <= 0.0:
        return [(outline, closed)]
    edges = np.concatenate([[0.0], np.cumsum(lengths)])
    first = math.floor(dash[0] / period)
    count = math.ceil((dash[0] + whole) / period) - first
    starts = (first + np.arange(count)[:, None]) * period + edges[:-1:2] - dash[0]
    ends = (first + np.arange(count)[:, None]) * period + edges[1::2] - dash[0]
    low, high = np.maximum(starts.ravel(), 0.0), np.minimum(ends.ravel(), whole)
    there = high > low
    low, high = low[there], high[there]
    pieces = [_stretch(outline, along, one, other) for one, other in zip(low, high, strict=True)]
    if len(pieces) == 1 and low[0] == 0.0 and high[0] == whole:
        return [(outline, closed)]
    if closed and len(pieces) > 1 and low[0] == 0.0 and high[-1] == whole:
        pieces = [np.vstack([pieces[-1], pieces[0][1:]]), *pieces[1:-1]]
    return [(piece, False) for piece in pieces]


def _stretch(outline: Points, along: Points, low: float, high: float) -> Points:
    between = (along > low) & (along < high)
    ends = np.column_stack([np.interp([low, high], along, outline[:, axis]) for axis in (0, 1)])
    return np.vstack([ends[:1], outline[between], ends[1:]])


def stroked(
    outlines: list[tuple[Points, bool]],
    width_mm: float,
    cap: int,
    join: int,
    miter_limit: float,
    tolerance_mm: float,
) -> MultiPolygon:
    """What a stroke of ``width_mm`` along outlines (points, closed) covers, with SVG's caps and joins."""
    half = width_mm / 2.0
    segments = quarter_segments(half, tolerance_mm)
    parts: list[BaseGeometry] = []
    for points, closed in outlines:
        line = shapely.linearrings(points) if closed and len(points) > 3 else shapely.linestrings(points)
        parts.append(
            shapely.buffer(
                line,
                half,
                quad_segs=segments,
                cap_style=_CAPS[cap],
                join_style="round" if join == ROUND else "bevel",
            )
        )
        if join not in (ROUND, BEVEL):
            parts += _miters(points, closed, half, miter_limit, tolerance_mm)
    return union(parts)


def _miters(
    points: Points, closed: bool, half_mm: float, limit: float, tolerance_mm: float
) -> list[BaseGeometry]:
    """The corners' tips that a miter join adds to a bevel, where the miter limit allows them (SVG 2, 13.5.5)."""
    corners = points[:-1] if closed else points
    if closed:
        before, here, after = np.roll(corners, 1, axis=0), corners, np.roll(corners, -1, axis=0)
    else:
        before, here, after = corners[:-2], corners[1:-1], corners[2:]
    if not len(here):
        return []
    into, out = here - before, after - here
    into /= np.hypot(*into.T)[:, None]
    out /= np.hypot(*out.T)[:, None]
    turn = np.arctan2(into[:, 0] * out[:, 1] - into[:, 1] * out[:, 0], (into * out).sum(axis=1))
    cosine = np.cos(turn / 2.0)
    # Miter length over stroke width is 1 / cos(half the turn).
    sharp = (cosine > 1e-6) & (limit * cosine + 1e-12 >= 1.0)
    some = sharp & (half_mm * (1.0 - cosine * cosine) > 0.25 * tolerance_mm)
    side = -np.sign(turn[some])[:, None]
    one = np.column_stack([-into[some, 1], into[some, 0]]) * side * half_mm
    other = np.column_stack([-out[some, 1], out[some, 0]]) * side * half_mm
    middle = (one + other) / (2.0 * cosine[some, None] ** 2)
    corner = here[some]
    quads = np.stack([corner, corner + one, corner + middle, corner + other, corner], axis=1)
    return list(shapely.polygons(quads))


class ClipAreas:
    """The clips of a drawing as areas, each worked out once."""

    def __init__(self, drawing: Drawing) -> None:
        self._clips = drawing.clips
        self._known: dict[int, MultiPolygon] = {}

    def __getitem__(self, row: int) -> MultiPolygon:
        """What clip ``row`` lets be seen."""
        if row not in self._known:
            clip = self._clips[row]
            parts: list[BaseGeometry] = []
            for path in clip.paths:
                outlines = [
                    path.points_mm[low:high]
                    for low, high in zip(path.offsets[:-1], path.offsets[1:], strict=True)
                ]
                area = filled(outlines, path.rule)
                parts.append(area if path.clip < 0 else within(area, self[path.clip]))
            whole = union(parts)
            self._known[row] = whole if clip.within < 0 else within(whole, self[clip.within])
        return self._known[row]
