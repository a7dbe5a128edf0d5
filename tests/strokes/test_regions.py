"""What of each shape is seen: stacking, knock-outs, bands, lines, dots, screens and clips."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.artwork.model import BUTT, NONZERO, ROUND, Clip, ClipPath, Screen
from controller.config.job import Ink, Job, Technique
from controller.strokes.inks import assign
from controller.strokes.regions import Regions, Work, regions
from tests.strokes.scenes import BLACK, OCHRE, SAND, TEAL, Sheet, circle, job, rectangle

INKS = (("teal", TEAL), ("ochre", OCHRE), ("black", BLACK))
FLAT = Technique(fill="flat", stroke="band")


def look(sheet: Sheet, made: Job) -> Regions:
    drawing = sheet.drawing()
    return regions(drawing, assign(drawing, made), made)


def only(found: Regions, kind: str) -> list[Work]:
    return [one for one in found.works if one.kind == kind]


def areas(found: Regions, kind: str = "flat") -> dict[int, float]:
    return {one.ink: one.area.area for one in only(found, kind) if one.area is not None}


def hole(x: float, y: float, width: float, height: float) -> Clip:
    ring = rectangle(x, y, width, height)
    return Clip((ClipPath(ring, np.array([0, len(ring)]), NONZERO),))


def test_later_inks_cover_earlier_ones() -> None:
    """Of two overlapping flats the lower loses what the upper covers, and only that."""
    sheet = Sheet().add(rectangle(0, 0, 100, 100), fill=TEAL).add(rectangle(50, 50, 100, 100), fill=OCHRE)
    assert areas(look(sheet, job(*INKS))) == pytest.approx({0: 7500, 1: 10000}, abs=0.1)


def test_shapes_of_one_ink_are_one_area() -> None:
    """Shapes of the same ink do not cut each other: they become one area, also above another ink."""
    sheet = Sheet()
    sheet.add(rectangle(0, 0, 100, 100), fill=TEAL).add(rectangle(50, 0, 100, 100), fill=TEAL)
    sheet.add(rectangle(0, 0, 50, 50), fill=BLACK).add(rectangle(0, 0, 20, 20), fill=TEAL)
    found = look(sheet, job(*INKS))
    assert areas(found) == pytest.approx({0: 15000 - 2500 + 400, 2: 2500 - 400}, abs=0.1)
    (teal,) = (one for one in only(found, "flat") if one.ink == 0)
    assert teal.elements == (0, 1, 3)


def test_canvas_colour_cuts_and_is_not_painted() -> None:
    """A shape of the canvas' colour leaves bare what it covers, as a fill and as a stroke; a later shape covers it."""
    sheet = Sheet().add(rectangle(0, 0, 100, 100), fill=TEAL)
    sheet.add(rectangle(10, 10, 20, 20), fill="#ffffff")
    line = np.array([[50.0, -10.0], [50.0, 110.0]])
    sheet.add(line, stroke="#ffffff", width_mm=4.0, cap=BUTT)
    sheet.add(rectangle(10, 10, 5, 20), fill=OCHRE)
    found = look(sheet, job(*INKS, canvas_colour="#ffffff"))
    assert areas(found) == pytest.approx({0: 10000 - 400 - 400, 1: 100}, abs=0.1)


def test_shapes_left_out_cover_nothing() -> None:
    """What no ink paints, or a technique does not paint, covers nothing either."""
    sheet = Sheet().add(rectangle(0, 0, 100, 100), fill=TEAL)
    sheet.add(rectangle(0, 0, 50, 50), fill="#ff00ff")
    sheet.add(rectangle(50, 50, 50, 50), fill=BLACK, layer=("later",))
    made = job(*INKS, unmatched="skip", techniques=(Technique(layer="later", fill="none"), FLAT))
    assert areas(look(sheet, made)) == pytest.approx({0: 10000}, abs=0.1)


