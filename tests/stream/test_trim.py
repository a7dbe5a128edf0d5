"""Expected readings and trim."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from controller.stream.trim import ExpectedReading, LateDebt, Trim, stability_margin

TICK_S = 0.004


@settings(max_examples=40, deadline=None)
@given(
    lag_ms=st.floats(0.5, 40.0),
    latency_ms=st.one_of(st.just(0.0), st.just(4.0), st.just(8.0), st.floats(0.0, 15.0)),
    velocities=st.lists(st.integers(-2_000_000, 2_000_000), min_size=1, max_size=12),
    share=st.floats(0.0, 1.0),
)
def test_expected_reading_is_the_solution_of_the_lag_equation(
    lag_ms: float, latency_ms: float, velocities: list[int], share: float
) -> None:
    """Against an independent integrator (scipy, DOP853): v' = (u(t - d) - v) / tau, p' = v from rest."""
    lag_s, latency_s = lag_ms * 1e-3, latency_ms * 1e-3
    model = ExpectedReading(lag_s, 1.0, TICK_S, latency_s)

    def reading(until_s: float) -> float:
        """Position at ``until_s``, piece by piece between the instants at which commands take effect."""
        state, now_s = np.array([0.0, 0.0]), 0.0
        edges = [latency_s + k * TICK_S for k in range(len(velocities) + 1)]
        for k, edge in enumerate([*edges, until_s + TICK_S]):
            end = min(edge, until_s)
            if end > now_s:
                command = velocities[k - 1] if 1 <= k <= len(velocities) else 0
                solution = solve_ivp(
                    lambda _t, s, u=command: [s[1], (u - s[1]) / lag_s], (now_s, end), state, method="DOP853",
                    rtol=1e-11, atol=1e-9,
                )  # fmt: skip
                state, now_s = solution.y[:, -1], end
        return float(state[0])

    planned = 0.0
    for k, velocity in enumerate(velocities):
        got = planned + model.ahead_counts(velocity, share * TICK_S)
        assert got == pytest.approx(reading((k + share) * TICK_S), abs=1e-3)
        planned += velocity * TICK_S
        model.advance(velocity)
    assert planned - model.behind_counts == pytest.approx(reading(len(velocities) * TICK_S), abs=1e-3)


def test_a_pure_velocity_lag_ends_where_the_commands_end() -> None:
    """Once at rest the expected reading is the sum of velocity x tick, exactly (same as the plan)."""
    model = ExpectedReading(0.008, 1.0, TICK_S)
    generator = np.random.default_rng(0)
    for velocity in generator.integers(-(10**6), 10**6, 5000):
        model.advance(int(velocity))
    for _ in range(200):
        model.advance(0)
    assert model.behind_counts == pytest.approx(0.0, abs=1e-9)


def test_no_lag_is_allowed() -> None:
    """A drive without lag is expected on the plan."""
    model = ExpectedReading(0.0, 2.0, TICK_S)
    assert model.ahead_counts(1000, 0.002) == pytest.approx(4.0)
    model.advance(1000)
    assert model.behind_counts == 0.0


def test_trim_is_gain_times_error_within_its_authority() -> None:
    """Below the limit gain x error in drive units, above it the limit and the flag."""
    trim = Trim(gain_per_s=2.0, authority_mm_s=2.0, counts_per_mm=5400.0, unit_counts_s=1.0)
    assert trim.units(100.0) == 200
    assert not trim.saturated
    assert trim.units(-1e6) == -10_800
    assert trim.saturated
    assert trim.units(0.2) == 0
    assert not trim.saturated
    coarse = Trim(gain_per_s=2.0, authority_mm_s=2.0, counts_per_mm=5400.0, unit_counts_s=100.0)
    assert coarse.units(1000.0) == 20


def closed_loop(gain: float, lag_s: float, seconds: float = 40.0, latency_ticks: int = 0) -> np.ndarray:
    """Errors over time of an axis with this lag, one tick of delay, so many of latency, an initial error of 1000."""
    trim = Trim(gain, 1e9, 5400.0, 1.0)
    position, speed, reading = -1000.0, 0.0, -1000.0
    decay = math.exp(-TICK_S / lag_s)
    errors = []
    commands = [0] * latency_ticks
    for _ in range(round(seconds / TICK_S)):
        commands.append(trim.units(-reading))
        command = commands.pop(0)
        reading = position
        position += command * TICK_S - lag_s * (1 - decay) * (command - speed)
        speed = command + (speed - command) * decay
        errors.append(position)
    return np.array(errors)


@pytest.mark.parametrize("latency_ticks", [0, 1, 3])
@pytest.mark.parametrize("lag_s", [0.002, 0.008, 0.03])
def test_the_bound_of_the_docstring_holds(lag_s: float, latency_ticks: int) -> None:
    """At margin 1 the loop settles with next to no overshoot; far beyond e pi / 2 it runs away."""
    good = 1.0 / (stability_margin(1.0, lag_s, TICK_S, latency_ticks * TICK_S))
    settled = closed_loop(good, lag_s, latency_ticks=latency_ticks)
    assert abs(settled[-1]) <= 1.0
    assert settled.max() <= 50.0
    wild = closed_loop(good * math.e * math.pi / 2 * 4, lag_s, 10.0, latency_ticks)
    assert np.abs(wild[-500:]).max() > 1000.0


def test_the_shipped_gain_is_far_inside_the_bound() -> None:
    """2 / s with 8 ms of lag at a 4 ms tick: margin 0.08."""
    assert stability_margin(2.0, 0.008, TICK_S) == pytest.approx(2.0 * 0.014 * math.e)
    assert stability_margin(2.0, 0.008, TICK_S) < 0.1
    assert stability_margin(2.0, 0.008, TICK_S, 0.002) == pytest.approx(2.0 * 0.016 * math.e)


@settings(max_examples=100, deadline=None)
@given(
    plan=st.lists(st.integers(-200_000, 200_000), min_size=1, max_size=40),
    lateness=st.lists(st.floats(0.0, 5.0), min_size=1, max_size=40),
    most=st.integers(1_000, 100_000),
)
def test_what_lateness_displaced_is_paid_back_to_the_unit(
    plan: list[int], lateness: list[float], most: int
) -> None:
    """Ticks late by any share of a tick: some punctual ticks at rest later an ideal axis is where the plan ends.

    Judged by integrating what was sent over the instants at which it was sent: each velocity acts from its own
    instant to the next one's.
    """
    debt, before, instants, sent = LateDebt(most), 0, [], []
    late = dict(enumerate(lateness))
    rest = math.ceil(sum(2 * 400_000 * max(1.0, share) for share in lateness) / most) + len(plan) + 3
    for tick in range(len(plan) + rest):
        planned = plan[tick] if tick < len(plan) else 0
        # An instant never comes before the one before it: a stall delays all that were due in it.
        instant = max(tick + late.get(tick, 0.0), instants[-1] if instants else 0.0)
        repaid = debt.units()
        assert abs(repaid) <= most
        velocity = planned + repaid
        debt.settle(before, velocity, repaid, instant - tick)
        before = velocity
        instants.append(instant)
        sent.append(velocity)
    moved = float(np.dot(sent[:-1], np.diff(instants)))
    assert moved == pytest.approx(sum(plan), abs=1.0)


@pytest.mark.parametrize("share", [1.0, 1.5, 15.0])
def test_ticks_that_are_all_late_do_not_swing(share: float) -> None:
    """Every tick late by a tick or more: at rest nothing is sent, and the debt is paid once ticks are in time again."""
    debt, before, sent, paid = LateDebt(8_000), 0, [], 0
    for tick in range(200):
        planned = 50_000 if tick < 20 else 0
        late = share if tick >= 10 and tick < 50 else 0.0
        repaid = debt.units()
        velocity = planned + repaid
        debt.settle(before, velocity, repaid, late)
        before = velocity
        sent.append(velocity)
        paid += repaid
    assert set(sent[20:50]) == {0}
    # The axis came to rest ``share`` ticks later than planned.
    assert paid == pytest.approx(-50_000 * share, abs=1.0)


@pytest.mark.parametrize("lag_error", [0.8, 1.0, 1.2])
def test_trim_does_not_hunt_across_the_play(lag_error: float) -> None:
    """With 0.8 mm of play, taken up by the plan at every reversal, and a lag that is 20 % off, the head (play operator
    on the motor: Krasnosel'skii-Pokrovskii, from memory) reverses exactly as often as without a trim: every half
    period, and never while it should rest."""
    counts_per_mm, lag_s, half_gap_mm = 5400.0, 0.008, 0.4
    ticks = np.arange(round(6.0 / TICK_S))
    moving = ticks * TICK_S < 4.0
    wanted_mm = np.where(moving, 5.0 * (1 - np.cos(2 * np.pi * ticks * TICK_S)), 0.0)
    side = np.clip(np.sin(2 * np.pi * ticks * TICK_S + 0.3) * 6.0, -1.0, 1.0)
    side = np.where(moving, side, side[moving][-1])
    units = np.diff(np.rint((wanted_mm + half_gap_mm * side) * counts_per_mm / TICK_S)).astype(int)

    def reversals(gain_per_s: float) -> tuple[int, float, float]:
        true_lag_s = lag_s * lag_error
        decay = math.exp(-TICK_S / true_lag_s)
        trim = Trim(gain_per_s, 2.0, counts_per_mm, 1.0)
        model = ExpectedReading(lag_s, 1.0, TICK_S)
        planned = position = speed = 0.0
        head_mm, path, correction, largest = -half_gap_mm, [], 0, 0.0
        for unit in units:
            expected, reading = planned + model.ahead_counts(0, 0.0), position
            command = int(unit) + correction
            position += command * TICK_S - true_lag_s * (1 - decay) * (command - speed)
            speed = command + (speed - command) * decay
            planned += int(unit) * TICK_S
            model.advance(int(unit))
            correction = trim.units(expected - reading)
            largest = max(largest, abs(correction) / counts_per_mm)
            motor_mm = position / counts_per_mm
            head_mm = max(motor_mm - half_gap_mm, min(motor_mm + half_gap_mm, head_mm))
            path.append(head_mm)
        steps = np.diff(path)
        turns = np.sign(steps[np.abs(steps) > 1e-4])
        at_rest = np.ptp(np.array(path)[round(5.0 / TICK_S) :])
        return int(np.count_nonzero(np.diff(turns))), largest, float(at_rest)

    without, _, _ = reversals(0.0)
    count, largest_mm_s, moved_at_rest_mm = reversals(2.0)
    assert count == without == 7
    assert largest_mm_s < 1.0
    assert moved_at_rest_mm < 1e-3
