"""Rings inside each other to few strokes: spirals that step inwards along one seam, with short detours.

Owns how rings are linked. Knows neither areas nor tips beyond the distance between two rings.

A ring at distance s inside another is everywhere exactly s away from it. So a seam is laid from the innermost ring
outwards, each time to the nearest point, and no step from ring to ring is longer than s.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from controller.strokes.middle import along, thick

Floats = npt.NDArray[np.float64]

GLIDE: Final = 5.0
"""A step inwards is drawn out over so many times its width: 11 degrees, which no planner takes for a corner."""
GLIDE_SHARE: Final = 0.8  # of a ring's length, at most
GLIDE_POINTS: Final = 9
OVERLAP_MIN: Final = 0.18  # rings that overlap by less leave no play for steps that are drawn out
SEAMS: Final = 12  # places that are tried for a seam, besides the obvious ones


@dataclass(slots=True)
class Ring:
    """One closed ring (n, 2) that ends where it begins, its area to one side, and the detours that leave it."""

    points: Floats
    level: int
    step: float
    """Distance to the ring around it."""
    half: float
    """Half the tip's width."""
    tails: list[Floats] = field(default_factory=list)
    """One line (n, 2) in the directions in which it can be gone on to from the ring: none, one or two."""
    detours: list[tuple[float, Floats]] = field(default_factory=list)
    """At which length along ``points``, and where to go (m, 2) before coming back the same way."""
    length: float = 0.0
    line: Any = None
    child: int = -1
    seam: float = 0.0
    whole: float = 0.0
    glide: float = 0.0
    """How long the stretch from the seam on is that a step inwards stands for."""
    full: bool = False
    """Whether it has to be gone round wholly."""

    def __post_init__(self) -> None:
        self.line = shapely.LineString(self.points)
        self.length = float(self.line.length)

    def straight(self, where: float, most: float, turn_rad: float, window: float) -> float:
        """How far the ring can be followed from ``where`` before it turns sharply: ``most`` if it does not.

        Sharply: by more than ``turn_rad`` within the length ``window``.
        """
        legs = np.diff(self.points, axis=0)
        before = np.roll(legs, 1, axis=0)
        turn = np.abs(
            np.arctan2(before[:, 0] * legs[:, 1] - before[:, 1] * legs[:, 0], (before * legs).sum(axis=1))
        )
        place = np.concatenate([[0.0], np.cumsum(np.hypot(*legs.T))])[:-1]
        places = np.concatenate([place - self.length, place, place + self.length])
        sums = np.concatenate([[0.0], np.cumsum(np.tile(turn, 3))])
        low = np.searchsorted(places, place - window / 2.0, side="left")
        high = np.searchsorted(places, place + window / 2.0, side="right")
        sharp = place[sums[high] - sums[low] > turn_rad]
        ahead = (sharp - where) % self.length
        return float(min(most, ahead.min())) if len(ahead) else most

    def project(self, point: Floats) -> float:
        """The length along the ring at which it is nearest to ``point``."""
        return float(shapely.line_locate_point(self.line, shapely.Point(point)))

    def at(self, length: float) -> Floats:
        """The point at a length along the ring, going round as often as needed."""
        place: Floats = shapely.get_coordinates(
            shapely.line_interpolate_point(self.line, length % self.length)
        )[0]
        return place

    def piece(self, begin: float, run: float) -> Floats:
        """The ring from ``begin`` on for the length ``run`` (at most once around), detours left out."""
        begin %= self.length
        end = begin + run
        if run >= self.length - 1e-9:
            first = along(self.points, begin, self.length) if begin > 1e-9 else self.points
            parts = [first, along(self.points, 0.0, begin)[1:]] if begin > 1e-9 else [first]
            whole = np.concatenate(parts)
            whole[-1] = whole[0]
            return whole
        if end <= self.length:
            return along(self.points, begin, end)
        return np.concatenate(
            [along(self.points, begin, self.length), along(self.points, 0.0, end - self.length)[1:]]
        )

    def walk(self, begin: float, run: float) -> Floats:
        """As ``piece``, with the detours on the way."""
        places = sorted(
            (((where - begin) % self.length, way) for where, way in self.detours), key=lambda one: one[0]
        )
        parts: list[Floats] = []
        done = 0.0
        for where, way in places:
            if where > run:
                continue
            if where > done + 1e-9:
                parts.append(self.piece(begin + done, where - done))
            parts += [self.at(begin + where)[None], way, way[-2::-1], self.at(begin + where)[None]]
            done = where
        if run > done + 1e-9:
            parts.append(self.piece(begin + done, run - done))
        line = np.concatenate(parts) if parts else self.piece(begin, run)
        if run >= self.length - 1e-9:
            line[-1] = line[0]
        return line


