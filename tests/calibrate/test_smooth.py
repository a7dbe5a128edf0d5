"""Readings by place as one smooth line: what it finds, how sure it says to be, and when there is none."""

from __future__ import annotations

import numpy as np
import pytest

from controller.calibrate.smooth import smooth, spread_of

PLACES = np.linspace(200.0, 3200.0, 13)
SPREAD = 0.07


def test_a_straight_line_is_found_and_its_interval_holds() -> None:
    """A share of 0.1 % under noise of 0.07 mm: first degree in nearly all of 200 tables; the slope's scatter is the
    closed form of least squares, s / sqrt(sum (x - mean)^2); the far end lies within its 95 % interval in 90 to 99 of
    100."""
    chance, slopes, held = np.random.default_rng(3), [], []
    wanted = 1e-3 * (PLACES - PLACES[0])
    about = np.eye(len(PLACES))[-1:] - np.eye(len(PLACES))[:1]
    for _ in range(200):
        line = smooth(PLACES, wanted + chance.normal(0.0, SPREAD, len(PLACES)), SPREAD, degree_max=3)
        if line is None or line.degree != 1:
            continue
        slopes.append(line.slopes[0])
        held.append(abs(line.values[-1] - line.values[0] - 3.0) <= line.half_width(about))
    assert len(slopes) > 150
    closed = SPREAD / np.sqrt(np.sum((PLACES - PLACES.mean()) ** 2))
    assert float(np.std(slopes)) == pytest.approx(closed, rel=0.2)
    assert float(np.mean(slopes)) == pytest.approx(1e-3, abs=4.0 * closed / np.sqrt(len(slopes)))
    assert 0.90 <= float(np.mean(held)) <= 0.99


def test_a_bend_takes_a_higher_degree_and_its_slopes_are_those_of_the_ends() -> None:
    """A parabola of 2 mm that stands clear of the noise: second degree, end slopes -4 s / l and 4 s / l."""
    u = (PLACES - PLACES[0]) / np.ptp(PLACES)
    line = smooth(PLACES, 2.0 * (1.0 - 4.0 * u * (1.0 - u)), SPREAD, degree_max=5)
    assert line is not None
    assert line.degree == 2
    slope = 4.0 * 2.0 / float(np.ptp(PLACES))
    assert line.slopes == pytest.approx((-slope, slope), rel=1e-6)


def test_a_step_is_no_smooth_line() -> None:
    """Two guides that do not meet, 1.2 mm apart: no line is taken. Nor from five places."""
    step = np.where(PLACES > 1500.0, 1.2, 0.0)
    assert smooth(PLACES, step, SPREAD, degree_max=3) is None
    assert smooth(PLACES[:5], np.zeros(5), SPREAD, degree_max=3) is None


def test_the_spread_is_that_of_repeated_readings_and_never_below_the_scale() -> None:
    """Two readings 0.4 mm apart at each place: s = 0.4 / sqrt 2, of the mean 0.2. Readings all alike: the scale's
    0.25 / sqrt 12, the standard deviation of what is spread evenly over a mark."""
    assert spread_of([[0.0, 0.4]] * 6, 0.25) == pytest.approx(0.2)
    assert spread_of([[1.0, 1.0, 1.0]] * 6, 0.25) == pytest.approx(0.25 / np.sqrt(12.0))
    assert spread_of([[1.0]] * 6, 0.25) == pytest.approx(0.5 / np.sqrt(12.0))
