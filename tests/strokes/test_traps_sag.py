"""Passes that are off otherwise than as a whole, and by every vector at once: traps against sag, stretch and Minkowski.

A pass sags when the gantry's beam hangs through: the middle is painted lower than the ends. Two laws hold traps to all
vectors up to their width without sampling any: a distance between two areas, and any number of passes off at a time.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from hypothesis import example, given
from hypothesis import strategies as st
from shapely.affinity import translate
from shapely.geometry.base import BaseGeometry

from controller.strokes.inks import assign
from controller.strokes.regions import seen
from controller.strokes.traps import GapMap, gap_map, solids, trapped
from tests.strokes.scenes import BLACK, OCHRE, SAND, TEAL, Sheet, circle, job, rectangle

INKS = (("sand", SAND), ("ochre", OCHRE), ("teal", TEAL), ("black", BLACK))  # from light to dark
TRAP_MM = 3.0
WIDTH_MM = 200.0
NOISE_MM = 2e-3
GRID_MM = 1e-4

Scene = tuple[list[BaseGeometry], list[BaseGeometry]]
"""What of each ink is seen, and the same with traps."""


def areas(sheet: Sheet, trap_mm: float = TRAP_MM) -> Scene:
    made = job(*INKS, trap_mm=trap_mm)
    drawing = sheet.drawing()
    works = seen(drawing, assign(drawing, made), made)
    return solids(works, 4), solids(trapped(works, made).works, 4)


def map_of(sheet: Sheet, error_mm: float) -> GapMap:
    made = job(*INKS, trap_mm=TRAP_MM)
    drawing = sheet.drawing()
    works = seen(drawing, assign(drawing, made), made)
    return gap_map(works, trapped(works, made).works, made, error_mm)


def moved(
    area: BaseGeometry, by_mm: npt.NDArray[np.float64] | float, along: int, *, plateau: bool
) -> BaseGeometry:
    """The area as painted by a pass that is off by up to ``by_mm`` along an axis, most in the middle of the wall.

    A parabola over the wall's width, 4 s x (W - x) / W^2, or the full amount on the middle half and ramps beside it.
    """

    def hang(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        x = points[:, 0] / WIDTH_MM
        share = np.clip(np.minimum(x, 1.0 - x) * 4.0, 0.0, 1.0) if plateau else 4.0 * x * (1.0 - x)
        there = points.copy()
        there[:, along] += by_mm * share
        return there

    # Corners of parts that touch may part by rounding.
    return shapely.make_valid(shapely.transform(shapely.segmentize(area, 0.5), hang), method="structure")


def bare(scene: Scene, ink: int, by_mm: float, along: int = 1, *, plateau: bool = False) -> BaseGeometry:
    """White inside the picture when one ink's pass is off so; what the outer edge has left is no white."""
    before, after = scene
    picture = shapely.union_all(before)
    there = shapely.intersection(picture, moved(picture, by_mm, along, plateau=plateau))
    others = [one for row, one in enumerate(after) if row != ink]
    painted = shapely.union_all([*others, moved(after[ink], by_mm, along, plateau=plateau)])
    return shapely.buffer(shapely.difference(there, painted), -NOISE_MM)


def heron() -> Sheet:
    """A moon behind a heron's leg and beak over water: curves, corners, thin bars, and three inks at one point."""
    sheet = Sheet().add(rectangle(0, 0, 200, 120), fill=SAND).add(rectangle(0, 80, 200, 40), fill=TEAL)
    sheet.add(circle(100, 70, 35), fill=OCHRE)
    sheet.add(rectangle(98.8, 40, 2.4, 80), fill=BLACK)
    beak = np.array([[100.0, 45.0], [150.0, 52.0], [101.0, 60.0], [100.0, 45.0]])
    return sheet.add(beak, fill=BLACK)


def shore() -> Sheet:
    """Sand over water over rock, in straight layers."""
    sheet = Sheet().add(rectangle(0, 0, 200, 40), fill=SAND).add(rectangle(0, 40, 200, 40), fill=TEAL)
    return sheet.add(rectangle(0, 80, 200, 40), fill=BLACK)


