"""The simulated axis against closed forms, a handbook table and a general-purpose integrator."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from drivers.twin import physics as ph
from drivers.twin.parameters import TwinAxis


def make_axis(**changes: object) -> TwinAxis:
    values: dict[str, object] = {
        "length_mm": 100_000.0,
        "start_mm": 50_000.0,
        "home_switch_mm": 15.0,
        "home_switch_active_below": True,
        "loop_lag_ms": 8.0,
        "acceleration_max_mm_s2": 1e9,
        "speed_max_mm_s": 900.0,
    }
    return TwinAxis.model_validate({**values, **changes})


def powered(**changes: object) -> ph.State:
    state = ph.make_state(make_axis(**changes), 1)
    state[ph.TORQUE] = 1.0
    return state


def test_velocity_loop_answers_a_step_as_a_first_order_lag():
    """v(t) = u(1 - e^(-t/T)), x(t) = u(t - T(1 - e^(-t/T))): closed form, any textbook on linear systems."""
    state = powered(loop_lag_ms=20.0)
    state[ph.TARGET] = 100.0
    for t in (0.001, 0.02, 0.1, 0.5):
        copy = state.copy()
        ph.advance_axis(copy, t)
        decay = 1 - math.exp(-t / 0.02)
        assert copy[ph.V] == pytest.approx(100 * decay, abs=1e-9)
        assert copy[ph.X] - 50_000 == pytest.approx(100 * (t - 0.02 * decay), abs=1e-9)


def test_drive_with_velocity_lag_ends_at_the_sum_of_its_commands():
    """A pure first-order velocity lag ends at the sum of v*h exactly (closed form, references 1.4)."""
    state = powered(loop_lag_ms=8.0)
    rng = np.random.default_rng(3)
    velocities = rng.integers(-600, 601, size=500).astype(float)
    for velocity in velocities:
        state[ph.TARGET] = velocity
        ph.advance_axis(state, 0.004)
    state[ph.TARGET] = 0.0
    ph.advance_axis(state, 2.0)
    assert state[ph.V] == 0.0
    assert state[ph.X] - 50_000 == pytest.approx(velocities.sum() * 0.004, abs=1e-8)


@pytest.mark.parametrize(
    ("radius_mm", "speed_mm_s", "gain_per_s", "shrink_mm"),
    [
        (100, 100, 20, 0.124766),
        (50, 100, 30, 0.110742),
        (10, 50, 20, 0.298575),
        (1, 20, 30, 0.167950),
        (500, 300, 15, 0.399521),
    ],
)
def test_circle_shrinks_as_the_handbook_says(
    radius_mm: float, speed_mm_s: float, gain_per_s: float, shrink_mm: float
):
    """R_out = R / sqrt(1 + (v / (R Kv))^2): servo lag of circles, values checked with scipy lsim (references 1.4).

    The loop here lags in velocity by 1/Kv, which has the same transfer function from path to path.
    """
    x, y = powered(loop_lag_ms=1000 / gain_per_s), powered(loop_lag_ms=1000 / gain_per_s)
    omega, step = speed_mm_s / radius_mm, 1e-4
    settle_s = 12 / gain_per_s
    turn_s = 2 * math.pi / omega
    points = []
    # cell averages of the circle's velocity, so that the command itself lies on the circle
    for k in range(round((settle_s + turn_s) / step)):
        a, b = omega * k * step, omega * (k + 1) * step
        x[ph.TARGET] = radius_mm * (math.cos(b) - math.cos(a)) / step
        y[ph.TARGET] = radius_mm * (math.sin(b) - math.sin(a)) / step
        ph.advance_axis(x, step)
        ph.advance_axis(y, step)
        if k * step > settle_s:
            points.append((x[ph.X], y[ph.X]))
    path = np.array(points)
    # least-squares circle: the centre is wherever the start-up has left it
    design = np.column_stack((path, np.ones(len(path))))
    centre_x, centre_y, rest = np.linalg.lstsq(design, (path**2).sum(axis=1), rcond=None)[0]
    radius = math.sqrt(rest + (centre_x / 2) ** 2 + (centre_y / 2) ** 2)
    assert radius_mm - radius == pytest.approx(shrink_mm, abs=1e-4)


def test_ramps_and_saturation_agree_with_a_general_integrator():
    """The same differential equation given to scipy's solve_ivp (RK45, tolerance 1e-10) gives the same motion."""
    state = powered(loop_lag_ms=10.0, acceleration_max_mm_s2=3000.0)
    up, down, lag, most = 4000.0, 2000.0, 0.010, 3000.0
    state[ph.RAMP_UP], state[ph.RAMP_DOWN] = up, down

    def slope(r: float, target: float) -> float:
        if abs(target - r) < 1e-6:
            return 0.0
        grows = r * target >= 0 and abs(target) > abs(r)
        return math.copysign(up if grows else down, target - r)

    x, v, r = 0.0, 0.0, 0.0
    for target, lasts in ((300.0, 0.2), (-200.0, 0.25), (-50.0, 0.1), (0.0, 0.05)):
        state[ph.TARGET] = target
        ph.advance_axis(state, lasts)
        left = lasts
        while left > 1e-12:  # the reference's ramps are piecewise: integrate each between its corners
            rate = slope(r, target)
            corner = 0.0 if r * target < -1e-6 else target
            span = min(left, abs(corner - r) / abs(rate)) if rate else left
            start = r

            def motion(t: float, y: np.ndarray, start: float = start, rate: float = rate) -> list[float]:
                return [y[1], min(max((start + rate * t - y[1]) / lag, -most), most)]

            solved = solve_ivp(motion, (0, span), [x, v], rtol=1e-10, atol=1e-10, max_step=5e-4)
            x, v = solved.y[:, -1]
            r = start + rate * span
            left -= span
        assert state[ph.X] - 50_000 == pytest.approx(x, abs=1e-5)
        assert state[ph.V] == pytest.approx(v, abs=1e-4)


