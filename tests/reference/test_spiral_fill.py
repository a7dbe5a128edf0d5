"""Dots filled by a ring and a spiral: coverage and length against areas computed by shapely and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from scipy.interpolate import CubicSpline

from controller.motion.corners import elements
from controller.motion.path import polyline
from controller.strokes.build import TOUCH_RADIUS_MM, dot_path_mm, wider_dot_path_mm

TOLERANCE = 0.02
FINE = 2e-5


def painted(
    diameter: float, tip: float, step: float, tolerance: float = FINE
) -> tuple[shapely.Geometry, shapely.LineString]:
    """What a round tip paints along the path's chords; the chords of a fine path are the curve itself."""
    path = shapely.LineString(dot_path_mm(diameter, tip, step, tolerance))
    return path.buffer(tip / 2, quad_segs=128), path


DIAMETERS = [2.4, 3.0, 4.0, 4.1, 5.0, 6.0, 8.0, 9.5, 12.0, 16.0, 31.0]
TIPS = [(2.0, 1.6), (2.0, 2.0), (2.0, 0.9), (2.0, 0.3), (0.7, 0.6)]


@pytest.mark.parametrize("diameter", DIAMETERS)
@pytest.mark.parametrize(("tip", "step"), TIPS)
def test_a_dot_is_covered_and_nothing_beyond(diameter: float, tip: float, step: float) -> None:
    """At least 99.9 % of the disc is painted along ring and spiral, and nothing beyond its radius (shapely's areas)."""
    area, path = painted(diameter, tip, step)
    disc = shapely.Point(0, 0).buffer(diameter / 2, quad_segs=256)
    assert area.intersection(disc).area >= 0.999 * math.pi * diameter**2 / 4
    assert area.covers(shapely.Point(0, 0))
    assert shapely.hausdorff_distance(path, shapely.Point(0, 0)) + tip / 2 <= diameter / 2 + 1e-9


def driven(path: np.ndarray) -> shapely.LineString:
    """The arcs that are driven through a path's vertices, as chords that stray by 0.01 micrometres."""
    curve = elements(polyline(path))
    parts = []
    for start, heading, k, length in zip(
        curve.start_mm, curve.heading_rad, curve.curvature, curve.length_mm, strict=True
    ):
        along = np.linspace(0.0, length, max(2, math.ceil(length * math.sqrt(abs(k) / 8e-5)) + 1))
        if abs(k) < 1e-9:
            parts.append(start + along[:, None] * [math.cos(heading), math.sin(heading)])
            continue
        turned = heading + k * along
        x, y = np.sin(turned) - math.sin(heading), math.cos(heading) - np.cos(turned)
        parts.append(start + np.column_stack([x, y]) / k)
    return shapely.LineString(np.concatenate(parts))


@pytest.mark.parametrize("tip", [0.8, 2.0, 4.0])
@pytest.mark.parametrize("share", [0.5, 0.8, 1.0])
@pytest.mark.parametrize("tips", [1.06, 1.2, 1.5, 1.9, 2.0, 2.05, 2.3, 2.6, 3.0, 3.6, 5.0, 8.0])
def test_small_dots_are_covered_at_the_tolerance_of_drawings(tip: float, share: float, tips: float) -> None:
    """From 0.2 mm more than the tip on: chords cover 99.9 % of the disc and stay inside, the driven arcs 99.98 %.

    Arcs leave the disc where the ring goes over into the spiral, by a micrometre at most. Narrower dots are touches
    of tip + 0.2 mm and cover all of theirs, and beyond. Areas: shapely's.
    """
    diameter = tips * tip
    disc = shapely.Point(0, 0).buffer(diameter / 2, quad_segs=256)
    path = dot_path_mm(diameter, tip, share * tip, TOLERANCE)
    for line, least, beyond_mm in (
        (shapely.LineString(path), 0.999, 1e-9),
        (driven(path), 0.9998, 1e-3),
    ):
        covered = line.buffer(tip / 2, quad_segs=128).intersection(disc).area
        assert covered >= least * math.pi * diameter**2 / 4
        if diameter >= tip + 2 * TOUCH_RADIUS_MM:
            reach = np.hypot(*shapely.get_coordinates(line).T).max()
            assert reach + tip / 2 <= diameter / 2 + beyond_mm


@pytest.mark.parametrize("diameter", DIAMETERS)
@pytest.mark.parametrize(("tip", "step"), TIPS)
def test_vertices_lie_on_ring_and_spiral(diameter: float, tip: float, step: float) -> None:
    """Every vertex lies on the ring or on the spiral, and no chord of the ring strays by the tolerance.

    The spiral: r = R - s g(u), u turns after the ring; g = u^2 / 2 b up to b, an eighth, then u - b / 2.

    What is driven is a curve through the vertices: vertices beside the circle would make every dot too large.
    """
    path = dot_path_mm(diameter, tip, step, TOLERANCE)
    ring = diameter / 2 - tip / 2
    radius, angle = np.hypot(*path.T), np.unwrap(np.arctan2(path[:, 1], path[:, 0]))
    once = int(np.argmin(np.abs(angle - 2 * math.pi)))
    np.testing.assert_allclose(radius[: once + 1], ring, atol=1e-9, rtol=0)
    spiral = radius > 0.05  # nearer to the centre an angle says nothing
    after = np.maximum(angle / (2 * math.pi) - 1, 0.0)
    fall = np.where(after < 0.125, after**2 / 0.25, after - 0.0625)
    expected = np.where(np.arange(len(path)) > once, ring - step * fall, ring)
    np.testing.assert_allclose(radius[spiral], expected[spiral], atol=1e-9, rtol=0)
    middles = np.hypot(*((path[1 : once + 1] + path[:once]) / 2).T)
    assert (ring - middles).max() <= TOLERANCE + 1e-9


