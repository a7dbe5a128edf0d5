"""Curvature and corners read from polylines."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.motion.corners import elements
from controller.motion.path import FLATTENING_MM, polyline, vertex_curvature


def flattened_circle(radius_mm: float, tolerance_mm: float, turn_rad: float = 2 * math.pi) -> np.ndarray:
    """Vertices on an arc, as many as its sagitta e = R (1 - cos(pi/n)) asks for (handbook formula)."""
    sides = math.ceil(math.pi / math.acos(1 - tolerance_mm / radius_mm) * turn_rad / (2 * math.pi))
    angle = np.linspace(0, turn_rad, sides + 1)
    return radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=1)


@pytest.mark.parametrize("radius_mm", [0.5, 1.0, 10.0, 100.0, 1000.0])
@pytest.mark.parametrize("tolerance_mm", [0.002, 0.01, 0.02])
def test_flattened_circle_has_its_own_curvature(radius_mm, tolerance_mm):
    """However coarsely a circle was flattened (within the tolerance), its curvature reads 1/R and nothing is a stop."""
    path = polyline(flattened_circle(radius_mm, tolerance_mm))
    assert path.stop.sum() == 2
    curvature = vertex_curvature(path)[1:-1]
    # Beside the ends the window is cut short on one side; elsewhere it is symmetric.
    assert np.median(curvature) == pytest.approx(1 / radius_mm, rel=0.03)
    assert curvature.max() <= 1.1 / radius_mm


def test_chords_of_unequal_length_do_not_disturb_the_curvature():
    """A circle cut at random places reads 1/R within 10 % everywhere."""
    random = np.random.default_rng(5)
    angle = np.concatenate([[0], np.cumsum(random.uniform(0.01, 0.05, 150))])
    path = polyline(20.0 * np.stack([np.cos(angle), np.sin(angle)], axis=1))
    curvature = vertex_curvature(path)[1:-1]
    assert path.stop.sum() == 2
    assert curvature == pytest.approx(np.full(len(curvature), 0.05), rel=0.1)


def test_rounded_coordinates_do_not_look_like_curvature():
    """Points every 0.02 mm, rounded to 0.001 mm, on a circle of 50 mm: no corner, and no speed below 140 mm/s.

    Rounding alone turns neighbouring chords by up to 0.1 rad, which taken for curvature would mean a radius of
    0.2 mm and 20 mm/s.
    """
    angle = np.arange(0, 1.0, 0.02 / 50)
    path = polyline(np.round(50.0 * np.stack([np.cos(angle), np.sin(angle)], axis=1), 3))
    assert path.stop.sum() == 2
    assert math.sqrt(2000.0 / vertex_curvature(path).max()) > 140.0


@pytest.mark.parametrize(
    ("turn_deg", "stops"), [(10.0, False), (19.0, False), (21.0, True), (90.0, True), (180.0, True)]
)
def test_corners_sharper_than_the_setting_are_stops(turn_deg, stops):
    """A turn of more than the machine's corner angle between two 10 mm chords is a stop, less is not."""
    turn = math.radians(turn_deg)
    path = polyline(np.array([[0, 0], [10, 0], [10 + 10 * math.cos(turn), 10 * math.sin(turn)]]))
    assert bool(path.stop[1]) is stops


@pytest.mark.parametrize("turn_deg", [3.0, 8.0, 19.0, 45.0, 120.0])
def test_jump_of_the_velocity_vector_at_a_vertex_is_bounded(turn_deg):
    """At a vertex that is not stopped at, v x turn is at most sqrt(8 A e), whatever the chords beside it."""
    turn = math.radians(turn_deg)
    for chord in (0.01, 0.05, 0.3, 5.0, 300.0):
        path = polyline(
            np.array([[0, 0], [chord, 0], [chord + chord * math.cos(turn), chord * math.sin(turn)]])
        )
        if not path.stop[1]:
            speed = math.sqrt(2000.0 / vertex_curvature(path)[1])
            assert speed * turn <= math.sqrt(8 * 2000.0 * FLATTENING_MM) * (1 + 1e-9)


def test_a_straight_line_before_a_bow_stays_straight():
    """Of a metre of line before a bow of 5 mm radius nothing is bent, and the bow keeps its radius from its start."""
    bow = flattened_circle(5.0, 0.02, math.pi)
    line = np.array([[5.0, -1000.0]])
    curve = elements(polyline(np.concatenate([line, bow])))
    assert curve.length_mm[0] == pytest.approx(1000.0, abs=1e-9)
    assert curve.curvature[0] == 0.0
    assert curve.curvature[1:] == pytest.approx(np.full(len(curve.curvature) - 1, 0.2), rel=1e-6)


def test_chords_without_length_are_dropped_and_their_stop_is_kept():
    """Doubled vertices vanish; a stop asked for on one of them stays on the place."""
    points = np.array([[0, 0], [0, 0], [5, 0], [5, 0], [9, 0]], dtype=float)
    path = polyline(points, np.array([True, False, False, True, True]))
    assert path.chord_of_input.tolist() == [1, 3]
    assert path.stop.tolist() == [True, True, True]
    assert path.length_mm.tolist() == [5.0, 4.0]
