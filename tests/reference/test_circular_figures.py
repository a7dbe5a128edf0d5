"""Figures of a circular test against closed forms, and the thinnest annulus against independent searches.

ISO 230-4's text was not read: definitions from memory. The circles are closed forms of what each fault does.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from controller.register.circular import (
    circular_figures,
    least_squares_circle,
    likely_causes,
    minimum_zone,
    radius_at,
    whole_turn,
)

R = 100.0
N = 3600
T = 2 * np.pi * np.arange(N) / N


def circle(angles=T, radius: float = R, centre=(0.0, 0.0)):
    """Points on a circle."""
    return np.column_stack([radius * np.cos(angles), radius * np.sin(angles)]) + centre


def play(points, half_gap):
    """The play operator w = max(u - r, min(u + r, w before)) per axis (Krasnosel'skii and Pokrovskii; from memory)."""
    out = np.array(points)
    for axis in range(2):
        w = out[0, axis]
        for k, u in enumerate(points[:, axis]):
            w = max(u - half_gap[axis], min(u + half_gap[axis], w))
            out[k, axis] = w
    return out


def both_ways(gap, speed_lag=(0.0, 0.0), count: int = N):
    """A turn each way through play (whole gap by axis) and lag (mm behind at full speed), run-up left out."""
    ways = []
    for way in (1, -1):
        angle = way * 2 * np.pi * np.arange(-count, count) / count
        behind = way * np.column_stack([-np.sin(angle), np.cos(angle)]) * speed_lag
        ways.append(play(circle(angle) - behind, np.asarray(gap) / 2)[count:])
    return ways


def test_scale_error_of_one_axis() -> None:
    """Scale error 1e-4 on one axis, R 100: G = 0.010000 (closed form), and the cause is found as 0.1 mm a metre."""
    points = circle() * [1 + 1e-4, 1]
    found = circular_figures(points, points[::-1], (0, 0), R, 100)
    assert found.clockwise.deviation_g_mm == pytest.approx(0.010000, abs=1e-4)
    assert found.both_g_mm == pytest.approx(0.010000, abs=1e-4)
    assert found.causes.scale_difference_mm_m == pytest.approx(0.1, abs=1e-4)
    assert found.hysteresis_h_mm < 1e-9


def test_squareness() -> None:
    """Squareness error 1e-4 rad, R 100: G = 0.010000 (closed form), and the cause is found as 0.1 mm a metre."""
    points = circle()
    points = np.column_stack([points[:, 0] + 1e-4 * points[:, 1], points[:, 1]])
    found = circular_figures(points, points[::-1], (0, 0), R, 100)
    assert found.anticlockwise.deviation_g_mm == pytest.approx(0.010000, abs=1e-4)
    assert found.causes.squareness_mm_m == pytest.approx(0.1, abs=1e-4)
    assert np.abs(found.causes.play_mm).max() < 1e-4


def test_play_of_both_axes() -> None:
    """Backlash 0.1 on both axes, R 100: radii from +0.047727 to -0.050000, G 0.09773, H 0.0955 (closed forms)."""
    one, other = both_ways((0.1, 0.1), count=14400)
    found = circular_figures(one, other, (0, 0), R, 100)
    for way in (found.clockwise, found.anticlockwise):
        assert way.deviation_f_max_mm == pytest.approx(0.047727, abs=1e-4)
        assert way.deviation_f_min_mm == pytest.approx(-0.050000, abs=1e-4)
        assert way.deviation_g_mm == pytest.approx(0.09773, abs=1e-4)
    crossing = np.arccos(1 - 0.1 / R)
    assert found.hysteresis_h_mm == pytest.approx(0.1 * (np.cos(crossing) - np.sin(crossing)), abs=1e-4)
    assert found.hysteresis_h_mm == pytest.approx(0.0955, abs=1e-4)
    assert found.causes.play_mm == pytest.approx([0.1, 0.1], rel=0.05)
    assert abs(found.causes.lag_difference_ms) < 1e-3
    assert found.both_g_mm >= found.clockwise.deviation_g_mm - 1e-9


def test_lag_mismatch() -> None:
    """Lags of 50 and 47.619 ms (Kv 20 and 21 a second) at 100 mm/s on R 100: contour error 0.119048 at 45 degrees.

    Mechanical Engineers' Handbook vol. 2: e = v / Kv, so the error across a 45 degree way is v/2 |1/Kx - 1/Ky|.
    """
    one, other = both_ways((0, 0), (100 / 20, 100 / 21))
    found = circular_figures(one, other, (0, 0), R, 100)
    assert found.causes.lag_difference_ms == pytest.approx(1000 / 20 - 1000 / 21, rel=2e-3)
    assert found.hysteresis_h_mm == pytest.approx(2 * 0.119048, rel=2e-3)
    assert np.abs(found.causes.play_mm).max() < 2e-3


def test_causes_are_told_apart() -> None:
    """Play by axis, scale, squareness, lag, centre and radius put in together come out each within 5 %."""
    ways = both_ways((0.3, 0.1), (0.25, 0.05))
    bent = [
        np.column_stack([1.0002 * p[:, 0] + 3e-4 * p[:, 1], p[:, 1]]) * (1 + 5e-5) + [0.02, -0.03]
        for p in ways
    ]
    found = likely_causes(*bent, (0, 0), R, 100)
    assert found.play_mm == pytest.approx([0.3, 0.1], rel=0.05)
    assert found.scale_difference_mm_m == pytest.approx(0.2, abs=0.02)
    assert found.squareness_mm_m == pytest.approx(0.3, abs=0.02)
    assert found.lag_difference_ms == pytest.approx(2.0, rel=0.05)
    assert found.centre_mm == pytest.approx([0.02, -0.03], abs=2e-3)
    assert found.radius_mm == pytest.approx(R * (1e-4 + 5e-5), abs=2e-3)


def test_mean_radius_is_d() -> None:
    """A circle 0.2 too small about a moved centre: D = -0.2, F sees the centre as well, G sees nothing."""
    points = circle(radius=R - 0.2, centre=(0.05, 0.0))
    found = circular_figures(points, points[::-1], (0, 0), R, 100)
    assert found.mean_d_mm == pytest.approx(-0.2, abs=1e-5)
    assert (found.clockwise.deviation_f_min_mm, found.clockwise.deviation_f_max_mm) == pytest.approx(
        (-0.25, -0.15), abs=1e-5
    )
    assert found.clockwise.deviation_g_mm < 1e-9


def search(points) -> float:
    """The least separation that a direct search over the centre finds (scipy, Nelder and Mead), from several starts."""

    def separation(centre) -> float:
        return float(np.ptp(np.hypot(*(points - centre).T)))

    start = least_squares_circle(points).centre_mm
    size = least_squares_circle(points).separation_mm
    options = {"xatol": 1e-11, "fatol": 1e-13, "maxiter": 4000}
    starts = start + size * np.array([[0, 0], [1, 0.5]])
    return min(
        float(
            minimize(
                separation, at, method="Nelder-Mead",
                options={**options, "initial_simplex": at + 0.3 * size * np.array([[0, 0], [1, 0], [0, 1]])},
            ).fun
        )
        for at in starts
    )  # fmt: skip


def holds(points, zone) -> bool:
    """Whether outer and inner contacts alternate round the centre, as the thinnest annulus must have them.

    (Exchange criterion of Chebyshev approximation: at least four contacts, outer and inner in turn; from memory.)
    """
    away = points - zone.centre_mm
    radii = np.hypot(*away.T)
    slack = 1e-7 * zone.separation_mm + 1e-12 * zone.radius_mm
    outer, inner = radii >= zone.outer_mm - slack, radii <= zone.inner_mm + slack
    touching = np.flatnonzero(outer | inner)
    order = touching[np.argsort(np.arctan2(away[touching, 1], away[touching, 0]))]
    kinds = outer[order]
    return int(np.count_nonzero(kinds != np.roll(kinds, 1))) >= 4


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(1e-4, 0.05), st.integers(8, 300), st.floats(1, 500))
def test_thinnest_annulus(seed: int, noise: float, count: int, radius: float) -> None:
    """No search beats it, contacts alternate, all points lie inside, and the least-squares range is never smaller."""
    make = np.random.default_rng(seed)
    angles = np.sort(make.uniform(0, 2 * np.pi, count))
    wave = noise * np.sin(3 * angles + make.uniform(0, 6)) + make.normal(0, noise / 3, count)
    points = circle(angles, radius * (1 + wave), make.uniform(-1000, 1000, 2))
    zone = minimum_zone(points)
    fit = least_squares_circle(points)
    assert zone.separation_mm <= search(points) + 1e-9 * radius
    assert holds(points, zone)
    radii = np.hypot(*(points - zone.centre_mm).T)
    assert radii.min() >= zone.inner_mm - 1e-12 * radius
    assert radii.max() <= zone.outer_mm + 1e-12 * radius
    assert fit.separation_mm >= zone.separation_mm - 1e-12 * radius


