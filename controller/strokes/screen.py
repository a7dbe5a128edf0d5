"""Screens: lattices of equal dots that stand for a tint, one lattice for the whole canvas.

Owns lattices, which dots an area gets, and the share of the surface that dots cover. Knows no inks, no machine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
import shapely

from controller.strokes.middle import polygons, quad_segments

Floats = npt.NDArray[np.float64]
Geometry = Any
"""A shapely geometry: the library brings no types."""

LatticeKind = Literal["square", "hexagonal"]
Borders = Literal["whole", "clipped", "dropped"]

STRONG_ANGLES_DEG: Final = (45.0, 75.0, 15.0)
"""Angles for the dominant ink and two other strong ones, 30 degrees apart (DIN 16547)."""
LIGHT_ANGLE_DEG: Final = 0.0
"""Angle for the lightest ink, 15 degrees from its neighbours, where least is seen of it (DIN 16547: yellow)."""

_SIDES: Final = {"square": 4, "hexagonal": 6}
_CELL: Final = {"square": 1.0, "hexagonal": math.sqrt(3.0) / 2.0}
FULL: Final = {"square": math.sqrt(2.0), "hexagonal": 2.0 / math.sqrt(3.0)}
"""Diameter in pitches at which a lattice's dots leave nothing bare."""

DOTS_MAX: Final = 300_000
"""Dots of one screen: beyond, strokes no longer fit into memory; 3 m by 2 m of them would lie 4.5 mm apart."""
BOXED_MAX: Final = 20
"""So many times as many places may lie in the box around an area."""


class TooManyDotsError(ValueError):
    """An area would get more than DOTS_MAX dots; ``dots`` is about how many."""

    def __init__(self, dots: float) -> None:
        self.dots = dots
        super().__init__(f"expected at most {DOTS_MAX} dots in an area, got about {dots:.3g}")


@dataclass(frozen=True, slots=True)
class Lattice:
    """Places origin + i * basis[0] + j * basis[1] for all whole i and j, canvas mm. ``basis_mm`` (2, 2), rows."""

    basis_mm: tuple[tuple[float, float], tuple[float, float]]
    origin_mm: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        (a, b), (c, d) = self.basis_mm
        if not abs(a * d - b * c) > 1e-9 * (a * a + b * b + c * c + d * d):
            raise ValueError(f"expected two steps that do not lie on one line, got {self.basis_mm}")


def lattice(
    kind: LatticeKind, pitch_mm: float, angle_deg: float, origin_mm: tuple[float, float] = (0.0, 0.0)
) -> Lattice:
    """A square or hexagonal lattice, its first step ``pitch_mm`` long at ``angle_deg`` from x towards y."""
    if not pitch_mm > 0.0:
        raise ValueError(f"expected pitch_mm > 0, got {pitch_mm}")
    first = math.radians(angle_deg)
    second = math.radians(angle_deg + (90.0 if kind == "square" else 60.0))
    return Lattice(
        (
            (pitch_mm * math.cos(first), pitch_mm * math.sin(first)),
            (pitch_mm * math.cos(second), pitch_mm * math.sin(second)),
        ),
        origin_mm,
    )


@dataclass(frozen=True, slots=True)
class ScreenDots:
    """The dots of one area. centre_mm: (D, 2), row by row along the lattice; diameter_mm: (D,), all the same.

    clipped: areas of the dots that the border cuts, if they are to be clipped: to be filled like any flat.
    dropped: how many dots the border touches that are left out.
    """

    centre_mm: Floats
    diameter_mm: Floats
    clipped: tuple[Geometry, ...]
    dropped: int


def screen_dots(
    area: Geometry,
    places: Lattice,
    diameter_mm: float,
    borders: Borders = "whole",
    tolerance_mm: float = 0.02,
) -> ScreenDots:
    """The lattice's dots in ``area`` (a shapely area, canvas mm).

    borders: "whole", every dot whose centre lies in the area (its edge included), beyond the edge by up to half its
    diameter; "clipped", dots that lie inside, and of those on the border what lies inside; "dropped", only those
    that lie inside.

    A lattice belongs to the canvas and not to the area: equal lattices put dots at the very same places, to the last
    bit, whatever areas they fill. Raises TooManyDotsError, before any are made.
    """
    if not diameter_mm > 0.0:
        raise ValueError(f"expected diameter_mm > 0, got {diameter_mm}")
    radius = diameter_mm / 2.0
    (a, b), (c, d) = places.basis_mm
    # About so much lies within a radius of the area: Steiner's formula without its last term.
    about = (area.area + area.length * radius) / abs(a * d - b * c)
    if about > DOTS_MAX:
        raise TooManyDotsError(about)
    centre = _places(area, places, radius)
    if not len(centre):
        return ScreenDots(np.empty((0, 2)), np.empty(0), (), 0)
    shapely.prepare(area)
    inside = shapely.intersects_xy(area, centre)
    points = shapely.points(centre)
    edge = shapely.boundary(area)
    shapely.prepare(edge)
    # Diameters are known to a nanometre; a dot that touches the edge from inside lies inside.
    cut = shapely.dwithin(edge, points, radius - 1e-6)
    clipped: list[Geometry] = []
    if borders == "whole":
        chosen, lost = inside, cut & ~inside
    elif borders == "dropped":
        chosen, lost = inside & ~cut, cut
    else:
        chosen, lost = inside & ~cut, cut & False
        discs = shapely.buffer(points[cut], radius, quad_segs=quad_segments(radius, tolerance_mm / 4.0))
        clipped = [part for part in shapely.intersection(discs, area) if polygons(part)]
    kept = centre[chosen]
    return ScreenDots(kept, np.full(len(kept), diameter_mm), tuple(clipped), int(np.count_nonzero(lost)))


