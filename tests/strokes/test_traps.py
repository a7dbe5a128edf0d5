"""Traps and the map of gaps: what overlaps, that no white shows within the trap, and where it shows beyond.

Widths of traps against errors of register, and which ink goes under which: common practice, no source.
"""

from __future__ import annotations

import math
from functools import partial

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import translate
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from controller.config.job import Job, Technique
from controller.strokes.inks import assign
from controller.strokes.regions import Work, seen
from controller.strokes.traps import OnTop, Trapped, gap_map, solids, trapped
from tests.strokes.scenes import BLACK, OCHRE, SAND, TEAL, Sheet, circle, job, rectangle, with_traps

INKS = (("sand", SAND), ("ochre", OCHRE), ("teal", TEAL), ("black", BLACK))  # from light to dark
NOISE_MM = 2e-3


def works_of(sheet: Sheet, made: Job) -> tuple[Work, ...]:
    drawing = sheet.drawing()
    return seen(drawing, assign(drawing, made), made)


def both(sheet: Sheet, made: Job) -> tuple[tuple[Work, ...], Trapped]:
    works = works_of(sheet, made)
    return works, trapped(works, made)


def halves() -> Sheet:
    """Ochre on the left, black on the right, one edge of 100 between them."""
    return Sheet().add(rectangle(0, 0, 100, 100), fill=OCHRE).add(rectangle(100, 0, 100, 100), fill=BLACK)


def white(
    before: list[MultiPolygon], after: list[MultiPolygon], ink: int, v: tuple[float, float]
) -> BaseGeometry:
    """What of the picture is bare when one ink is off by ``v``, without what its outer edge has left."""
    picture = shapely.union_all(before)
    others = shapely.union_all([one for row, one in enumerate(after) if row != ink])
    there = shapely.intersection(picture, translate(picture, *v))
    bare = shapely.difference(there, shapely.union(others, translate(after[ink], *v)))
    return shapely.buffer(bare, -NOISE_MM)


def test_the_lighter_goes_under_the_darker() -> None:
    """Ochre grows by 3 mm under black, black not at all; the outer edges stay where they are."""
    _, found = both(halves(), job(*INKS, trap_mm=3.0))
    ochre, black = (one.area for one in found.works)
    assert ochre is not None
    assert black is not None
    assert ochre.bounds == pytest.approx((0, 0, 103, 100), abs=0.002)
    assert black.bounds == pytest.approx((100, 0, 200, 100), abs=1e-3)
    assert found.trap_mm2 == pytest.approx((0, 300, 0, 0), rel=1e-3)
    assert found.on_top == ()


def test_never_beyond_the_far_edge_of_the_darker_ink() -> None:
    """Under a bar of 2 mm a trap of 3 mm ends with the bar where canvas or a lighter ink lies behind it."""
    sheet = Sheet().add(rectangle(0, 0, 50, 50), fill=OCHRE).add(rectangle(50, 0, 2, 50), fill=BLACK)
    sheet.add(rectangle(52, 0, 50, 50), fill=SAND)
    _, found = both(sheet, job(*INKS, trap_mm=3.0))
    areas = solids(found.works, 4)
    assert areas[1].bounds[2] == pytest.approx(52, abs=1e-3)
    assert areas[0].bounds[0] == pytest.approx(49, abs=2e-3)  # sand goes under the bar and 1 mm under ochre
    assert areas[3].area == pytest.approx(100, abs=0.01)


def test_no_trap_over_bare_canvas() -> None:
    """Across a strip of bare canvas nothing grows, and what lies behind it is not reached either."""
    sheet = Sheet().add(rectangle(0, 0, 50, 50), fill=OCHRE).add(rectangle(51, 0, 50, 50), fill=BLACK)
    works, found = both(sheet, job(*INKS, trap_mm=3.0))
    assert found.trap_mm2 == (0, 0, 0, 0)
    assert gap_map(works, found.works, job(*INKS), 5.0).area_mm2 == (0, 0)


def test_without_traps_nothing_changes() -> None:
    """A job without [traps] gets its works back."""
    works = works_of(halves(), job(*INKS))
    assert trapped(works, job(*INKS)).works == works


