"""What of each shape of a drawing is seen, by ink and technique: areas, bands, lines and dots ready to be painted.

Owns the stacking: later shapes lie on top, and what lies below an area of another ink is not painted. Knows no
stroke paths, no wear and no time; traps are added by controller/strokes/traps.py. Frame: canvas mm.

Flats and bands cover what is below them; screens, dots and lines do not, unless their technique says ``knocks_out``.
Flats, bands, screens and lines lose what is covered by later shapes of other inks. A dot is painted whole, cut or
not at all, as its technique's ``borders`` say.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from controller.artwork.model import ROUND, Drawing, Skipped
from controller.config.job import Job, Technique
from controller.strokes.inks import AS_DRAWN, BARE_CANVAS, Assigned, painting_order
from controller.strokes.outlines import (
    GRID_MM,
    SPECK_MM2,
    ClipAreas,
    dashed,
    discs,
    filled,
    polygons,
    stroked,
    union,
    within,
    without,
)

Kind = Literal["flat", "screen", "band", "line", "dots"]
KINDS: Final[tuple[Kind, ...]] = ("flat", "screen", "band", "line", "dots")
"""In the order in which one ink's work is listed."""
NO_SCREEN: Final = -1
SHORT_MM: Final = 1e-3
"""Shorter pieces of a cut line are what rounding leaves over."""

Points = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lines:
    """Middle lines of strokes.

    points_mm (N, 2); offsets (L + 1,) int64; closed (L,) bool, a closed line ends where it starts; width_mm (L,) as
    drawn, nan where the drawing has none; cap, join (L,) uint8 and miter (L,) as in ``Drawing.shapes``; element (L,)
    int32 into ``Drawing.element_ids``; piece (L,) int32, row of the band's ``Work.pieces``, -1 for lines.
    """

    points_mm: Points
    offsets: npt.NDArray[np.int64]
    closed: npt.NDArray[np.bool_]
    width_mm: Points
    cap: npt.NDArray[np.uint8]
    join: npt.NDArray[np.uint8]
    miter: Points
    element: npt.NDArray[np.int32]
    piece: npt.NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.offsets) - 1

    def line_mm(self, index: int) -> Points:
        """The vertices (n, 2) of one line, a view."""
        return self.points_mm[self.offsets[index] : self.offsets[index + 1]]


@dataclass(frozen=True, slots=True)
class Dots:
    """Dots: centre_mm (D, 2); diameter_mm (D,); element (D,) int32 into ``Drawing.element_ids``."""

    centre_mm: Points
    diameter_mm: Points
    element: npt.NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.diameter_mm)


@dataclass(frozen=True, slots=True)
class Work:
    """What one ink paints by one technique.

    ink: row of ``job.inks``; technique: row of ``job.techniques``, or AS_DRAWN; kind: how it is painted; screen: row
    of ``drawing.screens`` where the drawing's own pattern counts, else NO_SCREEN.
    area: flat, screen and band: all that is to be covered (traps too once they are added); else None.
    pieces: geometries whose union is ``area``: a band's by shape, the parts of flats and screens; else empty.
    whole: band: (pieces,) bool, whether the piece is still what its lines cover, so that parallel strokes along them
        paint it; ``cut_area`` is the rest, to be painted as a flat. Others: empty.
    lines: line: the middle lines; band: those of all pieces. dots: dots only.
    elements: rows of ``drawing.element_ids`` that took part, in document order.
    """

    ink: int
    technique: int
    kind: Kind
    screen: int = NO_SCREEN
    area: MultiPolygon | None = None
    pieces: tuple[MultiPolygon, ...] = ()
    whole: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    lines: Lines | None = None
    dots: Dots | None = None
    elements: tuple[int, ...] = ()

    @property
    def cut_area(self) -> MultiPolygon:
        """Of a band: what is no longer the shape of its lines, together."""
        return union([piece for piece, whole in zip(self.pieces, self.whole, strict=True) if not whole])

    def whole_lines(self) -> npt.NDArray[np.int64]:
        """Of a band: rows of ``lines`` whose piece is whole."""
        assert self.lines is not None
        return np.flatnonzero(self.whole[self.lines.piece])


@dataclass(frozen=True, slots=True)
class Regions:
    """All work of a drawing in painting order, and what of it is not painted or not as drawn."""

    works: tuple[Work, ...]
    skipped: tuple[Skipped, ...]


