"""Outlines to areas: fill rules, stroke widths, caps, joins, dashes and clips against closed forms."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.artwork.model import BEVEL, BUTT, EVENODD, MITER, NONZERO, ROUND, SQUARE, Clip, ClipPath
from controller.strokes.outlines import (
    ClipAreas,
    dashed,
    discs,
    filled,
    polygons,
    quarter_segments,
    stroked,
    subdivided,
    union,
)
from tests.strokes.scenes import Sheet, circle, rectangle

LINE = np.array([[0.0, 0.0], [100.0, 0.0]])


def pentagram() -> npt.NDArray[np.float64]:
    """A five-pointed star drawn in one go, corners on the unit circle times 100."""
    angle = np.deg2rad(-90.0 + 144.0 * np.arange(6))
    star = 100.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    star[-1] = star[0]
    return star


def test_a_pentagram_by_both_rules() -> None:
    """Nonzero fills the inner pentagon, even-odd leaves it out.

    Closed form: the pentagon's circumradius is R / phi^2, its area 5/2 r^2 sin 72 deg; a point of the star is a
    triangle on its side s = 2 r sin 36 deg with base angles of 72 deg.
    """
    golden = (1.0 + math.sqrt(5.0)) / 2.0
    radius = 100.0 / golden**2
    inner = 2.5 * radius**2 * math.sin(math.radians(72.0))
    side = 2.0 * radius * math.sin(math.radians(36.0))
    points = 5.0 * side**2 / 4.0 * math.tan(math.radians(72.0))
    assert filled([pentagram()], NONZERO).area == pytest.approx(inner + points, rel=1e-5)
    assert filled([pentagram()], EVENODD).area == pytest.approx(points, rel=1e-5)


@pytest.mark.parametrize(
    ("rule", "turned", "area"), [(NONZERO, False, 700), (NONZERO, True, 600), (EVENODD, False, 600)]
)
def test_two_squares_over_each_other(rule: int, turned: bool, area: float) -> None:
    """Two squares of 400 that share 100: nonzero counts the direction in which they are drawn, even-odd does not."""
    other = rectangle(10.0, 10.0, 20.0, 20.0)
    both = [rectangle(0.0, 0.0, 20.0, 20.0), other[::-1] if turned else other]
    assert filled(both, rule).area == pytest.approx(area, abs=0.01)


def test_a_counter_and_what_stands_in_it() -> None:
    """A ring with an island: drawn alternately around, both rules see the hole and the island."""
    nest = [rectangle(0, 0, 30, 30), rectangle(5, 5, 20, 20)[::-1], rectangle(10, 10, 10, 10)]
    for rule in (NONZERO, EVENODD):
        assert filled(nest, rule).area == pytest.approx(900 - 400 + 100, abs=0.01)
    assert filled([nest[0], nest[1][::-1]], NONZERO).area == pytest.approx(900, abs=0.01)


def turns(ring: npt.NDArray[np.float64], point: npt.NDArray[np.float64]) -> int:
    """How often a ring goes around a point, by the sum of angles."""
    away = ring - point
    angle = np.arctan2(away[:, 1], away[:, 0])
    steps = (np.diff(np.append(angle, angle[0])) + np.pi) % (2.0 * np.pi) - np.pi
    return round(float(steps.sum()) / (2.0 * np.pi))


RINGS = st.lists(
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=3, max_size=9),
    min_size=1,
    max_size=3,
)


@given(RINGS, st.sampled_from([NONZERO, EVENODD]))
@settings(max_examples=60, deadline=None)
def test_any_tangle_is_filled_by_its_rule(rings: list[list[tuple[int, int]]], rule: int) -> None:
    """Law: a point is inside as the rule says of the number of turns around it (SVG 2, 13.4.2)."""
    outlines = [np.array(ring, dtype=np.float64) for ring in rings]
    area = filled(outlines, rule)
    places = np.random.default_rng(7).uniform(-1.0, 41.0, size=(60, 2))
    edges = shapely.union_all([shapely.linestrings(np.vstack([one, one[:1]])) for one in outlines])
    clear = shapely.distance(edges, shapely.points(places)) > 1e-3
    for place in places[clear]:
        number = sum(turns(one, place) for one in outlines)
        expected = number % 2 == 1 if rule == EVENODD else number != 0
        assert shapely.contains_xy(area, *place) == expected


@pytest.mark.parametrize(
    ("cap", "area"), [(BUTT, 100 * 6), (SQUARE, 106 * 6), (ROUND, 100 * 6 + math.pi * 9)]
)
def test_caps(cap: int, area: float) -> None:
    """A straight line 100 long and 6 wide: length times width and what its two caps add."""
    assert stroked([(LINE, False)], 6.0, cap, MITER, 4.0, 0.001).area == pytest.approx(area, rel=1e-4)


def corner(turn_deg: float) -> npt.NDArray[np.float64]:
    """Two lines of 100, the second turned by so much."""
    angle = math.radians(turn_deg)
    end = [100.0 + 100.0 * math.cos(angle), 100.0 * math.sin(angle)]
    return np.array([[0.0, 0.0], [100.0, 0.0], end])


@pytest.mark.parametrize("turn_deg", [-120.0, -90.0, 20.0, 90.0, 140.0])
def test_joins(turn_deg: float) -> None:
    """A corner adds outside: h^2 tan(t/2) as a miter, h^2 sin(t)/2 as a bevel, h^2 t/2 rounded; and it takes
    h^2 tan(t/2) away inside, where both lines overlap. Closed forms for a stroke of half width h that turns by t.
    """
    h, t = 3.0, math.radians(abs(turn_deg))
    base = 200.0 * 2.0 * h - h * h * math.tan(t / 2.0)
    outside = {MITER: h * h * math.tan(t / 2.0), BEVEL: h * h * math.sin(t) / 2.0, ROUND: h * h * t / 2.0}
    for join, more in outside.items():
        area = stroked([(corner(turn_deg), False)], 2 * h, BUTT, join, 10.0, 0.001).area
        assert area == pytest.approx(base + more, abs=0.02), join


def test_miter_limit() -> None:
    """Past the limit a miter becomes a bevel: at 90 degrees a miter is sqrt 2 stroke widths long (SVG 2, 13.5.5)."""
    right = corner(90.0)
    over, under = (stroked([(right, False)], 6.0, BUTT, MITER, limit, 0.001).area for limit in (1.42, 1.41))
    bevel = stroked([(right, False)], 6.0, BUTT, BEVEL, 4.0, 0.001).area
    assert under == pytest.approx(bevel, abs=1e-6)
    assert over - under == pytest.approx(4.5, abs=1e-3)


def test_a_closed_stroke_has_no_caps() -> None:
    """A square's outline, 6 wide with miters, is a frame: (side + 6)^2 - (side - 6)^2."""
    frame = stroked([(rectangle(0, 0, 50, 50), True)], 6.0, SQUARE, MITER, 4.0, 0.001)
    assert frame.area == pytest.approx(56.0**2 - 44.0**2, abs=0.01)
    ring = stroked([(circle(0, 0, 50, 720), True)], 6.0, BUTT, ROUND, 4.0, 0.001)
    assert ring.area == pytest.approx(2.0 * math.pi * 50.0 * 6.0, rel=1e-4)


