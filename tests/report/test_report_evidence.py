"""What a report is made from, against numpy on the raw log and closed forms: nothing is lost on the way to a pixel."""

from __future__ import annotations

import csv
import math
import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.errors import InputError
from controller.config.remedies import catalogue
from controller.report.build import build_report, charts_of, evidence_of, frames_of, page_of, summarise
from controller.report.chart import Range, linear, logarithmic, spread
from controller.report.chartpage import HIGH, WIDE, chart_html
from controller.report.columns import COLUMNS, histogram
from controller.report.frames import Frame, floats, moments, text, whole, write_csv, write_parquet
from controller.report.lines import Frame as View
from controller.report.lines import Sampler, paths
from controller.report.runticks import contour_and_way, read_ticks
from controller.report.stops import AGAIN, AT_ONCE, counted_stops, stops_of
from controller.report.strokefigures import pieces_of
from controller.report.timecharts import lateness_counts, lateness_edges
from controller.session.journal import Journal
from controller.session.penrows import SumsRow
from controller.session.rows import EventRow, RunRow
from controller.session.service import Service
from controller.stream.timinglog import read_timing_log
from controller.strokes.strokeset import StrokeSet


@pytest.fixture(scope="module")
def evidence(made):
    return evidence_of(summarise(made.root))


@pytest.mark.parametrize(
    ("speed_mm_s", "angle_deg", "gain_x", "gain_y", "error_mm"),
    [(100.0, 45.0, 20.0, 21.0, 0.119048), (200.0, 30.0, 20.0, 25.0, 0.866025)],
)
def test_contour_error_of_a_line_under_unequal_gains(speed_mm_s, angle_deg, gain_x, gain_y, error_mm):
    """A line at an angle, each axis lagging by v / K: off by v sin(2 a) |1/Kx - 1/Ky| / 2 (Koren 1980, from memory)."""
    angle = math.radians(angle_deg)
    way = np.array([math.cos(angle), math.sin(angle)])
    ticks = np.arange(40)[:, None] * 0.004
    planned = np.rint(1e6 * speed_mm_s * ticks * way).astype(np.int64)
    lag = -speed_mm_s * way / np.array([gain_x, gain_y])
    contour, walked = contour_and_way(planned, np.tile(lag, (40, 1)), (1e6, 1e6))
    np.testing.assert_allclose(contour, error_mm, rtol=1e-4)
    np.testing.assert_allclose(walked[1:], 0.004 * speed_mm_s, rtol=1e-4)
    assert walked[0] == 0.0


def test_contour_error_has_the_sign_of_no_axis_and_none_at_rest():
    """Axes that count backwards give the same error; where nothing moves there is no direction, and none is told."""
    planned = np.array([[0, 0], [10, 0], [20, 0], [20, 0], [20, 0], [20, 0]], dtype=np.int64)
    error = np.tile([0.3, -0.4], (6, 1))
    for counts in ((10.0, 10.0), (-10.0, 10.0)):
        contour, _ = contour_and_way(planned, error, counts)
        np.testing.assert_allclose(contour[:3], 0.4)
        assert np.isnan(contour[3:]).all()


def test_pieces_of_the_log_join(made, monkeypatch):
    """Read in pieces of any size, a run's ticks are those read at once, contour errors at the joints included."""
    from controller.report import runticks

    run = summarise(made.root).data.ticks[1].run
    path = run.folder / "timing.gtl"
    whole_run = read_ticks(path, run, ("schedule",), (5400.0, -5400.0), lambda _damage: None)
    monkeypatch.setattr(runticks, "PIECE_TICKS", 97)
    pieces = read_ticks(path, run, ("schedule",), (5400.0, -5400.0), lambda _damage: None)
    for name in ("scheduled_ns", "lateness_ns", "segment", "error_mm", "contour_mm", "way_mm"):
        np.testing.assert_array_equal(getattr(pieces, name), getattr(whole_run, name))


