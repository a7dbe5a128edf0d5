"""The day's sheet: what is left, when, with which pens, what bars it; every reason on a card; one side of paper."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, time
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.config.errors import InputError
from controller.config.load import load_job, load_machine
from controller.config.places import StateDir, shipped
from controller.report.today import MarkToday, RegisterToday, Today, begin_of, today_of
from controller.report.todaypage import CHECKLIST, clock, duration, page
from controller.report.todaypasses import GoesOn, InkToday, PassToday, passes_today
from controller.report.todaypicture import Picture, drawing, picture_of
from controller.report.todaystops import ALWAYS, CARDS, EMERGENCY
from controller.session.journal import Journal
from controller.session.penrows import SumsRow
from controller.session.prepared import PREPARED_FILE, Prepared, PreparedInk, load_prepared
from controller.session.rows import MarkMeasured
from safety import latch
from safety.events import Reason
from tests.fakes.browser import browser, needs_chromium, serious_findings, sideways_px, visit

AT = datetime(2026, 3, 14, 8, 0, tzinfo=UTC)
MACHINE = shipped("machines/boathouse.toml")
JOB = """format = 1
name = "low-tide"
artwork = "low-tide.svg"
origin_mm = [0.0, 0.0]
[[inks]]
name = "moon"
colour = "#0072b2"
tip_mm = 2.0
pen_metres = 50.0
[[inks]]
name = "heron"
colour = "#1d1f24"
tip_mm = 3.0
[traps]
width_mm = 1.5
"""
MARKS = """[register]
marks_mm = { nw = [30.0, 30.0], ne = [2970.0, 30.0], se = [2970.0, 1870.0] }
"""


@pytest.fixture
def day(make, tmp_path: Path) -> Day:
    """A session of three strokes, the third stopped, and a job file for it."""
    return Day(make(tmp_path / "s"), tmp_path)


class Day:
    """A made-up session with its job, and the sheet of the day after it."""

    def __init__(self, made: Any, folder: Path) -> None:
        self.made, self.job = made, folder / "job.toml"
        self.job.write_text(JOB)
        self.state = StateDir(made.root)

    @property
    def prepared(self) -> Prepared:
        """As it lies in the state."""
        return load_prepared(self.made.prepared)

    def journal(self) -> Journal:
        """For more rows; to be closed."""
        return Journal.open(self.state.journal, self.made.machine.name, now_ms=lambda: 1_750_000_100_000)

    def add_passes(self, *ink_seconds_fresh: tuple[str, float, bool]) -> None:
        """More passes behind the first, not begun: they need no files."""
        record = self.prepared.record
        passes = list(record.passes)
        for number, (ink, seconds, fresh) in enumerate(ink_seconds_fresh, 2):
            passes.append(
                passes[0].model_copy(
                    update={"name": f"{ink}-{number}", "ink": ink, "seconds": seconds, "fresh_pen": fresh}
                )
            )
        heron = PreparedInk(
            name="heron", colour="#1d1f24", tip_mm=3.0, passes=1, strokes=3, metres=0.2, seconds=9.0, pens=1
        )
        record = record.model_copy(update={"passes": tuple(passes), "inks": (*record.inks, heron)})
        (self.made.prepared / PREPARED_FILE).write_text(record.model_dump_json())

    def sheet(self, **more: Any) -> Today:
        """Its figures."""
        return today_of(self.prepared, self.job, MACHINE, self.state, at=AT, **more)


def test_a_begun_pass_goes_on_with_its_first_unfinished_stroke(day: Day) -> None:
    """Two of three strokes are painted: one is left, its length by its own vertices, its time by the ticks from its
    travel on, its place where its first vertex lies."""
    (one,) = day.sheet().passes
    dot = day.made.strokes.stroke_mm(2)
    assert one.strokes == 1
    assert one.metres == pytest.approx(sum(math.dist(a, b) for a, b in itertools.pairwise(dot)) / 1e3)
    segments = np.asarray(day.made.schedule.segments)
    first = int(np.flatnonzero(segments["stroke"] == 2)[0])
    assert one.seconds == pytest.approx(
        (day.made.schedule.ticks - segments["first_tick"][first]) * 4e-3, abs=1e-9
    )
    assert one.goes_on == GoesOn(
        2, 3, (float(dot[0, 0]), float(dot[0, 1])), 0.0, pytest.approx(1e3 * one.metres)
    )
    assert not one.other_plan


def test_a_finished_pass_is_done_and_another_plan_is_said(day: Day) -> None:
    """All strokes finished: nothing is left. A pass begun from another plan is listed whole, and says so."""
    with closing(day.journal()) as journal:
        row = journal.latest_pass("low-tide", "moon-1")
        assert row is not None
        journal.finish_strokes(row.id, journal.runs()[-1].id, [(2, 5)])
    sheet = day.sheet()
    assert (sheet.passes, sheet.done, sheet.painted) == ((), 1, ("moon-1",))
    assert "Every pass that was asked for is painted" in page(sheet, "")
    record = day.prepared.record
    other = record.passes[0].model_copy(update={"digest": "f" * 64, "strokes": 4})
    changed = Prepared(day.made.prepared, record.model_copy(update={"passes": (other,)}))
    with closing(day.journal()) as journal:
        found = passes_today(
            changed, changed.record.passes, journal, load_job(day.job), day.made.machine, 1e9
        )
    assert found.done == 1  # what the journal has of it is whole
    with closing(day.journal()) as journal:
        session = journal.begin_session("paint", "low-tide")
        row = journal.begin_pass(
            session, job="low-tide", job_digest="0", name="moon-1", ink="moon", ink_index=0,
            schedule_digest="0" * 64, folder=day.made.prepared / "moon-1", strokes=3,
        )  # fmt: skip
        run = journal.begin_run(
            session, "moon-1", lambda n: day.state.run_folder(n, "moon-1"), pass_id=row.id
        )
        journal.finish_strokes(row.id, run.id, [(0, 5)])
        journal.end_run(run.id, "stopped", "", realtime=False)
    (one,) = day.sheet().passes
    assert one.other_plan
    assert one.strokes == 3
    assert "you will be asked" in page(day.sheet(), "")


def test_times_add_up_and_the_day_ends_in_time(day: Day) -> None:
    """Begins are sums of homings (their median), passes and breaks; what would end after the day is later; a first pass
    longer than the day is today's all the same."""
    with closing(day.journal()) as journal:
        for ticks in (2500, 5000, 2750):  # of 4 ms: 10, 20 and 11 s
            run = journal.begin_run(1, "homing", lambda n: day.state.run_folder(n, "homing"))
            journal.pens.add_sums(SumsRow(run.id, None, ticks, *([0.0] * 6), 0, 0.0, 0.0, 0, 0, 0.0))
            journal.end_run(run.id, "done", "", realtime=False)
    day.add_passes(("moon", 600.0, False), ("heron", 900.0, True), ("heron", 1200.0, True))
    sheet = day.sheet(hours=1.0)
    first = sheet.passes[0].seconds
    assert sheet.homing_s == 11.0
    assert [one.begin_s for one in sheet.passes] == pytest.approx(
        [11.0, 11 + first + 311, 11 + first + 311 + 600 + 311]
    )
    assert [one.number for one in sheet.passes] == [1, 2, 3]
    assert (sheet.later, sheet.later_s) == (1, 1200.0)
    assert sheet.seconds == pytest.approx(sheet.passes[-1].begin_s + 900.0)
    assert sheet.pen_changes == 1  # moon goes on with its pen; the heron's is put in
    assert [len(day.sheet(hours=hours).passes) for hours in (0.001, 24.0)] == [1, 4]
    assert [one.name for one in day.sheet(passes=("heron-4",)).passes] == ["heron-4"]
    for wrong in (0.0, -1.0, 25.0, math.nan):
        with pytest.raises(InputError, match="--hours"):
            day.sheet(hours=wrong)
    with pytest.raises(InputError, match="one of moon-1"):
        day.sheet(passes=("wing-1",))


