"""Figures of ISO 230-2 and straightness of lines against worked numbers and closed forms.

The standard's text was not read; definitions are from memory. The worked deviations were made up for this test and
their figures computed by hand from the definitions, so they check arithmetic, not the definitions.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from controller.register.positioning import distance_apart_mm, off_line, positioning, straightness

UP = [[1, 3, 2, 2, 2], [4, 6, 5, 5, 5], [8, 9, 10, 9, 9]]
DOWN = [[-5, -2, -5, -4, -4], [-3, -3, -3, -3, -3], [1, 2, 3, 3, 1]]


def test_worked_deviations() -> None:
    """All figures of the worked deviations (um), to the printed digits."""
    found = positioning([0, 100, 200], UP, DOWN)
    near = pytest.approx
    assert found.mean_up_mm == near([2, 5, 9])
    assert found.mean_down_mm == near([-4, -3, 2])
    assert found.reversal_i_mm == near([6, 8, 7])
    assert found.reversal_mm == near(8)
    assert found.mean_reversal_mm == near(7)
    assert found.s_up_mm == near([0.707107] * 3, abs=1e-6)
    assert found.s_down_mm == near([1.224745, 0, 1], abs=1e-6)
    assert found.repeatability_i_mm == near([9.863703, 9.414214, 10.414214], abs=1e-6)
    assert found.repeatability_mm == near(10.414214, abs=1e-6)
    assert found.repeatability_up_mm == near(2.828427, abs=1e-6)
    assert found.repeatability_down_mm == near(4.898979, abs=1e-6)
    assert found.mean_bidirectional_mm == near(6.5)
    assert found.systematic_mm == near(13)
    assert found.accuracy_mm == near(16.863703, abs=1e-6)
    # One way, by the same definitions: E is 9 - 2 and 2 - -4; A adds 2 s at the outer targets.
    assert found.systematic_up_mm == near(7)
    assert found.systematic_down_mm == near(6)
    assert found.accuracy_up_mm == near(7 + 4 * 0.7071068, abs=1e-6)
    assert found.accuracy_down_mm == near((2 + 2 * 1) - (-4 - 2 * 1.2247449), abs=1e-6)


def test_reversal_keeps_its_sign() -> None:
    """B is the reversal value of largest modulus with its own sign, B-bar their mean."""
    found = positioning([0, 1], [[0.0, 0.0], [1.0, 1.0]], [[3.0, 3.0], [0.0, 0.0]])
    assert found.reversal_mm == -3.0
    assert found.mean_reversal_mm == -1.0


@pytest.mark.parametrize(
    ("targets", "up", "down", "why"),
    [
        ([0, 1], [[1, 2]], [[1, 2]], "2 targets"),
        ([0], [[1, 2]], [[1, 2, 3]], "both sides"),
        ([0], [[1]], [[1]], "two approaches"),
        ([0], [[1, np.nan]], [[1, 1]], "finite"),
        ([], np.empty((0, 3)), np.empty((0, 3)), "0 targets"),
    ],
)
def test_bad_deviations_are_refused(targets, up, down, why: str) -> None:
    """Nothing is made up for readings that are missing."""
    with pytest.raises(ValueError, match=why):
        positioning(targets, up, down)


SOME = arrays.arrays(np.float64, (4, 5), elements=st.floats(-2, 2, width=32))


@given(SOME, SOME, st.floats(-5, 5), st.floats(0.1, 10))
def test_laws_of_positioning(up, down, shift: float, scale: float) -> None:
    """A common offset changes no figure, a scale scales all; A holds E, E holds every |B_i| and M, R holds |B|."""
    targets = np.arange(4.0)
    a, b = positioning(targets, up, down), positioning(targets, scale * up + shift, scale * down + shift)
    names = ("reversal", "mean_reversal", "repeatability", "systematic", "mean_bidirectional", "accuracy")
    for name in names:
        wanted = scale * getattr(a, f"{name}_mm")
        if name == "reversal":  # of two of one modulus rounding may choose the other
            assert abs(b.reversal_mm) == pytest.approx(abs(wanted), abs=1e-9)
        else:
            assert getattr(b, f"{name}_mm") == pytest.approx(wanted, abs=1e-9)
    assert a.accuracy_mm >= a.systematic_mm - 1e-12
    assert a.systematic_mm >= a.mean_bidirectional_mm - 1e-12
    assert a.systematic_mm >= np.abs(a.reversal_i_mm).max() - 1e-12
    assert a.repeatability_mm >= abs(a.reversal_mm) - 1e-12


def test_straightness_of_a_bow() -> None:
    """A parabola of height h: both straightness deviations are h, in closed form.

    The least-squares line of a symmetric bow is parallel to the chord, so both ranges are h; a straight line tilted
    any way has none.
    """
    x = np.linspace(0, 1000, 2001)
    bow = np.column_stack([x, 0.4 * 4 * (x / 1000) * (1 - x / 1000)])
    found = straightness(bow)
    assert found.end_point_range_mm == pytest.approx(0.4, abs=1e-9)
    assert found.least_squares_range_mm == pytest.approx(0.4, abs=1e-6)
    assert found.end_point_mm.max() == pytest.approx(0.4)  # y down: bowed to the right of the way along x
    turned = np.column_stack([x * np.cos(0.7), x * np.sin(0.7)])
    assert straightness(turned).least_squares_range_mm < 1e-9
    assert straightness(turned).end_point_range_mm < 1e-9


def test_least_squares_against_polyfit() -> None:
    """On a nearly level line the perpendicular fit agrees with numpy's ordinary fit to second order."""
    x = np.linspace(0, 500, 400)
    y = 0.05 * np.sin(x / 37) + 0.02 * (x / 500) ** 3
    rest = y - np.polyval(np.polyfit(x, y, 1), x)
    assert straightness(np.column_stack([x, y])).least_squares_range_mm == pytest.approx(
        np.ptp(rest), abs=1e-6
    )


