"""The travel order against published measures: TSPLIB's pcb442, and Beardwood, Halton and Hammersley's law.

Data: TSPLIB (Reinelt, ORSA Journal on Computing 3, 1991), drilling problem of Groetschel, Juenger and Reinelt, with its
proven best tour.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.sparse.csgraph import minimum_spanning_tree
from scipy.spatial.distance import cdist

from controller.strokes import StrokeKind, StrokeSet, travel_mm
from controller.strokes.order import nearest_neighbour, order_strokes

DATA = Path(__file__).parent / "data"


def dots_at(places: np.ndarray) -> StrokeSet:
    """Small loops that begin and end at ``places``, every one its own element."""
    count = len(places)
    return StrokeSet(
        np.stack([places, places + np.array([0.25, 0.5]), places], axis=1).reshape(-1, 2),
        np.arange(0, 3 * count + 1, 3),
        np.full(count, StrokeKind.DOT, dtype=np.uint8),
        np.arange(count, dtype=np.int32),
        tuple(f"e{index}" for index in range(count)),
    )


def pcb442() -> np.ndarray:
    rows = [line.split() for line in (DATA / "pcb442.tsp").read_text().splitlines()]
    return np.array([[float(row[1]), float(row[2])] for row in rows if len(row) == 3 and row[0].isdigit()])


def closed_tour(places: np.ndarray) -> int:
    """Length of a closed tour with distances rounded to whole units (TSPLIB's EUC_2D)."""
    return int(
        np.floor(np.hypot(*np.diff(places[np.arange(len(places) + 1) % len(places)], axis=0).T) + 0.5).sum()
    )


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
    """From and back to node 1 within 5 % of the proven best tour, far below the order of the file; above the spanning
    tree's weight (SciPy), which no way can undercut, and above the best tour itself."""
    places = pcb442()
    home = (float(places[0, 0]), float(places[0, 1]))
    ordered = order_strokes(dots_at(places), home, home)
    tree = minimum_spanning_tree(cdist(places, places)).sum()
    length = closed_tour(places[ordered.element])
    assert tree <= 50778 <= length <= 1.05 * 50778 < 221440
    opened = travel_mm(order_strokes(dots_at(places), home), home)
    assert tree <= opened <= 1.05 * 50778


def test_random_points_are_as_short_as_measured() -> None:
    """Mean of 10 sets of 500 random points: within .97 to 1.05 of the measured .7405 sqrt(n A) of open ways.

    The constant: Beardwood, Halton and Hammersley's law with its edge term, as measured over heuristic tours.
    """
    ways = []
    for seed in range(10):
        places = np.random.default_rng(seed).uniform(0, 1000, (500, 2))
        start = (float(places[0, 0]), float(places[0, 1]))
        ways.append(travel_mm(order_strokes(dots_at(places), start), start))
    ratio = np.mean(ways) / np.sqrt(500 * 1000.0**2)
    assert 0.97 * 0.7405 <= ratio <= 1.05 * 0.7405


def test_twenty_thousand_dots() -> None:
    """A picture of thousands of dots is ordered, its way within 10 % of the best to be expected, .7124 sqrt(n A)."""
    places = np.random.default_rng(5).uniform(0, 3000, (20_000, 2))
    ordered = order_strokes(dots_at(places), (0.0, 0.0))
    assert sorted(ordered.element.tolist()) == list(range(20_000))
    assert travel_mm(ordered, (0.0, 0.0)) <= 1.10 * 0.7124 * np.sqrt(20_000 * 3000.0**2)