def test_pens_by_ink(day: Day) -> None:
    """A pass that goes on keeps its pen; fresh ones are counted against the stock; what nobody counted is unknown."""
    day.add_passes(("moon", 60.0, True), ("moon", 60.0, True), ("heron", 60.0, True))
    assert [(one.name, one.fresh, one.unused) for one in day.sheet().inks] == [
        ("moon", 3, None),
        ("heron", 1, None),
    ]
    with closing(day.journal()) as journal:
        pen = journal.pens.add_pen("moon", session=1, pass_name="moon-1", person="ada")
        journal.pens.add_sums(
            SumsRow(journal.runs()[-1].id, pen, 9, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 1, 1.0, 1.0, 0, 0, 12_500.0)
        )
        journal.pens.add_stock("moon", 1, "ada")
    moon, heron = day.sheet().inks
    assert (moon.fresh, moon.unused, moon.missing) == (2, 1, 1)
    assert (moon.in_use_m, moon.in_use_left_m) == (12.5, 37.5)  # the job: 50 m a pen
    assert (heron.unused, heron.missing, heron.in_use_m) == (None, 0, None)
    assert moon.fresh_s == tuple(one.begin_s for one in day.sheet().passes if one.ink == "moon")[1:]
    said = page(day.sheet(), "")
    assert "short of 1 moon" in said
    assert "not counted: heron" in said
    assert "12.5 m, 38 left" in said


