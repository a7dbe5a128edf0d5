"""The order of strokes: a permutation, never a longer way, good by published measures."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.motion.scurve import rest_to_rest
from controller.strokes import StrokeKind, StrokeSet, exchange, travel_mm
from controller.strokes.order import nearest_neighbour, order_strokes
from controller.strokes.shorten import Stations, shortened
from controller.strokes.starts import possible_starts
from controller.strokes.travel import TravelCost, first_signs


def make_strokes(starts: np.ndarray, ends: np.ndarray, kind: np.ndarray) -> StrokeSet:
    """Strokes of three vertices: start, a middle off the straight way, end. Every one its own element."""
    middle = (starts + ends) / 2 + [0.25, 0.5]
    count = len(starts)
    return StrokeSet(
        np.stack([starts, middle, ends], axis=1).reshape(-1, 2),
        np.arange(0, 3 * count + 1, 3),
        kind.astype(np.uint8),
        np.arange(count, dtype=np.int32),
        tuple(f"e{index}" for index in range(count)),
    )


def random_strokes(seed: int, count: int, spread: float = 20.0) -> StrokeSet:
    rng = np.random.default_rng(seed)
    starts = np.round(rng.uniform(0, 300, (count, 2)), 1)  # rounded, so that ties and shared places occur
    kind = rng.integers(0, 3, count)
    ends = np.where((kind == StrokeKind.LOOP)[:, None], starts, starts + rng.normal(0, spread, (count, 2)))
    return make_strokes(starts, ends, kind)


def dots_at(places: np.ndarray) -> StrokeSet:
    return make_strokes(places, places, np.full(len(places), StrokeKind.LOOP))


TIMED = TravelCost(600.0, 2000.0, 250_000.0, 0.046, 0.063, 0.45)


def random_stations(seed: int, count: int, end_mm: tuple[float, float] | None) -> Stations:
    rng = np.random.default_rng(seed)
    ends = np.round(rng.uniform(0, 300, (count, 2, 2)), 1)
    signs = rng.integers(-1, 2, (count, 2, 2)).astype(np.int8)
    return Stations(ends, signs, rng.random(count) < 0.5, (10.0, 20.0), end_mm)


def in_given_order_mm(strokes: StrokeSet, start_mm: tuple[float, float]) -> float:
    """The way in the given order, every loop begun at its best place from where it was, with the places' price."""
    places = possible_starts(strokes)
    began = strokes.points_mm[strokes.offsets[:-1]][places.loop]
    chosen = places.nearest_to(began, np.full((len(places.loop), 2), np.nan))
    begin = np.zeros(len(strokes), dtype=np.int64)
    begin[places.loop] = places.vertex[chosen]
    base = strokes.arranged(np.arange(len(strokes)), np.zeros(len(strokes), dtype=bool), begin)
    return travel_mm(base, start_mm) + float(places.price_mm[chosen].sum())


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 60), st.floats(0, 200))
def test_order_is_a_permutation_and_never_longer(seed: int, count: int, spread: float) -> None:
    """All strokes are kept, whole; only open lines run backwards and only loops begin elsewhere; the way with the pen
    up is no longer than before."""
    strokes = random_strokes(seed, count, spread)
    ordered = order_strokes(strokes, (10.0, 20.0))
    assert sorted(ordered.element.tolist()) == list(range(count))
    for place, element in enumerate(ordered.element):
        before, after = strokes.stroke_mm(int(element)), ordered.stroke_mm(place)
        kind = strokes.kind[element]
        assert ordered.kind[place] == kind
        if kind == StrokeKind.LOOP:
            shift = int(np.flatnonzero((before[:-1] == after[0]).all(axis=1))[0])
            np.testing.assert_array_equal(np.roll(before[:-1], -shift, axis=0), after[:-1])
            np.testing.assert_array_equal(after[0], after[-1])
        elif not np.array_equal(before, after):
            assert kind == StrokeKind.LINE
            np.testing.assert_array_equal(before[::-1], after)
    assert travel_mm(ordered, (10.0, 20.0)) <= in_given_order_mm(strokes, (10.0, 20.0)) + 1e-9


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 40))
def test_the_nearest_end_is_always_next(seed: int, count: int) -> None:
    """Nearest neighbour by its definition: a plain search over all ends still open picks the same one."""
    strokes = random_strokes(seed, count)
    starts, ends = strokes.points_mm[strokes.offsets[:-1]], strokes.points_mm[strokes.offsets[1:] - 1]
    reversible = strokes.kind == StrokeKind.LINE
    order, backwards = nearest_neighbour(starts, ends, reversible, (0.0, 0.0))
    here, left = np.zeros(2), set(range(count))
    for station, turned in zip(order.tolist(), backwards.tolist(), strict=True):
        reach = min(
            min(np.hypot(*(starts[i] - here)), np.hypot(*(ends[i] - here)) if reversible[i] else np.inf)
            for i in left
        )
        entry = ends[station] if turned else starts[station]
        assert np.hypot(*(entry - here)) == pytest.approx(reach, abs=1e-12)
        assert reversible[station] or not turned
        left.remove(station)
        here = starts[station] if turned else ends[station]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 60), st.booleans(), st.booleans())
