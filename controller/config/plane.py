"""The plane of the canvas on the two axes, one place at a time: what the rules need to know of it.

Owns nothing but plain arithmetic. The map itself, its frames and signs are in controller/motion/geometry.py, which
maps arrays; a test holds the two together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

Table = tuple[Sequence[float], Sequence[float]]
"""Places that rise, and a value at each; straight lines between, the end values beyond."""

LEVEL: Table = ((0.0,), (0.0,))


def value_at(table: Table, place: float) -> float:
    """The table's value at ``place``."""
    places, values = table
    if place <= places[0]:
        return values[0]
    for (low, before), (high, after) in pairwise(zip(places, values, strict=True)):
        if place <= high:
            return before + (after - before) * (place - low) / (high - low)
    return values[-1]


def slopes(table: Table) -> list[float]:
    """Change of the value with the place, between each two places."""
    places, values = table
    return [
        (after - before) / (high - low)
        for (low, before), (high, after) in pairwise(zip(places, values, strict=True))
    ]


def bends(table: Table, low: float, high: float) -> list[tuple[float, float]]:
    """(change of slope, place) where the table bends between ``low`` and ``high``; level beyond its ends."""
    runs = [0.0, *slopes(table), 0.0]
    return [
        (abs(after - before), place)
        for place, (before, after) in zip(table[0], pairwise(runs), strict=True)
        if low < place < high
    ]


def place_of(lengths: Table, true_mm: float) -> float:
    """The place a with a + error(a) = ``true_mm``. Needs slopes above -1."""
    places, errors = lengths
    if true_mm <= places[0] + errors[0]:
        return true_mm - errors[0]
    for (low, before), (high, after) in pairwise(zip(places, errors, strict=True)):
        if true_mm <= high + after:
            return low + (high - low) * (true_mm - low - before) / (high + after - low - before)
    return true_mm - errors[-1]


@dataclass(frozen=True, slots=True)
class Plane:
    """Length tables of the two axes, sag by place along x, and squareness q: x = s_x + q s_y, y = s_y + drop."""

    lengths: tuple[Table, Table] = (LEVEL, LEVEL)
    sag: Table = LEVEL
    squareness: float = 0.0

    def to_axes(self, machine_mm: tuple[float, float]) -> tuple[float, float]:
        """Machine mm to axis mm."""
        x, y = machine_mm
        along = place_of(self._lengths_along(), x - self.squareness * y)
        return along, place_of(self.lengths[1], y - value_at(self.sag, along))

    def _lengths_along(self) -> Table:
        """What lies between a_x and x - q y = a_x + error - q drop."""
        if not self.squareness:
            return self.lengths[0]
        places = sorted({*self.lengths[0][0], *self.sag[0]})
        return places, [
            value_at(self.lengths[0], place) - self.squareness * value_at(self.sag, place) for place in places
        ]

    def extent_mm(
        self, low_mm: tuple[float, float], high_mm: tuple[float, float]
    ) -> tuple[tuple[float, float], tuple[float, float]]:
        """Lowest and highest axis mm, (x, y) each, of the rectangle with these corners in machine mm. Exact.

        a_x rises with x - q y, so its ends are at corners. a_y rises with y - drop(a_x), so its ends are on the upper
        and the lower edge, at a corner or where the sag has a place.
        """
        corners = [self.to_axes((x, y)) for y in (low_mm[1], high_mm[1]) for x in (low_mm[0], high_mm[0])]
        along = [corner[0] for corner in corners]
        across: list[float] = []
        for y, ends in ((low_mm[1], along[:2]), (high_mm[1], along[2:])):
            between = [place for place in self.sag[0] if ends[0] < place < ends[1]]
            across += [
                place_of(self.lengths[1], y - value_at(self.sag, place)) for place in (*ends, *between)
            ]
        return (min(along), min(across)), (max(along), max(across))
