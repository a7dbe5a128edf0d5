"""Laws of the closed S-curve: never beyond a limit, never faster than ruckig, exact at its ends."""

from __future__ import annotations

import math

import numpy as np
import pytest
import ruckig
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.motion.scurve import general_s, rest_to_rest, speed_change_s

LIMIT = st.floats(-2.0, 4.0).map(lambda power: 10.0**power)
JERK = st.floats(1.0, 6.0).map(lambda power: 10.0**power)


def ruckig_s(distance, speed, acceleration, jerk, begin=0.0, end=0.0):
    """Duration by ruckig, another code by another method."""
    request = ruckig.InputParameter(1)
    request.current_position, request.target_position = [0.0], [distance]
    request.current_velocity, request.target_velocity = [begin], [end]
    request.max_velocity, request.max_acceleration, request.max_jerk = [speed], [acceleration], [jerk]
    answer = ruckig.Trajectory(1)
    assert ruckig.Ruckig(1).calculate(request, answer) == ruckig.Result.Working
    return answer.duration


@settings(max_examples=300, deadline=None)
@given(
    distance=st.floats(-4.0, 4.0).map(lambda power: 10.0**power),
    speed=st.floats(0.0, 3.5).map(lambda power: 10.0**power),
    acceleration=st.floats(1.0, 4.5).map(lambda power: 10.0**power),
    jerk=st.floats(2.0, 7.0).map(lambda power: 10.0**power),
)
def test_every_move_takes_the_time_that_ruckig_finds(distance, speed, acceleration, jerk):
    """From 0.1 um to 10 m, under any mixture of limits, to 1e-6: neither slower nor faster."""
    ours = float(rest_to_rest(distance, speed, acceleration, jerk).duration_s)
    assert ours == pytest.approx(ruckig_s(distance, speed, acceleration, jerk), rel=1e-6)


@settings(max_examples=200, deadline=None)
@given(distance=LIMIT, speed=LIMIT, acceleration=LIMIT, jerk=JERK)
def test_no_limit_is_exceeded_and_the_parts_are_each_others_derivatives(distance, speed, acceleration, jerk):
    """Speed, acceleration and jerk stay within their limits; place is the integral of speed, speed of acceleration."""
    move = rest_to_rest(distance, speed, acceleration, jerk)
    time = np.linspace(0.0, float(move.duration_s), 4001)
    place, rate, change = move.at(time)
    step = time[1]
    assert rate.max() <= speed * (1 + 1e-9)
    assert rate.min() >= 0.0
    assert np.abs(change).max() <= acceleration * (1 + 1e-9)
    assert np.abs(np.diff(change)).max() <= jerk * step * (1 + 1e-6) + 1e-9 * acceleration
    np.testing.assert_allclose(
        np.cumsum(0.5 * (rate[1:] + rate[:-1])) * step,
        place[1:],
        atol=jerk * step**3 * 4001 + 1e-9 * distance,
    )
    np.testing.assert_allclose(
        np.cumsum(0.5 * (change[1:] + change[:-1])) * step, rate[1:], atol=jerk * step**2 * 4 + 1e-9 * speed
    )
    assert place[0] == 0.0
    assert place[-1] == pytest.approx(distance, rel=1e-15)
    assert rate[-1] == pytest.approx(0.0, abs=1e-12 * speed)


@pytest.mark.parametrize("jerk", [1e4, 3e5, math.inf])
def test_moves_of_all_cases_at_once_equal_the_moves_one_by_one(jerk):
    """Arrays of moves are that many moves; each takes its own case."""
    distance = np.array([0.0, 1e-6, 0.5, 20.0, 100.0, 160.0, 1000.0])
    together = rest_to_rest(distance, 400.0, 1000.0, jerk)
    alone = [float(rest_to_rest(each, 400.0, 1000.0, jerk).duration_s) for each in distance]
    assert together.duration_s.tolist() == alone
    assert together.duration_s[0] == 0.0
    assert (np.diff(together.duration_s) > 0.0).all()


def test_before_and_after_the_move_it_rests():
    """Earlier than its beginning a move is at 0, later than its end at the distance."""
    move = rest_to_rest(12.0, 400.0, 1000.0, 1e4)
    place, rate, change = move.at([-1.0, 0.0, 9.0])
    assert place.tolist() == [0.0, 0.0, 12.0]
    assert rate.tolist() == [0.0, 0.0, 0.0]
    assert np.abs(change).tolist() == [0.0, 0.0, 0.0]


@pytest.mark.parametrize("bad", [(-1.0, 1.0, 1.0, 1.0), (1.0, 0.0, 1.0, 1.0), (1.0, 1.0, math.nan, 1.0)])
def test_numbers_out_of_range_are_refused(bad):
    """A negative distance or a limit that is not above 0 raises."""
    with pytest.raises(ValueError, match="limits above 0"):
        rest_to_rest(*bad)


@settings(max_examples=200, deadline=None)
@given(
    begin=st.floats(0.0, 400.0),
    end=st.floats(0.0, 400.0),
    spare=st.floats(0.001, 500.0),
    acceleration=st.floats(100.0, 4000.0),
    jerk=st.floats(1000.0, 200_000.0),
)
def test_moves_between_speeds_take_the_time_that_ruckig_finds(begin, end, spare, acceleration, jerk):
    """With room for the change of speed, moves that neither begin nor end at rest agree to 1e-6."""
    time = float(speed_change_s(begin, end, acceleration, jerk))
    distance = 0.5 * (begin + end) * time + spare
    ours = float(general_s(distance, begin, end, 400.0, acceleration, jerk))
    assert ours == pytest.approx(ruckig_s(distance, 400.0, acceleration, jerk, begin, end), rel=1e-6)


def test_a_move_without_room_for_its_change_of_speed_is_not_a_number():
    """From 200 mm/s to rest within 10 mm at 1000 mm/s2 one has to come back: no time is given."""
    assert math.isnan(float(general_s(10.0, 200.0, 0.0, 400.0, 1000.0, 1e4)))
