"""Lag and dead time of a velocity loop: against scipy's simulation of known systems, and against simulated gantries."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from controller.calibrate.identify import Samples, fit_loop, loop_of, refuse_poor
from controller.calibrate.values import PoorFit
from controller.config.machine import Machine
from controller.config.places import shipped
from controller.motion.probesteps import LIMIT_SHARE, staircase
from tests.calibrate.idtwins import Axis, drawn, identified

TICK_S, FINER = 0.004, 8
SPEED, ACCELERATION, JERK = 200.0, 2000.0, 250_000.0
REST_TICKS = 75


def simulated(
    system: signal.lti,
    dead_s: float,
    *,
    step_mm: float = 0.0,
    noise_mm: float = 0.0,
    scale: float = 1.0,
    parts: int = 3,
) -> list[Samples]:
    """The staircase through ``system`` (velocity in, position out) by scipy.signal.lsim, read at every tick."""
    way = staircase(SPEED, ACCELERATION, JERK, TICK_S)
    way = np.concatenate([np.zeros(REST_TICKS + 1), way, np.full(100, way[-1])])
    command = np.diff(way) / TICK_S
    fine_s = TICK_S / FINER * np.arange(len(command) * FINER)
    late = np.floor((fine_s - dead_s) / TICK_S + 1e-9).astype(np.int64)
    heard = np.where(late >= 0, command[np.maximum(late, 0)], 0.0)
    _, place, _ = signal.lsim(system, heard, fine_s, interp=False)
    place = scale * np.asarray(place)[::FINER]
    random = np.random.default_rng(11)
    found = []
    instants = TICK_S * np.arange(len(command))
    for number in range(parts):
        sign = 1.0 if number % 2 == 0 else -1.0
        read = sign * place + noise_mm * random.standard_normal(len(place))
        if step_mm:
            read = np.floor(read / step_mm) * step_mm
        found.append(Samples(instants, sign * command, instants[REST_TICKS:], read[REST_TICKS:]))
    return found


def first_order(lag_s: float) -> signal.lti:
    """1 / (s (lag s + 1))."""
    return signal.lti([1.0], [lag_s, 1.0, 0.0])


@pytest.mark.parametrize(("lag_ms", "dead_ms"), [(8.0, 4.0), (3.0, 0.0), (30.0, 2.0), (12.0, 1.5)])
def test_known_systems_are_found(lag_ms: float, dead_ms: float) -> None:
    """First order plus dead time as scipy.signal.lsim simulates it: found to a microsecond where nothing disturbs."""
    found = fit_loop(simulated(first_order(1e-3 * lag_ms), 1e-3 * dead_ms))
    assert found.lag_ms == pytest.approx(lag_ms, abs=1e-3)
    assert found.dead_ms == pytest.approx(dead_ms, abs=1e-3)
    assert found.gain == pytest.approx(1.0, abs=1e-6)
    lag, latency = found.measured("x")
    assert (lag.field, latency.field) == ("axes.x.loop_lag_ms", "axes.x.latency_ms")
    assert float(latency.value) >= 0.0


def test_the_interval_holds_the_truth_through_noise() -> None:
    """An encoder of 10 um and noise of 10 um: within 0.2 ms, and the interval says so and holds it."""
    found = fit_loop(simulated(first_order(8e-3), 4e-3, step_mm=0.01, noise_mm=0.01), 0.01)
    assert abs(found.lag_ms - 8.0) <= found.lag_half_ms < 0.6
    assert abs(found.dead_ms - 4.0) <= found.dead_half_ms < 0.5
    assert found.explained > 0.999


def test_ways_of_being_no_first_order_are_refused() -> None:
    """A loop that swings slowly, one at its limit of acceleration, and one that goes another way than commanded."""
    w, damping = 40.0, 0.2
    with pytest.raises(PoorFit, match="first order with dead time"):
        fit_loop(simulated(signal.lti([w * w], [1.0, 2 * damping * w, w * w, 0.0]), 0.0))
    with pytest.raises(PoorFit, match=r"counts a turn or the velocity's unit.*1\.01"):
        fit_loop(simulated(first_order(8e-3), 2e-3, scale=1.01))


@pytest.mark.parametrize(("bears_mm_s2", "words"), [(1700.0, "limit of acceleration"), (1200.0, "leaves")])
def test_a_motor_at_its_limit_is_refused(bears_mm_s2: float, words: str) -> None:
    """A gantry whose motor bears less than the ramps' 1.8 m/s2: as a dead time below zero, or by what is left over."""
    file = tomllib.loads(shipped("machines/boathouse.toml").read_text())
    file["twin"]["axes"]["x"]["acceleration_max_mm_s2"] = bears_mm_s2
    with pytest.raises(PoorFit, match=words):
        identified(Machine.model_validate(file), "x")


