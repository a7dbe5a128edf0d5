"""Dots filled by a ring and a spiral: coverage and length against areas computed by shapely and closed forms."""

from __future__ import annotations

import math

import pytest
import shapely

from controller.strokes.build import TOUCH_RADIUS_MM, dot_path_mm

TOLERANCE = 0.02


def painted(diameter: float, tip: float, step: float) -> tuple[shapely.Geometry, shapely.LineString]:
    path = shapely.LineString(dot_path_mm(diameter, tip, step, TOLERANCE))
    return path.buffer(tip / 2, quad_segs=128), path


@pytest.mark.parametrize("diameter", [2.4, 3.0, 4.0, 4.1, 5.0, 6.0, 8.0, 9.5, 12.0, 16.0, 31.0])
@pytest.mark.parametrize(("tip", "step"), [(2.0, 1.6), (2.0, 2.0), (2.0, 0.9), (2.0, 0.3), (0.7, 0.6)])
def test_a_dot_is_covered_and_nothing_beyond(diameter: float, tip: float, step: float) -> None:
    """At least 99.9 % of the disc is painted, and nothing beyond its radius plus the tolerance (shapely's areas)."""
    area, path = painted(diameter, tip, step)
    disc = shapely.Point(0, 0).buffer(diameter / 2, quad_segs=256)
    assert area.intersection(disc).area >= 0.999 * math.pi * diameter**2 / 4
    assert area.covers(shapely.Point(0, 0))
    assert shapely.hausdorff_distance(path, shapely.Point(0, 0)) + tip / 2 <= diameter / 2 + TOLERANCE


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
    assert path.length == pytest.approx(2 * math.pi * ring + archimedean, rel=0.02)
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
