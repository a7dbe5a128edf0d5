"""The whole report: files, page, pictures, and what it says when something is missing."""

from __future__ import annotations

import re
import shutil
from contextlib import closing
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from controller.config.errors import InputError
from controller.config.places import shipped
from controller.report.build import build_report, charts_of, evidence_of, page_of, summarise
from controller.report.gather import gather
from controller.report.painted import load_painted
from controller.report.pictures import deviation_map, planned_and_painted, worst_places
from controller.report.pieces import number
from controller.session.journal import Journal

VOID = {"meta", "img", "br", "hr", "link", "input"}
SHAPES = {"path", "rect", "circle", "image"}


class Checker(HTMLParser):
    """Follows the tags: which are open, where things lead, what text there is."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.links: list[str] = []
        self.ids: list[str] = []
        self.alternatives: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag, attrs):
        """Note what opens and where it leads."""
        self.note(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        """What closes itself: shapes of SVG only."""
        assert tag in SHAPES
        self.note(tag, attrs)

    def note(self, tag, attrs):
        """Of one tag: its name, identity, links and words."""
        # A title within SVG is the words of a shape.
        self.seen.append(f"svg {tag}" if "svg" in self.open else tag)
        self.ids += [value for name, value in attrs if name == "id"]
        self.links += [value for name, value in attrs if name in ("src", "href", "srcset", "action")]
        self.alternatives += [value for name, value in attrs if name == "alt"]

    def handle_endtag(self, tag):
        """What closes is what was opened last."""
        assert self.open.pop() == tag

    def handle_data(self, data):
        """Note the text."""
        self.text.append(data)


@pytest.fixture(scope="module")
def files(made, tmp_path_factory):
    return build_report(made.root, made.session, tmp_path_factory.mktemp("report"))


def words(report) -> str:
    """The page without its pictures."""
    evidence = evidence_of(report)
    return page_of(evidence, charts_of(evidence))


@pytest.fixture(scope="module")
def checked(files):
    checker = Checker()
    checker.feed(files.html.read_text())
    return checker


def test_page_is_well_formed(checked):
    """Every tag that is opened is closed, in order; there is one title and one first heading."""
    assert checked.open == []
    assert checked.seen.count("title") == checked.seen.count("h1") == 1


def test_page_needs_no_network(files, checked):
    """Pictures are inside the page; it links to its own parts and to the files beside it, and loads nothing."""
    inside = [link for link in checked.links if link.startswith("#")]
    beside = [link for link in checked.links if link.startswith(("pictures/", "tables/"))]
    pictures = [link for link in checked.links if link.startswith("data:image/png;base64,")]
    assert len(inside) + len(beside) + len(pictures) == len(checked.links)
    assert len(pictures) == 4
    assert {link[1:] for link in inside} <= set(checked.ids)
    assert all((files.html.parent / link).is_file() for link in beside)
    content = files.html.read_text()
    assert "http:" not in content
    assert "https:" not in content
    assert "url(" not in content
    assert "@import" not in content


def test_every_picture_says_what_it_shows(files, checked):
    """Each picture has words for who cannot see it, and lies beside the page as a file as well."""
    assert len(checked.alternatives) == checked.seen.count("img") == 4
    assert all(len(words) > 20 for words in checked.alternatives)
    names = {path.stem for path in files.pictures.glob("*.png")}
    assert names == {
        "planned-painted", "deviation-map", "deviation-histogram", "worst-places", "over-time", "homing", "register",
        "lateness-histogram", "timing-histogram", "so-far", "following-map", "contour-map",
    }  # fmt: skip


def test_identities_are_unique(checked):
    """No two things on the page have the same identity, or a link would lead to the wrong one."""
    assert len(checked.ids) == len(set(checked.ids)) > 30


def test_links_lead_both_ways(files, checked, made):
    """A peak leads to its stroke in the picture, the stroke to its column over the plots, that to a stroke again."""
    content = files.html.read_text()
    peaks = re.findall(r'<a class="peak" href="#(s-\d+-\d+)"', content)
    assert len(peaks) >= 3
    for target in peaks:
        (column,) = re.findall(rf'<a id="{target}" href="#(t-\d+)"', content)
        (back,) = re.findall(rf'<a id="{column}" tabindex="-1" href="#(s-\d+-\d+)"', content)
        assert back in checked.ids
    # The stroke that was begun and not finished is in the picture too.
    assert {f"s-1-{stroke}" for stroke in range(len(made.strokes))} <= set(checked.ids)


def test_page_adapts_to_phone_and_dark(files):
    """It has a viewport, wide tables scroll by themselves, and it follows the reader's colour scheme."""
    content = files.html.read_text()
    assert 'name="viewport"' in content
    assert "prefers-color-scheme: dark" in content
    assert "overflow-x: auto" in content