def link_rings(rings: Sequence[Ring], overlap: float) -> list[Floats]:
    """All rings in few strokes, the outermost ring of each stroke first and whole.

    ``overlap`` is the share of the tip's width by which rings overlap: at a corner that turns by more than
    2 acos(1 - overlap) two steps across it would lie too far apart, so that none is laid there.
    """
    turn_rad = 2.0 * float(np.arccos(1.0 - overlap))
    own: list[Floats] = []
    levels = sorted({ring.level for ring in rings})
    at_level = {level: [i for i, ring in enumerate(rings) if ring.level == level] for level in levels}
    claimed: dict[int, list[int]] = {}
    starts: list[int] = []
    for level in reversed(levels):
        for index in at_level[level]:
            ring = rings[index]
            inside = claimed.get(index, [])
            if inside:
                best = max(inside, key=lambda child: rings[child].whole)
                starts += [child for child in inside if child != best]
                ring.child = best
                ring.seam = ring.project(rings[best].at(rings[best].seam))
                ring.whole = ring.length + rings[best].whole
                own += ring.tails[:1]
            else:
                ring.seam = _own_seam(ring, turn_rad)
                ring.whole = ring.length
        outer = at_level.get(level - 1, [])
        if not outer:
            starts += at_level[level]
            continue
        tree = shapely.STRtree([rings[index].line for index in outer])
        for index in at_level[level]:
            parent = outer[int(tree.nearest(shapely.Point(rings[index].at(rings[index].seam))))]
            claimed.setdefault(parent, []).append(index)
    # Outer strokes first; within a level in the order in which the rings came.
    starts.sort(key=lambda index: (rings[index].level, index))
    return [*(_stroke(rings, index, turn_rad) for index in starts), *own]


def bare_rings(rings: Sequence[Ring], strokes: Sequence[Floats], tolerance_mm: float) -> list[Ring]:
    """Rings whose left-out stretch no stroke covers.

    Only what a left-out stretch would have painted can be bare. Steps beside it cover it but where the ring bends
    otherwise than its neighbours.
    """
    open_rings = [ring for ring in rings if ring.glide > 0.0]
    if not open_rings:
        return []
    points = np.concatenate(strokes)
    last = np.cumsum([len(line) for line in strokes]) - 1
    begin = np.setdiff1d(np.arange(len(points)), last)  # vertices that a leg begins at
    tree = shapely.STRtree(shapely.linestrings(np.stack([points[begin], points[begin + 1]], axis=1)))
    found = []
    for ring in open_rings:
        zone = shapely.buffer(shapely.LineString(ring.piece(ring.seam, ring.glide)), ring.half)
        left, top, right, bottom = shapely.bounds(zone) + ring.half * np.array([-1.0, -1.0, 1.0, 1.0])
        near = begin[np.sort(tree.query(shapely.box(left, top, right, bottom)))]
        runs = [points[run[0] : run[-1] + 2] for run in np.split(near, np.flatnonzero(np.diff(near) > 1) + 1)]
        clipped = shapely.clip_by_rect(shapely.MultiLineString(runs), left, top, right, bottom)
        cover = shapely.buffer(clipped, ring.half, quad_segs=10)
        if thick(shapely.difference(zone, cover), tolerance_mm):
            found.append(ring)
    return found


def _glide_most(ring: Ring, where: float, turn_rad: float) -> float:
    """How long a step onto ``ring`` at ``where`` may be drawn out."""
    if ring.full or 1.0 - np.cos(turn_rad / 2.0) < OVERLAP_MIN:
        return 0.0
    most = min(GLIDE * ring.step, GLIDE_SHARE * ring.length)
    return ring.straight(where, most, turn_rad, 0.3 * ring.step)