def test_no_peak_is_lost_in_columns(evidence, made):
    """Columns of time hold the lowest and highest of the raw log's ticks, and all of its ticks."""
    columns = evidence.columns
    ticks = evidence.report.data.ticks
    assert columns.ticks.sum() == sum(one.ticks for one in ticks)
    records = read_timing_log(ticks[1].run.folder / "timing.gtl").records
    late_us = (records["sent_ns"] - records["scheduled_ns"]) / 1000
    assert np.nanmax(columns.lateness_us.high) == pytest.approx(late_us.max())
    number = columns.of(records["scheduled_ns"])
    for column in np.unique(number)[::7]:
        row = int(np.flatnonzero(columns.number == column)[0])
        assert columns.lateness_us.high[row] == pytest.approx(late_us[number == column].max())
        assert columns.lateness_us.low[row] == pytest.approx(late_us[number == column].min())


@settings(max_examples=40, deadline=None)
@given(
    where=st.integers(0, 4999),
    size=st.floats(1.0, 1e6),
    seed=st.integers(0, 2**32 - 1),
)
def test_a_single_late_tick_reaches_the_page(where, size, seed):
    """Wherever one tick of thousands is late, the drawn range reaches as high as it, to the pixel of its scale."""
    random = np.random.default_rng(seed)
    values = random.uniform(0.2, 0.9, 5000)
    values[where] = size
    edges = np.linspace(0.0, 1.0, 201)
    number = np.minimum((np.arange(5000) / 25).astype(int), 199)
    high = np.array([values[number == k].max() for k in range(200)])
    low = np.array([values[number == k].min() for k in range(200)])
    from controller.report.chart import Chart, Panel

    scale = logarithmic("us", 0.1, 2.0 * size)
    chart = Chart(
        "x", "x", linear("t", 0.0, 1.0, tight=True),
        (Panel(scale, (Range(edges[:-1], edges[1:], low, high, "blue"),)),), "x",
    )  # fmt: skip
    wanted = round(HIGH * (1.0 - float(scale.place(size))))
    left = round(WIDE * edges[number[where]])
    assert f"V{wanted}H{left + WIDE // 200}" in chart_html(chart)


def test_histogram_is_numpys_over_the_raw_log(evidence):
    """The bars are numpy's counts over all ticks of all logs; none is left out, however late."""
    data = evidence.report.data
    edges = lateness_edges(data)
    late_us = np.concatenate(
        [
            (records["sent_ns"] - records["scheduled_ns"]) / 1000
            for one in data.ticks
            for records in [read_timing_log(one.run.folder / "timing.gtl").records]
        ]
    )
    counts = lateness_counts(data, edges)
    np.testing.assert_array_equal(counts, np.histogram(np.maximum(late_us, edges[0]), edges)[0])
    assert counts.sum() == len(late_us)
    one = evidence.report.overall
    assert (one.p50_us, one.p99_us, one.p999_us) == pytest.approx(np.percentile(late_us, [50, 99, 99.9]))


@given(st.lists(st.floats(-10, 10) | st.just(float("nan")), max_size=50))
def test_histogram_counts_all_that_is_known(values):
    """What lies beyond the edges counts in the first or last bin; what is unknown counts nowhere."""
    given_values = np.array(values, dtype=np.float64)
    counts = histogram([given_values], np.array([-1.0, 0.0, 2.0]))
    assert counts.sum() == np.count_nonzero(~np.isnan(given_values))


def test_timing_error_of_a_segment_is_that_of_its_ends(evidence, made):
    """A segment took longer by how much later the next one's first tick left than its own."""
    table = evidence.segments[evidence.segments["pass_id"] == 1]
    records = made.records
    first = records["sent_ns"][made.schedule.segments["first_tick"]]
    due = records["scheduled_ns"][made.schedule.segments["first_tick"]]
    np.testing.assert_allclose(table["timing_error_ms"][:-1], np.diff(first - due) / 1e6, atol=1e-9)