@pytest.mark.parametrize(
    ("speed_m_s", "lag_s", "deceleration_m_s2", "distance_mm"),
    [(0.5, 0.1, 2.0, 112.5), (0.3, 0.05, 1.0, 60.0), (1.0, 0.1, 3.0, 266.6666667)],
)
def test_stopping_distance_is_reaction_plus_ramp(
    speed_m_s: float, lag_s: float, deceleration_m_s2: float, distance_mm: float
):
    """v*t_r + v^2/2a with the loop's lag for t_r: worked values of the safety references (closed form)."""
    state = powered(loop_lag_ms=lag_s * 1000)
    state[ph.V] = state[ph.R] = speed_m_s * 1000
    state[ph.RAMP_DOWN] = deceleration_m_s2 * 1000
    ph.advance_axis(state, 10.0)
    assert state[ph.V] == 0.0
    assert state[ph.X] - 50_000 == pytest.approx(distance_mm, abs=1e-6)


def test_motor_without_torque_coasts_and_is_held():
    """v^2/2c of way, then it stands for good whatever the target says."""
    state = powered(coast_mm_s2=4000.0)
    state[ph.V] = state[ph.R] = state[ph.TARGET] = 400.0
    state[ph.TORQUE] = 0.0
    ph.advance_axis(state, 0.1 + 1e-12)
    assert state[ph.V] == 0.0
    assert state[ph.X] - 50_000 == pytest.approx(400**2 / 8000, abs=1e-9)
    there = state.copy()
    ph.advance_axis(state, 100.0)
    assert np.array_equal(state, there)


