"""Areas to pen paths that cover them evenly: rings parallel to the edge, or hatching inside one ring.

Owns where the paths run and what stays too narrow for the tip. Knows no inks, no order, no time, no machine.

With a tip of width w = 2 r that leaves a round-ended line, the outermost path runs r inside the edge, and no round
tip reaches farther into a corner than the area's opening by r. Between two rings, s apart, everything is painted as
long as s <= w, but at sharp corners and in the very middle: what is bare there is (area of the outer ring, inset by
r) less (area of the inner ring, widened by r). It is worked out for each pair of rings and painted by detours or by
a stroke along its middle.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
import shapely

from controller.strokes.middle import (
    covering_lines,
    middle_lines,
    polygons,
    quad_segments,
    thick,
    trimmed,
)
from controller.strokes.paths import Left, Paths, make_paths
from controller.strokes.spiral import Ring, bare_rings, link_rings

Floats = npt.NDArray[np.float64]
Geometry = Any
"""A shapely geometry: the library brings no types."""

Tip = float | Callable[[float], float]
"""Width of the painted line in mm: constant, or by the millimetres painted since the area was begun."""

OVERLAP: Final = 0.2
"""Share of the tip's width by which neighbouring lines overlap, where nothing else is said."""
SHORT_RING: Final = 1.0  # tips; a ring with less length is painted by a detour of the ring around it
SHORT_DETOUR: Final = 1.5  # tips; a longer middle line is a stroke, or the end of one, and not painted twice


@dataclass(frozen=True, slots=True)
class _Level:
    area: Geometry
    half_mm: float


def flat_paths(
    area: Geometry,
    tip_mm: Tip,
    overlap: float = OVERLAP,
    style: Literal["contour", "hatch"] = "contour",
    angle_deg: float = 0.0,
    tolerance_mm: float = 0.02,
    *,
    thin: Literal["line", "leave"] = "line",
    middle: Geometry | None = None,
) -> Paths:
    """Pen paths that cover ``area`` (a shapely polygon, or several), canvas mm.

    tip_mm: width of the line, see ``Tip``; a worn tip's insets and pitch follow its width ring by ring, line by line.
    overlap: 0 to below 1, share of the width that neighbours overlap by.
    style: "contour", rings parallel to the edge, linked to spirals; "hatch", one ring along the edge, then straight
        lines at ``angle_deg`` (from x towards y), to and fro, on one lattice for the whole canvas.
    tolerance_mm: nothing is painted farther beyond the area, and no sliver thinner than it is looked after.
    thin: "line" paints necks, spikes and hairs that are narrower than the tip by one stroke along their middle, which
        goes beyond the area by what they lack; "leave" leaves them bare. Both report them in ``left``.
    middle: lines to be preferred for what would be left in the middle of the area (a band's own middle).

    Raises ValueError for an overlap, width or tolerance out of range.
    """
    if not 0.0 <= overlap < 1.0:
        raise ValueError(f"expected 0 <= overlap < 1, got {overlap}")
    if not tolerance_mm > 0.0:
        raise ValueError(f"expected tolerance_mm > 0, got {tolerance_mm}")
    width = tip_mm if callable(tip_mm) else _constant(tip_mm)
    half = width(0.0) / 2.0
    if not half > 0.0:
        raise ValueError(f"expected a width above 0, got {2.0 * half}")
    # A geometry may carry a grid that all that is made of it would be snapped to.
    whole = shapely.make_valid(shapely.set_precision(area, 0.0))
    whole = shapely.unary_union(polygons(whole)) if not whole.is_valid or not whole.is_empty else whole
    whole = shapely.simplify(whole, tolerance_mm / 8.0)
    first = _inset(whole, half, tolerance_mm)
    rings = _rings_of(first, 0, (1.0 - overlap) * 2.0 * half, half)
    points = [
        ring for ring in rings if ring.length <= 4.0 * tolerance_mm
    ]  # the tip just fits: it need not move
    rings = [ring for ring in rings if ring.length > 4.0 * tolerance_mm]
    room = shapely.buffer(first, tolerance_mm / 4.0)
    shapely.prepare(room)
    lines, left = _thin_parts(whole, first, rings, half, tolerance_mm, thin)
    if style == "contour":
        strokes = _contour(first, rings, room, width, overlap, tolerance_mm, middle)
    else:
        strokes = _hatch(first, rings, room, width, overlap, angle_deg, tolerance_mm)
    touches = [_touch(ring.points.mean(axis=0), tolerance_mm) for ring in points]
    return make_paths([*strokes, *touches, *lines], left)