@given(st.floats(-np.pi, np.pi), st.integers(0, 2**32 - 1))
def test_straightness_does_not_depend_on_the_frame(angle: float, seed: int) -> None:
    """Turning and moving a path changes nothing; the least squared sum is never beaten by the end-point line."""
    noise = np.random.default_rng(seed).normal(0, 0.1, 100)
    path = np.column_stack([np.linspace(0, 300, 100), noise])
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    a, b = straightness(path), straightness(path @ turn.T + [12.0, -5.0])
    assert b.least_squares_mm == pytest.approx(a.least_squares_mm, abs=1e-9)
    assert b.end_point_mm == pytest.approx(a.end_point_mm, abs=1e-9)
    assert np.sum(a.least_squares_mm**2) <= np.sum(a.end_point_mm**2) + 1e-12


def test_there_and_back_apart_by_play() -> None:
    """A line at 30 degrees through play p in y only: there and back lie p cos 30 apart, whatever the tilt's sign."""
    t = np.linspace(0, 200, 500)[:, None]
    ahead = np.array([np.cos(np.pi / 6), np.sin(np.pi / 6)])
    there, back = t * ahead - [0, 0.1], t[::-1] * ahead + [0, 0.1]
    apart = distance_apart_mm(there, back, [0, 0], 200 * ahead)
    assert apart == pytest.approx(0.2 * np.cos(np.pi / 6), abs=1e-9)
    along, side = off_line([[10, 0], [10, 3]], [0, 0], [20, 0])
    assert (along.tolist(), side.tolist()) == ([10, 10], [0, 3])


def test_no_line_is_refused() -> None:
    """A path without two ends has no straightness."""
    for points in ([[0, 0], [1, 1]], [[0, 0], [1, 1], [0, 0]]):
        with pytest.raises(ValueError, match="expected"):
            straightness(points)