def test_what_bars_the_day_comes_first(day: Day, tmp_path: Path) -> None:
    """A latch with words of somebody's, a machine that was never homed, a wire whose stops nobody proved."""
    assert day.sheet().barred == ()
    latch.write(day.state.latch, latch.Latch("stop-asked", "asked <for> by Ada"))
    (line,) = day.sheet().barred
    assert (
        line == "Stopped (stop-asked). Cause gone: giornata clear, giornata home. It was: asked <for> by Ada"
    )
    said = page(day.sheet(), "")
    assert "asked &lt;for&gt; by Ada" in said
    assert said.index("stop-asked") < said.index("<h2>Passes</h2>")
    day.state.latch.write_text("{")
    assert "(latch-unreadable)" in day.sheet().barred[0]
    fresh = today_of(day.prepared, day.job, MACHINE, StateDir(tmp_path / "none"), at=AT)
    assert fresh.barred == ("Never homed: giornata home.",)
    assert fresh.passes[0].strokes == 3
    real = tmp_path / "real.toml"
    stop = '\n[[stops.inputs]]\nname = "gate"\nkind = "modem-line"\ndevice = "/dev/ttyUSB7"\nline = "cts"\n'
    real.write_text(MACHINE.read_text().replace('"simulated"', '"/dev/ttyACM0"').split("\n[twin]")[0] + stop)
    assert load_machine(real).stops.inputs
    bare = today_of(day.prepared, day.job, real, StateDir(tmp_path / "none"), at=AT)
    assert any("gate" in line and "giornata commission" in line for line in bare.barred)


def test_bars_keep_their_code_and_their_commands_on_paper(day: Day, tmp_path: Path) -> None:
    """However much somebody wrote and however many stops there are: the code by which a card is found and every command
    stand on the page, for each reason that a latch can have; --json and the terminal have the words whole."""
    why = "a ladder in the way, and " * 20
    for reason in (*(one.value for one in Reason), latch.UNREADABLE):
        day.state.latch.unlink(missing_ok=True)
        latch.write(day.state.latch, latch.Latch(reason, why))
        sheet = day.sheet()
        assert why in sheet.barred[0]
        shown = page(sheet, "")
        for wanted in (f"({reason})", "giornata clear", "giornata home", "a ladder"):
            assert wanted in shown, (reason, wanted)
        assert why not in shown
    inputs = "".join(
        f'\n[[stops.inputs]]\nname = "{name}"\nkind = "modem-line"\ndevice = "/dev/ttyUSB{n}"\nline = "cts"\n'
        for n, name in enumerate(
            ("gate-beside-the-boathouse-door", "mat-below-the-hanging-axis", "rope-along-the-wall")
        )
    )
    real = tmp_path / "real.toml"
    real.write_text(
        MACHINE.read_text().replace('"simulated"', '"/dev/ttyACM0"').split("\n[twin]")[0] + inputs
    )
    bare = today_of(day.prepared, day.job, real, StateDir(tmp_path / "none"), at=AT)
    assert any("rope-along-the-wall" in line for line in bare.barred)
    assert "Nothing moves before giornata commission" in page(bare, "")
    day.state.latch.unlink()
    with closing(day.journal()) as journal:
        journal.lose_registration(f"halted: {why}")
    assert "Not registered: giornata home." in page(day.sheet(), "")


