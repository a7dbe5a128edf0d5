"""How much of what an ink should cover its strokes do cover, and how much paint lands beside it: from geometry.

Owns areas that are looked at tile by tile, so that memory does not grow with the picture, and the table of results.
Knows no files but the table's, no machine and no pictures. Frame: canvas mm.

A stroke covers its path widened by half the tip. Round edges are polygons with corners on the circle and chords at
most CHORD_ERROR_MM inside it; ``error_mm2`` bounds what that makes, by the length of all edges.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import dataclass
from io import StringIO
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from controller.report.frames import plain_cell
from controller.report.proofpaint import CHORD_ERROR_MM, DotKind, PassPaint, Stretches
from controller.report.proofwanted import Wanted
from controller.strokes.build import SAME_MM
from controller.strokes.outlines import discs, quarter_segments, subdivided

Floats = npt.NDArray[np.float64]
Geometry = Any
Box = tuple[float, float, float, float]
Progress = Callable[[float], None]

TILE_MM: Final = 100.0
_SAME_PLACE_MM: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Areas:
    """Areas in mm2: what is wanted, what is painted, what is both; edge_mm: length of the edges of the first two."""

    wanted_mm2: float
    painted_mm2: float
    covered_mm2: float
    edge_mm: float = 0.0

    @property
    def share(self) -> float:
        """Covered share of what is wanted, 0 to 1; nan where nothing is."""
        return self.covered_mm2 / self.wanted_mm2 if self.wanted_mm2 else math.nan

    @property
    def bare_mm2(self) -> float:
        """Wanted and not painted."""
        return self.wanted_mm2 - self.covered_mm2

    @property
    def outside_mm2(self) -> float:
        """Painted and not wanted."""
        return self.painted_mm2 - self.covered_mm2

    @property
    def error_mm2(self) -> float:
        """Bound of what chords in place of arcs make of each of the areas."""
        return CHORD_ERROR_MM * self.edge_mm


@dataclass(frozen=True, slots=True)
class InkCoverage:
    """One ink: ``exact`` from geometry; ``raster`` counted in pixels of ``pixel_mm``, drawn and not computed."""

    ink: str
    colour: str
    exact: Areas
    raster: Areas
    pixel_mm: float


class Cover:
    """What lines of given widths, copies of small shapes and areas cover together, tile by tile."""

    def __init__(
        self,
        stretches: Sequence[Stretches],
        copies: Sequence[tuple[Geometry, Floats]],
        areas: Sequence[Geometry] = (),
    ) -> None:
        lines = [_lines(one) for one in stretches]
        self._lines = np.concatenate([np.zeros(0, dtype=object), *lines])
        self._half_mm = np.concatenate([np.zeros(0), *(one.width_mm for one in stretches)]) / 2.0
        self._lines_at = shapely.STRtree(self._lines)
        self._widest_mm = float(self._half_mm.max(initial=0.0))
        self._shapes = [shape for shape, _ in copies]
        self._kind = np.repeat(np.arange(len(copies)), [len(place) for _, place in copies])
        self._place = np.vstack([np.empty((0, 2)), *(place for _, place in copies)])
        self._copies_at = shapely.STRtree(shapely.box(*self.copies_mm()[2].T))
        parts = [subdivided(area) for area in areas if not area.is_empty]
        self._areas = np.concatenate([np.zeros(0, dtype=object), *parts])
        self._areas_at = shapely.STRtree(self._areas)

    @property
    def shapes(self) -> list[Geometry]:
        """The small shapes that there are copies of."""
        return self._shapes

    def copies_mm(self) -> tuple[npt.NDArray[np.int64], Floats, Floats]:
        """Of every copy: row of ``shapes`` (n,), place (n, 2), box (n, 4)."""
        around = np.reshape([shape.bounds for shape in self._shapes], (-1, 4))
        return self._kind, self._place, np.tile(self._place, 2) + around[self._kind]

    def rest_mm(self) -> Floats:
        """Boxes (n, 4) of all that is no copy."""
        reach = self._half_mm[:, None] * np.array([-1.0, -1.0, 1.0, 1.0])
        return np.vstack([shapely.bounds(self._areas), shapely.bounds(self._lines) + reach]).reshape(-1, 4)

    def bounds_mm(self) -> Floats:
        """(n, 4) boxes that together hold everything."""
        return np.vstack([self.rest_mm(), self.copies_mm()[2]])

    def without_copies(self, rows: npt.NDArray[np.int64]) -> Cover:
        """The same but for some copies, by their rows in ``copies_mm``."""
        found = copy(self)
        keep = np.ones(len(self._kind), dtype=np.bool_)
        keep[rows] = False
        found._kind, found._place = self._kind[keep], self._place[keep]
        found._copies_at = shapely.STRtree(shapely.box(*found.copies_mm()[2].T))
        return found

    def within(self, tile: Box) -> Geometry:
        """The part in a tile, one area."""
        box = shapely.box(*tile)
        found: list[npt.NDArray[np.object_]] = []
        near = self._lines_at.query(box, predicate="dwithin", distance=self._widest_mm)
        if len(near):
            found.append(self._widened(near, tile))
        inside = self._copies_at.query(box)
        found += [
            copied(self._shapes[kind], self._place[inside[self._kind[inside] == kind]])
            for kind in np.unique(self._kind[inside]).tolist()
        ]
        some = self._areas_at.query(box, predicate="intersects")
        if len(some):
            found.append(self._areas[some])
        if not found:
            return shapely.Polygon()
        return shapely.intersection(shapely.union_all(np.concatenate(found)), box)

    def _widened(self, near: npt.NDArray[np.int64], tile: Box) -> npt.NDArray[np.object_]:
        """Lines widened; of each only what can reach the tile, so that a long one costs no more than its part."""
        far = self._widest_mm + 1.0
        parts = shapely.clip_by_rect(
            self._lines[near], tile[0] - far, tile[1] - far, tile[2] + far, tile[3] + far
        )
        half = self._half_mm[near]
        there = ~shapely.is_empty(parts)
        found = [
            shapely.buffer(parts[there & (half == one)], one, quad_segs=quarter_segments(one, CHORD_ERROR_MM))
            for one in np.unique(half[there]).tolist()
        ]
        return np.concatenate([np.zeros(0, dtype=object), *found])


def paint_cover(passes: Sequence[PassPaint]) -> Cover:
    """What passes of one ink cover."""
    return Cover(
        [one.stretches for one in passes],
        [(dot_shape(kind), kind.place_mm) for one in passes for kind in one.dots],
    )


def wanted_cover(wanted: Wanted) -> Cover:
    """What one ink should cover."""
    copies = []
    sizes, which = np.unique(np.round(wanted.diameter_mm, SAME_MM), return_inverse=True)
    for row, disc in enumerate(discs(np.zeros((len(sizes), 2)), sizes, CHORD_ERROR_MM)):
        copies.append((disc, wanted.centre_mm[which.reshape(-1) == row]))
    return Cover([wanted.lines], copies, wanted.areas)


def dot_shape(kind: DotKind) -> Geometry:
    """What one dot covers, around its path's origin."""
    half = kind.width_mm / 2.0
    line = shapely.linestrings(kind.path_mm)
    return shapely.buffer(line, half, quad_segs=quarter_segments(half, CHORD_ERROR_MM))