def test_annulus_against_smallest_holding_circle() -> None:
    """The outer circle is never smaller than shapely's smallest holding circle, nor the annulus wider than about it."""
    make = np.random.default_rng(7)
    for _ in range(20):
        points = circle(radius=R + make.normal(0, 0.05, N))[::10]
        zone = minimum_zone(points)
        smallest = shapely.minimum_bounding_circle(shapely.MultiPoint(points))
        radius = shapely.minimum_bounding_radius(shapely.MultiPoint(points))
        assert zone.outer_mm >= radius - 1e-9
        centre = np.array(smallest.centroid.coords[0])
        assert zone.separation_mm <= np.ptp(np.hypot(*(points - centre).T)) + 1e-9


@given(st.floats(-np.pi, np.pi), st.floats(-500, 500), st.floats(-500, 500))
@settings(max_examples=10, deadline=None)
def test_figures_do_not_depend_on_place(turn: float, x: float, y: float) -> None:
    """Moving both paths with their nominal centre changes nothing; G and H survive any turn of the picture."""
    one, other = both_ways((0.2, 0.1))
    one, other = one[::20], other[::20]
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    at = np.array([x, y])
    a = circular_figures(one, other, (0, 0), R, 100)
    b = circular_figures(one + at, other + at, at, R, 100)
    c = circular_figures(one @ matrix.T, other @ matrix.T, (0, 0), R, 100)
    assert b.hysteresis_h_mm == pytest.approx(a.hysteresis_h_mm, abs=1e-8)
    assert b.causes.play_mm == pytest.approx(a.causes.play_mm, abs=1e-8)
    for moved in (b, c):
        assert moved.both_g_mm == pytest.approx(a.both_g_mm, abs=1e-7)
        assert moved.clockwise.deviation_f_max_mm == pytest.approx(a.clockwise.deviation_f_max_mm, abs=1e-9)
    assert c.hysteresis_h_mm == pytest.approx(
        a.hysteresis_h_mm, abs=2e-3
    )  # the grid of angles is turned under it