def test_a_wait_for_wet_paint_is_in_the_times(day: Day) -> None:
    """A pass that shall wait 25 minutes begins 25 minutes later, and so does all after it; the row says why."""
    day.add_passes(("moon", 600.0, False), ("heron", 900.0, True))
    dry = [one.begin_s for one in day.sheet().passes]
    record = day.prepared.record
    second = record.passes[1].model_copy(update={"wet_strokes": 4, "wet_minutes": 25.0})
    record = record.model_copy(update={"passes": (record.passes[0], second, record.passes[2])})
    (day.made.prepared / PREPARED_FILE).write_text(record.model_dump_json())
    wet = day.sheet()
    assert [one.begin_s for one in wet.passes] == pytest.approx([dry[0], dry[1] + 1500.0, dry[2] + 1500.0])
    assert wet.seconds == pytest.approx(dry[2] + 1500.0 + 900.0)
    assert "wet: wait 25 min" in page(wet, "")


def test_strokes_are_numbered_from_one(day: Day) -> None:
    """Two of three strokes are painted: it goes on with stroke 3 of 3, on the page and in the terminal's table."""
    from rich.console import Console

    from controller.cli.today import _table

    sheet = day.sheet()
    assert sheet.passes[0].goes_on is not None
    assert (sheet.passes[0].goes_on.stroke, sheet.passes[0].goes_on.of_strokes) == (2, 3)
    assert "goes on with stroke 3 of 3" in page(sheet, "")
    console = Console(width=200)
    with console.capture() as said:
        console.print(_table(sheet))
    assert "goes on with stroke 3 of 3" in said.get()


def test_marks_and_what_to_do_about_them(day: Day) -> None:
    """None; crosses that are still to be painted; painted and not measured; a map in force, with its day."""
    assert day.sheet().marks == ()
    day.job.write_text(JOB + MARKS)
    assert day.sheet().marks[1] == MarkToday("ne", (2970.0, 30.0))
    assert "in moon-1" in day.sheet().marks_words  # six strokes make three crosses; two are painted
    day.job.write_text(JOB + MARKS + "existing = true\n")
    assert "Not measured yet" in day.sheet().marks_words
    with closing(day.journal()) as journal:
        found = MarkMeasured("nw", (30.0, 30.0), (30.1, 30.0))
        matrix = ((1.0, 0.0, 0.1), (0.0, 1.0, 0.0))
        journal.add_register_map(
            "low-tide", session=1, matrix=matrix, marks=(found,), summary=(), person="ada"
        )
    assert "Map 1 of 2025-06-15" in day.sheet().marks_words
    shown = drawing(day.sheet(), picture_of(day.sheet(), day.prepared))
    assert [name for name in ("nw", "ne", "se") if f">{name}</text>" in shown] == ["nw", "ne", "se"]
    assert 'class="ring" cx="34" cy="70"' in shown  # the dot's outermost point, where the pass goes on


def test_the_drawing_shows_todays_strokes_in_ink_and_painted_ones_in_grey(day: Day) -> None:
    """Pixels at the horizon, which is painted, are grey; at the dot, which is today's, they have its colour."""
    import io

    from PIL import Image

    sheet = day.sheet()
    picture = picture_of(sheet, day.prepared)
    with Image.open(io.BytesIO(picture.png)) as opened:
        pixels = np.asarray(opened.convert("RGB"), dtype=int)
    scale = pixels.shape[1] / picture.size_mm[0]

    def colour(x_mm: float, y_mm: float) -> tuple[int, ...]:
        column, row = (
            round((at - zero) * scale) for at, zero in zip((x_mm, y_mm), picture.corner_mm, strict=True)
        )
        return tuple(pixels[row, column])

    assert colour(50.0, 20.0) == (0xB9, 0xBD, 0xC0)
    assert colour(30.0, 70.0) == (0x00, 0x72, 0xB2)
    assert colour(40.0, 40.0) == (255, 255, 255)