def copied(shape: Geometry, place_mm: Floats) -> npt.NDArray[np.object_]:
    """A polygon (or several) put in each of ``place_mm`` (n, 2), holes and all."""
    polygons = shapely.get_parts(shape)
    _, points, (rings, parts) = shapely.to_ragged_array(polygons)
    count = len(place_mm)
    where = (place_mm[:, None, :] + points[None, :, :]).reshape(-1, 2)
    ring_ends = (rings[1:][None, :] + len(points) * np.arange(count)[:, None]).reshape(-1)
    part_ends = (parts[1:][None, :] + (len(rings) - 1) * np.arange(count)[:, None]).reshape(-1)
    found: npt.NDArray[np.object_] = shapely.from_ragged_array(
        shapely.GeometryType.POLYGON,
        where,
        (
            np.concatenate([[0], ring_ends]).astype(np.int64),
            np.concatenate([[0], part_ends]).astype(np.int64),
        ),
    )
    return found


def _lines(stretches: Stretches) -> npt.NDArray[np.object_]:
    if not len(stretches):
        return np.zeros(0, dtype=object)
    rows, which = stretches.rows(np.arange(len(stretches)))
    found: npt.NDArray[np.object_] = shapely.linestrings(stretches.points_mm[rows], indices=which)
    return found


