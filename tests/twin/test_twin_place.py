"""Where the tip truly touches: crooked frame, tip in its clearance, and the shortcut past the wire."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy.integrate import solve_ivp

from drivers.clock import VirtualClock
from drivers.twin.frame import Frame
from drivers.twin.parameters import TwinParameters
from drivers.twin.playback import Playback, play
from drivers.twin.record import MotionRecord
from drivers.twin.tip import Tip
from drivers.twin.virtual import VirtualGantry

from .conftest import MS, MakeMaster, Master, make_axis, make_parameters, make_settings

Floats = npt.NDArray[np.float64]
DOWN = 1 << 16
HOUR_NS = 3600 * 10**9
HONEST: dict[str, Any] = {
    "play_mm": 0.8,
    "play_friction_mm_s2": 200.0,
    "rail_friction_mm_s2": 40.0,
    "belt": {"position_mm": [0.0, 1000.0], "frequency_hz": [9.0, 12.0], "damping": 0.05},
    "latency_ms": 2.0,
    "latency_jitter_ms": 0.5,
}


def honest(**changes: Any) -> TwinParameters:
    return make_parameters(
        axes={"x": make_axis(**HONEST), "y": make_axis(start_mm=200.0, **HONEST)}, **changes
    )


def radii_about_own_circle(points: Floats) -> Floats:
    """Distances from the centre of the least-squares circle."""
    design = np.column_stack((points, np.ones(len(points))))
    a, b, _ = np.linalg.lstsq(design, (points**2).sum(axis=1), rcond=None)[0]
    return np.hypot(points[:, 0] - a / 2, points[:, 1] - b / 2)


def circle(radius_mm: float = 100.0) -> Floats:
    angle = np.linspace(0, 2 * np.pi, 3600, endpoint=False)
    return np.array([500.0, 300.0]) + radius_mm * np.column_stack((np.cos(angle), np.sin(angle)))


def test_squareness_and_scale_bend_a_circle_by_their_closed_forms() -> None:
    """Squareness 1e-4 rad, or a scale error of 1e-4 of one axis, on R = 100 mm: radial range 0.010000 mm.

    Closed form: r = R + s R sin(2 a) / 2, or R + s R cos(2 a) / 2; the range is what ISO 230-4 calls G.
    """
    crooked = Frame(make_parameters(squareness_mm_m=0.1), ("x", "y"))
    assert np.ptp(radii_about_own_circle(crooked.true_mm(circle()))) == pytest.approx(0.01, abs=1e-5)
    table = {"position_mm": [0.0, 1000.0], "error_mm": [0.0, 0.1]}
    axes = {"x": make_axis(length_error=table), "y": make_axis()}
    scaled = Frame(make_parameters(axes=axes), ("x", "y"))
    assert np.ptp(radii_about_own_circle(scaled.true_mm(circle()))) == pytest.approx(0.01, abs=1e-5)


def test_signs_of_squareness_sag_and_length_error() -> None:
    """Right as y goes down, down where it sags, further where the error is positive; the ends of tables hold."""
    axes = {
        "x": make_axis(length_error={"position_mm": [100.0, 300.0], "error_mm": [1.0, 3.0]}),
        "y": make_axis(length_error={"position_mm": [0.0], "error_mm": [-0.5]}),
    }
    sag = {"position_mm": [0.0, 200.0, 400.0], "drop_mm": [0.0, 0.8, 0.0]}
    frame = Frame(make_parameters(axes=axes, squareness_mm_m=2.0, sag=sag), ("x", "y"))
    true = frame.true_mm(np.array([[200.0, 500.0], [900.0, 0.0]]))
    assert true[0] == pytest.approx([202.0 + 2e-3 * 499.5, 499.5 + 0.8 * (198.0 / 200.0)])
    assert true[1] == pytest.approx([903.0 - 2e-3 * 0.5, -0.5])
    assert frame.canvas_mm(np.array([[200.0, 500.0]]))[0] == pytest.approx(true[0] - [100.0, 50.0])


def test_warmth_moves_the_frame_and_stretches_the_lengths_by_the_hour() -> None:
    """Half an hour: half of the drift; a growth of 20 ppm an hour at 800 mm is 0.008 mm."""
    axes = {"x": make_axis(length_drift_ppm_h=20.0), "y": make_axis()}
    frame = Frame(make_parameters(axes=axes, frame_drift_mm_h=(0.3, -0.1)), ("x", "y"))
    here = np.array([[800.0, 400.0], [800.0, 400.0]])
    moved = frame.canvas_mm(here, np.array([0, HOUR_NS // 2]))
    assert moved[1] - moved[0] == pytest.approx([0.15 + 0.008, -0.05], abs=1e-12)
    assert frame.true_mm(here, HOUR_NS)[0] == pytest.approx([800.016, 400.0], abs=1e-12)


def test_tip_follows_the_tractrix() -> None:
    """A holder drawn straight away from the side: tan(a/2) = tan(a0/2) e^(-s/r), the tractrix (closed form, Huygens).

    Beginning at right angles the tip lies at x = s - r tanh(s/r), y = r / cosh(s/r).
    """
    tip = Tip(make_parameters(pen_clearance_mm=(0.5, 0.5), pen_landing_mm=(0.0, 0.5)))
    tip.land(np.zeros(2))
    way = np.linspace(0.0, 4.0, 401)[1:]
    tips = tip.follow(np.column_stack((way, np.zeros(400))))
    assert tips[:, 0] == pytest.approx(way - 0.5 * np.tanh(way / 0.5), abs=1e-9)
    assert tips[:, 1] == pytest.approx(0.5 / np.cosh(way / 0.5), abs=1e-9)


def test_tip_on_a_curve_agrees_with_a_general_integrator() -> None:
    """The pursuit equation p' = ((h - p).h') (h - p) / r^2 given to scipy's solve_ivp: the same path, to 1e-4 mm."""
    radius, clearance = 2.0, 0.3
    tip = Tip(make_parameters(pen_clearance_mm=(clearance, clearance), pen_landing_mm=(0.0, -clearance)))
    angle = np.linspace(0.0, 6.0, 6001)
    holder = radius * np.column_stack((np.cos(angle), np.sin(angle)))
    tip.land(holder[0])
    tips = tip.follow(holder[1:])

    def chase(t: float, p: Floats) -> Floats:
        h = radius * np.array([math.cos(t), math.sin(t)])
        speed = radius * np.array([-math.sin(t), math.cos(t)])
        rod = h - p
        return float(rod @ speed) * rod / clearance**2

    solved = solve_ivp(
        chase, (0.0, 6.0), holder[0] - [0.0, clearance], t_eval=angle[1:], rtol=1e-10, atol=1e-12
    )
    assert np.abs(tips - solved.y.T).max() < 1e-4


