"""Speed profiles against closed forms and against general libraries for time-optimal motion."""

from __future__ import annotations

import math

import numpy as np
import pytest
import ruckig
import toppra
from scipy.integrate import quad

from controller.motion.path import FLATTENING_MM, polyline
from controller.motion.profile import Profile, plan_profile
from controller.motion.ticks import sample


def profile_of(
    points: object, speed_mm_s: float, acceleration_mm_s2: float, jerk_mm_s3: float = math.inf
) -> Profile:
    path = polyline(np.asarray(points, dtype=np.float64))
    return plan_profile(path, speed_mm_s, acceleration_mm_s2, jerk_mm_s3)


def arc(radius_mm: float, turn_rad: float, vertices: int = 4000, from_rad: float = 0.0) -> np.ndarray:
    angle = from_rad + np.linspace(0.0, turn_rad, vertices + 1)
    return radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def arc_time_s(radius_mm: float, turn_rad: float, speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """Rest-to-rest time along an arc under a vector limit: run-up angle asin(u^2) / 2, u = V / sqrt(A R) up to 1.

    From w = v^2 with (dw/ds)^2 / 4 + (w / R)^2 = A^2, so w = A R sin(2 angle); time = sqrt(R / A) times the
    lemniscate integral of dx / sqrt(1 - x^4). Long arcs only (there must be a cruise).
    """
    u = min(1.0, speed_mm_s / math.sqrt(acceleration_mm_s2 * radius_mm))
    # x^2 = sin(2 angle): dx / sqrt(1 - x^4) = d(angle) / sqrt(sin(2 angle))
    ramp_angle = 0.5 * math.asin(u * u)
    # angle = y^2 takes the singularity out of the integrand.
    integral, _ = quad(
        lambda y: 2 * y / math.sqrt(math.sin(2 * y * y)) if y else math.sqrt(2), 0, math.sqrt(ramp_angle)
    )
    unit = math.sqrt(radius_mm / acceleration_mm_s2)
    return 2 * unit * integral + (turn_rad - 2 * ramp_angle) / u * unit


@pytest.mark.parametrize(("distance_mm", "seconds"), [(1000, 2.9), (160, 0.8), (100, 0.632455532)])
@pytest.mark.parametrize("heading_rad", [0.0, 0.3, math.pi / 4, 2.0, -1.2])
def test_straight_move_takes_the_trapezoid_time(distance_mm, seconds, heading_rad):
    """A straight rest-to-rest move takes D/V + V/A, or 2 sqrt(D/A) when short, in every direction.

    Trapezoid: Biagiotti & Melchiorri, Trajectory Planning for Automatic Machines and Robots (2008), ch. 3.
    """
    target = distance_mm * np.array([math.cos(heading_rad), math.sin(heading_rad)])
    move = profile_of([[0.0, 0.0], target], 400.0, 1000.0)
    assert move.duration_s_total == pytest.approx(seconds, rel=1e-9)


@pytest.mark.parametrize("distance_mm", [0.01, 3.0, 100.0, 160.0, 1000.0])
def test_straight_move_equals_ruckig_without_jerk_limit(distance_mm):
    """The same move planned by ruckig (phase-synchronised, unlimited jerk) takes the same time to 1e-9."""
    target = np.array([distance_mm, 0.25 * distance_mm])
    request = ruckig.InputParameter(2)
    request.current_position = [0.0, 0.0]
    request.target_position = target.tolist()
    # Limits of x alone that put the vector limits at 400 mm/s and 1000 mm/s2 along this line.
    cosine = target[0] / np.hypot(*target)
    request.max_velocity = [400.0 * cosine, 400.0]
    request.max_acceleration = [1000.0 * cosine, 1000.0]
    request.max_jerk = [math.inf, math.inf]
    request.synchronization = ruckig.Synchronization.Phase
    other = ruckig.Trajectory(2)
    assert ruckig.Ruckig(2).calculate(request, other) == ruckig.Result.Working
    ours = profile_of([[0.0, 0.0], target], 400.0, 1000.0)
    assert ours.duration_s_total == pytest.approx(other.duration, rel=1e-9)
    # Where both are, on the way: at the same place at the same time.
    boundaries = sample(ours, ours.duration_s_total / 50)
    theirs = np.array([other.at_time(t)[0] for t in np.linspace(0, other.duration, 51)[1:]])
    np.testing.assert_allclose(boundaries.positions_mm, theirs, atol=1e-9 + 1e-9 * distance_mm)


def test_phase_synchronised_diagonal():
    """On the way from (0, 0) to (1000, 250) the axes are at (100, 25) together, never at (100, 36).

    The pair is ruckig's answer (phase- against time-synchronised) for a line of two unequal axes.
    """
    move = profile_of([[0.0, 0.0], [1000.0, 250.0]], 400.0, 1000.0)
    positions = sample(move, 0.001).positions_mm
    np.testing.assert_allclose(positions[:, 1], positions[:, 0] / 4, atol=1e-9)


CLOSED = [
    (100.0, 1000.0, 1000.0, 1.0, 2.319356),
    (100.0, 1000.0, 200.0, 1.0, 3.342705),
    (1.0, 2000.0, 100.0, 1.0, 0.164003),
    (100.0, 1000.0, 1000.0, 0.25, 0.829167),
]


@pytest.mark.parametrize(("radius_mm", "acceleration", "speed", "turns", "seconds"), CLOSED)
def test_arc_takes_the_closed_time_and_never_beats_it(radius_mm, acceleration, speed, turns, seconds):
    """A full circle from rest to rest takes 7.3344465 sqrt(R/A) (vector limit) and never less.

    Closed form by the lemniscate integral; two toppra runs with a 128-sided polygon of limits agree to 1e-4.
    """
    ours = profile_of(arc(radius_mm, 2 * math.pi * turns), speed, acceleration)
    exact = arc_time_s(radius_mm, 2 * math.pi * turns, speed, acceleration)
    assert exact == pytest.approx(seconds, abs=1e-6)
    assert ours.duration_s_total == pytest.approx(exact, rel=1e-5)
    # Six figures of the table; the polygon of 4000 sides is shorter than the circle by 1e-7 of it.
    assert ours.duration_s_total >= exact * (1 - 3e-7)
    assert ours.speed_mm_s.max() <= min(speed, math.sqrt(acceleration * radius_mm)) * (1 + 1e-6)


@pytest.mark.parametrize(("radius_mm", "acceleration", "speed", "turns", "seconds"), CLOSED)
def test_arc_with_a_jerk_limit_is_within_five_per_cent_and_never_faster(
    radius_mm, acceleration, speed, turns, seconds
):
    """At J = 250 000 mm/s3 arcs flattened within 0.02 mm take up to 5 % more than the closed time, never less.

    The closed time has no jerk limit, so that it is a lower bound; peak speed stays below sqrt(A R).
    """
    sides = math.ceil(math.pi / math.acos(1 - 0.02 / radius_mm) * turns)
    ours = profile_of(arc(radius_mm, 2 * math.pi * turns, sides), speed, acceleration, 250_000.0)
    assert seconds < ours.duration_s_total <= 1.05 * seconds
    boundaries = sample(ours, 0.001)
    steps = np.diff(boundaries.positions_mm, axis=0, prepend=[[radius_mm, 0.0]])
    assert np.hypot(*steps.T).max() / 0.001 <= min(speed, math.sqrt(acceleration * radius_mm)) * (1 + 1e-6)


@pytest.mark.parametrize(("radius_mm", "acceleration", "speed", "turns", "seconds"), CLOSED)
def test_coarsely_flattened_arcs_keep_the_closed_time(radius_mm, acceleration, speed, turns, seconds):
    """Flattened within 0.025 mm, a circle of 1 mm by 14 sides, the arcs through the vertices give 1e-4 of the time."""
    sides = math.ceil(math.pi / math.acos(1 - 0.025 / radius_mm) * turns)
    ours = profile_of(arc(radius_mm, 2 * math.pi * turns, sides), speed, acceleration)
    assert ours.duration_s_total == pytest.approx(seconds, rel=1e-4)


@pytest.mark.parametrize("from_deg", [0.0, 10.0, 45.0, 77.0])
def test_turning_the_artwork_does_not_change_the_time(from_deg):
    """A vector limit knows no direction: the same circle begun elsewhere, or turned, takes the same time.

    With limits per axis the time depends on it (2.2593 against 2.2176 s for a start at 45 degrees by toppra).
    """
    for jerk in (math.inf, 60_000.0):
        straight = profile_of(arc(100.0, 2 * math.pi), 1000.0, 1000.0, jerk)
        turned = profile_of(arc(100.0, 2 * math.pi, from_rad=math.radians(from_deg)), 1000.0, 1000.0, jerk)
        assert turned.duration_s_total == pytest.approx(straight.duration_s_total, rel=1e-7)


def test_run_up_angle_of_a_circle_is_45_degrees():
    """Full speed sqrt(A R) is reached after exactly 45 degrees of a circle (closed form)."""
    circle = profile_of(arc(100.0, 2 * math.pi, vertices=7200), 1000.0, 1000.0)
    reached = int(np.argmax(circle.speed_mm_s >= math.sqrt(1e5) * (1 - 1e-9)))
    curve = circle.elements
    element = circle.element[reached]
    angle_deg = np.degrees(
        curve.heading_rad[element] - curve.heading_rad[0] + curve.curvature[element] * circle.from_mm[reached]
    )
    assert angle_deg == pytest.approx(45.0, abs=0.06)


def figure_eight(u: np.ndarray) -> np.ndarray:
    return np.stack([150 * np.cos(2 * np.pi * u), 60 * np.sin(4 * np.pi * u)], axis=1)


def ellipse(u: np.ndarray) -> np.ndarray:
    return np.stack([40 * np.cos(2 * np.pi * u), 15 * np.sin(2 * np.pi * u)], axis=1)


def wing(u: np.ndarray) -> np.ndarray:
    """One cubic Bezier curve, bent gently: the stroke of a heron's wing."""
    control = np.array([[0.0, 0.0], [30.0, 80.0], [120.0, 60.0], [140.0, -20.0]])
    weights = np.stack([(1 - u) ** 3, 3 * u * (1 - u) ** 2, 3 * u**2 * (1 - u), u**3], axis=1)
    return weights @ control


def toppra_time_s(figure: object, speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """Shortest time along ``figure`` by toppra with 256 half-planes around the vector limit, no jerk limit.

    toppra: reachability analysis (Pham & Pham, IEEE Trans. Robotics 34, 2018), another method and another code.
    """
    toppra.setup_logging("ERROR")
    sides = 256
    normal_angle = 2 * np.pi * np.arange(sides) / sides
    normals = np.stack([np.cos(normal_angle), np.sin(normal_angle)], axis=1)
    knots = np.linspace(0, 1, 801)
    grid = np.linspace(0, 1, 6001)
    spline = toppra.SplineInterpolator(knots, figure(knots))
    acceleration = toppra.constraint.SecondOrderConstraint(
        lambda q, qd, qdd: qdd, lambda q: normals, lambda q: np.full(sides, acceleration_mm_s2), 2
    )
    constraints = [acceleration]
    if speed_mm_s < 1e4:
        varying = toppra.constraint.JointVelocityConstraintVarying
        # A speed limit of the vector as limits of each axis at each place: |q'| s' <= V.
        constraints = [
            varying(
                lambda s: (
                    np.stack([-np.abs(spline(s, 1)), np.abs(spline(s, 1))], axis=1)
                    * speed_mm_s
                    / np.linalg.norm(spline(s, 1))
                )
            ),
            acceleration,
        ]
    instance = toppra.algorithm.TOPPRA(constraints, spline, gridpoints=grid, solver_wrapper="seidel")
    rate_limit = speed_mm_s / np.linalg.norm(spline(grid, 1), axis=1)
    _, rate, _ = instance.compute_parameterization(0, 0)
    assert (rate <= rate_limit * (1 + 1e-6)).all()
    return float(np.sum(2 * np.diff(grid) / (rate[1:] + rate[:-1])))


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("speed_mm_s", [250.0, 1e4])
@pytest.mark.parametrize("figure", [figure_eight, ellipse, wing])
def test_winding_path_equals_toppra_with_a_polygon_of_limits(figure, speed_mm_s):
    """A path of changing curvature takes the time that toppra finds; with J = 250 000 mm/s3 at most 5 % more.

    Under the jerk limit never less than toppra's time, that has none. Flattened within 0.02 mm: 1 % either way.
    """
    theirs_s = toppra_time_s(figure, speed_mm_s, 2000.0)
    fine = figure(np.linspace(0, 1, 12_001))
    assert profile_of(fine, speed_mm_s, 2000.0).duration_s_total == pytest.approx(theirs_s, rel=5e-4)
    limited = profile_of(fine, speed_mm_s, 2000.0, 250_000.0).duration_s_total
    assert theirs_s < limited <= 1.05 * theirs_s
    coarse = figure(flattening(figure, 0.02))
    assert profile_of(coarse, speed_mm_s, 2000.0).duration_s_total == pytest.approx(theirs_s, rel=0.01)
    assert theirs_s < profile_of(coarse, speed_mm_s, 2000.0, 250_000.0).duration_s_total <= 1.05 * theirs_s


def flattening(figure: object, tolerance_mm: float) -> np.ndarray:
    """Parameters (n,) at which chords of ``figure`` have that sagitta: equal steps of the integral of sqrt(k / 8e)."""
    u = np.linspace(0, 1, 20_001)
    first = np.gradient(figure(u), u, axis=0)
    second = np.gradient(first, u, axis=0)
    bend = np.abs(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / np.hypot(*first.T) ** 3
    density = np.hypot(*first.T) * np.sqrt(np.maximum(bend, 1e-4) / (8 * tolerance_mm))
    chords = np.concatenate([[0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(u))])
    return np.interp(np.linspace(0, chords[-1], math.ceil(chords[-1]) + 1), chords, u)


SAGITTA = [
    (0.5, 0.01, 16),
    (1.0, 0.01, 23),
    (10.0, 0.01, 71),
    (100.0, 0.01, 223),
    (100.0, 0.05, 100),
    (1000.0, 0.05, 315),
    (2000.0, 0.1, 315),
]


@pytest.mark.parametrize(("radius_mm", "sagitta_mm", "sides"), SAGITTA)
def test_sagitta_of_a_flattened_circle_and_of_the_curve_that_is_driven(radius_mm, sagitta_mm, sides):
    """n = ceil(pi / acos(1 - e / R)) chords keep within e (handbook formula for the sagitta, e = R (1 - cos(pi / n))).

    Driven are the arcs through the vertices: where the chords count as flattened (e <= 0.025 mm), they are on the
    circle to 1e-9 of R; coarser polygons have gentle corners, rounded, and stay within the chords' own sagitta.
    """
    assert math.ceil(math.pi / math.acos(1 - sagitta_mm / radius_mm)) == sides
    assert radius_mm * (1 - math.cos(math.pi / sides)) <= sagitta_mm
    profile = profile_of(arc(radius_mm, 2 * math.pi, sides), 200.0, 1000.0)
    distance = np.hypot(*sample(profile, 0.002).positions_mm.T)
    assert distance.min() >= radius_mm - sagitta_mm
    assert distance.max() <= radius_mm * (1 + 1e-9)
    if sagitta_mm <= FLATTENING_MM:
        assert distance.min() >= radius_mm * (1 - 1e-9)


@pytest.mark.parametrize(("tick_s", "bound_mm"), [(0.010, 0.0125), (0.020, 0.05)])
def test_inside_a_tick_the_deviation_is_at_most_a_h2_over_8(tick_s, bound_mm):
    """Tick velocities that are cell averages keep boundaries exact and deviate by at most A h^2 / 8 inside.

    A = 1000 mm/s2: 0.0125 mm at 10 ms, 0.05 mm at 20 ms (computed; the error of linear interpolation).
    """
    move = profile_of([[0.0, 0.0], [173.0, 0.0]], 400.0, 1000.0)
    ticks = sample(move, tick_s)
    velocity = np.diff(ticks.positions_mm, axis=0, prepend=[[0.0, 0.0]]) / tick_s
    assert abs(velocity[:, 0].sum() * tick_s - 173.0) <= 1e-9
    fine = sample(move, tick_s * ticks.ticks[0] / (ticks.ticks[0] * 64)).positions_mm[:, 0]
    # The fine ticks run over the unstretched time: compare at equal shares of the whole.
    share = np.arange(1, len(fine) + 1) / len(fine) * ticks.ticks[0]
    held = np.interp(share, np.arange(ticks.ticks[0] + 1), np.concatenate([[0.0], ticks.positions_mm[:, 0]]))
    assert np.abs(held - fine).max() <= bound_mm * (1 + 1e-9)
    assert np.abs(held - fine).max() > 0.5 * bound_mm
