"""The map from canvas to axes: hand-worked places, exact inverses, laws of composition, figures of crooked machines."""

from __future__ import annotations

import copy
import tomllib
from itertools import pairwise
from math import cos, hypot, pi, sin
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.load import machine_from
from controller.config.machine import Machine
from controller.config.places import shipped
from controller.config.plane import LEVEL, Plane, Table
from controller.motion.frames import Vector, canvas_to_machine_mm
from controller.motion.geometry import GeometryMap
from drivers.twin.frame import Frame
from drivers.twin.parameters import TwinParameters

ORIGIN, SIZE = (200.0, 150.0), (3000.0, 1900.0)
DATA = tomllib.loads(shipped("machines/boathouse.toml").read_text(encoding="utf-8"))


def made(plane: Plane, registration: object = None, origin_mm: tuple[float, float] = ORIGIN) -> GeometryMap:
    return GeometryMap.made(plane, origin_mm=origin_mm, size_mm=SIZE, registration=registration)


def crooked_machine() -> Machine:
    """The shipped machine with every part of the plane in use."""
    data: dict[str, Any] = copy.deepcopy(DATA)
    data["axes"]["x"]["length_table"] = {
        "position_mm": [0.0, 1000.0, 2000.0, 3400.0],
        "error_mm": [0.0, 1.0, 0.5, 2.0],
    }
    data["axes"]["y"]["length_table"] = {"position_mm": [0.0, 1000.0, 2200.0], "error_mm": [0.0, -0.5, -2.0]}
    data["geometry"] = {
        "squareness_mm_m": 2.0,
        "sag": {"position_mm": [0.0, 1700.0, 3400.0], "drop_mm": [0.0, 3.4, 0.0]},
    }
    return machine_from(data, Path("machine.toml"))


@st.composite
def tables(draw: st.DrawFn, slope: float) -> Table:
    """A table with up to 8 places, its value changing by at most ``slope``."""
    steps = draw(st.lists(st.floats(5.0, 1500.0), min_size=0, max_size=7))
    places = list(np.cumsum([draw(st.floats(-500.0, 2000.0)), *steps]))
    values = [draw(st.floats(-3.0, 3.0))]
    for low, high in pairwise(places):
        values.append(values[-1] + draw(st.floats(-slope, slope)) * (high - low))
    return tuple(map(float, places)), tuple(map(float, values))


planes = st.builds(
    Plane,
    st.tuples(tables(0.01), tables(0.01)),
    tables(0.02),
    st.floats(-0.02, 0.02),
)


@st.composite
def registrations(draw: st.DrawFn) -> Vector:
    """A turn of up to 5 degrees, stretches of up to 2 %, a shear, a shift."""
    angle = draw(st.floats(-0.09, 0.09))
    turn = np.array([[cos(angle), -sin(angle)], [sin(angle), cos(angle)]])
    stretch = np.array([[draw(st.floats(0.98, 1.02)), draw(st.floats(-0.02, 0.02))], [0.0, 1.0]])
    shift = [draw(st.floats(-20.0, 20.0)), draw(st.floats(-20.0, 20.0))]
    return np.column_stack([turn @ stretch, shift])


seeds = st.integers(0, 2**32 - 1)

unhurried = settings(deadline=None)
"""The first example pays for compiling."""


def points_of(seed: int, count: int = 64) -> Vector:
    """Places on the canvas, its corners among them."""
    rng = np.random.default_rng(seed)
    corners = np.array([[0.0, 0.0], [SIZE[0], 0.0], [0.0, SIZE[1]], list(SIZE)])
    return np.vstack([corners, rng.uniform(0.0, 1.0, (count, 2)) * SIZE])


