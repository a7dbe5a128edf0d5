"""Which ink and technique each shape gets, and what is told about shapes without an ink."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.artwork.model import Skipped
from controller.config.job import Ink, Technique
from controller.strokes.colour import difference, lab_of
from controller.strokes.inks import (
    AS_DRAWN,
    BARE_CANVAS,
    NO_INK,
    assign,
    lightness,
    mistakes_of,
    painting_order,
)
from tests.strokes.scenes import BLACK, OCHRE, SAND, TEAL, Sheet, job, rectangle

SQUARE = rectangle(0.0, 0.0, 10.0, 10.0)
JOB_PATH = Path("low-tide/job.toml")


def test_group_before_colour() -> None:
    """In an ink's group its colour does not matter, the innermost group counts, and outside colour decides."""
    made = job(Ink(name="teal", group="water", colour=TEAL, tip_mm=4.0), ("black", BLACK), ("ochre", OCHRE))
    made = made.model_copy(
        update={"inks": (*made.inks, Ink(name="foam", group="foam", colour=SAND, tip_mm=4.0))}
    )
    sheet = Sheet()
    sheet.add(SQUARE, fill=BLACK, stroke=OCHRE, layer=("water",))
    sheet.add(SQUARE, fill=BLACK, layer=("water", "foam", "near"))
    sheet.add(SQUARE, fill=BLACK, stroke=OCHRE, layer=("sky",))
    sheet.add(SQUARE, fill=TEAL)
    found = assign(sheet.drawing(), made)
    assert found.fill_ink.tolist() == [0, 3, 1, NO_INK]
    assert found.stroke_ink.tolist() == [0, NO_INK, 2, NO_INK]
    (lost,) = found.unmatched
    assert (lost.colour, lost.elements, lost.nearest) == (TEAL, ("e3",), "black")


def test_a_shape_without_paint_in_a_group_is_an_outline() -> None:
    """An element with neither fill nor a word about a stroke is painted as an outline in an ink's group only."""
    made = job(Ink(name="teal", group="water", colour=TEAL, tip_mm=4.0))
    sheet = Sheet().add(SQUARE, layer=("water",), bare=True).add(SQUARE, layer=("sky",), bare=True)
    found = assign(sheet.drawing(), made)
    assert found.stroke_ink.tolist() == [0, NO_INK]
    assert found.fill_ink.tolist() == [NO_INK, NO_INK]
    assert found.unmatched == ()


def test_nearest_within_the_limit() -> None:
    """(254, 0, 0) is 0.20785 from red (scikit-image 0.25): matched within 0.21, not within 0.2, and that is told."""
    sheet = Sheet().add(SQUARE, fill="#fe0000").drawing()
    near = job(("red", "#ff0000"), ("green", "#00ff00"), colour_distance_max=0.21)
    assert assign(sheet, near).fill_ink.tolist() == [0]
    far = near.model_copy(update={"colour_distance_max": 0.2})
    found = assign(sheet, far)
    assert found.fill_ink.tolist() == [NO_INK]
    assert found.unmatched[0].distance == pytest.approx(0.20785, abs=1e-4)
    assert str(found.unmatched[0]) == "#fe0000, nearest ink red at 0.21: e0"


def test_ties_go_to_the_ink_listed_first() -> None:
    """Between two inks that are equally far, the first in the file is taken, whichever that is."""
    sheet = Sheet().add(SQUARE, fill="#808080").drawing()
    first, second = (Ink(name=name, colour="#7f7f7f", tip_mm=4.0) for name in ("one", "other"))
    for pair in ((first, second), (second, first)):
        # A file with two inks of one colour is refused; a copy is not looked at.
        made = job(("black", BLACK)).model_copy(update={"inks": pair})
        assert assign(sheet, made).fill_ink.tolist() == [0]


@given(st.lists(st.tuples(*[st.integers(0, 255)] * 3), min_size=1, max_size=12, unique=True))
def test_the_nearest_ink_is_taken(colours: list[tuple[int, ...]]) -> None:
    """Law: no ink is nearer than the one taken, and the limit holds."""
    texts = [f"#{r:02x}{g:02x}{b:02x}" for r, g, b in colours]
    sheet = Sheet()
    for text in texts:
        sheet.add(SQUARE, fill=text)
    inks = [("sand", SAND), ("teal", TEAL), ("ochre", OCHRE), ("black", BLACK)]
    found = assign(sheet.drawing(), job(*inks, colour_distance_max=20.0))
    away = difference(lab_of(texts)[:, None], lab_of([ink[1] for ink in inks])[None])
    for row, ink in enumerate(found.fill_ink):
        if ink == NO_INK:
            assert away[row].min() > 20.0
        else:
            assert away[row, ink] <= away[row].min() + 1e-8
            assert away[row, ink] <= 20.0


