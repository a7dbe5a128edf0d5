"""Two sessions compared: figures against the raw log, verdicts where something was changed and where nothing was."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from controller.cli.comparetables import sessions_table
from controller.cli.main import main
from controller.config.errors import InputError
from controller.config.load import load_machine
from controller.config.places import StateDir, shipped
from controller.motion.schedule import SegmentKind
from controller.report.compare import BETTER, FEW, SCATTER, SMALL, WORSE, Comparison, compare
from controller.report.comparecharts import exceedance, session_charts
from controller.report.comparefind import FilePlace, SessionPlace, places
from controller.report.comparepage import sessions_page
from controller.report.compareread import errors, read_session
from controller.report.comparewords import comparison_json, lines
from controller.report.gather import gather
from controller.stream.record import TICK_DTYPE
from controller.stream.timinglog import TimingLogWriter, log_meta
from tests.report.comparedays import LINES, MACHINE, Day, make_days, planned, records

HOMES = ((0.01, 0.0), (-0.01, 0.02), (0.02, 0.01), (0.0, -0.02), (-0.02, 0.0), (0.005, 0.015))
SHIFTED = ((0.5, 0.0), *HOMES[1:])
DAYS = (
    Day(seed=1, home_mm=HOMES),
    Day(seed=2, home_mm=HOMES, pens=2),
    Day(seed=3, home_mm=SHIFTED, late_us=140.0, off_mm=0.05, halt="input-open"),
    Day(seed=4, clock="virtual"),
)


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_days(tmp_path_factory.mktemp("compared"), DAYS)


@pytest.fixture(scope="module")
def worse(root: Path) -> Comparison:
    return compare(read_session(root, 2), read_session(root, 3))


def test_figures_are_the_raw_logs(root):
    """Lateness and following error of a session are what the records say, recomputed at once with numpy."""
    read = read_session(root, 2)
    raw = records(DAYS[1], 10_000_000_000_000 * 2)
    late_us = (raw["sent_ns"] - raw["scheduled_ns"]) / 1000.0
    np.testing.assert_allclose(read.lateness_us, late_us, rtol=1e-6)
    fresh = (raw["flags"] & 1) != 0
    per_mm = np.array([float(load_machine(shipped(MACHINE)).axes[axis].drive.counts_per_mm) for axis in "xy"])
    off = np.hypot(*((raw["measured_counts"] - raw["planned_counts"]) / per_mm).T)
    np.testing.assert_allclose(read.following_mm, off[fresh & (raw["head"] != 0)], rtol=1e-5)
    assert 0 < len(read.contour_mm) <= len(read.following_mm)
    assert read.contour_mm.max() <= read.following_mm.max()
    strokes, schedule = planned()
    first = (schedule.segments["stroke"] == 0) & (schedule.segments["kind"] == SegmentKind.STROKE)
    mine = np.isin(raw["segment"], np.flatnonzero(first))
    assert read.parts[0].strokes["late_max_us"][0] == pytest.approx(late_us[mine].max(), rel=1e-6)
    (at,) = np.flatnonzero(first)
    begin = int(schedule.segments["first_tick"][at])
    after = begin + int(schedule.segments["ticks"][at])
    took_us = (raw["sent_ns"][after] - raw["sent_ns"][begin]) / 1000.0
    asked_us = (after - begin) * schedule.tick_ns / 1000.0
    assert read.parts[0].strokes["timing_us"][0] == pytest.approx(abs(took_us - asked_us), abs=0.1)
    assert read.parts[0].strokes["following_max_mm"][0] == pytest.approx(off[mine & fresh].max())
    assert read.counts.metres == pytest.approx(strokes.lengths_mm().sum() / 1000.0)
    assert (read.counts.strokes, read.counts.pens, read.counts.halts) == (LINES, 2, 0)


def test_contour_error_is_the_part_across_the_way():
    """Along a level way, an error along it is none of the contour, one across it is all; at rest there is none."""
    heard = np.zeros(6, dtype=TICK_DTYPE)
    heard["planned_counts"][:, 0] = [0, 1000, 2000, 3000, 3000, 3000]
    heard["measured_counts"] = heard["planned_counts"] + np.array(
        [[0, 0], [300, 0], [300, 400], [0, 400], [300, 400], [300, 400]]
    )
    heard["flags"], heard["feedback_ns"] = [1, 1, 1, 0, 1, 1], 1
    following, contour = errors(heard, (100.0, 100.0))
    np.testing.assert_allclose(following, [0.0, 3.0, 5.0, np.nan, 5.0, 5.0])
    np.testing.assert_allclose(contour, [0.0, 0.0, 4.0, np.nan, np.nan, np.nan])
    assert np.isnan(errors(heard, None)[0]).all()


def test_errors_are_those_of_the_sessions_report(tmp_path):
    """Tick for tick the figures that the report has, also where a way of its own lies between two parts of a pass.

    The second part begins at rest and far from where the first one ended: at rest there is no contour error, and no
    direction reaches over the way between, which is compared by nobody.
    """
    root = make_days(tmp_path, (Day(seed=7, home_mm=HOMES),))
    (path,) = (root / "runs").glob("*/timing.gtl")
    raw, (_strokes, schedule) = records(Day(seed=7), 10_000_000_000_000), planned()
    lines_at = np.flatnonzero(schedule.segments["kind"] == SegmentKind.STROKE)
    first_end = (
        int(schedule.segments["first_tick"][lines_at[10]] + schedule.segments["ticks"][lines_at[10]]) - 3
    )
    second = int(schedule.segments["first_tick"][lines_at[30]]) + 2
    rest = np.repeat(raw[second : second + 1], 25)
    way = np.repeat(raw[first_end - 1 : first_end], 200)
    way["segment"], way["head"] = -1, 0
    way["planned_counts"] = np.linspace(raw["planned_counts"][first_end - 1], rest["planned_counts"][0], 200)
    way["measured_counts"] = way["planned_counts"] + 900
    joined = np.concatenate([raw[:first_end], way, rest, raw[second:]])
    meta = log_meta(path)
    path.unlink()
    with TimingLogWriter(path, meta) as log:
        log.append(joined)
    read, (ticks,) = read_session(root, 1), gather(root, 1).ticks
    mine = (ticks.segment >= 0) & (ticks.head != 0)
    assert np.count_nonzero(joined["head"]) == np.count_nonzero(mine)
    for ours, theirs in (
        (read.contour_mm, ticks.contour_mm),
        (read.following_mm, np.hypot(*ticks.error_mm.T)),
    ):
        heard = theirs[mine]
        np.testing.assert_array_equal(ours, heard[np.isfinite(heard)].astype(np.float32))
    fresh = np.isfinite(ticks.error_mm[:, 0])
    at_rest = slice(first_end + 200, first_end + 200 + 24)
    assert (joined["head"][at_rest] != 0).all()
    assert np.isnan(ticks.contour_mm[at_rest]).all()
    assert fresh[at_rest].all()
    assert len(read.contour_mm) <= len(read.following_mm) - 24
    per_stroke = ticks.contour_mm[(ticks.segment == lines_at[30]) & np.isfinite(ticks.contour_mm)].max()
    assert read.parts[0].strokes["contour_max_mm"][30] == pytest.approx(per_stroke)


def test_nothing_changed_is_called_scatter(root):
    """Two sessions of the same make, other noise: no figure is told, and some were judged."""
    found = compare(read_session(root, 1), read_session(root, 2))
    assert found.told == ()
    assert found.judged >= 10
    assert lines(found)[0].startswith("no difference is more than scatter, of ")
    assert found.paired == LINES


def test_small_differences_are_not_called_scatter(root):
    """Where one is sure but small, the sentence for a person says so, and does not say that there is none."""
    found = compare(read_session(root, 1), read_session(root, 2))
    first = next(index for index, row in enumerate(found.rows) if row.verdict == SCATTER)
    rows = (*found.rows[:first], replace(found.rows[first], verdict=SMALL), *found.rows[first + 1 :])
    assert lines(replace(found, rows=rows))[0] == (
        f"no difference matters, of {found.judged} figures judged; 1 is more than scatter, but small"
    )


def test_what_was_changed_is_told(worse):
    """Lateness and errors more than doubled are worse, and the other way round better, by the same amount."""
    told = {row.name: row for row in worse.told}
    for name in (
        "lateness, p50",
        "lateness, p99",
        "following error, rms",
        "contour error, by the motors, rms",
    ):
        assert told[name].verdict == WORSE, name
        assert told[name].difference.low > 0.0
    back = {row.name: row for row in compare(worse.b, worse.a).told}
    assert set(back) == set(told)
    assert back["lateness, p50"].verdict == BETTER
    assert back["lateness, p50"].difference.size == pytest.approx(-told["lateness, p50"].difference.size)


def test_shown_figures_are_measured_not_drawn(worse):
    """A and B are numpy's quantiles of all ticks; the difference shown is theirs."""
    (row,) = (row for row in worse.rows if row.name == "lateness, p99")
    quantiles = [float(np.quantile(one.lateness_us.astype(np.float64), 0.99)) for one in (worse.a, worse.b)]
    assert [row.a, row.b] == pytest.approx(quantiles)
    assert row.difference.size == pytest.approx(quantiles[1] - quantiles[0])
    assert row.heed == pytest.approx(40.0)  # a hundredth of a tick of 4 ms


