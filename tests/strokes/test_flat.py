"""Flats: all that a tip can reach is covered, nothing beyond the edge is painted, what is too narrow is reported."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.strokes import StrokeKind
from controller.strokes.flat import flat_paths
from controller.strokes.paths import Paths, join_paths, make_paths, strokes_of

TOLERANCE = 0.02


def painted(paths: Paths, tip: float) -> shapely.Geometry:
    """What a round tip of this width covers."""
    return shapely.union_all(
        [shapely.LineString(paths.path_mm(i)).buffer(tip / 2, quad_segs=32) for i in range(len(paths))]
    )


def reachable(area: shapely.Geometry, tip: float) -> shapely.Geometry:
    """All that a disc of the tip's width covers while it stays inside: the area's opening."""
    return area.buffer(-tip / 2, quad_segs=64).buffer(tip / 2, quad_segs=64)


def check(area: shapely.Geometry, paths: Paths, tip: float) -> None:
    """Coverage, containment, no bare sliver, sound arrays."""
    assert np.isfinite(paths.points_mm).all()
    assert (np.diff(paths.offsets) >= 2).all()
    for index in range(len(paths)):
        steps = np.hypot(*np.diff(paths.path_mm(index), axis=0).T)
        assert (steps > 0).all()
    cover = painted(paths, tip)
    reach = reachable(area, tip)
    assert cover.intersection(reach).area >= 0.999 * reach.area
    bare = [part for part in shapely.get_parts(reach.difference(cover)) if part.area > 0]
    assert max((2 * shapely.maximum_inscribed_circle(part).length for part in bare), default=0.0) < 0.1
    assert cover.difference(area.buffer(1.05 * TOLERANCE, quad_segs=64)).area < 1e-3


LETTER = shapely.union(
    shapely.Polygon([(0, 0), (0, 60), (12, 60), (12, 36), (22, 36), (34, 60), (48, 60), (34, 34)]),
    shapely.Polygon([(0, 0), (0, 36), (28, 36), (40, 26), (42, 14), (36, 4), (26, 0)]),
).difference(shapely.Polygon([(12, 10), (12, 27), (25, 27), (30, 22), (30, 14), (25, 10)]))
MOON = shapely.Point(0, 0).buffer(35, quad_segs=64).difference(shapely.Point(14, -4).buffer(30, quad_segs=64))
ISLANDS = (
    shapely.Point(0, 0)
    .buffer(35, quad_segs=64)
    .difference(shapely.Point(8, 5).buffer(10, quad_segs=32))
    .difference(shapely.box(-22, -14, -8, 2))
)
NECK = shapely.union_all(
    [
        shapely.Point(-25, 0).buffer(18, quad_segs=32),
        shapely.Point(25, 3).buffer(15, quad_segs=32),
        shapely.box(-25, -1.2, 25, 1.2),
    ]
)


def star(points: int = 5, outer: float = 40.0, inner: float = 16.0) -> shapely.Polygon:
    """A star with its first point up."""
    angle = np.arange(2 * points) * np.pi / points - np.pi / 2
    radius = np.where(np.arange(2 * points) % 2 == 0, outer, inner)
    return shapely.Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))


@pytest.mark.parametrize("tip", [1.0, 4.0])
@pytest.mark.parametrize("style", ["contour", "hatch"])
@pytest.mark.parametrize(
    "area",
    [LETTER, MOON, ISLANDS, NECK, star(), shapely.box(0, 0, 60, 21.5), shapely.box(0, 0, 4, 4)],
    ids=["letter", "moon", "islands", "neck", "star", "bar", "speck"],
)
def test_what_a_tip_can_reach_is_painted(area: shapely.Geometry, style: str, tip: float) -> None:
    """Letters, crescents, islands, necks, stars: 99.9 % of the opening covered, nothing beyond (shapely's areas)."""
    check(area, flat_paths(area, tip, style=style, angle_deg=30.0, tolerance_mm=TOLERANCE, thin="leave"), tip)


@st.composite
def areas(draw: st.DrawFn) -> shapely.Geometry:
    """Ragged rings around a centre, with holes and islands."""

    def ragged(x: float, y: float, radius: float, most: int) -> shapely.Geometry:
        count = draw(st.integers(3, most))
        share = draw(st.lists(st.floats(0.3, 1.0), min_size=count, max_size=count))
        turn = draw(st.lists(st.floats(0.05, 0.95), min_size=count, max_size=count))
        angle = (np.arange(count) + np.array(turn)) * 2 * np.pi / count
        reach = radius * np.array(share)
        return shapely.Polygon(
            np.column_stack([x + reach * np.cos(angle), y + reach * np.sin(angle)])
        ).buffer(0)

    place = st.floats(-22.0, 22.0)
    area = ragged(0.0, 0.0, 40.0, 12)
    for _ in range(draw(st.integers(0, 2))):
        area = area.difference(ragged(draw(place), draw(place), draw(st.floats(3.0, 14.0)), 7))
    if draw(st.booleans()):
        area = area.union(ragged(draw(place), draw(place), draw(st.floats(3.0, 14.0)), 7))
    return area


@given(
    areas(),
    st.sampled_from([2.0, 4.0, 7.0]),
    st.sampled_from([0.02, 0.2, 0.35]),
    st.sampled_from(["contour", "hatch"]),
    st.floats(0.0, 180.0),
)
@settings(max_examples=40)
def test_any_area_is_covered(
    area: shapely.Geometry, tip: float, overlap: float, style: str, angle: float
) -> None:
    """Ragged areas with holes and islands, any tip, overlap and angle: covered, contained, the same every time."""
    paths = flat_paths(area, tip, overlap, style, angle, TOLERANCE, thin="leave")
    if not reachable(area, tip).is_empty:
        check(area, paths, tip)
    again = flat_paths(area, tip, overlap, style, angle, TOLERANCE, thin="leave")
    np.testing.assert_array_equal(paths.points_mm, again.points_mm)
    np.testing.assert_array_equal(paths.offsets, again.offsets)
    lined = flat_paths(area, tip, overlap, style, angle, TOLERANCE)
    assert np.isfinite(lined.points_mm).all()
    # A line along a middle goes beyond the edge by no more than the tip is too wide.
    if len(lined):
        assert painted(lined, tip).difference(area.buffer(tip / 2 + TOLERANCE)).area < 1e-3


UNEVEN = shapely.from_wkt(
    "POLYGON ((7.73 -18.76, 11.82 -22.8, 1.37 -31.9, 0.32 -25.15, -8.04 -32.37, -23.95 -26.5, -11.74 -2.61, "
    "-12.12 1.5, -38.98 8.29, -37.81 11.68, -27.16 17.18, -13.01 25.82, 11.84 19.47, 21.45 18.18, 13.72 -3.84, "
    "23.1 -13.24, 11.75 -15.29, 7.73 -18.76), (-2.58 -12.16, 6.46 -5.08, -0.85 3.46, -4.91 -8.25, -3.79 -7.82, "
    "-2.92 -10.96, -2.58 -12.16), (-16.99 20.46, -17.87 17.68, -15.66 16.79, -13.24 22.17, -14.85 22.7, "
    "-15.24 22.19, -16.99 20.46))"
)


def test_a_step_that_bares_a_sliver_is_taken_back() -> None:
    """Where a step drawn out along this area's rings would bare a sliver of 0.08 mm, the ring is gone round wholly."""
    paths = flat_paths(UNEVEN, 2.0, tolerance_mm=TOLERANCE, thin="leave")
    bare = shapely.get_parts(reachable(UNEVEN, 2.0).difference(painted(paths, 2.0)))
    assert max(2 * shapely.maximum_inscribed_circle(part).length for part in bare) < 0.04


def test_a_grid_that_an_area_carries_is_not_worked_on() -> None:
    """An area that another program snapped to a grid of 0.1 mm is filled as finely as any."""
    area = shapely.set_precision(UNEVEN, 0.1)
    paths = flat_paths(area, 2.0, tolerance_mm=TOLERANCE, thin="leave")
    check(shapely.set_precision(area, 0.0), paths, 2.0)


@pytest.mark.parametrize(
    ("area", "most"),
    [(star(), 1), (shapely.box(0, 0, 60, 21.5), 1), (shapely.Point(0, 0).buffer(30, quad_segs=64), 1)],
    ids=["star", "bar", "disc"],
)
def test_simple_areas_are_one_stroke(area: shapely.Geometry, most: int) -> None:
    """What has one middle is painted in one stroke, and hardly longer than its area over the pitch."""
    paths = flat_paths(area, 4.0)
    assert len(paths) <= most
    assert paths.lengths_mm().sum() <= 1.1 * area.area / 3.2


def test_hatching_runs_at_its_angle_on_one_lattice() -> None:
    """Hatch lines of two areas lie on the same lattice: multiples of the pitch across the angle."""
    for area in (shapely.box(3, 5, 90, 61), shapely.box(130, 44, 171, 90)):
        paths = flat_paths(area, 4.0, 0.2, "hatch", 30.0)
        legs = np.concatenate([np.diff(paths.path_mm(i), axis=0) for i in range(1, len(paths))])
        begin = np.concatenate([paths.path_mm(i)[:-1] for i in range(1, len(paths))])
        lengths = np.hypot(*legs.T)
        angle = np.degrees(np.arctan2(legs[:, 1], legs[:, 0])) % 180.0
        hatch = lengths > 12.0
        assert np.count_nonzero(hatch) > 8
        np.testing.assert_allclose(angle[hatch], 30.0, atol=1e-6)
        across = begin[hatch] @ np.array([-np.sin(np.radians(30.0)), np.cos(np.radians(30.0))]) / 3.2
        np.testing.assert_allclose(across, np.round(across), atol=1e-6)


@pytest.mark.parametrize(
    "area", [MOON, shapely.box(0, 0, 60, 21.5), shapely.Point(0, 0).buffer(30, quad_segs=64)]
)
def test_the_edge_comes_first(area: shapely.Geometry) -> None:
    """Hatched or not, the first thing painted is the whole ring along the edge, half a tip inside."""
    for style in ("contour", "hatch"):
        first = flat_paths(area, 4.0, style=style, thin="leave").path_mm(0)
        edge = shapely.distance(shapely.points(first), area.boundary)
        around = int(np.flatnonzero((first[1:] == first[0]).all(axis=1))[0]) + 2
        assert np.abs(edge[:around] - 2.0).max() < 0.01
        assert np.hypot(*np.diff(first[:around], axis=0).T).sum() == pytest.approx(
            shapely.length(area.buffer(-2.0).exterior), rel=0.01
        )


def test_a_neck_is_painted_along_its_middle_or_left() -> None:
    """A strait of 2.4 mm under a tip of 4: reported with its place and width; one line along it, or none."""
    line = flat_paths(NECK, 4.0)
    (neck,) = line.left
    assert (neck.kind, neck.painted) == ("neck", True)
    assert neck.width_mm == pytest.approx(2.4, abs=0.05)
    assert -8.0 < neck.place_mm[0] < 11.0
    assert abs(neck.place_mm[1]) < 0.5
    strait = NECK.intersection(shapely.box(-6, -9, 9, 9))
    assert strait.difference(painted(line, 4.0)).area < 1e-6
    # (4 - 2.4) / 2, and a little where the middle bends into the right disc, which lies 3 mm lower.
    assert painted(line, 4.0).difference(NECK.buffer(0.95)).area < 1e-6
    bare = flat_paths(NECK, 4.0, thin="leave")
    assert [(one.kind, one.painted) for one in bare.left] == [("neck", False)]
    assert len(bare) == len(line) - 1


def test_spikes_and_specks_are_reported() -> None:
    """Points sharper than 39 degrees are spikes; right angles are nothing; what is smaller than the tip is a speck."""
    five = flat_paths(star(), 4.0).left
    assert [one.kind for one in five] == ["thin"] * 5
    assert all(one.painted and one.width_mm < 4.0 for one in five)
    assert flat_paths(shapely.box(0, 0, 30, 30), 4.0).left == ()
    both = shapely.MultiPolygon([shapely.box(0, 0, 30, 30), shapely.box(50, 10, 52, 13)])
    paths = flat_paths(both, 4.0)
    (speck,) = paths.left
    assert (speck.kind, speck.painted) == ("speck", False)
    assert speck.place_mm == pytest.approx((51.0, 11.5), abs=0.6)
    assert speck.width_mm == pytest.approx(2.0, abs=0.05)
    assert paths.points_mm[:, 0].max() < 30.0


def test_a_hair_is_one_line() -> None:
    """An area nowhere as wide as the tip is one line along its middle, as long as it less a tip."""
    paths = flat_paths(shapely.box(0, 0, 100, 1.5), 4.0)
    assert len(paths) == 1
    assert paths.lengths_mm()[0] == pytest.approx(96.0, abs=1.0)
    assert np.abs(paths.points_mm[:, 1] - 0.75).max() < 0.05
    assert paths.left[0].width_mm == pytest.approx(1.5, abs=0.01)


def test_no_area_no_paths() -> None:
    """Nothing comes of nothing; values out of range are refused."""
    empty = flat_paths(shapely.Polygon(), 4.0)
    assert len(empty) == 0
    assert empty.lengths_mm().shape == (0,)
    for bad in ({"overlap": 1.0}, {"overlap": -0.1}, {"tip_mm": 0.0}, {"tolerance_mm": 0.0}):
        with pytest.raises(ValueError, match="expected"):
            flat_paths(shapely.box(0, 0, 9, 9), **{"tip_mm": 4.0, **bad})


def test_paths_become_strokes() -> None:
    """Closed paths are loops, the others lines; elements stay with their paths; doubled vertices are one."""
    loop = make_paths([np.array([[0, 0], [4, 0], [4, 0], [4, 4], [0, 0]], dtype=float)])
    line = make_paths([np.array([[0, 0], [4, 0]], dtype=float), np.array([[1, 1], [1, 1]], dtype=float)])
    assert len(join_paths([loop, line])) == 2
    strokes = strokes_of([loop, line], [1, 0], ("a", "b"))
    assert strokes.kind.tolist() == [StrokeKind.LOOP, StrokeKind.LINE]
    assert strokes.element.tolist() == [1, 0]
    assert len(strokes.stroke_mm(0)) == 4
    np.testing.assert_allclose(join_paths([loop, line]).lengths_mm(), strokes.lengths_mm())