def test_head_follows_the_play_operator():
    """w for u = 0,1,2,3,2.5,... and r = 0.5: the worked sequence of references 1.8 (Krasnosel'skii-Pokrovskii)."""
    motor = [0, 1, 2, 3, 2.5, 2, 1, 0, -1, -0.5, 0, 0.5, 3, 0]
    head = [0, 0.5, 1.5, 2.5, 2.5, 2.5, 1.5, 0.5, -0.5, -0.5, -0.5, 0, 2.5, 0.5]
    state = powered(play_mm=1.0)
    got = []
    before = 0.0
    for place in motor:
        state[ph.TARGET] = (place - before) / 0.25
        ph.advance_axis(state, 0.25)
        state[ph.TARGET] = 0.0
        ph.advance_axis(state, 1.0)
        before = place
        got.append(state[ph.HEAD] - 50_000)
    assert got == pytest.approx(head, abs=1e-8)


def test_loop_of_play_has_the_amplitude_of_theory():
    """A sine of 10 through a half gap of 0.25 comes out with 9.75 (references 1.8)."""
    state = powered(play_mm=0.5, loop_lag_ms=0.0)
    heads = []
    for k in range(20_000):
        a, b = 2 * math.pi * k / 10_000, 2 * math.pi * (k + 1) / 10_000
        state[ph.TARGET] = 10 * (math.sin(b) - math.sin(a)) / 1e-3
        ph.advance_axis(state, 1e-3)
        heads.append(state[ph.HEAD])
    assert (max(heads[10_000:]) - min(heads[10_000:])) / 2 == pytest.approx(9.75, abs=1e-4)


@pytest.mark.parametrize("towards", [-1, 1])
def test_limit_switch_cuts_power_where_it_stands(towards: int):
    """The head passes the switch at full speed, then only friction is left: way beyond it is v^2/2c."""
    state = powered(
        length_mm=1000.0, start_mm=500.0, play_mm=0.5, coast_mm_s2=4000.0, bumper_mm=100.0, loop_lag_ms=5.0
    )
    state[ph.TARGET] = towards * 400.0
    ph.advance_axis(state, 5.0)
    assert state[ph.TRIPPED] == 1.0
    assert state[ph.LIMIT] == (ph.LIMIT_POSITIVE if towards > 0 else ph.LIMIT_NEGATIVE)
    assert state[ph.V] == 0.0
    beyond = state[ph.HEAD] - 1000.0 if towards > 0 else -state[ph.HEAD]
    assert beyond == pytest.approx(400**2 / 8000, abs=1e-6)


def test_hard_end_stops_what_friction_does_not():
    """Nothing leaves the hard ends, however fast it came."""
    state = powered(length_mm=1000.0, start_mm=500.0, play_mm=0.5, coast_mm_s2=100.0, bumper_mm=10.0)
    state[ph.TARGET] = 800.0
    ph.advance_axis(state, 5.0)
    assert state[ph.HEAD] == 1010.0
    assert state[ph.X] == 1010.25
    assert state[ph.V] == 0.0


def touches(state: ph.State, count: int) -> list[float]:
    """Head positions at which the home switch closed, approached from above at 10 mm/s and left by 4 mm each time."""
    found = []
    for _ in range(count):
        state[ph.TARGET] = -10.0
        while not state[ph.HOME_CLOSED]:
            ph.advance_axis(state, 1e-4)
        found.append(float(state[ph.HEAD]))
        state[ph.TARGET] = 40.0
        ph.advance_axis(state, 0.1)
        assert not state[ph.HOME_CLOSED]
    return found


def test_home_switch_scatters_from_touch_to_touch():
    """Repeated touches differ, their standard deviation is the stated one, and a seed repeats itself."""
    axis = make_axis(start_mm=16.0, home_switch_scatter_mm=0.05, play_mm=0.2, loop_lag_ms=2.0)

    def run(seed: int) -> list[float]:
        state = ph.make_state(axis, seed)
        state[ph.TORQUE] = 1.0
        return touches(state, 200)

    first, again, other = run(5), run(5), run(6)
    assert first == again
    assert first != other
    assert len(set(first)) == len(first)
    assert np.mean(first) == pytest.approx(15.0, abs=4 * 0.05 / math.sqrt(200))
    # a normal law's standard deviation over 200 draws lies within 5 standard errors (sigma / sqrt(2 n))
    assert np.std(first) == pytest.approx(0.05, abs=5 * 0.05 / math.sqrt(400))


