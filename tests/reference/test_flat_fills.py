"""Flats against closed forms: insets of polygons, openings, lengths of ring fills, stadiums, mitres.

Parallel bodies by Steiner's formula A + P r + pi r^2 and its mirror image for insets; rings by 2 pi times the sum of
their radii.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from controller.artwork.model import BEVEL, BUTT, MITER, ROUND, SQUARE
from controller.strokes.band import band_area
from controller.strokes.flat import flat_paths
from controller.strokes.paths import Paths

SQUARE_10 = shapely.box(0, 0, 10, 10)
TRIANGLE = shapely.Polygon([(0, 0), (40, 0), (0, 30)])


def painted(paths: Paths, tip: float) -> shapely.Geometry:
    """What a round tip of this width covers."""
    return shapely.union_all(
        [shapely.LineString(paths.path_mm(i)).buffer(tip / 2, quad_segs=64) for i in range(len(paths))]
    )


@pytest.mark.parametrize(("area", "inset", "left"), [(SQUARE_10, 2.0, 36.0), (TRIANGLE, 3.0, 294.0)])
def test_the_edges_ring_is_the_inset(area: shapely.Polygon, inset: float, left: float) -> None:
    """The ring along the edge runs half a tip inside: square 10 by 2 leaves 36; 3-4-5 times 10 by 3 leaves 294."""
    paths = flat_paths(area, 2 * inset, style="hatch")
    assert paths.closed[0]
    assert shapely.Polygon(paths.path_mm(0)).area == pytest.approx(left, abs=1e-6)


def test_a_square_is_painted_to_its_opening() -> None:
    """A tip of 4 paints all of a square of 10 but its corners: 100 - (4 - pi) 4 = 96.566371."""
    for style in ("contour", "hatch"):
        area = painted(flat_paths(SQUARE_10, 4.0, style=style), 4.0)
        assert area.area == pytest.approx(96.566371, abs=3e-3)
        assert area.difference(SQUARE_10).area < 1e-6


@pytest.mark.parametrize(
    ("radius", "tip", "step", "rings", "length"),
    [(5.0, 0.7, 0.6, 8, 128.176980), (5.0, 1.0, 1.0, 5, 78.539816), (3.0, 0.7, 0.7, 4, 40.212386)],
)
def test_rings_of_a_disc_are_as_long_as_they_must(
    radius: float, tip: float, step: float, rings: int, length: float
) -> None:
    """Rings of radii R - w/2 - k s, the steps between them, and at most two tips to the middle and back."""
    disc = shapely.Point(0, 0).buffer(radius, quad_segs=256)
    paths = flat_paths(disc, tip, 1.0 - step / tip, tolerance_mm=0.002)
    assert len(paths) == 1
    steps = (rings - 1) * step
    assert length + steps - 0.05 <= paths.lengths_mm().sum() <= length + steps + 2 * tip
    assert painted(paths, tip).area == pytest.approx(math.pi * radius**2, rel=2e-3)
    assert length == pytest.approx(math.pi * radius**2 / step, rel=0.025)


def test_a_stroke_covers_its_stadium() -> None:
    """A line of 100 mm, 1.5 wide with round caps, covers 2 r l + pi r^2 = 151.767146 (Steiner)."""
    line = np.array([[0.0, 0.0], [100.0, 0.0]])
    assert band_area(line, 1.5, ROUND, tolerance_mm=0.001).area == pytest.approx(151.767146, abs=1e-3)
    assert band_area(line, 1.5, BUTT).area == pytest.approx(150.0)
    assert band_area(line, 1.5, SQUARE).area == pytest.approx(1.5 * 101.5)


@pytest.mark.parametrize(
    ("join", "miter", "corner"),
    [
        (MITER, 4.0, 1.0),  # a square of half the width
        (BEVEL, 4.0, 0.5),  # half of it
        (MITER, 1.4, 0.5),  # a right angle's mitre is sqrt 2 = 1.414 widths long: beyond the limit, a bevel
        (MITER, 1.42, 1.0),
        (ROUND, 4.0, math.pi / 4),
    ],
)
def test_joins_of_a_right_angle(join: int, miter: float, corner: float) -> None:
    """Two legs of 30 mm, 4 wide, butt caps: twice 30 times 4, less the square they share, plus the join."""
    line = np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 30.0]])
    for way in (line, line[::-1], line * [1, -1]):
        expected = 2 * 30 * 4 - 4 + corner * 4
        assert band_area(way, 4.0, BUTT, join, miter).area == pytest.approx(expected, abs=0.01)


def test_a_closed_square_has_four_mitres() -> None:
    """A closed square of 30 mm, 4 wide: 34^2 - 26^2 with mitres; with bevels four half squares of 2 mm less."""
    ring = np.array([[0, 0], [30, 0], [30, 30], [0, 30], [0, 0]], dtype=float)
    assert band_area(ring, 4.0).area == pytest.approx(34**2 - 26**2)
    assert band_area(ring, 4.0, join=BEVEL).area == pytest.approx(34**2 - 26**2 - 4 * 2.0)