@pytest.mark.parametrize("diameter", DIAMETERS)
def test_a_curve_through_the_ring_is_the_circle(diameter: float) -> None:
    """The cubic spline through the ring's vertices (scipy) stays within 2 micrometres of the circle."""
    path = dot_path_mm(diameter, 2.0, 1.6, TOLERANCE)
    ring = path[: np.flatnonzero((path == path[0]).all(axis=1))[1] + 1]
    curve = CubicSpline(np.linspace(0.0, 1.0, len(ring)), ring, bc_type="periodic")
    radius = np.hypot(*curve(np.linspace(0.0, 1.0, 5000)).T)
    assert np.abs(radius - (diameter - 2.0) / 2).max() < 2e-3


@pytest.mark.parametrize(
    ("before", "after"), [(4.0, 4.0), (4.0, 4.6), (4.0, 9.0), (8.0, 12.0), (1.0, 9.0), (1.0, 1.1)]
)
def test_a_wider_dot_leaves_no_bare_ring(before: float, after: float) -> None:
    """What is painted and what is added cover the wider disc, nothing beyond it, with less way than a new dot."""
    tip = 2.0
    path = shapely.LineString(wider_dot_path_mm(before, after, tip, 1.6, FINE))
    disc = shapely.Point(0, 0).buffer(after / 2, quad_segs=256)
    both = path.buffer(tip / 2, quad_segs=128).union(shapely.Point(0, 0).buffer(before / 2, quad_segs=256))
    assert both.intersection(disc).area >= 0.999 * disc.area
    if after > tip + 2 * TOUCH_RADIUS_MM:
        assert shapely.hausdorff_distance(path, shapely.Point(0, 0)) + tip / 2 <= after / 2 + 1e-9
    assert path.length <= shapely.LineString(dot_path_mm(after, tip, 1.6, FINE)).length + 1e-9
    if (before, after) == (8.0, 12.0):  # the ring of 10 mm and a bit of a turn, closed form
        spiral = math.pi * (5.0**2 - 3.4**2) / 1.6 + math.pi * 5.0 / 8
        assert path.length == pytest.approx(2 * math.pi * 5.0 + spiral, rel=0.01)


def test_paint_does_not_come_off() -> None:
    """A dot cannot be made narrower by painting: refused."""
    with pytest.raises(ValueError, match=r"at least 5.0 mm"):
        wider_dot_path_mm(5.0, 4.9, 2.0, 1.6, TOLERANCE)


@pytest.mark.parametrize(
    ("radius", "tip", "step", "rings_length", "rings"),
    [(5, 0.7, 0.6, 128.176980, 8), (5, 1, 1, 78.539816, 5), (3, 0.7, 0.7, 40.212386, 4)],
)
def test_length_is_near_that_of_rings(
    radius: float, tip: float, step: float, rings_length: float, rings: int
) -> None:
    """A spiral of the same pitch is as long as closed rings of radii R - w/2 - k s plus the ring at the edge, to 6 %.

    Rings' lengths in closed form: 2 pi times the sum of their radii. The ring and the first turn of the spiral lie
    close together, so the spiral is compared with the rings below half a pitch: its mean radius a turn is s/2 less.
    """
    radii = [radius - tip / 2 - k * step for k in range(rings)]
    assert 2 * math.pi * sum(radii) == pytest.approx(rings_length, abs=1e-5)
    _, path = painted(2 * radius, tip, step)
    ring = radii[0]
    end = max(tip / 2 - step, 0.0)
    archimedean = math.pi * (ring**2 - end**2) / step  # the integral of r dphi, r = R - s phi / 2 pi
    eased = math.pi * ring / 8  # a sixteenth of a turn more
    assert path.length == pytest.approx(2 * math.pi * ring + archimedean + eased, rel=0.02)
    assert path.length < rings_length + 2 * math.pi * ring


def test_wider_pitch_than_tip_is_refused() -> None:
    """A pitch beyond the tip's width would leave bare rings (coverage .915 for R 2, w .7, s .8): refused."""
    with pytest.raises(ValueError, match="step_mm <= tip_mm"):
        dot_path_mm(4.0, 0.7, 0.8, TOLERANCE)


@pytest.mark.parametrize("diameter", [0.1, 1.0, 2.0, 2.1])
def test_a_dot_no_wider_than_the_tip_is_a_touch(diameter: float) -> None:
    """The pen goes once around the smallest circle, whatever the diameter: the least that it can paint."""
    area, path = painted(diameter, 2.0, 1.6)
    assert path.is_ring
    assert path.length == pytest.approx(2 * math.pi * TOUCH_RADIUS_MM, rel=0.01)
    assert area.area == pytest.approx(math.pi * (1.0 + TOUCH_RADIUS_MM) ** 2, rel=0.01)