def test_bands_are_whole_until_covered() -> None:
    """A band keeps its lines as long as nothing covers it; one that is covered is an area instead."""
    line = np.array([[0.0, 0.0], [100.0, 0.0]])
    sheet = Sheet().add(rectangle(0, -50, 100, 100), fill=OCHRE)
    sheet.add(line, stroke=TEAL, width_mm=10.0, cap=BUTT)
    sheet.add(line + np.array([0.0, 30.0]), stroke=TEAL, width_mm=10.0, cap=BUTT)
    sheet.add(rectangle(40, 20, 20, 20), fill=BLACK)
    found = look(sheet, job(*INKS))
    (band,) = only(found, "band")
    assert band.whole.tolist() == [True, False]
    assert band.whole_lines().tolist() == [0]
    assert band.area is not None
    assert band.area.area == pytest.approx(2000 - 200, abs=0.1)
    assert band.cut_area.area == pytest.approx(1000 - 200, abs=0.1)
    assert band.lines is not None
    assert band.lines.width_mm.tolist() == [10.0, 10.0]
    assert areas(found)[1] == pytest.approx(10000 - 2000 - 200, abs=0.1)


def test_a_band_without_a_width_is_a_line() -> None:
    """Where the drawing gives no width, the tip's own line is painted."""
    group = Ink(name="teal", group="water", colour=TEAL, tip_mm=4.0)
    sheet = Sheet().add(rectangle(0, 0, 10, 10), layer=("water",), bare=True)
    (work,) = look(sheet, job(group, techniques=(FLAT,))).works
    assert work.kind == "line"
    assert work.lines is not None
    assert work.lines.closed.tolist() == [True]


def test_lines_are_cut_where_covered() -> None:
    """A line is painted up to what covers it; a loop that is cut once stays one line over its start."""
    made = job(*INKS, techniques=(Technique(fill="flat", stroke="line"),))
    loop = rectangle(0, 0, 100, 100)
    sheet = Sheet().add(loop, stroke=TEAL, width_mm=3.0)
    sheet.add(rectangle(90, 40, 20, 20), fill=BLACK)
    sheet.add(np.array([[-50.0, 50.0], [150.0, 50.0]]), stroke=TEAL, width_mm=3.0)
    found = look(sheet, made)
    (work,) = only(found, "line")
    assert work.lines is not None
    assert work.lines.closed.tolist() == [False, False]
    lengths = [float(shapely.length(shapely.linestrings(work.lines.line_mm(row)))) for row in (0, 1)]
    assert lengths == pytest.approx([380, 200], abs=0.01)
    assert work.lines.element.tolist() == [0, 2]
    assert areas(found) == pytest.approx({2: 400}, abs=0.1)


def test_lines_and_dots_on_top_knock_nothing_out_unless_told() -> None:
    """A flat stays whole under lines and dots; with ``knocks_out`` it leaves room: the tip's line and the discs."""
    line = np.array([[0.0, 50.0], [100.0, 50.0]])
    for knocks_out in (None, True):
        techniques = (Technique(ink="black", knocks_out=knocks_out), FLAT)
        sheet = Sheet().add(rectangle(0, 0, 100, 100), fill=TEAL)
        sheet.add(line, stroke=BLACK, width_mm=3.0).dot(20, 20, 10, BLACK).dot(80, 80, 10, BLACK)
        found = look(sheet, job(*INKS, techniques=techniques))
        room = 0.0 if knocks_out is None else 100 * 4 + 2 * math.pi * 25
        assert areas(found)[0] == pytest.approx(10000 - room, abs=1.0)
        (dots,) = only(found, "dots")
        assert dots.dots is not None
        assert dots.dots.centre_mm.tolist() == [[20, 20], [80, 80]]


def test_a_flat_circle_is_an_area() -> None:
    """A filled circle under a flat technique is its disc."""
    found = look(Sheet().dot(50, 50, 40, TEAL), job(*INKS))
    assert areas(found) == pytest.approx({0: math.pi * 400}, rel=2e-3)


CUT_DISC = 25.0 * (math.pi - math.acos(0.6)) + 12.0
"""Area of a disc of radius 5 up to a line 3 from its centre; what its neighbour leaves lies inside it. The chords of
discs stray by 0.02 mm, which is 0.5 % of this area."""


