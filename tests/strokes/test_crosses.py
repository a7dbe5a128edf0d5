"""Register marks as strokes of the first pass: where they lie, whose they are, and what they must not meet."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

from controller.config.errors import InputError
from controller.config.load import load_job
from controller.config.places import shipped
from controller.session.prepare import prepare
from controller.session.prepared import Prepared

SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="60mm" viewBox="0 0 100 60">
<g id="water"><path d="M 10 40 L 60 40" fill="none" stroke="#000"/></g>
<g id="moon"><path d="M 10 10 L 60 10" fill="none" stroke="#000"/></g></svg>
"""
JOB = """format = 1
name = "two"
artwork = "two.svg"
origin_mm = [120.0, 120.0]
[[inks]]
name = "teal"
group = "water"
colour = "#1f7a78"
tip_mm = 4.0
[[inks]]
name = "ivory"
group = "moon"
colour = "#f3ead2"
tip_mm = 6.0
"""
MARKS = """[register]
arm_mm = 8.0
[register.marks_mm]
top-left = [60.0, 60.0]
top-right = [320.0, 60.0]
low = [200.0, 320.0]
"""


def _prepared(folder: Path, register: str) -> Prepared:
    folder.mkdir(exist_ok=True)
    (folder / "two.svg").write_text(SVG)
    (folder / "job.toml").write_text(JOB + register)
    return prepare(folder / "job.toml", shipped("machines/boathouse.toml"), folder / "out")


def test_crosses_begin_the_first_pass_of_the_first_ink(tmp_path: Path) -> None:
    """Two strokes of 16 mm for each mark, crossing in its place, before the picture's own, which is left as it is."""
    plain = _prepared(tmp_path / "plain", "")
    marked = _prepared(tmp_path / "marked", MARKS)
    strokes, before = marked.strokes("teal-1"), plain.strokes("teal-1")
    assert len(strokes) == len(before) + 6
    for number, place in enumerate([(60.0, 60.0), (320.0, 60.0), (200.0, 320.0)]):
        along, down = (shapely.LineString(strokes.stroke_mm(2 * number + arm)) for arm in (0, 1))
        crossing = along.intersection(down)
        assert (crossing.x, crossing.y) == pytest.approx(place)
        assert along.length == down.length == 16.0
        assert {strokes.element_ids[strokes.element[2 * number + arm]] for arm in (0, 1)} == {
            f"register mark {('top-left', 'top-right', 'low')[number]}"
        }
    np.testing.assert_array_equal(strokes.points_mm[12:], before.points_mm)
    part, was = marked.part("teal-1"), plain.part("teal-1")
    assert part.metres == pytest.approx(was.metres + 0.096)
    assert part.strokes == was.strokes + 6
    assert part.seconds > was.seconds
    np.testing.assert_array_equal(marked.strokes("ivory-1").points_mm, plain.strokes("ivory-1").points_mm)


def test_existing_points_are_not_painted(tmp_path: Path) -> None:
    """Points that are on the canvas already add no stroke."""
    marked = _prepared(tmp_path / "a", MARKS.replace("[register]\n", "[register]\nexisting = true\n"))
    plain = _prepared(tmp_path / "b", "")
    assert marked.part("teal-1").digest == plain.part("teal-1").digest


@pytest.mark.parametrize(
    ("place", "words"),
    [
        # Ivory's line is at y = 130, 3 mm of tip: 8 + 2 mm of cross reach from y = 119 to 129.
        (
            "[160.0, 118.0]",
            r"register\.marks_mm\.low: expected a place 10 mm or more from what ink ivory paints",
        ),
        ("[75.0, 70.0]", r"low: expected a place 20 mm or more from mark top-left; got 15\.0 mm|15\.0 mm"),
        ("[4.0, 320.0]", "the canvas, x from 0"),
    ],
)
def test_cross_that_meets_something_is_refused(tmp_path: Path, place: str, words: str) -> None:
    """In the picture, in another mark, over the canvas' edge: refused by the mark's name."""
    with pytest.raises(InputError, match=words):
        _prepared(tmp_path / "a", MARKS.replace("[200.0, 320.0]", place))


def test_cross_just_clear_of_the_picture_is_taken(tmp_path: Path) -> None:
    """As near as the tips' widths allow: ivory's line at y = 130 less 3 mm of tip, less 10 mm of cross."""
    _prepared(tmp_path / "a", MARKS.replace("[200.0, 320.0]", "[160.0, 116.9]"))


def test_fewer_than_three_marks_are_refused(tmp_path: Path) -> None:
    """Two marks prove nothing."""
    (tmp_path / "job.toml").write_text(JOB + "[register.marks_mm]\na = [1.0, 1.0]\nb = [99.0, 99.0]\n")
    with pytest.raises(InputError, match=r"register\.marks_mm"):
        load_job(tmp_path / "job.toml")


def test_mistakes_in_the_table_are_told_by_the_names_in_the_file(tmp_path: Path) -> None:
    """A missing table of marks and a misspelt table name are told as the file has them."""
    (tmp_path / "job.toml").write_text(JOB + "[register]\narm_mm = 5.0\n")
    with pytest.raises(InputError, match=r"register\.marks_mm: expected .*places on the canvas by name"):
        load_job(tmp_path / "job.toml")
    (tmp_path / "job.toml").write_text(JOB + "[regster]\narm_mm = 5.0\n")
    with pytest.raises(InputError, match="did you mean register"):
        load_job(tmp_path / "job.toml")
