"""The report's figures against numpy's, computed the slow way."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.report.build import summarise
from controller.report.gather import gather
from controller.report.tables import (
    LATE_NS,
    SEGMENT_TITLES,
    Lateness,
    all_segments,
    grouped_quantiles,
    segment_table,
    write_segments_csv,
)


@settings(max_examples=60, deadline=None)
@given(
    sizes=st.lists(st.integers(1, 40), min_size=1, max_size=12),
    seed=st.integers(0, 2**32 - 1),
    quantile=st.sampled_from([0.0, 0.3, 0.5, 0.99, 0.999, 1.0]),
)
def test_grouped_quantiles_are_numpys(sizes, seed, quantile):
    """Quantiles of all groups at once equal numpy.quantile of each group."""
    values = np.random.default_rng(seed).lognormal(0, 2, sum(sizes))
    starts = np.cumsum([0, *sizes[:-1]])
    ours = grouped_quantiles(values, starts, (quantile,))[:, 0]
    theirs = [np.quantile(group, quantile) for group in np.split(values, starts[1:])]
    np.testing.assert_allclose(ours, theirs, rtol=1e-12)


def test_segment_table_is_what_the_records_say(made):
    """Ticks, lateness, durations and following error of every segment, recomputed segment by segment."""
    data = gather(made.root)
    table = segment_table(data.ticks[1], data.passes[0].segments)
    assert len(table) == len(made.schedule.segments)
    late_us = (made.records["sent_ns"] - made.records["scheduled_ns"]) / 1000
    per_mm = np.array([made.machine.axes[axis].drive.direction * 5400.0 for axis in "xy"])
    off_mm = (made.records["measured_counts"] - made.records["planned_counts"]) / per_mm
    distance = np.where(made.records["flags"] & 1, np.hypot(*off_mm.T), np.nan)
    for row, segment in zip(table, made.schedule.segments, strict=True):
        mine = slice(segment["first_tick"], segment["first_tick"] + segment["ticks"])
        assert row["ticks"] == segment["ticks"]
        assert row["stroke"] == segment["stroke"]
        assert row["p50_us"] == pytest.approx(np.quantile(late_us[mine], 0.5))
        assert row["p99_us"] == pytest.approx(np.quantile(late_us[mine], 0.99))
        assert row["p999_us"] == pytest.approx(np.quantile(late_us[mine], 0.999))
        assert row["max_us"] == pytest.approx(late_us[mine].max())
        assert row["late"] == np.count_nonzero(late_us[mine] > LATE_NS / 1000)
        assert row["planned_ms"] == pytest.approx(segment["ticks"] * 4.0)
        assert row["following_max_mm"] == pytest.approx(np.nanmax(distance[mine]))
        assert row["following_rms_mm"] == pytest.approx(np.sqrt(np.nanmean(distance[mine] ** 2)))
    # From a segment's first command to the next one's: lateness moves both ends.
    firsts = made.records["sent_ns"][made.schedule.segments["first_tick"]]
    np.testing.assert_allclose(table["actual_ms"][:-1], np.diff(firsts) / 1e6)
    assert table["actual_ms"].sum() == pytest.approx(
        (made.records["sent_ns"][-1] + 4_000_000 - firsts[0]) / 1e6
    )


def test_kinds_come_from_schedule_and_tasks(made):
    """Segments of the schedule carry their kind, ticks outside one their task's."""
    table = all_segments(gather(made.root))
    assert table["kind"][:1].tolist() == ["homing"]
    assert table["kind"][1:6].tolist() == ["travel", "lead-in", "lower", "stroke", "raise"]
    assert table["pass_id"][:2].tolist() == [-1, 1]


def test_without_the_schedule_the_segments_still_count(made):
    """When the prepared folder is gone, the log's own segments are kept, without kind and stroke."""
    data = gather(made.root)
    table = segment_table(data.ticks[1], None)
    assert table["ticks"].sum() == made.schedule.ticks
    assert set(table["stroke"].tolist()) == {-1}
    assert set(table["kind"].tolist()) == {"move"}


def test_pass_summary_sums_the_pass(made):
    """One line of a pass: strokes and metres finished, quantiles over its ticks, the homing that it began with."""
    (one,) = summarise(made.root).passes
    late_us = (made.records["sent_ns"] - made.records["scheduled_ns"]) / 1000
    assert (one.ink, one.state, one.strokes_planned, one.strokes_finished) == ("moon", "stopped", 3, 2)
    assert one.metres == pytest.approx(made.strokes.lengths_mm()[:2].sum() / 1000)
    assert one.lateness.ticks == made.schedule.ticks
    assert (one.lateness.p50_us, one.lateness.p99_us, one.lateness.p999_us) == pytest.approx(
        np.quantile(late_us, [0.5, 0.99, 0.999])
    )
    assert one.lateness.max_us == pytest.approx(late_us.max())
    assert one.lateness.late == np.count_nonzero(late_us > 1000) >= 1
    assert one.homing_spread_mm == {"x": 0.0093, "y": 0.0093}
    assert one.deviation_max_mm == pytest.approx(0.05, abs=1e-9)
    assert one.closing_gap_max_mm == pytest.approx(0.0, abs=1e-9)


def test_no_ticks_are_no_lateness():
    """A run that was refused before its first tick sums up to nothing instead of failing."""
    assert Lateness.of(np.zeros(0, dtype=np.int64)) == Lateness(0, 0.0, 0.0, 0.0, 0.0, 0)


def test_csv_holds_every_segment(made, tmp_path):
    """The CSV has titles with units, a row for each segment, and the table's numbers."""
    table = all_segments(gather(made.root))
    write_segments_csv(tmp_path / "segments.csv", table)
    with (tmp_path / "segments.csv").open(newline="") as stream:
        titles, *rows = csv.reader(stream)
    assert tuple(titles) == SEGMENT_TITLES
    assert len(rows) == len(table)
    column = titles.index("lateness_max_us")
    np.testing.assert_allclose([float(row[column]) for row in rows], table["max_us"], rtol=1e-5)
    # The homing said nothing about positions: unknown is empty, not zero.
    assert rows[0][titles.index("following_error_max_mm")] == ""
