"""Laws of reading and flattening, over generated curves.

The judges are closed forms and general libraries that have no part in the reader: SciPy, matplotlib's affine maps,
fontTools' reader of path data (matplotlib brings it along). svgelements, on which the reader stands, judges nothing.
"""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
import shapely
from fontTools.pens.recordingPen import RecordingPen
from fontTools.svgLib.path.parser import parse_path
from hypothesis import HealthCheck, assume, event, given, settings
from hypothesis import strategies as st
from matplotlib.transforms import Affine2D
from scipy.interpolate import BPoly

from controller.artwork.flatten import SegmentTable, arc_steps, cubic_steps
from controller.artwork.pathdata import read_path
from controller.artwork.units import (
    IDENTITY,
    Matrix,
    SyntaxMistake,
    apply,
    compose,
    read_transform,
    stretches,
)

QUICK = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
COORDINATE = st.floats(-500, 500).map(lambda value: round(value, 3))
POINT = st.tuples(COORDINATE, COORDINATE)
TOLERANCE = st.sampled_from([1.0, 0.1, 0.02, 0.003])
PARAMETERS = np.linspace(0, 1, 2001)


def flatten(data: str, tolerance: float, matrix: Matrix = IDENTITY) -> np.ndarray:
    table = SegmentTable()
    table.begin(0, matrix)
    read_path(data, table)
    return table.flatten(tolerance).points


def farthest(points: np.ndarray, polyline: np.ndarray) -> float:
    return float(shapely.distance(shapely.points(points), shapely.LineString(polyline)).max())


@QUICK
@given(st.tuples(POINT, POINT, POINT, POINT), TOLERANCE)
def test_cubics_stay_within_the_tolerance(points: tuple[tuple[float, float], ...], tolerance: float) -> None:
    """The polyline of any cubic lies within the tolerance of the true curve (SciPy's Bernstein form is the judge)."""
    control = np.array(points)
    assume(np.ptp(control, axis=0).max() > 0.1)
    data = "M{},{}C{},{} {},{} {},{}".format(*control.ravel())
    polyline = flatten(data, tolerance)
    curve = BPoly(control[:, None, :], [0.0, 1.0])(PARAMETERS)
    assert farthest(curve, polyline) <= tolerance * (1 + 1e-9)
    # The vertices are on the curve: the curve sampled still finer passes them by.
    assert farthest(polyline, curve) <= 5e-3


@QUICK
@given(st.tuples(POINT, POINT, POINT), TOLERANCE)
def test_quadratics_stay_within_the_tolerance(
    points: tuple[tuple[float, float], ...], tolerance: float
) -> None:
    """The polyline of any quadratic lies within the tolerance of the true curve (SciPy's Bernstein form)."""
    control = np.array(points)
    assume(np.ptp(control, axis=0).max() > 0.1)
    polyline = flatten("M{},{}Q{},{} {},{}".format(*control.ravel()), tolerance)
    curve = BPoly(control[:, None, :], [0.0, 1.0])(PARAMETERS)
    assert farthest(curve, polyline) <= tolerance * (1 + 1e-9)


@QUICK
@given(
    POINT,
    POINT,
    st.floats(5, 400),
    st.floats(5, 400),
    st.floats(-180, 180),
    st.booleans(),
    st.booleans(),
    TOLERANCE,
)
def test_arcs_stay_within_the_tolerance(
    start: tuple[float, float],
    end: tuple[float, float],
    rx: float,
    ry: float,
    rotation: float,
    large: bool,
    sweep: bool,
    tolerance: float,
) -> None:
    """The polyline of any elliptical arc lies within the tolerance of the true arc, in closed form.

    In the plane where the ellipse is a circle of radius one (complex numbers), a chord of length 2 h spans the angle
    s = 2 asin h or what is left of the full turn, and end - centre = e^(is) (start - centre) gives the centre. This
    is neither the standard's formula (F.6.5) nor the library's.
    """
    assume(math.dist(start, end) > 1.0)
    turn = cmath.exp(1j * math.radians(rotation))
    first, last = (complex(p.real / rx, p.imag / ry) for p in (complex(*q) / turn for q in (start, end)))
    half_chord = abs(last - first) / 2
    grown = max(half_chord, 1.0)
    first, last = first / grown, last / grown
    angle = 2 * math.asin(min(half_chord, 1.0))
    angle = math.tau - angle if large else angle
    spin = cmath.exp(1j * (angle if sweep else -angle))
    centre = (last - spin * first) / (1 - spin)
    round_circle = centre + (first - centre) * np.exp(
        1j * (angle if sweep else -angle) * np.linspace(0, 1, 401)
    )
    image = turn * grown * (rx * round_circle.real + 1j * ry * round_circle.imag)
    curve = np.column_stack([image.real, image.imag])
    data = f"M{start[0]},{start[1]}A{rx!r},{ry!r} {rotation!r} {int(large)},{int(sweep)} {end[0]},{end[1]}"
    # At the edge where the radii just reach, rounding shows as a root (SVG 1.1, F.6.5 wants a zero there).
    assert farthest(curve, flatten(data, tolerance)) <= tolerance + 2e-5


