"""The curve between vertices: arcs that touch, through the vertices, and corners rounded within their tolerance."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.motion.corners import Elements, elements
from controller.motion.path import FLATTENING_MM, MERGED_MM, TIGHT_RAD, polyline


def along(curve: Elements, share: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points (m, s, 2) and headings (m, s) on every element, by the heading's integral (independent of the sampler)."""
    fine = np.linspace(0.0, 1.0, 400)
    middle = 0.5 * (fine[1:] + fine[:-1])
    length, k = curve.length_mm[:, None], curve.curvature[:, None]
    angle = curve.heading_rad[:, None] + k * length * middle
    step = length / len(middle)
    x = np.concatenate([np.zeros((len(length), 1)), np.cumsum(np.cos(angle) * step, axis=1)], axis=1)
    y = np.concatenate([np.zeros((len(length), 1)), np.cumsum(np.sin(angle) * step, axis=1)], axis=1)
    at = np.clip(np.rint(share * (len(fine) - 1)).astype(int), 0, len(fine) - 1)
    points = curve.start_mm[:, None] + np.stack([x[:, at], y[:, at]], axis=2)
    return points, curve.heading_rad[:, None] + k * length * share


@st.composite
def walks(draw):
    """Random walks of any coarseness, with doubled and reversed steps."""
    seed = draw(st.integers(0, 2**32 - 1))
    random = np.random.default_rng(seed)
    steps = random.normal(0, draw(st.sampled_from([0.01, 0.1, 1.0, 30.0])), (draw(st.integers(2, 30)), 2))
    if draw(st.booleans()):
        steps[len(steps) // 2] = -steps[len(steps) // 2 - 1]
    return np.cumsum(steps, axis=0)


@settings(max_examples=150, deadline=None)
@given(walk=walks(), corners=st.sampled_from(["stop", "round"]), tolerance=st.sampled_from([0.01, 0.5, 20.0]))
def test_elements_join_in_place_and_direction(walk, corners, tolerance):
    """Each element begins where the one before ends, and in its direction unless the path stops there."""
    path = polyline(walk, corners=corners, corner_tolerance_mm=tolerance)
    curve = elements(path)
    points, heading = along(curve, np.array([0.0, 1.0]))
    scale = 1e-9 + 3e-6 * curve.length_mm[:-1] * np.minimum(1, np.abs(curve.curvature * curve.length_mm)[:-1])
    assert (np.hypot(*(points[1:, 0] - points[:-1, 1]).T) <= scale).all()
    turn = np.abs(np.angle(np.exp(1j * (heading[1:, 0] - heading[:-1, 1]))))
    run = (np.cumsum(path.stop[:-1]) - 1)[curve.chord]
    assert turn[run[1:] == run[:-1]].max(initial=0.0) < 1e-6


@settings(max_examples=150, deadline=None)
@given(walk=walks())
def test_the_curve_passes_through_its_vertices_or_beside_them_by_the_flattening(walk):
    """Every vertex has a point of the curve within FLATTENING_MM, the curve no point farther than about twice that.

    A chord whose ends both take the whole turn of their vertices (length x turn <= 8e) bulges by l tan(turn / 2) / 2.
    """
    path = polyline(walk)
    points, _ = along(elements(path), np.linspace(0.0, 1.0, 40))
    points = points.reshape(-1, 2)
    nearest = np.hypot(*np.moveaxis(path.vertices_mm[:, None] - points, 2, 0)).min(axis=1)
    spacing = 0.02 * np.max(path.length_mm)
    assert nearest.max() <= FLATTENING_MM * 1.001 + spacing
    exact = path.vertices_mm[path.rounding_mm == 0.0]
    ends = along(elements(path), np.array([0.0, 1.0]))[0].reshape(-1, 2)
    assert np.hypot(*np.moveaxis(exact[:, None] - ends, 2, 0)).min(axis=1).max() < 1e-5
    start, step = path.vertices_mm[:-1], np.diff(path.vertices_mm, axis=0)
    share = np.clip(((points[:, None] - start) * step).sum(2) / (step**2).sum(1), 0, 1)
    away = np.hypot(*np.moveaxis(points[:, None] - (start + share[..., None] * step), 2, 0)).min(axis=1)
    assert away.max() <= 4 * FLATTENING_MM * math.tan(TIGHT_RAD / 2) / TIGHT_RAD


@pytest.mark.parametrize(
    ("radius", "sides"), [(0.5, 16), (0.5, 100), (1.0, 23), (10.0, 71), (10.0, 223), (100.0, 223)]
)
def test_a_flattened_circle_is_driven_as_the_circle(sides, radius):
    """Between the vertices of a regular polygon within the flattening tolerance lie arcs of the very circle."""
    assert radius * (1 - math.cos(math.pi / sides)) <= FLATTENING_MM
    angle = np.linspace(0.0, 2 * math.pi, sides + 1)
    curve = elements(polyline(radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)))
    np.testing.assert_allclose(curve.curvature, 1 / radius, rtol=1e-9)
    assert curve.length_mm.sum() == pytest.approx(2 * math.pi * radius, rel=1e-9)


