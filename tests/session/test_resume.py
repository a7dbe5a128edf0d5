"""What a session leaves behind that did not end in order, told by the journal."""

from __future__ import annotations

import sqlite3

import pytest

from controller.session import resume
from controller.session.daemon import recover
from controller.session.service import StoppedError
from controller.session.states import DaemonState
from controller.stream.spec import StreamOutcome


async def test_stop_after_the_last_stroke_finishes_the_pass(bench, three) -> None:
    """All strokes are painted when the stop comes: the pass is finished and nothing is painted again."""
    await bench.service().home()
    bench.runner.pass_end = StreamOutcome(end="stopped", reason="asked")
    service = bench.service()
    with pytest.raises(StoppedError):
        await service.paint(three, ["teal-1"])
    (row,) = bench.journal.passes()
    assert row.state == "finished"
    assert bench.journal.open_pass() is None
    assert service.daemon.state is DaemonState.REGISTERED
    bench.runner.orders.clear()
    assert await bench.service().paint(three, ["teal-1"]) == []
    assert bench.runner.orders == []


async def test_stopped_pass_of_an_earlier_version_with_all_strokes_is_finished(bench, three) -> None:
    """A journal that says stopped although every stroke is there: a reader sees no open pass, recovery writes it."""
    await bench.service().home()
    await bench.service().paint(three, ["teal-1"])
    (row,) = bench.journal.passes()
    bench.journal.end_pass(row.id, "stopped")
    assert bench.journal.open_pass() is None
    recover(bench.journal, bench.state)
    assert bench.journal.pass_row(row.id).state == "finished"


async def test_run_without_files_keeps_the_journals_strokes_and_says_so(bench, three) -> None:
    """No order, no log: what the journal has stays, nothing is made up, and one sentence says why."""
    await bench.service().home()
    bench.runner.strokes, bench.runner.pass_end = 2, StreamOutcome(end="stopped", reason="asked")
    with pytest.raises(StoppedError):
        await bench.service().paint(three, ["teal-1"])
    (row,) = bench.journal.passes()
    (entry,) = bench.journal.interruptions(row.id)
    assert entry.stroke is None
    assert "left no readable order" in entry.note
    assert bench.journal.finished_strokes(row.id) == [0, 1]
    (said,) = resume.last_words(bench.journal, row)
    assert "left no readable order" in said


async def test_disk_that_takes_no_account_leaves_the_run_open(bench, three, monkeypatch) -> None:
    """The account cannot be written: the run stays open, and the next session accounts for it and ends it."""
    await bench.service().home()
    bench.runner.strokes, bench.runner.pass_end = 2, StreamOutcome(end="stopped", reason="asked")

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as patched:
        patched.setattr(type(bench.journal), "settle", full)
        with pytest.raises(StoppedError):
            await bench.service().paint(three, ["teal-1"])
    (run,) = bench.journal.open_runs()
    assert run.what == "teal-1"
    recover(bench.journal, bench.state)
    assert bench.journal.open_runs() == []
    (row,) = bench.journal.passes()
    assert len(bench.journal.interruptions(row.id)) == 1