def test_every_reason_stands_on_one_card_of_three_lines() -> None:
    """Whatever code a latch shows, one card has it; each says three things; the emergency stop comes first of all."""
    shown = [code for card in CARDS for code in card.reasons]
    assert sorted(shown) == sorted([*(one.value for one in Reason), latch.UNREADABLE])
    assert all(len(card.lines) == 3 and all(card.lines) for card in CARDS)
    said = page(worst(), "")
    halts = said[said.index('class="halts"') :]
    assert halts.index(EMERGENCY) < halts.index(ALWAYS[0]) < halts.index(CARDS[0].title)


@pytest.mark.parametrize("text", ["", "9", "25:00", "09:30:00", "half nine"])
def test_a_beginning_is_a_time_of_day(text: str) -> None:
    """Anything else is one mistake that names the option."""
    with pytest.raises(InputError, match="--begin"):
        begin_of(text, Path("job.toml"))


def test_words_of_time() -> None:
    """Minutes are rounded up, clocks run on from the beginning or count from it."""
    assert [duration(seconds) for seconds in (0, 1, 60, 61, 3600, 3661)] == [
        "0 min", "1 min", "1 min", "2 min", "1 h 00 min", "1 h 02 min",
    ]  # fmt: skip
    assert begin_of("09:30", Path("job.toml")) == time(9, 30)
    assert clock(worst(), 5400.0) == "11:00"
    assert clock(replace(worst(), begin=None), 5400.0) == "+1:30"


# The page --------------------------------------------------------------------------------------------------------

LONG = "grey-green-of-the-reeds-at-low-tide-behind-the-boathouse-at-dusk"


def worst() -> Today:
    """More of everything than a page has room for, with the longest names."""
    passes = tuple(
        PassToday(
            number, f"{LONG[:60]}-{number}", LONG, "#1f7a78", 15_000, 12_345.6, 2700.0, 3000.0 * number, True,
            GoesOn(12_345, 15_000, (1234.5, 987.6), 1234.5, 9876.5), True, 90.0, True,
        )
        for number in range(1, 31)
    )  # fmt: skip
    inks = tuple(
        InkToday(
            f"{LONG[:58]}-{number}", "#d9952b", 8.5, 30, 1e4, 9, tuple(range(0, 27_000, 3000)), 0, 9, 1e3, 1e3
        )
        if number % 2
        else InkToday(
            f"{LONG[:58]}-{number}", "#fefefe", 8.5, 30, 1.0, 9, (0.0,) * 9, None, 0, 1000.0, 1000.0
        )
        for number in range(20)
    )
    line = (
        "axes.x.length_table: measured on 2026-01-02 10:00 UTC, 200 days ago (more than 180): measure it again "
        * 3
    )
    return Today(
        job=LONG, machine=LONG[:40], canvas_mm=(3000.0, 1900.0), canvas_colour="#f6efdf", at=AT, begin=time(9, 30),
        hours=24.0, passes=passes, inks=inks, done=100, painted=(), later=100, later_s=1e6, change_minutes=5.0,
        homing_s=42.0, pen_changes=29, barred=(line[:200],) * 3, latched="stop-asked",
        register=RegisterToday(False, line[:100], "2026-03-13 17:00 UTC", (line,) * 9, 1.2, 1.5, True),
        marks=tuple(MarkToday(f"mark-{LONG}", (30.0 * one, 30.0)) for one in range(60)),
        marks_words="Crosses are painted first of all, in grey-green-of-the-reeds-at-low-1; from the next pass on "
        "giornata marks measures them.",
        swatch_mm=(2700.0, 40.0, 200.0, 120.0), due=(line,) * 20, notes=(line,) * 20,
    )  # fmt: skip