def canvas_by_definition(plane: Plane, axis_mm: Vector, registration: Vector) -> Vector:
    """Axis mm to canvas mm, the definitions one after the other and numpy's own table look-up."""
    a, b = axis_mm[:, 0], axis_mm[:, 1]
    s_x = a + np.interp(a, *plane.lengths[0])
    s_y = b + np.interp(b, *plane.lengths[1])
    y = s_y + np.interp(a, *plane.sag)
    x = s_x + plane.squareness * s_y
    on_canvas = np.column_stack([x, y]) - ORIGIN - registration[:, 2]
    return np.linalg.solve(registration[:, :2], on_canvas.T).T


def test_nominal_map_is_the_canvas_origin(machine: Machine) -> None:
    """A machine without tables: axis mm are machine mm, to the last bit of a sum, and no shape differs."""
    plain = GeometryMap.of(machine)
    points = points_of(1)
    np.testing.assert_array_equal(plain.to_axes(points), canvas_to_machine_mm(points, machine))
    np.testing.assert_allclose(plain.to_canvas(plain.to_axes(points)), points, rtol=0, atol=1e-12)
    assert plain.shape_error_mm(1e6) == 0.0
    assert plain.largest_stretch() == 1.0


@pytest.mark.parametrize(
    ("canvas_mm", "axis_mm"),
    [
        # y = 1150; u = 802.3 - 2.3 = 800 = a_x (1 + 1/1000 - 0.002 x 3.4/1700); drop a_x 3.4/1700;
        # s_y = 1150 - drop, between (1000, 999.5) and (2200, 2198): 1000 + (s_y - 999.5) x 1200/1198.5.
        (
            (602.3, 1000.0),
            (800 / 1.000996, 1000 + (1150 - 3.4 / 1700 * 800 / 1.000996 - 999.5) * 1200 / 1198.5),
        ),
        # At a knot: a_x = 2000 stands at 2000.5; drop 3.4 x 1400/1700 = 2.8; a_y = 1000 stands at 999.5.
        # y = 999.5 + 2.8 = 1002.3; x = 2000.5 + 0.002 x 999.5 = 2002.499.
        ((1802.499, 852.3), (2000.0, 1000.0)),
        # Beyond the table: 3500 stands at 3502, drop 0; 2300 at 2298; x = 3502 + 0.002 x 2298 = 3506.596.
        ((3306.596, 2148.0), (3500.0, 2300.0)),
        # Before the table: -10 stands at -10 (error 0), y -5 at -5; x = -10 - 0.01 = -10.01.
        ((-210.01, -155.0), (-10.0, -5.0)),
    ],
)
def test_hand_worked_places(canvas_mm: tuple[float, float], axis_mm: tuple[float, float]) -> None:
    """Places worked out by hand from the definitions, both ways."""
    crooked = GeometryMap.of(crooked_machine())
    np.testing.assert_allclose(crooked.to_axes(canvas_mm), axis_mm, rtol=0, atol=1e-9)
    np.testing.assert_allclose(crooked.to_canvas(axis_mm), canvas_mm, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("plane", "axis_moves"),
    [
        # The belt carried the head 1 mm too far at 1000: to get there the axis is told 1 mm less.
        (Plane(lengths=(((1000.0, 2000.0), (1.0, 1.0)), LEVEL)), (-1.0, 0.0)),
        # The head hangs 1 mm low: the axis is told 1 mm less, up.
        (Plane(sag=((0.0,), (1.0,))), (0.0, -1.0)),
        # x drifts to the right by 1 mm a metre going down: at y = 1000 the axis is told 1 mm less.
        (Plane(squareness=1e-3), (-1.0, 0.0)),
    ],
    ids=["length", "sag", "squareness"],
)
def test_signs(plane: Plane, axis_moves: tuple[float, float]) -> None:
    """What goes too far is told less: the sign of each part, at machine mm (1500, 1000)."""
    axes = made(plane, origin_mm=(0.0, 0.0)).to_axes((1500.0, 1000.0))
    np.testing.assert_allclose(axes - (1500.0, 1000.0), axis_moves, rtol=0, atol=1e-9)