def _constant(tip_mm: float) -> Callable[[float], float]:
    def width(_: float) -> float:
        return tip_mm

    return width


def _inset(area: Geometry, by_mm: float, tolerance_mm: float) -> Geometry:
    """``area`` inset, thinned out by a tenth of the tolerance."""
    inner = shapely.buffer(area, -by_mm, quad_segs=quad_segments(by_mm, tolerance_mm / 4.0))
    return shapely.simplify(inner, tolerance_mm / 10.0, preserve_topology=False)


def _widen(area: Geometry, by_mm: float) -> Geometry:
    return shapely.buffer(area, by_mm, quad_segs=24)


def _rings_of(area: Geometry, level: int, step: float, half: float) -> list[Ring]:
    """A ring for every edge of ``area``, all with the area on the same side."""
    return [
        Ring(shapely.get_coordinates(ring), level, step, half)
        for part in polygons(shapely.normalize(area))
        for ring in [part.exterior, *part.interiors]
    ]


# Rings ------------------------------------------------------------------------------------------------------------


def _contour(
    first: Geometry,
    rings: list[Ring],
    room: Geometry,
    width: Callable[[float], float],
    overlap: float,
    tolerance_mm: float,
    middle: Geometry | None,
) -> list[Floats]:
    levels = [_Level(first, width(0.0) / 2.0)]
    strokes: list[Floats] = []
    painted_mm = 0.0
    while not levels[-1].area.is_empty:
        here = levels[-1]
        painted_mm += float(shapely.length(here.area))
        half = width(painted_mm) / 2.0
        pitch = (1.0 - overlap) * (here.half_mm + half)
        # A ring so thin that one line along its middle does for both its sides is left to that line. Where a middle is
        # given, it does for more.
        least = max(here.half_mm + half - pitch, 0.0 if middle is None else pitch)
        inner = shapely.unary_union(
            [
                part
                for part in thick(_inset(here.area, pitch, tolerance_mm), least)
                if shapely.length(part) >= SHORT_RING * 2.0 * half
            ]
        )
        bare = _inset(here.area, here.half_mm, tolerance_mm)
        if not inner.is_empty:
            bare = shapely.difference(bare, _widen(inner, half))
        depth = len(levels)
        near = [ring for ring in rings if ring.level == depth - 1]
        inside = _rings_of(inner, depth, pitch, half)
        pieces = thick(bare, tolerance_mm)
        if pieces and middle is not None:
            pieces, more = _along_middle(pieces, middle, half, tolerance_mm)
            strokes += more
        for piece in pieces:
            strokes += _attach(piece, inside, near, room, half, tolerance_mm)
        rings += inside
        levels.append(_Level(inner, half))
    linked = link_rings(rings, overlap)
    while bare := bare_rings(rings, linked, tolerance_mm):
        for ring in bare:
            ring.full = True
        linked = link_rings(rings, overlap)
    return [*linked, *strokes]


def _along_middle(
    pieces: Sequence[Geometry], middle: Geometry, half: float, tolerance_mm: float
) -> tuple[list[Geometry], list[Floats]]:
    """Strokes along ``middle`` through the bare pieces, and what they leave bare."""
    bare = shapely.unary_union(list(pieces))
    # A middle with a corner leaves the bare piece there, which cuts the corner: it is followed all the same.
    cut = shapely.intersection(middle, _widen(bare, half))
    merged = shapely.line_merge(cut) if cut.geom_type == "MultiLineString" else cut
    lines = [
        trimmed(shapely.get_coordinates(line), 0.95 * half)
        for line in shapely.get_parts(merged)
        if line.geom_type == "LineString" and line.length > 2.5 * half
    ]
    if not lines:
        return list(pieces), []
    swept = shapely.unary_union([_widen(shapely.LineString(line), half) for line in lines])
    return thick(shapely.difference(bare, swept), tolerance_mm), lines