def test_words_from_outside_are_escaped(files, checked):
    """Text of events cannot become markup."""
    assert "<stop>" not in files.html.read_text()
    assert any("the painter said <stop> & went home" in text for text in checked.text)


def test_page_shows_the_passes(checked):
    """The table of passes has the ink, its strokes and the timing quantiles."""
    text = " ".join(checked.text)
    assert "moon" in text
    assert "2 of 3" in text
    for title in ("p50, µs", "p99.9, µs", "homing spread x / y, mm", "0.009 / 0.009"):
        assert title in text


def test_pictures_are_pictures(files):
    """Each file is a PNG of sensible size that is not all of one colour."""
    for path in files.pictures.glob("*.png"):
        with Image.open(path) as image:
            assert image.format == "PNG"
            assert image.width > 900
            assert 250 < image.height < 2000
            assert (
                len(np.unique(np.asarray(image.convert("RGB").resize((64, 64))).reshape(-1, 3), axis=0)) > 20
            )


def test_painted_lines_have_their_inks_colour_and_width(files, made):
    """In the picture, pixels of the ink's colour cover about length x tip width of the canvas shown."""
    with Image.open(files.pictures / "planned-painted.png") as image:
        pixels = np.asarray(image.convert("RGB")).astype(int)
    ink = np.abs(pixels - np.array([0x00, 0x72, 0xB2])).max(axis=2) < 12
    # The frame shows the strokes' bounds, the tip's width and 3 % + 1 mm of air around: here about 81 mm across.
    sheet = np.abs(pixels - np.array([0xFA, 0xF6, 0xED])).max(axis=2) < 3
    columns = np.flatnonzero(sheet.any(axis=0))
    low, high = np.array(made.strokes.bounds_mm()).reshape(2, 2)
    air = 0.03 * (high - low + 4.0).max() + 1.0
    px_per_mm = (columns[-1] - columns[0]) / ((high - low)[0] + 4.0 + 2 * air)
    line, circle, _ = made.strokes.lengths_mm()
    # The spiral's turns lie closer than the tip: its area is that of the disc of 4 mm radius and half the tip.
    area_mm2 = (line + circle) * 2.0 + np.pi * 1.0**2 + np.pi * 5.0**2
    assert ink.sum() / px_per_mm**2 == pytest.approx(area_mm2, rel=0.2)


def test_virtual_sessions_say_that_nothing_can_be_late(make, tmp_path):
    """In virtual time no picture of lateness is drawn, and the page says why."""
    made = make(tmp_path / "state", clock="virtual")
    files = build_report(made.root, None, tmp_path / "out")
    assert "by construction" in files.html.read_text()
    assert not list(files.pictures.glob("lateness*"))
    assert list(files.pictures.glob("planned*"))


def test_default_place_is_in_the_state(make, tmp_path, monkeypatch):
    """Without a folder the report goes to the machine's own reports, by session; progress ends at one."""
    # Where it goes does not hang on the pictures, and those take seconds.
    monkeypatch.setattr("controller.report.build._drawn", lambda *_: {})
    monkeypatch.setattr("controller.report.build._pictures", lambda _: [])
    made = make(tmp_path / "state")
    seen = []
    files = build_report(made.root, None, progress=lambda what, share: seen.append((what, share)))
    assert files.html == tmp_path / "state" / "reports" / "0001" / "report.html"
    shares = [share for _, share in seen]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_no_journal_is_an_input_error(tmp_path):
    """Nothing was ever done: one clear message."""
    with pytest.raises(InputError, match="home or paint first"):
        build_report(tmp_path, None, tmp_path / "out")