def test_a_switch_that_moved_is_told_without_a_verdict_of_worse(worse):
    """Six homings half a millimetre on: more, by the rank sum; what it means is giornata drift's."""
    (row,) = (row for row in worse.rows if row.name == "place of the home switch, x, median")
    assert row.verdict == "more"
    assert row.difference.size == pytest.approx(0.5, abs=0.03)
    assert row.difference.by.startswith("rank sum")
    (few,) = (row for row in worse.rows if row.name == "halts")
    assert (few.a, few.b) == (0.0, 1.0)


def test_virtual_time_has_no_lateness(root):
    """Nothing is said of lateness when either session went by virtual time, and that is told."""
    found = compare(read_session(root, 1), read_session(root, 4))
    assert not [row for row in found.rows if row.group == "timing"]
    assert any("virtual time" in note for note in found.notes)
    assert [row for row in found.rows if row.verdict == FEW]


def test_a_moved_folder_and_a_log_that_is_gone(tmp_path):
    """A state folder that was moved is read where it stands; what is gone leaves its figures out, and that is told."""
    make_days(tmp_path / "first", [Day()])
    moved = (tmp_path / "first").rename(tmp_path / "moved")
    read = read_session(moved, 1)
    assert len(read.lateness_us) == planned()[1].ticks
    assert any("stroke by stroke" in note for note in read.notes)
    (log,) = (moved / "runs").glob("*/timing.gtl")
    log.write_bytes(b"rain")
    read = read_session(moved, 1)
    assert len(read.lateness_us) == 0
    assert any("no readable timing log" in note for note in read.notes)
    assert compare(read, read).told == ()