def test_equal_lightness_still_overlaps() -> None:
    """Two inks of one lightness: the one that the job lists first goes under the other."""
    a, b = ("one", "#7f7f7f"), ("two", "#808080")
    sheet = Sheet().add(rectangle(0, 0, 50, 50), fill="#7f7f7f").add(rectangle(50, 0, 50, 50), fill="#808080")
    made = job(a, b, trap_mm=3.0)
    inks = tuple(ink.model_copy(update={"colour": "#808080"}) for ink in made.inks)
    works = works_of(sheet, made)
    found = trapped(works, made.model_copy(update={"inks": inks}))
    assert found.trap_mm2 == pytest.approx((150, 0), rel=1e-3)


def test_a_lighter_ink_painted_later_is_told() -> None:
    """If the file's order paints the lighter ink over the darker one, the trap will be seen; light-to-dark mends it."""
    made = job(*INKS[::-1], trap_mm=3.0)
    _, found = both(halves(), made)
    assert found.on_top == (OnTop(lighter=2, darker=0),)
    _, mended = both(halves(), made.model_copy(update={"order": "light-to-dark"}))
    assert mended.on_top == ()


def test_screens_are_grown_but_nothing_grows_under_them() -> None:
    """A screen may go under a darker flat; a flat that went under a screen would show between its dots."""
    screen = Technique(fill="screen", layer="foam", pitch_mm=10.0, tint=0.3)
    sheet = Sheet().add(rectangle(0, 0, 50, 50), fill=TEAL, layer=("foam",))
    sheet.add(rectangle(50, 0, 50, 50), fill=BLACK).add(rectangle(0, 50, 50, 50), fill=OCHRE)
    made = job(*INKS, trap_mm=3.0, techniques=(screen, Technique(fill="flat")))
    _, found = both(sheet, made)
    corner = math.pi * 9 / 4  # ochre and black meet in one point
    assert found.trap_mm2 == pytest.approx((0, corner, 150, 0), rel=2e-3)


def test_a_band_under_a_darker_neighbour_is_no_longer_whole() -> None:
    """A band that grew is painted as an area; one that only borders on lighter inks stays a band."""
    line = np.array([[0.0, 50.0], [200.0, 50.0]])
    made = job(*INKS, trap_mm=3.0)
    _, found = both(halves().add(line, stroke=TEAL, width_mm=10.0), made)
    (band,) = (one for one in found.works if one.kind == "band")
    assert band.whole.tolist() == [False]
    assert band.cut_area.area == pytest.approx(2000 + 2 * 300, abs=1.0)
    _, found = both(halves().add(line, stroke=BLACK, width_mm=10.0), made)
    (band,) = (one for one in found.works if one.kind == "band")
    assert band.whole.tolist() == [True]


@pytest.mark.parametrize(("error", "gap"), [(2.0, 0.0), (3.0, 0.0), (4.0, 200.0)])
def test_gaps_along_a_straight_edge(error: float, gap: float) -> None:
    """Beyond the trap, canvas may show on both sides: where the trap ends (black off) and at the edge (ochre off).

    Closed form: twice the length times what the error exceeds the trap's width by.
    """
    made = job(*INKS, trap_mm=3.0)
    works, found = both(halves(), made)
    least, most = gap_map(works, found.works, made, error).area_mm2
    assert least - 1e-6 <= gap <= most + 1e-6
    assert most - least < 0.5


@pytest.mark.parametrize(("inner", "outer"), [(BLACK, OCHRE), (OCHRE, BLACK)])
def test_gaps_around_a_disc(inner: str, outer: str) -> None:
    """A disc of 50 mm in a ring, trap 3 mm, error 4 mm: two rings of 1 mm, at the edge and at the trap's end.

    Closed form: pi ((r + a)^2 - (r + b)^2) for both rings; the disc is a polygon of 720 corners.
    """
    made = job(*INKS, trap_mm=3.0)
    sheet = Sheet().add(circle(0, 0, 100, 720), fill=outer).add(circle(0, 0, 50, 720), fill=inner)
    works, found = both(sheet, made)
    rings = ((51, 50), (47, 46)) if inner == BLACK else ((54, 53), (50, 49))
    expected = sum(math.pi * (a * a - b * b) for a, b in rings)
    least, most = gap_map(works, found.works, made, 4.0).area_mm2
    assert least <= expected <= most
    assert most - least < 0.003 * expected
    assert gap_map(works, found.works, made, 2.99).area_mm2[1] == 0.0


