"""Sheets as jobs: whole, on the canvas, with captions that can be read, and refused where they do not fit."""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.artwork.read import read_artwork
from controller.calibrate.sheets import font
from controller.calibrate.sheets.catalogue import SHEETS, make_sheet
from controller.calibrate.sheets.page import CAPTION, EDGE_MM, Sheet
from controller.calibrate.sheets.write import read_record, write_sheet
from controller.cli.main import main
from controller.config.errors import InputError
from controller.config.load import load_job, load_machine
from controller.config.machine import Machine
from controller.config.places import shipped

BOATHOUSE = load_machine(shipped("machines/boathouse.toml"))


@pytest.fixture
def machine() -> Machine:
    """The boathouse gantry."""
    return BOATHOUSE


@functools.cache
def sheet_of(name: str) -> Sheet:
    """A sheet for it, as it comes."""
    return make_sheet(name, BOATHOUSE)


def smaller(machine: Machine, width_mm: float, height_mm: float) -> Machine:
    """The same with another canvas."""
    return machine.model_copy(
        update={"canvas": machine.canvas.model_copy(update={"size_mm": (width_mm, height_mm)})}
    )


@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_is_a_job_painted_as_drawn(name: str, tmp_path: Path) -> None:
    """Every sheet loads as a job, all of its strokes are painted, in the order in which the sheet has them."""
    sheet = sheet_of(name)
    files = write_sheet(sheet, tmp_path)
    job = load_job(files.job)
    artwork = read_artwork(job, files.job)
    assert artwork.skipped == ()
    for ink in sheet.inks:
        shapes = artwork.inks[ink.name]
        assert len(shapes.offsets) - 1 == len(ink.lines)
        assert len(shapes.dot_diameter_mm) == len(ink.dots)
        starts = shapes.points_mm[shapes.offsets[:-1]]
        wanted = np.array([points[0] for points, _ in ink.lines]).reshape(-1, 2)
        np.testing.assert_allclose(starts, wanted, atol=1e-3)
    kept = {ink.name for ink in job.inks if ink.sequence == "as-drawn"}
    assert kept == {ink.name for ink in sheet.inks if ink.in_sequence}
    assert read_record(tmp_path) == sheet.record


@pytest.mark.parametrize("tip_mm", [0.4, 4.0])
@pytest.mark.parametrize("name", SHEETS)
def test_sheets_lie_on_the_canvas(name: str, tip_mm: float, machine: Machine) -> None:
    """With fine and with broad pens all paint stays clear of the canvas' edge."""
    sheet = make_sheet(name, machine, tip_mm)
    for ink in sheet.inks:
        places = np.concatenate([np.empty((0, 2)), *(points for points, _ in ink.lines)])
        if len(places):
            assert float(places.min()) >= EDGE_MM - 16.0
            assert bool((places <= np.array(sheet.size_mm) - EDGE_MM + 16.0).all())


def test_the_page_asks_for_every_reading() -> None:
    """The page to print has a row for each question, pens in order, names of parts, and leads to no other place."""
    from controller.calibrate.sheets.write import page_of

    for name in SHEETS:
        sheet = sheet_of(name)
        page = page_of(sheet)
        assert all(f"<td>{question.key}</td>" in page for question in sheet.record.questions)
        assert all(f"<li>{ink.name}: tip" in page for ink in sheet.inks)
        assert all(f">{part}</text>" in page for part, _ in sheet.places)
        assert sheet.places
        assert "http" not in page.replace("http://www.w3.org/2000/svg", "")


@pytest.mark.parametrize("name", ["play", "square", "lengths", "circles", "waves", "pen", "wear"])
def test_a_sheet_that_does_not_fit_is_refused(name: str, machine: Machine) -> None:
    """A canvas that is too small is refused before anything is written, with the part that has no room."""
    with pytest.raises(InputError) as caught:
        make_sheet(name, smaller(machine, 240.0, 180.0))
    (mistake,) = caught.value.mistakes
    assert mistake.where == "canvas.size_mm"
    assert mistake.got.startswith("240 x 180 mm")


def test_unknown_sheets_and_tips_are_refused(machine: Machine) -> None:
    """A name that is none is answered with those that are; so is a pen that cannot be."""
    with pytest.raises(InputError, match="one of play, square"):
        make_sheet("moon", machine)
    with pytest.raises(InputError, match=r"0\.2 to 20, got 40"):
        make_sheet("tip", machine, 40.0)


def test_options_of_other_sheets_are_refused(machine: Machine) -> None:
    """An option that a sheet does not have is answered with those that it has; a tape's doubt is the sheet's own."""
    with pytest.raises(InputError, match="expected options of this sheet: --every, --read-to, got --places"):
        make_sheet("lengths", machine, places=3)
    with pytest.raises(InputError, match="expected no options of its own, got --most"):
        make_sheet("marks", machine, most_mm=1.0)
    sheet = make_sheet("lengths", machine, resolution_mm=0.1)
    assert {question.resolution for question in sheet.record.questions} == {0.1}
    assert any("within 0.1 mm" in words for words in sheet.how)