def test_places_by_word_number_and_folder(root):
    """last and before are sessions that painted; a folder alone means its last one; a file is a machine file."""
    assert places(("before", "last"), root) == [SessionPlace(root, 3), SessionPlace(root, 4)]
    assert places((str(root), f"{root}:2"), None) == [SessionPlace(root, 4), SessionPlace(root, 2)]
    path = shipped(MACHINE)
    assert places((str(path), "other.toml"), None) == [FilePlace(path), FilePlace(Path("other.toml"))]


@pytest.mark.parametrize(
    ("texts", "says"),
    [
        (("9", "last"), "that painted: 1, 2, 3, 4"),
        (("1", "x.toml"), "two sessions or two machine files"),
        (("nowhere", "1"), "FOLDER:SESSION"),
        (("/nowhere/at/all:3", "1"), "a machine's state folder"),
    ],
)
def test_what_cannot_be_meant_is_told(root, texts, says):
    """An unknown session lists the known ones; what is no session and no file says what may stand there."""
    with pytest.raises(InputError) as caught:
        places(texts, root)
    assert says in str(caught.value)
    assert all(mistake.code for mistake in caught.value.mistakes)


def test_both_mistakes_at_once_and_no_folder(root):
    """Every mistake is told; a number without a machine asks for one."""
    with pytest.raises(InputError) as caught:
        places(("77", "78"), root)
    assert len(caught.value.mistakes) == 2
    with pytest.raises(InputError, match="--machine or --state"):
        places(("1", "2"), None)