def _attach(
    piece: Geometry,
    inside: Sequence[Ring],
    near: Sequence[Ring],
    room: Geometry,
    half: float,
    tolerance_mm: float,
) -> list[Floats]:
    """Paint a bare piece: by a detour of a ring beside it, as the tail of an innermost one, or by strokes of its own.

    Returns the strokes of its own. ``room``: where the tip's middle may go.
    """
    spike = _spike(piece, inside, room, half, tolerance_mm) or _spike(piece, near, room, half, tolerance_mm)
    if spike is not None:
        ring, where, way = spike
        ring.detours.append((where, way))
        return []
    own: list[Floats] = []
    rings = [*near, *inside]
    for line in covering_lines(piece, half, tolerance_mm):
        length = float(np.hypot(*np.diff(line, axis=0).T).sum())
        ring = rings[int(np.argmin([shapely.distance(one.line, shapely.Point(line[0])) for one in rings]))]
        starts = [way for way in (line, line[::-1]) if _reached(ring, way[0], room, 2.0 * half)]
        if starts and length <= SHORT_DETOUR * 2.0 * half:
            ring.detours.append((ring.project(starts[0][0]), starts[0]))
        elif starts and not ring.tails:
            ring.tails = starts
        else:
            own.append(line if len(line) > 1 else _touch(line[0], 0.25 * half))
    return own


def _reached(ring: Ring, place: Floats, room: Geometry, most_mm: float) -> bool:
    """Whether a place is at most so far from a ring, by a straight way inside ``room``."""
    way = shapely.shortest_line(ring.line, shapely.Point(place))
    length = float(shapely.length(way))
    return length <= most_mm and (length < 1e-9 or bool(shapely.covers(room, way)))


def _touch(place: Floats, reach_mm: float) -> Floats:
    """The least stroke: across a place, a little to both sides."""
    ends: Floats = place + np.array([[-reach_mm, 0.0], [reach_mm, 0.0]])
    return ends


def _spike(
    piece: Geometry, rings: Sequence[Ring], room: Geometry, half: float, tolerance_mm: float
) -> tuple[Ring, float, Floats] | None:
    """The shortest straight way off a ring that covers the piece, or None."""
    if not rings:
        return None
    tree = shapely.STRtree([ring.line for ring in rings])
    corners = shapely.points(shapely.get_coordinates(piece))
    ring = rings[int(tree.nearest(shapely.centroid(piece)))]
    distance = shapely.distance(corners, _around(ring.line, piece, 6.0 * half))
    if not np.isfinite(distance).all():
        return None
    farthest = int(np.argmax(distance))
    far = shapely.get_coordinates(corners[farthest])[0]
    where = ring.project(far)
    foot = ring.at(where)
    gap = float(distance[farthest])
    out = gap - 0.96 * half
    if out <= 0.0 or out > SHORT_DETOUR * 2.0 * half:
        return None
    end = foot + (far - foot) * (out / gap)
    way = shapely.LineString([foot, end])
    swept = _widen(way, half)
    if not shapely.covers(room, way) or thick(shapely.difference(piece, swept), tolerance_mm):
        return None
    return ring, where, end[None]


def _around(geometry: Geometry, piece: Geometry, margin_mm: float) -> Geometry:
    """What of a large geometry lies near a piece: distances to it take their time from its size."""
    left, top, right, bottom = shapely.bounds(piece)
    return shapely.clip_by_rect(
        geometry, left - margin_mm, top - margin_mm, right + margin_mm, bottom + margin_mm
    )


# Hatching ---------------------------------------------------------------------------------------------------------


def _hatch(
    first: Geometry,
    rings: list[Ring],
    room: Geometry,
    width: Callable[[float], float],
    overlap: float,
    angle_deg: float,
    tolerance_mm: float,
) -> list[Floats]:
    """One ring along the edge, then lines to and fro inside it.

    The lines end d = 3 r - s from the edge (s their pitch), less a little: then no point between the ring's paint,
    which is 2 r wide, and the ends of the lines is bare, at whatever angle they meet the edge.
    """
    painted_mm = float(shapely.length(first))
    half = width(painted_mm) / 2.0
    pitch = (1.0 - overlap) * 2.0 * half
    inner = _inset(first, 2.0 * half - pitch - tolerance_mm / 2.0, tolerance_mm) if overlap > 0 else first
    strokes: list[Floats] = []
    if not inner.is_empty:
        turned = _turned(inner, -angle_deg)
        free = _turned(room, -angle_deg)
        shapely.prepare(free)
        lines = _scan(turned, width, painted_mm, overlap)
        strokes = [_turned_points(stroke, angle_deg) for stroke in _serpentine(lines, free, 3.0 * pitch)]
    bare = _inset(first, half, tolerance_mm)
    if strokes:
        bare = shapely.difference(bare, _widen(shapely.MultiLineString(strokes), half))
    own: list[Floats] = []
    for piece in thick(bare, tolerance_mm):
        own += _attach(piece, [], rings, room, half, tolerance_mm)
    return [*link_rings(rings, overlap), *strokes, *own]