def test_peaks_are_the_largest_of_the_log(evidence, made):
    """The first peak of each kind is the largest of the raw records, and its stroke is the one of that tick."""
    records = made.records
    late = (records["sent_ns"] - records["scheduled_ns"]) / 1000
    rows = evidence.links.rows
    assert rows["lateness"][0].value == pytest.approx(late.max())
    per_mm = np.array([made.machine.axes[axis].drive.direction * 5400.0 for axis in "xy"])
    off = (records["measured_counts"] - records["planned_counts"]) / per_mm
    off_mm = np.where(records["flags"] & 1, np.hypot(*off.T), np.nan)
    assert rows["following"][0].value == pytest.approx(np.nanmax(off_mm))
    kind = made.schedule.segments["kind"][records["segment"][int(np.nanargmax(off_mm))]]
    assert rows["following"][0].during == ["travel", "lead-in", "lower", "stroke", "raise"][kind]
    for of in rows.values():
        values = [row.value for row in of]
        assert values == sorted(values, reverse=True)


def test_errors_lie_along_their_strokes(evidence, made):
    """Pieces cover each painted stroke from end to end, and hold the largest error of its ticks."""
    canvas = evidence.canvas
    from controller.report.canvaspicture import piece_mm
    from controller.report.strokefigures import pieces_of

    data = evidence.report.data
    pieces = pieces_of(data.passes, data.ticks, piece_mm(canvas))
    lengths = made.strokes.lengths_mm()
    for row in evidence.strokes:
        mine = np.flatnonzero(pieces.stroke == row["stroke"])
        assert pieces.low_mm[mine[0]] == 0.0
        assert pieces.high_mm[mine[-1]] == pytest.approx(lengths[row["stroke"]])
        np.testing.assert_allclose(pieces.low_mm[mine[1:]], pieces.high_mm[mine[:-1]])
        assert np.nanmax(pieces.following_mm[mine]) == pytest.approx(row["following_max_mm"])
        assert np.nanmax(pieces.contour_mm[mine]) == pytest.approx(row["contour_max_mm"])


def test_an_error_is_drawn_where_it_happened(make, tmp_path):
    """One large error half way along a level line is drawn at the middle of that line, to within a few ticks' way."""
    made = make(tmp_path / "state")
    from controller.motion.schedule import SegmentKind
    from controller.stream.timinglog import TimingLogWriter

    segments = made.schedule.segments
    row = segments[(segments["kind"] == SegmentKind.STROKE) & (segments["stroke"] == 0)][0]
    planned = made.records["planned_counts"]
    mine = slice(row["first_tick"], row["first_tick"] + row["ticks"])
    walked = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(planned[mine], axis=0).T))])
    middle = int(row["first_tick"]) + int(np.searchsorted(walked, 0.5 * walked[-1]))
    records = made.records.copy()
    records["flags"][middle] = 1
    records["measured_counts"][middle] = planned[middle] + 5000
    (path,) = (tmp_path / "state" / "runs").glob("*-moon-1/timing.gtl")
    path.unlink()
    with TimingLogWriter(path, {"tick_ns": made.machine.tick_ns, "clock": "real"}) as log:
        log.append(records)
    evidence = evidence_of(summarise(made.root))
    following = next(one for one in evidence.maps if one.kind == "following")
    (number, place, key) = following.rings[0]
    assert (number, key) == (1, (1, 0))
    assert place == pytest.approx((50.0, 20.0), abs=1.5)


