"""Laws over generated strokes: on the path, within limits, no drift, no preferred direction."""

from __future__ import annotations

import numpy as np
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from controller.motion.frames import quanta_per_mm
from controller.motion.path import FLATTENING_MM, MERGED_MM, polyline
from controller.motion.plan import plan_pass
from controller.motion.profile import plan_profile
from controller.motion.schedule import SegmentKind
from controller.motion.ticks import sample, to_quanta, to_velocities

LAWS = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@st.composite
def rough_strokes(draw):
    """Random walks: chords from hundredths to tens of mm, any turn, also straight back."""
    number = draw(st.integers(2, 40))
    seed = draw(st.integers(0, 2**32 - 1))
    scale = draw(st.sampled_from([0.01, 0.3, 4.0, 40.0]))
    random = np.random.default_rng(seed)
    steps = random.normal(0, scale, (number, 2)) + 1e-6
    if draw(st.booleans()):
        steps[number // 2] = -steps[number // 2 - 1]
    walk = np.cumsum(steps, axis=0)
    return np.array([1000.0, 900.0]) + np.clip(walk - walk[0], -600, 600)


@st.composite
def smooth_strokes(draw):
    """Sums of a few sine waves nowhere tighter than 1 mm, flattened so finely that a tick passes many vertices."""
    seed = draw(st.integers(0, 2**32 - 1))
    size = draw(st.sampled_from([2.0, 20.0, 200.0]))
    random = np.random.default_rng(seed)
    u = np.linspace(0, 1, 6000)
    waves = np.arange(1, 4)
    phase = random.uniform(0, 2 * np.pi, (2, 3))
    phase[1, 0] = phase[0, 0] + 0.5 * np.pi + random.uniform(-0.8, 0.8)
    weight = random.uniform(0.5, 1.0, (2, 3)) * (1.0, 0.15, 0.05)
    xy = (weight[:, :, None] * np.sin(2 * np.pi * waves[:, None] * u + phase[:, :, None])).sum(axis=1).T
    first = np.gradient(size * xy, u, axis=0)
    second = np.gradient(first, u, axis=0)
    bend = np.abs(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / np.hypot(*first.T) ** 3
    assume(bend[3:-3].max() < 1.0)
    return 900 + size * xy


def distance_to_polyline(points, vertices):
    """Distance of each point to the nearest chord (brute force)."""
    a, b = vertices[:-1], vertices[1:]
    along = b - a
    square = np.maximum((along**2).sum(axis=1), 1e-300)
    share = np.clip(((points[:, None] - a) * along).sum(axis=2) / square, 0, 1)
    return np.hypot(*np.moveaxis(points[:, None] - (a + share[:, :, None] * along), 2, 0)).min(axis=1)


@LAWS
@given(stroke=rough_strokes())
def test_every_boundary_is_on_the_path(stiff, ink, strokes_of, head_of, stroke):
    """On a machine without lag and play the head is within twice the flattening tolerance of the polyline, and ends
    on its end.

    Averaging in time for the jerk adds A T^2 / 24 at most, T the ticks of 2 A / J and one more; the chain's smoothing
    A h^2 / 4 (variance h^2 / 2 of its kernel).
    """
    strokes = strokes_of(stroke)
    schedule = plan_pass(strokes, ink, stiff, stiff.park_mm)
    (row,) = schedule.segments[schedule.segments["kind"] == SegmentKind.STROKE]
    head = head_of(schedule, stiff)[row["first_tick"] : row["first_tick"] + row["ticks"] + 1]
    motion, tick_s = stiff.motion, stiff.tick_us * 1e-6
    window_s = 2 * motion.acceleration_mm_s2 / motion.jerk_mm_s3 + 2 * tick_s
    beside_mm = 2 * FLATTENING_MM + motion.acceleration_mm_s2 * (window_s**2 / 24 + tick_s**2 / 4)
    assert distance_to_polyline(head, stroke).max() <= beside_mm + 1e-5
    np.testing.assert_allclose(head[0], stroke[0], atol=1e-5)
    np.testing.assert_allclose(head[-1], stroke[-1], atol=1e-5)


@LAWS
@given(stroke=rough_strokes())
def test_the_head_ends_on_the_stroke_through_lag_and_play(machine, ink, strokes_of, head_of, stroke):
    """With the machine's lag and play the head, by the forward model, begins and ends within 0.05 mm of the ends and
    never strays farther from the polyline than 0.25 mm, however rough it is."""
    schedule = plan_pass(strokes_of(stroke), ink, machine, machine.park_mm)
    (row,) = schedule.segments[schedule.segments["kind"] == SegmentKind.STROKE]
    head = head_of(schedule, machine)[row["first_tick"] : row["first_tick"] + row["ticks"] + 1]
    assert np.hypot(*(head[0] - stroke[0])) < 0.05
    assert np.hypot(*(head[-1] - stroke[-1])) < 0.05
    assert distance_to_polyline(head, stroke).max() < 0.25


@LAWS
@given(stroke=rough_strokes(), park=st.tuples(st.floats(990, 1010), st.floats(890, 910)))
def test_no_command_moves_while_the_pen_does_and_the_end_is_exact(machine, ink, strokes_of, stroke, park):
    """On any stroke LOWER and RAISE stand still, and the motors end at the park position to the quantum."""
    there = machine.model_copy(update={"park_mm": (park[0] + 200.0, park[1] + 150.0)})
    schedule = plan_pass(strokes_of(stroke), ink, there, machine.park_mm)
    for row in schedule.segments:
        if row["kind"] in (SegmentKind.LOWER, SegmentKind.RAISE):
            assert not schedule.velocity_units[row["first_tick"] :][: row["ticks"]].any()
    end = schedule.boundaries_quanta()[-1]
    np.testing.assert_array_equal(end, np.rint(np.array(there.park_mm) * quanta_per_mm(there)))


@LAWS
@given(stroke=rough_strokes())
def test_speed_never_exceeds_the_limit(stiff, ink, strokes_of, stroke):
    """No tick of a pass is faster than the travel speed, none of a stroke faster than the paint speed.

    On a machine without lag and play, whose commands are the head's motion.
    """
    schedule = plan_pass(strokes_of(stroke), ink, stiff, stiff.park_mm)
    per_second = schedule.velocity_units / np.abs(quanta_per_mm(stiff)) / (stiff.tick_us * 1e-6)
    speed = np.hypot(*per_second.T)
    rounding = 2 / np.abs(quanta_per_mm(stiff)).min() / (stiff.tick_us * 1e-6)
    assert speed.max() <= stiff.motion.travel_speed_mm_s + rounding
    painting = schedule.segments["kind"][np.asarray(schedule.segment)] == SegmentKind.STROKE
    assert speed[painting].max() <= stiff.motion.paint_speed_mm_s + rounding


@LAWS
@given(stroke=smooth_strokes(), speed=st.sampled_from([60.0, 200.0, 2000.0]))
def test_acceleration_never_exceeds_the_limit_on_smooth_paths(stroke, speed):
    """Between neighbouring ticks of a finely flattened smooth path the velocity vector changes by A h at most.

    2 % are allowed for the polygon that stands for the curve.
    """
    acceleration, tick_s = 2000.0, 0.004
    profile = plan_profile(polyline(stroke), speed, acceleration)
    positions = sample(profile, tick_s).positions_mm
    velocity = np.diff(positions, axis=0, prepend=stroke[:1]) / tick_s
    still = np.zeros((1, 2))
    change = np.diff(velocity, axis=0, prepend=still, append=still) / tick_s
    assert np.hypot(*change.T).max() <= acceleration * 1.02


@LAWS
@given(stroke=rough_strokes())
def test_acceleration_at_vertices_is_bounded_on_any_path(stroke):
    """On any polyline the velocity changes in a tick by at most 2 A h plus what vertices within it may add."""
    acceleration, tick_s = 2000.0, 0.004
    path = polyline(stroke)
    profile = plan_profile(path, 200.0, acceleration)
    positions = sample(profile, tick_s).positions_mm
    velocity = np.diff(positions, axis=0, prepend=path.vertices_mm[:1]) / tick_s
    jump = np.hypot(*np.diff(velocity, axis=0).T)
    lone = (8 * acceleration * FLATTENING_MM) ** 0.5
    shortest = path.length_mm.min()
    # Chords that a tick passes several of are paths of a finer kind: the other laws are about those.
    if shortest > 200.0 * 2 * tick_s and len(jump):
        assert jump.max() <= 2 * acceleration * tick_s + lone


@LAWS
@given(stroke=rough_strokes(), mirror=st.sampled_from([(-1, 1), (1, -1), (-1, -1)]))
def test_mirrored_strokes_take_the_same_ticks(machine, ink, strokes_of, stroke, mirror):
    """Timing knows no direction of the axes: a stroke and its mirror image have equal numbers of ticks."""
    other = (stroke - 900) * mirror + 900
    ticks = [
        row["ticks"]
        for each in (stroke, other)
        for row in plan_pass(strokes_of(each), ink, machine, machine.park_mm).segments
        if row["kind"] == SegmentKind.STROKE
    ]
    assert ticks[0] == ticks[1]


@LAWS
@given(stroke=rough_strokes())
def test_the_way_back_takes_as_long(stroke):
    """A stroke and its reverse have equally long runs, in reverse order, within 2 %."""
    # Which of two vertices a hair apart is left out depends on the direction.
    assume(np.hypot(*np.diff(stroke, axis=0).T).min() >= MERGED_MM)
    there, back = (
        plan_profile(polyline(one), 200.0, 2000.0, 250_000.0).run_duration_s for one in (stroke, stroke[::-1])
    )
    np.testing.assert_allclose(there, back[::-1], rtol=0.02, atol=1e-4)


@LAWS
@given(stroke=rough_strokes(), tick_ms=st.sampled_from([1.0, 4.0, 20.0]))
def test_stretching_to_whole_ticks_never_shortens(stroke, tick_ms):
    """Every run lasts at least its own time and less than one tick more."""
    tick_s = tick_ms / 1000
    profile = plan_profile(polyline(stroke), 200.0, 2000.0)
    extra = sample(profile, tick_s).ticks * tick_s - profile.run_duration_s
    assert extra.min() >= -1.1e-7 * tick_s
    assert extra.max() < tick_s * (1 + 1e-9)


@LAWS
@given(stroke=rough_strokes())
def test_profile_is_continuous_and_stops_at_stops(stroke):
    """Speed and place join from stretch to stretch; each run begins and ends at rest on its vertices."""
    profile = plan_profile(polyline(stroke), 200.0, 2000.0)
    end_speed = profile.speed_mm_s + profile.acceleration_mm_s2 * profile.duration_s
    same_run = profile.run[1:] == profile.run[:-1]
    np.testing.assert_allclose(end_speed[:-1][same_run], profile.speed_mm_s[1:][same_run], atol=1e-3)
    np.testing.assert_allclose(end_speed[:-1][~same_run], 0.0, atol=1e-3)
    np.testing.assert_allclose(profile.speed_mm_s[1:][~same_run], 0.0, atol=1e-3)
    length = profile.speed_mm_s * profile.duration_s + profile.acceleration_mm_s2 * profile.duration_s**2 / 2
    np.testing.assert_allclose(
        np.bincount(profile.element, weights=length), profile.elements.length_mm, rtol=1e-6, atol=1e-9
    )


def test_rounding_does_not_drift_over_a_million_ticks():
    """After every one of 1e6 ticks the sum of the integer velocities is within half a quantum of the path."""
    random = np.random.default_rng(9)
    positions = np.cumsum(random.uniform(-2e-4, 3e-4, (1_000_000, 2)), axis=0)
    scale = np.array([1_350_000.0, -1_350_000.0])
    velocities = to_velocities((0, 0), to_quanta(positions, scale))
    summed = np.cumsum(velocities, axis=0, dtype=np.int64)
    assert np.abs(summed - positions * scale).max() <= 0.5 + 1e-6