@pytest.mark.parametrize("ink", range(4))
@pytest.mark.parametrize("sag", [2.0, -2.0, 3.0, -3.0])
def test_sag_within_the_trap_leaves_no_white(ink: int, sag: float) -> None:
    """Whichever pass hangs through, or bows up, by 2 or 3 mm on 3 mm traps: no canvas shows, at curves and corners."""
    assert bare(areas(heron()), ink, sag).is_empty
    assert bare(
        areas(heron()), ink, sag, along=0
    ).is_empty  # stretched on one half, pushed together on the other


def test_sag_without_enough_trap_shows() -> None:
    """The same 2 mm on 1 mm traps show canvas: the check above can fail."""
    shown = [bare(areas(heron(), 1.0), ink, sag).area for ink in range(4) for sag in (2.0, -2.0)]
    assert sum(shown) > 20.0


@pytest.mark.parametrize("ink", range(4))
@pytest.mark.parametrize("sag", [4.0, -4.0])
def test_sag_beyond_the_trap_shows_where_the_map_says(ink: int, sag: float) -> None:
    """4 mm of sag on 3 mm traps: white lies in the map, and only where the pass is off by more than 3 mm.

    4 s x (W - x) / W^2 > 3 for s = 4 is the middle half of the wall.
    """
    told = map_of(heron(), 4.0)
    white = bare(areas(heron()), ink, sag)
    assert shapely.difference(white, shapely.buffer(told.gaps[ink], 5e-3)).is_empty
    if not white.is_empty:
        assert white.bounds[0] >= 50.0 - 0.1
        assert white.bounds[2] <= 150.0 + 0.1


def test_sag_of_any_pass_fills_the_map() -> None:
    """Straight layers, every pass 4 mm lower or higher in the middle half of the wall: white there is the map there.

    Closed form: at each of the two borders a line of 1 mm where the lighter ink leaves it and one where the darker one
    does; sand goes under water and water under rock, so 4 lines of 100 mm by 1 mm.
    """
    told = map_of(shore(), 4.0)
    middle = shapely.box(51, 0, 149, 120)
    scene = areas(shore())
    shown = shapely.union_all(
        [bare(scene, ink, sag, plateau=True) for ink in range(4) for sag in (4.0, -4.0)]
    )
    assert shapely.difference(shown, shapely.buffer(told.places, 5e-3)).is_empty
    here, there = shapely.intersection(shown, middle), shapely.intersection(told.places, middle)
    assert here.area == pytest.approx(4 * 98.0, rel=0.01)
    assert there.area == pytest.approx(4 * 98.0, rel=0.01)
    assert shapely.symmetric_difference(here, there).area < 0.02 * there.area
    for ink, lines in ((0, (39.5,)), (2, (43.5, 79.5)), (3, (83.5,))):
        for y in lines:
            assert shapely.intersects(told.gaps[ink], shapely.Point(100.0, y)), (ink, y)


TRIANGLE = st.lists(st.tuples(st.integers(0, 100), st.integers(0, 100)), min_size=3, max_size=5)
SHAPES = st.lists(st.tuples(TRIANGLE, st.integers(0, 3)), min_size=1, max_size=6)


def pile(shapes: list[tuple[list[tuple[int, int]], int]]) -> Sheet:
    """Sharp triangles, kites and stars that cross themselves over each other, on sand that fills a square of 100."""
    sheet = Sheet().add(rectangle(0, 0, 100, 100), fill=SAND)
    for corners, ink in shapes:
        ring = np.array([*corners, corners[0]], dtype=np.float64)
        if abs(shapely.Polygon(ring).buffer(0).area) > 0.5:
            sheet.add(ring, fill=INKS[ink][1])
    return sheet


def together(areas: list[BaseGeometry]) -> BaseGeometry:
    """Their union, on a grid twenty times finer than NOISE_MM.

    Without a grid, GEOS 3.14 leaves 4.9 mm^2 out of the union of the four areas of LOST, and errs in CROSSED too.
    """
    return shapely.union_all(areas, grid_size=GRID_MM)


def less(area: BaseGeometry, cover: BaseGeometry) -> BaseGeometry:
    """What of ``area`` lies outside ``cover`` and is no hair."""
    return shapely.buffer(shapely.difference(area, cover, grid_size=GRID_MM), -NOISE_MM)


