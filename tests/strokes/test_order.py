"""The order of strokes: a permutation, never a longer way, good by published measures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse.csgraph import minimum_spanning_tree
from scipy.spatial.distance import cdist

from controller.strokes import StrokeKind, StrokeSet, travel_mm
from controller.strokes.order import nearest_neighbour, order_strokes
from controller.strokes.shorten import Way
from controller.strokes.starts import possible_starts

DATA = Path(__file__).parents[1] / "reference" / "data"


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


def pcb442() -> np.ndarray:
    rows = [line.split() for line in (DATA / "pcb442.tsp").read_text().splitlines()]
    return np.array([[float(row[1]), float(row[2])] for row in rows if len(row) == 3 and row[0].isdigit()])


def closed_tour(places: np.ndarray) -> int:
    """Length of a closed tour with distances rounded to whole units (TSPLIB's EUC_2D)."""
    return int(
        np.floor(np.hypot(*np.diff(places[np.arange(len(places) + 1) % len(places)], axis=0).T) + 0.5).sum()
    )


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
@given(st.integers(0, 10_000), st.integers(1, 30))
def test_exchanges_keep_their_books(seed: int, count: int) -> None:
    """The length that the exchanges count with is the length of the way that they leave."""
    strokes = random_strokes(seed, count)
    starts, ends = strokes.points_mm[strokes.offsets[:-1]], strokes.points_mm[strokes.offsets[1:] - 1]
    way = Way(
        1 + 2j,
        starts[:, 0] + 1j * starts[:, 1],
        ends[:, 0] + 1j * ends[:, 1],
        strokes.kind == StrokeKind.LINE,
    )
    before = way.length()
    way.shorten()
    after = strokes.take(way.station).reversed_where(way.turned)
    assert way.length() == pytest.approx(travel_mm(after, (1.0, 2.0)))
    assert way.length() <= before + 1e-9
    assert not (way.turned & (after.kind != StrokeKind.LINE)).any()


def test_data_of_pcb442() -> None:
    """TSPLIB's pcb442 (Groetschel, Juenger, Reinelt) is read right: 1, 2, ..., n is 221440 long, its best 50778."""
    places = pcb442()
    assert places.shape == (442, 2)
    assert closed_tour(places) == 221440
    lines = (DATA / "pcb442.opt.tour").read_text().split()
    tour = np.array([int(word) for word in lines[lines.index("TOUR_SECTION") + 1 :] if word.isdigit()]) - 1
    assert closed_tour(places[tour]) == 50778


def test_nearest_neighbour_on_pcb442() -> None:
    """From node 1, ties to the lower number, the closed tour is 61979 (reference computed with networkx)."""
    places = pcb442()
    order, _ = nearest_neighbour(places, places, np.zeros(442, dtype=bool), (places[0, 0], places[0, 1]))
    assert order[0] == 0
    assert closed_tour(places[order]) == 61979


def test_order_on_pcb442() -> None:
    """Within 10 % of the proven best tour, above the spanning tree's weight (SciPy), which no way can undercut."""
    places = pcb442()
    start = (float(places[0, 0]), float(places[0, 1]))
    ordered = order_strokes(dots_at(places), start)
    way = travel_mm(ordered, start)
    tree = minimum_spanning_tree(cdist(places, places)).sum()
    assert tree <= way <= 1.10 * 50778
    assert closed_tour(places[ordered.element]) <= 1.10 * 50778


def test_random_points_are_as_short_as_measured() -> None:
    """Mean of 10 sets of 500 random points: within .97 to 1.10 of the measured .7405 sqrt(n A) of open ways.

    The constant: Beardwood, Halton and Hammersley's law with its edge term, as measured over heuristic tours.
    """
    ways = []
    for seed in range(10):
        places = np.random.default_rng(seed).uniform(0, 1000, (500, 2))
        start = (float(places[0, 0]), float(places[0, 1]))
        ways.append(travel_mm(order_strokes(dots_at(places), start), start))
    ratio = np.mean(ways) / np.sqrt(500 * 1000.0**2)
    assert 0.97 * 0.7405 <= ratio <= 1.10 * 0.7405


def test_twenty_thousand_dots() -> None:
    """A picture of thousands of dots is ordered, its way within 25 % of the best to be expected, .7124 sqrt(n A)."""
    places = np.random.default_rng(5).uniform(0, 3000, (20_000, 2))
    ordered = order_strokes(dots_at(places), (0.0, 0.0))
    assert sorted(ordered.element.tolist()) == list(range(20_000))
    assert travel_mm(ordered, (0.0, 0.0)) <= 1.25 * 0.7124 * np.sqrt(20_000 * 3000.0**2)


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
