"""Colours against published values.

Sharma, Wu & Dalal, "The CIEDE2000 color-difference formula: implementation notes, supplementary test data, and
mathematical observations", Color Research & Application 30 (2005) 21-30, table 1: all 34 pairs
(tests/reference/data/sharma34.txt: L, a, b of both, difference). sRGB to CIELAB: values of scikit-image 0.25 and
colour-science 0.4, whose matrices and white points are rounded differently.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.strokes.colour import difference, lab_of, lab_of_rgb

PAIRS = np.loadtxt(Path(__file__).parent / "data" / "sharma34.txt")


def test_all_34_pairs() -> None:
    """Every pair of the table, in both directions, to 1e-4 (the table has four decimals)."""
    assert PAIRS.shape == (34, 7)
    one, other, expected = PAIRS[:, :3], PAIRS[:, 3:6], PAIRS[:, 6]
    assert np.abs(difference(one, other) - expected).max() < 1e-4
    assert np.abs(difference(other, one) - expected).max() < 1e-4


def test_a_table_of_all_against_all_has_the_pairs_on_its_diagonal() -> None:
    """Broadcasting gives each pair the value that it has alone."""
    table = difference(PAIRS[:, None, :3], PAIRS[None, :, 3:6])
    assert np.array_equal(np.diagonal(table), difference(PAIRS[:, :3], PAIRS[:, 3:6]))


@pytest.mark.parametrize(
    ("colour", "first", "second"),
    [
        ("#ff0000", (53.2406, 80.0923, 67.2028), (53.2329, 80.1112, 67.2237)),
        ("#00ff00", (87.7351, -86.1830, 83.1797), (87.7370, -86.1829, 83.1878)),
        ("#0000ff", (32.2957, 79.1856, -107.8573), (32.3026, 79.1981, -107.8504)),
        ("#ffff00", (97.1395, -21.5547, 94.4781), (97.1382, -21.5536, 94.4895)),
        ("#808080", (53.5850, 0.0, 0.0), (53.5850, 0.0, 0.0)),
        ("#f7c59f", (83.0266, 12.7333, 25.8462), (83.0249, 12.7404, 25.8455)),
    ],
)
def test_lab_of_srgb(colour: str, first: tuple[float, ...], second: tuple[float, ...]) -> None:
    """CIELAB under D65 agrees with both libraries within their own spread of 0.03."""
    (lab,) = lab_of([colour])
    assert lab == pytest.approx(first, abs=0.03)
    assert lab == pytest.approx(second, abs=0.03)


def test_red_beside_almost_red() -> None:
    """(255, 0, 0) and (254, 0, 0) differ by 0.20785 (scikit-image 0.25)."""
    assert difference(*lab_of(["#ff0000", "#fe0000"])) == pytest.approx(0.20785, abs=1e-4)


RGB = st.tuples(*[st.integers(0, 255)] * 3)


@given(RGB, RGB)
def test_a_difference_is_symmetric_and_zero_only_for_equal_colours(
    one: tuple[int, ...], other: tuple[int, ...]
) -> None:
    """Law: no direction, never negative, zero between equal colours and only there."""
    a, b = lab_of_rgb(one), lab_of_rgb(other)
    forth, back = difference(a, b), difference(b, a)
    assert forth == pytest.approx(back, abs=1e-9)
    assert (forth == 0.0) == (one == other)
    assert np.isfinite(forth)