def test_dots_at_edges() -> None:
    """Dots across an edge: whole where the centre is seen, cut along the edge, or left out; hidden ones go."""
    expected: dict[str, tuple[list[int], float]] = {
        "whole": ([0, 1], 0.0),
        "clipped": ([0], CUT_DISC),
        "dropped": ([0], 0.0),
    }
    for borders, (kept, cut) in expected.items():
        techniques = (Technique(ink="black", borders=borders), FLAT)
        sheet = Sheet()
        for x in (0.0, 97.0, 103.0, 150.0):
            sheet.dot(x, 0, 10, BLACK)
        sheet.add(rectangle(100, -50, 100, 100), fill=TEAL)
        found = look(sheet, job(*INKS, techniques=techniques))
        (dots,) = only(found, "dots")
        assert dots.elements == tuple(kept)
        assert areas(found).get(2, 0.0) == pytest.approx(cut, abs=0.4)
        told = {one.element_id: one.kind for one in found.skipped}
        assert told["e3"] == "unseen"
        assert "e0" not in told
        assert set(told) == {"e1", "e2", "e3"}


def test_dots_at_the_edge_of_a_clip() -> None:
    """A clip counts like a cover: whole by the centre, hidden outside, cut with ``clipped``."""
    for borders, kept, cut in (("whole", (0, 1), 0.0), ("clipped", (0,), CUT_DISC)):
        sheet = Sheet(clips=[hole(0, -50, 100, 100)])
        for x in (50.0, 97.0, 103.0, 150.0):
            sheet.dot(x, 0, 10, BLACK, clip=0)
        sheet.dot(150, 0, 10, BLACK)
        made = job(*INKS, techniques=(Technique(ink="black", borders=borders),))
        found = look(sheet, made)
        (dots,) = only(found, "dots")
        assert dots.elements == (*kept, 4)
        assert areas(found).get(2, 0.0) == pytest.approx(cut, abs=0.4)
        assert {one.element_id for one in found.skipped if one.kind == "unseen"} == {"e3"}


def test_clips_cut_areas_bands_and_lines() -> None:
    """Each kind is seen inside its clip only, and a cut band is no longer whole."""
    line = np.array([[0.0, 50.0], [100.0, 50.0]])
    sheet = Sheet(clips=[hole(0, 0, 50, 100)])
    sheet.add(rectangle(0, 0, 100, 100), fill=TEAL, clip=0)
    sheet.add(line, stroke=OCHRE, width_mm=10.0, cap=BUTT, clip=0)
    sheet.add(line, stroke=BLACK, width_mm=3.0, clip=0)
    made = job(*INKS, techniques=(Technique(ink="black"), FLAT))
    found = look(sheet, made)
    assert areas(found) == pytest.approx({0: 4500}, abs=0.1)
    assert areas(found, "band") == pytest.approx({1: 500}, abs=0.1)
    assert only(found, "band")[0].whole.tolist() == [False]
    (work,) = only(found, "line")
    assert work.lines is not None
    assert work.lines.points_mm.tolist() == [[0, 50], [50, 50]]


def test_screens_by_pattern_and_by_technique() -> None:
    """A pattern of dots is a screen as drawn, a technique makes a screen of a flat fill; neither covers anything."""
    pattern = Screen(((10.0, 0.0), (0.0, 10.0)), (0.0, 0.0), 4.0, 0)
    sheet = Sheet(screens=[pattern]).add(rectangle(0, 0, 100, 100), fill=OCHRE)
    sheet.add(rectangle(0, 0, 50, 50), fill=BLACK, pattern=0)
    sheet.add(rectangle(50, 50, 50, 50), fill=TEAL)
    screen = Technique(ink="teal", fill="screen", pitch_mm=10.0, tint=0.3)
    found = look(sheet, job(*INKS, techniques=(screen, Technique(ink="ochre", fill="flat"))))
    assert areas(found) == pytest.approx({1: 10000}, abs=0.1)
    teal, black = only(found, "screen")
    assert (teal.ink, teal.screen, teal.technique) == (0, -1, 0)
    assert (black.ink, black.screen, black.technique) == (2, 0, -1)
    assert areas(found, "screen") == pytest.approx({0: 2500, 2: 2500}, abs=0.1)


