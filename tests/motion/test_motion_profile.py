"""Laws of jerk-limited profiles and of their samples: limits, ends, tangents, reversals, direction."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller.motion.path import FLATTENING_MM, MERGED_MM, polyline
from controller.motion.profile import plan_profile
from controller.motion.ticks import sample

V, A, J, TICK_S = 200.0, 600.0, 60_000.0, 0.004
LAWS = settings(max_examples=40, deadline=None)


def circle(radius: float, turns: float = 1.0, from_rad: float = 0.0, flattening: float = 0.02) -> np.ndarray:
    """Vertices on a circle, as many as its sagitta asks for."""
    sides = math.ceil(math.pi / math.acos(1 - flattening / radius) * turns)
    angle = from_rad + np.linspace(0.0, 2 * math.pi * turns, sides + 1)
    return radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)


@st.composite
def smooth_curves(draw):
    """Sums of sine waves with no radius below 1 mm, in few or many vertices, some of them rounded to 1 um."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    size = draw(st.sampled_from([2.0, 20.0, 200.0]))
    u = np.linspace(0, 1, draw(st.sampled_from([400, 6000])))
    waves = np.arange(1, 4)
    phase = random.uniform(0, 2 * np.pi, (2, 3))
    phase[1, 0] = phase[0, 0] + 0.5 * np.pi + random.uniform(-0.8, 0.8)
    weight = size * random.uniform(0.5, 1.0, (2, 3)) * (1.0, 0.15, 0.05)
    xy = (weight[:, :, None] * np.sin(2 * np.pi * waves[:, None] * u + phase[:, :, None])).sum(axis=1).T
    first = np.gradient(xy, u, axis=0)
    second = np.gradient(first, u, axis=0)
    bend = np.abs(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / np.hypot(*first.T) ** 3
    assume(bend[3:-3].max() < 1.0)
    chords = np.hypot(*np.diff(xy, axis=0).T)
    assume((bend[1:] * chords**2 / 8)[3:-3].max() < 0.02)  # flattened within the tolerance
    return xy


@st.composite
def walks(draw):
    """Random walks whose chords are nowhere so short that two of their stops share a tick."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    steps = random.normal(0, draw(st.sampled_from([0.3, 4.0, 40.0])), (draw(st.integers(2, 40)), 2))
    return np.cumsum(steps, axis=0)


def differences(positions: np.ndarray, start: np.ndarray, tick_s: float) -> list[float]:
    """Largest speed, acceleration and jerk in the sense of first, second and third differences, rests included."""
    padded = np.concatenate([np.tile(start, (4, 1)), positions, np.tile(positions[-1], (4, 1))])
    return [float(np.hypot(*(np.diff(padded, n, axis=0) / tick_s**n).T).max()) for n in (1, 2, 3)]


@LAWS
@given(curve=smooth_curves(), tick_s=st.sampled_from([0.001, 0.004, 0.01]))
def test_limits_hold_on_smooth_curves(curve, tick_s):
    """One run: the boundaries' differences stay within V, A and J, with 3 % on A where curvature is read over a window.

    Splines with the boundaries for control points have derivatives that are means of these differences.
    """
    path = polyline(curve)
    assert path.stop.sum() == 2
    boundaries = sample(plan_profile(path, V, A, J), tick_s)
    speed, acceleration, jerk = differences(boundaries.positions_mm, curve[0], tick_s)
    assert speed <= V * (1 + 1e-9)
    assert acceleration <= 1.03 * A
    assert jerk <= 1.02 * J


@LAWS
@given(walk=walks(), corners=st.sampled_from(["stop", "round"]))
def test_limits_hold_on_any_path(walk, corners):
    """Whatever the path, each run by itself keeps V, and A within 2 %. J within 10 %: a corner too gentle to stop at
    is a small jump of the velocity, of which the mean over a run's window makes a jerk (4.5 % over has been seen)."""
    path = polyline(walk, corners=corners, corner_tolerance_mm=0.05)
    boundaries = sample(plan_profile(path, V, A, J), TICK_S)
    stops = path.vertices_mm[path.stop]
    for run, end in enumerate(np.cumsum(boundaries.ticks)):
        part = boundaries.positions_mm[end - boundaries.ticks[run] : end]
        speed, acceleration, jerk = differences(part, stops[run], TICK_S)
        assert speed <= V * (1 + 1e-9)
        assert acceleration <= 1.02 * A
        assert jerk <= 1.1 * J
    # Across a stop without rest the ends of two averaged runs share a tick.
    assert differences(boundaries.positions_mm, walk[0], TICK_S)[2] <= 1.5 * J


@LAWS
@given(
    curve=smooth_curves(),
    tick_ms=st.sampled_from([1.0, 4.0, 20.0]),
    jerk=st.sampled_from([5e3, 6e4, math.inf]),
)
def test_runs_take_whole_ticks_and_end_on_their_vertices(curve, tick_ms, jerk):
    """Never shorter than planned, less than one tick longer; the last boundary of a run is its vertex exactly."""
    tick_s = tick_ms / 1000
    chain = np.concatenate(
        [curve, curve[-1] + [[40.0, 3.0]], curve[::-1] + (curve[-1] - curve[-1]) + [[40.0, 3.0]]]
    )
    profile = plan_profile(polyline(chain), V, A, jerk)
    boundaries = sample(profile, tick_s)
    extra = boundaries.ticks * tick_s - profile.run_duration_s
    assert extra.min() >= -1.1e-7 * tick_s
    assert extra.max() < tick_s * (1 + 1e-9)
    ends = boundaries.positions_mm[np.cumsum(boundaries.ticks) - 1]
    assert ends.tolist() == profile.path.vertices_mm[profile.path.stop][1:].tolist()


@LAWS
@given(curve=smooth_curves(), from_deg=st.floats(0.0, 360.0))
def test_time_knows_no_direction(curve, from_deg):
    """A turned path, and the path backwards, take the same time to 1e-6; backwards to 1e-4 where chords are so short
    that vertices are left out, which happens from the beginning on."""
    turn = math.radians(from_deg)
    matrix = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    plain = plan_profile(polyline(curve), V, A, J).duration_s_total
    assert plan_profile(polyline(curve @ matrix.T), V, A, J).duration_s_total == pytest.approx(
        plain, rel=1e-6
    )
    thinned = np.hypot(*np.diff(curve, axis=0).T).min() <= MERGED_MM
    assert plan_profile(polyline(curve[::-1]), V, A, J).duration_s_total == pytest.approx(
        plain, rel=1e-4 if thinned else 1e-6
    )


@LAWS
@given(curve=smooth_curves(), jerk=st.floats(4.0, 7.0).map(lambda power: 10.0**power))
def test_a_jerk_limit_costs_time_and_at_most_two_ramps(curve, jerk):
    """With jerk a run takes longer than without, by at most 2 A / J."""
    bare = plan_profile(polyline(curve), V, A).duration_s_total
    limited = plan_profile(polyline(curve), V, A, jerk).duration_s_total
    assert bare < limited <= bare + 2 * A / jerk * (1 + 1e-9)


@settings(max_examples=15, deadline=None)
@given(curve=smooth_curves())
def test_the_mean_leaves_the_path_by_no_more_than_said(curve):
    """Boundaries are within A h^2 (m^2 - 1) / 24 of the curve that is driven without jerk limit, at equal times."""
    profile = plan_profile(polyline(curve), V, A, J)
    boundaries = sample(profile, TICK_S)
    window = math.ceil(float(profile.window_s[0]) / TICK_S - 1e-7)
    moving = int(boundaries.ticks[0]) - window + 1
    bare = plan_profile(polyline(curve), V, A)
    # The same clock as that of the run before averaging, 20 places a tick.
    clock = bare.duration_s_total / moving
    fine = np.concatenate([curve[:1], sample(bare, clock / 20).positions_mm])
    whole = np.interp(np.arange(-200, 20 * moving + 401), np.arange(len(fine)), fine[:, 0])
    other = np.interp(np.arange(-200, 20 * moving + 401), np.arange(len(fine)), fine[:, 1])
    # The mean over m boundaries lags by (m - 1) / 2 ticks.
    at = 200 + np.rint(20 * (np.arange(1, len(boundaries.positions_mm) + 1) - 0.5 * (window - 1))).astype(int)
    away = np.hypot(boundaries.positions_mm[:, 0] - whole[at], boundaries.positions_mm[:, 1] - other[at])
    assert away.max() <= 1.02 * A * TICK_S**2 * (window**2 - 1) / 24 + 1e-4


@pytest.mark.parametrize("jerk", [J, math.inf])
@pytest.mark.parametrize("radius", [2.0, 30.0])
def test_tangents_are_the_direction_of_motion(radius, jerk):
    """On a circle they are tangential at every boundary, of unit length, and at the end those of its last point."""
    vertices = circle(radius, flattening=0.01)
    boundaries = sample(plan_profile(polyline(vertices), V, A, jerk), TICK_S)
    assert np.hypot(*boundaries.tangents.T) == pytest.approx(np.ones(len(boundaries.tangents)), abs=1e-12)
    outward = boundaries.positions_mm / np.hypot(*boundaries.positions_mm.T)[:, None]
    middle = slice(3, -3)
    across = np.abs((outward * boundaries.tangents).sum(axis=1))
    assert across[middle].max() < 5e-3
    assert boundaries.tangents[-1] == pytest.approx([0.0, 1.0], abs=1e-6)
    assert boundaries.tangents[0] == pytest.approx([0.0, 1.0], abs=0.05)


def test_tangents_at_a_stop_are_of_the_motion_that_ended_there():
    """Right angle with a stop: along x up to and with the corner, along y after it."""
    boundaries = sample(plan_profile(polyline(np.array([[0, 0], [30, 0], [30, 20]])), V, A, J), TICK_S)
    corner = boundaries.ticks[0]
    assert boundaries.tangents[corner - 1].tolist() == [1.0, 0.0]
    assert boundaries.tangents[corner].tolist() == [0.0, 1.0]
    assert boundaries.positions_mm[corner - 1].tolist() == [30.0, 0.0]


@pytest.mark.parametrize(
    ("radius", "caps", "held_s"),
    [(5.0, (200.0, 300.0), 0.02), (50.0, (200.0, 300.0), 0.03), (2.0, (100.0, math.inf), 0.04)],
)
def test_reversals_are_driven_gently_where_wanted(radius, caps, held_s):
    """Where the circle turns an axis round, that axis' acceleration is within its cap for ``reversal_s``, and tight.

    Axes without a cap, and the rest of the circle, are as fast as before.
    """
    vertices = circle(radius, from_rad=0.3, flattening=0.01)
    free = plan_profile(polyline(vertices), V, A, J)
    profile = plan_profile(polyline(vertices), V, A, J, reversal_mm_s2=caps, reversal_s=held_s)
    assert profile.duration_s_total > free.duration_s_total
    tick_s = 0.0005
    boundaries = sample(profile, tick_s)
    velocity = np.diff(boundaries.positions_mm, axis=0, prepend=vertices[:1]) / tick_s
    change = np.diff(velocity, axis=0) / tick_s
    half = int(0.5 * held_s / tick_s)
    for axis in range(2):
        turns = np.flatnonzero(velocity[1:, axis] * velocity[:-1, axis] < 0)
        assert len(turns) == 2
        for at in turns:
            largest = np.abs(change[at - half : at + half, axis]).max()
            if math.isfinite(caps[axis]):
                assert 0.97 * caps[axis] <= largest <= 1.01 * caps[axis]
            else:
                assert largest > 0.9 * A
    assert np.hypot(*change.T).max() <= 1.01 * A


@pytest.mark.parametrize("sides", [150, 223, 224, 301])
@pytest.mark.parametrize("from_rad", [0.0, 0.3, math.pi / 2])
def test_no_reversal_is_overlooked(sides, from_rad):
    """Wherever a circle's extremes lie, in an arc, on a vertex or on the joint in the middle of a chord, all of them
    are driven at the cap: those of each axis that are not the circle's own ends."""
    angle = from_rad + np.linspace(0.0, 2 * math.pi, sides + 1)
    vertices = 50.0 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    cap = 214.0
    profile = plan_profile(polyline(vertices), V, A, J, reversal_mm_s2=(cap, cap), reversal_s=0.03)
    positions = sample(profile, TICK_S).positions_mm
    velocity = np.diff(positions, axis=0) / TICK_S
    change = np.diff(velocity, axis=0) / TICK_S
    for axis in range(2):
        turns = np.flatnonzero(velocity[5:-5, axis] * velocity[4:-6, axis] < 0) + 4
        at_its_ends = abs(math.cos(from_rad) if axis == 0 else math.sin(from_rad)) > 0.999
        assert len(turns) == (1 if at_its_ends else 2)
        assert np.abs(change[turns, axis]).max() == pytest.approx(cap, rel=0.03)


def test_reversal_caps_above_the_limit_change_nothing():
    """Caps that the acceleration limit keeps anyway leave the profile as it was."""
    vertices = circle(5.0, from_rad=0.3)
    free = plan_profile(polyline(vertices), V, A, J)
    capped = plan_profile(polyline(vertices), V, A, J, reversal_mm_s2=(A, math.inf), reversal_s=0.03)
    assert capped.run_duration_s.tolist() == free.run_duration_s.tolist()


def test_reversal_on_a_rounded_corner_is_capped_as_well():
    """A corner of 120 degrees rounded within 1 mm turns x round: its arc is driven at the cap."""
    points = np.array([[0.0, 0.0], [60.0, 0.0], [30.0, 52.0]])
    path = polyline(points, corners="round", corner_tolerance_mm=1.0)
    profile = plan_profile(path, V, A, J, reversal_mm_s2=(150.0, 150.0), reversal_s=0.01)
    positions = sample(profile, 0.0005).positions_mm
    velocity = np.diff(positions, axis=0) / 0.0005
    change = np.diff(velocity, axis=0) / 0.0005
    (at,) = np.flatnonzero(velocity[1:, 0] * velocity[:-1, 0] < 0)
    assert np.abs(change[at - 10 : at + 10, 0]).max() == pytest.approx(150.0, rel=0.03)


def test_blending_a_lead_in_saves_the_stop():
    """A travel that rounds its last corner by 5 mm arrives sooner than one that stops there."""
    points = np.array([[0.0, 0.0], [300.0, 0.0], [300.0, 12.0]])
    stopped = plan_profile(polyline(points), V, A, J).duration_s_total
    blended = polyline(points, corners="round", corner_tolerance_mm=np.array([0.0, 5.0, 0.0]))
    assert plan_profile(blended, V, A, J).duration_s_total < 0.96 * stopped


def test_straight_runs_are_exact_whatever_their_chords():
    """A straight line in 1000 chords takes the S-curve's time and stays on the line to 1e-9 mm."""
    share = np.sort(np.random.default_rng(3).uniform(0, 1, 999))
    points = np.concatenate([[0], share, [1]])[:, None] * np.array([300.0, -170.0])
    whole = plan_profile(polyline(points[[0, -1]]), V, A, J)
    cut = plan_profile(polyline(points), V, A, J)
    assert cut.straight.tolist() == [True]
    assert cut.duration_s_total == pytest.approx(whole.duration_s_total, rel=1e-12)
    positions = sample(cut, TICK_S).positions_mm
    assert np.abs(positions @ [170.0, 300.0]).max() / math.hypot(300, 170) < 1e-9


def test_a_straight_run_under_two_speed_limits_obeys_both():
    """Chords of one line with different speed limits: neither is exceeded."""
    points = np.array([[0.0, 0.0], [100.0, 0.0], [200.0, 0.0]])
    profile = plan_profile(polyline(points), np.array([150.0, 50.0]), A, J)
    assert not profile.straight.any()
    positions = np.concatenate([points[:1], sample(profile, TICK_S).positions_mm])
    speed = np.diff(positions[:, 0]) / TICK_S
    assert speed.max() <= 150.0 * (1 + 1e-9)
    assert speed[positions[:-1, 0] > 102.0].max() <= 50.0 * (1 + 1e-6)


def test_rounded_coordinates_cost_little_time():
    """Points every 0.02 mm on R = 50 mm rounded to 1 um take at most 3 % longer than the exact ones."""
    angle = np.arange(0, 1.0, 0.02 / 50)
    exact = 50.0 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    times = [
        plan_profile(polyline(points), V, A, J).duration_s_total for points in (exact, np.round(exact, 3))
    ]
    assert times[1] <= 1.03 * times[0]


def test_cruising_round_a_circle_the_radius_is_constant():
    """Between run-up and run-out all boundaries lie on one circle to 0.1 um, smaller than R by A h^2 (m^2 - 1) / 24."""
    radius = 10.0
    profile = plan_profile(polyline(circle(radius, flattening=FLATTENING_MM)), 60.0, A, J)
    boundaries = sample(profile, TICK_S)
    window = math.ceil(float(profile.window_s[0]) / TICK_S - 1e-7)
    distance = np.hypot(*boundaries.positions_mm.T)[40:-40]
    assert np.ptp(distance) < 1e-4
    shrunk = 60.0**2 / radius * TICK_S**2 * (window**2 - 1) / 24
    assert radius - distance.mean() == pytest.approx(shrunk, rel=0.02)