@QUICK
@given(
    st.tuples(POINT, POINT, POINT, POINT),
    st.floats(-180, 180),
    st.floats(0.2, 5),
    st.floats(-5, -0.2),
    st.floats(-60, 60),
    TOLERANCE,
)
def test_tolerance_holds_after_the_transform(
    points: tuple[tuple[float, float], ...],
    angle: float,
    scale_x: float,
    scale_y: float,
    skew: float,
    tolerance: float,
) -> None:
    """The tolerance is in mm on the canvas: a curve that is enlarged gets more chords, not larger errors."""
    control = np.array(points)
    assume(np.ptp(control, axis=0).max() > 1)
    matrix = read_transform(f"rotate({angle!r}) skewX({skew!r}) scale({scale_x!r},{scale_y!r})")
    polyline = flatten("M{},{}C{},{} {},{} {},{}".format(*control.ravel()), tolerance, matrix)
    image = np.array([apply(matrix, x, y) for x, y in control])
    curve = BPoly(image[:, None, :], [0.0, 1.0])(PARAMETERS)
    assert farthest(curve, polyline) <= tolerance * (1 + 1e-6)


FUNCTIONS = st.one_of(
    st.tuples(st.just("translate"), st.lists(COORDINATE, min_size=1, max_size=2)),
    st.tuples(st.just("scale"), st.lists(st.floats(0.1, 9), min_size=1, max_size=2)),
    st.tuples(st.just("rotate"), st.lists(st.floats(-360, 360), min_size=1, max_size=1)),
    st.tuples(st.just("rotate"), st.tuples(st.floats(-360, 360), COORDINATE, COORDINATE).map(list)),
    st.tuples(st.just("skewX"), st.lists(st.floats(-70, 70), min_size=1, max_size=1)),
    st.tuples(st.just("skewY"), st.lists(st.floats(-70, 70), min_size=1, max_size=1)),
    st.tuples(st.just("matrix"), st.lists(st.floats(-9, 9), min_size=6, max_size=6)),
).map(lambda pair: f"{pair[0]}({','.join(f'{value:.6f}' for value in pair[1])})")


def affine(function: str) -> np.ndarray:
    """One transform function as matplotlib's 3 x 3 matrix."""
    name, _, inside = function.rstrip(")").partition("(")
    first, *rest = (float(value) for value in inside.split(","))
    judge = Affine2D()
    if name == "matrix":
        judge = Affine2D.from_values(first, *rest)
    elif name == "translate":
        judge.translate(first, *(rest or [0.0]))
    elif name == "scale":
        judge.scale(first, *rest)
    elif name == "rotate":
        judge.translate(*(-part for part in rest or [0, 0])).rotate_deg(first).translate(*(rest or [0, 0]))
    else:
        judge.skew_deg(*((first, 0) if name == "skewX" else (0, first)))
    return judge.get_matrix()


@QUICK
@given(st.lists(FUNCTIONS, min_size=1, max_size=5), POINT)
def test_transforms_agree_with_matplotlib(functions: list[str], point: tuple[float, float]) -> None:
    """A transform list maps points as matplotlib's affine maps do."""
    text = " ".join(functions)
    judge = Affine2D(np.linalg.multi_dot([np.eye(3), np.eye(3), *map(affine, functions)]))
    scale = 1 + stretches(read_transform(text))[0]
    np.testing.assert_allclose(
        apply(read_transform(text), *point), judge.transform(point), rtol=1e-9, atol=1e-6 * scale
    )


@QUICK
@given(st.lists(FUNCTIONS, min_size=2, max_size=4), POINT)
def test_transforms_compose(functions: list[str], point: tuple[float, float]) -> None:
    """One list is the same as its functions applied one after another, the last one first."""
    whole = read_transform(", ".join(functions))
    x, y = point
    for function in reversed(functions):
        x, y = apply(read_transform(function), x, y)
    np.testing.assert_allclose(apply(whole, *point), (x, y), rtol=1e-9, atol=1e-6)
    first, *rest = functions
    np.testing.assert_allclose(
        compose(read_transform(first), read_transform(" ".join(rest))), whole, rtol=1e-9, atol=1e-6
    )


@QUICK
@given(st.lists(st.floats(-9, 9), min_size=4, max_size=4))
def test_stretches_are_singular_values(parts: list[float]) -> None:
    """Largest and smallest stretch of a map are its singular values (numpy.linalg)."""
    a, b, c, d = parts
    judge = np.linalg.svd([[a, c], [b, d]], compute_uv=False)
    np.testing.assert_allclose(stretches((a, b, c, d, 0, 0)), judge, atol=1e-9)