@pytest.mark.parametrize("turn_deg", [25.0, 60.0, 90.0, 135.0, 160.0])
@pytest.mark.parametrize("tolerance", [0.02, 0.5, 5.0])
@pytest.mark.parametrize("lengths", [(40.0, 40.0), (3.0, 40.0), (40.0, 0.9)])
def test_a_rounded_corner_passes_its_vertex_within_the_tolerance(turn_deg, tolerance, lengths):
    """The arc's distance from the vertex is the tolerance, or less where half of a chord is used up; nothing stops."""
    turn = math.radians(turn_deg)
    points = np.array(
        [
            [-lengths[0], 0.0],
            [0.0, 0.0],
            [lengths[1] * math.cos(turn), lengths[1] * math.sin(turn)],
        ]
    )
    path = polyline(points, corners="round", corner_tolerance_mm=tolerance)
    assert path.stop.tolist() == [True, False, True]
    curve = elements(path)
    places, _ = along(curve, np.linspace(0.0, 1.0, 400))
    distance = np.hypot(*places.reshape(-1, 2).T).min()
    used = lengths[0] - curve.length_mm[0], lengths[1] - curve.length_mm[-1]
    assert used[0] == pytest.approx(used[1], abs=1e-9)
    room = 0.5 * min(lengths)
    assert used[0] <= room * (1 + 1e-12)
    if used[0] < room * (1 - 1e-9):
        assert distance == pytest.approx(tolerance, rel=1e-3)
    else:
        assert distance <= tolerance * (1 + 1e-3)
    # All of the turn is in the arcs of the corner.
    assert (curve.curvature * curve.length_mm).sum() == pytest.approx(turn, rel=1e-9)


def test_tolerances_by_vertex_round_some_corners_and_stop_at_others():
    """A chain may blend its pen-up corners generously and stop at those of its strokes (tolerance 0)."""
    points = np.array([[0, 0], [50, 0], [50, 50], [90, 50], [90, 10]], dtype=float)
    tolerance = np.array([0.0, 8.0, 0.0, 0.05, 0.0])
    path = polyline(points, corners="round", corner_tolerance_mm=tolerance)
    assert path.stop.tolist() == [True, False, True, False, True]
    assert path.rounding_mm.tolist() == [0.0, 8.0, 0.0, 0.05, 0.0]
    stopping = polyline(points, corners="stop", corner_tolerance_mm=tolerance)
    assert stopping.stop.all()


def test_turning_straight_back_stops_whatever_the_tolerance():
    """A reversal has no arc."""
    path = polyline(np.array([[0, 0], [9, 0], [1, 0]]), corners="round", corner_tolerance_mm=5.0)
    assert path.stop.all()


def test_a_wanted_stop_is_not_rounded():
    """Where the caller wants a stop there is one, on the vertex."""
    points = np.array([[0, 0], [9, 0], [9, 9]], dtype=float)
    path = polyline(points, np.array([False, True, False]), corners="round", corner_tolerance_mm=5.0)
    assert path.stop.all()
    assert path.rounding_mm.max() == 0.0


def test_vertices_a_hair_apart_are_merged_but_stops_stay():
    """Of vertices nearer than MERGED_MM only one stays, unless they are stops; the ends are exact."""
    hair = 0.4 * MERGED_MM
    points = np.array([[0, 0], [hair, 0], [5, 0], [5 + hair, hair], [5 + 2 * hair, 0], [9, 0]], dtype=float)
    path = polyline(points)
    assert path.vertices_mm.tolist() == [[0, 0], [5, 0], [9, 0]]
    assert path.chord_of_input.tolist() == [1, 4]
    kept = polyline(points, np.array([False, False, False, True, False, False]))
    assert kept.vertices_mm.tolist() == [[0, 0], points[3].tolist(), [9, 0]]
    assert kept.stop.tolist() == [True, True, True]
    back = polyline(np.array([[0, 0], [hair, 0], [0, 0]]))
    assert back.chords == 0


def test_tiny_steps_cost_no_stops():
    """A line drawn as steps of 1 um with noise is one smooth run and as fast as the line."""
    random = np.random.default_rng(4)
    x = np.arange(0, 3, 0.001)
    path = polyline(np.stack([x, random.normal(0, 0.0003, len(x))], axis=1))
    assert path.stop.sum() == 2
    assert path.chords < 1700