@given(
    st.lists(st.tuples(st.floats(-2, 2), st.floats(-2, 2)), min_size=1, max_size=20),
    st.tuples(st.floats(0.05, 1.0), st.floats(0.05, 1.0)),
    st.lists(st.floats(0.001, 0.999), max_size=5),
)
def test_tip_stays_within_its_clearance_and_does_not_mind_cuts(
    places: list[tuple[float, float]], clearance: tuple[float, float], cuts: list[float]
) -> None:
    """Law: never farther than the ellipse allows; more points on the same straight ways change nothing."""
    whole, cut = (Tip(make_parameters(pen_clearance_mm=clearance)) for _ in range(2))
    whole.land(np.zeros(2))
    cut.land(np.zeros(2))
    before = np.zeros(2)
    for place in places:
        here = np.array(place)
        end = whole.follow(here[None])[0]
        parts = np.array([before + part * (here - before) for part in (*sorted(cuts), 1.0)])
        assert cut.follow(parts)[-1] == pytest.approx(end, abs=1e-7)
        assert np.sum(((end - here) / clearance) ** 2) <= 1.0 + 1e-9
        before = here


def test_looking_at_the_tip_does_not_drag_it() -> None:
    """``look_only`` leaves the tip where it was."""
    tip = Tip(make_parameters(pen_clearance_mm=(0.2, 0.2)))
    tip.land(np.zeros(2))
    first = tip.follow(np.array([[5.0, 0.0]]), look_only=True)
    assert first[0] == pytest.approx([4.8, 0.0])
    assert tip.follow(np.array([[0.1, 0.0]]))[0] == pytest.approx([0.0, 0.0])


def test_clearance_along_one_axis_is_a_play_operator() -> None:
    """x trails by 0.2 mm in its last direction, y is firm."""
    tip = Tip(make_parameters(pen_clearance_mm=(0.2, 0.0)))
    tip.land(np.zeros(2))
    tips = tip.follow(np.array([[1.0, 0.5], [0.9, 0.7], [0.3, 0.7]]))
    assert tips == pytest.approx(np.array([[0.8, 0.5], [0.8, 0.7], [0.5, 0.7]]))


