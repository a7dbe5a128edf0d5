"""Trends over a made-up painting: what was made to rise is told, what was not is scatter, register by closed form."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from controller.cli.main import main
from controller.config.errors import InputError, RefusedError
from controller.config.load import load_machine
from controller.config.places import StateDir, shipped
from controller.report.compareread import read_session
from controller.report.trend import FEW, NONE, SMALL, WORSE, Trends, trends
from controller.report.trendpage import trends_page
from controller.report.trendread import inverted, read_trend
from controller.report.trendwords import lines, trends_json
from controller.session.journal import Journal
from tests.report.comparedays import MACHINE, Day, make_days

CORNERS = ((0.3, 0.4), (0.3, 0.4), (0.3, 0.4), (0.9, 0.4))
NOISE = (0.012, 0.009, 0.011, 0.010, 0.013, 0.0095, 0.0105, 0.0115)
DAYS = tuple(
    Day(
        late_us=60.0 + 25.0 * n,
        off_mm=0.02,
        spread_mm=NOISE[n],
        home_mm=((0.01, 0.0), (-0.01, 0.0)),
        seed=n + 1,
        halt="drive-fault" if n == 3 else "",
        job="harbour" if n == 0 else "low-tide",
        marks=CORNERS if n in (2, 5) else (),
    )
    for n in range(8)
)


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_days(tmp_path_factory.mktemp("trend"), DAYS)


@pytest.fixture(scope="module")
def found(root: Path) -> Trends:
    return trends(read_trend(load_machine(shipped(MACHINE)), StateDir(root), None))


def _of(found: Trends, key: str):
    return next(one for one in found.series if one.figure.key == key)


def test_what_was_made_to_rise_is_told(found):
    """Lateness 25 us more a session: gets worse, its slope's interval holds 25, and the sentence says so."""
    one = _of(found, "late_p50")
    assert one.verdict == WORSE
    assert one.trend.low <= 25.0 <= one.trend.high
    assert any(line.startswith("lateness, p50: gets worse, +2") for line in lines(found))


def test_what_was_not_changed_is_scatter(found):
    """Following error, touches and halts go no way; no line names them."""
    for key in ("following_rms", "contour_p99", "spread_x", "halts"):
        assert _of(found, key).verdict == NONE, key
    assert not any("following" in line.partition(":")[0] for line in lines(found))


def test_a_small_trend_is_not_called_none(found):
    """Where all that goes one way is little, the first sentence says so; where nothing does, that."""
    for verdict, said in ((SMALL, "no trend that matters, in "), (NONE, "no trend beyond scatter, in ")):
        series = tuple(
            replace(one, verdict=verdict if one.verdict == WORSE else NONE) for one in found.series
        )
        assert lines(replace(found, series=series))[0].startswith(said)


def test_points_are_the_sessions_own_figures(found, root):
    """Each point is what the session read by itself says."""
    read = read_session(root, 4)
    place = _of(found, "late_p99").ids.tolist().index(4)
    assert _of(found, "late_p99").values[place] == pytest.approx(
        np.quantile(read.lateness_us.astype(np.float64), 0.99)
    )
    assert _of(found, "halts").values.tolist() == [0, 0, 0, 1, 0, 0, 0, 0]


def test_register_against_a_closed_form(found):
    """Three corners found 0.5 mm away (3-4-5) and one 0.985; the map moves all by their mean, (0.45, 0.4): left over
    are 0.15 mm at three and 0.45 mm at one. Measured under the first map the second says the same again."""
    first, second = found.read.maps
    for one in (first, second):
        assert one.moved_mm == pytest.approx(np.hypot(0.9, 0.4))
        assert one.left_mm == pytest.approx(0.45)
        assert one.marks == 4
        assert one.traps_mm == 2.0
    assert _of(found, "moved").verdict == FEW


def test_a_map_taken_back():
    """A map and its inverse leave places where they are."""
    matrix = np.array([[1.001, 0.002, 5.0], [-0.003, 0.999, -2.0]])
    back = inverted(matrix)
    places = np.random.default_rng(1).uniform(0, 3000, (20, 2))
    there = places @ matrix[:, :2].T + matrix[:, 2]
    np.testing.assert_allclose(there @ back[:, :2].T + back[:, 2], places, atol=1e-9)


def test_one_job_and_the_last_few(root):
    """A job's own sessions, and the last of them; too few tell nothing; an unknown job lists the known ones."""
    machine, state = load_machine(shipped(MACHINE)), StateDir(root)
    mine = read_trend(machine, state, "low-tide", last=3)
    assert [one.session for one in mine.sessions] == [6, 7, 8]
    assert _of(trends(mine), "late_p50").verdict == FEW
    with pytest.raises(InputError, match="harbour, low-tide"):
        read_trend(machine, state, "regatta")


def test_nothing_painted_yet(tmp_path):
    """A journal without a pass is refused with what to do; no journal at all is bad input."""
    machine = load_machine(shipped(MACHINE))
    with pytest.raises(InputError):
        read_trend(machine, StateDir(tmp_path), None)
    Journal.open(StateDir(tmp_path).journal, machine.name).close()
    with pytest.raises(RefusedError, match="giornata paint"):
        read_trend(machine, StateDir(tmp_path), None)


def test_drifts_own_words_stand_in_it(found):
    """What all homings say is told as giornata drift tells it."""
    assert found.read.drift is not None
    assert set(found.read.drift.lines) <= set(lines(found))


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, _tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.ids += [value or "" for name, value in attrs if name == "id"]
        self.links += [value or "" for name, value in attrs if name in ("href", "src")]


def test_the_page_is_whole(found):
    """Every identity once, every link within the page, nothing asked of a network; verdicts beside their charts."""
    text = trends_page(found)
    reader = _Reader()
    reader.feed(text)
    assert len(set(reader.ids)) == len(reader.ids)
    assert all(link.startswith("#") and link[1:] in reader.ids for link in reader.links)
    assert "http" not in text
    assert "lateness, p50, µs: gets worse" in text
    assert "the traps&#x27; width, 2 mm" in text


def test_the_command(root, found, tmp_path, capsys):
    """JSON is what the trends say; the CSV has a row a session with units in its titles; the table is printed."""
    table, page = tmp_path / "trend.csv", tmp_path / "trend.html"
    common = ["trend", "--machine", str(shipped(MACHINE)), "--state", str(root)]
    assert main([*common, "--json", "--csv", str(table), "--html", str(page)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["figures"] == json.loads(json.dumps(trends_json(found)))["figures"]
    with table.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [int(row["session"]) for row in rows] == list(range(1, 9))
    assert [float(row["late_p50_us"]) for row in rows] == pytest.approx(
        _of(found, "late_p50").values.tolist()
    )
    assert page.is_file()
    assert main(common) == 0
    assert "gets worse" in capsys.readouterr().out
