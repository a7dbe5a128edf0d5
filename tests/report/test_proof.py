"""A whole proof of a small prepared job: its files, its page, its figures against closed forms, and bad input."""

from __future__ import annotations

import csv
import json
import math
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from controller.config.errors import InputError
from controller.config.places import shipped
from controller.report.proof import Proof, build_proof
from controller.session.prepare import prepare
from controller.session.prepared import Prepared

SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="120mm" viewBox="0 0 200 120">
<rect id="sand" x="20" y="60" width="80" height="40" fill="#dcb98a"/>
<rect id="water" x="100" y="60" width="80" height="40" fill="#1f7a78"/>
<g id="glow"><circle id="spark-a" cx="40" cy="25" r="6" fill="#f2b93b"/><circle id="spark-b" cx="70" cy="25" r="6"
 fill="#f2b93b"/></g>
<path id="mast" d="M 120 10 L 160 10" fill="none" stroke="#1f7a78"/>
<text id="signature" x="5" y="115" fill="#1f7a78">low tide</text>
</svg>
"""
JOB = """format = 1
name = "shore"
artwork = "shore.svg"
origin_mm = [20.0, 30.0]
unmatched = "skip"
order = "light-to-dark"
[[inks]]
name = "moon"
colour = "#f2b93b"
tip_mm = 5.0
[[inks]]
name = "sand"
colour = "#dcb98a"
tip_mm = 4.0
[[inks]]
name = "teal"
colour = "#1f7a78"
tip_mm = 4.0
tip = "round-4"
[tips.round-4]
metres = [0, 2]
width_mm = [4.0, 4.4]
[[techniques]]
layer = "glow"
fill = "dots"
[[techniques]]
fill = "flat"
[traps]
width_mm = 3.0
"""


@pytest.fixture(scope="module")
def shore(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    """The job, prepared for the boathouse."""
    folder = tmp_path_factory.mktemp("shore")
    (folder / "shore.svg").write_text(SVG)
    (folder / "job.toml").write_text(JOB)
    return prepare(folder / "job.toml", shipped("machines/boathouse.toml"), folder / "prepared")


def job_of(prepared: Prepared) -> Path:
    """Its job file."""
    return prepared.folder.parent / "job.toml"


@pytest.fixture(scope="module")
def made(shore: Prepared) -> Proof:
    """Its proof, with the gaps of 4 mm."""
    return build_proof(shore, job_of(shore), shore.folder.parent / "proof", 4.0, 4.0)


def ink(made: Proof, name: str) -> Any:
    """Coverage of one ink."""
    (found,) = [one for one in made.coverage if one.ink == name]
    return found


def test_dots_flats_and_traps_are_covered_as_plane_geometry_says(made: Proof) -> None:
    """Two discs; a rectangle and the trap that lengthens it by 3 mm under the darker ink; corners stay bare."""
    moon, sand, teal = (ink(made, name) for name in ("moon", "sand", "teal"))
    assert moon.exact.wanted_mm2 == pytest.approx(2 * math.pi * 36.0, abs=moon.exact.error_mm2)
    assert moon.exact.share > 0.9999
    assert sand.exact.wanted_mm2 == pytest.approx(83.0 * 40.0, rel=1e-4)
    # A round tip leaves (1 - pi / 4) w^2 / 4 in each of four corners and nothing else of any size.
    corners = 4 * (1.0 - math.pi / 4.0) * 4.0
    assert sand.exact.bare_mm2 == pytest.approx(corners, abs=1.0)
    assert sand.exact.outside_mm2 < sand.exact.error_mm2
    # The mast is one line, 4 mm wide with round ends.
    assert teal.exact.wanted_mm2 == pytest.approx(80.0 * 40.0 + 160.0 + 4.0 * math.pi, abs=1.0)
    assert teal.exact.share > 0.99


def test_pixels_tell_the_same(made: Proof) -> None:
    """Shares counted in pixels of a quarter millimetre are those of geometry within a fifth of a per cent."""
    for one in made.coverage:
        assert one.pixel_mm == pytest.approx(0.25)
        assert one.raster.share == pytest.approx(one.exact.share, abs=0.002)
        assert one.raster.wanted_mm2 == pytest.approx(one.exact.wanted_mm2, rel=0.01)


def test_gaps_of_a_straight_border(made: Proof) -> None:
    """A border of 40 mm with 3 mm of trap: an error of 4 mm bares 1 mm, at the edge and at the trap's end."""
    assert made.gaps is not None
    least, most = made.gaps.area_mm2
    assert least <= 2 * 40.0 * 1.0 * 1.1
    assert most >= 2 * 40.0 * 1.0 * 0.9
    told = json.loads((made.files.page.parent / "gaps.json").read_text())
    assert told["register_error_mm"] == 4.0
    assert told["area_most_mm2"] == pytest.approx(most)
    assert {one["ink"] for one in told["inks"] if one["places"]} == {"sand", "teal"}


