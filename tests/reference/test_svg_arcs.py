"""Elliptical arcs and edge paths against SVG 1.1 and two general libraries' numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.artwork.flatten import SegmentTable
from controller.artwork.pathdata import EllipseArc, centre_arc, read_path
from controller.artwork.units import IDENTITY

# path; centre; radii; start and sweep in degrees; length. SVG 1.1, appendix F.6; values computed with svgelements
# 1.9.6 and svgpathtools 1.8.0, which agree to 1e-5.
ARCS = [
    ("M100,100 A50,50 0 0,1 150,150", (100, 150), (50, 50), -90, 90, 78.539816),
    ("M100,100 A50,50 0 1,0 150,150", (100, 150), (50, 50), -90, -270, 235.619449),
    (
        "M10,20 A30,15 30 0,1 50,40",
        (27.119667, 39.724301),
        (30, 15),
        -145.380248,
        97.069732,
        46.356468,
    ),
    (
        "M10,20 A30,15 30 1,1 50,40",
        (32.880333, 20.275699),
        (30, 15),
        131.689484,
        262.930268,
        98.970256,
    ),
    ("M0,0 A10,10 0 0,1 100,0", (50, 0), (50, 50), 180, 180, 157.079633),
    (
        "M0,0 A10,5 45 1,0 60,0",
        (30, 0),
        (47.434165, 23.717082),
        116.565051,
        -180,
        114.890863,
    ),
]


class Recorder(SegmentTable):
    """Keeps the arcs that pass by."""

    def __init__(self) -> None:
        super().__init__()
        self.arcs: list[EllipseArc] = []
        self.begin(0, IDENTITY)

    def arc(self, arc: EllipseArc, x: float, y: float) -> None:
        """Note the arc and pass it on."""
        self.arcs.append(arc)
        super().arc(arc, x, y)


def length_of(data: str, tolerance: float = 1e-6) -> float:
    table = Recorder()
    read_path(data, table)
    lines = table.flatten(tolerance)
    steps = np.hypot(*np.diff(lines.points, axis=0).T)
    steps[lines.offsets[1:-1] - 1] = 0.0  # from one outline to the next
    return float(steps.sum())


@pytest.mark.parametrize(("data", "centre", "radii", "start", "sweep", "length"), ARCS)
def test_arc_centre_and_length(
    data: str,
    centre: tuple[float, float],
    radii: tuple[float, float],
    start: float,
    sweep: float,
    length: float,
) -> None:
    """Endpoint to centre form and length (SVG 1.1 F.6.5, F.6.6; libraries' values, tolerance 1e-5)."""
    table = Recorder()
    read_path(data, table)
    (arc,) = table.arcs
    assert (arc.centre_x, arc.centre_y) == pytest.approx(centre, abs=1e-5)
    assert (arc.radius_x, arc.radius_y) == pytest.approx(radii, abs=1e-5)
    assert math.remainder(math.degrees(arc.start) - start, 360) == pytest.approx(0, abs=1e-5)
    assert math.degrees(arc.sweep) == pytest.approx(sweep, abs=1e-5)
    assert length_of(data) == pytest.approx(length, abs=1e-5)


@pytest.mark.parametrize(
    ("data", "length"),
    [
        ("M0,0a25,25 0 0150,0", 78.539816),  # packed flags
        ("M0,0A25,-25 0 0 1 50,0", 78.539816),  # negative radii count as positive (F.6.6)
        ("M0,0A-25,25 0 0 1 50,0", 78.539816),
        ("M10,10 l10,0 l0,10 z l5,0", 39.142136),  # after z, on from the start
        ("M0-10L10-10L10.5.5", 20.511898),  # numbers without separators
        ("M0,0 A0,10 0 0,1 30,40", 50.0),  # a zero radius is a straight line (F.6.2)
        ("M0,0 A10,0 0 0,1 30,40", 50.0),
        ("M10,10 A5,5 0 1,1 10,10 L20,10", 10.0),  # equal ends: no arc at all (F.6.2)
        ("M10,10 a5,5 0 1,1 0,0 l10,0", 10.0),
    ],
)
def test_edge_paths(data: str, length: float) -> None:
    """Edge cases of SVG 1.1, 8.3 and F.6.2 (values: svgelements, svgpathtools, tolerance 1e-5).

    Zero radii and equal ends are where the libraries themselves stray (svgelements draws no line for a zero radius,
    svgpathtools fails on equal ends); there the standard's own words give the length.
    """
    assert length_of(data) == pytest.approx(length, abs=1e-5)


@pytest.mark.parametrize(
    ("data", "length"),
    [
        ("M0,0 C100,100 -50,100 50,0", 184.8055457390),
        ("M0,0 C100,100 0,100 100,0", 182.8427124746),
        ("M0,0 C100,0 0,100 100,100", 167.6542627420),
        ("M0,0 C150,0 -50,0 100,0", 137.7964473),
        ("M0,0 Q50,100 100,0", 147.8942857545),
        ("M0,0 Q120,0 40,0", 104.0),
    ],
)
def test_curve_lengths(data: str, length: float) -> None:
    """Loop, cusp, S, back-track and quadratics: lengths from mpmath at 30 digits (tolerance 1e-5)."""
    assert length_of(data) == pytest.approx(length, abs=1e-5)


@pytest.mark.parametrize(
    ("width", "height", "length"), [(100, 50, 484.4224110274), (100, 10, 406.3974180101)]
)
def test_ellipse_lengths(width: float, height: float, length: float) -> None:
    """Circumference of ellipses by their half axes, from mpmath at 30 digits (tolerance 1e-5)."""
    data = f"M{width},0A{width},{height} 0 0 1 {-width},0A{width},{height} 0 0 1 {width},0z"
    assert length_of(data) == pytest.approx(length, abs=1e-5)


def test_half_circle_of_exact_radius_has_its_centre_between_its_ends() -> None:
    """Where radius and half chord differ by rounding alone, the radicand of F.6.5 is zero, not a root of rounding."""
    rng = np.random.default_rng(3)
    for x0, y0, x1, y1 in rng.uniform(-300, 300, (200, 4)).tolist():
        radius = math.hypot(x1 - x0, y1 - y0) / 2
        arc = centre_arc(x0, y0, radius, radius, 0.0, False, True, x1, y1)
        assert arc is not None
        assert (arc.centre_x, arc.centre_y) == pytest.approx(((x0 + x1) / 2, (y0 + y1) / 2), abs=1e-9)


@pytest.mark.parametrize("large", [False, True])
def test_a_radius_of_kilometres(large: bool) -> None:
    """A nearly straight arc is a straight line; the rest of its circle is refused, never turned into rubbish."""
    if large:
        with pytest.raises(ValueError, match="radii"):
            centre_arc(0, 0, 1e15, 1e15, 0.0, large, True, 10.0, 0.0)
    else:
        assert centre_arc(0, 0, 1e15, 1e15, 0.0, large, True, 10.0, 0.0) is None
