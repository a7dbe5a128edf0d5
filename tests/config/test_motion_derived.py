"""What follows from belt, play, tables and jerk: numbers against mechanics, and when they are warned of."""

from __future__ import annotations

from math import pi, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruckig import InputParameter, Ruckig, Trajectory
from scipy.interpolate import BSpline
from scipy.signal import lsim

from controller.config import formulas
from controller.config.derived import drive_stop_bound_mm, machine_numbers, stop_bound_mm
from controller.config.load import machine_from

FILE = Path("machine.toml")


def put(data: dict[str, Any], path: str, value: object) -> None:
    """Set the value at a dotted path, its tables made where they are missing."""
    *tables, last = path.split(".")
    for name in tables:
        data = data.setdefault(name, {})
    data[last] = value


def warnings_of(data: dict[str, Any]) -> dict[str, str]:
    return {one.where: one.message for one in machine_numbers(machine_from(data, FILE)).warnings}


def test_stretch_is_force_over_stiffness() -> None:
    """A 25 mm belt in a loop of 8.4 m, 8 kg at its middle: 107.143 N/mm and 18.419 Hz; 2000 mm/s^2 give F/k.

    k = c (1/L1 + 1/L2) with c = 225 000 N (maker's sheet), L1 = L2 = 4200 mm; f = sqrt(k/m) / 2 pi; F = m a = 16 N
    gives 16 / 107.143 = 0.14933 mm.
    """
    stiffness_n_mm = 225_000 * (1 / 4200 + 1 / 4200)
    frequency_hz = sqrt(stiffness_n_mm * 1000 / 8) / (2 * pi)
    assert frequency_hz == pytest.approx(18.419, abs=1e-3)
    assert formulas.belt_stretch_mm(2000.0, frequency_hz) == pytest.approx(16 / stiffness_n_mm, rel=1e-9)
    assert formulas.belt_stretch_mm(2000.0, 18.419) == pytest.approx(0.14933, abs=1e-5)


def test_swing_is_twice_the_stretch() -> None:
    """A mass on an undamped spring whose support starts to accelerate: scipy's simulation peaks at 2 a / w^2."""
    frequency_hz, acceleration = 10.0, 5000.0
    omega = 2 * pi * frequency_hz
    time = np.linspace(0.0, 0.5, 20001)
    # Relative displacement r'' + w^2 r = -a.
    system = ([[0.0, 1.0], [-(omega**2), 0.0]], [[0.0], [-1.0]], [[1.0, 0.0]], [[0.0]])
    _, response, _ = lsim(system, np.full_like(time, acceleration), time)
    assert np.abs(response).max() == pytest.approx(
        formulas.belt_swing_mm(acceleration, frequency_hz), rel=1e-6
    )


@pytest.mark.parametrize(("play_mm", "acceleration"), [(0.8, 7000.0), (0.25, 2500.0), (0.05, 600.0)])
def test_taking_up_play_is_the_fastest_move_over_it(play_mm: float, acceleration: float) -> None:
    """2 sqrt(g / a) is ruckig's time over that way from rest to rest with this acceleration."""
    wanted = InputParameter(1)
    wanted.current_position, wanted.target_position = [0.0], [play_mm]
    wanted.max_velocity, wanted.max_acceleration = [1e6], [acceleration]
    wanted.max_jerk = [1e12]
    trajectory = Trajectory(1)
    Ruckig(1).calculate(wanted, trajectory)
    assert formulas.take_up_s(play_mm, acceleration) == pytest.approx(trajectory.duration, rel=1e-4)
    assert formulas.take_up_s(0.0, acceleration) == 0.0


def motor_acceleration(jerk: np.ndarray[Any, Any], tick_s: float, omega: float, finer: int) -> float:
    """Largest y'' + y''''/w^2 of a motion smoothed by the quintic B-spline; ``jerk`` on a grid ``finer`` than ticks.

    The raw motion is summed up from its jerk; its places at ticks are the coefficients of scipy's spline.
    """
    step = tick_s / finer
    acceleration = np.concatenate([[0.0], np.cumsum(jerk) * step])
    velocity = np.concatenate([[0.0], np.cumsum((acceleration[1:] + acceleration[:-1]) / 2 * step)])
    # Over a step of constant jerk: x += v h + a h^2/2 + j h^3/6.
    ways = velocity[:-1] * step + acceleration[:-1] * step**2 / 2 + jerk * step**3 / 6
    places = np.concatenate([[0.0], np.cumsum(ways)])[::finer]
    spline = BSpline(np.arange(len(places) + 6) * tick_s, places, 5)
    inner = np.linspace(5 * tick_s, len(places) * tick_s, 40 * len(places), endpoint=False)
    led = spline.derivative(2)(inner) + spline.derivative(4)(inner) / omega**2
    return float(np.abs(led).max())


