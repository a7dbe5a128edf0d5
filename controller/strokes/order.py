"""The order in which strokes are painted: short ways with the pen up.

Owns the nearest-neighbour order that the exchanges of ``shorten`` start from, and the choice of loops' starting points
along it (``starts`` says which there are). Knows no speeds. Deterministic: of two
equally near ends the earlier stroke wins, and of a stroke's two ends its start.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from controller.strokes.shorten import LEAST_GAIN_MM, Way
from controller.strokes.starts import Starts, possible_starts
from controller.strokes.strokeset import StrokeKind, StrokeSet

Floats = npt.NDArray[np.float64]

START_SWEEPS = 4
"""How often all loops may choose their places anew, at most."""

_FIRST_LOOK = 16  # neighbours of every end found at once, before single questions are asked


class _Ends:
    """The ends at which strokes not yet painted can be begun; asked for the nearest again and again."""

    def __init__(self, places: Floats, stroke: npt.NDArray[np.int64]) -> None:
        self.places = places
        self.stroke = stroke.tolist()
        self.is_open = [True] * (int(stroke.max()) + 1)
        self.left = len(self.is_open)
        self._rebuild(np.arange(len(places)))

    def _rebuild(self, index: npt.NDArray[np.int64]) -> None:
        self._index = index
        self._tree = cKDTree(self.places[index])
        self._at_build = self.left

    def take(self, end: int) -> None:
        """The stroke of ``end`` is painted now."""
        self.is_open[self.stroke[end]] = False
        self.left -= 1
        if self.left and self.left * 2 < self._at_build:
            self._rebuild(np.array([i for i in self._index if self.is_open[self.stroke[i]]], dtype=np.int64))

    def nearest(self, x: float, y: float) -> int:
        """The nearest end of an open stroke; the lowest of equally near ones."""
        many, total = 8, len(self._index)
        while True:
            many = min(many, total)
            distance, found = self._tree.query((x, y), k=many)
            ends = self._index[np.atleast_1d(found)]
            best = self.best(np.atleast_1d(distance).tolist(), ends.tolist(), many == total)
            if best >= 0:
                return best
            many *= 4

    def best(self, distance: list[float], ends: list[int], complete: bool) -> int:
        """The nearest open end of a list sorted by distance; -1 if an end beyond the list could be as near."""
        chosen, reach = -1, 0.0
        for gap, end in zip(distance, ends, strict=True):
            if chosen >= 0 and gap > reach:
                return chosen
            if self.is_open[self.stroke[end]] and (chosen < 0 or end < chosen):
                chosen, reach = end, gap
        return chosen if complete else -1


def nearest_neighbour(
    starts_mm: Floats, ends_mm: Floats, reversible: npt.NDArray[np.bool_], start_mm: tuple[float, float]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Always on to the nearest end of a stroke not yet painted.

    starts_mm, ends_mm: (S, 2). ``reversible`` (S,): the stroke may be begun at its end. Returns the order (S,) and,
    in that order, whether each stroke runs backwards.
    """
    count = len(starts_mm)
    if count == 0:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=bool)
    # Ends in the order start 0, end 0, start 1, ...: the lower number wins a tie.
    usable = np.column_stack([np.ones(count, dtype=bool), reversible]).ravel()
    both = np.stack([starts_mm, ends_mm], axis=1).reshape(-1, 2)
    owner = np.repeat(np.arange(count), 2)[usable]
    backwards = np.tile([False, True], count)[usable]
    places = both[usable]
    leave = np.where(backwards[:, None], starts_mm[owner], ends_mm[owner])
    ends = _Ends(places, owner)
    look = min(_FIRST_LOOK, len(places))
    distance, found = cKDTree(places).query(leave, k=look)
    distances, neighbours = np.reshape(distance, (-1, look)), np.reshape(found, (-1, look))
    complete = look == len(places)
    order = np.empty(count, dtype=np.int64)
    end = ends.nearest(*start_mm)
    for place in range(count):
        order[place] = end
        ends.take(end)
        if place + 1 == count:
            break
        following = ends.best(distances[end].tolist(), neighbours[end].tolist(), complete)
        end = following if following >= 0 else ends.nearest(*leave[end].tolist())
    return owner[order], backwards[order]


