"""What a drawing shows, worked out with shapely: areas of fills by their rule, of clips, of strokes.

A judge for tests. Fills are pieced together from the faces between all outlines and each face's winding number, which
is the definition of the rules (SVG 2, 13.4.2) and shares nothing with the reader.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import polygonize, unary_union

from controller.artwork.model import EVENODD, Drawing


def winding(ring: np.ndarray, x: float, y: float) -> int:
    """How often a closed ring goes around a point that is not on it."""
    turn = np.diff(np.arctan2(ring[:, 1] - y, ring[:, 0] - x))
    return round(((turn + np.pi) % (2 * np.pi) - np.pi).sum() / (2 * np.pi))


def inside_of(rings: list[np.ndarray], rule: int) -> BaseGeometry:
    """The inside of outlines by a fill rule; open ones count as closed."""
    closed = [np.vstack([ring, ring[:1]]) for ring in rings if len(ring) > 2]
    if not closed:
        return Polygon()
    faces = []
    for face in polygonize(unary_union([LineString(ring) for ring in closed])):
        point = face.representative_point()
        turns = sum(winding(ring, point.x, point.y) for ring in closed)
        if turns % 2 if rule == EVENODD else turns:
            faces.append(face)
    return unary_union(faces)


def clip_area(drawing: Drawing, row: int) -> BaseGeometry:
    """What a clip lets through."""
    clip = drawing.clips[row]
    parts = []
    for path in clip.paths:
        rings = np.split(path.points_mm, path.offsets[1:-1]) if len(path.points_mm) else []
        area = inside_of(rings, path.rule)
        parts.append(area if path.clip < 0 else area & clip_area(drawing, path.clip))
    area = unary_union(parts) if parts else Polygon()
    return area if clip.within < 0 else area & clip_area(drawing, clip.within)


def seen_fill(drawing: Drawing, row: int) -> BaseGeometry:
    """What is seen of one shape's flat fill, its clip worked in."""
    shape, first = drawing.shapes[row], drawing.first_outline()
    rings = [drawing.outline_mm(index) for index in range(first[row], first[row + 1])]
    if rings:
        area = inside_of(rings, int(shape["rule"]))
    else:
        area = Point(shape["dot_x"], shape["dot_y"]).buffer(shape["dot_mm"] / 2, quad_segs=64)
    return area if shape["clip"] < 0 else area & clip_area(drawing, int(shape["clip"]))


def box(x0: float, y0: float, x1: float, y1: float) -> BaseGeometry:
    """A rectangle."""
    return shapely.box(x0, y0, x1, y1)