@pytest.mark.parametrize(
    "changes",
    [
        {"pen_landing_mm": (0.1, 0.0)},
        {"pen_clearance_mm": (0.2, 0.2), "pen_landing_mm": (0.15, 0.15)},
        {"sag": {"position_mm": [0.0, 0.0], "drop_mm": [0.0, 1.0]}},
        {"sag": {"position_mm": [0.0], "drop_mm": [0.0, 1.0]}},
    ],
)
def test_impossible_parameters_are_refused(changes: dict[str, Any]) -> None:
    """A tip that lands outside its clearance, tables that are none."""
    with pytest.raises(ValidationError):
        make_parameters(**changes)


@pytest.mark.parametrize(
    "changes",
    [
        {"rail_friction_mm_s2": 1.0},
        {"play_friction_mm_s2": 1.0},
        {"latency_ms": 1.0, "latency_jitter_ms": 1.1},
        {"belt": {"position_mm": [0.0], "frequency_hz": [0.0]}},
        {"belt": {"position_mm": [0.0, 1.0], "frequency_hz": [1.0]}},
    ],
)
def test_impossible_axes_are_refused(changes: dict[str, Any]) -> None:
    """Friction without a belt, latency below zero, belts that are none."""
    with pytest.raises(ValidationError):
        make_axis(**changes)


def scribble(ticks: int = 500) -> npt.NDArray[np.int64]:
    """A schedule that goes everywhere and rests at its end (1000 units are 1 mm/s)."""
    k = np.arange(ticks)
    units = np.column_stack((90_000 * np.sin(0.03 * k), -70_000 * np.sin(0.05 * k)))
    units[-60:] = 0.0
    return np.asarray(np.round(units), dtype=np.int64)


@pytest.mark.parametrize("is_honest", [False, True])
def test_playback_is_what_the_wire_makes_of_the_same_ticks(make_master: MakeMaster, is_honest: bool) -> None:
    """The shortcut against frames, SYNCs and drives: motors, heads, tips and readings agree."""
    changes: dict[str, Any] = {"pen_clearance_mm": (0.2, 0.3), "squareness_mm_m": 0.4}
    axis = {"latency_ms": 2.0, "belt": HONEST["belt"], "play_mm": 0.8} if is_honest else {"play_mm": 0.8}
    axes = {"x": make_axis(**axis), "y": make_axis(start_mm=200.0, **axis)}
    parameters = make_parameters(axes=axes, **changes)
    master = make_master(parameters).ready()
    master.twin.load_pen("deep", "#203a5c", 4.0)
    master.tick(0, 0, outputs=DOWN)
    began_ns = master.clock.now_ns()
    for _ in range(25):
        master.tick(0, 0)
    counts = []
    for x, y in scribble():
        master.tick(int(x), int(y))
        counts.append((master.position(1), master.position(2)))
    gantry = master.twin.gantry
    gantry.flush_contact()
    record = gantry.record()
    units = np.concatenate((np.zeros((25, 2), dtype=np.int64), scribble()))
    played = play(make_settings().axes, parameters, 4000, units, np.ones(len(units)))
    t_ns = began_ns + np.round(played.t_s * 1e9).astype(np.int64)
    assert played.motor_mm == pytest.approx(record.motor_at(t_ns), abs=1e-8)
    assert played.head_mm == pytest.approx(record.head_at(t_ns), abs=1e-8)
    assert np.array_equal(played.counts[25:], np.array(counts))
    canvas = gantry.canvas
    # the canvas has the tip at whole ms while it moves; stillness is left out
    at = np.searchsorted(t_ns, canvas.t_ns)
    common = (at < len(t_ns)) & (t_ns[np.minimum(at, len(t_ns) - 1)] == canvas.t_ns)
    assert common.sum() > 1500
    assert played.tip_mm[at[common]] == pytest.approx(canvas.points_mm[common], abs=1e-7)
    assert played.touches[at[common][1:]].all()