@unhurried
@given(plane=planes, registration=registrations(), seed=seeds)
def test_there_and_back(plane: Plane, registration: Vector, seed: int) -> None:
    """to_canvas(to_axes(p)) = p and to_axes(to_canvas(a)) = a to 1e-9 mm, on and off the canvas."""
    crooked = made(plane, registration)
    points = points_of(seed) * 1.5 - 400.0
    np.testing.assert_allclose(crooked.to_canvas(crooked.to_axes(points)), points, rtol=0, atol=1e-9)
    np.testing.assert_allclose(crooked.to_axes(crooked.to_canvas(points)), points, rtol=0, atol=1e-9)


@unhurried
@given(plane=planes, registration=registrations(), seed=seeds)
def test_places_of_tables_there_and_back(plane: Plane, registration: Vector, seed: int) -> None:
    """The same at the very places of the tables, where two straight lines meet."""
    crooked = made(plane, registration)
    knots = [*plane.lengths[0][0], *plane.sag[0]]
    axes = np.array([[a, b] for a in knots for b in plane.lengths[1][0]])
    np.testing.assert_allclose(crooked.to_axes(crooked.to_canvas(axes)), axes, rtol=0, atol=1e-9)


@unhurried
@given(plane=planes, registration=registrations(), seed=seeds)
def test_map_is_its_definition(plane: Plane, registration: Vector, seed: int) -> None:
    """to_canvas agrees with its definition written out with numpy's interpolation."""
    axes = points_of(seed) * 1.5 - 400.0
    np.testing.assert_allclose(
        made(plane, registration).to_canvas(axes),
        canvas_by_definition(plane, axes, registration),
        rtol=0,
        atol=1e-9,
    )


@unhurried
@given(plane=planes, seed=seeds)
def test_rules_and_planner_see_one_plane(plane: Plane, seed: int) -> None:
    """The arithmetic that refuses machine files gives the planner's places."""
    points = points_of(seed, 16)
    axes = made(plane).to_axes(points)
    for point, axis in zip(points + ORIGIN, axes, strict=True):
        np.testing.assert_allclose(plane.to_axes((point[0], point[1])), axis, rtol=0, atol=1e-9)


@unhurried
@given(plane=planes, seed=seeds)
def test_extent_holds_the_canvas_and_is_met(plane: Plane, seed: int) -> None:
    """No place of the canvas leaves the extent; the outline with its knots reaches each of its four ends."""
    low, high = plane.extent_mm(ORIGIN, (ORIGIN[0] + SIZE[0], ORIGIN[1] + SIZE[1]))
    crooked = made(plane)
    inside = crooked.to_axes(points_of(seed, 256))
    assert (inside >= np.array(low) - 1e-9).all()
    assert (inside <= np.array(high) + 1e-9).all()
    edge = [[x, y] for x in (0.0, SIZE[0]) for y in (0.0, SIZE[1])]
    for y in (0.0, SIZE[1]):  # where the canvas' upper and lower edge pass the places of the sag
        for place in plane.sag[0]:
            x = crooked.to_canvas((place, 0.0))[0]
            for _ in range(8):  # x and y of the edge depend on each other by a sag times a squareness: settle
                x = crooked.to_canvas((place, crooked.to_axes((x, y))[1]))[0]
            if 0.0 <= x <= SIZE[0]:
                edge.append([x, y])
    outline = crooked.to_axes(np.array(edge))
    np.testing.assert_allclose(outline.min(axis=0), low, rtol=0, atol=1e-6)
    np.testing.assert_allclose(outline.max(axis=0), high, rtol=0, atol=1e-6)


@unhurried
@given(plane=planes, one=registrations(), other=registrations(), seed=seeds)
def test_registrations_compose(plane: Plane, one: Vector, other: Vector, seed: int) -> None:
    """A registration comes before everything else, and two of them are one: R1 R2."""
    points = points_of(seed)
    twice = np.column_stack([one[:, :2] @ other[:, :2], one[:, :2] @ other[:, 2] + one[:, 2]])
    moved = points @ other[:, :2].T + other[:, 2]
    np.testing.assert_allclose(
        made(plane, twice).to_axes(points), made(plane, one).to_axes(moved), rtol=0, atol=1e-9
    )
    moved_twice = moved @ one[:, :2].T + one[:, 2]
    np.testing.assert_allclose(
        made(plane, twice).to_axes(points), made(plane).to_axes(moved_twice), rtol=0, atol=1e-9
    )


