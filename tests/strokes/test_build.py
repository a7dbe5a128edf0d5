"""Shapes become strokes: kinds, order of the drawing, equal dots."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.artwork.model import InkShapes
from controller.config.job import Ink
from controller.strokes import StrokeKind, StrokeSet, travel_mm
from controller.strokes.build import build_strokes, dot_path_mm

INK = Ink(name="k", group="k", colour="#000000", tip_mm=2.0)


def make_shapes(centres: np.ndarray, diameters: np.ndarray) -> InkShapes:
    """Two outlines, elements 0 and 3, and dots that share elements 1, 2, 4, 5, ..."""
    element = [1, 2, *range(4, 2 + len(centres))][: len(centres)]
    return InkShapes(
        np.array([[0, 0], [5, 0], [0, 0], [4, 0], [4, 4], [0, 0]], dtype=float),
        np.array([0, 2, 6]),
        np.array([False, True]),
        np.array([0, 3], dtype=np.int32),
        centres,
        diameters,
        np.array(element, dtype=np.int32),
        tuple(f"e{index}" for index in range(len(centres) + 4)),
        0.02,
    )


def test_kinds_in_the_drawings_order() -> None:
    """Open outlines are LINE, closed ones LOOP, circles DOT, in the order of the drawing's elements."""
    shapes = make_shapes(np.array([[50.0, 50.0], [60.0, 50.0], [70.0, 50.0]]), np.array([8.0, 8.0, 12.0]))
    strokes = build_strokes(shapes, INK)
    assert strokes.element.tolist() == [0, 1, 2, 3, 4]
    assert strokes.kind.tolist() == [
        StrokeKind.LINE,
        StrokeKind.DOT,
        StrokeKind.DOT,
        StrokeKind.LOOP,
        StrokeKind.DOT,
    ]
    np.testing.assert_array_equal(strokes.stroke_mm(3)[0], strokes.stroke_mm(3)[-1])
    assert strokes.element_ids == shapes.element_ids


def test_equal_dots_are_equal() -> None:
    """Thousands of dots of one diameter are one path in thousands of places, to 1e-9 mm."""
    rng = np.random.default_rng(1)
    centres = rng.uniform(0, 3000, (2000, 2))
    # Equal but for the last bits, as diameters come out of a chain of transforms.
    diameters = np.where(np.arange(2000) % 2 == 0, 8.0, 11.0) * (1 + rng.uniform(-1, 1, 2000) * 1e-14)
    strokes = build_strokes(make_shapes(centres, diameters), INK)
    dots = strokes.take(np.flatnonzero(strokes.kind == StrokeKind.DOT))
    for index in range(2000):
        template = dot_path_mm(8.0 if index % 2 == 0 else 11.0, 2.0, 1.6, 0.02)
        np.testing.assert_allclose(dots.stroke_mm(index) - centres[index], template, atol=1e-9, rtol=0)


def test_a_dots_ring_closes_before_the_spiral() -> None:
    """The ring comes first and is whole: its start is passed again before the path leaves it."""
    path = dot_path_mm(12.0, 2.0, 1.6, 0.02)
    radius = np.hypot(*path.T)
    again = np.flatnonzero((path == path[0]).all(axis=1))
    assert len(again) == 2
    np.testing.assert_allclose(radius[: again[1] + 1], radius[0], rtol=1e-12)
    assert (np.diff(radius[again[1] :]) < 0).all()
    assert radius[-1] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("diameter", [0.5, 2.0, 3.0, 4.0, 8.0, 16.0, 40.0])
def test_dots_turn_gently(diameter: float) -> None:
    """No turn in a dot's path is sharp enough to be taken for a corner (20 degrees, the machine's default)."""
    legs = np.diff(dot_path_mm(diameter, 2.0, 1.6, 0.02), axis=0)
    turn = np.degrees(
        np.abs(
            np.arctan2(
                legs[:-1, 0] * legs[1:, 1] - legs[:-1, 1] * legs[1:, 0], (legs[:-1] * legs[1:]).sum(axis=1)
            )
        )
    )
    # Towards the very centre an Archimedean spiral turns ever faster; the last half pitch is left out.
    outside = np.hypot(*dot_path_mm(diameter, 2.0, 1.6, 0.02)[1:-1].T) > 0.8
    assert turn[outside | (diameter <= 4.0)].max() < 20.0


def test_nothing_gives_nothing() -> None:
    """An ink without shapes has an empty set of strokes of the right shapes, with no way to travel."""
    empty = InkShapes(
        np.empty((0, 2)),
        np.array([0]),
        np.empty(0, dtype=bool),
        np.empty(0, dtype=np.int32),
        np.empty((0, 2)),
        np.empty(0),
        np.empty(0, dtype=np.int32),
        (),
        0.02,
    )
    strokes = build_strokes(empty, INK)
    assert len(strokes) == 0
    assert strokes.lengths_mm().shape == (0,)
    assert travel_mm(strokes, (3.0, 4.0)) == 0.0


def test_lengths_bounds_and_travel() -> None:
    """Lengths of strokes, the box around them and the way with the pen up, by hand (3-4-5 triangles)."""
    strokes = StrokeSet(
        np.array([[3, 4], [6, 8], [9, 12], [9, 12], [12, 16]], dtype=float),
        np.array([0, 3, 5]),
        np.zeros(2, dtype=np.uint8),
        np.zeros(2, dtype=np.int32),
        ("a",),
    )
    np.testing.assert_allclose(strokes.lengths_mm(), [10, 5])
    assert strokes.bounds_mm() == (3, 4, 12, 16)
    assert travel_mm(strokes, (0.0, 0.0)) == pytest.approx(5)
    backwards = strokes.reversed_where(np.array([True, False]))
    np.testing.assert_array_equal(backwards.points_mm, [[9, 12], [6, 8], [3, 4], [9, 12], [12, 16]])
    assert travel_mm(backwards, (0.0, 0.0)) == pytest.approx(15 + 10)


def test_saved_strokes_come_back(tmp_path: Path) -> None:
    """A set of strokes written to a file and read again is the same, array by array."""
    strokes = build_strokes(make_shapes(np.array([[5.0, 5.0]]), np.array([4.0])), INK)
    strokes.save(tmp_path / "strokes.npz")
    again = StrokeSet.load(tmp_path / "strokes.npz")
    for name in ("points_mm", "offsets", "kind", "element"):
        np.testing.assert_array_equal(getattr(again, name), getattr(strokes, name))
        assert getattr(again, name).dtype == getattr(strokes, name).dtype
    assert again.element_ids == strokes.element_ids
