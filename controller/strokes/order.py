"""The order in which strokes are painted: short ways with the pen up.

Owns the nearest-neighbour order that the exchanges of ``shorten`` start from, and the choice of loops' starting points
along it (``starts`` says which there are). What a way costs is asked of ``travel``. Deterministic: of two equally near
ends the earlier stroke wins, and of a stroke's two ends its start.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from controller.strokes.shorten import LEAST_GAIN, Stations, shortened
from controller.strokes.starts import possible_starts
from controller.strokes.strokeset import StrokeKind, StrokeSet
from controller.strokes.travel import TravelCost, first_signs

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


def order_strokes(
    strokes: StrokeSet,
    start_mm: tuple[float, float],
    end_mm: tuple[float, float] | None = None,
    cost: TravelCost | None = None,
    kicks: int | None = None,
) -> StrokeSet:
    """The same strokes in an order with a cheap way with the pen up from ``start_mm``; open lines may run backwards.

    end_mm: where the pen goes after the last stroke (the park position); None: nowhere. cost: what a way costs; its
    length in mm where None, ``TravelCost.of(machine)`` for its time. kicks: how much is tried (``shorten``).

    Loops begin at an extreme of an axis (``starts``), at the one that makes the way short; dots begin where they
    begin. Nearest neighbour, then 2-opt and Or-opt, then the loops' places by turns with their neighbours, and both
    once more with kicks. Never a dearer way (with what the places are worth) than in the given order with every loop
    begun at the place that is best from where it was; that order stays when nothing is gained.
    """
    found = arrangement(strokes, start_mm, end_mm, cost, kicks)
    return strokes if found is None else strokes.arranged(*found)


def arrangement(
    strokes: StrokeSet,
    start_mm: tuple[float, float],
    end_mm: tuple[float, float] | None = None,
    cost: TravelCost | None = None,
    kicks: int | None = None,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_], npt.NDArray[np.int64]] | None:
    """What ``order_strokes`` does, as arguments of ``StrokeSet.arranged``; None where all stays as given."""
    if len(strokes) == 0:
        return None
    way = _Way(strokes, start_mm, end_mm, cost if cost is not None else TravelCost.distance())
    given = np.arange(len(strokes)), np.zeros(len(strokes), dtype=bool)
    places = way.places
    way.begin_at(places.nearest_to(way.starts_mm()[places.loop], np.full((len(places.loop), 2), np.nan)))
    begun = way.begin.copy()
    before = way.total(*given)
    order, backwards = nearest_neighbour(way.starts_mm(), way.ends_mm(), way.reversible, start_mm)
    for tries in (0, kicks):
        order, backwards = shortened(way.stations(), order, backwards, way.cost, tries)
        way.move_starts(order, backwards)
    if way.total(order, backwards) < before - LEAST_GAIN:
        return order, backwards, way.begin[order]
    return (*given, begun) if begun.any() else None


def along(
    strokes: StrokeSet, start_mm: tuple[float, float], end_mm: tuple[float, float], cost: TravelCost
) -> StrokeSet:
    """The same strokes in the same order; open lines may run backwards and loops begin elsewhere, so that the way with
    the pen up is cheap. Of all directions of the lines the best, each loop's place chosen with its neighbours still.
    """
    if len(strokes) == 0:
        return strokes
    way = _Way(strokes, start_mm, end_mm, cost)
    order, backwards = np.arange(len(strokes)), np.zeros(len(strokes), dtype=bool)
    places = way.places
    way.begin_at(places.nearest_to(way.starts_mm()[places.loop], np.full((len(places.loop), 2), np.nan)))
    for _ in range(2):
        way.move_starts(order, backwards)
        backwards = way.directions()
    return strokes.arranged(order, backwards, way.begin)


class _Way:
    """Strokes with their ends, of which loops may still choose their place.

    ``begin`` (S,): the vertex at which each stroke begins; 0 but for loops.
    """

    def __init__(
        self,
        strokes: StrokeSet,
        start_mm: tuple[float, float],
        end_mm: tuple[float, float] | None,
        cost: TravelCost,
    ) -> None:
        points, first, last = strokes.points_mm, strokes.offsets[:-1], strokes.offsets[1:] - 1
        self.cost = cost
        self.places = possible_starts(strokes)
        self.begin = np.zeros(len(strokes), dtype=np.int64)
        self.reversible = strokes.kind == StrokeKind.LINE
        self._start_mm, self._end_mm = start_mm, end_mm
        self._ends_mm = np.stack([points[first], points[last]], axis=1)
        self._signs = np.stack(
            [first_signs(points, first, first + 1), first_signs(points, last, last - 1)], axis=1
        )
        owner = np.repeat(self.places.loop, np.diff(self.places.first))
        at = first[owner] + self.places.vertex
        self._place_signs = first_signs(points, at, at + 1)
        self._owner = owner

    def starts_mm(self) -> Floats:
        """Where the strokes start, (S, 2)."""
        return self._ends_mm[:, 0]

    def ends_mm(self) -> Floats:
        """Where the strokes end, (S, 2)."""
        return self._ends_mm[:, 1]

    def stations(self) -> Stations:
        """The strokes as they begin and end, for the exchanges."""
        return Stations(self._ends_mm, self._signs, self.reversible, self._start_mm, self._end_mm)

    def total(self, order: npt.NDArray[np.int64], backwards: npt.NDArray[np.bool_]) -> float:
        """Cost of the way, with what the loops' places cost beside each one's best."""
        price_mm = float(self.places.price_mm[self.places.vertex == self.begin[self._owner]].sum())
        return self.stations().way(order, backwards, self.cost) + price_mm / self.cost.speed_mm_s

    def begin_at(
        self, chosen: npt.NDArray[np.int64], which: npt.NDArray[np.bool_] | slice = slice(None)
    ) -> None:
        """Let the loops ``which`` begin at the places ``chosen`` (L,)."""
        loops, at = self.places.loop[which], chosen[which]
        self.begin[loops] = self.places.vertex[at]
        self._ends_mm[loops] = self.places.place_mm[at][:, None]
        self._signs[loops, 0] = self._place_signs[at]

    def move_starts(self, order: npt.NDArray[np.int64], backwards: npt.NDArray[np.bool_]) -> None:
        """Let every other loop on the way choose its place, its neighbours standing still, then those between."""
        places = self.places
        at = np.empty(len(order), dtype=np.int64)
        at[order] = np.arange(len(order))
        here_of, parity = at[places.loop], at[places.loop] % 2
        now = self.total(order, backwards)
        first = backwards.astype(np.int64)
        after = np.reshape(self._end_mm if self._end_mm is not None else (np.nan, np.nan), (1, 2))
        for _ in range(START_SWEEPS if len(places.loop) else 0):
            kept = self.begin.copy(), self._ends_mm.copy(), self._signs.copy()
            for turn in (0, 1):
                entry, leave = self._ends_mm[order, first], self._ends_mm[order, 1 - first]
                here = np.concatenate([np.reshape(self._start_mm, (1, 2)), leave[:-1]])
                there = np.concatenate([entry[1:], after])
                self.begin_at(places.nearest_to(here[here_of], there[here_of]), parity == turn)
            before, now = now, self.total(order, backwards)
            if now > before - LEAST_GAIN:
                if now > before:
                    self.begin, self._ends_mm, self._signs = kept
                break

    def directions(self) -> npt.NDArray[np.bool_]:
        """Which strokes (S,) run backwards on the cheapest way through all in their order: a chain of two choices."""
        entry, leave = self._ends_mm, self._ends_mm[:, ::-1]
        step = np.empty((len(entry), 2, 2))  # by stroke: how the one before runs, how it runs itself
        first = np.reshape(self._start_mm, (1, 2))
        for before in (0, 1):
            here = np.concatenate([first, leave[:-1, before]])
            for now in (0, 1):
                step[:, before, now] = self.cost.links(here, entry[:, now], self._signs[:, now])
        step[~self.reversible, :, 1] = np.inf
        best = [0.0, np.inf]
        came: list[tuple[int, int]] = []
        for (aa, ab), (ba, bb) in step.tolist():
            straight = (best[0] + aa, best[1] + ba)
            turned = (best[0] + ab, best[1] + bb)
            came.append((int(straight[1] < straight[0]), int(turned[1] < turned[0])))
            best = [min(straight), min(turned)]
        if self._end_mm is not None:
            home = self.cost.straight(np.hypot(*(leave[-1] - np.asarray(self._end_mm)).T)).tolist()
            best = [best[0] + home[0], best[1] + home[1]]
        backwards = np.zeros(len(entry), dtype=np.bool_)
        now = int(best[1] < best[0])
        for place in range(len(entry) - 1, -1, -1):
            backwards[place] = bool(now)
            now = came[place][now]
        return backwards