def test_empty_journal_is_an_input_error(tmp_path):
    """A journal in which nothing was painted has nothing to report, though the machine was homed."""
    with closing(Journal.open(tmp_path / "journal.sqlite", "boathouse")) as journal:
        session = journal.begin_session("home", "")
        journal.begin_run(session, "homing", lambda number: tmp_path / "runs" / f"{number}")
    with pytest.raises(InputError, match="a session that painted"):
        build_report(tmp_path, None, tmp_path / "out")


def test_unknown_session_is_an_input_error(made, tmp_path):
    """The message names the sessions that there are."""
    with pytest.raises(InputError, match="1 to 1"):
        build_report(made.root, 99, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_folder_that_cannot_be_made_is_an_input_error(made, tmp_path):
    """A file in the way is named."""
    (tmp_path / "out").write_text("in the way")
    with pytest.raises(InputError, match="folder that can be written"):
        build_report(made.root, None, tmp_path / "out")


def test_damaged_log_is_reported_and_the_rest_used(make, tmp_path):
    """A block with a broken checksum is left out, said on the page, and the other blocks still count."""
    made = make(tmp_path / "state")
    path = made.root / "runs" / "0002-moon-1" / "timing.gtl"
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0xFF
    path.write_bytes(content)
    report = summarise(made.root)
    assert any("checksum does not hold" in note for note in report.data.notes)
    assert 0 < report.passes[0].lateness.ticks < made.schedule.ticks


def test_missing_log_is_reported(make, tmp_path):
    """A run without its log is said; the session is still reported."""
    made = make(tmp_path / "state")
    (made.root / "runs" / "0002-moon-1" / "timing.gtl").unlink()
    assert "left no timing log" in words(summarise(made.root))


def test_job_prepared_anew_is_not_compared(make, tmp_path):
    """When the prepared folder no longer is what was painted, it is not used to judge the painting."""
    made = make(tmp_path / "state")
    meta = made.prepared / "moon-1" / "schedule" / "meta.json"
    meta.write_text(meta.read_text().replace(made.schedule.digest(), "0" * 64))
    report = summarise(made.root)
    assert report.data.passes[0].strokes is None
    assert report.layers[0].measured is None
    assert "prepared anew" in words(report)
    assert deviation_map(report.layers, report.data.painted) is None


@pytest.mark.parametrize("scale", [True, False])
def test_machine_file_that_is_gone_costs_what_only_it_says(make, tmp_path, scale):
    """Timing is reported all the same, and so are positions where the logs say how many counts a mm has."""
    machine_file = tmp_path / "boathouse.toml"
    shutil.copy(shipped("machines/boathouse.toml"), machine_file)
    made = make(tmp_path / "state", machine_file=machine_file, scale=scale)
    machine_file.unlink()
    report = summarise(made.root)
    assert (report.passes[0].following_max_mm is not None) == scale
    assert report.passes[0].lateness.ticks == made.schedule.ticks
    assert any("following errors are left out" in note for note in report.data.notes) == (not scale)
    assert any("machine file cannot be read any more" in note for note in report.data.notes)


def test_damaged_canvas_is_reported(make, tmp_path):
    """A canvas file that cannot be read is said and left out."""
    made = make(tmp_path / "state")
    (made.root / "twin" / "canvas.npz").write_bytes(b"rubbish")
    report = summarise(made.root)
    assert report.data.painted is None
    assert "canvas.npz" in words(report)
    assert worst_places(report.layers) is None


def test_state_directory_may_be_moved(make, tmp_path):
    """The journal names run folders by their old place; a copy elsewhere is read from where it is."""
    made = make(tmp_path / "state")
    shutil.move(made.root, tmp_path / "elsewhere")
    data = gather(tmp_path / "elsewhere")
    assert len(data.ticks) == 2
    assert load_painted(tmp_path / "elsewhere" / "twin" / "canvas.npz").contacts == 3


@pytest.mark.parametrize(
    ("value", "digits", "words"),
    [(None, 2, "\u2013"), (float("nan"), 1, "\u2013"), (12345.678, 1, "12,345.7")],
)
def test_numbers_for_people(value, digits, words):
    """What is not known is a dash, never a zero or ``nan``."""
    assert number(value, digits) == words


def test_pictures_carry_no_date(files, made):
    """The same session drawn twice gives the same picture, byte for byte."""
    report = summarise(made.root)
    again = planned_and_painted(report.layers, report.data.painted)
    assert again == (files.pictures / "planned-painted.png").read_bytes()