@given(st.integers(0, 2**32 - 1), st.floats(0.001, 0.05))
@settings(max_examples=8, deadline=None)
def test_noise_only_widens(seed: int, noise: float) -> None:
    """Noise of sigma on a true circle: F stays within 6 sigma, D within 6 sigma over root n, no cause is big."""
    make = np.random.default_rng(seed)
    ways = [circle() + make.normal(0, noise, (N, 2)) for _ in range(2)]
    found = circular_figures(ways[0], ways[1], (0, 0), R, 100)
    assert found.clockwise.deviation_f_max_mm < 6 * noise
    assert 4 * noise < found.both_g_mm < 12 * noise
    assert abs(found.mean_d_mm) < 6 * noise / np.sqrt(2 * N) + noise**2
    assert np.abs(found.causes.play_mm).max() < 0.3 * noise
    # Straight lines between readings average two of them: between root of 1/2 and all of the noise is left.
    assert 0.68 * noise < found.causes.rest_mm < noise


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("start", [0.3, np.pi / 4, -2.9, 6.0])
def test_whole_turn_cuts_one_turn(way: int, start: float) -> None:
    """From a sweep with run-up and run-out exactly one turn is cut, from the wanted angle to the same place."""
    angle = way * (way * start + np.linspace(-1.2, 2 * np.pi + 0.9, 4000))
    cut = whole_turn(circle(angle, centre=(5, 6)), (5, 6), start, way)
    first, last = cut[0] - [5, 6], cut[-1] - [5, 6]
    # The ends lie on chords between readings, so a hair inside the circle.
    for end in (first, last):
        assert end == pytest.approx([R * np.cos(start), R * np.sin(start)], abs=1e-3)
    steps = np.hypot(*np.diff(cut, axis=0).T)
    assert steps.sum() == pytest.approx(2 * np.pi * R, abs=1e-3)
    with pytest.raises(ValueError, match="whole turn"):
        whole_turn(circle(angle[:3000]), (0, 0), start, way)


def test_bad_points_are_refused() -> None:
    """Half a circle is no turn; a line, one place, two points or not-a-number no circle."""
    half = circle(T[: N // 2])
    with pytest.raises(ValueError, match="gap of 180 degrees"):
        circular_figures(half, circle(), (0, 0), R, 100)
    with pytest.raises(ValueError, match="gap"):
        radius_at(half, (0, 0), [0.0])
    for points, why in (
        ([[0, 0], [1, 1], [2, 2], [3, 3]], "one line"),
        ([[1, 1]] * 5, "one place"),
        ([[0, 0], [1, 1]], "three points"),
        ([[0, 0], [1, 0], [0, np.nan]], "finite"),
    ):
        with pytest.raises(ValueError, match=why):
            least_squares_circle(points)
