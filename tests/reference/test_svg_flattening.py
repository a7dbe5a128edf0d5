"""Chord counts of flattened curves against handbook bounds."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from scipy.interpolate import BPoly

from controller.artwork.flatten import SegmentTable, arc_steps, cubic_steps
from controller.artwork.pathdata import read_path
from controller.artwork.units import IDENTITY


@pytest.mark.parametrize(
    ("radius", "tolerance", "chords"),
    [
        (0.5, 0.01, 16),
        (1, 0.01, 23),
        (10, 0.01, 71),
        (100, 0.01, 223),
        (100, 0.05, 100),
        (1000, 0.05, 315),
        (2000, 0.1, 315),
    ],
)
def test_chords_of_a_circle(radius: float, tolerance: float, chords: int) -> None:
    """Sagitta e = R (1 - cos(pi/n)): the error holds, and no more than 1.1 times the least count is spent."""
    steps = int(arc_steps(np.array([radius], dtype=float), np.array([math.tau]), tolerance)[0])
    assert radius * (1 - math.cos(math.pi / steps)) <= tolerance * (1 + 1e-9)
    assert chords <= steps <= 1.1 * chords


def flatten(data: str, tolerance: float) -> np.ndarray:
    table = SegmentTable()
    table.begin(0, IDENTITY)
    read_path(data, table)
    return table.flatten(tolerance).points


@pytest.mark.parametrize(
    ("data", "control", "tolerance", "chords", "error"),
    [
        ("M0,0C30,60 70,60 100,0", [(0, 0), (30, 60), (70, 60), (100, 0)], 0.1, 22, 0.092749),
        ("M0,0C30,60 70,60 100,0", [(0, 0), (30, 60), (70, 60), (100, 0)], 0.01, 68, 0.009729),
        ("M0,0Q50,100 100,0", [(0, 0), (50, 100), (100, 0)], 0.1, 23, 0.094518),
        ("M0,0C100,100 0,100 100,0", [(0, 0), (100, 100), (0, 100), (100, 0)], 0.1, 41, 0.0446),
    ],
)
def test_second_difference_bound(
    data: str, control: list[tuple[float, float]], tolerance: float, chords: int, error: float
) -> None:
    """n = ceil sqrt(d (d-1)/8 M/e) (Wang 1984, from memory; bound and true errors checked numerically)."""
    polyline = flatten(data, tolerance)
    curve = BPoly(np.array(control, dtype=float)[:, None, :], [0.0, 1.0])(np.linspace(0, 1, 100_001))
    true = float(shapely.distance(shapely.points(curve), shapely.LineString(polyline)).max())
    assert len(polyline) - 1 == chords
    assert true == pytest.approx(error, abs=1e-4)
    assert true <= tolerance


def test_bound_of_the_handbook_cubic() -> None:
    """M = 60.827625 for (0,0)(30,60)(70,60)(100,0): the count follows for any tolerance."""
    control = np.array([[(0, 0), (30, 60), (70, 60), (100, 0)]], dtype=float)
    for tolerance in (1.0, 0.3, 0.07, 0.002):
        assert int(cubic_steps(control, tolerance)[0]) == math.ceil(math.sqrt(0.75 * 60.827625 / tolerance))