def test_earlier_sessions_are_told_apart(make, tmp_path):
    """Strokes finished before count as painted so far and not as today's, and the picture says so."""
    made = make(tmp_path / "state")
    from controller.session.journal import Journal

    with closing(Journal.open(tmp_path / "state" / "journal.sqlite", made.machine.name)) as journal:
        session = journal.begin_session("paint", "low-tide", "real")
        row = journal.passes()[0]
        run = journal.begin_run(
            session, "moon-1", lambda number: tmp_path / "state" / "runs" / f"{number:04d}", pass_id=row.id
        )
        journal.finish_strokes(row.id, run.id, [(2, 30)])
        journal.end_run(run.id, "done", "", realtime=True)
        journal.end_session(session, "done")
    evidence = evidence_of(summarise(made.root))
    (shown,) = evidence.canvas.shown
    assert shown.here.tolist() == [2]
    assert sorted(shown.earlier.tolist()) == [0, 1]
    assert evidence.canvas.has_earlier
    page = page_of(evidence, charts_of(evidence))
    assert 'id="as-wall"' in page
    # The first session's report does not know of the second.
    earlier = evidence_of(summarise(made.root, made.session))
    assert not earlier.canvas.has_earlier


def test_stops_carry_the_codes_of_the_guard():
    """A latch begins with its reason's code; what was asked, runs that did not end in order; in order of time."""
    events = [
        EventRow(1, 1, 300, "latch", "beat-late: the beat came 31 ms late: more"),
        EventRow(2, 1, 100, "stop", "asked by the painter"),
        EventRow(3, 1, 400, "clear", "beat-late cleared by Ida"),
        EventRow(4, 1, 50, "streamer", "axis x: spread 0.03 mm"),
    ]
    from pathlib import Path

    runs = [
        RunRow(7, 1, 1, "moon-1", Path(), 0, 200, 310, "halted", "beat-late", True),
        RunRow(8, 1, 1, "moon-1", Path(), 0, 500, 600, "done", "", True),
    ]
    found = stops_of(events, runs)
    assert [(one.at_ms, one.kind, one.code) for one in found] == [
        (100, "stop", ""),
        (300, "latch", "beat-late"),
        (310, "run halted", ""),
        (400, "clear", "beat-late"),
    ]
    assert [one.is_halt for one in found] == [False, True, True, False]
    # What to do stands beside the latch, in the words of the catalogue.
    assert found[1].remedy.endswith(catalogue().entries["beat-late"].steps[-1].replace("`", ""))
    assert found[0].remedy == ""


@pytest.mark.parametrize(
    ("low", "high", "marks"),
    [(0.0, 1.0, [0, 0.2, 0.4, 0.6, 0.8, 1.0]), (-3.0, 3.0, [-2, 0, 2]), (0.0, 0.0, None), (5.0, 5.0, None)],
)
def test_marks_of_scales_are_round(low, high, marks):
    """Marks stand at 1, 2 or 5 times a power of ten within the scale; no range is no crash."""
    scale = linear("mm", low, high)
    assert scale.low < scale.high
    assert 2 <= len(scale.marks) <= 12
    if marks is not None:
        np.testing.assert_allclose([value for value, _ in scale.marks], marks, atol=1e-12)


def test_logarithmic_marks_are_powers_of_ten():
    """From 0.1 to 20 000: 0.1 ... 10 000; places are those of the logarithm."""
    scale = logarithmic("us", 0.1, 20_000.0)
    assert [value for value, _ in scale.marks] == pytest.approx([0.1, 1, 10, 100, 1000, 10_000])
    assert scale.place([0.1, 1e9, 0.0]).tolist() == [0.0, 1.0, 0.0]
    with pytest.raises(ValueError, match="0 < low"):
        logarithmic("us", 0.0, 1.0)


def test_chosen_peaks_keep_apart():
    """The largest first, none nearer than asked to one chosen before, unknown ones never."""
    assert spread([5, 9, 8, float("nan"), 1], 3, 2.0, [0, 10, 11, 12, 20]) == [1, 0, 4]


