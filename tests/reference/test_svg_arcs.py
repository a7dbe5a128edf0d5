"""Elliptical arcs and edge paths against SVG 1.1 and numbers from outside the library that reads them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.artwork.flatten import SegmentTable
from controller.artwork.pathdata import EllipseArc, read_path
from controller.artwork.units import IDENTITY, SyntaxMistake

# path; centre; radii; start and sweep in degrees; length. SVG 1.1, appendix F.6; values computed with svgpathtools
# 1.8.0, which has no part in the reader (svgelements, which has, agrees to 1e-5).
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


def arc_between(ends: tuple[float, float, float, float], radius: float, large: bool) -> EllipseArc | None:
    """The circular arc from the first point to the second, as read from path data; None if it became a line."""
    table = Recorder()
    x0, y0, x1, y1 = ends
    read_path(f"M{x0!r},{y0!r}A{radius!r},{radius!r} 0 {int(large)} 1 {x1!r},{y1!r}", table)
    return table.arcs[0] if table.arcs else None


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
    """Endpoint to centre form and length (SVG 1.1 F.6.5, F.6.6; svgpathtools' values, tolerance 1e-5)."""
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
        ("M0,0 L10,0 S20,10 30,0", 32.434874),  # S after a line begins with the current point
        (
            "M0,0 Q10,10 20,0 T40,0",
            45.911743,
        ),  # T mirrors: twice 10 (sqrt 2 + arsinh 1), closed form of a parabola
        ("M0,0 A0,10 0 0,1 30,40", 50.0),  # a zero radius is a straight line (F.6.2)
        ("M0,0 A10,0 0 0,1 30,40", 50.0),
        ("M10,10 A5,5 0 1,1 10,10 L20,10", 10.0),  # equal ends: no arc at all (F.6.2)
        ("M10,10 a5,5 0 1,1 0,0 l10,0", 10.0),
    ],
)
def test_edge_paths(data: str, length: float) -> None:
    """Edge cases of SVG 1.1, 8.3 and F.6.2 (values: svgpathtools, tolerance 1e-5).

    Zero radii and equal ends are where libraries stray (svgelements, which reads here, has no line for a zero
    radius; svgpathtools fails on equal ends); there the standard's own words give the length.
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
        arc = arc_between((x0, y0, x1, y1), radius, large=False)
        assert arc is not None
        assert (arc.centre_x, arc.centre_y) == pytest.approx(((x0 + x1) / 2, (y0 + y1) / 2), abs=1e-9)


@pytest.mark.parametrize("large", [False, True])
def test_a_radius_of_kilometres(large: bool) -> None:
    """A nearly straight arc is a straight line; the rest of its circle is refused, never turned into rubbish."""
    if large:
        with pytest.raises(ValueError, match="radii"):
            arc_between((0.0, 0.0, 10.0, 0.0), 1e15, large)
    else:
        assert arc_between((0.0, 0.0, 10.0, 0.0), 1e15, large) is None


@pytest.mark.parametrize("radius", [1e3, 1e5, 1e7, 1e8])
@pytest.mark.parametrize("flags", ["0 0", "0 1"])
def test_flat_arcs_keep_their_sagitta(radius: float, flags: str) -> None:
    """A chord of 1000 under a large radius: s = R - sqrt(R^2 - 500^2), written as 500^2 / (R + sqrt(R^2 - 500^2)).

    An arc cosine of the angle between the ends has no digits left here, and an angle of zero must not become a
    full turn the other way.
    """
    table = Recorder()
    read_path(f"M0,0A{radius!r},{radius!r} 0 {flags} 1000,0", table)
    (arc,) = table.arcs
    sagitta = 500.0**2 / (radius + math.sqrt(radius**2 - 500.0**2))
    assert abs(arc.sweep) == pytest.approx(2.0 * math.asin(500.0 / radius), rel=1e-6)
    highest = np.abs(table.flatten(sagitta / 100.0).points[:, 1]).max()
    assert highest == pytest.approx(sagitta, rel=0.02, abs=2e-6)


@pytest.mark.parametrize(
    ("data", "length"),
    [
        ("M0 0A1e-30 1e-30 0 0 1 10 0", 5 * math.pi),  # radii grow until they reach (F.6.6)
        ("M0 0a4 4 0 0 1 8 0a4 4 0 0 1-8 0z", 8 * math.pi),
        ("M5. 0L1.e1 0", 5.0),  # a number may end with its point (SVG 1.1, 8.3.9)
        ("M5.-3L5..5", 3.5),
        ("M0 0L3 4zzl0 5", 15.0),
    ],
)
def test_writings_that_libraries_stumble_over(data: str, length: float) -> None:
    """Lengths by hand, from the standard's own words."""
    assert length_of(data) == pytest.approx(length, abs=1e-5)