@dataclass(slots=True)
class _Item:
    """A fill or stroke on its way: ``place`` in the stack, what it covers, how it is painted (None: only covers)."""

    place: int
    shape: int
    ink: int
    technique: int
    kind: Kind | None
    covers: bool
    screen: int = NO_SCREEN
    area: MultiPolygon | None = None
    outlines: list[tuple[Points, bool]] = field(default_factory=list)
    whole: bool = True


def seen(drawing: Drawing, assigned: Assigned, job: Job) -> tuple[Work, ...]:
    """What is to be painted, without traps, in painting order; ``regions`` also tells what is not."""
    return regions(drawing, assigned, job).works


def regions(drawing: Drawing, assigned: Assigned, job: Job) -> Regions:
    """What of each shape is seen, merged by ink, technique and kind, in painting order."""
    return _Stack(drawing, assigned, job).work()


class _Stack:
    """One drawing while its shapes are laid on each other."""

    def __init__(self, drawing: Drawing, assigned: Assigned, job: Job) -> None:
        self.drawing, self.assigned, self.job = drawing, assigned, job
        self.clips = ClipAreas(drawing)
        self.first = drawing.first_outline()
        self.skipped: list[Skipped] = []
        self.items: list[_Item] = []
        self.plain = Technique()

    def technique(self, row: int) -> Technique:
        return self.plain if row == AS_DRAWN else self.job.techniques[row]

    def skip(self, shape: int, what: str, why: str, *, changed: bool = False) -> None:
        self.skipped.append(Skipped(self.name(shape), what, why, "changed" if changed else "left out"))

    def work(self) -> Regions:
        dots = self.dot_shapes()
        for shape in np.flatnonzero((self.assigned.fill_ink != -1) | (self.assigned.stroke_ink != -1)):
            if not dots[shape]:
                self.fill(int(shape))
            self.stroke(int(shape), bool(dots[shape]))
        covers = _Covers(self.items, self.dot_covers(np.flatnonzero(dots)))
        found = [*self.dots(np.flatnonzero(dots), covers), *self.areas(covers), *self.lines(covers)]
        place = {ink: number for number, ink in enumerate(painting_order(self.job))}
        found.sort(key=lambda one: (place[one.ink], KINDS.index(one.kind), one.technique, one.screen))
        return Regions(tuple(found), tuple(self.skipped))

    def dot_shapes(self) -> npt.NDArray[np.bool_]:
        """(S,): circles whose fill is painted as a dot."""
        modes = [
            one.fill == "dots" for one in (*self.job.techniques, self.plain)
        ]  # AS_DRAWN, -1, is the last
        shapes = self.drawing.shapes
        round_ones = np.isfinite(shapes["dot_mm"]) & (shapes["pattern"] < 0)
        dots: npt.NDArray[np.bool_] = (
            round_ones & (self.assigned.fill_ink >= 0) & np.array(modes)[self.assigned.fill_technique]
        )
        return dots

    def outlines(self, shape: int) -> list[tuple[Points, bool]]:
        rows = range(int(self.first[shape]), int(self.first[shape + 1]))
        return [(self.drawing.outline_mm(row), bool(self.drawing.closed[row])) for row in rows]

    def clipped(self, shape: int, area: MultiPolygon) -> MultiPolygon:
        clip = int(self.drawing.shapes["clip"][shape])
        return area if clip < 0 else within(area, self.clips[clip])

    def inside(self, shape: int) -> MultiPolygon:
        """The filled area of a shape, clipped."""
        row = self.drawing.shapes[shape]
        outlines = [points for points, _ in self.outlines(shape)]
        if not outlines and np.isfinite(row["dot_mm"]):
            centre = np.array([[row["dot_x"], row["dot_y"]]])
            (disc,) = discs(centre, np.array([row["dot_mm"]]), self.drawing.tolerance_mm)
            return self.clipped(shape, polygons(disc))
        return self.clipped(shape, filled(outlines, int(row["rule"])))

    def fill(self, shape: int) -> None:
        """Put the fill of a shape that is no dot on the stack."""
        ink = int(self.assigned.fill_ink[shape])
        number = int(self.assigned.fill_technique[shape])
        if ink == BARE_CANVAS:
            self.items.append(
                _Item(2 * shape, shape, ink, number, None, covers=True, area=self.inside(shape))
            )
        if ink < 0:
            return
        how, screen = self.technique(number), NO_SCREEN
        kind: Kind
        if how.fill in ("flat", "screen"):
            kind = "flat" if how.fill == "flat" else "screen"
        elif how.fill == "dots" and self.drawing.shapes["pattern"][shape] >= 0:
            kind, screen = "screen", int(self.drawing.shapes["pattern"][shape])
        else:
            if how.fill == "dots":
                self.skip(
                    shape, "fill", 'only filled circles are dots; a technique with fill = "flat" paints it'
                )
            return
        area = self.inside(shape)
        if area.is_empty:
            self.skip(shape, "fill", "an area of nothing")
            return
        covers = kind == "flat" if how.knocks_out is None else how.knocks_out
        self.items.append(_Item(2 * shape, shape, ink, number, kind, covers, screen, area))

    def stroke(self, shape: int, is_dot: bool) -> None:
        """Put the stroke of a shape on the stack."""
        row = self.drawing.shapes[shape]
        ink, number = int(self.assigned.stroke_ink[shape]), int(self.assigned.stroke_technique[shape])
        if ink == -1:
            return
        how = self.technique(number)
        if is_dot and number == AS_DRAWN and ink == self.assigned.fill_ink[shape]:
            why = "a dot is painted in the circle's own size, without its outline"
            self.skip(shape, "stroke", why, changed=True)
            return
        if how.stroke == "none" and ink >= 0:
            return
        outlines = self.outlines(shape)
        if row["dash"] >= 0:
            dash = self.drawing.dashes[row["dash"]]
            outlines = [piece for points, closed in outlines for piece in dashed(points, closed, dash)]
        if not outlines:
            return
        has_width = bool(np.isfinite(row["width_mm"]) and row["width_mm"] > 0)
        kind: Kind | None = "band" if how.stroke == "band" and has_width else "line"
        if ink == BARE_CANVAS:
            kind = None
        covers = kind != "line" if how.knocks_out is None else how.knocks_out
        item = _Item(2 * shape + 1, shape, ink, number, kind, covers, outlines=outlines)
        if kind == "line" and not covers:
            self.items.append(item)
            return
        if kind == "line":
            width, cap, join, miter = self.job.inks[ink].tip_mm, ROUND, ROUND, 0.0
        elif not has_width:
            return
        else:
            width, cap, join, miter = row["width_mm"], int(row["cap"]), int(row["join"]), float(row["miter"])
        drawn = stroked(outlines, float(width), cap, join, miter, self.drawing.tolerance_mm)
        item.area = self.clipped(shape, drawn)
        item.whole = item.area is drawn or abs(item.area.area - drawn.area) <= SPECK_MM2
        if not item.area.is_empty:
            self.items.append(item)

    def dot_covers(self, shapes: npt.NDArray[np.int64]) -> list[_Item]:
        """Dots whose technique knocks out, as covers."""
        found: list[_Item] = []
        for number in np.unique(self.assigned.fill_technique[shapes]):
            if not self.technique(int(number)).knocks_out:
                continue
            some = shapes[self.assigned.fill_technique[shapes] == number]
            centres, diameters = self.dot_sizes(some)
            for shape, disc in zip(some, discs(centres, diameters, self.drawing.tolerance_mm), strict=True):
                ink = int(self.assigned.fill_ink[shape])
                area = self.clipped(int(shape), MultiPolygon([disc]))
                found.append(
                    _Item(2 * int(shape), int(shape), ink, int(number), None, covers=True, area=area)
                )
        return found

    def dot_sizes(self, shapes: npt.NDArray[np.int64]) -> tuple[Points, Points]:
        rows = self.drawing.shapes[shapes]
        return np.column_stack([rows["dot_x"], rows["dot_y"]]), rows["dot_mm"].astype(np.float64)

    def areas(self, covers: _Covers) -> Iterator[Work]:
        """Flats, screens and bands, cut by what covers them, merged by ink and technique."""
        groups: dict[tuple[int, int, Kind, int], list[_Item]] = {}
        for item in self.items:
            if item.kind is None or item.kind == "line":
                continue
            assert item.area is not None
            above = covers.above(item.area, item.place, item.ink)
            if len(above):
                cut = without(item.area, shapely.union_all(above))
                item.whole &= abs(cut.area - item.area.area) <= SPECK_MM2
                item.area = cut if not item.whole else item.area
            if not item.area.is_empty:
                groups.setdefault((item.ink, item.technique, item.kind, item.screen), []).append(item)
        for (ink, technique, kind, screen), items in groups.items():
            area = union([item.area for item in items])
            elements = _elements(self.drawing, [item.shape for item in items])
            if kind != "band":
                pieces = tuple(MultiPolygon([part]) for part in area.geoms)
                yield Work(ink, technique, kind, screen, area, pieces, elements=elements)
                continue
            lines = [
                (item.shape, number, points, closed)
                for number, item in enumerate(items)
                for points, closed in item.outlines
            ]
            yield Work(
                ink,
                technique,
                kind,
                screen,
                area,
                tuple(item.area for item in items),
                np.array([item.whole for item in items], dtype=np.bool_),
                self.made_lines(lines),
                elements=elements,
            )

    def lines(self, covers: _Covers) -> Iterator[Work]:
        """Lines, cut where they are covered or clipped away."""
        groups: dict[tuple[int, int], list[tuple[int, int, Points, bool]]] = {}
        for item in self.items:
            if item.kind != "line":
                continue
            clip = int(self.drawing.shapes["clip"][item.shape])
            for points, closed in item.outlines:
                line = shapely.linestrings(points)
                above = covers.above(line, item.place, item.ink)
                if len(above) == 0 and clip < 0:
                    left = [(points, closed)]
                else:
                    shown = line if clip < 0 else shapely.intersection(line, self.clips[clip])
                    if len(above):
                        shown = shapely.difference(shown, shapely.union_all(above))
                    left = _pieces(shown, line, points, closed)
                groups.setdefault((item.ink, item.technique), []).extend(
                    (item.shape, -1, *one) for one in left
                )
        for (ink, technique), rows in groups.items():
            if rows:
                elements = _elements(self.drawing, [row[0] for row in rows])
                yield Work(ink, technique, "line", lines=self.made_lines(rows), elements=elements)

    def made_lines(self, rows: Sequence[tuple[int, int, Points, bool]]) -> Lines:
        """Rows are (shape, piece, points, closed)."""
        shapes = self.drawing.shapes[[row[0] for row in rows]]
        counts = [len(row[2]) for row in rows]
        return Lines(
            np.vstack([row[2] for row in rows]),
            np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
            np.array([row[3] for row in rows], dtype=np.bool_),
            shapes["width_mm"].astype(np.float64),
            shapes["cap"].copy(),
            shapes["join"].copy(),
            shapes["miter"].astype(np.float64),
            shapes["element"].astype(np.int32),
            np.array([row[1] for row in rows], dtype=np.int32),
        )

    def dots(self, shapes: npt.NDArray[np.int64], covers: _Covers) -> Iterator[Work]:
        """Dots that are seen; those across an edge as their technique's borders say, the cut ones as new items."""
        centres, diameters = self.dot_sizes(shapes)
        ink, technique = self.assigned.fill_ink[shapes], self.assigned.fill_technique[shapes]
        middle_seen, crossed, hidden = self.dots_seen(shapes, centres, diameters, covers)
        borders = np.array([one.borders for one in (*self.job.techniques, self.plain)])[technique]
        cut = crossed & (borders == "clipped") & ~hidden
        kept = ~crossed | ((borders == "whole") & middle_seen)
        for row in np.flatnonzero(crossed):
            shape = int(shapes[row])
            if hidden[row]:
                self.skipped.append(
                    Skipped(self.name(shape), "dot", "covered by other inks or clipped away", "unseen")
                )
            elif cut[row]:
                self.skip(shape, "dot", "crosses an edge: cut along it, painted as a flat", changed=True)
            elif kept[row]:
                self.skip(shape, "dot", "crosses an edge: painted whole", changed=True)
            else:
                self.skip(shape, "dot", "crosses an edge: left out, as its borders say", changed=True)
        some = np.flatnonzero(cut)
        for row, disc in zip(
            some, discs(centres[some], diameters[some], self.drawing.tolerance_mm), strict=True
        ):
            shape = int(shapes[row])
            area = self.clipped(shape, MultiPolygon([disc]))
            self.items.append(
                _Item(2 * shape, shape, int(ink[row]), int(technique[row]), "flat", covers=False, area=area)
            )
        pairs = np.column_stack([ink[kept], technique[kept]])
        for one, other in np.unique(pairs, axis=0):
            some = np.flatnonzero(kept & (ink == one) & (technique == other))
            element = self.drawing.shapes["element"][shapes[some]].astype(np.int32)
            yield Work(
                int(one),
                int(other),
                "dots",
                dots=Dots(centres[some], diameters[some], element),
                elements=tuple(map(int, element)),
            )

    def name(self, shape: int) -> str:
        return self.drawing.element_ids[int(self.drawing.shapes["element"][shape])]

    def dots_seen(
        self, shapes: npt.NDArray[np.int64], centres: Points, diameters: Points, covers: _Covers
    ) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
        """Whether each dot's centre is seen, whether an edge crosses or hides it, whether nothing of it is seen."""
        middle_seen = np.ones(len(shapes), dtype=np.bool_)
        crossed, hidden = np.zeros_like(middle_seen), np.zeros_like(middle_seen)
        points, radii = shapely.points(centres), diameters / 2.0
        clip = self.drawing.shapes["clip"][shapes]
        for row in np.unique(clip[clip >= 0]):
            area = self.clips[int(row)]
            shapely.prepare(area)
            edge = shapely.boundary(area)
            shapely.prepare(edge)
            some = np.flatnonzero(clip == row)
            middle_seen[some] &= shapely.intersects(area, points[some])
            near = shapely.dwithin(edge, points[some], radii[some])
            crossed[some] |= near | ~middle_seen[some]
            hidden[some] |= ~near & ~middle_seen[some]
        dot, cover = covers.over_dots(points, radii, 2 * shapes, self.assigned.fill_ink[shapes])
        edges = shapely.boundary(covers.areas)
        shapely.prepare(covers.areas)
        shapely.prepare(edges)
        over_middle = shapely.intersects(covers.areas[cover], points[dot])
        near = shapely.dwithin(edges[cover], points[dot], radii[dot])
        crossed[dot] = True
        middle_seen[dot[over_middle]] = False
        hidden[dot[over_middle & ~near]] = True
        return middle_seen, crossed, hidden