def test_a_journal_of_another_format(tmp_path):
    """Another version's journal and another program's database are refused by name."""
    make_days(tmp_path / "s", [Day()])
    journal = StateDir(tmp_path / "s").journal
    with sqlite3.connect(journal) as db:
        db.execute("PRAGMA user_version=99")
    with pytest.raises(InputError, match="schema version"):
        places(("1", "1"), tmp_path / "s")
    other = tmp_path / "t"
    other.mkdir()
    with sqlite3.connect(StateDir(other).journal) as db:
        db.execute("CREATE TABLE tides (at INTEGER)")
    with pytest.raises(InputError, match="another SQLite file"):
        places((str(other), "1"), tmp_path / "s")


def test_curves_hold_every_share():
    """The curve of a sample ends in its largest value at one in n and begins with the smallest at all of them."""
    values = np.random.default_rng(1).lognormal(0.0, 1.0, 5000)
    at, share = exceedance(values, 1e-9)
    assert (at[0], share[0]) == (values.max(), 1 / 5000)
    assert (at[-1], share[-1]) == (values.min(), 1.0)
    for x, y in zip(at.tolist(), share.tolist(), strict=True):
        assert y == np.mean(values >= x)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.outside: list[str] = []

    def handle_starttag(self, _tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            elif name in ("href", "src"):
                (self.links if (value or "").startswith("#") else self.outside).append(value or "")


def test_the_page_is_whole(worse):
    """One file that asks for nothing: every identity once, every link within it, every chart with words for it."""
    text = sessions_page(worse)
    reader = _Reader()
    reader.feed(text)
    assert [one for one in reader.outside if not one.startswith("data:")] == []
    assert len(set(reader.ids)) == len(reader.ids)
    assert {link[1:] for link in reader.links} <= set(reader.ids)
    assert "http" not in text
    assert {chart.name for chart in session_charts(worse)} >= {
        "lateness",
        "lateness-over-time",
        "following",
        "homing",
    }
    assert "▲ worse" in text
    assert "input-open" in text


def test_the_command(root, tmp_path, capsys):
    """JSON on standard output holds what was compared; the page is written; a bad id is bad input."""
    page = tmp_path / "deep" / "page.html"
    assert main(["compare", "2", "3", "--state", str(root), "--json", "--html", str(page)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["kind"] == "sessions"
    assert told["a"]["session"] == 2
    assert {one["verdict"] for one in told["figures"]} >= {"worse", None}
    assert page.is_file()
    assert main(["compare", "2", "33", "--state", str(root)]) == 2
    assert "that painted: 1, 2, 3, 4" in capsys.readouterr().err


def test_the_table_for_a_terminal(worse):
    """Every figure has its row, with the verdict in words."""
    from io import StringIO

    from rich.console import Console

    console = Console(file=StringIO(), width=200)
    console.print(sessions_table(worse))
    text = console.file.getvalue()
    assert all(row.name in text for row in worse.rows)
    assert text.count(" worse") == sum(row.verdict == WORSE for row in worse.rows)


def test_json_holds_no_number_that_is_none(worse):
    """What is not known is null."""
    assert json.loads(json.dumps(comparison_json(worse), allow_nan=False))["judged"] == worse.judged