def directions(length: float, count: int) -> list[tuple[float, float]]:
    angle = np.arange(count) * 2.0 * np.pi / count
    return [(float(x), float(y)) for x, y in zip(length * np.cos(angle), length * np.sin(angle), strict=True)]


def heron() -> Sheet:
    """A moon behind a heron's leg and beak over water: curves, corners, thin bars and three inks at one point."""
    sheet = Sheet().add(rectangle(0, 0, 200, 120), fill=SAND).add(rectangle(0, 80, 200, 40), fill=TEAL)
    sheet.add(circle(100, 70, 35), fill=OCHRE)
    sheet.add(rectangle(98.8, 40, 2.4, 80), fill=BLACK)
    beak = np.array([[100.0, 45.0], [150.0, 52.0], [101.0, 60.0], [100.0, 45.0]])
    return sheet.add(beak, fill=BLACK)


def test_a_2_mm_error_on_a_3_mm_trap_leaves_no_white() -> None:
    """Every ink, moved up to 2 and up to 3 mm in 36 directions: no canvas shows. With a 1 mm trap it does."""
    made = job(*INKS, trap_mm=3.0)
    works, found = both(heron(), made)
    before, after = solids(works, 4), solids(found.works, 4)
    for ink in range(4):
        for length in (2.0, 3.0):
            for v in directions(length, 36):
                assert white(before, after, ink, v).is_empty, (ink, v)
    narrow = solids(trapped(works, with_traps(made, 1.0)).works, 4)
    assert not white(before, narrow, 2, (0.0, 2.0)).is_empty


def test_a_4_mm_error_on_a_3_mm_trap_shows_where_the_map_says() -> None:
    """White of 4 mm errors lies in the map, and over all directions together it fills the map."""
    made = job(*INKS, trap_mm=3.0)
    works, found = both(heron(), made)
    before, after = solids(works, 4), solids(found.works, 4)
    told = gap_map(works, found.works, made, 4.0)
    shown: list[BaseGeometry] = []
    for ink in range(4):
        for length in (3.5, 4.0):
            for v in directions(length, 72):
                here = white(before, after, ink, v)
                if not here.is_empty:
                    shown.append(here)
                    assert shapely.difference(here, shapely.buffer(told.gaps[ink], 5e-3)).is_empty, (ink, v)
    together = shapely.union_all(shown)
    least, most = told.area_mm2
    assert most - least < 0.01 * most
    assert 0.97 * least < together.area <= most


def test_an_error_as_large_as_the_trap_leaves_no_hairs_in_the_map() -> None:
    """Rounding makes no gaps: at the trap's own width the map is empty, around curves too."""
    made = job(*INKS, trap_mm=3.0)
    works, found = both(heron(), made)
    assert gap_map(works, found.works, made, 3.0).places.is_empty
    assert not gap_map(works, found.works, made, 3.02).places.is_empty


def sagged(area: BaseGeometry, most_mm: float, width_mm: float) -> BaseGeometry:
    """The area hung through by ``most_mm`` in the middle of ``width_mm``: y + 4 s x (W - x) / W^2."""

    def hang(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        x = points[:, 0]
        return np.column_stack([x, points[:, 1] + 4.0 * most_mm * x * (width_mm - x) / width_mm**2])

    return shapely.transform(shapely.segmentize(area, 1.0), hang)


def test_sag_of_a_beam() -> None:
    """A pass painted with 2 mm of sag leaves no gap beside a 3 mm trap; with 4 mm it does where sag exceeds 3 mm.

    Closed form: 4 s x (W - x) / W^2 > 3 for s = 4, W = 200 is the middle half, 50 < x < 150; the gap's area is the
    integral of sag - 3 over it: W / 2 (2/3 (4 - 3)) = 66.667.
    """
    made = job(*INKS, trap_mm=3.0)
    sheet = Sheet().add(rectangle(0, 0, 200, 50), fill=OCHRE).add(rectangle(0, 50, 200, 50), fill=BLACK)
    works, found = both(sheet, made)
    before, after = solids(works, 4), solids(found.works, 4)
    picture = shapely.union_all(before)
    for sag, gap in ((2.0, 0.0), (4.0, 200.0 / 2.0 * 2.0 / 3.0)):
        painted = shapely.union(after[1], sagged(after[3], sag, 200.0))
        bare = shapely.buffer(shapely.difference(picture, painted), -NOISE_MM)
        assert bare.area == pytest.approx(gap, abs=0.5)
        if gap:
            assert bare.bounds[0] == pytest.approx(50.0, abs=2.0)
            assert bare.bounds[2] == pytest.approx(150.0, abs=2.0)
            told = gap_map(works, found.works, made, sag)
            assert shapely.difference(bare, shapely.buffer(told.gaps[3], 5e-3)).is_empty


BOX = st.tuples(
    st.integers(0, 90), st.integers(0, 90), st.integers(1, 60), st.integers(1, 60), st.integers(0, 3)
)
SCENES = st.lists(BOX, min_size=1, max_size=7)
VECTORS = st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 2.0 * math.pi))