RELATIVE = st.lists(
    st.one_of(
        st.tuples(st.just("l"), POINT),
        st.tuples(st.just("h"), st.tuples(COORDINATE)),
        st.tuples(st.just("v"), st.tuples(COORDINATE)),
        st.tuples(st.just("c"), st.tuples(*[COORDINATE] * 6)),
        st.tuples(st.just("s"), st.tuples(*[COORDINATE] * 4)),
        st.tuples(st.just("q"), st.tuples(*[COORDINATE] * 4)),
        st.tuples(st.just("t"), POINT),
    ),
    min_size=1,
    max_size=6,
)


@QUICK
@given(POINT, RELATIVE, st.booleans())
def test_paths_agree_with_fonttools(
    start: tuple[float, float], commands: list[tuple[str, tuple[float, ...]]], absolute: bool
) -> None:
    """Any chain of commands, relative or not, runs through the points that fontTools' reading of it runs through."""
    data = f"M{start[0]},{start[1]}" + "".join(
        (name.upper() if absolute else name) + " ".join(f"{value:.3f}" for value in values)
        for name, values in commands
    )
    pen = RecordingPen()
    parse_path(data, pen)
    here, pieces = np.array(start), []
    for name, points in pen.value:
        if name in ("lineTo", "curveTo", "qCurveTo"):
            control = np.array([here, *points])
            pieces.append(BPoly(control[:, None, :], [0.0, 1.0])(np.linspace(0, 1, 21)))
            here = control[-1]
    curve = np.concatenate(pieces)
    assume(np.ptp(curve, axis=0).max() > 0.1)
    assert farthest(curve, flatten(data, 0.01)) <= 0.01 + 1e-6


@pytest.mark.parametrize(
    ("mixed", "plain"),
    [
        ("M0 0Q5 9 10 0S20 9 30 0", "M0 0Q5 9 10 0C10 0 20 9 30 0"),
        ("M0 0T10 5S20 9 30 0", "M0 0L10 5C10 5 20 9 30 0"),
        ("M0 0C3 9 7 9 10 0T30 0", "M0 0C3 9 7 9 10 0Q10 0 30 0"),
        ("M0 0C3 9 7 9 10 0L12 0S20 9 30 0", "M0 0C3 9 7 9 10 0L12 0C12 0 20 9 30 0"),
        ("M0 0C3 9 7 9 10 0S20 9 30 0", "M0 0C3 9 7 9 10 0C13 -9 20 9 30 0"),
        ("M0 0Q5 9 10 0T20 0 30 0", "M0 0Q5 9 10 0Q15 -9 20 0Q25 9 30 0"),
    ],
)
def test_smooth_commands_mirror_their_own_family_only(mixed: str, plain: str) -> None:
    """S mirrors after C and S, T after Q and T; after anything else the current point stands in (SVG 1.1, 8.3.6-7)."""
    assert farthest(flatten(plain, 1e-4), flatten(mixed, 1e-4)) <= 2e-4


@QUICK
@given(st.text(alphabet="MmLlHhVvCcSsQqTtAaZz0123456789.,+-eE \n", max_size=40))
def test_path_data_never_crash_the_reader(text: str) -> None:
    """Whatever stands in ``d`` is either read into finite points or refused with a place; nothing else happens."""
    table = SegmentTable()
    table.begin(0, IDENTITY)
    try:
        read_path(text, table)
    except SyntaxMistake as error:
        event(f"refused: {error.expected[:12]}")
        return
    lines = table.flatten(1.0)
    assert np.isfinite(lines.points).all()
    assert lines.offsets[-1] == len(lines.points)
    assert (np.diff(lines.offsets) >= 2).all()


def test_step_counts_of_nothing() -> None:
    """Empty tables flatten to empty arrays of the right shapes."""
    lines = SegmentTable().flatten(0.1)
    assert lines.points.shape == (0, 2)
    assert lines.offsets.tolist() == [0]
    assert arc_steps(np.empty(0), np.empty(0), 0.1).shape == (0,)
    assert cubic_steps(np.empty((0, 4, 2)), 0.1).shape == (0,)


def test_curves_turn_gently() -> None:
    """However coarse the tolerance, a small circle keeps at least 24 chords, so that no planner sees corners in it."""
    assert len(flatten("M1,0A1,1 0 1 1 -1,0A1,1 0 1 1 1,0", 1.0)) == 25


def test_undo_forgets() -> None:
    """An element refused half-way leaves none of its outlines behind."""
    table = SegmentTable()
    table.begin(0, IDENTITY)
    read_path("M0 0L5 5", table)
    mark = table.mark()
    with pytest.raises(ValueError, match="expected"):
        read_path("M1 1L2 2M3 3L4 4X", table)
    table.undo(mark)
    np.testing.assert_array_equal(table.flatten(0.1).points, [[0, 0], [5, 5]])