def _places(area: Geometry, places: Lattice, margin_mm: float) -> Floats:
    """Places (n, 2) of the lattice in the box around ``area`` and a margin more."""
    if area.is_empty:
        return np.empty((0, 2))
    left, top, right, bottom = shapely.bounds(area)
    low = np.array([left, top]) - margin_mm
    high = np.array([right, bottom]) + margin_mm
    basis = np.asarray(places.basis_mm)
    origin = np.asarray(places.origin_mm)
    corners = np.array([[low[0], low[1]], [low[0], high[1]], [high[0], low[1]], [high[0], high[1]]]) - origin
    steps = corners @ np.linalg.inv(basis)
    first, last = np.floor(steps.min(axis=0)).astype(int), np.ceil(steps.max(axis=0)).astype(int)
    boxed = float(np.prod(high - low)) / abs(float(np.linalg.det(basis)))
    if boxed > BOXED_MAX * DOTS_MAX:
        raise TooManyDotsError(boxed)
    found = []
    columns = np.arange(first[0], last[0] + 1)
    for row in range(first[1], last[1] + 1):
        # Element by element: a matrix product may round otherwise for other sizes.
        x = origin[0] + columns * basis[0, 0] + row * basis[1, 0]
        y = origin[1] + columns * basis[0, 1] + row * basis[1, 1]
        near = (x >= low[0]) & (x <= high[0]) & (y >= low[1]) & (y <= high[1])
        found.append(np.column_stack([x[near], y[near]]))
    return np.concatenate(found)


def tint_of(diameter_per_pitch: npt.ArrayLike, kind: LatticeKind) -> Floats:
    """Share of the surface (0 to 1) that dots of a diameter, in pitches, cover; closed form.

    Up to touching: the disc's area over the cell's, pi d^2 / 4 and, hexagonal, that over sqrt(3) / 2. Beyond: less
    the segments that neighbours share, r^2 acos(h / r) - h sqrt(r^2 - h^2) each with h half a pitch, one for each
    side of the cell. Three discs never overlap before nothing is bare.
    """
    radius = np.asarray(diameter_per_pitch, dtype=np.float64) / 2.0
    if not (radius >= 0.0).all():
        raise ValueError("expected diameters of 0 or more")
    half = 0.5
    beyond = np.clip(radius, half, FULL[kind] / 2.0)
    segment = beyond**2 * np.arccos(half / beyond) - half * np.sqrt(beyond**2 - half**2)
    touching = np.minimum(radius, FULL[kind] / 2.0)
    share = (math.pi * touching**2 - _SIDES[kind] * segment) / _CELL[kind]
    tint: Floats = np.where(radius * 2.0 >= FULL[kind], 1.0, np.minimum(share, 1.0))
    return tint


def diameter_for(tint: npt.ArrayLike, kind: LatticeKind) -> Floats:
    """Diameter in pitches of the dots that cover ``tint`` (0 to 1) of the surface: ``tint_of`` backwards.

    In closed form up to touching, else halved in until two neighbouring numbers are left.
    """
    wanted = np.asarray(tint, dtype=np.float64)
    if not ((wanted >= 0.0) & (wanted <= 1.0)).all():
        raise ValueError("expected tints from 0 to 1")
    plain = np.sqrt(4.0 * _CELL[kind] * wanted / math.pi)
    low, high = np.ones(wanted.shape), np.full(wanted.shape, FULL[kind])
    for _ in range(60):
        middle = (low + high) / 2.0
        less = tint_of(middle, kind) < wanted
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    diameter: Floats = np.where(plain <= 1.0, plain, high)
    return diameter


def moire_period_mm(first_pitch_mm: float, second_pitch_mm: float, between_deg: float) -> float:
    """Period of the pattern that two screens make, ``between_deg`` apart; infinite for equal ones.

    p1 p2 / sqrt(p1^2 + p2^2 - 2 p1 p2 cos a): the difference of their two wave vectors. For equal pitches
    p / (2 sin(a / 2)).
    """
    squared = (first_pitch_mm - second_pitch_mm) ** 2 + 4.0 * first_pitch_mm * second_pitch_mm * math.sin(
        math.radians(between_deg) / 2.0
    ) ** 2
    return math.inf if squared == 0.0 else first_pitch_mm * second_pitch_mm / math.sqrt(squared)


def separation_deg(first_deg: float, second_deg: float, kind: LatticeKind = "square") -> float:
    """Smallest angle between two screens of a kind: square ones look the same every 90 degrees, hexagonal every 60."""
    turn = 90.0 if kind == "square" else 60.0
    apart = (first_deg - second_deg) % turn
    return min(apart, turn - apart)
