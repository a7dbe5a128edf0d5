"""Where loops begin: at extremes of an axis, the cheaper the fewer reversals they leave inside the stroke."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.strokes import StrokeKind, StrokeSet
from controller.strokes.order import order_strokes
from controller.strokes.starts import CORNER_WORTH_MM, REVERSAL_WORTH_MM, possible_starts


def loops(*outlines: object) -> StrokeSet:
    """A StrokeSet of closed outlines from vertex lists without the closing vertex."""
    closed = [np.vstack([outline, np.asarray(outline)[:1]]).astype(np.float64) for outline in outlines]
    offsets = np.concatenate([[0], np.cumsum([len(one) for one in closed])]).astype(np.int64)
    size = len(closed)
    return StrokeSet(
        np.concatenate(closed),
        offsets,
        np.full(size, StrokeKind.LOOP, dtype=np.uint8),
        np.arange(size, dtype=np.int32),
        tuple(f"loop-{index}" for index in range(size)),
    )


def wobbly(seed: int, count: int = 300) -> np.ndarray:
    """A round outline with a few bays."""
    random = np.random.default_rng(seed)
    angle = np.arange(count) / count * 2 * np.pi + random.uniform(0, 1)
    radius = 30 + sum(random.uniform(-4, 4) * np.cos(k * angle + random.uniform(0, 6)) for k in range(2, 6))
    return radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def reversals(stroke: np.ndarray) -> int:
    """How often the axes turn round inside an open stroke, by walking along it."""
    found = 0
    for axis in range(2):
        signs = np.sign(np.diff(stroke[:, axis]))
        signs = signs[signs != 0]
        found += int((signs[1:] != signs[:-1]).sum())
    return found


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_every_place_saves_a_reversal(seed: int) -> None:
    """Begun at any place offered, a smooth loop has one reversal less inside than when begun anywhere else.

    The four global extremes are among them.
    """
    outline = wobbly(seed)
    places = possible_starts(loops(outline))
    for vertex in places.vertex.tolist():
        assert reversals(loops(np.roll(outline, -vertex, axis=0)).stroke_mm(0)) % 2 == 1
    offered = {tuple(place) for place in places.place_mm.tolist()}
    for axis in range(2):
        assert tuple(outline[np.argmin(outline[:, axis])]) in offered
        assert tuple(outline[np.argmax(outline[:, axis])]) in offered
    other = (places.vertex[0] + 5) % len(outline)
    if other not in places.vertex:
        assert reversals(loops(np.roll(outline, -other, axis=0)).stroke_mm(0)) % 2 == 0


def test_corners_shared_by_both_axes_cost_nothing() -> None:
    """An upright rectangle begins at a corner: there both axes turn; the middle of a side saves one axis only."""
    rectangle = [[0, 0], [20, 0], [40, 0], [40, 30], [0, 30]]
    places = possible_starts(loops(rectangle))
    assert places.vertex.tolist() == [0, 1, 2, 3, 4]
    assert places.price_mm.tolist() == [0, REVERSAL_WORTH_MM + CORNER_WORTH_MM, 0, 0, 0]


def test_ripples_of_flattening_are_no_extremes() -> None:
    """A side that wavers by 0.01 mm offers its ends and what lies level with them, nothing between."""
    x = np.linspace(0, 40, 41)
    side = np.stack([x, 0.01 * np.where(np.arange(41) % 2, 1.0, 0.2)], axis=1)
    side[[0, -1], 1] = 0.0
    places = possible_starts(loops(np.vstack([side, [[40, 30], [0, 30]]])))
    inner = places.place_mm[(places.place_mm[:, 0] > 0.5) & (places.place_mm[:, 0] < 39.5)]
    assert len(inner) == 0


def test_the_nearest_place_is_taken() -> None:
    """A circle approached from the left begins at its left, one approached from below at its bottom."""
    angle = np.arange(120) / 120 * 2 * np.pi + 0.4
    circle = 10 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    for far in ([-200.0, 0.0], [0.0, 200.0], [200.0, 0.0], [0.0, -200.0]):
        ordered = order_strokes(loops(circle), (far[0], far[1]))
        begun = ordered.stroke_mm(0)[0]
        assert np.hypot(*(begun - np.array(far) / 20)) < 0.5
        np.testing.assert_array_equal(begun, ordered.stroke_mm(0)[-1])


def test_lines_and_dots_begin_where_they_begin() -> None:
    """Open lines and dots have no other start; a set without loops offers none."""
    strokes = loops(wobbly(1), wobbly(2))
    for kind in (StrokeKind.LINE, StrokeKind.DOT):
        other = StrokeSet(
            strokes.points_mm,
            strokes.offsets,
            np.full(2, kind, dtype=np.uint8),
            strokes.element,
            strokes.element_ids,
        )
        assert len(possible_starts(other).loop) == 0
