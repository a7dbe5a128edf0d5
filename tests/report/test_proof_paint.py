"""Strokes as paint: widths by the metres painted, dots by their kinds, curves as they are driven."""

from __future__ import annotations

import numpy as np
import pytest

from controller.report.proofpaint import STRETCH, constant, driven_mm, pass_paint, whole_bounds
from controller.strokes.build import dot_strokes
from controller.strokes.paths import join_strokes, make_paths, strokes_of
from controller.strokes.strokeset import StrokeSet
from controller.strokes.wear import WearCurve


def lines(*points: np.ndarray) -> StrokeSet:
    """Strokes along these vertices."""
    return strokes_of([make_paths(points)], [0], ("wave",))


def dots(centre_mm: np.ndarray, diameter_mm: float, tip_mm: float = 5.0) -> StrokeSet:
    """Equal dots."""
    count = len(centre_mm)
    element = np.zeros(count, dtype=np.int32)
    return dot_strokes(centre_mm, np.full(count, diameter_mm), element, ("wave",), tip_mm, 0.8, 0.02)


def test_a_flattened_circle_is_driven_round() -> None:
    """The curve through the 36 corners of a circle stays within 0.002 mm of the circle; its chords do not."""
    angle = np.linspace(0.0, 2.0 * np.pi, 37)
    corners = 3.5 * np.column_stack([np.cos(angle), np.sin(angle)])
    corners[-1] = corners[0]
    curve = driven_mm(corners, 0.002)
    middles = (curve[1:] + curve[:-1]) / 2.0
    assert np.abs(np.hypot(*curve.T) - 3.5).max() < 1e-4
    assert np.abs(np.hypot(*middles.T) - 3.5).max() < 0.0021
    chords = (corners[1:] + corners[:-1]) / 2.0
    assert np.abs(np.hypot(*chords.T) - 3.5).max() > 0.01


@pytest.mark.parametrize("begin_m", [0.0, 3.0])
def test_a_stroke_is_as_wide_as_the_worn_tip_at_every_place(begin_m: float) -> None:
    """Straight wear of 0.1 mm a metre: by definition the width at s metres is 4 + 0.1 s, here to steps of 0.02 mm."""
    x = np.linspace(0.0, 5000.0, 1001)
    strokes = lines(np.column_stack([x, np.zeros(1001)]), np.column_stack([x, np.full(1001, 50.0)]))
    curve = WearCurve((0.0, 20.0), (4.0, 6.0))
    paint = pass_paint("teal-1", 0, "#1f7a78", strokes, curve.quantised_mm, begin_m)
    found = paint.stretches
    assert found.count.min() >= 2
    assert found.count.max() <= STRETCH + 1
    whole = 0.0
    for first, count, width in zip(found.first, found.count, found.width_mm, strict=True):
        part = strokes.points_mm[first : first + count]
        whole += float(np.hypot(*np.diff(part, axis=0).T).sum())
        stroke = int(part[0, 1] > 0.0)
        at_m = begin_m + 5.0 * stroke + part[:, 0] / 1000.0
        # Half a step, and what a chord of 5 mm wears.
        assert np.abs(4.0 + 0.1 * at_m - width).max() < 0.01 + 0.001
    assert whole == pytest.approx(10_000.0)
    assert paint.metres == pytest.approx(10.0)
    assert paint.width_mm == pytest.approx((4.0 + 0.1 * begin_m, 5.0 + 0.1 * begin_m))


def test_equal_dots_are_one_kind_and_keep_their_places() -> None:
    """2000 dots of two sizes are two paths; each goes where its dot is, to the micrometre."""
    places = np.random.default_rng(3).uniform(0.0, 3000.0, (2000, 2))
    strokes = join_strokes([dots(places[:1200], 12.0), dots(places[1200:], 8.0)])
    paint = pass_paint("teal-1", 0, "#1f7a78", strokes, constant(5.0))
    assert len(paint.stretches) == 0
    assert sorted(len(kind.place_mm) for kind in paint.dots) == [800, 1200]
    found = []
    for kind in paint.dots:
        middle = (kind.path_mm.min(axis=0) + kind.path_mm.max(axis=0)) / 2.0
        found.append(kind.place_mm + middle)
    order = np.lexsort(places.T)
    middles = np.concatenate(found)
    # The innermost turns make the middle of the box differ from the centre by less than the tolerance.
    assert np.abs(middles[np.lexsort(middles.T)] - places[order]).max() < 0.02


def test_dots_of_a_worn_tip_have_its_width() -> None:
    """A dot that is painted after so many metres has the width that the tip has by then."""
    places = np.column_stack([20.0 * np.arange(300), np.zeros(300)])
    strokes = dots(places, 12.0)
    curve = WearCurve((0.0, 20.0), (4.0, 6.0))
    paint = pass_paint("teal-1", 0, "#1f7a78", strokes, curve.quantised_mm)
    metres = np.cumsum(strokes.lengths_mm()) / 1000.0
    assert len(paint.dots) > 10
    for kind in paint.dots:
        number = np.round(kind.place_mm[:, 0] / 20.0).astype(int)
        assert np.abs(4.0 + 0.1 * metres[np.minimum(number, 299)] - kind.width_mm).max() < 0.02


def test_bounds_hold_all_paint() -> None:
    """A level line of 100 mm, 4 mm wide: its paint reaches 2 mm beyond in all directions."""
    strokes = lines(np.array([[10.0, 20.0], [110.0, 20.0]]))
    paint = pass_paint("teal-1", 0, "#1f7a78", strokes, constant(4.0))
    assert whole_bounds([paint]) == (8.0, 18.0, 112.0, 22.0)
    nothing = strokes.take(np.zeros(0, dtype=np.int64))
    assert whole_bounds([pass_paint("teal-2", 0, "#1f7a78", nothing, constant(4.0))]) is None