def test_pictures_are_at_true_scale(made: Proof) -> None:
    """200 x 120 mm at 4 pixels a millimetre, said in the file too; every pass has its own, numbered in its order."""
    with Image.open(made.files.picture_png) as picture:
        assert picture.size == (800, 480)
        assert picture.info["dpi"] == pytest.approx((101.6, 101.6))
    names = sorted(path.name for path in made.files.passes.iterdir())
    assert names == [
        f"{number:02d}-{one}-1.{kind}"
        for number, one in enumerate(("moon", "sand", "teal"), 1)
        for kind in ("png", "svg")
    ]
    for path in made.files.passes.glob("*.png"):
        with Image.open(path) as picture:
            assert picture.size == (800, 480)


def test_the_table_is_written_twice_the_same(made: Proof) -> None:
    """coverage.csv and coverage.json hold the same figures, in the job's order of inks."""
    told = json.loads(made.files.coverage_json.read_text())
    with made.files.coverage_csv.open(newline="") as file:
        read = list(csv.DictReader(file))
    assert [one["ink"] for one in read] == ["moon", "sand", "teal"]
    for row, other in zip(read, told["inks"], strict=True):
        assert {name: (value if name == "ink" else float(value)) for name, value in row.items()} == other


class _Page(HTMLParser):
    """What a page asks for, and its words."""

    def __init__(self) -> None:
        super().__init__()
        self.asked: list[str] = []
        self.tags: list[str] = []
        self.words = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.asked += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_data(self, data: str) -> None:
        self.words += data


def test_the_page_stands_alone_and_its_links_lead_somewhere(made: Proof) -> None:
    """Pictures are in the page; what it links to lies beside it; no script, no network; it fits a phone."""
    text = made.files.page.read_text()
    page = _Page()
    page.feed(text)
    assert "script" not in page.tags
    assert "link" not in page.tags
    assert "url(" not in text
    pictures = [one for one in page.asked if one.startswith("data:image/png;base64,")]
    assert len(pictures) == 6
    others = [one for one in page.asked if not one.startswith("data:")]
    assert len(others) >= 10
    for one in others:
        assert re.match(r"[a-z]+:", one) is None
        assert (made.files.page.parent / one).is_file()
    assert 'name="viewport"' in text
    assert "prefers-color-scheme: dark" in text
    for words in ("moon", "teal-1", "signature", "Gaps between inks", "4.00 to 4."):
        assert words in page.words


def test_a_proof_replaces_a_proof_and_nothing_else(shore: Prepared, tmp_path: Path) -> None:
    """A second proof leaves nothing of the first; a folder with anything else in it is left alone."""
    place = tmp_path / "proof"
    first = build_proof(shore, job_of(shore), place, 1.0, 2.0)
    assert first.files.gaps_png is not None
    second = build_proof(shore, job_of(shore), place, 1.0)
    assert second.gaps is None
    assert second.files.gaps_png is None
    assert not (place / "gaps.png").exists()
    assert [path.name for path in tmp_path.iterdir()] == ["proof"]
    (tmp_path / "holiday").mkdir()
    (tmp_path / "holiday" / "photo.txt").write_text("keep me")
    with pytest.raises(InputError, match="--out: expected a new, an empty or an earlier proof's folder"):
        build_proof(shore, job_of(shore), tmp_path / "holiday")
    assert (tmp_path / "holiday" / "photo.txt").read_text() == "keep me"