def test_dashes_of_a_straight_line() -> None:
    """Dashes 10 long and 5 apart, begun 3 into the pattern: 0-7, 12-22, ... up to the end (SVG 2, 13.5.6)."""
    found = dashed(LINE, False, (3.0, 10.0, 5.0))
    starts = [float(piece[0, 0]) for piece, _ in found]
    ends = [float(piece[-1, 0]) for piece, _ in found]
    assert starts == pytest.approx([0, 12, 27, 42, 57, 72, 87])
    assert ends == pytest.approx([7, 22, 37, 52, 67, 82, 97])
    assert not any(closed for _, closed in found)


def test_a_dash_over_the_start_of_a_loop_is_one() -> None:
    """On a square of 40 around, dashes of 10 from half a dash in: four, the first runs over the corner."""
    loop = rectangle(0, 0, 10, 10)
    found = dashed(loop, True, (2.5, 5.0, 5.0))
    assert len(found) == 4
    assert found[0][0].tolist() == [[0.0, 2.5], [0.0, 0.0], [2.5, 0.0]]
    assert dashed(loop, True, (0.0, 100.0, 5.0)) == [(loop, True)]


@given(
    st.floats(-50, 50),
    st.lists(st.floats(0.5, 30), min_size=2, max_size=6).filter(lambda one: len(one) % 2 == 0),
)
def test_dashes_lie_on_the_line_and_cover_their_share(offset: float, lengths: list[float]) -> None:
    """Law: over whole periods, dashes cover exactly the share of the pattern that is drawn."""
    period = sum(lengths)
    line = np.array([[0.0, 0.0], [3.0 * period, 0.0], [3.0 * period, 4.0 * period]])
    found = dashed(line, False, (offset, *lengths))
    total = sum(float(np.hypot(*np.diff(piece, axis=0).T).sum()) for piece, _ in found)
    assert total == pytest.approx(7.0 * sum(lengths[::2]), rel=1e-9)
    whole = shapely.linestrings(line)
    assert all(shapely.distance(whole, shapely.points(piece)).max() < 1e-9 for piece, _ in found)


