"""Traps: neighbouring inks overlap, so that small errors of register show no bare canvas; and where larger ones do.

Owns the overlap and the map of gaps. Knows areas by ink; no stroke paths, no time. Frame: canvas mm.

The lighter of two neighbouring inks goes ``width`` farther, under the darker one, and only where darker inks are. The
areas that count are flats and bands: a screen shows canvas between its dots, so nothing grows under it, though it may
itself grow under a darker flat.

Why that is enough: let one ink be painted off by v, |v| <= width, and let p be a place that should have ink. Follow
the straight line from p to p - v; suppose all of it lies on inks (else the drawing's outer edge itself has moved). Take
the lightest ink on that line. If it is another ink than the one that moved, it grew from its last place on the line
up to p, since all that follows is darker, so p is covered. If it is the one that moved, it grew from its last place
on the line up to p - v in the same way, and its own displaced paint covers p. ``docs/traps.md`` shows it in pictures.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from controller.config.job import Job
from controller.strokes.inks import lightness, painting_order
from controller.strokes.outlines import GRID_MM, SPECK_MM2, polygons, subdivided, union, within, without
from controller.strokes.regions import Work

SOLID: Final = ("flat", "band")
QUARTER: Final = 32
"""Chords for a quarter of the circles around corners."""
OUTWARD: Final = 1.0 / math.cos(math.pi / (4 * QUARTER))
"""By so much a circle must be larger for its polygon to lie outside the circle: 0.03 %."""
HAIR_MM: Final = 1e-3
"""Areas thinner than twice this, and gaps thinner than four times, are what rounding leaves over."""

CRACK_MM: Final = 4 * GRID_MM
"""Areas no farther apart than this border on each other.

Each area's corners are rounded to the grid on their own, so along an edge that two areas share, with corners at
different places, they part by about a diagonal of the grid. What grows has to go on across that."""


@dataclass(frozen=True, slots=True)
class OnTop:
    """A trap that will be seen: ``lighter`` overlaps ``darker`` and is painted after it; rows of ``job.inks``."""

    lighter: int
    darker: int


@dataclass(frozen=True, slots=True)
class Trapped:
    """works: as given, areas grown; trap_mm2: by row of ``job.inks``, what was added; on_top: traps to be seen."""

    works: tuple[Work, ...]
    trap_mm2: tuple[float, ...]
    on_top: tuple[OnTop, ...]


@dataclass(frozen=True, slots=True)
class GapMap:
    """Where canvas may show when one ink is off by up to ``error_mm`` in any direction against the others.

    gaps: by row of ``job.inks``, places that only this ink covers and that it may leave bare; disjoint between inks.
    area_mm2: of all gaps together; with circles drawn inside and outside the true ones, (least, most).
    """

    error_mm: float
    gaps: tuple[MultiPolygon, ...]
    area_mm2: tuple[float, float]

    @property
    def places(self) -> MultiPolygon:
        """All gaps together."""
        return union([one for one in self.gaps if not one.is_empty])


def dark_last(job: Job) -> tuple[int, ...]:
    """Rows of ``job.inks`` from the lightest (highest L*) to the darkest; equal ones in the file's order."""
    return tuple(int(row) for row in np.argsort(-lightness(job), kind="stable"))


def solids(works: Sequence[Work], inks: int) -> list[MultiPolygon]:
    """By ink: all that is covered without gaps, flats and bands."""
    return [
        union([one.area for one in works if one.ink == ink and one.kind in SOLID and one.area is not None])
        for ink in range(inks)
    ]


def trapped(works: Sequence[Work], job: Job) -> Trapped:
    """Let lighter areas grow under darker ones by ``job.traps.width_mm``; without traps the works are as given."""
    inks = len(job.inks)
    if job.traps is None:
        return Trapped(tuple(works), (0.0,) * inks, ())
    ground = _Ground(solids(works, inks), dark_last(job))
    turn = {ink: place for place, ink in enumerate(painting_order(job))}
    added = [0.0] * inks
    on_top: dict[OnTop, None] = {}
    found: list[Work] = []
    for work in works:
        if work.area is None:
            found.append(work)
            continue
        growths: dict[int, list[BaseGeometry]] = {}
        for row, parts, under in ground.growths(work, job.traps.width_mm):
            growths[row] = parts
            on_top |= {OnTop(work.ink, ink): None for ink in under if turn[ink] < turn[work.ink]}
        grown = _grown(work, growths) if growths else work
        found.append(grown)
        if grown.area is not None:
            added[work.ink] += grown.area.area - work.area.area
    return Trapped(tuple(found), tuple(added), tuple(on_top))


