"""Bands: lines wider than the tip from parallel strokes, evenly spaced and crisp; narrower ones as one stroke."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.artwork.model import BUTT, MITER, ROUND, SQUARE
from controller.strokes.band import band_area, band_fill, band_paths, rows

BOW = np.column_stack([np.linspace(0, 200, 101), 30 * np.sin(np.linspace(0, 2 * math.pi, 101))])
RING = np.column_stack(
    [50 * np.cos(np.linspace(0, 2 * math.pi, 121)), 50 * np.sin(np.linspace(0, 2 * math.pi, 121))]
)
RING[-1] = RING[0]


def painted(paths, tip: float) -> shapely.Geometry:
    return shapely.union_all(
        [shapely.LineString(paths.path_mm(i)).buffer(tip / 2, quad_segs=32) for i in range(len(paths))]
    )


@given(st.floats(0.5, 200.0), st.floats(0.3, 10.0), st.floats(0.0, 0.5))
def test_rows_share_the_width(width: float, tip: float, overlap: float) -> None:
    """Rows reach from edge to edge, no farther apart than the overlap allows, and not one more than that takes."""
    count, pitch = rows(width, tip, overlap)
    assert (count - 1) * pitch == pytest.approx(max(width - tip, 0.0))
    assert pitch <= (1 - overlap) * tip * (1 + 1e-9)
    if count > 2:
        assert (width - tip) / (count - 2) > (1 - overlap) * tip * (1 - 1e-9)


@pytest.mark.parametrize("line", [BOW, RING], ids=["bow", "ring"])
@pytest.mark.parametrize("width", [4.4, 7.0, 10.5, 14.0, 20.0])
def test_a_band_is_covered_with_crisp_edges(line: np.ndarray, width: float) -> None:
    """All of the band but its sharp ends' corners is painted, nothing beyond; as much way as its rows are long."""
    tip = 4.0
    area = band_area(line, width)
    paths = band_paths(line, width, BUTT, MITER, 4.0, tip)
    cover = painted(paths, tip)
    reach = area.buffer(-tip / 2, quad_segs=64).buffer(tip / 2, quad_segs=64)
    assert cover.intersection(reach).area >= 0.999 * reach.area
    assert cover.difference(area.buffer(0.021, quad_segs=64)).area < 1e-3
    along = np.hypot(*np.diff(line, axis=0).T).sum()
    count, _ = rows(width, tip)
    assert paths.lengths_mm().sum() == pytest.approx(count * along, rel=0.06)
    assert paths.left == ()


def test_rows_lie_evenly_across() -> None:
    """A straight band of 14 under a tip of 4: five rows 2.5 apart, the middle one on the line itself."""
    line = np.array([[0.0, 0.0], [300.0, 0.0]])
    paths = band_paths(line, 14.0, BUTT, MITER, 4.0, 4.0)
    cut = shapely.LineString([(150, -20), (150, 20)])
    hits = [
        float(y)
        for i in range(len(paths))
        for y in shapely.get_coordinates(shapely.intersection(cut, shapely.LineString(paths.path_mm(i))))[
            :, 1
        ]
    ]
    np.testing.assert_allclose(sorted(hits), [-5.0, -2.5, 0.0, 2.5, 5.0], atol=0.01)


@pytest.mark.parametrize(
    ("width", "cap", "begin"),
    [(4.0, BUTT, 2.0), (4.0, ROUND, 0.0), (4.0, SQUARE, 0.0), (3.0, BUTT, 2.0), (3.0, SQUARE, 0.5)],
)
def test_a_narrow_line_is_one_stroke(width: float, cap: int, begin: float) -> None:
    """As wide as the tip or narrower: one stroke whose round ends stop where the caps do; narrower is reported."""
    line = np.array([[0.0, 0.0], [100.0, 0.0]])
    paths = band_paths(line, width, cap, MITER, 4.0, 4.0)
    assert len(paths) == 1
    np.testing.assert_allclose(paths.path_mm(0), [[begin, 0], [100 - begin, 0]], atol=1e-9)
    assert [(one.kind, one.width_mm, one.length_mm) for one in paths.left] == (
        [("line", 3.0, 100.0)] if width < 4.0 else []
    )


def test_a_short_line_still_moves() -> None:
    """A line no longer than the tip is a stroke all the same, on the line."""
    for line in (np.array([[0.0, 0.0], [3.0, 0.0]]), RING / 100):
        paths = band_paths(line, 4.0, BUTT, MITER, 4.0, 4.0)
        assert len(paths) == 1
        assert 0.0 < paths.lengths_mm()[0] <= 4.0
        assert shapely.LineString(line).buffer(0.01).covers(shapely.LineString(paths.path_mm(0)))


def test_a_closed_line_stays_closed() -> None:
    """Closed and as wide as the tip: the very ring. Twice as wide: two closed loops, its edges."""
    (one,) = [band_paths(RING, 4.0, BUTT, MITER, 4.0, 4.0)]
    np.testing.assert_array_equal(one.points_mm, RING)
    assert one.closed.all()
    two = band_paths(RING, 7.0, BUTT, MITER, 4.0, 4.0)
    assert two.closed.tolist() == [True, True]
    radius = sorted(float(np.hypot(*two.path_mm(i).T).mean()) for i in range(2))
    assert radius == pytest.approx([48.5, 51.5], abs=0.05)


def test_a_band_cut_off_has_an_edge_there() -> None:
    """What is seen of a band that passes under something is painted up to the cut, crisp, and not beyond."""
    seen = band_area(BOW, 10.0).difference(shapely.box(80, -60, 120, 60))
    paths = band_fill(seen, [BOW], 10.0, 4.0)
    cover = painted(paths, 4.0)
    reach = seen.buffer(-2.0, quad_segs=64).buffer(2.0, quad_segs=64)
    assert cover.intersection(reach).area >= 0.999 * reach.area
    assert cover.difference(seen.buffer(0.021, quad_segs=64)).area < 1e-3


@given(
    st.lists(st.tuples(st.floats(-40, 40), st.floats(-40, 40)), min_size=3, max_size=6),
    st.sampled_from([4.5, 8.0, 13.0]),
    st.sampled_from([BUTT, ROUND, SQUARE]),
    st.integers(0, 2),
)
@settings(max_examples=25)
def test_any_band_is_covered(points: list[tuple[float, float]], width: float, cap: int, join: int) -> None:
    """Lines that turn and cross themselves: covered where a tip can reach, contained, finite."""
    line = np.array(points)
    line = line[np.concatenate([[True], np.hypot(*np.diff(line, axis=0).T) > 0.5])]
    if len(line) < 2:
        return
    area = band_area(line, width, cap, join)
    paths = band_paths(line, width, cap, join, 4.0, 4.0)
    assert np.isfinite(paths.points_mm).all()
    cover = painted(paths, 4.0)
    reach = area.buffer(-2.0, quad_segs=64).buffer(2.0, quad_segs=64)
    assert cover.intersection(reach).area >= 0.999 * reach.area
    assert cover.difference(area.buffer(2.0)).area < 1e-3