@pytest.mark.compiles
def test_playback_goes_on_where_it_was() -> None:
    """Two calls are one: places, latency draws, tip and readings."""
    units = scribble()
    down = np.ones(len(units))
    down[300:320] = 0
    at_once = Playback(make_settings().axes, honest(pen_clearance_mm=(0.2, 0.2)), 4000).play(units, down)
    player = Playback(make_settings().axes, honest(pen_clearance_mm=(0.2, 0.2)), 4000)
    parts = [player.play(units[a:b], down[a:b]) for a, b in ((0, 50), (50, 310), (310, len(units)))]
    for name in ("t_s", "motor_mm", "head_mm", "tip_mm", "touches", "counts"):
        whole = getattr(at_once, name)
        assert np.concatenate([getattr(part, name) for part in parts]) == pytest.approx(whole, abs=1e-12)
    assert not at_once.touches[
        1200:1339
    ].any()  # up at once, and 60 ms of travel after it was told to go down
    assert at_once.touches[1340:].all()
    with pytest.raises(ValueError, match="whole number of ms"):
        Playback(make_settings().axes, honest(), 500).play(units[:3])
    with pytest.raises(ValueError, match="tick_us"):
        Playback(make_settings().axes, honest(), 4050)


@pytest.mark.parametrize(
    ("radius_mm", "speed_mm_s", "gain_per_s", "shrink_mm"),
    [(100, 100, 20, 0.124766), (50, 100, 30, 0.110742), (10, 50, 20, 0.298575), (1, 20, 30, 0.167950)],
)
def test_circles_shrink_by_servo_lag_whatever_the_latency(
    radius_mm: float, speed_mm_s: float, gain_per_s: float, shrink_mm: float
) -> None:
    """R_out = R / sqrt(1 + (v / (R Kv))^2): equal latency delays, and bends nothing.

    Servo lag e = v/Kv of the Mechanical Engineers' Handbook, vol. 2, eq. 6; circle values checked with scipy's lsim.
    """
    lag = {"loop_lag_ms": 1000.0 / gain_per_s, "acceleration_max_mm_s2": 1e8, "latency_ms": 2.0}
    axes = {"x": make_axis(**lag), "y": make_axis(start_mm=300.0, **lag)}
    tick_s, omega = 1e-3, speed_mm_s / radius_mm
    ticks = round((12 / gain_per_s + 2 * math.pi / omega) / tick_s)
    angle = omega * tick_s * np.arange(ticks + 1)
    path = radius_mm * np.column_stack((np.cos(angle), np.sin(angle)))
    settings = make_settings(counts_per_turn=100_000_000)
    sign = np.array([1, -1])
    units = np.round(np.diff(path, axis=0) / tick_s * 1e6).astype(np.int64) * sign
    played = play(settings.axes, make_parameters(axes=axes), 1000, units)
    radii = radii_about_own_circle(played.motor_mm[round(12 / gain_per_s / tick_s) :])
    assert radius_mm - radii.mean() == pytest.approx(shrink_mm, abs=1e-4)


def test_encoder_reads_in_whole_steps(make_master: MakeMaster) -> None:
    """Readings are multiples of the step, at most a step below the place; the place itself is not rounded."""
    axes = {"x": make_axis(encoder_step_counts=64), "y": make_axis(encoder_step_counts=64, start_mm=200.0)}
    played = play(make_settings().axes, make_parameters(axes=axes), 4000, scribble())
    assert np.all(played.counts % 64 == 0)
    plain = play(make_settings().axes, make_parameters(), 4000, scribble())
    assert np.array_equal(played.motor_mm, plain.motor_mm)
    below = plain.counts - played.counts
    assert below.min() >= 0
    assert below.max() == 63
    master = make_master(make_parameters(axes=axes)).ready()
    for x, y in scribble(100):
        master.tick(int(x), int(y))
        assert master.position(1) % 64 == 0
        assert master.position(2) % 64 == 0


def test_quick_stop_is_over_when_the_head_has_swung_out(make_master: MakeMaster) -> None:
    """The drive says standstill when its motor stands; the record, which judges, waits for the head on its belt."""
    master = make_master(honest()).ready()
    for _ in range(100):
        master.tick(150_000, 0)
    told_ns = master.clock.now_ns()
    for _ in range(500):
        master.tick(150_000, 0, word=0x0B)  # quick stop
    assert master.status(1) & 0x6F == 0x40
    record = master.twin.gantry.record()
    stood_ns = record.standstill_ns(told_ns)
    assert stood_ns is not None
    motor = record.t_ns[np.any(np.abs(record.motor_mm_s) > 0.5, axis=1)][-1]
    assert 30 * MS < motor - told_ns < 150 * MS
    assert stood_ns > motor + 100 * MS
    after = record.t_ns >= stood_ns
    assert np.abs(record.head_mm_s[after]).max() <= 0.5
    assert master.twin.gantry.is_settled


