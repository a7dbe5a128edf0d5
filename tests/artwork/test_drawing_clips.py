"""Clip paths cut what CSS Masking 1 says. Areas by hand, worked out from the drawing's own clips with shapely."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from shapely import Point

from controller.artwork.model import Drawing
from controller.config.errors import InputError
from tests.artwork.areas import box, clip_area, seen_fill

Draw = Callable[..., Drawing]

SQUARE = '<rect width="100" height="100" fill="red" clip-path="url(#c)"/>'


def area_of(draw: Draw, clip: str, clipped: str = SQUARE) -> float:
    drawing = draw(clip + clipped, tolerance_mm=1e-4)
    return sum(seen_fill(drawing, row).area for row in range(len(drawing.shapes)))


@pytest.mark.parametrize(
    ("clip", "area"),
    [
        ('<clipPath id="c"><rect x="10" y="10" width="20" height="30"/></clipPath>', 600),
        ('<clipPath id="c"><circle cx="50" cy="50" r="20"/></clipPath>', math.pi * 400),
        # The union of two that overlap by 10 x 20.
        (
            '<clipPath id="c"><rect width="20" height="20"/><rect x="10" width="20" height="20"/></clipPath>',
            600,
        ),
        # Two squares, one in the other, the same way around.
        ('<clipPath id="c"><path d="M0 0h30v30h-30zM10 10h10v10h-10z"/></clipPath>', 900),
        ('<clipPath id="c"><path clip-rule="evenodd" d="M0 0h30v30h-30zM10 10h10v10h-10z"/></clipPath>', 800),
        ('<clipPath id="c" clip-rule="evenodd"><path d="M0 0h30v30h-30zM10 10h10v10h-10z"/></clipPath>', 800),
        # fill-rule is not asked, nor fill, nor stroke.
        (
            '<clipPath id="c"><path fill-rule="evenodd" fill="none" d="M0 0h30v30h-30zM10 10h10v10h-10z"/></clipPath>',
            900,
        ),
        ('<clipPath id="c"><rect width="10" height="10" stroke="red" stroke-width="9"/></clipPath>', 100),
        ('<clipPath id="c"><line x2="50" y2="50" stroke="red"/></clipPath>', 0),
        ('<clipPath id="c"/>', 0),
        ('<clipPath id="c"><rect width="10" height="10" display="none"/></clipPath>', 0),
        ('<clipPath id="c"><rect width="10" height="10" visibility="hidden"/></clipPath>', 0),
        ('<clipPath id="c" transform="scale(2)"><rect width="10" height="10"/></clipPath>', 400),
        ('<clipPath id="c"><rect width="10" height="10" transform="scale(2)"/></clipPath>', 400),
        ('<rect id="r" width="10" height="7"/><clipPath id="c"><use href="#r" x="5"/></clipPath>', 70 + 70),
        # In units of the box, here 100 x 100.
        (
            '<clipPath id="c" clipPathUnits="objectBoundingBox"><rect width=".5" height=".2"/></clipPath>',
            1000,
        ),
        # A clip path that is clipped, and a child that is.
        (
            (
                '<clipPath id="d"><rect width="15" height="99"/></clipPath>'
                '<clipPath id="c" clip-path="url(#d)"><rect x="10" width="20" height="20"/></clipPath>'
            ),
            100,
        ),
        (
            (
                '<clipPath id="d"><rect width="15" height="99"/></clipPath><clipPath id="c">'
                '<rect x="10" width="20" height="20" clip-path="url(#d)"/>'
                '<rect x="50" width="9" height="9"/></clipPath>'
            ),
            100 + 81,
        ),
        (
            (
                '<clipPath id="d"><rect width="15" height="99"/></clipPath>'
                '<clipPath id="c" clipPathUnits="objectBoundingBox" clip-path="url(#d)">'
                '<rect width="1" height=".1"/></clipPath>'
            ),
            150,
        ),
    ],
)
def test_clipped_areas(draw: Draw, clip: str, area: float) -> None:
    """The seen area of a 100 mm square under each clip (CSS Masking 1, 5.1; closed forms)."""
    assert area_of(draw, clip) == pytest.approx(area, rel=1e-4, abs=1e-9)


def test_clips_of_groups_and_their_children_meet(draw: Draw) -> None:
    """A shape inside clipped groups is seen where all their clips let it through, each in its own units."""
    drawing = draw(
        '<clipPath id="c"><rect width="10" height="10"/></clipPath>'
        '<g clip-path="url(#c)" transform="translate(20 20)"><g transform="translate(5 0)" clip-path="url(#c)">'
        '<rect width="50" height="50" clip-path="url(#c)" transform="translate(0 4)"/></g></g>'
    )
    assert seen_fill(drawing, 0).symmetric_difference(box(25, 24, 30, 30)).area == pytest.approx(0)


def test_the_box_of_a_group_is_of_all_it_holds(draw: Draw) -> None:
    """objectBoundingBox of a group: of its shapes without strokes, in its own axes (CSS Masking 1; SVG 2, 8.10)."""
    clip = '<clipPath id="c" clipPathUnits="objectBoundingBox"><rect width=".5" height="1"/></clipPath>'
    group = (
        '<g clip-path="url(#c)" transform="translate(100 20) rotate(90)"><rect x="10" width="10" height="10" '
        'stroke="blue" stroke-width="8" fill="red"/><g transform="scale(2)"><circle cx="20" cy="20" r="5"/></g></g>'
    )
    drawing = draw(clip + group)
    # In the group x goes from 10 to 50, y from 0 to 50: x up to 30 is let through. Turned, (x, y) is (100 - y, 20 + x).
    area = clip_area(drawing, int(drawing.shapes["clip"][1]))
    assert area.symmetric_difference(box(50, 30, 100, 50)).area == pytest.approx(0, abs=1e-6)
    assert seen_fill(drawing, 0).area == pytest.approx(100)
    assert seen_fill(drawing, 1).area == pytest.approx(0, abs=1e-6)


def test_a_clipped_dot_keeps_its_shape(draw: Draw) -> None:
    """A clip leaves the shape as it is and stands beside it: a dot stays a dot."""
    drawing = draw(
        '<clipPath id="c"><rect width="20" height="50"/></clipPath><circle cx="20" cy="20" r="5" clip-path="url(#c)"/>'
    )
    shape = drawing.shapes[0]
    assert (shape["dot_x"], shape["dot_y"], shape["dot_mm"]) == pytest.approx((20, 20, 10))
    half = Point(20, 20).buffer(5, quad_segs=64) & box(0, 0, 20, 50)
    assert seen_fill(drawing, 0).symmetric_difference(half).area < 1e-6


@pytest.mark.parametrize(
    "clip",
    [
        '<clipPath id="c"><text>LOW TIDE</text></clipPath>',
        '<clipPath id="c"><g><rect width="9" height="9"/></g></clipPath>',
        '<clipPath id="c"><use href="#c"/></clipPath>',
        '<defs><g id="x"><rect width="1" height="1"/></g></defs><clipPath id="c"><use href="#x"/></clipPath>',
        '<clipPath id="c"><rect width="9" height="9" mask="url(#m)"/></clipPath>',
        '<clipPath id="c" clip-path="url(#none)"><rect width="9" height="9"/></clipPath>',
        '<clipPath id="c" clip-path="circle(5px)"><rect width="9" height="9"/></clipPath>',
        '<rect id="c" width="0" height="9"/>',
        "",
    ],
)
def test_clips_that_cannot_be_worked_out_leave_their_shape_out(draw: Draw, clip: str) -> None:
    """What is clipped by something not understood is not painted beyond it: it is left out and reported."""
    drawing = draw(clip + '<rect id="it" width="9" height="9" clip-path="url(#c)"/>')
    assert ("it", "clip-path", "left out") in [
        (one.element_id, one.what, one.kind) for one in drawing.skipped
    ]
    assert len(drawing.shapes) == 0


def test_css_shapes_are_reported(draw: Draw) -> None:
    """clip-path: circle(...) of a style is not understood and reported."""
    drawing = draw('<rect id="it" width="9" height="9" style="clip-path:circle(4px)"/>')
    assert [(one.element_id, one.what) for one in drawing.skipped] == [("it", "clip-path")]
    assert len(drawing.shapes) == 0


@pytest.mark.parametrize(
    "clip",
    [
        '<clipPath id="c" clip-path="url(#c)"><rect width="9" height="9"/></clipPath>',
        '<clipPath id="c"><rect width="9" height="9" clip-path="url(#c)"/></clipPath>',
        '<clipPath id="d" clip-path="url(#c)"/><clipPath id="c" clip-path="url(#d)"/>',
    ],
)
def test_a_clip_that_cuts_itself_is_refused(draw: Draw, clip: str) -> None:
    """Clips that go around in a ring are a mistake, not an endless loop."""
    with pytest.raises(InputError, match="not cut by itself"):
        draw(clip + SQUARE)


def test_equal_clips_are_one(draw: Draw) -> None:
    """A clip that many shapes share is worked out once."""
    drawing = draw('<clipPath id="c"><circle cx="20" cy="20" r="9"/></clipPath>' + SQUARE * 50)
    assert len(drawing.clips) == 1
