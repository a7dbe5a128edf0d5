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

from controller.strokes.middle import along

Floats = npt.NDArray[np.float64]

GLIDE: Final = 5.0
"""A step inwards is drawn out over so many times its width: 11 degrees, which no planner takes for a corner."""
GLIDE_SHARE: Final = 0.8  # of a ring's length, at most
GLIDE_POINTS: Final = 9


@dataclass(slots=True)
class Ring:
    """One closed ring (n, 2) that ends where it begins, its area to one side, and the detours that leave it."""

    points: Floats
    level: int
    tail: Floats | None = None
    detours: list[tuple[float, Floats]] = field(default_factory=list)
    """At which length along ``points``, and where to go (m, 2) before coming back the same way."""
    length: float = 0.0
    line: Any = None
    child: int = -1
    seam: float = 0.0
    whole: float = 0.0

    def __post_init__(self) -> None:
        self.line = shapely.LineString(self.points)
        self.length = float(self.line.length)

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
        places = sorted(((where - begin) % self.length, way) for where, way in self.detours)
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


def link_rings(rings: Sequence[Ring]) -> list[Floats]:
    """All rings in few strokes, the outermost ring of each stroke first and whole."""
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
            else:
                ring.seam = _own_seam(ring)
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
    return [_stroke(rings, index) for index in sorted(starts, key=lambda index: (rings[index].level, index))]


def _glide_most(ring: Ring, step: float) -> float:
    return min(GLIDE * step, GLIDE_SHARE * ring.length)


def _own_seam(ring: Ring) -> float:
    """Where an innermost ring is entered from: before its tail's beginning, else before its longest straight's end."""
    if ring.tail is not None:
        return ring.project(ring.tail[0])
    lengths = np.hypot(*np.diff(ring.points, axis=0).T)
    longest = int(np.argmax(lengths))
    return float(lengths[:longest].sum() + 0.5 * lengths[longest])


def _stroke(rings: Sequence[Ring], first: int) -> Floats:
    chain = [rings[first]]
    while chain[-1].child >= 0:
        chain.append(rings[chain[-1].child])
    glides = _glides(chain)
    parts = [chain[0].walk(chain[0].seam, chain[0].length)]
    for index in range(1, len(chain)):
        ring, glide = chain[index], glides[index]
        parts.append(_glide(chain[index - 1], ring, glide))
        # The innermost ring is closed where it was entered; any other is left where the next step begins.
        run = ring.length if index == len(chain) - 1 else ring.length - glide
        parts.append(ring.walk(ring.seam + glide, run))
    if chain[-1].tail is not None:
        parts.append(chain[-1].tail)
    return np.concatenate(parts)


def _glides(chain: Sequence[Ring]) -> list[float]:
    """How long each step inwards is drawn out, never longer than the next one, and none across a detour.

    A ring lacks the stretch over which it was entered. The step that leaves it covers that stretch, if it is drawn
    out as long at least.
    """
    glides = [0.0] * len(chain)
    most = np.inf
    for index in range(len(chain) - 1, 0, -1):
        ring, outer = chain[index], chain[index - 1]
        step = float(np.hypot(*(ring.at(ring.seam) - outer.at(outer.seam))))
        glide = _glide_most(ring, step)
        free = [(where - ring.seam) % ring.length for where, _ in ring.detours]
        most = glides[index] = min(glide, most, *[0.9 * where for where in free])
    return glides


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