def test_profile_position_lands_in_spite_of_latency(make_master: MakeMaster) -> None:
    """The drive's own profile is not late against itself: it ends on its target."""
    master = make_master(honest()).ready()
    target = 350_000
    for node, goal in ((1, target), (2, -150_000)):
        master.must(node, 0x6060, 0, 1, 1)
        master.must(node, 0x6081, 0, 100_000, 4)
        master.must(node, 0x6083, 0, 500_000, 4)
        master.must(node, 0x6084, 0, 500_000, 4)
        master.must(node, 0x607A, 0, goal, 4)
    for word in (0x0F, 0x1F):
        master.tick(0, 0, word=word)
    for _ in range(400):
        master.tick(0, 0, word=0x1F)
    assert abs(master.position(1) - target) <= 1
    assert abs(master.position(2) + 150_000) <= 1


def test_record_and_files_know_the_true_place(tmp_path: Any) -> None:
    """``true_mm`` has squareness and sag in it, also after a restart; a head held by friction stands as it stood."""
    parameters = honest(
        squareness_mm_m=1.0,
        sag={"position_mm": [0.0, 500.0], "drop_mm": [0.0, 2.0]},
        frame_drift_mm_h=(1.0, 0.0),
    )

    def life(start_ns: int) -> Master:
        clock = VirtualClock(start_ns=start_ns)
        return Master(VirtualGantry(make_settings(), parameters, clock, tmp_path), clock)

    first = life(10**9)
    first.ready()
    for x, y in scribble():
        first.tick(int(x), int(y))
    first.wait(2 * 10**9)
    gantry = first.twin.gantry
    record = gantry.record()
    assert record.true_mm[-1, 0] == pytest.approx(record.head_mm[-1, 0] + 1e-3 * record.head_mm[-1, 1])
    assert record.true_mm[-1, 1] == pytest.approx(record.head_mm[-1, 1] + 2.0 * record.head_mm[-1, 0] / 500.0)
    assert record.true_at([record.end_ns])[0] == pytest.approx(record.true_mm[-1])
    first.twin.save()
    loaded = MotionRecord.load(tmp_path / "motion.npz")
    assert np.array_equal(loaded.true_mm, record.true_mm)
    second = life(10**12)
    for ours, theirs in zip(second.twin.gantry.motors, gantry.motors, strict=True):
        assert ours.motor_mm == theirs.motor_mm
        assert ours.head_mm == theirs.head_mm
    age_s = gantry.now_ns // 10**9 - 1
    assert np.asarray(second.twin.gantry.age_ns(10**12)) == pytest.approx(age_s * 10**9, abs=10**9)


def test_stillness_stays_still() -> None:
    """Two minutes of still ticks: the head has swung out and nothing changes any more, readings included."""
    player = Playback(make_settings().axes, honest(), 4000)
    player.play(scribble())
    first = player.play(np.zeros((5000, 2)))
    later = player.play(np.zeros((25_000, 2)))
    assert np.array_equal(later.counts, np.broadcast_to(first.counts[-1], (25_000, 2)))
    assert np.array_equal(later.head_mm, np.broadcast_to(first.head_mm[-1], (100_000, 2)))


def test_turned_canvas_holds_places_by_the_rotation_matrix() -> None:
    """A canvas turned from x towards y (y down) about its corner: corner + R c is where its place c truly is.

    R = [[cos, -sin], [sin, cos]], as in any textbook; scipy's ``Rotation`` is the other hand that turns.
    """
    from scipy.spatial.transform import Rotation

    corner = np.array([200.0, 150.0])
    frame = Frame(make_parameters(canvas_origin_mm=tuple(corner), canvas_turn_deg=0.2), ("x", "y"))
    places = np.array([[0.0, 0.0], [3000.0, 0.0], [3000.0, 1900.0], [0.0, 1900.0]])
    turned = Rotation.from_euler("z", 0.2, degrees=True).apply(np.column_stack([places, np.zeros(4)]))[:, :2]
    np.testing.assert_allclose(frame.canvas_mm(corner + turned), places, atol=1e-9)
    assert turned[1, 1] == pytest.approx(3000.0 * np.sin(np.radians(0.2)))  # the right end hangs lower
