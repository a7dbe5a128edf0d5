"""Parts of strokes cut out by their way or by a region, against lengths and intersections of another library."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.strokes.mending import (
    STEP_MM,
    Parts,
    box_region,
    cut_out,
    drawn_region,
    no_parts,
    places_mm,
    regions_of,
    whole_parts,
    within,
)
from controller.strokes.strokeset import StrokeKind, StrokeSet
from tests.strokes.scenes import OCHRE, TEAL, Sheet, circle, rectangle


def strokes_of(*lines: object, kinds: tuple[int, ...] | None = None) -> StrokeSet:
    points = [np.asarray(line, dtype=np.float64) for line in lines]
    kind = kinds if kinds is not None else (StrokeKind.LINE,) * len(points)
    return StrokeSet(
        np.concatenate(points),
        np.concatenate([[0], np.cumsum([len(one) for one in points])]).astype(np.int64),
        np.array(kind, dtype=np.uint8),
        np.zeros(len(points), dtype=np.int32),
        ("a",),
    )


def parts(*rows: tuple[int, float, float]) -> Parts:
    table = np.array(rows, dtype=np.float64)
    return Parts(table[:, 0].astype(np.int64), table[:, 1], table[:, 2])


def test_a_part_begins_and_ends_where_it_is_asked_to() -> None:
    """Along an L of 100 + 50 mm, from 80 to 120: the corner stays in it, the ends lie on the way; whole ones stay."""
    lines = strokes_of([[0, 0], [100, 0], [100, 50]], [[0, 9], [7, 9]])
    found = cut_out(lines, parts((0, 80, 120), (1, 0, 7)))
    assert found.stroke_mm(0).tolist() == [[80, 0], [100, 0], [100, 20]]
    assert found.stroke_mm(1).tolist() == [[0, 9], [7, 9]]
    assert found.lengths_mm() == pytest.approx([40, 7])


def test_a_dot_is_taken_whole_and_once() -> None:
    """Two parts of one dot are one dot; a cut loop is a line."""
    ring = circle(0, 0, 5, 12)
    made = strokes_of(ring, ring + 20, kinds=(StrokeKind.DOT, StrokeKind.LOOP))
    found = cut_out(made, parts((0, 1, 3), (0, 5, 6), (1, 0, 10)))
    assert found.kind.tolist() == [StrokeKind.DOT, StrokeKind.LINE]
    assert np.array_equal(found.stroke_mm(0), ring)
    assert found.lengths_mm()[1] == pytest.approx(10)


def test_no_parts_are_no_strokes() -> None:
    """Nothing asked, nothing cut."""
    assert len(cut_out(strokes_of([[0, 0], [1, 0]]), no_parts())) == 0


@given(
    seed=st.integers(0, 2**32 - 1),
    box=st.tuples(*[st.floats(-60, 160)] * 2, st.floats(5, 90), st.floats(5, 90)),
)
@settings(deadline=None, max_examples=60)
def test_what_lies_inside_is_what_an_intersection_says(
    seed: int, box: tuple[float, float, float, float]
) -> None:
    """Length inside a rectangle by shapely's intersection of line and box, to half a step a crossing."""
    rng = np.random.default_rng(seed)
    lines = [rng.uniform(0, 100, (rng.integers(2, 6), 2)) for _ in range(4)]
    made = strokes_of(*lines)
    x, y, width, height = box
    region = box_region(x, y, x + width, y + height)
    found = within(made, region)
    for row, line in enumerate(lines):
        mine = found.stroke == row
        got = float((found.end_mm - found.begin_mm)[mine].sum())
        # The sum over its straight pieces: an intersection of a whole line counts what runs twice once.
        pieces = [shapely.LineString(line[at : at + 2]) for at in range(len(line) - 1)]
        wanted = sum(shapely.intersection(one, region).length for one in pieces)
        crossings = sum(
            shapely.get_num_coordinates(shapely.intersection(one, region.exterior)) for one in pieces
        )
        assert abs(got - wanted) <= 0.5 * STEP_MM * crossings + 1e-6
        middle = places_mm(made, found.stroke[mine], (found.begin_mm + found.end_mm)[mine] / 2)
        ends = (found.end_mm - found.begin_mm)[mine] > 2 * STEP_MM
        convex = shapely.buffer(region, STEP_MM)
        straight = len(line) == 2
        assert not straight or shapely.contains_xy(convex, *middle[ends].T).all()


def test_a_dot_at_the_edge_of_a_region_is_painted_whole() -> None:
    """Half a dot painted twice would show."""
    ring = circle(0, 0, 5, 60)
    made = strokes_of(ring, kinds=(StrokeKind.DOT,))
    found = cut_out(made, within(made, box_region(0, -10, 10, 10)))
    assert np.array_equal(found.points_mm, ring)
    assert len(within(made, box_region(6, -10, 10, 10))) == 0


def test_whole_strokes_stay_whole_to_the_last_bit() -> None:
    """A loop inside the region stays a loop."""
    ring = circle(0, 0, 31.7, 77)
    made = strokes_of(ring, kinds=(StrokeKind.LOOP,))
    found = cut_out(made, within(made, box_region(-50, -50, 50, 50), whole_parts(made, np.array([0]))))
    assert found.kind.tolist() == [StrokeKind.LOOP]
    assert np.array_equal(found.points_mm, ring)


def test_a_drawn_region_has_holes_and_round_shapes() -> None:
    """A frame with a hole by its outlines, and a disc: their areas by closed form."""
    sheet = Sheet().add(rectangle(0, 0, 100, 100), rectangle(20, 20, 60, 60)[::-1], fill=TEAL)
    assert drawn_region(sheet.drawing()).area == pytest.approx(100**2 - 60**2)
    disc = Sheet().dot(500, 500, 80, OCHRE)
    assert drawn_region(disc.drawing()).area == pytest.approx(np.pi * 40**2, rel=2e-3)


def test_a_region_without_area_is_refused() -> None:
    """A line is no region, nor is a drawing without fills."""
    with pytest.raises(ValueError, match="width and a height"):
        box_region(0, 0, 0, 5)
    with pytest.raises(ValueError, match="an area"):
        regions_of([], [Sheet().add(rectangle(0, 0, 9, 9), stroke=TEAL, width_mm=1.0).drawing()])