def _own_seam(ring: Ring, turn_rad: float) -> float:
    """Where an innermost ring is entered: so that it ends at its tail's beginning, else on its longest straight."""
    if ring.tails:
        best = (-1.0, 0.0, ring.tails[0])
        for tail in ring.tails:
            end = ring.project(tail[0])
            glide = next(
                glide
                for glide in (GLIDE * ring.step, 3.0 * ring.step, ring.step, 0.0)
                if glide == 0.0 or (ring.level > 0 and _glide_most(ring, end - glide, turn_rad) >= glide)
            )
            if glide > best[0]:
                best = glide, end - glide, tail
        ring.tails = [best[2]]
        return best[1] % ring.length
    lengths = np.hypot(*np.diff(ring.points, axis=0).T)
    longest = int(np.argmax(lengths))
    places = [lengths[:longest].sum() + 0.2 * lengths[longest], *(where for where, _ in ring.detours)]
    places += list(np.linspace(0.0, ring.length, SEAMS, endpoint=False))
    free = [
        min([_glide_most(ring, place, turn_rad), *(_ahead(ring, place, where) for where, _ in ring.detours)])
        for place in places
    ]
    return float(places[int(np.argmax(np.round(free, 3)))])


def _ahead(ring: Ring, seam: float, where: float) -> float:
    """How long a step may be that begins at ``seam``, before the detour at ``where``."""
    return 0.9 * ((where - seam - 1e-9) % ring.length)


def _stroke(rings: Sequence[Ring], first: int, turn_rad: float) -> Floats:
    chain = [rings[first]]
    while chain[-1].child >= 0:
        chain.append(rings[chain[-1].child])
    glides = _glides(chain, turn_rad)
    for ring, glide in zip(chain[:-1], glides[:-1], strict=True):
        ring.glide = glide
    chain[-1].glide = 0.0  # gone round wholly, wherever it was entered
    parts = [chain[0].walk(chain[0].seam, chain[0].length)]
    for index in range(1, len(chain)):
        ring, glide = chain[index], glides[index]
        parts.append(_glide(chain[index - 1], ring, glide))
        # The innermost ring is closed where it was entered; any other is left where the next step begins.
        run = ring.length if index == len(chain) - 1 else ring.length - glide
        parts.append(ring.walk(ring.seam + glide, run))
    last = chain[-1]
    if last.tails:
        end = last.seam + glides[-1]
        further = (last.project(last.tails[0][0]) - end) % last.length
        if 1e-6 < further < last.length - 1e-6:
            parts.append(last.piece(end, further))
        parts.append(last.tails[0])
    return np.concatenate(parts)


def _glides(chain: Sequence[Ring], turn_rad: float) -> list[float]:
    """How long each step inwards is drawn out, never longer than the next one, and none across a detour.

    A ring lacks the stretch over which it was entered. The step that leaves it covers that stretch, if it is drawn
    out as long at least.
    """
    glides = [0.0] * len(chain)
    most = np.inf
    for index in range(len(chain) - 1, 0, -1):
        ring = chain[index]
        glide = _glide_most(ring, ring.seam, turn_rad)
        if index + 1 < len(chain):
            glide = _followed(ring, chain[index + 1], glide)
        most = min([glide, most, *(_ahead(ring, ring.seam, where) for where, _ in ring.detours)])
        glides[index] = most
    return glides


def _followed(ring: Ring, inner: Ring, glide: float) -> float:
    """As much of ``glide`` as the next ring keeps beside: farther on, nothing would cover what is left out there."""
    along_mm = np.linspace(0.0, glide, GLIDE_POINTS)
    places = shapely.line_interpolate_point(ring.line, (ring.seam + along_mm) % ring.length)
    far = np.flatnonzero(shapely.distance(inner.line, places) > 1.02 * inner.step)
    return float(along_mm[max(int(far[0]) - 1, 0)]) if len(far) else glide


def _glide(outer: Ring, ring: Ring, glide: float) -> Floats:
    """From the seam of ``outer`` to ``ring``, ``glide`` beyond its seam, always between the two."""
    if glide <= 1e-6:
        return np.stack([outer.at(outer.seam), ring.at(ring.seam)])
    inner = shapely.segmentize(shapely.LineString(ring.piece(ring.seam, glide)), glide / (GLIDE_POINTS - 1))
    there = shapely.get_coordinates(inner)
    lengths = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(there, axis=0).T))])
    share = (lengths / lengths[-1])[:, None]
    foot = shapely.line_interpolate_point(
        outer.line, shapely.line_locate_point(outer.line, shapely.points(there))
    )
    way: Floats = (1.0 - share) * shapely.get_coordinates(foot) + share * there
    return way