@pytest.mark.parametrize("radii", ["1e-200,5", "5,1e200"])
def test_radii_out_of_all_measure(radii: str) -> None:
    """Radii whose fourth powers leave the floating-point range are refused by their value, not by an overflow."""
    with pytest.raises(SyntaxMistake, match="radii"):
        read_path(f"M0 0A{radii} 0 0 1 9 9", Recorder())


@pytest.mark.parametrize(("rx", "ry"), [(0.5, 4.9e3), (4.9e3, 0.5), (2.0, 1e4), (1e4, 2.0)])
def test_oblong_arcs_meet_their_ends(rx: float, ry: float) -> None:
    """The centre form of very long ellipses still starts and ends where the path data say, to a tenth of a micrometre.

    Worked out with NumPy from the definition: point = centre + R(rotation) (rx cos, ry sin).
    """
    rng = np.random.default_rng(8)
    for x0, y0, x1, y1, rotation in rng.uniform(0, 2000, (100, 5)).tolist():
        table = Recorder()
        read_path(f"M{x0!r},{y0!r}A{rx!r},{ry!r} {rotation!r} 0 1 {x1!r},{y1!r}", table)
        (arc,) = table.arcs
        angle = arc.start + np.array([0.0, arc.sweep])
        point = arc.radius_x * np.cos(angle) + 1j * arc.radius_y * np.sin(angle)
        point = arc.centre_x + 1j * arc.centre_y + np.exp(1j * arc.rotation) * point
        assert np.abs(point - [complex(x0, y0), complex(x1, y1)]).max() < 1e-4


def test_arcs_beyond_all_shape_are_refused() -> None:
    """An arc whose radii differ by more than the reader can place to the micrometre is refused, not misplaced."""
    with pytest.raises(SyntaxMistake, match="times the other"):
        read_path("M3 4A10 1e7 20 1 1 11 9", Recorder())


def test_a_circle_of_four_cubics() -> None:
    """With handles of 0.5522847498 R four cubics stray outwards from their circle by 2.7253e-4 R, and never inwards.

    Closed form of the handle: 4/3 (sqrt 2 - 1); the error is a maximum of the polynomial, found with NumPy.
    """
    k = 4.0 / 3.0 * (math.sqrt(2.0) - 1.0)
    assert k == pytest.approx(0.5522847498, abs=1e-10)
    control = np.array([[1.0, 0.0], [1.0, k], [k, 1.0], [0.0, 1.0]])
    t = np.linspace(0.0, 1.0, 20_001)[:, None]
    exact = control.T @ np.hstack([(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3]).T
    stray = np.hypot(*exact).max() - 1.0
    assert stray == pytest.approx(2.7253e-4, abs=1e-8)
    radius, tolerance = 500.0, 1e-4
    c = k * radius
    data = (
        f"M{radius},0C{radius},{c!r} {c!r},{radius} 0,{radius}S{-radius},{c!r} {-radius},0"
        f"S{-c!r},{-radius} 0,{-radius}S{radius},{-c!r} {radius},0z"
    )
    table = Recorder()
    read_path(data, table)
    reach = np.hypot(*table.flatten(tolerance).points.T)
    assert reach.max() == pytest.approx(radius * (1.0 + stray), abs=2 * tolerance)
    assert reach.min() == pytest.approx(radius, abs=tolerance)