def usual() -> Today:
    """A day with little on it."""
    full = worst()
    return replace(
        full, job="low-tide", machine="boathouse", passes=(replace(full.passes[0], name="teal-1"),),
        inks=(replace(full.inks[1], name="teal"),), barred=(), marks=full.marks[:1], due=(), notes=(),
        register=RegisterToday(True, "", "2026-03-13 17:00 UTC", (), None, None, True),
    )  # fmt: skip


class Reader(HTMLParser):
    """Tags closed in order, places that the page points to, identities."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.places: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep it."""
        self.places += [value or "" for name, value in attrs if name in ("src", "href", "srcset", "action")]
        if tag not in ("meta", "rect", "path", "image", "circle"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep where it points."""
        self.places += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_endtag(self, tag: str) -> None:
        """What closes is what was opened last."""
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Keep it."""
        self.text.append(data)


def made(today: Today, paper: Any = "a4") -> str:
    """A whole page with a drawing."""
    import io

    from PIL import Image

    buffer = io.BytesIO()
    Image.new("RGB", (30, 19), "#f6efdf").save(buffer, "PNG")
    return page(today, drawing(today, Picture((0.0, 0.0), (3000.0, 1900.0), buffer.getvalue())), paper)


@pytest.mark.parametrize("today", [worst(), usual()], ids=["worst", "usual"])
def test_the_page_is_whole_and_stands_alone(today: Today) -> None:
    """Every tag is closed in order; nothing is fetched; every line of the checklist and of the halts is there."""
    reader = Reader()
    reader.feed(made(today))
    assert reader.open == []
    assert all(place.startswith("data:image/png;base64,") for place in reader.places)
    text = " ".join(reader.text)
    for line in (*CHECKLIST, EMERGENCY, *ALWAYS, *(line for card in CARDS for line in card.lines)):
        assert line in text


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """One browser for this module."""
    with browser() as one:
        yield one


def pages_of(pdf: bytes) -> int:
    """Page objects of a PDF (ISO 32000-1, 7.7.3.3: /Type /Page)."""
    return len(re.findall(rb"/Type\s*/Page(?![A-Za-z])", pdf))


@needs_chromium
def test_it_prints_on_one_page(chromium: Any, tmp_path: Path) -> None:
    """The fullest and the emptiest sheet each take one side of A4 and of Letter; what is read standing has 10 points or
    more. A sheet with a second page is seen by the same count."""
    margin = dict.fromkeys(("top", "bottom"), "6mm") | dict.fromkeys(("left", "right"), "9mm")
    file = tmp_path / "today.html"
    with visit(chromium) as look:
        for today in (worst(), replace(worst(), barred=()), usual()):
            for paper in ("a4", "letter"):
                file.write_text(made(today, paper))
                look.page.goto(file.as_uri())
                assert pages_of(look.page.pdf(prefer_css_page_size=True)) == 1, paper
        file.write_text(made(worst()))
        look.page.goto(file.as_uri())
        assert pages_of(look.page.pdf(format="Letter", margin=margin)) == 1, "made for A4, printed on Letter"
        look.page.emulate_media(media="print")
        sizes = look.page.eval_on_selector_all(
            ".emergency, .always li, .card h3, .card ol li, .card .codes",
            "all => all.map(one => parseFloat(getComputedStyle(one).fontSize))",
        )
        assert min(sizes) >= 10.0 * 96.0 / 72.0 - 0.01  # CSS: 96 px and 72 pt an inch
        assert look.complaints == []
        look.page.set_content("<p style='height: 400mm'>low tide")
        assert pages_of(look.page.pdf(format="A4")) == 2


@needs_chromium
def test_it_is_read_on_a_phone(chromium: Any, tmp_path: Path) -> None:
    """390 px wide nothing hangs out sideways, and axe finds nothing serious, light or dark."""
    file = tmp_path / "today.html"
    file.write_text(made(worst()))
    with visit(chromium, width=390) as look:
        look.page.goto(file.as_uri())
        assert sideways_px(look.page) == 0
        for scheme in ("light", "dark"):
            look.page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert serious_findings(look.page) == []
        assert look.complaints == []