NEEDLES = [
    ([(0, 50), (100, 49), (100, 51)], 3),
    ([(50, 0), (49, 100), (51, 100)], 2),
    ([(20, 20), (80, 80), (79, 81)], 1),
]
TIPS = [([(0, 0), (0, 3), (10, 1)], 1), ([(0, 0), (1, 0), (35, 39)], 2)]
"""Two needles that meet in a corner: sand has to go under both, the farther one reached through the nearer."""
BEHIND = [
    ([(24, 35), (0, 100), (1, 19), (32, 16)], 1),
    ([(35, 26), (4, 100), (12, 1), (2, 1)], 0),
    ([(2, 32), (12, 0), (16, 9), (0, 13), (2, 11)], 3),
    ([(0, 21), (0, 5), (100, 10), (33, 0), (2, 37)], 1),
    ([(36, 19), (33, 17), (1, 1)], 3),
]
"""The same in the open, and for two inks."""
SLANT = [
    ([(56, 70), (0, 100), (91, 100)], 0),
    ([(7, 100), (7, 56), (87, 93)], 3),
    ([(0, 41), (0, 1), (1, 38), (47, 86), (1, 34)], 3),
    ([(2, 1), (35, 30), (0, 5), (2, 12), (85, 100)], 2),
]
"""Two darker inks along one slanting edge, whose corners lie at different places."""
CROSSED = [
    ([(91, 29), (27, 100), (84, 8)], 3),
    ([(92, 86), (28, 0), (40, 83), (1, 33)], 2),
    ([(19, 17), (2, 80), (94, 30)], 1),
]
LOST = [
    ([(6, 1), (12, 11), (5, 0)], 3),
    ([(12, 0), (3, 10), (8, 8), (4, 1), (8, 1)], 2),
    ([(2, 3), (1, 0), (3, 1), (9, 5), (5, 1)], 3),
    ([(9, 8), (4, 11), (2, 1), (0, 5), (9, 2)], 1),
]


@given(SHAPES, st.floats(0.5, 8.0))
@example(NEEDLES, 3.0)
@example(TIPS, 1.0)
@example(BEHIND, 3.0)
@example(SLANT, 1.0)
@example(CROSSED, 1.0)
@example(LOST, 3.0)
def test_no_vector_within_the_trap_shows_white(
    shapes: list[tuple[list[tuple[int, int]], int]], width: float
) -> None:
    """Law: for every ink and every vector up to the trap's width, no canvas shows inside the picture.

    All vectors at once: ink j, off by v, leaves p bare if only j covers p and p - v is in the picture but not of j. So
    what only j covers has to lie farther than the width from what of the picture j leaves to others. (The picture is a
    convex square, so that the way from p to p - v lies on ink.) Distances: shapely's.
    """
    before, after = areas(pile(shapes), width)
    picture = together(before)
    assert picture.area == pytest.approx(100.0**2, abs=0.1)
    for ink in range(4):
        others = together([one for row, one in enumerate(after) if row != ink])
        alone, rest = less(picture, others), less(picture, after[ink])
        if not (alone.is_empty or rest.is_empty):
            assert shapely.distance(alone, rest) >= width - NOISE_MM, ink


VECTORS = st.lists(st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 2.0 * math.pi)), min_size=4, max_size=4)


@given(SHAPES, VECTORS, st.floats(0.5, 8.0))
@example(NEEDLES, [(1.0, 0.0), (1.0, math.pi), (1.0, math.pi / 2), (1.0, -math.pi / 2)], 3.0)
def test_all_passes_off_by_half_the_trap_show_no_white(
    shapes: list[tuple[list[tuple[int, int]], int]], vectors: list[tuple[float, float]], width: float
) -> None:
    """Law: every pass off by a vector of its own, each up to half the trap's width: no canvas shows.

    Around any place p take the disc of half the width; the lightest ink in it has grown over all of the disc, for the
    rest of it is darker and nowhere farther than the width. So that ink, wherever its pass went, still covers p.
    """
    before, after = areas(pile(shapes), width)
    painted = [
        translate(area, width / 2 * reach * math.cos(angle), width / 2 * reach * math.sin(angle))
        for area, (reach, angle) in zip(after, vectors, strict=True)
    ]
    inside = shapely.buffer(together(before), -width / 2)
    assert less(inside, together(painted)).is_empty