class _Covers:
    """Areas that hide what lies below them, found by place."""

    def __init__(self, items: list[_Item], more: list[_Item]) -> None:
        some = [item for item in (*items, *more) if item.covers and item.area is not None]
        self.areas = np.empty(len(some), dtype=object)
        self.areas[:] = [item.area for item in some]
        self.place = np.array([item.place for item in some], dtype=np.int64)
        self.ink = np.array([item.ink for item in some], dtype=np.int64)
        self.tree = shapely.STRtree(self.areas)

    def above(self, geometry: BaseGeometry, place: int, ink: int) -> npt.NDArray[np.object_]:
        """Covers of other inks above ``place`` that meet ``geometry``."""
        near = self.tree.query(geometry, predicate="intersects")
        found: npt.NDArray[np.object_] = self.areas[
            near[(self.place[near] > place) & (self.ink[near] != ink)]
        ]
        return found

    def over_dots(
        self,
        points: npt.NDArray[np.object_],
        radii: Points,
        places: npt.NDArray[np.int64],
        inks: npt.NDArray[np.int32],
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """Pairs (dot, cover): covers of other inks above a dot that reach it."""
        if not len(points) or not len(self.areas):
            return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
        dot, cover = self.tree.query(points, predicate="dwithin", distance=np.maximum(radii - GRID_MM, 0.0))
        above = (self.place[cover] > places[dot]) & (self.ink[cover] != inks[dot])
        return dot[above], cover[above]


def _pieces(
    shown: BaseGeometry, line: BaseGeometry, points: Points, closed: bool
) -> list[tuple[Points, bool]]:
    """The lines in ``shown``; the line itself where nothing of it was taken away."""
    if abs(shown.length - line.length) <= SHORT_MM:
        return [(points, closed)]
    parts = shapely.get_parts(shapely.line_merge(shown, directed=True))
    parts = parts[(shapely.get_type_id(parts) == 1) & (shapely.length(parts) > SHORT_MM)]
    return [(shapely.get_coordinates(part), False) for part in parts]


def _elements(drawing: Drawing, shapes: Sequence[int]) -> tuple[int, ...]:
    return tuple(int(one) for one in np.unique(drawing.shapes["element"][list(shapes)]))