@settings(deadline=None, max_examples=60)
@given(
    signs=st.lists(st.sampled_from([-1.0, 0.0, 1.0]), min_size=40, max_size=200),
    frequency_hz=st.floats(5.0, 60.0),
)
def test_motors_need_no_more_than_said(signs: list[float], frequency_hz: float) -> None:
    """Whatever the jerk does between -J and J, smoothed and led for the belt the motor stays within the bound."""
    tick_s, jerk_max, finer = 0.004, 60_000.0, 8
    jerk = np.repeat(signs, 3) * jerk_max
    jerk = jerk[: len(jerk) // finer * finer]
    reached = float(np.abs(np.cumsum(jerk) * tick_s / finer).max())
    needed = motor_acceleration(jerk, tick_s, 2 * pi * frequency_hz, finer)
    assert needed <= formulas.motor_acceleration_mm_s2(reached, jerk_max, frequency_hz, tick_s) * (1 + 1e-9)


def test_motors_do_need_what_is_said() -> None:
    """An acceleration that dips and rises again at full jerk needs nearly the bound: the bound is no mere fear."""
    tick_s, jerk_max, finer, frequency_hz = 0.004, 60_000.0, 8, 10.0
    signs = [1.0] * 10 + [-1.0] * 3 + [1.0] * 3 + [-1.0] * 10
    jerk = np.repeat(signs, finer) * jerk_max
    needed = motor_acceleration(jerk, tick_s, 2 * pi * frequency_hz, finer)
    bound = formulas.motor_acceleration_mm_s2(10 * tick_s * jerk_max, jerk_max, frequency_hz, tick_s)
    assert 0.85 * bound < needed <= bound
    assert formulas.motor_acceleration_mm_s2(600.0, jerk_max, None, tick_s) == 600.0
    assert formulas.jerk_for_motor_mm_s3(bound, 2400.0, frequency_hz, tick_s) == pytest.approx(jerk_max)


def test_numbers_of_an_axis_by_hand(machine_data: dict[str, Any]) -> None:
    """The shipped machine with a 10 Hz belt: every number worked out by hand.

    Stretch 2000 / (20 pi)^2 = 0.50661 mm; swing at the quick stop of 5000: 2 x 1.26651 = 2.53303, with 0.25 mm play
    2.78303. Lag 200 mm/s x (8 + 2) ms = 2 mm. Play 2 sqrt(0.25 / 5000) = 14.142 ms. Jerk 2000/250000 = 8 ms. Dots:
    sqrt(2000 x 2) = 63.2456 mm/s, sqrt(2000 x 5) = 100, a turn of 2 pi 5 mm in 314.159 ms. Motor 2000 + (4/3)
    250000 / 0.004 / (20 pi)^2 = 2000 + 21108.6.
    """
    put(machine_data, "axes.x.belt", {"position_mm": [0.0, 3400.0], "frequency_hz": [14.0, 10.0]})
    put(machine_data, "axes.x.latency_ms", 2.0)
    numbers = machine_numbers(machine_from(machine_data, FILE))
    x, y = numbers.axes
    assert x.stretch_mm == pytest.approx(0.50661, abs=1e-5)
    assert x.overrun_mm == pytest.approx(2.78303, abs=1e-4)
    assert x.lag_mm == pytest.approx(2.0)
    assert x.take_up_ms == pytest.approx(14.1421, abs=1e-3)
    assert x.motor_acceleration_mm_s2 == pytest.approx(23_108.6, abs=0.1)
    assert (y.stretch_mm, y.overrun_mm, y.motor_acceleration_mm_s2) == (None, 0.25, 2000.0)
    assert numbers.jerk_ms == pytest.approx(8.0)
    assert [dot.speed_mm_s for dot in numbers.dots] == pytest.approx([63.2456, 100.0], abs=1e-3)
    assert numbers.dots[1].turn_ms == pytest.approx(314.159, abs=1e-3)


def test_dots_are_no_faster_than_painting(machine_data: dict[str, Any]) -> None:
    """Where acceleration would allow more, the paint speed holds."""
    put(machine_data, "motion.paint_speed_mm_s", 70.0)
    numbers = machine_numbers(machine_from(machine_data, FILE))
    assert [dot.speed_mm_s for dot in numbers.dots] == pytest.approx([63.2456, 70.0], abs=1e-3)


def test_latency_lengthens_a_stop(machine_data: dict[str, Any]) -> None:
    """A command that acts 10 ms late runs on at 600 mm/s for 6 mm more, by the guard and by the drive alone."""
    before = machine_from(machine_data, FILE)
    put(machine_data, "axes.y.latency_ms", 10.0)
    after = machine_from(machine_data, FILE)
    assert stop_bound_mm(after, "y", 600.0) - stop_bound_mm(before, "y", 600.0) == pytest.approx(6.0)
    alone = [drive_stop_bound_mm(machine, "y", 600.0) for machine in (before, after)]
    assert alone[0] is not None
    assert alone[1] is not None
    assert alone[1] - alone[0] == pytest.approx(6.0)
    assert stop_bound_mm(after, "x", 600.0) == stop_bound_mm(before, "x", 600.0)


def test_canvas_on_the_axes(machine_data: dict[str, Any]) -> None:
    """Squareness of 2 mm/m: x from 200 - 0.002 x 2050 = 195.9 to 3200 - 0.002 x 150 = 3199.7; y as it hangs."""
    put(machine_data, "geometry.squareness_mm_m", 2.0)
    x, y = machine_numbers(machine_from(machine_data, FILE)).axes
    assert x.canvas_mm == pytest.approx((195.9, 3199.7))
    assert y.canvas_mm == pytest.approx((150.0, 2050.0))


WARNED: list[tuple[dict[str, object], str, str]] = [
    # 2000 / (2 pi 15)^2 = 0.2252 mm; x 0.44 = 0.0991: silent at 15 Hz, told at 14.
    (
        {"axes.y.belt": {"position_mm": [0.0], "frequency_hz": [14.0]}},
        "axes.y.belt.frequency_hz",
        "0.258 mm at motion.acceleration_mm_s2",
    ),
    (
        {"axes.y.belt": {"position_mm": [0.0], "frequency_hz": [16.0]}},
        "axes.y.acceleration_max_mm_s2",
        # 3/4 x (5000 - 2000) x 0.004 x (2 pi 16)^2 = 90 960 mm/s^3
        "motion.jerk_mm_s3 of at most 9.1e+04 fits",
    ),
    (
        {
            "axes.y.belt": {"position_mm": [0.0], "frequency_hz": [16.0]},
            "motion.acceleration_mm_s2": 4999.0,
        },
        "axes.y.acceleration_max_mm_s2",
        "lower motion.acceleration_mm_s2 and jerk_mm_s3",
    ),
    ({"pen.lean_mm": [0.0, 0.6]}, "pen.lean_mm", "0.6 mm along y"),
    ({"motion.jerk_mm_s3": 600_000.0}, "motion.jerk_mm_s3", "less than a tick"),
    (
        {"axes.x.length_table": {"position_mm": [300.0, 3300.0], "error_mm": [0.0, 1.0]}},
        "axes.x.length_table.position_mm",
        "from 300 to 3300 mm, the canvas needs 200 to 3199",
    ),
    (
        {"geometry.sag": {"position_mm": [0.0, 3000.0], "drop_mm": [0.0, 1.0]}},
        "geometry.sag.position_mm",
        "the canvas needs 200 to 3200",
    ),
    (  # from +8 to -8 mm a metre: 200 mm/s x 0.016 / 0.004 s = 800 mm/s^2, more than a quarter of 2000
        {
            "axes.y.length_table": {
                "position_mm": [0.0, 1000.0, 2000.0, 2100.0],
                "error_mm": [0.0, 8.0, 0.0, 0.0],
            }
        },
        "axes.y.length_table",
        "bends by 16 mm a metre at 1000 mm, a jolt of 800 mm/s^2",
    ),
    (
        {"axes.x.play_table": {"position_mm": [0.0], "play_mm": [0.3]}},
        "axes.x.play_mm",
        "0.25 mm is not used",
    ),
]


@pytest.mark.parametrize(("changes", "where", "words"), WARNED, ids=[one[1] for one in WARNED])
def test_warned_of(machine_data: dict[str, Any], changes: dict[str, object], where: str, words: str) -> None:
    """Beyond reason but not impossible: the file loads and the warning names field and number."""
    for path, value in changes.items():
        put(machine_data, path, value)
    assert words in warnings_of(machine_data)[where]


def test_not_warned_of_within_reason(machine_data: dict[str, Any]) -> None:
    """Tables that span the canvas, a single place, a belt that is stiff enough for a gentle jerk: silence."""
    belt = {"position_mm": [0.0], "frequency_hz": [15.0], "damping": 0.05}
    put(machine_data, "axes.x.belt", belt)
    put(machine_data, "axes.y.belt", belt)
    put(machine_data, "motion.jerk_mm_s3", 10_000.0)
    put(machine_data, "axes.x.length_table", {"position_mm": [0.0, 3400.0], "error_mm": [0.0, 1.0]})
    put(machine_data, "axes.y.length_table", {"position_mm": [900.0], "error_mm": [0.2]})
    put(machine_data, "geometry.sag", {"position_mm": [100.0, 3300.0], "drop_mm": [0.0, 2.0]})
    put(machine_data, "axes.x.play_table", {"position_mm": [0.0], "play_mm": [0.3]})
    put(machine_data, "axes.x.play_mm", 0.0)
    put(machine_data, "pen.lean_mm", [0.5, 0.5])
    assert warnings_of(machine_data) == {}
