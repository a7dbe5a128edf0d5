"""The shipped job from drawing to painted canvas, in virtual time."""

from __future__ import annotations

import numpy as np

from controller.motion.schedule import SegmentKind
from controller.report.deviation import stroke_deviations
from controller.report.painted import load_painted
from controller.session.figures import figures_of
from controller.session.journal import Journal
from controller.session.states import DaemonState
from controller.session.verbs import Done
from controller.stream.timinglog import read_timing_log
from controller.strokes.strokeset import StrokeKind

TOLERANCE_MM = 0.5


def test_every_stroke_lies_on_its_path(low_tide: tuple) -> None:
    """Every stroke was painted once, no painted point is 0.5 mm off its path, none of the path was missed."""
    bench, _, _ = low_tide
    painted, prepared = load_painted(bench.state.twin / "canvas.npz"), bench.prepared()
    for part in prepared.record.passes:
        found = stroke_deviations(painted, prepared.strokes(part.name), part.ink)
        assert found["contacts"].tolist() == [1] * part.strokes
        assert found["off_max_mm"].max() < TOLERANCE_MM
        assert found["missed_mm"].max() < TOLERANCE_MM


def test_closed_shapes_close(low_tide: tuple) -> None:
    """The last painted point of every loop is within 0.5 mm of its first: with a 3 mm tip nothing gapes."""
    bench, _, _ = low_tide
    painted, prepared = load_painted(bench.state.twin / "canvas.npz"), bench.prepared()
    loops = 0
    for part in prepared.record.passes:
        strokes = prepared.strokes(part.name)
        gaps = stroke_deviations(painted, strokes, part.ink)["closing_gap_mm"]
        closed = strokes.kind == StrokeKind.LOOP
        loops += int(closed.sum())
        assert np.all(gaps[closed] < TOLERANCE_MM)
    assert loops > 5


def test_nothing_else_touched_the_canvas(low_tide: tuple) -> None:
    """As many contacts as strokes: the pen came down for strokes only."""
    bench, _, _ = low_tide
    painted = load_painted(bench.state.twin / "canvas.npz")
    assert painted.contacts == sum(ink.strokes for ink in bench.prepared().record.inks)


def test_streamed_ticks_are_the_planned_ticks(low_tide: tuple) -> None:
    """What left for the drives, trim taken off, is the schedule tick by tick, holds for the pen aside."""
    bench, done, _ = low_tide
    prepared = bench.prepared()
    journal = Journal.read(bench.state.journal)
    runs = {run.what: run for run in journal.runs(done.session)}
    journal.close()
    for part in prepared.record.passes:
        schedule = prepared.schedule(part.name)
        records = read_timing_log(runs[part.name].folder / "timing.gtl").records
        streamed = records[records["segment"] >= 0]
        untrimmed = streamed["velocity_units"] - streamed["trim_units"]
        # A hold repeats the end of a LOWER or RAISE at zero velocity; it adds ticks, never motion.
        moving = np.any(untrimmed != 0, axis=1)
        planned_moving = np.any(schedule.velocity_units != 0, axis=1)
        assert np.array_equal(untrimmed[moving], schedule.velocity_units[planned_moving])
        assert np.array_equal(streamed["segment"][moving], np.asarray(schedule.segment)[planned_moving])
        kinds = schedule.segments["kind"][streamed["segment"]]
        assert np.array_equal(
            streamed["head"], np.isin(kinds, [SegmentKind.LOWER, SegmentKind.STROKE]).astype(np.uint8)
        )


def test_journal_tells_the_whole_session(low_tide: tuple) -> None:
    """Three passes finished with all strokes, homing before each, registered at the end; states in order."""
    bench, done, seen = low_tide
    assert isinstance(done, Done)
    journal = Journal.read(bench.state.journal)
    prepared = bench.prepared()
    assert [(p.name, p.state) for p in journal.passes(done.session)] == [
        (part.name, "finished") for part in prepared.record.passes
    ]
    for row in journal.passes(done.session):
        assert journal.finished_strokes(row.id) == list(range(row.strokes))
        instants = [finished_ns for _, _, finished_ns in journal.stroke_rows(row.id)]
        assert instants == sorted(instants)
    whats = [run.what for run in journal.runs(done.session)]
    assert whats == ["homing", "ochre-1", "homing", "teal-1", "homing", "black-1"]
    assert all(run.end == "done" for run in journal.runs(done.session))
    assert len(journal.homings(done.session)) == 6
    assert journal.registered
    assert journal.sessions()[-1].end == "done"
    journal.close()
    assert [accepted for accepted, _ in seen.homings] == [True] * 3
    one_pass = [DaemonState.WAITING, DaemonState.REGISTERED, DaemonState.PAINTING, DaemonState.REGISTERED]
    assert seen.states == [DaemonState.REGISTERED, *one_pass * 3]


def test_figures_add_up(low_tide: tuple) -> None:
    """The table by pass: strokes and metres of the strokes, at least the planned ticks, no lateness in virtual time."""
    bench, done, _ = low_tide
    prepared = bench.prepared()
    for figure, part in zip(figures_of(bench.state, done.session), prepared.record.passes, strict=True):
        assert (figure.name, figure.ink, figure.strokes, figure.clock) == (
            part.name,
            part.ink,
            part.strokes,
            "virtual",
        )
        assert abs(figure.metres - prepared.strokes(part.name).lengths_mm().sum() / 1000) < 1e-9
        assert figure.ticks >= part.ticks
        assert figure.timing is not None
        assert figure.timing.max_us == 0.0
        assert set(figure.homing_spread_mm) == {"x", "y"}
        assert max(figure.homing_spread_mm.values()) < 0.15