def test_canvas_colour_is_bare() -> None:
    """Shapes of the canvas' colour belong to no ink and are no mistake, unless an ink is at least as near."""
    sheet = Sheet().add(SQUARE, fill="#fefefe").add(SQUARE, fill=BLACK).drawing()
    found = assign(sheet, job(("black", BLACK), canvas_colour="#ffffff"))
    assert found.fill_ink.tolist() == [BARE_CANVAS, 0]
    assert found.unmatched == ()
    chalk = assign(sheet, job(("black", BLACK), ("chalk", "#fefefe"), canvas_colour="#ffffff"))
    assert chalk.fill_ink.tolist() == [1, 0]


def test_techniques_by_layer_then_ink() -> None:
    """The innermost named layer counts, then the file's order; fills and strokes go by their own inks."""
    techniques = (
        Technique(ink="black", fill="flat"),
        Technique(layer="sea", fill="flat", style="hatch"),
        Technique(layer="bay", ink="teal", fill="none"),
        Technique(layer="sky", ink="teal", fill="none"),
    )
    made = job(("teal", TEAL), ("black", BLACK), techniques=techniques)
    sheet = Sheet()
    sheet.add(SQUARE, fill=TEAL, stroke=BLACK, layer=("sea", "bay"))
    sheet.add(SQUARE, fill=TEAL, stroke=BLACK, layer=("sea",))
    sheet.add(SQUARE, fill=TEAL, stroke=BLACK)
    sheet.add(SQUARE, fill="#ff00ff", layer=("sea",))
    found = assign(sheet.drawing(), made)
    assert found.fill_technique.tolist() == [2, 1, AS_DRAWN, AS_DRAWN]
    assert found.stroke_technique.tolist() == [1, 1, 0, AS_DRAWN]


def test_what_does_not_fit_is_told_at_once() -> None:
    """Missing and doubled groups, missing layers, colours without an ink and elements left out: one message each."""
    made = job(
        Ink(name="teal", group="water", colour=TEAL, tip_mm=4.0),
        Ink(name="ochre", group="moon", colour=OCHRE, tip_mm=4.0),
        ("black", BLACK),
        techniques=(Technique(layer="clouds"),),
    )
    drawing = Sheet().add(SQUARE, fill="#ff00ff", layer=("moon",)).add(SQUARE, fill="#ff00ff").drawing()
    words = Skipped("words", "text", "letters are not outlined here")
    unseen = Skipped("ghost", "visibility", "not seen", "unseen")
    drawing = replace(drawing, group_ids=("moon", "moon"), skipped=(words, unseen))
    found = mistakes_of(drawing, assign(drawing, made), made, JOB_PATH)
    assert [(one.file.name, one.where) for one in found] == [
        ("job.toml", "inks[teal].group"),
        ("low-tide.svg", "group moon"),
        ("job.toml", "techniques[#1].layer"),
        ("low-tide.svg", "colour #ff00ff"),
        ("low-tide.svg", "words (text)"),
    ]
    assert "e1" in found[3].got
    assert "e0" not in found[3].got
    more = Skipped("e1", "fill", "only filled circles are dots")
    (last,) = mistakes_of(drawing, assign(drawing, made), made, JOB_PATH, [more, unseen])[5:]
    assert (last.where, last.got) == ("e1 (fill)", "only filled circles are dots")
    skipping = made.model_copy(update={"unmatched": "skip"})
    assert len(mistakes_of(drawing, assign(drawing, skipping), skipping, JOB_PATH)) == 3


def test_order_of_painting() -> None:
    """As listed, or from the highest L* to the lowest; equal inks stay in the file's order."""
    ink = Ink(name="ink", colour=BLACK.upper(), tip_mm=4.0, group="words")
    made = job(("black", BLACK), ("sand", SAND), ink, ("teal", TEAL))
    assert painting_order(made) == (0, 1, 2, 3)
    assert painting_order(made.model_copy(update={"order": "light-to-dark"})) == (1, 3, 0, 2)
    assert np.all(np.diff(lightness(made)[[0, 3, 1]]) > 0)


def test_an_empty_drawing_has_nothing_to_assign() -> None:
    """No shapes, no colours, no layers: no ink is asked for."""
    found = assign(Sheet().drawing(), job(("black", BLACK)))
    assert len(found.fill_ink) == len(found.stroke_technique) == 0
