"""Parts of strokes that are painted again: cut out by the way along them, or by a region of the canvas.

Owns the cutting. Knows no time, no machine and no reason. Frame: canvas mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from controller.artwork.model import Drawing
from controller.strokes.outlines import discs, filled
from controller.strokes.paths import join_strokes
from controller.strokes.strokeset import StrokeKind, StrokeSet

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Geometry = Any
"""A shapely geometry: the library brings no types."""

STEP_MM: Final = 1.0
"""Strokes are looked at so often along their way; a region's edge is met to half of it."""
SAMPLES: Final = 1 << 20
"""So many places are looked at at a time."""
SHORT_MM: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Parts:
    """Parts of strokes: stroke (n,), rows of a StrokeSet, never falling; begin_mm, end_mm (n,) along each."""

    stroke: Ints
    begin_mm: Floats
    end_mm: Floats

    def __len__(self) -> int:
        return len(self.stroke)

    @property
    def length_mm(self) -> float:
        """Of all parts together."""
        return float((self.end_mm - self.begin_mm).sum())


def no_parts() -> Parts:
    """None."""
    return Parts(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))


def whole_parts(strokes: StrokeSet, chosen: Ints) -> Parts:
    """The strokes ``chosen`` from end to end."""
    order = np.unique(chosen)
    return Parts(order, np.zeros(len(order)), strokes.lengths_mm()[order])


def cut_out(strokes: StrokeSet, parts: Parts) -> StrokeSet:
    """The parts as strokes of their own, in their order. A dot is always taken whole, once; a cut loop is a line."""
    lengths = strokes.lengths_mm()
    dots = strokes.kind[parts.stroke] == StrokeKind.DOT
    first_of = np.ones(len(parts), dtype=np.bool_)
    first_of[1:] = parts.stroke[1:] != parts.stroke[:-1]
    whole = dots | ((parts.begin_mm <= 0.0) & (parts.end_mm >= lengths[parts.stroke]))
    kept = ~dots | first_of
    rows = np.flatnonzero(kept & (whole | (parts.end_mm - parts.begin_mm > SHORT_MM)))
    # Runs of whole strokes are taken at once; what is cut is little.
    edges = np.flatnonzero(~whole[rows])
    pieces: list[StrokeSet] = [strokes.take(np.empty(0, dtype=np.int64))]
    done = 0
    for edge in [*edges.tolist(), len(rows)]:
        if edge > done:
            pieces.append(strokes.take(parts.stroke[rows[done:edge]]))
        if edge < len(rows):
            row = rows[edge]
            number = int(parts.stroke[row])
            pieces.append(_piece(strokes, number, float(parts.begin_mm[row]), float(parts.end_mm[row])))
        done = edge + 1
    return join_strokes(pieces)


def _piece(strokes: StrokeSet, number: int, begin_mm: float, end_mm: float) -> StrokeSet:
    points = strokes.stroke_mm(number)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    begin_mm, end_mm = max(begin_mm, 0.0), min(end_mm, float(along[-1]))
    inner = (along > begin_mm + SHORT_MM) & (along < end_mm - SHORT_MM)
    ends = np.column_stack([np.interp([begin_mm, end_mm], along, points[:, axis]) for axis in (0, 1)])
    cut = np.concatenate([ends[:1], points[inner], ends[1:]])
    return StrokeSet(
        cut,
        np.array([0, len(cut)], dtype=np.int64),
        np.array([StrokeKind.LINE], dtype=np.uint8),
        strokes.element[number : number + 1],
        strokes.element_ids,
    )


def within(strokes: StrokeSet, region: Geometry, parts: Parts | None = None) -> Parts:
    """What of ``parts`` (of all strokes where None) runs inside ``region``, to half of STEP_MM along the way.

    A dot that has any of its way inside is taken whole: half a dot painted twice shows.
    """
    asked = whole_parts(strokes, np.arange(len(strokes))) if parts is None else parts
    asked = _near(strokes, region, asked)
    if not len(asked):
        return asked
    shapely.prepare(region)
    counts = np.maximum(np.ceil((asked.end_mm - asked.begin_mm) / STEP_MM), 1.0).astype(np.int64)
    found: list[Parts] = []
    first = 0
    while first < len(asked):
        last = first + max(1, int(np.searchsorted(np.cumsum(counts[first:]), SAMPLES, side="right")))
        some = Parts(asked.stroke[first:last], asked.begin_mm[first:last], asked.end_mm[first:last])
        found.append(_runs(strokes, region, some, counts[first:last]))
        first = last
    return Parts(
        np.concatenate([one.stroke for one in found]),
        np.concatenate([one.begin_mm for one in found]),
        np.concatenate([one.end_mm for one in found]),
    )