def test_who_is_interrupted_keeps_the_last_proof(shore: Prepared, tmp_path: Path) -> None:
    """Ctrl-C while the second proof is made: the first stands whole, and nothing half-made lies beside it."""
    place = tmp_path / "proof"
    build_proof(shore, job_of(shore), place, 1.0)
    before = {path: path.read_bytes() for path in place.rglob("*") if path.is_file()}

    def interrupted(what: str, _done: float) -> None:
        if what == "writing the page":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        build_proof(shore, job_of(shore), place, 2.0, progress=interrupted)
    assert {path: path.read_bytes() for path in place.rglob("*") if path.is_file()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["proof"]


@pytest.mark.parametrize(
    ("px_per_mm", "error_mm", "words"),
    [
        (0.0, None, "proof: --px-per-mm: expected a number above 0, got 0"),
        (math.nan, None, "proof: --px-per-mm: expected a number above 0, got nan"),
        (300.0, None, "proof: --px-per-mm: expected at most 129.09 for a picture of this size, got 300"),
        (None, -1.0, "proof: --register-error: expected mm above 0, up to 100, got -1"),
        (None, 1000.0, "proof: --register-error: expected mm above 0, up to 100, got 1000"),
    ],
)
def test_numbers_out_of_range(
    shore: Prepared, tmp_path: Path, px_per_mm: float | None, error_mm: float | None, words: str
) -> None:
    """One message that names the option, what was expected and what came; nothing is written."""
    with pytest.raises(InputError) as caught:
        build_proof(shore, job_of(shore), tmp_path / "proof", px_per_mm, error_mm)
    assert str(caught.value).startswith(words)
    assert list(tmp_path.iterdir()) == []


def test_a_job_that_has_changed_is_refused(shore: Prepared, tmp_path: Path) -> None:
    """Strokes of one drawing are not held against another: the changed file is named."""
    (tmp_path / "shore.svg").write_text(SVG)
    (tmp_path / "job.toml").write_text(JOB)
    machine = shipped("machines/boathouse.toml")
    prepared = prepare(tmp_path / "job.toml", machine, tmp_path / "prepared")
    (tmp_path / "shore.svg").write_text(SVG.replace('r="6"', 'r="7"'))
    with pytest.raises(InputError, match=r"sources: expected files as they were .*got others: .*shore\.svg"):
        build_proof(prepared, tmp_path / "job.toml", tmp_path / "proof")
    assert not (tmp_path / "proof").exists()


def test_dots_painted_twice_are_wanted_as_wide_as_the_second_time(tmp_path: Path) -> None:
    """Dots of 12 mm enlarged by 3 mm: discs of 15 mm, covered by both passes together and by nothing beside them."""
    (tmp_path / "shore.svg").write_text(SVG)
    again = 'fill = "dots"\nagain = "enlarge"\nenlarge_mm = 3.0'
    (tmp_path / "job.toml").write_text(JOB.replace('fill = "dots"', again))
    machine = shipped("machines/boathouse.toml")
    prepared = prepare(tmp_path / "job.toml", machine, tmp_path / "prepared")
    assert [one.name for one in prepared.record.passes if one.ink == "moon"] == ["moon-1", "moon-2"]
    moon = ink(build_proof(prepared, tmp_path / "job.toml", tmp_path / "proof", 4.0), "moon").exact
    assert moon.wanted_mm2 == pytest.approx(2 * math.pi * 7.5**2, abs=moon.error_mm2)
    assert moon.share > 0.9999
    assert moon.outside_mm2 < moon.error_mm2


def test_damaged_strokes_are_named(shore: Prepared, tmp_path: Path) -> None:
    """A strokes file that cannot be read, or is not there, is named."""
    folder = tmp_path / "prepared"
    for part in shore.record.passes:
        (folder / part.name).mkdir(parents=True)
        (folder / part.name / "strokes.npz").write_bytes(b"not strokes")
    hurt = Prepared(folder, shore.record)
    with pytest.raises(InputError, match=r"moon-1/strokes\.npz: strokes: expected whole strokes"):
        build_proof(hurt, job_of(shore), tmp_path / "proof")
    (folder / "moon-1" / "strokes.npz").unlink()
    with pytest.raises(InputError, match=r"moon-1/strokes\.npz: strokes: expected whole strokes"):
        build_proof(hurt, job_of(shore), tmp_path / "proof")