def measure(
    painted: Cover, wanted: Cover, tile_mm: float = TILE_MM, progress: Progress | None = None
) -> Areas:
    """Areas of what is painted and wanted, each place counted once.

    Dots that touch nothing but the one dot that they were meant for are looked at once for each kind, all else in
    tiles.
    """
    pairs, painted, wanted = _lone_pairs(painted, wanted)
    boxes = np.vstack([painted.bounds_mm(), wanted.bounds_mm()])
    if not len(boxes):
        return pairs
    low = np.floor(boxes[:, :2].min(axis=0) / tile_mm).astype(int)
    high = np.ceil(boxes[:, 2:].max(axis=0) / tile_mm).astype(int)
    wanted_mm2, painted_mm2, covered_mm2 = pairs.wanted_mm2, pairs.painted_mm2, pairs.covered_mm2
    edge_mm = pairs.edge_mm
    for column in range(int(low[0]), int(high[0])):
        for row in range(int(low[1]), int(high[1])):
            tile = (column * tile_mm, row * tile_mm, (column + 1) * tile_mm, (row + 1) * tile_mm)
            paint, wish = painted.within(tile), wanted.within(tile)
            painted_mm2 += paint.area
            wanted_mm2 += wish.area
            edge_mm += paint.length + wish.length
            if not (paint.is_empty or wish.is_empty):
                covered_mm2 += shapely.intersection(paint, wish).area
        if progress is not None:
            progress((column + 1 - int(low[0])) / int(high[0] - low[0]))
    return Areas(wanted_mm2, painted_mm2, covered_mm2, edge_mm)


def _lone_pairs(painted: Cover, wanted: Cover) -> tuple[Areas, Cover, Cover]:
    """Areas of copies that meet one copy of the other side and nothing else; and the rest of both sides."""
    paint_kind, paint_at, paint_box = painted.copies_mm()
    wish_kind, wish_at, wish_box = wanted.copies_mm()
    boxes = np.vstack([paint_box, wish_box, painted.rest_mm(), wanted.rest_mm()])
    first, second = shapely.STRtree(shapely.box(*boxes.T)).query(shapely.box(*boxes.T))
    first, second = first[first != second], second[first != second]
    neighbours = np.bincount(first, minlength=len(boxes))
    n = len(paint_at)
    lone = (first < n) & (second >= n) & (second < n + len(wish_at))
    lone &= (neighbours[first] == 1) & (neighbours[second] == 1)
    paint, wish = first[lone], second[lone] - n
    offset = np.round((paint_at[paint] - wish_at[wish]) / _SAME_PLACE_MM).astype(np.int64)
    keys = np.column_stack([paint_kind[paint], wish_kind[wish], offset])
    kinds, row, count = np.unique(keys, axis=0, return_index=True, return_counts=True)
    sums = np.zeros(4)
    for one, pair, times in zip(kinds, row, count.tolist(), strict=True):
        step_mm = paint_at[paint[pair]] - wish_at[wish[pair]]
        shape = shapely.transform(painted.shapes[int(one[0])], lambda points, by=step_mm: points + by)
        wish_shape = wanted.shapes[int(one[1])]
        both = shapely.intersection(shape, wish_shape)
        sums += times * np.array([wish_shape.area, shape.area, both.area, shape.length + wish_shape.length])
    areas = Areas(*sums.tolist())
    return areas, painted.without_copies(paint), wanted.without_copies(wish)


COLUMNS: Final = (
    "ink", "wanted_mm2", "painted_mm2", "covered_mm2", "covered_share", "bare_mm2", "outside_mm2", "error_mm2",
    "raster_wanted_mm2", "raster_painted_mm2", "raster_covered_share", "raster_outside_mm2", "pixel_mm",
)  # fmt: skip


def rows(found: Sequence[InkCoverage]) -> list[dict[str, Any]]:
    """The table as dictionaries with the keys COLUMNS; areas in mm2, shares from 0 to 1 or None."""
    return [
        dict(
            zip(
                COLUMNS,
                (
                    one.ink,
                    *(_number(value) for value in (
                        one.exact.wanted_mm2, one.exact.painted_mm2, one.exact.covered_mm2, one.exact.share,
                        one.exact.bare_mm2, one.exact.outside_mm2, one.exact.error_mm2,
                        one.raster.wanted_mm2, one.raster.painted_mm2, one.raster.share, one.raster.outside_mm2,
                        one.pixel_mm,
                    )),
                ),
                strict=True,
            )
        )
        for one in found
    ]  # fmt: skip


def table_csv(found: Sequence[InkCoverage]) -> str:
    """The table as CSV (RFC 4180), a header line first."""
    stream = StringIO()
    writer = csv.DictWriter(stream, COLUMNS)
    writer.writeheader()
    writer.writerows({**row, "ink": plain_cell(str(row["ink"]))} for row in rows(found))
    return stream.getvalue()


def _number(value: float) -> float | None:
    return None if math.isnan(value) else round(value, 6)