@unhurried
@given(plane=planes, registration=registrations(), seed=seeds, extent=st.floats(0.5, 300.0))
def test_shapes_differ_by_no_more_than_said(
    plane: Plane, registration: Vector, seed: int, extent: float
) -> None:
    """A shape's image, moved from any place on the canvas to any other, is within ``shape_error_mm`` there."""
    crooked = made(plane, registration)
    rng = np.random.default_rng(seed)
    starts = rng.uniform(0.0, 1.0, (40, 2)) * SIZE
    angle = rng.uniform(0.0, 2 * pi, 24)
    shape = np.column_stack([np.cos(angle), np.sin(angle)]) * extent * np.sqrt(rng.uniform(0, 1, (24, 1)))
    places = starts[:, None, :] + shape
    on_canvas = ((places >= 0.0) & (places <= SIZE)).all(axis=(1, 2))
    images = (crooked.to_axes(places) - crooked.to_axes(starts)[:, None, :])[on_canvas]
    if len(images):
        differences = np.linalg.norm(images[:, None] - images[None, :], axis=-1)
        assert differences.max() <= crooked.shape_error_mm(extent) + 1e-9


def test_shape_error_is_no_mere_bound() -> None:
    """Where the tables' slopes really differ the figure is met: 1 % against -1 % over 10 mm is 0.2 mm less 1e-4."""
    table = ((0.0, 1000.0, 2000.0), (0.0, 10.0, 0.0))
    bent = made(Plane(lengths=(table, LEVEL)))
    step = np.array([10.0, 0.0])
    one, other = np.array([100.0, 10.0]), np.array([1200.0, 10.0])
    differs = (bent.to_axes(one + step) - bent.to_axes(one)) - (
        bent.to_axes(other + step) - bent.to_axes(other)
    )
    assert bent.shape_error_mm(10.0) == pytest.approx(10 / 0.99 - 10 / 1.01, abs=1e-9)
    assert hypot(*differs) == pytest.approx(bent.shape_error_mm(10.0), abs=1e-9)


@pytest.mark.parametrize(
    ("plane", "registration"),
    [
        (Plane(squareness=0.01), None),
        (Plane(lengths=(((-9e3, 9e3), (-90.0, 90.0)), ((-9e3, 9e3), (-9.0, 9.0)))), None),
        (Plane(), [[1.01, 0.01, 5.0], [-0.01, 0.99, 7.0]]),
        (Plane(sag=((-9e3, 9e3), (-9.0, 9.0)), squareness=-0.002), [[1.0, 0.01, 0.0], [0.0, 1.0, 0.0]]),
    ],
    ids=["squareness", "scales", "registration", "slanted rail"],
)
def test_straight_maps_bend_no_shape(plane: Plane, registration: object) -> None:
    """Squareness, uniform scales, a registration and a rail that is straight but slants keep all shapes alike."""
    assert made(plane, registration).shape_error_mm(1000.0) == pytest.approx(0.0, abs=1e-9)


def test_tables_beyond_the_canvas_count_for_nothing() -> None:
    """Only what the canvas reaches decides how shapes differ: a bend behind its edge does not."""
    behind = ((3250.0, 3300.0, 3400.0), (0.0, 0.5, -0.5))
    assert made(Plane(lengths=(behind, LEVEL), sag=behind)).shape_error_mm(10.0) == 0.0
    below = ((-100.0, 0.0, 100.0), (0.0, 1.0, 0.0))
    assert made(Plane(lengths=(LEVEL, below))).shape_error_mm(10.0) == 0.0