def _near(strokes: StrokeSet, region: Geometry, parts: Parts) -> Parts:
    if region.is_empty or not len(parts):
        return no_parts()
    x0, y0, x1, y1 = region.bounds
    low = np.minimum.reduceat(strokes.points_mm, strokes.offsets[:-1])[parts.stroke]
    high = np.maximum.reduceat(strokes.points_mm, strokes.offsets[:-1])[parts.stroke]
    near = (low[:, 0] <= x1) & (high[:, 0] >= x0) & (low[:, 1] <= y1) & (high[:, 1] >= y0)
    return Parts(parts.stroke[near], parts.begin_mm[near], parts.end_mm[near])


def _runs(strokes: StrokeSet, region: Geometry, parts: Parts, counts: Ints) -> Parts:
    """Runs of samples inside; sample k of a part stands for the k-th of its ``counts`` equal stretches."""
    which = np.repeat(np.arange(len(parts)), counts)
    place = np.arange(len(which)) - np.repeat(np.cumsum(counts) - counts, counts)
    step = (parts.end_mm - parts.begin_mm) / counts
    along = parts.begin_mm[which] + (place + 0.5) * step[which]
    inside = shapely.contains_xy(region, *places_mm(strokes, parts.stroke[which], along).T)
    edge = np.ones(len(which) + 1, dtype=np.bool_)
    edge[1:-1] = (which[1:] != which[:-1]) | (inside[1:] != inside[:-1])
    begins = np.flatnonzero(edge[:-1])
    ends = np.flatnonzero(edge[1:])
    begins, ends = begins[inside[begins]], ends[inside[begins]]
    part = which[begins]
    return Parts(
        parts.stroke[part],
        parts.begin_mm[part] + place[begins] * step[part],
        # The last stretch ends where the part does, to the last bit: a whole stroke stays whole.
        np.where(
            place[ends] + 1 == counts[part],
            parts.end_mm[part],
            parts.begin_mm[part] + (place[ends] + 1) * step[part],
        ),
    )


def places_mm(strokes: StrokeSet, stroke: Ints, along_mm: Floats) -> Floats:
    """Places (n, 2) on the strokes (n,), so many mm (n,) from their beginnings."""
    steps = np.hypot(*np.diff(strokes.points_mm, axis=0).T)
    total = np.concatenate([[0.0], np.cumsum(steps)])
    at = total[strokes.offsets[stroke]] + along_mm
    low, high = strokes.offsets[stroke], strokes.offsets[stroke + 1] - 2
    vertex = np.clip(np.searchsorted(total, at, side="right") - 1, low, high)
    share = np.clip((at - total[vertex]) / np.maximum(steps[vertex], 1e-300), 0.0, 1.0)[:, None]
    places: Floats = (1.0 - share) * strokes.points_mm[vertex] + share * strokes.points_mm[vertex + 1]
    return places


def box_region(x0: float, y0: float, x1: float, y1: float) -> Geometry:
    """The rectangle between two corners. Raises ValueError when it has no area."""
    if not (np.isfinite([x0, y0, x1, y1]).all() and x0 != x1 and y0 != y1):
        raise ValueError("expected two corners with a width and a height")
    return shapely.box(min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1))


def drawn_region(drawing: Drawing) -> Geometry:
    """All that the filled shapes of a drawing cover; round shapes are polygons."""
    found: list[Geometry] = []
    shapes, first = drawing.shapes, drawing.first_outline()
    for row in np.flatnonzero(shapes["fill"] >= 0).tolist():
        outlines = [drawing.outline_mm(one) for one in range(int(first[row]), int(first[row + 1]))]
        if outlines:
            found.append(filled(outlines, int(shapes["rule"][row])))
        elif np.isfinite(shapes["dot_mm"][row]):
            place = np.array([[shapes["dot_x"][row], shapes["dot_y"][row]]])
            found += discs(place, np.array([shapes["dot_mm"][row]]), drawing.tolerance_mm).tolist()
    return shapely.unary_union(found)


def regions_of(boxes: Sequence[tuple[float, float, float, float]], drawings: Sequence[Drawing]) -> Geometry:
    """All rectangles and all drawn shapes together. Raises ValueError when they have no area."""
    region = shapely.unary_union([
        *(box_region(*one) for one in boxes), *(drawn_region(one) for one in drawings)
    ])  # fmt: skip
    if region.is_empty or region.area <= 0.0:
        raise ValueError("expected a region with an area")
    return region
