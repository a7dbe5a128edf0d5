"""Coverage against closed forms of plane geometry, against shapely over the whole plane at once, and against pixels."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from io import StringIO

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.report.coverage import (
    COLUMNS,
    Areas,
    Cover,
    InkCoverage,
    copied,
    measure,
    paint_cover,
    rows,
    table_csv,
    wanted_cover,
)
from controller.report.proofpaint import CHORD_ERROR_MM, PassPaint, Stretches, constant, pass_paint
from controller.report.proofraster import HALF, BandDrawer, Frame
from controller.report.proofwanted import Wanted
from controller.strokes.build import dot_strokes, wider_dot_path_mm
from controller.strokes.paths import make_paths, strokes_of

NO_LINES = Stretches(np.empty((0, 2)), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.empty(0))
NOTHING = Wanted((), np.empty((0, 2)), np.empty(0), NO_LINES)


def lines_paint(width_mm: float, *points: list[tuple[float, float]]) -> PassPaint:
    """A pass of these lines."""
    strokes = strokes_of([make_paths([np.array(one, dtype=float) for one in points])], [0], ("wave",))
    return pass_paint("teal-1", 0, "#1f7a78", strokes, constant(width_mm))


def dots_paint(centre_mm: np.ndarray, diameter_mm: float, tip_mm: float = 5.0) -> PassPaint:
    """A pass of equal dots."""
    element = np.zeros(len(centre_mm), dtype=np.int32)
    diameters = np.full(len(centre_mm), diameter_mm)
    strokes = dot_strokes(centre_mm, diameters, element, ("wave",), tip_mm, 0.8, 0.02)
    return pass_paint("teal-1", 0, "#1f7a78", strokes, constant(tip_mm))


def painted(paint: PassPaint, wanted: Wanted = NOTHING, tile_mm: float = 100.0) -> Areas:
    """Areas of one pass."""
    return measure(paint_cover([paint]), wanted_cover(wanted), tile_mm)


def test_a_line_is_a_rectangle_with_two_half_discs() -> None:
    """Length times width and a disc of the width, to within the error that is told and never more."""
    found = painted(lines_paint(6.0, [(3.0, 4.0), (303.0, 404.0)]))
    true = 500.0 * 6.0 + math.pi * 9.0
    assert true - found.error_mm2 <= found.painted_mm2 <= true
    assert found.error_mm2 < 0.002 * true
    assert found.wanted_mm2 == 0.0
    assert math.isnan(found.share)


def test_a_crossing_counts_once() -> None:
    """Two lines at right angles share a square of their width."""
    found = painted(lines_paint(6.0, [(100.0, 200.0), (300.0, 200.0)], [(200.0, 100.0), (200.0, 300.0)]))
    true = 2 * (200.0 * 6.0 + math.pi * 9.0) - 36.0
    assert found.painted_mm2 == pytest.approx(true, abs=found.error_mm2)


@pytest.mark.parametrize("apart_mm", [9.0, 13.0])
def test_dots_are_discs_and_overlap_in_lenses(apart_mm: float) -> None:
    """Spiral dots of 12 mm in a row: discs, less the lenses 2 r^2 acos(d / 2r) - d sqrt(4 r^2 - d^2) / 2."""
    centre = np.column_stack([50.0 + apart_mm * np.arange(20), np.full(20, 99.0)])
    wanted = replace(NOTHING, centre_mm=centre, diameter_mm=np.full(20, 12.0))
    found = painted(dots_paint(centre, 12.0), wanted)
    lens = 0.0
    if apart_mm < 12.0:
        lens = 72.0 * math.acos(apart_mm / 12.0) - apart_mm / 2.0 * math.sqrt(144.0 - apart_mm**2)
    true = 20 * math.pi * 36.0 - 19 * lens
    assert found.wanted_mm2 == pytest.approx(true, abs=found.error_mm2)
    assert found.painted_mm2 == pytest.approx(true, abs=2 * found.error_mm2)
    assert found.share > 0.9999
    assert 0.0 <= found.outside_mm2 < found.error_mm2


def test_what_is_bare_and_what_lies_beside() -> None:
    """A square of 100 mm, painted by one line of 20 mm through its middle that runs 30 mm beyond either edge."""
    square = shapely.box(200.0, 100.0, 300.0, 200.0)
    found = painted(lines_paint(20.0, [(170.0, 150.0), (330.0, 150.0)]), replace(NOTHING, areas=(square,)))
    assert found.wanted_mm2 == pytest.approx(10_000.0)
    assert found.covered_mm2 == pytest.approx(2000.0)
    assert found.bare_mm2 == pytest.approx(8000.0)
    assert found.share == pytest.approx(0.2)
    assert found.outside_mm2 == pytest.approx(60.0 * 20.0 + math.pi * 100.0, abs=found.error_mm2)


def test_a_missing_dot_is_missed() -> None:
    """Of 100 wanted dots one is not painted: a hundredth is bare, in whatever way the rest is worked out."""
    centre = np.stack(np.meshgrid(np.arange(10), np.arange(10)), axis=-1).reshape(-1, 2) * 30.0 + 40.0
    wanted = replace(NOTHING, centre_mm=centre, diameter_mm=np.full(100, 12.0))
    found = painted(dots_paint(np.delete(centre, 55, axis=0), 12.0), wanted)
    assert found.share == pytest.approx(0.99, abs=2e-5)
    assert found.bare_mm2 == pytest.approx(math.pi * 36.0, abs=0.3)


def test_a_dot_beside_its_place_is_seen() -> None:
    """Dots 1 mm off leave the lune that two discs of radius r at a distance d differ by."""
    centre = np.column_stack([50.0 + 40.0 * np.arange(20), np.full(20, 99.0)])
    wanted = replace(NOTHING, centre_mm=centre, diameter_mm=np.full(20, 12.0))
    found = painted(dots_paint(centre + np.array([1.0, 0.0]), 12.0), wanted)
    lens = 72.0 * math.acos(1.0 / 12.0) - 0.5 * math.sqrt(143.0)
    lune = 20 * (math.pi * 36.0 - lens)
    assert found.bare_mm2 == pytest.approx(lune, abs=2 * found.error_mm2)
    assert found.outside_mm2 == pytest.approx(lune, abs=2 * found.error_mm2)


def test_rings_keep_their_holes() -> None:
    """A dot of 12 mm made 16 mm wide: only the ring is painted, and it stays a ring in all its copies."""
    path = wider_dot_path_mm(12.0, 16.0, 2.0, 1.6, 0.005)
    places = np.array([[50.0, 50.0], [150.0, 50.0], [99.0, 150.0]])
    ring = shapely.buffer(shapely.linestrings(path), 1.0)
    assert len(ring.interiors) == 1
    found = copied(ring, places)
    assert len(found) == 3
    assert shapely.area(found) == pytest.approx([ring.area] * 3)
    assert shapely.get_num_interior_rings(found).tolist() == [1, 1, 1]
    whole = measure(Cover([], [(ring, places)]), wanted_cover(NOTHING))
    assert whole.painted_mm2 == pytest.approx(3 * ring.area)
    # Outer disc less the disc that was there, at most: the spiral ends inside what is painted.
    assert whole.painted_mm2 > 3 * math.pi * (64.0 - 36.0)


tenths = st.integers(0, 3000).map(lambda number: number / 10.0)
places = st.tuples(tenths, tenths)


@st.composite
def scenes(draw: st.DrawFn) -> tuple[PassPaint, Wanted]:
    """A few lines and dots, and some areas, lines and dots that are wanted, some where they are painted."""
    ways = draw(st.lists(st.lists(places, min_size=2, max_size=6, unique=True), min_size=1, max_size=4))
    centre = np.array(draw(st.lists(places, min_size=1, max_size=8)))
    some = [np.array(one) for one in ways]
    strokes = strokes_of([make_paths(some)], [0], ("wave",))
    element = np.zeros(len(centre), dtype=np.int32)
    spots = dot_strokes(centre, np.full(len(centre), 14.0), element, ("wave",), 4.0, 0.8, 0.02)
    width = draw(st.sampled_from([3.0, 4.0]))
    lined = pass_paint("teal-1", 0, "#1f7a78", strokes, constant(width))
    dotted = pass_paint("teal-1", 0, "#1f7a78", spots, constant(4.0))
    hole = shapely.box(60.0, 60.0, 180.0, 200.0).difference(shapely.box(90.0, 100.0, 130.0, 150.0))
    moved = centre + np.array([draw(st.sampled_from([0.0, 2.0])), 0.0])
    wanted = Wanted((hole,), moved, np.full(len(centre), 14.0), lined.stretches)
    return replace(lined, dots=dotted.dots), wanted


def in_one_piece(paint: PassPaint, wanted: Wanted) -> Areas:
    """The same from whole shapes, unions and intersections over the whole plane."""

    def lines(stretches: Stretches) -> list[shapely.Geometry]:
        found = []
        for first, count, width in zip(stretches.first, stretches.count, stretches.width_mm, strict=True):
            line = shapely.LineString(stretches.points_mm[first : first + count])
            found.append(line.buffer(width / 2.0, quad_segs=64))
        return found

    spots = [
        shapely.LineString(kind.path_mm + place).buffer(kind.width_mm / 2.0, quad_segs=64)
        for kind in paint.dots
        for place in kind.place_mm
    ]
    covered = shapely.union_all([*lines(paint.stretches), *spots])
    discs = [
        shapely.Point(centre).buffer(diameter / 2.0, quad_segs=64)
        for centre, diameter in zip(wanted.centre_mm, wanted.diameter_mm, strict=True)
    ]
    wish = shapely.union_all([*wanted.areas, *discs, *lines(wanted.lines)])
    return Areas(wish.area, covered.area, shapely.intersection(covered, wish).area)


@settings(max_examples=30)
@given(scenes(), st.sampled_from([23.0, 100.0, 1000.0]))
def test_tiles_make_no_difference(scene: tuple[PassPaint, Wanted], tile_mm: float) -> None:
    """Tile by tile, with dots put aside, gives what unions of everything give, to within the error that is told."""
    found, whole = painted(*scene, tile_mm), in_one_piece(*scene)
    assert found.wanted_mm2 == pytest.approx(whole.wanted_mm2, abs=found.error_mm2)
    assert found.painted_mm2 == pytest.approx(whole.painted_mm2, abs=found.error_mm2)
    assert found.covered_mm2 == pytest.approx(whole.covered_mm2, abs=found.error_mm2)
    assert found.covered_mm2 <= min(found.wanted_mm2, found.painted_mm2) + 1e-6


@settings(max_examples=20)
@given(scenes())
def test_pixels_agree(scene: tuple[PassPaint, Wanted]) -> None:
    """Agg's drawing of the same lines, counted in pixels of 0.25 mm, agrees to a part of the edges' pixels.

    A pixel at an edge counts whole or not at all, so the count is off by less than half a pixel along the edges, and
    mostly by far less, since it errs to both sides.
    """
    paint, wanted = scene
    frame = Frame((-20.0, -20.0, 320.0, 320.0), 4.0)
    drawer = BandDrawer(frame, 0, frame.height, 14.0)
    pixel = 1.0 / 16.0
    paint_mask, wish_mask = drawer.paint(paint) >= HALF, drawer.wanted(wanted) >= HALF
    found = painted(paint, wanted)
    # An eighth of a pixel along all edges; Agg places edges to 1/256 of a pixel.
    bound = found.edge_mm * 0.25 / 8.0 + 4.0
    assert pixel * np.count_nonzero(wish_mask) == pytest.approx(found.wanted_mm2, abs=bound)
    assert pixel * np.count_nonzero(paint_mask) == pytest.approx(found.painted_mm2, abs=bound)
    assert pixel * np.count_nonzero(paint_mask & wish_mask) == pytest.approx(found.covered_mm2, abs=2 * bound)


@settings(max_examples=20)
@given(scenes(), st.integers(1, 200))
def test_bands_make_no_difference(scene: tuple[PassPaint, Wanted], row: int) -> None:
    """A mask drawn in two bands has no seam: it is empty just where the mask drawn at once is, and full where that is.

    Where edges of several lines run through one pixel, its grey depends on how the library cuts them.
    """
    paint, wanted = scene
    frame = Frame((-10.0, -10.0, 310.0, 310.0), 0.7)
    for draw in (lambda drawer: drawer.paint(paint), lambda drawer: drawer.wanted(wanted)):
        whole = draw(BandDrawer(frame, 0, frame.height, 14.0)).astype(int)
        parts = [draw(BandDrawer(frame, *some, 14.0)) for some in ((0, row), (row, frame.height))]
        cut = np.concatenate(parts).astype(int)
        assert cut[whole == 0].max(initial=0) <= 3
        assert whole[cut == 0].max(initial=0) <= 3
        assert cut[whole == 255].min(initial=255) >= HALF
        assert whole[cut == 255].min(initial=255) >= HALF
        assert np.count_nonzero(cut != whole) < 0.5 * np.count_nonzero((whole > 0) & (whole < 255)) + 4


def test_the_error_is_that_of_chords() -> None:
    """A disc's polygon lies inside it and its area falls short by less than chord error times circumference."""
    wanted = replace(NOTHING, centre_mm=np.array([[50.0, 50.0]]), diameter_mm=np.array([40.0]))
    found = measure(paint_cover([]), wanted_cover(wanted))
    short = math.pi * 400.0 - found.wanted_mm2
    assert 0.0 < short <= found.error_mm2 + 1e-9
    assert found.error_mm2 == pytest.approx(CHORD_ERROR_MM * math.pi * 40.0, rel=0.001)


def test_the_table_says_what_was_found() -> None:
    """CSV as RFC 4180 read by Python's reader; no number stands where nothing is wanted."""
    exact, raster = Areas(100.0, 90.0, 80.0, 50.0), Areas(101.0, 91.0, 81.0)
    found = [
        InkCoverage("teal", "#1f7a78", exact, raster, 0.5),
        InkCoverage("black", "#1d1f24", Areas(0.0, 5.0, 0.0), Areas(0.0, 5.0, 0.0), 0.5),
    ]
    read = list(csv.DictReader(StringIO(table_csv(found), newline="")))
    assert tuple(read[0]) == COLUMNS
    assert read[0]["ink"] == "teal"
    assert float(read[0]["covered_share"]) == pytest.approx(0.8)
    assert float(read[0]["bare_mm2"]) == pytest.approx(20.0)
    assert float(read[0]["outside_mm2"]) == pytest.approx(10.0)
    assert float(read[0]["error_mm2"]) == pytest.approx(CHORD_ERROR_MM * 50.0)
    assert float(read[0]["raster_covered_share"]) == pytest.approx(81.0 / 101.0, abs=1e-6)
    assert read[1]["covered_share"] == ""
    assert rows(found)[1]["covered_share"] is None
