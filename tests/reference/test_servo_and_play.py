"""The forward model against handbook formulas and the theory of the play operator.

Sources: the lag of a servo axis e = v / Kv from Mechanical Engineers' Handbook vol. 2, chapter on controller design,
eq. 6; the circle's radius under a first-order lag in closed form, checked against scipy.signal.lsim. The play operator
after Krasnosel'skii and Pokrovskii, Systems with Hysteresis (from memory). The belt's swing against scipy.signal.lsim.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import TransferFunction, lsim

from controller.motion.chain import AxisModel, Chain, head_from_motor_mm, simulate_mm

TICK_S = 0.0005


@pytest.mark.parametrize(
    ("radius", "speed", "gain", "lag_mm", "shrink_mm"),
    [
        (100.0, 100.0, 20.0, 5.0, 0.124766),
        (50.0, 100.0, 30.0, 3.3333, 0.110742),
        (10.0, 50.0, 20.0, 2.5, 0.298575),
        (1.0, 20.0, 30.0, 0.6667, 0.167950),
        (500.0, 300.0, 15.0, 20.0, 0.399521),
    ],
)
def test_servo_lag(radius: float, speed: float, gain: float, lag_mm: float, shrink_mm: float) -> None:
    """A loop of gain Kv trails a line by v / Kv and draws a circle of R / sqrt(1 + (v / (R Kv))^2)."""
    axis = AxisModel(lag_s=1.0 / gain)
    k = np.arange(1, int(16.0 / gain / TICK_S))[:, None]
    line = speed * TICK_S * k
    _, motor = simulate_mm([axis], line, TICK_S, [0.0], [1.0], 1)
    assert line[-1, 0] - motor[-1, 0] == pytest.approx(lag_mm, abs=1e-4)
    turns = np.arange(0.0, 2.0 * np.pi + 16.0 * speed / gain / radius, speed * TICK_S / radius)
    circle = radius * np.stack([np.cos(turns) - 1.0, np.sin(turns)], axis=-1)
    _, motor = simulate_mm([axis, axis], circle, TICK_S, [0.0, 0.0], [1.0, 1.0], 1)
    settled = motor[int(16.0 / gain / TICK_S) :] + np.array([radius, 0.0])
    assert radius - np.hypot(*settled.T).mean() == pytest.approx(shrink_mm, abs=1e-4)


@pytest.mark.parametrize(
    ("speed", "angle_deg", "gain_x", "gain_y", "contour_mm"),
    [(100.0, 45.0, 20.0, 21.0, 0.119048), (200.0, 30.0, 20.0, 25.0, 0.866025)],
)
def test_unequal_gains_leave_the_line(
    speed: float, angle_deg: float, gain_x: float, gain_y: float, contour_mm: float
) -> None:
    """On a line at an angle two gains cost v/2 sin 2a |1/Kx - 1/Ky|, which the inverse chain takes away."""
    axes = [AxisModel(lag_s=1.0 / gain_x), AxisModel(lag_s=1.0 / gain_y)]
    angle = np.deg2rad(angle_deg)
    along = np.array([np.cos(angle), np.sin(angle)])
    way = speed * TICK_S * np.arange(1, 2000)
    _, motor = simulate_mm(axes, way[:, None] * along, TICK_S, [0.0, 0.0], [1.0, 1.0], 1)
    assert abs(motor[-1] @ np.array([-along[1], along[0]])) == pytest.approx(contour_mm, abs=1e-4)
    ramp = np.minimum(np.arange(1, 2001) / 400.0, 1.0) * speed * TICK_S
    way = np.cumsum(np.concatenate([ramp, ramp[:400][::-1], np.zeros(200)]))
    chain = Chain(axes, TICK_S, (0.0, 0.0), (1.0, 1.0))
    out = chain.commands_mm(way[:, None] * along)
    _, motor = simulate_mm(axes, out, TICK_S, [0.0, 0.0], [1.0, 1.0], 1)
    assert np.abs(motor @ np.array([-along[1], along[0]])).max() <= 1e-3


def test_a_lag_loses_nothing() -> None:
    """A first-order lag of the velocity ends at the sum of v h exactly, once it has settled."""
    velocity = np.concatenate([np.random.default_rng(1).uniform(-200, 200, 300), np.zeros(2000)])
    commands = np.cumsum(velocity * TICK_S)[:, None]
    _, motor = simulate_mm([AxisModel(lag_s=0.02)], commands, TICK_S, [0.0], [1.0], 1)
    assert motor[-1, 0] == pytest.approx(commands[-1, 0], abs=1e-9)


PLAY = AxisModel(play_mm=(1.0,))
MOTOR = np.array([0, 1, 2, 3, 2.5, 2, 1, 0, -1, -0.5, 0, 0.5, 3, 0], dtype=np.float64)
HEAD = np.array([0, 0.5, 1.5, 2.5, 2.5, 2.5, 1.5, 0.5, -0.5, -0.5, -0.5, 0, 2.5, 0.5])


def test_play_operator_values() -> None:
    """w = max(u - r, min(u + r, w)) with r = 0.5 along a sequence worked out by hand, at any rate."""
    for rate in (1, 7, 50):
        at = np.arange((len(MOTOR) - 1) * rate + 1)
        motor = np.interp(at / rate, np.arange(len(MOTOR)), MOTOR)
        found = head_from_motor_mm([PLAY], motor[:, None], 0.01, [0.0])
        np.testing.assert_allclose(found[::rate, 0], HEAD, rtol=0, atol=1e-12)


def test_play_loop_of_a_sine() -> None:
    """A sine of amplitude A through half a gap r: amplitude A - r and loop area 4 r (A - r)."""
    amplitude, half = 10.0, 0.25
    phase = np.linspace(0.0, 4.0 * np.pi, 40_001)
    motor = amplitude * np.sin(phase)
    found = head_from_motor_mm([AxisModel(play_mm=(2 * half,))], motor[:, None], 1e-3, [0.0])[:, 0]
    settled = slice(20_000, None)
    assert found[settled].max() == pytest.approx(9.75, abs=1e-6)
    assert found[settled].min() == pytest.approx(-9.75, abs=1e-6)
    area = abs(np.trapezoid(found[settled], motor[settled]))
    assert area == pytest.approx(4 * half * (amplitude - half), abs=1e-5)


@pytest.mark.parametrize("damping", [0.02, 0.05, 0.4])
def test_belt_swings_as_in_scipy(damping: float) -> None:
    """A motion of the motor through lag and belt, against scipy's linear simulation of both at once."""
    hz, lag = 9.0, 0.008
    axis = AxisModel(lag_s=lag, belt_position_mm=(0.0,), belt_hz=(hz,), belt_damping=damping)
    tick = 0.004
    velocity = np.concatenate(
        [np.linspace(0, 150, 40), np.full(60, 150.0), np.linspace(150, 0, 25), np.zeros(100)]
    )
    commands = np.append(0.0, np.cumsum(velocity * tick))
    steps = 20
    head, _ = simulate_mm([axis], commands[1:, None], tick, [0.0], [1.0], steps)
    t = np.arange(len(velocity) * steps + 1) * tick / steps
    omega = 2.0 * np.pi * hz
    belt = np.array([2 * damping * omega, omega**2])
    whole = TransferFunction(belt, np.polymul([lag, 1.0], [1.0, *belt]))
    _, wanted, _ = lsim(whole, np.interp(t, np.arange(len(commands)) * tick, commands), t)
    np.testing.assert_allclose(head[:, 0], wanted[1:], rtol=0, atol=2e-4)


def test_latency_shifts_and_nothing_else() -> None:
    """A latency of 3.3 ticks puts the same motion 3.3 ticks later, between the steps of the simulation too."""
    tick, steps = 0.004, 20
    commands = np.cumsum(np.concatenate([np.linspace(0, 100, 30), np.zeros(40)]) * tick)[:, None]
    _, early = simulate_mm([AxisModel(lag_s=0.01)], commands, tick, [0.0], [1.0], steps)
    _, late = simulate_mm([AxisModel(lag_s=0.01, latency_s=3.3 * tick)], commands, tick, [0.0], [1.0], steps)
    np.testing.assert_allclose(late[66:], early[:-66], rtol=0, atol=1e-9)
    _, odd = simulate_mm([AxisModel(lag_s=0.01, latency_s=3.33 * tick)], commands, tick, [0.0], [1.0], steps)
    at = np.arange(len(early))
    shifted = np.interp(at - 66.6, at, early[:, 0], left=0.0)
    assert np.abs(odd[:, 0] - shifted).max() <= 1e-3