def test_clips() -> None:
    """Paths of a clip are united, each cut by its own clip, and the whole by the one around."""
    left, right = rectangle(0, 0, 10, 10), rectangle(5, 0, 10, 10)
    path = [ClipPath(one, np.array([0, len(one)]), NONZERO) for one in (left, right)]
    half = ClipPath(left, np.array([0, len(left)]), NONZERO, clip=0)
    sheet = Sheet(
        clips=[
            Clip((ClipPath(rectangle(0, 0, 4, 4), np.array([0, 5]), NONZERO),)),
            Clip((path[0], path[1])),
            Clip((half, path[1])),
            Clip((path[0], path[1]), within=0),
            Clip(()),
        ]
    )
    areas = ClipAreas(sheet.drawing())
    assert [areas[row].area for row in range(5)] == pytest.approx([16, 150, 116, 16, 0], abs=1e-3)


def test_discs_and_their_chords() -> None:
    """A disc's chords stray from the circle by at most the tolerance: r (1 - cos(pi/n)) for n chords."""
    for radius, tolerance in ((5.0, 0.02), (500.0, 0.02), (0.01, 0.02)):
        n = 4 * quarter_segments(radius, tolerance)
        assert radius * (1.0 - math.cos(math.pi / n)) <= tolerance
    small, large = discs(np.zeros((2, 2)), np.array([2.0, 10.0]), 0.001)
    assert small.area == pytest.approx(math.pi, rel=2e-3)
    assert large.area == pytest.approx(25.0 * math.pi, rel=1e-3)


def test_what_rounding_leaves_is_no_area() -> None:
    """Two areas drawn to one edge are one area without a slit, even if the edges differ in the last digits."""
    together = union([shapely.box(0, 0, 10, 10), shapely.box(10.0 + 1e-9, 0, 20, 10)])
    assert len(together.geoms) == 1
    assert together.geoms[0].interiors[:] == []
    assert polygons(shapely.box(0, 0, 1e-3, 1e-3)).is_empty
    assert filled([LINE], NONZERO).is_empty
    assert filled([np.vstack([LINE, LINE[:1]])], EVENODD).is_empty


def test_small_parts_are_the_same_area() -> None:
    """Cut up, an area keeps its size and place, no part has many corners and none lies over another."""
    ring = shapely.difference(
        filled([circle(0, 0, 100, 2000)], NONZERO), filled([circle(20, 0, 60, 1500)], NONZERO)
    )
    parts = subdivided(ring)
    assert shapely.get_num_coordinates(parts).max() <= 200
    assert shapely.area(parts).sum() == pytest.approx(ring.area, rel=1e-9)
    assert shapely.union_all(parts).symmetric_difference(ring).area < 1e-3
    assert len(subdivided(shapely.MultiPolygon())) == 0