def test_paths_are_the_strokes(strokes):
    """Walking a stroke's path data from its first point leads along the stroke, to within a unit and the step."""
    view = View((0.0, 0.0), (100.0, 100.0))
    sampler = Sampler(strokes)
    points, offsets = sampler.lines(np.arange(3), 1.0)
    drawn = paths(view.units(points), offsets)
    assert len(drawn) == 3
    for index, path in enumerate(drawn):
        begin, steps = path[1:].split("l")
        numbers = [int(word) for word in steps.replace("-", " -").split()]
        walked = np.cumsum(
            [[int(word) for word in begin.replace("-", " -").split()], *np.reshape(numbers, (-1, 2))], axis=0
        )
        vertices = strokes.stroke_mm(index) * view.per_mm
        assert np.abs(walked[0] - vertices[0]).max() <= 1.0
        assert np.abs(walked[-1] - vertices[-1]).max() <= 1.0
        distance = np.hypot(*(walked[:, None] - vertices[None]).transpose(2, 0, 1)).min(axis=1)
        assert index == 0 or distance.max() <= 0.6 * view.per_mm


def test_frames_are_csv_that_a_reader_takes_back(tmp_path):
    """Floats to nine digits, unknown empty, instants as ISO 8601 in UTC, text quoted where it must be."""
    frame = Frame(
        "x",
        {
            "a_mm": floats([0.1234567891, None]),
            "n": whole([1, -1]),
            "at": moments([1_750_000_000_123, None]),
            "words": text(['say "stop", then go', ""]),
        },
    )
    write_csv(tmp_path / "x.csv", frame)
    with (tmp_path / "x.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.reader(stream))
    assert rows[0] == ["a_mm", "n", "at", "words"]
    assert rows[1] == ["0.123456789", "1", "2025-06-15T15:06:40.123Z", 'say "stop", then go']
    assert rows[2] == ["", "-1", "", ""]
    with pytest.raises(ValueError, match="one length"):
        Frame("x", {"a": whole([1]), "b": whole([])})


def test_no_cell_of_text_is_a_formula(tmp_path):
    """Cells that spreadsheet programs would work out (OWASP, CSV Injection: = + - @, tab, return) bear an apostrophe;
    numbers below zero are numbers, other text is as it is."""
    words = ["=1+1", "+1", "-moon", "@tide", "\t=1", "\r=1", "moon=1", "", "'tis"]
    write_csv(
        tmp_path / "x.csv",
        Frame("x", {"words": text(words), "a_mm": floats([-1.5] * 9), "n": whole([-1] * 9)}),
    )
    with (tmp_path / "x.csv").open(newline="", encoding="utf-8") as stream:
        _, *rows = csv.reader(stream)
    assert [row[0] for row in rows] == [f"'{one}" for one in words[:6]] + words[6:]
    assert {tuple(row[1:]) for row in rows} == {("-1.5", "-1")}


def test_stopped_by_a_person_is_no_halt():
    """Latches of the guard's own are halts. Somebody's stop is one asking, whoever writes it down: the guard alone, the
    service as well, or the service twice for one stop that was asked for again."""

    def counted(*rows: tuple[str, str]) -> tuple[int, int]:
        return counted_stops([EventRow(n, 1, n, kind, words) for n, (kind, words) in enumerate(rows)])

    asked, fault = ("latch", "stop-asked: ada asked: tea"), ("latch", "drive-fault: x says 0x7300")
    assert counted() == (0, 0)
    assert counted(fault, ("pause", "tea"), ("clear", "drive-fault cleared by ada")) == (1, 0)
    assert counted(asked) == (0, 1)
    assert counted(("stop", "tea by ada")) == (0, 1)
    assert counted(("stop", "tea by ada, at once"), asked) == (0, 1)
    assert counted(("stop", "tea by ada"), ("stop", "tea by ada, again: stop at once"), asked) == (0, 1)
    assert counted(("stop", "tea by ada"), asked, fault) == (1, 2)
    assert counted(("stop", "tea by ada, at once"), fault) == (1, 1)


@pytest.mark.parametrize("at_once", [False, True])
def test_the_service_writes_stops_as_they_are_counted(at_once):
    """The words of its events are those that tell a stop of the guard's from one on the path."""
    texts: list[str] = []
    service = SimpleNamespace(
        stop_asked="", _running=False, runner=SimpleNamespace(stop_now=lambda *_: None, ask_stop=lambda: None),
        watcher=SimpleNamespace(note=lambda _: None), _note_stop=texts.append, _stop_waiting=lambda: None,
    )  # fmt: skip
    kinds = [Service.stop(service, "tea", "ada", at_once=at_once), Service.stop(service, "tea", "ada")]
    assert kinds == ["immediate" if at_once else "controlled", "immediate"]
    assert texts[0].endswith(AT_ONCE) == at_once
    assert not texts[0].endswith(AGAIN)
    assert texts[1].endswith(AGAIN)
    assert not texts[1].endswith(AT_ONCE)


def test_strokes_that_the_pass_has_no_more_are_laid_on_nothing(make, tmp_path):
    """A plan with more strokes than the pass: the errors of those beyond are nobody's, least of all the last one's."""
    made = make(tmp_path / "state")
    data = summarise(made.root).data
    whole_pass = pieces_of(data.passes, data.ticks, 5.0)
    assert set(whole_pass.stroke.tolist()) == {0, 1, 2}
    strokes = made.strokes
    fewer = StrokeSet(
        strokes.points_mm[: strokes.offsets[2]], strokes.offsets[:3], strokes.kind[:2], strokes.element[:2],
        strokes.element_ids,
    )  # fmt: skip
    pieces = pieces_of([replace(data.passes[0], strokes=fewer)], data.ticks, 5.0)
    kept = whole_pass.stroke < 2
    np.testing.assert_array_equal(pieces.stroke, whole_pass.stroke[kept])
    np.testing.assert_array_equal(pieces.following_mm, whole_pass.following_mm[kept])


def test_pens_stand_as_they_did_when_the_session_ended(make, tmp_path):
    """What a pen paints later, pens put in later and later counts are not in an earlier session's report."""
    made = make(tmp_path / "state")
    place = made.root / "journal.sqlite"
    begun = 1_750_000_000_000

    def at(ms: int) -> Journal:
        return Journal.open(place, made.machine.name, now_ms=lambda: begun + ms)

    with closing(at(0)) as journal:
        journal.pens.add_stock("moon", 5, "ada")
        pen = journal.pens.add_pen("moon", session=1, pass_name="moon-1", person="ada")
        run = journal.runs()[-1].id
        journal.pens.add_sums(SumsRow(run, pen, 9, 1.0, 1.0, 60.0, 0.0, 0.0, 0.0, 1, 1.0, 1.0, 0, 0, 2500.0))
    before = summarise(made.root, 1).data.history
    with closing(at(60_000)) as journal:
        second = journal.begin_session("paint", "low-tide")
        later = journal.begin_run(second, "moon-1", lambda n: tmp_path / f"{n}", pass_id=1).id
        journal.pens.add_sums(
            SumsRow(later, pen, 9, 1.0, 1.0, 60.0, 0.0, 0.0, 0.0, 1, 1.0, 1.0, 0, 0, 4000.0)
        )
        journal.pens.add_pen("moon", session=second, pass_name="moon-1", person="ada")
        journal.pens.add_width("moon", pen=pen, pen_m=6.5, width_mm=2.5, person="ada")
        journal.pens.add_stock("moon", 1, "ada")
        journal.pens.add_stock("heron", 9, "ada")
    after = summarise(made.root, 1).data.history
    assert (after.pens, after.pens_left) == (before.pens, before.pens_left)
    (use,) = after.pens
    assert (use.metres, use.width_mm, use.is_last, after.pens_left) == (2.5, None, True, {"moon": 4})
    assert summarise(made.root, second).data.history.pens_left == {"moon": 1, "heron": 9}


def test_parquet_has_the_dtypes_that_a_reader_of_tables_wants(evidence, tmp_path):
    """Every table read back by pyarrow: integers, doubles, booleans, text, UTC instants; same numbers; unknown null."""
    pa = pytest.importorskip("pyarrow")
    from pyarrow import parquet

    wanted = {
        "i": pa.int64(),
        "f": pa.float64(),
        "b": pa.bool_(),
        "U": pa.string(),
        "M": pa.timestamp("ms", "UTC"),
    }
    for frame in frames_of(evidence):
        path = tmp_path / f"{frame.name}.parquet"
        write_parquet(path, frame)
        back = parquet.read_table(path)
        assert back.num_rows == len(frame)
        for name, values in frame.columns.items():
            assert back.schema.field(name).type == wanted[values.dtype.kind], (frame.name, name)
            column = back.column(name)
            if values.dtype.kind == "f":
                np.testing.assert_array_equal(column.to_numpy(), values.astype(np.float64))
                assert column.null_count == np.count_nonzero(np.isnan(values))
            if values.dtype.kind in "ib":
                np.testing.assert_array_equal(column.to_numpy(), values)
                assert column.null_count == 0
    homings = parquet.read_table(tmp_path / "homings.parquet")
    assert homings.column("at")[0].as_py() == datetime.fromtimestamp(1_750_000_000, UTC)
    assert homings.column("difference_mm").to_pylist() == [None, 0.011]


def test_without_pyarrow_parquet_is_refused_in_words(made, tmp_path, monkeypatch):
    """Asked for and not installed: one message that names the extra, before anything is written."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.setattr("controller.report.frames.find_spec", lambda _name: None)
    with pytest.raises(InputError, match=r"giornata\[tables\]"):
        build_report(made.root, made.session, tmp_path / "out", parquet=True)
    assert not (tmp_path / "out").exists()


def test_columns_number_as_many_as_asked(evidence):
    """Every column lies within the session, and there are no more than the chart has."""
    columns = evidence.columns
    assert 0 <= columns.number.min() <= columns.number.max() < COLUMNS
    assert columns.right_s.max() <= columns.end_s * (1 + 1e-9)


def test_a_remainder_is_told_by_the_plan_that_its_run_kept(make, tmp_path):
    """A task that paints the rest of a stroke has segments of its own: they count for it, from where it went on."""
    made = make(tmp_path / "state")
    (folder,) = (tmp_path / "state" / "runs").glob("*-moon-1")
    kept = folder / "plan" / "0"
    kept.mkdir(parents=True)
    made.schedule.save(kept)
    (kept / "remainder.json").write_text('{"stroke": 1, "from_mm": 12.5}')
    evidence = evidence_of(summarise(made.root))
    (part,) = evidence.report.data.passes
    painted = evidence.strokes[evidence.strokes["pass_id"] == part.row.id]
    assert set(painted["stroke"].tolist()) == {1}
    plan = evidence.report.data.ticks[1].plans[0]
    assert plan.from_mm == 12.5
    pieces = pieces_of(evidence.report.data.passes, evidence.report.data.ticks, 5.0)
    assert set(pieces.stroke.tolist()) == {1}
    assert pieces.low_mm.min() == pytest.approx(12.5)


def test_what_a_run_kept_stands_in_for_a_prepared_folder_that_is_gone(make, tmp_path):
    """Strokes of a pass prepared anew, or deleted since, come from beside the run's log; nothing is then left out."""
    import shutil

    made = make(tmp_path / "state")
    (folder,) = (tmp_path / "state" / "runs").glob("*-moon-1")
    kept = folder / "plan" / "0"
    kept.mkdir(parents=True)
    made.schedule.save(kept)
    made.strokes.save(kept / "strokes.npz")
    shutil.rmtree(made.prepared)
    report = summarise(made.root)
    (part,) = report.data.passes
    np.testing.assert_array_equal(part.strokes.points_mm, made.strokes.points_mm)
    assert report.data.notes == ()