def test_as_drawn_is_what_it_was() -> None:
    """Without techniques: filled circles are dots, strokes are lines, other fills are reported by element."""
    made = job(*INKS, techniques=())
    sheet = Sheet().add(rectangle(0, 0, 10, 10), fill=TEAL, stroke=BLACK, width_mm=1.0).dot(50, 50, 8, OCHRE)
    sheet.add(circle(80, 80, 4), fill=TEAL, stroke=TEAL, width_mm=1.0, dot_x=80.0, dot_y=80.0, dot_mm=8.0)
    found = look(sheet, made)
    assert [(one.kind, one.ink) for one in found.works] == [("dots", 0), ("dots", 1), ("line", 2)]
    assert [(one.element_id, one.what, one.kind) for one in found.skipped] == [
        ("e0", "fill", "left out"),
        ("e2", "stroke", "changed"),
    ]


def test_works_come_in_painting_order() -> None:
    """With light-to-dark the lightest ink is first, whatever the file's order."""
    sheet = Sheet().add(rectangle(0, 0, 10, 10), fill=BLACK)
    sheet.add(rectangle(20, 0, 10, 10), fill=TEAL).add(rectangle(40, 0, 10, 10), fill=OCHRE)
    made = job(("black", BLACK), ("ochre", OCHRE), ("teal", TEAL), order="light-to-dark")
    assert [one.ink for one in look(sheet, made).works] == [1, 2, 0]


def test_dashes_become_bands() -> None:
    """A dashed band covers its dashes only."""
    line = np.array([[0.0, 0.0], [100.0, 0.0]])
    sheet = Sheet(dashes=[(0.0, 10.0, 10.0)]).add(line, stroke=TEAL, width_mm=6.0, cap=BUTT, dash=0)
    (band,) = look(sheet, job(*INKS)).works
    assert band.area is not None
    assert band.area.area == pytest.approx(300, abs=0.1)
    assert band.whole.tolist() == [True]
    assert band.lines is not None
    assert len(band.lines) == 5


BOX = st.tuples(
    st.integers(0, 80), st.integers(0, 80), st.integers(5, 60), st.integers(5, 60), st.integers(0, 3)
)


@given(st.lists(BOX, min_size=1, max_size=9), st.booleans())
@settings(max_examples=40, deadline=None)
def test_every_place_has_the_ink_of_its_topmost_shape(
    boxes: list[tuple[int, int, int, int, int]], strokes: bool
) -> None:
    """Law: at any place the one ink that paints it is that of the last shape there (SVG 2, 3.3: painter's model)."""
    inks = (*INKS, ("sand", SAND))
    sheet = Sheet()
    for x, y, width, height, ink in boxes:
        more: dict[str, Any] = (
            {"stroke": inks[(ink + 1) % 4][1], "width_mm": 4.0, "join": ROUND} if strokes else {}
        )
        sheet.add(rectangle(x, y, width, height), fill=inks[ink][1], **more)
    found = look(sheet, job(*inks))
    for x, y in np.random.default_rng(3).uniform(-3.0, 145.0, size=(80, 2)):
        expected = None
        clear = True
        for bx, by, width, height, ink in boxes:
            box = shapely.box(bx, by, bx + width, by + height)
            away = shapely.boundary(box).distance(shapely.Point(x, y))
            clear &= away > 0.01 and abs(away - 2.0) > 0.01
            if shapely.contains_xy(box, x, y):
                expected = ink
            if strokes and away < 2.0:
                expected = (ink + 1) % 4
        there = {
            one.ink for one in found.works if one.area is not None and shapely.contains_xy(one.area, x, y)
        }
        assert not clear or there == (set() if expected is None else {expected})


def test_many_dots_and_areas() -> None:
    """12 000 dots over hundreds of areas: as many dots come out as are seen, each once."""
    sheet = Sheet()
    for row in range(15):
        for column in range(20):
            colour = (TEAL, OCHRE, SAND)[(row + column) % 3]
            sheet.add(rectangle(150.0 * column, 100.0 * row, 150, 100), fill=colour)
    for number in range(12_000):
        sheet.dot(20.0 * (number % 150) + 10, 18.0 * (number // 150) + 10, 9.0, BLACK, layer=("foam",))
    made = job(*INKS, ("sand", SAND), techniques=(Technique(layer="foam"), FLAT))
    found = look(sheet, made)
    (dots,) = only(found, "dots")
    assert dots.dots is not None
    assert len(dots.dots) == 12_000
    assert sum(areas(found).values()) == pytest.approx(3000 * 1500, rel=1e-6)
