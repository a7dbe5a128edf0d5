"""Jerk-limited straight moves against published formulas and ruckig's answers."""

from __future__ import annotations

import math

import numpy as np
import pytest
import ruckig

from controller.motion.path import polyline
from controller.motion.profile import plan_profile
from controller.motion.scurve import general_s, rest_to_rest, speed_change_s
from controller.motion.ticks import sample

TABLE = [
    (1000.0, 400.0, 1000.0, 1e4, 3.000000000, 400.0),
    (100.0, 400.0, 1000.0, 1e4, 0.740312424, 270.156212),
    (0.5, 400.0, 1000.0, 1e4, 0.116960710, 8.549880),
    (2.0, 100.0, 2000.0, 2e4, 0.147361260, 27.144176),
    (4000.0, 500.0, 800.0, 4000.0, 8.825000000, 500.0),
    (2700.0, 600.0, 1500.0, 1e6, 4.901500000, 600.0),
    (1000.0, 400.0, 1000.0, math.inf, 2.9, 400.0),
    (160.0, 400.0, 1000.0, math.inf, 0.8, 400.0),
    (100.0, 400.0, 1000.0, math.inf, 0.632455532, 316.227766),
]
"""Distance, speed, acceleration, jerk; duration and peak speed as ruckig computes them (trapezoids: by the formula)."""


def published_s(d: float, v: float, a: float, j: float) -> float:
    """L. Biagiotti, C. Melchiorri, Trajectory Planning for Automatic Machines and Robots (2008), ch. 3, from memory."""
    if math.isinf(j):
        return d / v + v / a if d >= v * v / a else 2 * math.sqrt(d / a)
    if v * j >= a * a:
        if d >= v * (v / a + a / j):
            return d / v + v / a + a / j
        if d >= 2 * a**3 / j**2:
            return a / j + math.sqrt((a / j) ** 2 + 4 * d / a)
    elif d >= 2 * v * math.sqrt(v / j):
        return d / v + 2 * math.sqrt(v / j)
    return 4 * (d / (2 * j)) ** (1 / 3)


@pytest.mark.parametrize(("distance", "speed", "acceleration", "jerk", "seconds", "peak"), TABLE)
def test_rest_to_rest_times_and_peaks(distance, speed, acceleration, jerk, seconds, peak):
    """Duration and peak speed to 1e-6: published formula, ruckig's figure, and ours are the same."""
    move = rest_to_rest(distance, speed, acceleration, jerk)
    assert published_s(distance, speed, acceleration, jerk) == pytest.approx(seconds, rel=1e-8)
    assert float(move.duration_s) == pytest.approx(seconds, rel=1e-8)
    assert float(move.peak_mm_s) == pytest.approx(peak, rel=1e-6)


@pytest.mark.parametrize(("distance", "speed", "acceleration", "jerk", "seconds", "peak"), TABLE)
@pytest.mark.parametrize("heading_rad", [0.0, 0.7, math.pi / 2, 4.0])
def test_straight_runs_take_that_time_and_at_most_two_ticks_more(
    distance, speed, acceleration, jerk, seconds, peak, heading_rad
):
    """A straight run, cut into several chords, takes the scalar time in every direction; ticks add at most two."""
    along = distance * np.array([0.0, 0.2, 0.21, 0.9, 1.0])
    points = along[:, None] * np.array([math.cos(heading_rad), math.sin(heading_rad)])
    profile = plan_profile(polyline(points), speed, acceleration, jerk)
    assert profile.duration_s_total == pytest.approx(seconds, rel=1e-6)
    ticks = int(sample(profile, 0.004).ticks[0])
    assert seconds <= ticks * 0.004 * (1 + 1e-7)
    assert ticks * 0.004 <= seconds + 0.008


def test_two_axes_are_phase_synchronised_under_a_jerk_limit():
    """(1000, 250) in 3 s: at 0.5 s the axes are at (100, 25) together, as ruckig's phase-synchronised answer.

    Time-synchronised they would be at (100, 36.076375), off the line.
    """
    cosine = 1000.0 / math.hypot(1000.0, 250.0)
    profile = plan_profile(
        polyline(np.array([[0.0, 0.0], [1000.0, 250.0]])), 400.0 / cosine, 1000.0 / cosine, 1e4 / cosine
    )
    assert profile.duration_s_total == pytest.approx(3.0, rel=1e-9)
    positions = sample(profile, 0.01).positions_mm
    assert positions[49] == pytest.approx([100.0, 25.0], abs=1e-9)
    request = ruckig.InputParameter(2)
    request.current_position, request.target_position = [0.0, 0.0], [1000.0, 250.0]
    request.max_velocity, request.max_acceleration, request.max_jerk = [400.0] * 2, [1000.0] * 2, [1e4] * 2
    request.synchronization = ruckig.Synchronization.Phase
    other = ruckig.Trajectory(2)
    assert ruckig.Ruckig(2).calculate(request, other) == ruckig.Result.Working
    theirs = np.array([other.at_time(0.01 * k)[0] for k in range(1, 301)])
    np.testing.assert_allclose(positions, theirs, atol=1e-6)


@pytest.mark.parametrize(
    ("begin", "end", "distance", "seconds"), [(200, 0, 300, 1.075), (100, 150, 300, 1.009375)]
)
def test_moves_between_speeds(begin, end, distance, seconds):
    """V 400, A 1000, J 10000 mm/s: ruckig's durations of moves that do not begin or end at rest."""
    assert float(general_s(distance, begin, end, 400.0, 1000.0, 1e4)) == pytest.approx(seconds, abs=5e-7)


@pytest.mark.parametrize(
    ("speed", "acceleration", "jerk", "seconds", "way"),
    [(400, 1000, 1e4, 0.5, 100.0), (400, 2000, 2e4, 0.3, 60.0), (50, 2000, 5000, 0.2, 5.0)],
)
def test_stopping(speed, acceleration, jerk, seconds, way):
    """Time and way of a jerk-limited stop, as ruckig's velocity interface gives them."""
    time = float(speed_change_s(speed, 0.0, acceleration, jerk))
    assert time == pytest.approx(seconds, rel=1e-9)
    assert 0.5 * speed * time == pytest.approx(way, rel=1e-9)