def _turned(area: Geometry, angle_deg: float) -> Geometry:
    return shapely.transform(area, lambda points: _turned_points(points, angle_deg))


def _turned_points(points: Floats, angle_deg: float) -> Floats:
    angle = np.radians(angle_deg)
    cos, sin = float(np.cos(angle)), float(np.sin(angle))
    turned: Floats = points @ np.array([[cos, sin], [-sin, cos]])
    return turned


@dataclass(frozen=True, slots=True)
class _Line:
    row: int
    y: float
    low: float
    high: float


def _scan(area: Geometry, width: Callable[[float], float], painted_mm: float, overlap: float) -> list[_Line]:
    """The pieces of horizontal lines inside ``area``, row by row; rows of one width lie on one lattice."""
    left, top, right, bottom = shapely.bounds(area)
    found: list[_Line] = []
    tip = width(painted_mm)
    pitch = (1.0 - overlap) * tip
    y = float(np.ceil(top / pitch)) * pitch
    row = 0
    while y < bottom:
        rows = y + pitch * np.arange(int(np.ceil((bottom - y) / pitch)))
        ends = np.broadcast_to([left - 1.0, right + 1.0], (len(rows), 2))
        lines = shapely.linestrings(np.stack([ends, np.broadcast_to(rows[:, None], ends.shape)], axis=-1))
        for at, cut in zip(rows, shapely.intersection(lines, area), strict=True):
            bits = shapely.get_parts(cut)
            bits = bits[shapely.get_type_id(bits) == shapely.GeometryType.LINESTRING]
            for low, high in sorted((float(bit[0]), float(bit[2])) for bit in shapely.bounds(bits)):
                if high - low > tip / 2.0:  # shorter ones are seen to with what is left bare
                    found.append(_Line(row, float(at), low, high))
                    painted_mm += high - low
            row += 1
            worn = width(painted_mm)
            if (
                worn != tip
            ):  # the next row lies by its own width from this one, and begins a lattice of its own
                y = float(at) + (1.0 - overlap) * (tip + worn) / 2.0
                tip, pitch = worn, (1.0 - overlap) * worn
                break
        else:
            return found
    return found


def _serpentine(lines: Sequence[_Line], room: Geometry, reach_mm: float) -> list[Floats]:
    """Lines joined to and fro where a row's piece faces just one of the next row's, and the way there is inside."""
    rows: dict[int, list[int]] = {}
    for index, line in enumerate(lines):
        rows.setdefault(line.row, []).append(index)
    facing: list[list[int]] = [[] for _ in lines]
    faced: list[list[int]] = [[] for _ in lines]
    for index, line in enumerate(lines):
        for other in rows.get(line.row + 1, []):
            if lines[other].low < line.high and line.low < lines[other].high:
                facing[index].append(other)
                faced[other].append(index)
    follows = {
        index: others[0]
        for index, others in enumerate(facing)
        if len(others) == 1 and len(faced[others[0]]) == 1
    }
    if follows:
        here = np.array([[lines[i].low, lines[i].high] for i in follows])
        there = np.array([[lines[i].low, lines[i].high] for i in follows.values()])
        y = np.array([[lines[i].y, lines[j].y] for i, j in follows.items()])
        ways = np.stack(
            [
                np.stack([here, np.broadcast_to(y[:, :1], here.shape)], -1),
                np.stack([there, np.broadcast_to(y[:, 1:], there.shape)], -1),
            ],
            2,
        )
        free = shapely.covers(room, shapely.linestrings(ways)) & (
            np.hypot(*(ways[:, :, 1] - ways[:, :, 0]).transpose(2, 0, 1)) <= reach_mm
        )
        allowed = dict(zip(follows, free, strict=True))
    strokes: list[Floats] = []
    done: set[int] = set()
    for index in range(len(lines)):
        if index in done:
            continue
        stroke: list[tuple[float, float]] = []
        now, at_high = index, True
        while True:
            line = lines[now]
            done.add(now)
            stroke += (
                [(line.low, line.y), (line.high, line.y)]
                if at_high
                else [(line.high, line.y), (line.low, line.y)]
            )
            after = follows.get(now)
            if after is None or after in done or not allowed[now][int(at_high)]:
                break
            now, at_high = after, not at_high
        strokes.append(np.array(stroke))
    return strokes


# What is narrower than the tip --------------------------------------------------------------------------------------