def test_home_switch_can_be_active_above():
    """The other sense of the switch closes when the head comes from below."""
    state = powered(home_switch_active_below=False, home_switch_mm=50_001.0)
    state[ph.TARGET] = 100.0
    ph.advance_axis(state, 0.005)
    assert not state[ph.HOME_CLOSED]
    ph.advance_axis(state, 0.1)
    assert state[ph.HOME_CLOSED]


commands = st.lists(
    st.tuples(
        st.floats(-900, 900, allow_nan=False),
        st.sampled_from([math.inf, 500.0, 5000.0, 50_000.0]),
        st.sampled_from([math.inf, 700.0, 7000.0]),
        st.booleans(),
        st.floats(0.0005, 0.2),
        st.lists(st.floats(0.001, 0.999), max_size=12),
    ),
    min_size=1,
    max_size=6,
)


# a loop without lag on a ramp faster than the motor: "at the limit" is decided within rounding
@example([(900.0, 50_000.0, 700.0, True, 0.199, [0.3])], 0.0, 8000.0)
@given(commands, st.sampled_from([0.0, 2.0, 8.0, 40.0]), st.sampled_from([1500.0, 8000.0, 1e9]))
def test_result_does_not_hang_on_how_time_is_cut(program: list, lag_ms: float, acceleration: float):
    """Law: any cutting of the spans gives the same motor, head, velocity and switches, to 1e-9."""
    axis = make_axis(
        length_mm=200.0,
        start_mm=60.0,
        home_switch_mm=50.0,
        home_switch_scatter_mm=0.02,
        loop_lag_ms=lag_ms,
        acceleration_max_mm_s2=acceleration,
        play_mm=0.4,
    )
    whole, cut = ph.make_state(axis, 3), ph.make_state(axis, 3)
    for target, up, down, torque, lasts, cuts in program:
        for state in (whole, cut):
            state[ph.TARGET], state[ph.RAMP_UP], state[ph.RAMP_DOWN] = target, up, down
            state[ph.TORQUE] = float(torque)
        ph.advance_axis(whole, lasts)
        edges = [0.0, *sorted(cuts), 1.0]
        for low, high in itertools.pairwise(edges):
            ph.advance_axis(cut, (high - low) * lasts)
    for column in (ph.X, ph.HEAD):
        assert cut[column] == pytest.approx(whole[column], abs=1e-9)
    assert cut[ph.V] == pytest.approx(whole[ph.V], abs=1e-6)
    for column in (ph.LIMIT, ph.TRIPPED, ph.HOME_CLOSED, ph.APPROACHES):
        assert cut[column] == whole[column]
    assert cut[ph.X] - cut[ph.HEAD] <= cut[ph.HALF_GAP] + 1e-9
    assert -cut[ph.BUMPER] <= cut[ph.HEAD] <= cut[ph.LENGTH] + cut[ph.BUMPER]


def test_samples_fall_on_whole_milliseconds_and_skip_stillness():
    """A sample at every ms of motion, none while nothing moves, and the last still instant before a move."""
    axes = np.stack([powered(), powered()])
    stamps, samples = np.zeros(2000, dtype=np.int64), np.zeros((2000, ph.SAMPLE_COLUMNS))
    book = np.array([0, -1], dtype=np.int64)
    ph.advance(axes, 300, 50_000_000, stamps, samples, book)
    assert list(book) == [1, 50_000_000]
    axes[0, ph.TARGET] = 100.0
    ph.advance(axes, 50_000_000, 60_300_000, stamps, samples, book)
    assert book[0] == 12
    assert list(stamps[:4]) == [1_000_000, 50_000_000, 51_000_000, 52_000_000]
    assert np.all(np.diff(stamps[1:12]) == 1_000_000)
    assert samples[11, 0] > samples[10, 0] > 50_000