@unhurried
@given(plane=planes, registration=registrations(), seed=seeds)
def test_axes_stretch_no_more_than_said(plane: Plane, registration: Vector, seed: int) -> None:
    """|a(p) - a(q)| <= largest_stretch x |p - q| for places p, q of the canvas."""
    crooked = made(plane, registration)
    one, other = points_of(seed), points_of(seed + 1)
    moved = np.linalg.norm(crooked.to_axes(one) - crooked.to_axes(other), axis=1)
    assert (moved <= crooked.largest_stretch() * np.linalg.norm(one - other, axis=1) + 1e-9).all()


def radial_range_mm(points: Vector) -> float:
    """Largest less smallest distance from the middle of the bounding box: G by symmetry, for an ellipse."""
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    radii = np.linalg.norm(points - middle, axis=1)
    return float(radii.max() - radii.min())


@pytest.mark.parametrize(
    ("what", "truth"),
    [
        ("scale", Plane(lengths=(((0.0, 3400.0), (0.0, 0.34)), LEVEL))),
        ("squareness", Plane(squareness=1e-4)),
        ("all", crooked_machine().plane),
    ],
)
def test_circular_deviation_of_crooked_machines(what: str, truth: Plane) -> None:
    """Circle of R 100: a scale error of 1e-4 on one axis, or a squareness of 1e-4 rad, each make G = 0.010000 mm.

    G as in ISO 230-4 (definition from memory): minimum radial separation of two concentric circles that enclose the
    path. Closed form: the circle becomes an ellipse with half axes R (1 + e) and R for the scale, R (1 +- q/2) for
    the shear, so G = e R and q R. Told nothing the machine shows that; told the plane, nothing is left.
    """
    angle = np.linspace(0.0, 2 * pi, 7201)
    wanted = np.array([900.0, 700.0]) + 100.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    machine_truth = made(truth)
    untold = machine_truth.to_canvas(made(Plane()).to_axes(wanted))
    told = machine_truth.to_canvas(machine_truth.to_axes(wanted))
    assert radial_range_mm(told) < 1e-9
    np.testing.assert_allclose(told, wanted, rtol=0, atol=1e-9)
    if what != "all":
        assert radial_range_mm(untold) == pytest.approx(0.010000, abs=1e-6)
    else:
        assert radial_range_mm(untold) > 0.05


@unhurried
@given(seed=seeds)
def test_undoes_what_the_simulated_gantry_does(seed: int) -> None:
    """Told a gantry's own numbers, the map leads its head to the place wanted, by the simulation's own arithmetic.

    The simulation reads its sag at the true place along x, the machine file at the place that the axis shows: with
    a length error of up to 2 mm and 2 mm of drop a metre they differ by 0.004 mm, and without one not at all.
    """
    machine = crooked_machine()
    straight = copy.deepcopy(DATA)
    straight["geometry"] = {
        "squareness_mm_m": 2.0,
        "sag": {"position_mm": [0.0, 1700.0, 3400.0], "drop_mm": [0.0, 3.4, 0.0]},
    }
    for believed, most_mm in ((machine_from(straight, Path("machine.toml")), 1e-9), (machine, 0.004)):
        twin = copy.deepcopy(DATA["twin"])
        twin["squareness_mm_m"] = believed.geometry.squareness_mm_m
        assert believed.geometry.sag is not None
        twin["sag"] = believed.geometry.sag.model_dump()
        for name in ("x", "y"):
            table = believed.axes[name].length_table
            if table is not None:
                twin["axes"][name]["length_error"] = table.model_dump()
        frame = Frame(TwinParameters.model_validate(twin), ("x", "y"))
        points = points_of(seed)
        reached = frame.canvas_mm(GeometryMap.of(believed).to_axes(points))
        np.testing.assert_allclose(reached, points, rtol=0, atol=most_mm)