def gap_map(works: Sequence[Work], with_traps: Sequence[Work], job: Job, error_mm: float) -> GapMap:
    """Where canvas may show when one ink is off by any vector up to ``error_mm``.

    works: as ``seen`` gives them; with_traps: the same grown. A place p that only ink j covers is left bare by some
    displacement v, |v| <= e, if p - v belongs to the picture and j does not paint it, so if p is at most e away from
    what of the picture j leaves to others. All directions together are thus one Minkowski sum: that rest, widened by a
    disc of radius e, cut with what only j covers. Parts that touch no other ink are left out: there the outer edge of
    ink has moved, not a gap opened. Where bare canvas lies nearer than e to a gap, the gap may be shown too large,
    never too small. Circles are polygons inside or outside the true ones; that gives both areas.
    """
    inks = len(job.inks)
    before, after = solids(works, inks), solids(with_traps, inks)
    gaps: list[MultiPolygon] = []
    least = most = 0.0
    for ink in range(inks):
        others = [other for other in range(inks) if other != ink and not before[other].is_empty]
        alone = before[ink]
        for other in others:
            alone = without(alone, after[other])
        left = [polygons(_shrunk(without(before[other], after[ink]))) for other in others]
        rest = MultiPolygon([part for one in left for part in one.geoms])
        around = [after[other] for other in others]
        outer = touching(within(alone, _widened(rest, (error_mm + HAIR_MM) * OUTWARD)), around)
        inner = touching(within(alone, _widened(rest, error_mm)), around)
        gaps.append(outer)
        most += outer.area
        least += inner.area
    return GapMap(error_mm, tuple(gaps), (least, most))


class _Ground:
    """The solid areas of all inks in small parts, to be found by place."""

    def __init__(self, areas: list[MultiPolygon], order: tuple[int, ...]) -> None:
        tiles = [subdivided(area) for area in areas]
        self.tiles = np.concatenate(tiles) if tiles else np.zeros(0, dtype=object)
        self.ink = np.repeat(np.arange(len(areas)), [len(one) for one in tiles])
        self.rank = np.argsort(np.array(order))  # by ink: how many are lighter
        self.tree = shapely.STRtree(self.tiles)

    def growths(
        self, work: Work, width_mm: float
    ) -> Iterator[tuple[int, list[BaseGeometry], tuple[int, ...]]]:
        """Piece, what is added to it and is connected with it, and the darker inks that lie over that."""
        wide: npt.NDArray[np.object_] = shapely.buffer(
            np.array(work.pieces, dtype=object), width_mm * OUTWARD, quad_segs=QUARTER
        )
        piece, tile = self.tree.query(wide, predicate="intersects")
        darker = self.rank[self.ink[tile]] > self.rank[work.ink]
        piece, tile = piece[darker], tile[darker]
        covered = shapely.intersection(wide[piece], _bordering(self.tiles, tile), grid_size=GRID_MM)
        some = shapely.area(covered) > SPECK_MM2
        piece, tile, covered = piece[some], tile[some], covered[some]
        for row in map(int, np.unique(piece)):
            here = piece == row
            parts = np.array(union(covered[here]).geoms, dtype=object)
            kept = parts[shapely.dwithin(parts, work.pieces[row], CRACK_MM / 2.0)]
            if len(kept):
                whole = MultiPolygon(list(kept))
                over = shapely.dwithin(covered[here], whole, GRID_MM)
                inks = np.unique(self.ink[tile[here][over]])
                yield row, list(kept), tuple(map(int, inks))


def _grown(work: Work, growths: dict[int, list[BaseGeometry]]) -> Work:
    pieces = tuple(
        union([piece, *growths[row]]) if row in growths else piece for row, piece in enumerate(work.pieces)
    )
    area = union(list(pieces))
    if work.kind != "band":
        return replace(work, area=area, pieces=tuple(MultiPolygon([part]) for part in area.geoms))
    whole = work.whole.copy()
    whole[list(growths)] = False
    return replace(work, area=area, pieces=pieces, whole=whole)


def _bordering(tiles: npt.NDArray[np.object_], rows: npt.NDArray[np.int64]) -> npt.NDArray[np.object_]:
    """``tiles[rows]``, each widened by half a crack, so that those which border on each other overlap.

    Side by side they would be no one area after a union, and what lies behind would be left out or cut off by a slit.
    So a trap may end 0.0002 mm beyond the darker ink's far edge, and 0.0004 mm at the tip of a needle.
    """
    some, back = np.unique(rows, return_inverse=True)
    # A geometry may carry the grid that all that is made of it would be rounded to.
    exact = shapely.set_precision(tiles[some], 0.0)
    wider: npt.NDArray[np.object_] = shapely.buffer(
        exact, CRACK_MM / 2.0, join_style="mitre", mitre_limit=2.0
    )
    return wider[back]


def _shrunk(area: BaseGeometry) -> BaseGeometry:
    """Without hairs, and without the very edge; ``gap_map`` gives that back."""
    return shapely.buffer(area, -HAIR_MM, join_style="mitre")


def _widened(area: BaseGeometry, by_mm: float) -> BaseGeometry:
    return shapely.buffer(area, by_mm, quad_segs=QUARTER)


def touching(area: MultiPolygon, others: list[MultiPolygon]) -> MultiPolygon:
    """The parts of ``area`` that border on any of ``others`` and are no hairs."""
    parts = np.array(area.geoms, dtype=object)
    parts = parts[~shapely.is_empty(shapely.buffer(parts, -2 * HAIR_MM))]
    near = np.zeros(len(parts), dtype=np.bool_)
    for other in others:
        shapely.prepare(other)
        near |= shapely.dwithin(other, parts, 4 * GRID_MM)
    return MultiPolygon(list(parts[near]))
