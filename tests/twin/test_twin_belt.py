"""The honest axis: belt, play with friction, rail, latency and encoder, against closed forms and scipy."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from drivers.twin import elastic as el
from drivers.twin import physics as ph
from drivers.twin.mechanism import Mechanism, OrderQueue
from drivers.twin.parameters import TwinAxis, TwinParameters
from drivers.twin.record import Recorder

from .conftest import make_parameters

Floats = npt.NDArray[np.float64]
H = el.STEP_NS * 1e-9


def belt(hertz: float = 10.0, damping: float = 0.05) -> dict[str, Any]:
    return {"position_mm": [0.0], "frequency_hz": [hertz], "damping": damping}


def make_axis(**changes: Any) -> TwinAxis:
    values: dict[str, Any] = {
        "length_mm": 100_000.0,
        "start_mm": 50_000.0,
        "home_switch_mm": 15.0,
        "home_switch_active_below": True,
        "loop_lag_ms": 0.0,
        "acceleration_max_mm_s2": 1e9,
        "speed_max_mm_s": 9000.0,
        **changes,
    }
    return TwinAxis.model_validate(values)


def powered(**changes: Any) -> ph.State:
    state = ph.make_state(make_axis(**changes), 1)
    state[ph.TORQUE] = 1.0
    return state


class Run:
    """One axis, its orders and its time, a step of the grid at a time."""

    def __init__(self, seed: int = 1, **changes: Any) -> None:
        axis = make_axis(**changes)
        self.state = ph.make_state(axis, seed)
        self.state[ph.TORQUE] = 1.0
        self.queue = OrderQueue((axis,), (seed,))
        self.now_ns = 0

    def order(self, velocity_mm_s: float) -> None:
        """A step of velocity, heard at this instant."""
        self.queue.put(0, (velocity_mm_s, math.inf, math.inf, 1.0), self.now_ns, late=True)

    def step(self, steps: int = 1) -> Floats:
        """Head places (steps,) after each step."""
        heads = np.empty(steps)
        queue = self.queue
        for j in range(steps):
            until = self.now_ns + el.STEP_NS
            el.step_axis(
                self.state, queue.dues[0], queue.orders[0], queue.pending[0], self.now_ns, until, until
            )
            self.now_ns = until
            heads[j] = self.state[ph.HEAD]
        return heads

    def follow(self, places_mm: Floats) -> Floats:
        """Motor along places (n + 1,) one step apart, as a motor without lag does; heads (n,) after each step."""
        orders = np.full((len(places_mm) - 1, el.ORDER_COLUMNS), math.inf)
        orders[:, 0], orders[:, 3] = np.diff(places_mm) / H, 1.0
        arrivals = self.now_ns + el.STEP_NS * np.arange(len(orders), dtype=np.int64)
        self.queue.grow(len(orders))
        self.queue.put_all(0, arrivals, orders, late=True)
        return self.step(len(orders))


@pytest.mark.parametrize("hertz", [1.0, 5.0, 9.0, 10.0, 12.0, 20.0, 40.0])
@pytest.mark.parametrize("damping", [0.05, 0.3])
def test_head_answers_a_sine_of_the_pulley_as_theory_says(hertz: float, damping: float) -> None:
    """Base excitation through spring and damper, r = f/f0: Y/W = (1 + 2 zeta r i) / (1 - r^2 + 2 zeta r i).

    Closed form of any textbook on vibration (from memory); amplitude ratio and phase to 1e-4.
    """
    run = Run(belt=belt(10.0, damping))
    turns = max(8, math.ceil(hertz * 16 / damping / (2 * math.pi * 10.0)))  # little of the beginning is left
    steps = round((turns + 4) / hertz / H)
    t = np.arange(steps + 1) * H
    # begins softly
    soft = 0.5 - 0.5 * np.cos(np.pi * np.minimum(t * hertz / turns * 4, 1.0))
    heads = run.follow(50_000.0 + soft * np.sin(2 * np.pi * hertz * t)) - 50_000.0
    tail = t[1:] > turns / hertz
    design = np.exp(2j * np.pi * hertz * t[1:][tail])
    both = np.column_stack((design.imag, design.real))
    a, b = np.linalg.lstsq(both, heads[tail], rcond=None)[0]
    ratio = hertz / 10.0
    wanted = (1 + 2j * damping * ratio) / (1 - ratio**2 + 2j * damping * ratio)
    wanted /= 1 + 2j * np.pi * hertz * 1e-6  # a motor without lag has one of a microsecond
    assert abs(a + 1j * b - wanted) / abs(wanted) < 1e-4


def test_ring_down_has_the_logarithmic_decrement() -> None:
    """ln(x_n / x_n+1) = 2 pi zeta / sqrt(1 - zeta^2), and the damped period: closed forms of any textbook."""
    run = Run(belt=belt(10.0, 0.05))
    run.state[ph.HEAD] += 2.0
    heads = run.step(10_000) - 50_000.0
    (peaks,) = signal.argrelmax(heads)
    values = []
    for p in peaks[:6]:  # the parabola through three samples
        left, top, right = heads[p - 1 : p + 2]
        values.append(top - (left - right) ** 2 / (8 * (left - 2 * top + right)))
    decrement = np.diff(np.log(values))
    assert -decrement == pytest.approx(2 * math.pi * 0.05 / math.sqrt(1 - 0.05**2), abs=1e-6)
    assert np.diff(peaks[:6]) * H == pytest.approx(1 / (10 * math.sqrt(1 - 0.05**2)), abs=1.01 * H)


def test_belt_and_motor_agree_with_scipy_on_a_schedule() -> None:
    """Steps of velocity through motor lag and belt: scipy.signal.lsim of the same linear system, to 1e-4 mm.

    lsim holds the command for each step; the twin takes the motor exactly and the pulley on a line within a step.
    """
    rng = np.random.default_rng(4)
    velocities = np.repeat(np.cumsum(rng.normal(0, 15, 250)), 40)  # 250 ticks of 4 ms
    run = Run(belt=belt(10.0, 0.05), loop_lag_ms=8.0)
    heads = []
    for velocity in velocities[::40]:
        run.order(float(velocity))
        heads.append(run.step(40))
    omega, zeta, lag = 2 * math.pi * 10.0, 0.05, 8e-3
    system = signal.lti(
        [2 * zeta * omega, omega**2], np.polymul([lag, 1, 0], [1, 2 * zeta * omega, omega**2])
    )
    t = np.arange(len(velocities) + 1) * H
    _, wanted, _ = signal.lsim(system, np.append(velocities, velocities[-1]), t, interp=False)
    assert np.ptp(wanted) > 10.0
    assert np.concatenate(heads) - 50_000.0 == pytest.approx(wanted[1:], abs=1e-4)


def test_frequency_is_that_of_the_place() -> None:
    """A belt that is softer in the middle rings there as its table says, straight lines between."""
    table = {"position_mm": [0.0, 1000.0], "frequency_hz": [16.0, 8.0], "damping": 0.0}
    for place, hertz in ((-50.0, 16.0), (250.0, 14.0), (500.0, 12.0), (1200.0, 8.0)):
        run = Run(belt=table, start_mm=place, home_switch_mm=-400.0, bumper_mm=400.0)
        run.state[ph.HEAD] += 0.01
        heads = run.step(20_000) - place
        crossings = np.flatnonzero((heads[:-1] < 0) & (heads[1:] >= 0))
        period = (crossings[-1] - crossings[0]) / (len(crossings) - 1) * H
        assert 1 / period == pytest.approx(hertz, rel=1e-3)


@given(
    st.floats(1.0, 200.0),
    st.floats(0.0, 0.5),
    st.sampled_from([0.0, 20.0, 300.0]),
    st.sampled_from([None, 0.5, 200.0]),
    st.sampled_from([0.0, 0.5, 30.0]),
    st.floats(-3.0, 3.0),
    st.floats(-200.0, 200.0),
)
def test_energy_never_grows_without_a_command(
    hertz: float,
    damping: float,
    rail: float,
    play_friction: float | None,
    viscous: float,
    off_mm: float,
    speed_mm_s: float,
) -> None:
    """Law: with the motor at rest, v^2/2 + k (y - W)^2 / 2 never grows, whatever friction there is.

    Above the lowest that it has been it may show what one step can err by. A pulley that begins or ends to slide
    within a step of h is taken to move evenly in it, which is wrong by up to |v| h / 4 of place, so by up to
    (omega h)^2 / 4 of the first energy (6000 draws at up to 200 Hz: 0.06 of that square at most); held pulleys by
    a millionth.
    """
    state = powered(
        belt=belt(hertz, damping),
        rail_friction_mm_s2=rail,
        rail_viscous_per_s=viscous,
        play_mm=0.8,
        play_friction_mm_s2=play_friction,
    )
    state[ph.HEAD] += off_mm
    state[ph.HEAD_V] = speed_mm_s
    k = (2 * math.pi * hertz) ** 2
    nothing = OrderQueue((make_axis(),), (1,))
    lowest, first = math.inf, 0.0
    allowed = 1e-6 if play_friction is None else max(1e-6, k * (el.STEP_NS * 1e-9) ** 2 / 4)
    for j in range(400):
        t = j * el.STEP_NS
        el.step_axis(
            state, nothing.dues[0], nothing.orders[0], nothing.pending[0], t, t + el.STEP_NS, t + el.STEP_NS
        )
        energy = 0.5 * state[ph.HEAD_V] ** 2 + 0.5 * k * (state[ph.PULLEY] - state[ph.HEAD]) ** 2
        first = first or energy
        assert energy <= lowest + allowed * (1.0 + first)
        lowest = min(lowest, energy)


@pytest.mark.parametrize("friction", [None, 1e9])
def test_pulley_held_by_friction_is_the_play_operator(friction: float | None) -> None:
    """w = max(u - r, min(u + r, w before)), worked by hand for u = 0,1,2,3,2.5,... and r = 0.5 (Krasnosel'skii and
    Pokrovskii's play operator; from memory).

    In the limit of a friction that the belt never overcomes; the head then comes to rest where the pulley is.
    """
    motor = [0, 1, 2, 3, 2.5, 2, 1, 0, -1, -0.5, 0, 0.5, 3, 0]
    wanted = [0, 0.5, 1.5, 2.5, 2.5, 2.5, 1.5, 0.5, -0.5, -0.5, -0.5, 0, 2.5, 0.5]
    run = Run(play_mm=1.0, belt=belt(30.0, 0.6), play_friction_mm_s2=friction)
    heads, before = [], 0.0
    for place in motor:
        run.order((place - before) / 0.01)
        run.step(100)
        run.order(0.0)
        heads.append(run.step(4000)[-1] - 50_000)
        before = place
    assert heads == pytest.approx(wanted, abs=1e-7)


def test_strong_belt_drags_the_pulley_until_friction_holds_it() -> None:
    """A head pushed 0.3 mm aside and let go: the pulley comes after it until the belt pulls with the friction only.

    A heavily damped belt does not swing back, so at rest k (y - W) is at most the friction, and the play's own width
    is the most that the pulley may have gone.
    """
    k = (2 * math.pi * 10.0) ** 2
    friction = 0.05 * k  # holds 0.05 mm of stretch
    run = Run(play_mm=1.0, belt=belt(10.0, 0.9), play_friction_mm_s2=friction, rail_friction_mm_s2=0.06 * k)
    run.state[ph.HEAD] += 0.3
    run.step(20_000)
    assert run.state[ph.HEAD_V] == 0.0
    stretch = run.state[ph.HEAD] - run.state[ph.PULLEY]
    assert 0.0 < run.state[ph.PULLEY] - 50_000.0 < 0.5
    assert stretch == pytest.approx(0.05, abs=1e-6)
    held = Run(play_mm=1.0, belt=belt(10.0, 0.9), rail_friction_mm_s2=0.06 * k)
    held.state[ph.HEAD] += 0.3
    held.step(20_000)
    assert held.state[ph.PULLEY] == 50_000.0


def test_play_with_friction_converges_with_the_step() -> None:
    """Steps ten times finer change a rattling head by less than 5e-4 mm in half a second: the grid is fine enough."""

    def head(step_ns: int) -> Floats:
        state = powered(play_mm=0.8, belt=belt(10.0, 0.05), play_friction_mm_s2=300.0, loop_lag_ms=8.0)
        nothing = OrderQueue((make_axis(),), (1,))
        heads = []
        for t in range(0, 500_000_000, step_ns):
            if t % 4_000_000 == 0:
                state[ph.TARGET] = 100.0 * math.cos(5.0 * t * 1e-9)
            el.step_axis(
                state, nothing.dues[0], nothing.orders[0], nothing.pending[0], t, t + step_ns, t + step_ns
            )
            if (t + step_ns) % 1_000_000 == 0:
                heads.append(float(state[ph.HEAD]))
        return np.array(heads)

    coarse, fine = head(el.STEP_NS), head(el.STEP_NS // 10)
    assert np.ptp(fine) > 10.0
    assert np.abs(coarse - fine).max() < 5e-4


def test_coulomb_friction_takes_the_same_from_each_swing() -> None:
    """A free oscillation on a rubbing rail loses 4 F/k in amplitude a period and rests within F/k: closed form of any
    textbook on vibration (from memory)."""
    k = (2 * math.pi * 5.0) ** 2
    rail = 0.02 * k
    run = Run(belt=belt(5.0, 0.0), rail_friction_mm_s2=rail)
    run.state[ph.HEAD] += 1.0
    heads = np.concatenate(([1.0], run.step(40_000) - 50_000.0))
    # at the end of each half period: 1, -(1 - 0.04), 1 - 0.08, ...
    halves = heads[:: round(0.1 / H)][:12]
    assert halves == pytest.approx([(-1) ** n * (1 - 0.04 * n) for n in range(12)], abs=1e-6)
    assert run.state[ph.HEAD_V] == 0.0
    assert abs(heads[-1]) <= 0.02 + 1e-9
    assert heads[-1] == heads[-2]


def test_head_breaks_away_late_and_then_lags_behind() -> None:
    """On a slow way the head sticks until the belt pulls with the friction (way F/k), and drawn on evenly it trails by
    F/k + b v/k: balance of forces."""
    k = (2 * math.pi * 10.0) ** 2
    run = Run(belt=belt(10.0, 0.3), rail_friction_mm_s2=0.1 * k, rail_viscous_per_s=2.0)
    speed = 5.0
    run.order(speed)
    heads = run.step(20_000) - 50_000.0
    first = int(np.argmax(heads > 0.0)) * H
    damper = 2 * 0.3 * (2 * math.pi * 10.0) * speed  # the damper pulls as well, from the first instant
    assert first == pytest.approx((0.1 - damper / k) / speed, abs=2 * H)
    motor = run.state[ph.X] - 50_000.0
    assert motor - heads[-1] == pytest.approx(0.1 + 2.0 * speed / k, abs=1e-6)


def test_commands_act_after_their_latency_to_the_nanosecond() -> None:
    """Off the grid too: x(t) = v (t - d - T (1 - e^(-(t-d)/T))) from the instant d after the order."""
    run = Run(latency_ms=2.034567, loop_lag_ms=8.0, start_mm=50_000.0)
    run.order(100.0)
    run.step(20)
    assert run.state[ph.X] == 50_000.0
    run.step(80)
    t = 10e-3 - 2.034567e-3
    assert run.state[ph.X] - 50_000.0 == pytest.approx(100.0 * (t + 8e-3 * math.expm1(-t / 8e-3)), abs=1e-9)


def test_latency_varies_evenly_within_its_bounds_and_repeats_with_its_seed() -> None:
    """Mean and standard deviation of an even law (a / sqrt(3)), no order before the one ahead of it."""
    arrivals = np.arange(0, 4000) * 4_000_000
    dues = el.due_instants(arrivals, 2_000_000, 500_000, 7, 0, 0)
    late = dues - arrivals
    assert late.min() >= 1_500_000
    assert late.max() <= 2_500_000
    assert late.mean() == pytest.approx(2_000_000, abs=4 * 500_000 / math.sqrt(3 * 4000))
    assert late.std() == pytest.approx(500_000 / math.sqrt(3), rel=0.03)
    assert np.array_equal(dues, el.due_instants(arrivals, 2_000_000, 500_000, 7, 0, 0))
    assert not np.array_equal(dues, el.due_instants(arrivals, 2_000_000, 500_000, 8, 0, 0))
    parts = [el.due_instants(arrivals[:100], 2_000_000, 500_000, 7, 0, 0)]
    parts.append(el.due_instants(arrivals[100:], 2_000_000, 500_000, 7, 100, int(parts[0][-1])))
    assert np.array_equal(np.concatenate(parts), dues)
    crowded = el.due_instants(np.arange(1000) * 1000, 2_000_000, 500_000, 7, 0, 0)
    assert np.all(np.diff(crowded) >= 0)


def test_play_table_without_change_is_plain_play() -> None:
    """The grid with nothing on it gives what the closed form gives, to 1e-9."""
    table = {"position_mm": [0.0], "play_mm": [0.5]}
    run = Run(play_table=table, loop_lag_ms=8.0)
    plain = powered(play_mm=0.5, loop_lag_ms=8.0)
    for velocity in (100.0, -80.0, 40.0, 0.0):
        run.order(velocity)
        run.step(400)
        plain[ph.TARGET] = velocity
        ph.advance_axis(plain, 0.04)
        assert run.state[ph.HEAD] == pytest.approx(plain[ph.HEAD], abs=1e-9)
        assert run.state[ph.X] == pytest.approx(plain[ph.X], abs=1e-9)
    wide = Run(play_table={"position_mm": [0.0, 100.0], "play_mm": [0.2, 0.6]}, start_mm=50.0)
    assert wide.state[ph.HALF_GAP] == pytest.approx(0.2)
    wide.order(100.0)
    wide.step(4000)
    # the gap is that of the beginning of each step of 0.01 mm
    assert wide.state[ph.X] - wide.state[ph.HEAD] == pytest.approx(0.5 * (0.2 + 0.4 * 0.9), abs=3e-5)


@pytest.mark.parametrize("towards", [-1, 1])
def test_limit_switch_on_a_belt_cuts_power(towards: int) -> None:
    """The switch belongs to the head: it trips when the head is there, then the motor coasts v^2/2c."""
    run = Run(
        belt=belt(10.0, 0.3),
        length_mm=1000.0,
        start_mm=500.0,
        coast_mm_s2=4000.0,
        bumper_mm=300.0,
        loop_lag_ms=5.0,
    )
    run.order(towards * 400.0)
    while not run.state[ph.TRIPPED]:
        run.step()
    assert run.state[ph.LIMIT] == (ph.LIMIT_POSITIVE if towards > 0 else ph.LIMIT_NEGATIVE)
    edge = 1000.0 if towards > 0 else 0.0
    assert run.state[ph.HEAD] == pytest.approx(edge, abs=0.05)
    motor = float(run.state[ph.X])
    run.step(10_000)
    assert run.state[ph.V] == 0.0
    assert abs(run.state[ph.X] - motor) == pytest.approx(20.0, abs=0.05)
    assert run.state[ph.HEAD] == pytest.approx(run.state[ph.X], abs=1e-3)
    assert run.state[ph.LIMIT] != 0.0


def test_hard_end_holds_head_and_motor() -> None:
    """Nothing leaves the hard ends, however soft the belt."""
    run = Run(
        belt=belt(5.0, 0.1),
        length_mm=1000.0,
        start_mm=900.0,
        coast_mm_s2=100.0,
        bumper_mm=10.0,
        loop_lag_ms=5.0,
    )
    run.order(800.0)
    heads = run.step(20_000)
    assert heads.max() <= 1010.0
    assert run.state[ph.V] == 0.0
    assert run.state[ph.HEAD] > 1000.0


def honest(seed: int) -> TwinParameters:
    axes = {}
    for name, start in (("x", 300.0), ("y", 200.0)):
        axes[name] = make_axis(
            length_mm=1000.0,
            start_mm=start,
            loop_lag_ms=8.0,
            acceleration_max_mm_s2=8000.0,
            play_mm=0.8,
            play_friction_mm_s2=200.0,
            rail_friction_mm_s2=50.0,
            rail_viscous_per_s=0.5,
            belt={"position_mm": [0.0, 500.0], "frequency_hz": [9.0, 12.0], "damping": 0.05},
            latency_ms=2.0,
            latency_jitter_ms=0.7,
            home_switch_mm=300.3,
            home_switch_scatter_mm=0.02,
            home_switch_drift_mm_h=5.0,
        )
    return make_parameters(axes=axes, seed=seed)


programs = st.lists(
    st.tuples(
        st.floats(-300, 300),
        st.floats(-300, 300),
        st.integers(1, 30_000_000),
        st.lists(st.floats(0.001, 0.999), max_size=8),
    ),
    min_size=1,
    max_size=8,
)


@given(programs, st.integers(0, 10**9), st.integers(1, 5))
def test_cutting_time_changes_nothing_at_all(program: list[Any], start_ns: int, seed: int) -> None:
    """Law: however a span is cut by calls, state, record and look ahead are the same to the bit."""

    def live(cut: bool) -> tuple[ph.State, npt.NDArray[np.int64], Floats]:
        mechanism = Mechanism(honest(seed), ("x", "y"), start_ns)
        recorder = Recorder()
        recorder.note(mechanism.state, start_ns)
        now_ns = start_ns
        for x, y, span_ns, cuts in program:
            mechanism.order(0, x, math.inf, math.inf)
            mechanism.order(1, y, math.inf, 3000.0)
            for part in sorted(cuts) if cut else ():
                mechanism.advance(now_ns + int(part * span_ns), recorder)
                mechanism.state[:, ph.TRIPPED] = 0.0
            now_ns += span_ns
            while mechanism.now_ns < now_ns:
                mechanism.advance(now_ns, recorder)
                mechanism.state[:, ph.TRIPPED] = 0.0
        record = recorder.record(now_ns)
        return mechanism.state, record.t_ns, record.head_mm

    whole, parts = live(False), live(True)
    for one, other in zip(whole, parts, strict=True):
        assert np.array_equal(one, other)


@pytest.mark.compiles
def test_still_time_is_jumped_and_the_order_after_it_is_not_missed() -> None:
    """A minute of rest costs two samples, and the motion after it begins at the same instant as without the jump."""
    mechanism = Mechanism(honest(1), ("x", "y"), 0)
    recorder = Recorder()
    recorder.note(mechanism.state, 0)
    mechanism.advance(60 * 10**9, recorder)
    assert recorder.written <= 2
    mechanism.order(0, 100.0, math.inf, math.inf)
    mechanism.advance(61 * 10**9, recorder)
    record = recorder.record(61 * 10**9)
    moving = record.t_ns[record.motor_mm[:, 0] > 300.0]
    late_ns = int(moving[0]) - 60 * 10**9
    assert 1_300_000 <= late_ns <= 2_700_000 + ph.GRID_NS
    assert record.motor_at([60 * 10**9])[0, 0] == 300.0


def test_home_switch_wanders_with_the_hours() -> None:
    """home_switch_drift_mm_h: after half an hour the edge has gone half of it, and the switch says so by itself."""
    axis = {"home_switch_mm": 299.0, "home_switch_active_below": True, "home_switch_drift_mm_h": 4.0}
    axes = {
        "x": make_axis(start_mm=300.0, length_mm=1000.0, **axis),
        "y": make_axis(start_mm=200.0, length_mm=1000.0),
    }
    mechanism = Mechanism(make_parameters(axes=axes), ("x", "y"), 0)
    recorder = Recorder()
    hour_ns = 3600 * 10**9
    mechanism.advance(hour_ns // 5, recorder)
    assert not mechanism.state[0, ph.HOME_CLOSED]
    mechanism.advance(hour_ns // 2, recorder)
    assert mechanism.state[0, ph.HOME_SHIFT] == pytest.approx(2.0, abs=1e-9)
    assert mechanism.state[0, ph.HOME_CLOSED]