def test_any_shape_of_array_and_order_of_points() -> None:
    """(2,), (n, 2), (m, n, 2), lists, none at all, strided arrays: mapped point by point, the argument untouched."""
    crooked = GeometryMap.of(crooked_machine())
    points = points_of(5)
    whole = crooked.to_axes(points)
    assert crooked.to_axes(points[7]).shape == (2,)
    np.testing.assert_array_equal(crooked.to_axes(points[7]), whole[7])
    np.testing.assert_array_equal(crooked.to_axes(points.reshape(4, 17, 2)), whole.reshape(4, 17, 2))
    np.testing.assert_array_equal(crooked.to_axes(points.tolist()), whole)
    np.testing.assert_array_equal(crooked.to_axes(np.asfortranarray(points)[::-3]), whole[::-3])
    assert crooked.to_axes(np.empty((0, 2))).shape == (0, 2)
    points.setflags(write=False)
    np.testing.assert_array_equal(crooked.to_canvas(crooked.to_axes(points)), crooked.to_canvas(whole))


def test_not_a_number_stays_one_and_spoils_no_other() -> None:
    """A nan comes out as nan, and the points after it are right."""
    crooked = GeometryMap.of(crooked_machine())
    points = points_of(6, 4)
    spoiled = points.copy()
    spoiled[3] = np.nan
    axes = crooked.to_axes(spoiled)
    assert np.isnan(axes[3]).all()
    np.testing.assert_array_equal(np.delete(axes, 3, axis=0), np.delete(crooked.to_axes(points), 3, axis=0))


@pytest.mark.parametrize(
    ("plane", "registration", "words"),
    [
        (Plane(lengths=(((0.0, 10.0), (0.0,)), LEVEL)), None, "one length"),
        (Plane(lengths=(((0.0, 0.0), (0.0, 1.0)), LEVEL)), None, "rise"),
        (Plane(sag=((5.0, 1.0), (0.0, 1.0))), None, "rise"),
        (Plane(sag=((), ())), None, "one length"),
        (Plane(lengths=(LEVEL, ((0.0, 10.0), (0.0, -10.0)))), None, "true places"),
        (Plane(lengths=(((0.0, 10.0), (0.0, float("nan"))), LEVEL)), None, "finite"),
        (Plane(), [[1.0, 0.0, 0.0], [0.0, -1.0, 0.0]], "mirrors"),
        (Plane(), [[1.0, 1.0, 0.0], [1.0, 1.0, 0.0]], "flattens"),
        (Plane(), [[1.0, 0.0], [0.0, 1.0]], "3 columns"),
        (Plane(), [[1.0, 0.0, float("inf")], [0.0, 1.0, 0.0]], "finite"),
    ],
)
def test_maps_without_an_inverse_are_refused(plane: Plane, registration: object, words: str) -> None:
    """Tables that fold or do not match, and registrations that mirror, flatten or are no numbers, raise ValueError."""
    with pytest.raises(ValueError, match=words):
        made(plane, registration)


def test_registration_is_not_changed_by_making_a_map(machine: Machine) -> None:
    """The caller's registration stays what it was, and moves the picture by its shift."""
    registration = np.array([[1.0, 0.0, 3.0], [0.0, 1.0, -4.0]])
    moved = GeometryMap.of(machine, registration).to_axes((10.0, 20.0))
    np.testing.assert_array_equal(registration, [[1.0, 0.0, 3.0], [0.0, 1.0, -4.0]])
    np.testing.assert_allclose(moved, canvas_to_machine_mm((13.0, 16.0), machine), rtol=0, atol=1e-12)


@settings(max_examples=20, deadline=None)
@given(seed=seeds)
def test_paths_and_scattered_points_alike(seed: int) -> None:
    """The order of the points, near to each other or far apart, changes none of them."""
    crooked = GeometryMap.of(crooked_machine())
    points = points_of(seed, 500)
    order = np.argsort(points[:, 0])
    np.testing.assert_array_equal(crooked.to_axes(points[order]), crooked.to_axes(points)[order])