def lines_of(sheet: Sheet, ink: str) -> list[Any]:
    """The lines of one ink."""
    return next(one.lines for one in sheet.inks if one.name == ink)


def test_teeth_stand_a_step_apart(machine: Machine) -> None:
    """Tooth i of one row stands i steps beside tooth i of the other, at the same seam, come to from either side."""
    sheet = make_sheet("play", machine, places=1)
    (step,) = sheet.record.of("step_mm")
    teeth = [points for points, _ in lines_of(sheet, "teeth")]
    for index, comb in enumerate((teeth[: len(teeth) // 2], teeth[len(teeth) // 2 :])):
        first, second = comb[: len(comb) // 2], comb[len(comb) // 2 :][::-1]
        apart = np.array([a[-1, index] - b[-1, index] for a, b in zip(first, second, strict=True)])
        np.testing.assert_allclose(np.diff(apart), step, atol=1e-9)
        assert apart[0] == pytest.approx(sheet.record.questions[0].least)
        assert len({float(one[-1, 1 - index]) for one in comb}) == 1
        assert all(one[0, index] < one[1, index] - 2.0 for one in first)
        assert all(one[0, index] > one[1, index] + 2.0 for one in second)


@pytest.mark.parametrize(
    ("name", "options"),
    [("play", {}), ("play", {"most_mm": 1.5}), ("play", {"step_mm": 0.02, "most_mm": 0.2}), ("pen", {})],
)
def test_no_label_is_cut_at_the_end_of_its_comb(name: str, options: dict[str, Any], machine: Machine) -> None:
    """A caption that begins inside a comb's rectangle, from which the page's pictures are cut, ends inside it too."""
    sheet = make_sheet(name, machine, **options)
    captions = [points for points, _ in lines_of(sheet, CAPTION)]
    assert sheet.places
    for words, (x, y, width, height) in sheet.places:
        low, high = np.array([x, y]), np.array([x + width, y + height])
        inside = [((line >= low) & (line <= high)).all(axis=1) for line in captions]
        assert any(one.all() for one in inside), words
        assert all(one.all() for one in inside if one.any()), words


def test_known_metres_lie_between_ladders(machine: Machine) -> None:
    """The wear sheet's metres are those of its strokes, ladders included, up to the middle of each ladder."""
    sheet = make_sheet("wear", machine, metres=(5.0, 12.5))
    painted = 0.0
    middles = []
    for ink in sheet.inks[1:]:
        length = sum(float(np.hypot(*np.diff(points, axis=0).T).sum()) for points, _ in ink.lines) / 1000.0
        if ink.name.startswith("ladder"):
            middles.append(painted + length / 2.0)
        else:
            assert length == pytest.approx((5.0, 12.5)[int(ink.name[-1])])
        painted += length
    assert sheet.record.of("metres") == pytest.approx(middles)


def test_letters_stay_in_their_box() -> None:
    """Every sign is drawn within its width and about the height of a capital, and no stroke is a point."""
    for sign, (width, _) in font.GLYPHS.items():
        for line in font.text(sign, (0.0, 0.0), 6.0):
            low, high = line.min(axis=0), line.max(axis=0)
            assert low[0] >= -1e-9
            assert high[0] <= width + 0.3
            assert low[1] >= -0.7
            assert high[1] <= 7.1
            assert float(np.hypot(*np.diff(line, axis=0).T).min()) > 0.1
    assert font.width_mm("LOW TIDE", 12.0) == pytest.approx(2.0 * font.width_mm("LOW TIDE", 6.0))
    with pytest.raises(ValueError, match="got &"):
        font.text("A&B", (0.0, 0.0), 6.0)


def test_the_verbs(machine: Machine, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A sheet is written and its readings become values, or are refused with every mistake."""
    where = str(shipped("machines/boathouse.toml"))
    folder = tmp_path / "combs"
    assert main(["sheet", "play", "-m", where, "--out", str(folder), "--places", "1", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["questions"] == 2
    answers = tmp_path / "answers.toml"
    answers.write_text('x1 = ["0.1", "0.15", 0.1]\ny1 = "0.05 to 0.15"\n')
    assert main(["reading", "play", "--dir", str(folder), "--answers", str(answers), "--json"]) == 0
    x, y = json.loads(capsys.readouterr().out)["measured"]
    assert (x["field"], y["field"]) == ("axes.x.play_mm", "axes.y.play_mm")
    assert x["value"] == pytest.approx(0.25 + 0.35 / 3.0, abs=1e-3)
    assert y["value"] == pytest.approx(0.25 + 0.1)
    answers.write_text('x1 = "0.12"\nz9 = 1\n')
    assert main(["reading", "play", "--dir", str(folder), "--answers", str(answers), "--json"]) == 2
    told = json.loads(capsys.readouterr().out)["error"]["mistakes"]
    assert [one["where"] for one in told] == ["x1", "z9"]
    answers.write_text('x1 = "1.7"\n')
    assert main(["reading", "play", "--dir", str(folder), "--answers", str(answers), "--json"]) == 1
    assert "at its end" in json.loads(capsys.readouterr().out)["got"]
    assert main(["reading", "square", "--dir", str(folder)]) == 2
