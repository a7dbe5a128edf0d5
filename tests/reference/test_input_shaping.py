"""Input shapers against their published formulas and an oscillator simulated by scipy.

Source: N. C. Singer, W. P. Seering, Preshaping Command Inputs to Reduce System Vibration, J. Dynamic Systems,
Measurement, and Control 112 (1990), from memory; the numbers were worked out from the formulas.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.signal import lsim

from controller.motion.scurve import rest_to_rest
from controller.motion.shaping import (
    residual,
    shaped_along_mm,
    shaped_move_mm,
    shaper,
    trapezoid_residual_mm,
)

TABLE = [
    (5.0, 0.0, (0.5, 0.5), 0.100000, (0.309017, 0.156434, 0.0, 0.156434, 0.309017)),
    (5.0, 0.05, (0.539238, 0.460762), 0.100125, (0.289655, 0.145480, 0.0, 0.143209, 0.280686)),
    (8.0, 0.02, (0.515706, 0.484294), 0.062513, (0.301259, 0.152028, 0.0, 0.151076, 0.297497)),
]


@pytest.mark.parametrize(("frequency", "damping", "amplitudes", "delay", "left"), TABLE)
def test_zv_amplitudes_delay_and_residual(frequency, damping, amplitudes, delay, left):
    """K = exp(-zeta pi / sqrt(1 - zeta^2)); impulses 1 : K half a damped period apart; residual at 0.8 ... 1.2 f."""
    impulses = shaper("zv", frequency, damping)
    assert impulses[0] == pytest.approx(amplitudes, abs=1e-6)
    assert impulses[1] == pytest.approx([0.0, delay], abs=1e-6)
    share = np.array([0.8, 0.9, 1.0, 1.1, 1.2])
    assert residual(impulses, share * frequency, damping) == pytest.approx(left, abs=1e-6)


@pytest.mark.parametrize("damping", [0.0, 0.05])
def test_zvd_is_zv_twice(damping):
    """ZVD is ZV applied to itself: impulses 1 : 2K : K^2, one damped period long, and the square of the residual."""
    once, twice = shaper("zv", 7.0, damping), shaper("zvd", 7.0, damping)
    assert twice[0] == pytest.approx(np.convolve(once[0], once[0]), rel=1e-12)
    assert twice[1] == pytest.approx(once[1][1] * np.arange(3), rel=1e-12)
    frequencies = np.linspace(4.0, 10.0, 25)
    np.testing.assert_allclose(
        residual(twice, frequencies, damping), residual(once, frequencies, damping) ** 2, atol=1e-12
    )


def test_undamped_zv_leaves_a_cosine():
    """Without damping ZV leaves |cos(pi w / 2 w0)|."""
    share = np.linspace(0.2, 3.0, 57)
    np.testing.assert_allclose(
        residual(shaper("zv", 5.0), 5.0 * share), np.abs(np.cos(0.5 * np.pi * share)), atol=1e-12
    )


@pytest.mark.parametrize(("kind", "width"), [("zv", 0.063689), ("zvd", 0.287133)])
def test_width_of_the_five_per_cent_band(kind, width):
    """The band of frequencies with at most 5 % left is 6.4 % of f wide for ZV and 28.7 % for ZVD, undamped."""
    impulses = shaper(kind, 1.0)

    def excess(f):
        return float(residual(impulses, f)) - 0.05

    assert brentq(excess, 1.0, 1.5) - brentq(excess, 0.5, 1.0) == pytest.approx(width, abs=2e-6)


def ringing_mm(place, time, frequency, damping=0.0, after=0.0):
    """Amplitude that an oscillator driven through its spring and damper keeps after the move (scipy's lsim)."""
    omega = 2 * np.pi * frequency
    # Observer form: no derivative of the input is needed.
    system = (
        np.array([[-2 * damping * omega, 1.0], [-(omega**2), 0.0]]),
        np.array([[2 * damping * omega], [omega**2]]),
        np.array([[1.0, 0.0]]),
        np.array([[0.0]]),
    )
    _, head, _ = lsim(system, place, time)
    rate = np.gradient(head, time, edge_order=2)
    end = int(np.searchsorted(time, after)) + 2
    return math.hypot(head[end] - place[-1], rate[end] / omega)


def test_unshaped_trapezoid_rings_as_the_formula_says():
    """v 200 mm/s, ramps 0.15 s, cruise 0.5 s, 5 Hz: 2.701898 mm by formula and by simulation; none at t_a = k / f."""
    assert trapezoid_residual_mm(200.0 / 0.15, 0.15, 0.5, 5.0) == pytest.approx(2.701898, abs=1e-6)
    assert trapezoid_residual_mm(1000.0, np.array([0.2, 0.4]), 0.5, 5.0) == pytest.approx([0, 0], abs=1e-12)
    move = rest_to_rest(200.0 * 0.65, 200.0, 200.0 / 0.15)
    time = np.linspace(0.0, 1.5, 30_001)
    assert ringing_mm(move.at(time)[0], time, 5.0, after=float(move.duration_s)) == pytest.approx(
        2.701898, abs=2e-3
    )


@pytest.mark.parametrize("kind", ["zv", "zvd"])
@pytest.mark.parametrize("damping", [0.0, 0.05])
def test_a_shaped_move_leaves_the_belt_at_rest(kind, damping):
    """Simulated at 0.1 ms: 1 m with jerk limit on a 5 Hz belt rings by over 1 mm bare, by under 1 um shaped."""
    move = rest_to_rest(1000.0, 360.0, 1200.0, 30_000.0)
    impulses = shaper(kind, 5.0, damping)
    time = np.linspace(0.0, 5.0, 50_001)
    bare = ringing_mm(move.at(time)[0], time, 5.0, damping, float(move.duration_s))
    end = float(move.duration_s + impulses[1][-1])
    shaped = ringing_mm(shaped_along_mm(move, impulses, time), time, 5.0, damping, end)
    assert bare > 1.0
    assert shaped < 1e-3


def test_a_wrong_frequency_leaves_the_share_that_the_formula_says():
    """A belt 10 % stiffer than believed keeps 15.6 % of the bare ringing under ZV (its own formula), by simulation."""
    move = rest_to_rest(700.0, 280.0, 1000.0)
    time = np.linspace(0.0, 5.0, 50_001)
    impulses = shaper("zv", 5.0)
    bare = ringing_mm(move.at(time)[0], time, 5.5, after=float(move.duration_s))
    end = float(move.duration_s + impulses[1][-1])
    shaped = ringing_mm(shaped_along_mm(move, impulses, time), time, 5.5, after=end)
    assert shaped / bare == pytest.approx(0.156434, rel=0.01)


@pytest.mark.parametrize("frequencies", [(5.0, 5.0), (4.0, 9.0)])
def test_shaped_moves_in_ticks_keep_the_limits_and_end_on_their_target(frequencies):
    """Differences of the boundaries stay within V, A and J on each axis; the last one is the target exactly."""
    speed, acceleration, jerk, tick_s = 400.0, 1000.0, 30_000.0, 0.004
    start, target = np.array([100.0, 50.0]), np.array([700.0, 310.0])
    shapers = (shaper("zv", frequencies[0], 0.05), shaper("zvd", frequencies[1]))
    if frequencies[0] == frequencies[1]:
        shapers = (shapers[0], shapers[0])
    positions = shaped_move_mm(start, target, speed, acceleration, jerk, tick_s, shapers)
    assert positions[-1].tolist() == target.tolist()
    duration = float(rest_to_rest(np.hypot(600, 260), speed, acceleration, jerk).duration_s)
    tail = max(float(delays[-1]) for _, delays in shapers)
    assert 0.0 <= len(positions) * tick_s - duration - tail < tick_s
    padded = np.concatenate([np.tile(start, (4, 1)), positions, np.tile(target, (4, 1))])
    for order, limit in ((1, speed), (2, acceleration), (3, jerk)):
        assert np.hypot(*(np.diff(padded, order, axis=0) / tick_s**order).T).max() <= limit * (1 + 1e-6)
    if frequencies[0] == frequencies[1]:
        away = (positions - start) @ np.array([-260.0, 600.0]) / np.hypot(600, 260)
        assert np.abs(away).max() < 1e-9


def test_what_is_no_shaper_is_refused():
    """Unknown kinds, frequencies of 0 and dampings of 1 raise; "none" is one impulse."""
    assert [each.tolist() for each in shaper("none", 0.0)] == [[1.0], [0.0]]
    with pytest.raises(ValueError, match="none, zv, zvd"):
        shaper("zvdd", 5.0)
    with pytest.raises(ValueError, match="frequency above 0"):
        shaper("zv", 0.0)
    with pytest.raises(ValueError, match="damping"):
        shaper("zv", 5.0, 1.0)
