"""Stopping on the path and going on, halting and clearing, in virtual time."""

from __future__ import annotations

import numpy as np
import pytest

from controller.config.errors import HaltedError, RefusedError
from controller.motion.schedule import SegmentKind
from controller.report.deviation import stroke_deviations
from controller.report.painted import load_painted
from controller.session import verbs
from controller.session.journal import Journal
from controller.session.service import Service, StoppedError
from controller.session.states import DaemonState
from controller.stream.timinglog import read_timing_log
from drivers.twin.record import MotionRecord
from safety import latch


def test_stopped_pass_goes_on_with_its_first_unfinished_stroke(bench, seen) -> None:
    """A controlled stop after two strokes; the next session begins with the third's travel and all gets painted."""
    services: list[Service] = []
    seen.at_strokes, seen.on_strokes = 2, lambda: services[0].stop("pause", "test")
    bench.home()
    with pytest.raises(StoppedError):
        bench.paint(seen, meanwhile=services.append)
    assert seen.states[-1] is DaemonState.PAUSED
    assert latch.read(bench.state.latch) is None

    journal = Journal.read(bench.state.journal)
    stopped = journal.open_pass()
    assert stopped is not None
    before = journal.finished_strokes(stopped.id)
    assert stopped.state == "stopped"
    assert before == list(range(len(before)))
    assert 2 <= len(before) < stopped.strokes
    journal.close()

    again = type(seen)()
    done = bench.paint(again)
    assert again.begun[0] == ("ochre-1", len(before))
    journal = Journal.read(bench.state.journal)
    run = next(run for run in journal.runs(done.session) if run.pass_id == stopped.id)
    prepared = bench.prepared()
    schedule = prepared.schedule("ochre-1")
    first = schedule.segments[run.first_segment]
    assert (first["kind"], first["stroke"]) == (SegmentKind.TRAVEL, len(before))
    records = read_timing_log(run.folder / "timing.gtl").records
    streamed = records[records["segment"] >= 0]
    untrimmed = streamed["velocity_units"] - streamed["trim_units"]
    rest = schedule.velocity_units[int(first["first_tick"]) :]
    assert np.array_equal(untrimmed[np.any(untrimmed != 0, axis=1)], rest[np.any(rest != 0, axis=1)])
    assert [row.state for row in journal.passes()] == ["finished", "finished"]
    assert journal.finished_strokes(stopped.id) == list(range(stopped.strokes))
    journal.close()

    painted = load_painted(bench.state.twin / "canvas.npz")
    found = stroke_deviations(painted, prepared.strokes("ochre-1"), "ochre")
    assert found["off_max_mm"].max() < 0.5
    assert found["contacts"][: len(before)].tolist() == [1] * len(before)
    assert found["contacts"].max() <= 2


def test_stop_keeps_the_axes_on_the_path(bench, seen) -> None:
    """The interrupted stroke ends on its own path, and the record shows the axes at rest afterwards."""
    services: list[Service] = []
    seen.at_strokes, seen.on_strokes = 3, lambda: services[0].stop("pause", "test")
    bench.home()
    with pytest.raises(StoppedError):
        bench.paint(seen, meanwhile=services.append)
    strokes = bench.prepared().strokes("ochre-1")
    painted = load_painted(bench.state.twin / "canvas.npz")
    assert np.nanmax(stroke_deviations(painted, strokes, "ochre")["off_max_mm"]) < 0.5
    record = MotionRecord.load(bench.state.twin / "motion.npz")
    rest_ns = record.standstill_ns(0)
    assert rest_ns is not None
    assert record.end_ns - rest_ns > 20_000_000


def test_second_stop_latches_and_needs_clearing_and_homing(bench, seen) -> None:
    """Stop twice: the guard stops and latches. Painting is refused until cleared, then until homed."""
    services: list[Service] = []

    def twice() -> None:
        services[0].stop("pause", "test")
        services[0].stop("pause", "test")

    seen.at_strokes, seen.on_strokes = 2, twice
    bench.home()
    with pytest.raises(HaltedError, match="stop"):
        bench.paint(seen, meanwhile=services.append)
    assert seen.states[-1] is DaemonState.HALTED
    standing = latch.read(bench.state.latch)
    assert standing is not None
    assert standing.standstill == "proved"
    record = MotionRecord.load(bench.state.twin / "motion.npz")
    assert record.standstill_ns(record.end_ns - 100_000_000) == record.end_ns - 100_000_000

    with pytest.raises(RefusedError, match=rf"stopped: .*{standing.reason}.*giornata clear"):
        bench.paint()
    with pytest.raises(RefusedError, match="giornata clear"):
        bench.home()
    with pytest.raises(RefusedError, match=standing.reason):
        verbs.clear(bench.machine, bench.root, reason="another", person="Ada")
    kept = verbs.clear(bench.machine, bench.root, reason=standing.reason, person="Ada")
    assert "Ada" in kept.read_text()
    with pytest.raises(RefusedError, match="run giornata home"):
        bench.paint()
    unmoved = MotionRecord.load(bench.state.twin / "motion.npz")
    assert unmoved.end_ns == record.end_ns
    bench.home()
    bench.paint()
    journal = Journal.read(bench.state.journal)
    assert {row.state for row in journal.passes()} == {"finished"}
    journal.close()


def test_painted_ink_is_left_alone_and_again_paints_it_anew(bench, seen) -> None:
    """A second paint moves nothing and says so; --again paints the named ink once more."""
    bench.home()
    bench.paint()
    done = bench.paint(seen)
    assert done.passes == ()
    assert len(seen.notes) == 2
    assert "again" in seen.notes[0]
    journal = Journal.read(bench.state.journal)
    assert journal.runs(done.session) == []
    journal.close()
    done = bench.paint(inks=["teal"], again=True)
    assert [(one.ink, one.painted_now) for one in done.passes] == [("teal", 2)]
    painted = load_painted(bench.state.twin / "canvas.npz")
    assert stroke_deviations(painted, bench.prepared().strokes("teal-1"), "teal")["contacts"].tolist() == [
        2,
        2,
    ]


def test_changed_plan_is_not_painted_over_the_old_one(bench) -> None:
    """An ink begun from one plan is refused when the artwork has changed; --again begins it anew."""
    bench.home()
    bench.paint(inks=["teal"])
    svg = bench.job.parent / "small.svg"
    svg.write_text(svg.read_text().replace('width="40"', 'width="35"'))
    with pytest.raises(RefusedError, match=r"teal-1 was painted from another plan.*--again"):
        bench.paint(inks=["teal"])
    assert [one.ink for one in bench.paint(inks=["teal"], again=True).passes] == ["teal"]


def test_same_plan_whenever_it_is_made(bench, tmp_path) -> None:
    """Preparing twice plans the same ticks: digests agree, so real and virtual sessions stream the same."""
    first = bench.prepared()
    second = verbs.prepare(bench.job, bench.machine, tmp_path / "other")
    assert [one.digest for one in first.record.passes] == [one.digest for one in second.record.passes]