def test_exchanges_never_lose(seed: int, count: int, timed: bool, homewards: bool) -> None:
    """Every station stays, once; only reversible ones are turned; the way, summed up anew, is never dearer than before,
    in mm or in seconds with the price of reversals, open or with a last place to go to."""
    stations = random_stations(seed, count, (3.0, 2.0) if homewards else None)
    cost = TIMED if timed else TravelCost.distance()
    order = np.random.default_rng(seed).permutation(count)
    straight = np.zeros(count, dtype=bool)
    after, turned = shortened(stations, order, straight, cost)
    assert sorted(after.tolist()) == list(range(count))
    assert not (turned & ~stations.reversible[after]).any()
    assert stations.way(after, turned, cost) <= stations.way(order, straight, cost) + 1e-6


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.integers(8, 300), st.booleans())
def test_exchanges_keep_their_books(seed: int, count: int, timed: bool) -> None:
    """What the compiled search says it gained is what the way, summed up in numpy before and after, became cheaper by:
    turned runs of strokes whose ends differ and reversals of the axes included."""
    stations = random_stations(seed, count, (3.0, 2.0))
    cost = TIMED if timed else TravelCost.distance()
    given_way = np.arange(count), np.zeros(count, dtype=bool)
    told: list[float] = []
    original = exchange.shorten

    def listening(*arguments: object) -> float:
        told.append(original(*arguments))
        return told[0]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(exchange, "shorten", listening)
        after = shortened(stations, *given_way, cost, 200)
    assert stations.way(*given_way, cost) - stations.way(*after, cost) == pytest.approx(told[0], abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 5))
def test_small_sets_are_nearly_the_best(seed: int, count: int) -> None:
    """Of all orders and directions of up to five strokes, tried one by one, the best is at most a seventh cheaper, and
    the search never claims less than the best."""
    stations = random_stations(seed, count, (3.0, 2.0))
    cost = TravelCost.distance()
    best = min(
        stations.way(np.array(order), np.array(turned) & stations.reversible[list(order)], cost)
        for order in itertools.permutations(range(count))
        for turned in itertools.product((False, True), repeat=count)
    )
    found = stations.way(*shortened(stations, np.arange(count), np.zeros(count, dtype=bool), cost), cost)
    assert best - 1e-9 <= found <= best * 7 / 6 + 1e-9


def test_time_of_travels() -> None:
    """The cost of a straight way is the time of the planner's own S-curve, with the limits reached or not."""
    way = np.array([0.01, 0.3, 1.0, 3.0, 12.0, 60.0, 400.0, 3000.0])
    for speed, acceleration, jerk in (
        (600.0, 2000.0, 250_000.0),
        (500.0, 600.0, 60_000.0),
        (40.0, 3000.0, 9000.0),
    ):
        found = TravelCost(speed, acceleration, jerk).straight(way)
        np.testing.assert_allclose(found, rest_to_rest(way, speed, acceleration, jerk).duration_s, rtol=1e-9)


def test_reversals_are_a_cost() -> None:
    """Arriving against one axis or both costs what it is said to; a way below the reach counts as against."""
    cost = TravelCost(600.0, 2000.0, 250_000.0, 0.05, 0.07, 0.5)
    here = np.zeros((4, 2))
    there = np.array([[10.0, 10.0]] * 3 + [[10.0, 0.2]])
    signs = np.array([[1, 1], [1, -1], [-1, -1], [1, 1]], dtype=np.int8)
    extra = cost.links(here, there, signs) - cost.straight(np.hypot(*there.T))
    np.testing.assert_allclose(extra, [0.0, 0.05, 0.07, 0.05])


def test_in_seconds_the_way_takes_less_time() -> None:
    """Ordered by time, dots in random places take no longer than ordered by length, by planned travels' own measure."""
    strokes = random_strokes(11, 400)
    cost = TIMED

    def seconds(ordered: StrokeSet) -> float:
        points, first, last = ordered.points_mm, ordered.offsets[:-1], ordered.offsets[1:] - 1
        here = np.concatenate([np.zeros((1, 2)), points[last[:-1]]])
        return float(cost.links(here, points[first], first_signs(points, first, first + 1)).sum())

    by_time, by_length = (order_strokes(strokes, (0.0, 0.0), None, one) for one in (cost, None))
    assert seconds(by_time) < seconds(by_length)


def test_a_good_order_stays() -> None:
    """Where the drawing's own order cannot be beaten, it is kept as it is."""
    places = np.column_stack([np.arange(20.0), np.zeros(20)])
    strokes = dots_at(places)
    assert order_strokes(strokes, (0.0, 0.0)) is strokes


def test_equal_input_gives_equal_order() -> None:
    """The order depends on nothing but its input."""
    strokes = random_strokes(4, 300)
    first, second = order_strokes(strokes, (0.0, 0.0)), order_strokes(strokes, (0.0, 0.0))
    np.testing.assert_array_equal(first.points_mm, second.points_mm)
