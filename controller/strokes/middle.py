"""The middle line of a thin area, and the fewest lines that paint it.

Owns the Voronoi diagram of an area's edge and the longest ways in it. Knows no inks, no order, no machine.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import scipy.sparse as sparse
import shapely
from scipy.sparse.csgraph import connected_components, dijkstra, minimum_spanning_tree
from scipy.spatial import Voronoi

Floats = npt.NDArray[np.float64]
Geometry = Any
"""A shapely geometry: the library brings no types."""

SAMPLES_MAX: Final = 6000  # points on an edge; more only refine what a tolerance of the tip's size hides
ROUNDS: Final = 6  # lines for one piece, at most


def polygons(area: Geometry) -> list[Geometry]:
    """The polygons in ``area``, whatever kind of collection it is; without empty ones, lines and points."""
    parts = shapely.get_parts(area)
    found: list[Geometry] = [
        one
        for part in parts
        for one in (polygons(part) if part.geom_type in ("MultiPolygon", "GeometryCollection") else [part])
        if one.geom_type == "Polygon" and not one.is_empty
    ]
    return found


def quad_segments(radius_mm: float, tolerance_mm: float) -> int:
    """Chords for a quarter circle so that its sagitta is at most the tolerance: at least 8, so 11 degrees a turn."""
    ratio = min(tolerance_mm / max(radius_mm, 1e-9), 1.0)
    return max(8, int(np.ceil(np.pi / 4.0 / np.arccos(1.0 - ratio))) if ratio < 1.0 else 8)


def middle_lines(piece: Geometry, half_mm: float, smooth_mm: float) -> list[Floats]:
    """The longest way along the middle of every part of ``piece``: lines (n, 2), closed ones where it runs round.

    ``half_mm``: about half the tip's width. The diagram is taken of the piece widened by it: its middle is the same
    (parallel edges have the same middle), without the spurs of every small corner.
    """
    fat = shapely.buffer(piece, half_mm, quad_segs=12)
    step = max(half_mm / 10.0, shapely.length(fat) / SAMPLES_MAX)
    edge = shapely.segmentize(shapely.boundary(fat), step)
    points = np.unique(np.round(shapely.get_coordinates(edge), 9), axis=0)
    diagram = Voronoi(points)
    ridges = np.asarray(diagram.ridge_vertices, dtype=np.int64)
    inside = shapely.contains_xy(shapely.buffer(piece, 1e-6 + 0.02 * half_mm), diagram.vertices)
    ridges = ridges[(ridges >= 0).all(axis=1)]
    ridges = ridges[inside[ridges].all(axis=1)]
    if not len(ridges):
        return []
    used, ends = np.unique(ridges, return_inverse=True)
    ends = ends.reshape(-1, 2)
    nodes = diagram.vertices[used]
    weight = np.maximum(np.hypot(*(nodes[ends[:, 0]] - nodes[ends[:, 1]]).T), 1e-12)
    graph = sparse.coo_matrix((weight, (ends[:, 0], ends[:, 1])), shape=(len(nodes), len(nodes))).tocsr()
    tree = minimum_spanning_tree(graph)
    _, part = connected_components(tree, directed=False)
    found = []
    for one in range(part.max() + 1):
        first = int(np.flatnonzero(part == one)[0])
        way = _longest(tree, first)
        if len(way) < 2:
            continue
        line = nodes[way]
        if graph[way[0], way[-1]] or graph[way[-1], way[0]]:
            line = np.vstack([line, line[:1]])
        found.append(shapely.get_coordinates(shapely.simplify(shapely.LineString(line), smooth_mm)))
    return found


def _longest(tree: Any, first: int) -> npt.NDArray[np.int64]:
    """The nodes of the longest way in a tree's part that holds ``first``: from the farthest to its farthest."""
    far = dijkstra(tree, directed=False, indices=[first])[0]
    begin = int(np.argmax(np.where(np.isfinite(far), far, -1.0)))
    fars, befores = dijkstra(tree, directed=False, indices=[begin], return_predecessors=True)
    far, before = fars[0], befores[0]
    node = int(np.argmax(np.where(np.isfinite(far), far, -1.0)))
    way = [node]
    while node != begin:
        node = int(before[node])
        way.append(node)
    return np.array(way, dtype=np.int64)


def covering_lines(piece: Geometry, half_mm: float, tolerance_mm: float) -> list[Floats]:
    """Lines inside ``piece`` that a tip of ``2 half_mm`` covers it with, where it is nowhere wider than the tip.

    The longest first. A piece that one disc covers gives one point (1, 2). Slivers thinner than the tolerance count
    for nothing.
    """
    found: list[Floats] = []
    todo = polygons(piece)
    reach = half_mm - tolerance_mm / 2.0
    for _ in range(ROUNDS):
        remains: list[Geometry] = []
        for part in todo:
            circle = shapely.minimum_bounding_radius(part)
            if circle <= reach:
                found.append(shapely.get_coordinates(shapely.centroid(shapely.minimum_bounding_circle(part))))
                continue
            lines = middle_lines(part, half_mm, min(0.05 * half_mm, tolerance_mm))
            if not lines:  # thinner than the diagram sees: its own edge will do
                lines = [shapely.get_coordinates(shapely.get_exterior_ring(part))[:-1]]
            lines = [trimmed(line, 0.7 * half_mm) for line in lines]
            found += lines
            swept = shapely.buffer(
                shapely.MultiLineString([line for line in lines if len(line) > 1])
                if all(len(line) > 1 for line in lines)
                else shapely.MultiPoint(np.concatenate(lines)),
                half_mm,
                quad_segs=16,
            )
            remains += thick(shapely.difference(part, swept), tolerance_mm)
        if not remains:
            break
        todo = remains
    return sorted(found, key=lambda line: -float(np.hypot(*np.diff(line, axis=0).T).sum()))


def trimmed(line: Floats, by_mm: float, *, begin: bool = True, end: bool = True) -> Floats:
    """``line`` shortened by ``by_mm`` at its open ends; its middle point (1, 2) where nothing would be left."""
    if len(line) < 2 or (line[0] == line[-1]).all():
        return line
    whole = shapely.LineString(line)
    low = by_mm if begin else 0.0
    high = whole.length - (by_mm if end else 0.0)
    if high - low <= 1e-6:
        point: Floats = shapely.get_coordinates(shapely.line_interpolate_point(whole, (low + high) / 2.0))
        return point
    return along(line, low, high)


def along(line: Floats, low_mm: float, high_mm: float) -> Floats:
    """The part of a line (n, 2) between two lengths along it."""
    lengths = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    inner = (lengths > low_mm + 1e-9) & (lengths < high_mm - 1e-9)
    ends = np.column_stack([np.interp([low_mm, high_mm], lengths, line[:, axis]) for axis in (0, 1)])
    return np.concatenate([ends[:1], line[inner], ends[1:]])


def thick(area: Geometry, least_mm: float) -> list[Geometry]:
    """The polygons of ``area`` that are somewhere thicker than ``least_mm``."""
    parts = np.array(polygons(area), dtype=object)
    if not len(parts):
        return []
    stays = ~shapely.is_empty(shapely.buffer(parts, -least_mm / 2.0, quad_segs=4))
    return list(parts[stays])
