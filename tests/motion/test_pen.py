"""The holder's path: the tip is dragged where the picture wants it, and rests while the holder turns about it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.motion.instances import StrokeRules, plan_shapes
from controller.motion.pen import Pen, step, step_ticks, turned
from drivers.twin.tip import drag

TICK_S = 0.004


def rules(lean, landing, **changes):
    values = {
        "speed_mm_s": 100.0,
        "acceleration_mm_s2": 600.0,
        "jerk_mm_s3": 60_000.0,
        "corner_angle_deg": 20.0,
        "corners": "stop",
        "corner_tolerance_mm": 0.05,
        "reversal_mm_s2": np.full(2, np.inf),
        "reversal_s": 0.0,
        "crossing_ticks": 0,
        "tick_s": TICK_S,
        "pen": Pen(np.array(lean, dtype=np.float64), np.array(landing, dtype=np.float64)),
    }
    return StrokeRules(**{**values, **changes})


def circle(radius, vertices=240):
    angle = 2 * np.pi * np.arange(vertices + 1) / vertices
    path = radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    path[-1] = path[0]
    return path


def star(outer=20.0, inner=8.0):
    angle = -np.pi / 2 + np.pi * np.arange(11) / 5
    path = np.where(np.arange(11) % 2, inner, outer)[:, None] * np.stack(
        [np.cos(angle), np.sin(angle)], axis=1
    )
    path[-1] = path[0]
    return path


def distance_mm(points, path):
    a, b = path[:-1], path[1:]
    along = b - a
    share = np.clip(((points[:, None] - a) * along).sum(axis=2) / (along**2).sum(axis=1), 0, 1)
    return np.hypot(*np.moveaxis(points[:, None] - (a + share[:, :, None] * along), 2, 0)).min(axis=1)


def tip_path(planned, stroke, landing, clearance):
    """The simulated tip, landed at the holder's start and dragged along behind it, canvas mm."""
    start = stroke[0] + planned.first_mm[0]
    holder = start + planned.positions_mm
    tips = np.empty_like(holder)
    drag(np.array(landing, dtype=np.float64), holder, start, np.array(clearance, dtype=np.float64), tips)
    return tips


@pytest.mark.compiles
@pytest.mark.parametrize("lean", [(0.2, 0.2), (0.15, 0.1)])
@pytest.mark.parametrize("landing", [(0.0, 0.0), (0.05, -0.06)])
@pytest.mark.parametrize(
    "shape", [circle(2.0), circle(5.0), circle(50.0), star(), np.array([[0, 0], [30.0, 12.0]])]
)
def test_dragged_tip_follows_the_artwork(strokes_of, lean, landing, shape):
    """A tip dragged after the holder (simulated as a tractrix) stays on the stroke and ends on its last vertex.

    Without the correction it is off by the lean where the stroke bends (lean^2 / 2R) and at its ends.
    """
    stroke = np.add(shape, (100.0, 200.0))
    planned = plan_shapes(strokes_of(stroke), np.array([0]), rules(lean, landing))
    tips = tip_path(planned, stroke, landing, lean)
    assert distance_mm(tips, stroke).max() < 0.02
    assert np.hypot(*(tips[-1] - stroke[-1])) < 0.01
    reach = np.hypot(*(tips - stroke[0]).T).max()
    assert reach == pytest.approx(np.hypot(*(stroke - stroke[0]).T).max(), abs=0.02)


def test_without_the_correction_the_tip_misses(strokes_of):
    """The same simulation, holder on the path itself: off by the lean at a corner. So the test above can fail."""
    stroke = np.add(star(), (100.0, 200.0))
    planned = plan_shapes(strokes_of(stroke), np.array([0]), rules((0.0, 0.0), (0.0, 0.0)))
    tips = tip_path(planned, stroke, (0.0, 0.0), (0.2, 0.2))
    assert distance_mm(tips, stroke).max() > 0.05


def test_tip_rests_while_the_holder_turns(strokes_of):
    """At a corner the holder turns about the tip on its clearance; the tip moves by less than 0.002 mm meanwhile."""
    stroke = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 20.0]])
    planned = plan_shapes(strokes_of(stroke), np.array([0]), rules((0.3, 0.3), (0.0, 0.0)))
    holder = stroke[0] + planned.first_mm[0] + planned.positions_mm
    tips = tip_path(planned, stroke, (0.0, 0.0), (0.3, 0.3))
    near = np.hypot(*(tips - stroke[1]).T) < 0.002
    assert np.hypot(*np.ptp(holder[near], axis=0)) > 0.3
    assert np.hypot(*(tips[near][-1] - stroke[1])) < 0.002


@given(st.floats(0.01, 2.0), st.floats(100, 5000), st.floats(5e3, 5e5))
@settings(max_examples=50, deadline=None)
def test_steps_keep_their_share_of_the_limits(distance, acceleration, jerk):
    """A step over any distance stays within half of both limits by its own derivatives, within two ticks of the least.

    Largest second derivative of 10 s^3 - 15 s^4 + 6 s^5: 10 / sqrt 3, largest third: 60 (calculus).
    """
    ticks = int(step_ticks(distance, acceleration, jerk, TICK_S))
    seconds = ticks * TICK_S
    s = np.linspace(0, 1, 20_001)
    second = np.gradient(np.gradient(distance * step(s), s), s)
    assert np.abs(second[5:-5]).max() / seconds**2 <= 0.5 * acceleration * 1.001
    assert 60 * distance / seconds**3 <= 0.5 * jerk * 1.001
    shorter = seconds - 2 * TICK_S
    if shorter > 0:
        assert 60 * distance / shorter**3 > 0.5 * jerk or 5.77 * distance / shorter**2 > 0.5 * acceleration


def test_turning_takes_the_shorter_way():
    """Halfway between two directions lies their bisector, whichever way round."""
    before = np.array([[1.0, 0.0], [0.0, 1.0], [np.cos(3.0), np.sin(3.0)]])
    after = np.array([[0.0, 1.0], [1.0, 0.0], [np.cos(-3.0), np.sin(-3.0)]])
    middle = turned(before, after, np.full(3, 0.5))
    np.testing.assert_allclose(middle, [[0.5**0.5, 0.5**0.5], [0.5**0.5, 0.5**0.5], [-1.0, 0.0]], atol=1e-12)