def order_strokes(strokes: StrokeSet, start_mm: tuple[float, float]) -> StrokeSet:
    """The same strokes in an order with a short way with the pen up from ``start_mm``; open lines may run backwards.

    Loops begin at an extreme of an axis (``starts``), at the one that makes the way short; dots begin where they
    begin. Nearest neighbour, then 2-opt and Or-opt, then the loops' places by turns with their neighbours. Never a
    longer way (with what the places are worth) than in the given order with every loop begun at the place that is
    best from where it was; that order stays when nothing is gained.
    """
    if len(strokes) == 0:
        return strokes
    starts, ends = (
        strokes.points_mm[strokes.offsets[:-1]].copy(),
        strokes.points_mm[strokes.offsets[1:] - 1].copy(),
    )
    places = possible_starts(strokes)
    begin = np.zeros(len(strokes), dtype=np.int64)
    nowhere = np.full((len(places.loop), 2), np.nan)
    _begin_at(places, places.nearest_to(starts[places.loop], nowhere), begin, starts, ends)
    given = begin.copy()
    before_mm = _way_mm(starts, ends, start_mm) + _price_mm(places, begin)
    reversible = strokes.kind == StrokeKind.LINE
    order, backwards = nearest_neighbour(starts, ends, reversible, start_mm)
    for again in range(2):
        entry, leave = _entries(starts, ends, order, backwards)
        way = Way(complex(*start_mm), _complex(entry), _complex(leave), reversible[order])
        way.shorten()
        order, backwards = order[way.station], backwards[way.station] ^ way.turned
        if not _move_starts(places, begin, starts, ends, order, backwards, start_mm) or again:
            break
    after_mm = _way_mm(*_entries(starts, ends, order, backwards), start_mm) + _price_mm(places, begin)
    if after_mm < before_mm - LEAST_GAIN_MM:
        return strokes.arranged(order, backwards, begin[order])
    if not given.any():
        return strokes
    return strokes.arranged(np.arange(len(strokes)), np.zeros(len(strokes), dtype=bool), given)


def _move_starts(
    places: Starts,
    begin: npt.NDArray[np.int64],
    starts: Floats,
    ends: Floats,
    order: npt.NDArray[np.int64],
    backwards: npt.NDArray[np.bool_],
    start_mm: tuple[float, float],
) -> bool:
    """Let every other loop on the way choose its place, its neighbours standing still, then those between.

    Changes ``begin``, ``starts`` and ``ends`` in place; tells whether the way became shorter.
    """
    at = np.empty(len(order), dtype=np.int64)
    at[order] = np.arange(len(order))
    parity = at[places.loop] % 2
    first_mm = now_mm = _way_mm(*_entries(starts, ends, order, backwards), start_mm) + _price_mm(
        places, begin
    )
    for _ in range(START_SWEEPS if len(places.loop) else 0):
        for turn in (0, 1):
            entry, leave = _entries(starts, ends, order, backwards)
            here = np.concatenate([np.reshape(np.asarray(start_mm, dtype=np.float64), (1, 2)), leave[:-1]])
            there = np.concatenate([entry[1:], np.full((1, 2), np.nan)])
            chosen = places.nearest_to(here[at[places.loop]], there[at[places.loop]])
            _begin_at(places, chosen, begin, starts, ends, parity == turn)
        before_mm = now_mm
        now_mm = _way_mm(*_entries(starts, ends, order, backwards), start_mm) + _price_mm(places, begin)
        if now_mm > before_mm - LEAST_GAIN_MM:
            break
    return now_mm < first_mm - LEAST_GAIN_MM


def _begin_at(
    places: Starts,
    chosen: npt.NDArray[np.int64],
    begin: npt.NDArray[np.int64],
    starts: Floats,
    ends: Floats,
    which: npt.NDArray[np.bool_] | None = None,
) -> None:
    loops = places.loop if which is None else places.loop[which]
    at = chosen if which is None else chosen[which]
    begin[loops] = places.vertex[at]
    starts[loops] = ends[loops] = places.place_mm[at]


def _price_mm(places: Starts, begin: npt.NDArray[np.int64]) -> float:
    """What the places chosen cost beside each loop's best."""
    owner = np.repeat(places.loop, np.diff(places.first))
    return float(places.price_mm[places.vertex == begin[owner]].sum())


def _entries(
    starts: Floats, ends: Floats, order: npt.NDArray[np.int64], backwards: npt.NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Where each stroke of the order is begun and left, (S, 2) each."""
    turned = backwards[:, None]
    return np.where(turned, ends[order], starts[order]), np.where(turned, starts[order], ends[order])


def _way_mm(entry: Floats, leave: Floats, start_mm: tuple[float, float]) -> float:
    here = np.concatenate([np.reshape(np.asarray(start_mm, dtype=np.float64), (1, 2)), leave[:-1]])
    return float(np.hypot(*(entry - here).T).sum())


def _complex(points_mm: Floats) -> npt.NDArray[np.complex128]:
    together: npt.NDArray[np.complex128] = points_mm[:, 0] + 1j * points_mm[:, 1]
    return together
