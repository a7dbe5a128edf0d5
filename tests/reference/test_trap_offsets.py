"""Traps and gaps as parallel bodies: areas in closed form.

Steiner's formula for a convex body K of area A and perimeter P: the points within r of it cover A + P r + pi r^2. At a
corner that points inwards (a right angle) the two strips share r^2 and have no circle between them: an L with one such
corner covers A + P r + 5 pi r^2 / 4 - r^2. A lighter area that lies in a darker one grows by just that.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from controller.strokes.build import dot_strokes
from controller.strokes.inks import assign
from controller.strokes.regions import seen
from controller.strokes.screen import LatticeKind, diameter_for, lattice, screen_dots
from controller.strokes.traps import gap_map, trapped
from tests.strokes.scenes import BLACK, OCHRE, Sheet, job, rectangle

INKS = (("ochre", OCHRE), ("black", BLACK))
SQUARE = rectangle(100, 100, 10, 10)
TRIANGLE = np.array([[100.0, 100.0], [140.0, 100.0], [100.0, 130.0], [100.0, 100.0]])
ANGLE = np.array([[0, 0], [30, 0], [30, 10], [10, 10], [10, 30], [0, 30], [0, 0]], dtype=np.float64) + 100.0

BODIES = pytest.mark.parametrize(
    ("body", "area", "radius", "covered"),
    [
        (SQUARE, 100.0, 2.0, 192.566371),
        (TRIANGLE, 600.0, 3.0, 988.274334),
        (ANGLE, 500.0, 2.0, 751.707963),
    ],
    ids=["square", "3-4-5", "angle"],
)
"""Values in closed form: 100 + 80 + 4 pi, 600 + 360 + 9 pi, 500 + 240 + 5 pi - 4."""


def test_the_values() -> None:
    """The numbers below are those of the formulas."""
    assert 100 + 40 * 2 + math.pi * 4 == pytest.approx(192.566371, abs=1e-6)
    assert 600 + 120 * 3 + math.pi * 9 == pytest.approx(988.274334, abs=1e-6)
    assert 500 + 120 * 2 + 5 * math.pi * 4 / 4 - 4 == pytest.approx(751.707963, abs=1e-6)


@BODIES
def test_a_trap_is_a_parallel_body(body: np.ndarray, area: float, radius: float, covered: float) -> None:
    """A light body in a dark ground grows by the trap's width all around, to 0.1 % of what is added."""
    made = job(*INKS, trap_mm=radius)
    drawing = Sheet().add(rectangle(50, 50, 150, 150), fill=BLACK).add(body, fill=OCHRE).drawing()
    found = trapped(seen(drawing, assign(drawing, made), made), made)
    assert found.trap_mm2[0] == pytest.approx(covered - area, rel=1e-3)
    assert found.trap_mm2[1] == 0.0


@BODIES
def test_a_gap_is_a_strip_of_it(body: np.ndarray, area: float, radius: float, covered: float) -> None:
    """Without a trap and with an error of r, the ground may bare the body's surroundings, the body its rim.

    Outside: A + P r + pi r^2 - A. Inside: what an inset by r takes away: 10^2 - 6^2, 600 (1 - (7/10)^2) for the
    triangle (its inradius is 10), and for the angle the strip along its sides with one quarter circle at the corner
    that points inwards. Least and most of the map hold the closed form between them.
    """
    made = job(*INKS, trap_mm=1.0)
    drawing = Sheet().add(rectangle(50, 50, 150, 150), fill=BLACK).add(body, fill=OCHRE).drawing()
    works = seen(drawing, assign(drawing, made), made)
    inside = {10.0: 64.0, 40.0: 306.0}.get(float(np.ptp(body[:, 0])))
    if inside is None:  # 500 less two arms of 28 by 6 and 22 by 6, and the quarter circle's corner that stays
        inside = 500.0 - (26.0 * 6.0 + 20.0 * 6.0) - (4.0 - math.pi)
    least, most = gap_map(works, works, made, radius).area_mm2
    assert least - 1e-3 <= covered - area + inside <= most + 1e-3
    assert most - least < 0.01 * most


@pytest.mark.parametrize("kind", ["square", "hexagonal"])
@pytest.mark.parametrize("tint", [0.25, 0.5, 0.75])
def test_a_painted_screen_has_its_tint(kind: LatticeKind, tint: float) -> None:
    """What a tip of 2 mm paints along a screen's strokes covers the tint of a window inside, to 0.3 % of it.

    Pitch 6 mm: dots of 3.2 to 5.9 mm, 1.6 to 3 tips. The share of a lattice's discs is a closed form (as in
    tests/reference/test_halftone.py); areas are shapely's.
    """
    pitch, tip = 6.0, 2.0
    diameter = float(diameter_for(tint, kind)) * pitch
    dots = screen_dots(shapely.box(0, 0, 168, 168), lattice(kind, pitch, 15.0), diameter)
    count = len(dots.centre_mm)
    strokes = dot_strokes(dots.centre_mm, dots.diameter_mm, np.zeros(count, np.int32), ("e",), tip, 0.8, 0.02)
    lines = [shapely.LineString(strokes.stroke_mm(index)) for index in range(count)]
    painted = shapely.union_all(shapely.buffer(lines, tip / 2, quad_segs=32))
    window = shapely.box(12, 12, 156, 156)
    assert painted.intersection(window).area / window.area == pytest.approx(tint, rel=3e-3)