def _thin_parts(
    whole: Geometry, first: Geometry, rings: list[Ring], half: float, tolerance_mm: float, thin: str
) -> tuple[list[Floats], list[Left]]:
    """Lines along the middle of what the tip cannot reach, if wished, and all that there is of it.

    A short spike becomes a detour of the ring along the edge. What is left of a corner is no more than a tip long
    unless the corner is sharper than 39 degrees (a corner of angle a loses r / sin(a/2) - r); it is neither painted
    nor reported.
    """
    opened_whole = _widen(first, half)
    edge_whole = shapely.boundary(whole)
    lines: list[Floats] = []
    left: list[Left] = []
    for piece in thick(shapely.difference(whole, _widen(opened_whole, tolerance_mm)), tolerance_mm):
        opened = shapely.buffer(_around(opened_whole, piece, 4.0 * half), 0.0)
        edge = _around(edge_whole, piece, 4.0 * half)
        joints = polygons(shapely.intersection(opened, _widen(piece, 2.0 * tolerance_mm)))
        corners = shapely.points(shapely.get_coordinates(piece))
        reach = float(shapely.distance(corners, opened).max()) if joints else np.inf
        if len(joints) == 1 and reach <= 2.0 * half:
            continue
        box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(piece))
        longest = float(np.hypot(*np.diff(box, axis=0).T).max())
        if not joints and longest <= 2.0 * half + 4.0 * tolerance_mm:
            left.append(_left("speck", piece, longest, edge, painted=False))
            continue
        painted = False
        length = 0.0
        for line, whole_mm, tied in _along_thin(piece, opened, first, half, tolerance_mm):
            length += whole_mm
            if thin == "leave" or len(line) < 2:
                continue
            painted = True
            if rings and tied == 1 and shapely.LineString(line).length <= SHORT_DETOUR * 2.0 * half:
                begin = shapely.Point(line[0])
                ring = min(rings, key=lambda one: float(shapely.distance(one.line, begin)))
                ring.detours.append((ring.project(line[0]), line))
            else:
                lines.append(line)
        left.append(_left("neck" if len(joints) > 1 else "thin", piece, length, edge, painted=painted))
    return lines, left


def _along_thin(
    piece: Geometry, opened: Geometry, first: Geometry, half: float, tolerance_mm: float
) -> list[tuple[Floats, float, int]]:
    """Middle lines of a thin piece, each with its length before its free ends are shortened and its number of ties.

    By itself the piece ends in horns where it meets wider parts, and so would its middle. So the middle is taken of
    the piece with what of the wider parts is near: it runs into the tip of their paths' own area (``first``), which
    lies on it. There the line is cut and tied to those paths; at free ends it is shortened by half a tip. With one
    tie, the line begins there.
    """
    spread = shapely.buffer(piece, 1.2 * tolerance_mm)
    if not opened.is_empty:
        spread = shapely.union(spread, shapely.intersection(opened, shapely.buffer(piece, 3.0 * half)))
    core = shapely.buffer(_around(first, piece, 4.0 * half), 0.1 * half)
    found = []
    for way in middle_lines(spread, half, tolerance_mm):
        for part in shapely.get_parts(shapely.difference(shapely.LineString(way), core)):
            if shapely.distance(part, piece) > tolerance_mm or part.length < 0.2 * half:
                continue
            line = shapely.get_coordinates(part)
            if (line[0] == line[-1]).all():
                found.append((line, float(part.length), 0))
                continue
            ends = shapely.points(line[[0, -1]])
            free = np.array([True, True]) if core.is_empty else shapely.distance(ends, core) > 1e-6
            line = trimmed(line, half, begin=bool(free[0]), end=bool(free[1]))
            if not free.all():
                ties = shapely.get_coordinates(shapely.shortest_line(shapely.boundary(first), ends))[::2]
                line = np.concatenate([*([] if free[0] else [ties[:1]]), line])
                line = np.concatenate([line, *([] if free[1] else [ties[1:]])])
            if free[0] and not free[1]:
                line = line[::-1]
            found.append((line, float(part.length), int((~free).sum())))
    return found


def _left(kind: Any, piece: Geometry, length: float, edge: Geometry, *, painted: bool) -> Left:
    circle = shapely.maximum_inscribed_circle(piece)
    x, y = (float(value) for value in shapely.get_coordinates(circle)[0])
    width = 2.0 * float(shapely.distance(shapely.Point(x, y), edge))
    return Left(kind, (x, y), width, float(length), painted)
