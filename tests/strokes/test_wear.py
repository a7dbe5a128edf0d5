"""Worn tips: the measured curve, and dots that stay equal."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.strokes.build import dot_path_mm, dot_strokes, dot_widths_mm
from controller.strokes.flat import flat_paths
from controller.strokes.wear import WearCurve, wear_curve, widths_in_turn_mm

LIFE = WearCurve((0.0, 40.0, 90.0, 120.0), (0.8, 0.95, 1.15, 1.3))
"""A tip's life: 0.8 mm when new, 1.3 mm after 120 m."""


@given(
    st.lists(st.floats(0.01, 50.0), min_size=2, max_size=8),
    st.lists(st.floats(0.0, 0.5), min_size=2, max_size=8),
)
@settings(max_examples=60, deadline=None)
def test_a_tip_that_only_wears_never_gets_narrower(steps: list[float], growth: list[float]) -> None:
    """Through every measured pair, rising in between, never beyond what was measured, constant outside."""
    count = min(len(steps), len(growth))
    metres, widths = np.cumsum(steps[:count]), 0.5 + np.cumsum(growth[:count])
    curve = wear_curve(list(metres), list(widths))
    np.testing.assert_allclose(curve.width_mm(metres), widths, rtol=1e-12)
    between = curve.width_mm(np.linspace(0.0, metres[-1] * 1.2, 400))
    assert (np.diff(between) >= -1e-12).all()
    assert between.min() >= widths[0] - 1e-12
    assert between.max() <= widths[-1] + 1e-12


@pytest.mark.parametrize(
    ("metres", "widths"),
    [((), ()), ((0.0, 0.0), (1.0, 1.1)), ((0.0, 5.0), (1.0,)), ((0.0, 5.0), (1.0, 0.0)), ((-1.0,), (1.0,))],
)
def test_bad_tables_are_refused(metres: tuple[float, ...], widths: tuple[float, ...]) -> None:
    """Tables that are empty, do not rise, do not fit or have no width are refused."""
    with pytest.raises(ValueError, match="expected"):
        WearCurve(metres, widths)


def test_equal_dots_stay_equal() -> None:
    """From the first dot of a tip's life to its last, what is painted changes by at most 0.05 mm; without, by 0.5.

    What a dot measures: twice the distance of its path from its centre plus the tip's true width at that moment.
    """
    count = 6200
    diameters = np.full(count, 4.0)
    width = dot_widths_mm(diameters, LIFE, 0.8, 0.02)
    centres = np.column_stack([5.0 * np.arange(count), np.zeros(count)])
    strokes = dot_strokes(centres, diameters, np.zeros(count, np.int32), ("e",), width, 0.8, 0.02)
    metres = np.concatenate([[0.0], np.cumsum(strokes.lengths_mm())]) / 1000.0
    assert 110.0 < metres[-1] < LIFE.measured_to_m
    true = np.interp(metres, np.linspace(0, 120, 4001), LIFE.width_mm(np.linspace(0, 120, 4001)))
    owner = np.repeat(np.arange(count), np.diff(strokes.offsets))
    reach = np.zeros(count)
    np.maximum.at(reach, owner, np.hypot(*(strokes.points_mm - centres[owner]).T))
    begun, ended = 2 * reach + true[:-1], 2 * reach + true[1:]
    assert max(begun.max(), ended.max()) - min(begun.min(), ended.min()) <= 0.05
    assert np.abs(begun - 4.0).max() <= 0.025

    plain = dot_path_mm(4.0, 0.8, 0.64, 0.02)
    unmended = 2 * np.hypot(*plain.T).max() + true
    assert unmended.max() - unmended.min() > 0.45
    # Widths in whole steps: 6200 dots share a few dozen paths.
    assert len(np.unique(width)) <= 26


def test_widths_follow_the_metres_that_they_cause() -> None:
    """Each width is the curve's at the metres that the dots before it truly take."""
    rng = np.random.default_rng(5)
    diameters = rng.choice([3.0, 5.0, 8.0], 500)
    width = dot_widths_mm(diameters, LIFE, 0.8, 0.02, begin_m=20.0)
    lengths = [
        np.hypot(*np.diff(dot_path_mm(d, w, 0.8 * w, 0.02), axis=0).T).sum()
        for d, w in zip(diameters, width, strict=True)
    ]
    before = 20.0 + np.concatenate([[0.0], np.cumsum(lengths)[:-1]]) / 1000.0
    np.testing.assert_allclose(width, LIFE.width_mm(before), atol=0.01 + 1e-9)


def test_no_strokes_no_widths() -> None:
    """Nothing to paint has no widths."""
    assert widths_in_turn_mm(LIFE, lambda _: np.empty(0), 0).shape == (0,)


@pytest.mark.parametrize("style", ["contour", "hatch"])
def test_a_flat_follows_its_tip(style: str) -> None:
    """Painted with the width as it is at each moment, an area is covered and nothing lies beyond its edge.

    The tip widens from 4 to 5 mm over the area's own 20 m. The first ring has the new tip's inset; later lines lie
    farther apart.
    """
    area = shapely.box(0, 0, 300, 200)
    curve = WearCurve((0.0, 20.0), (4.0, 5.0))
    paths = flat_paths(area, curve.from_metres(0.0), style=style)
    parts = []
    metres = 0.0
    for index in range(len(paths)):
        points = paths.path_mm(index)
        along = metres + np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))]) / 1000.0
        metres = along[-1]
        widths = curve.width_mm((along[1:] + along[:-1]) / 2)
        legs = shapely.linestrings(np.stack([points[:-1], points[1:]], axis=1))
        parts.append(shapely.union_all(shapely.buffer(legs, widths / 2, quad_segs=16)))
    painted = shapely.union_all(parts)
    opening = area.buffer(-2.0).buffer(2.0)
    assert painted.intersection(opening).area / opening.area >= 0.999
    # The ring along the edge is a metre long; the tip widens by 0.05 mm on it.
    assert painted.difference(area.buffer(0.05)).area < 1e-6
    constant = flat_paths(area, 4.0, style=style)
    assert paths.lengths_mm().sum() < 0.95 * constant.lengths_mm().sum()