def test_intervals_too_wide_are_refused_with_what_is_known() -> None:
    """Through noise of a third of a millimetre only the sum is known: the intervals say so, also where the best fit
    lies at no lag at all; refused, and the sum told."""
    found = loop_of(simulated(first_order(4e-3), 1e-3, noise_mm=0.3, parts=4))
    assert found.lag_ms < 1.0
    assert abs(found.lag_ms - 4.0) <= found.lag_half_ms
    assert abs(found.dead_ms - 1.0) <= found.dead_half_ms
    assert abs(found.sum_ms - 5.0) <= 1.5 * found.sum_half_ms < 0.5
    with pytest.raises(PoorFit) as refused:
        refuse_poor(replace(found, residual_rms_mm=0.0))
    assert "only the sum is known" in refused.value.got


def test_a_loop_that_swings_a_little_is_taken_for_its_sum() -> None:
    """Second order, 150 rad/s, damping 0.4, behind 2 ms: no lag tells it, but 2 zeta / w + d = 7.33 ms does (its first
    moment, by hand), and what is left is less than the refusal's bound."""
    w, damping = 150.0, 0.4
    system = signal.lti([w * w], [1.0, 2 * damping * w, w * w, 0.0])
    found = fit_loop(simulated(system, 2e-3, step_mm=0.0002), 0.0002)
    assert found.sum_ms == pytest.approx(7.333, abs=0.02)
    assert found.split_mm < 0.02
    assert found.residual_rms_mm < 0.03


def test_readings_that_were_brought_back_widen_the_interval() -> None:
    """Read 2 ms late and brought back by speed, tau^2 comes out less by the square of these: 8 ms as 7.75 (by hand).
    The interval holds 8, and the sum is right."""
    late_s, lag_s, dead_s = 0.002, 0.008, 0.0025
    now = simulated(first_order(lag_s), dead_s)
    ahead = simulated(first_order(lag_s), dead_s - late_s)  # where it is 2 ms later
    brought_back = []
    for one, later in zip(now, ahead, strict=True):
        speed = np.gradient(later.reading_mm, TICK_S)
        brought_back.append(replace(one, reading_mm=later.reading_mm - late_s * speed, drawn_back=True))
    found = fit_loop(brought_back)
    assert found.sum_ms == pytest.approx(10.5, abs=0.02)
    assert found.lag_ms == pytest.approx(7.75, abs=0.03)
    assert 0.2 < 8.0 - found.lag_ms <= found.lag_half_ms < 0.6


def test_too_little_is_refused() -> None:
    """One part, or a speed that does not change, cannot tell lag from dead time."""
    parts = simulated(first_order(8e-3), 2e-3)
    with pytest.raises(PoorFit, match="parts with 200 readings"):
        fit_loop(parts[:1])
    steady = [replace(part, command_mm_s=np.full_like(part.command_mm_s, 100.0)) for part in parts]
    with pytest.raises(PoorFit, match="a speed that changes"):
        fit_loop(steady)


def test_a_reading_of_another_tick_is_left_out() -> None:
    """A few readings that belong to other instants are dropped and counted; many are no test."""
    parts = simulated(first_order(8e-3), 2e-3, step_mm=0.0002)
    shifted = [replace(part, reading_mm=part.reading_mm.copy()) for part in parts]
    shifted[0].reading_mm[100:104] += 0.8
    found = fit_loop(shifted, 0.0002)
    assert found.dropped == 4
    assert found.lag_ms == pytest.approx(8.0, abs=0.01)
    for part in shifted:
        part.reading_mm[::15] += 0.8
    with pytest.raises(PoorFit, match="readings far off"):
        fit_loop(shifted, 0.0002)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_random_gantries(seed: int) -> None:
    """Lag 3 to 30 ms, latency with jitter, coarse encoders, belts and play: within 5 % or 0.1 ms."""
    machine, truth = drawn(seed)
    axis: Axis = "x" if seed % 2 else "y"
    found, true = identified(machine, axis), truth[axis]
    assert abs(found.lag_ms - true.lag_ms) < max(0.05 * true.lag_ms, 0.1)
    assert abs(found.dead_ms - true.latency_ms) < max(0.05 * true.latency_ms, 0.1)
    assert found.sum_half_ms < 0.15


def test_staircase_keeps_its_limits() -> None:
    """From rest to rest, never backwards, and within its shares of speed, acceleration and jerk."""
    way = np.concatenate([[0.0, 0.0, 0.0], staircase(SPEED, ACCELERATION, JERK, 1e-3)])
    speed = np.diff(way) / 1e-3
    acceleration = np.diff(speed) / 1e-3
    assert speed.min() >= -1e-9
    assert speed.max() == pytest.approx(SPEED, rel=1e-3)
    assert np.abs(acceleration).max() <= LIMIT_SHARE * ACCELERATION * (1 + 1e-6)
    assert np.abs(np.diff(acceleration)).max() / 1e-3 <= LIMIT_SHARE * JERK * (1 + 1e-6)
    assert abs(speed[-1]) < 1.0