def scene(boxes: list[tuple[int, int, int, int, int]], *, base: bool) -> Sheet:
    """Rectangles and discs over each other, all in a square of 100; on a base that fills it, or on bare canvas."""
    sheet = Sheet()
    if base:
        sheet.add(rectangle(0, 0, 100, 100), fill=SAND)
    for x, y, width, height, ink in boxes:
        if (x + y) % 3 == 0:
            radius = min(width / 2, (100 - x) / 2, (100 - y) / 2)
            sheet.add(circle(x + radius, y + radius, radius, 48), fill=INKS[ink][1])
        else:
            sheet.add(rectangle(x, y, min(width, 100 - x), min(height, 100 - y)), fill=INKS[ink][1])
    return sheet


@given(SCENES, st.integers(0, 3), VECTORS, st.floats(0.5, 8.0))
@settings(max_examples=60, deadline=None)
def test_no_white_within_the_trap(
    boxes: list[tuple[int, int, int, int, int]], ink: int, v: tuple[float, float], width: float
) -> None:
    """Law: whichever ink is off by any vector up to the trap's width, no canvas shows inside the picture."""
    works, found = both(scene(boxes, base=True), job(*INKS, trap_mm=width))
    x, y = width * v[0] * math.cos(v[1]), width * v[0] * math.sin(v[1])
    assert white(solids(works, 4), solids(found.works, 4), ink, (x, y)).is_empty


@given(SCENES, st.integers(0, 3), VECTORS)
@settings(max_examples=40, deadline=None)
def test_no_white_within_the_trap_beside_bare_canvas(
    boxes: list[tuple[int, int, int, int, int]], ink: int, v: tuple[float, float]
) -> None:
    """Law: with bare canvas about, a place keeps its ink if all of the way by which the pass is off lies on ink."""
    width = 4.0
    works, found = both(scene(boxes, base=False), job(*INKS, trap_mm=width))
    before, after = solids(works, 4), solids(found.works, 4)
    x, y = width * v[0] * math.cos(v[1]), width * v[0] * math.sin(v[1])
    bare = white(before, after, ink, (x, y))
    picture = shapely.buffer(shapely.union_all(before), -NOISE_MM)
    places = [shapely.point_on_surface(one) for one in shapely.get_parts(bare) if not one.is_empty]
    for place in places:
        way = shapely.LineString([(place.x, place.y), (place.x - x, place.y - y)])
        assert not shapely.covers(picture, way)


@given(SCENES, st.floats(0.5, 6.0))
@settings(max_examples=30, deadline=None)
def test_traps_add_and_never_show(boxes: list[tuple[int, int, int, int, int]], width: float) -> None:
    """Law: an ink loses nothing, gains only under darker inks, the picture stays, and the same comes out again."""
    made = job(*INKS, trap_mm=width)
    works, found = both(scene(boxes, base=False), made)
    before, after = solids(works, 4), solids(found.works, 4)
    smaller = partial(shapely.buffer, distance=-NOISE_MM)
    for ink in range(4):
        darker = shapely.union_all(before[ink + 1 :]) if ink < 3 else MultiPolygon()
        assert smaller(shapely.difference(before[ink], after[ink])).is_empty
        gained = shapely.difference(after[ink], before[ink])
        assert smaller(shapely.difference(gained, darker)).is_empty
    assert shapely.union_all(after).area == pytest.approx(shapely.union_all(before).area, abs=0.1)
    again = solids(trapped(works, made).works, 4)
    assert all(shapely.equals_exact(a, b, 0.0) for a, b in zip(after, again, strict=True))
