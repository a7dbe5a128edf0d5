"""A slice of the campaign of deaths, and the judge itself on accounts that are wrong."""

from __future__ import annotations

import asyncio
from contextlib import closing
from pathlib import Path

import pytest

from controller.session import verbs
from controller.session.daemon import recover
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.rows import InterruptionRow
from controller.session.watcher import Watcher
from drivers.clock import NS_PER_S
from drivers.twin.canvas import Canvas
from drivers.twin.record import MotionRecord
from tests.faults.crash import Reach, judge_account, play, reach_of, table
from tests.faults.dying import KINDS, PASS, Crash, Kind, PlainRunner, Site, in_child, paint_until_death
from tests.faults.inked import Contact, contacts

SEED = 11


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, Reach]:
    """A homed machine with its job prepared, and what there is to die at."""
    folder = tmp_path_factory.mktemp("c")
    (folder / "site").mkdir()
    site = Site.build(folder / "site")
    return site, reach_of(site, folder)


@pytest.mark.parametrize("kind", KINDS)
def test_account_holds_after_any_death(kind: Kind, scene: tuple[Site, Reach], tmp_path: Path) -> None:
    """One trial of each kind: the account is the canvas', and the picture is painted to its end."""
    trial = play(kind, SEED, 0, *scene, tmp_path / "trial")
    assert not trial.problems, trial
    assert f"| {kind} | 1 |" in table([trial])


def _entry(
    stroke: int | None, low_mm: float, high_mm: float, doubtful: tuple[int, ...] = ()
) -> InterruptionRow:
    return InterruptionRow(1, 1, stroke, 1, 100, low_mm, high_mm, 100.0, doubtful, 0.0, "")


def test_judge_finds_what_is_wrong() -> None:
    """Ink without an account, an account without ink, a bound that does not hold: each is named."""
    whole, part = Contact(0, 0.0, 100.0, 100.0, 0), Contact(1, 0.0, 40.0, 100.0, 1)
    assert judge_account([whole, part], [0], [_entry(1, 35.0, 45.0)]) == []
    assert judge_account([whole, part], [0], [_entry(None, 0.0, 0.0, (1,))]) == []
    assert judge_account([whole], [0], []) == []
    assert "in no account" in judge_account([whole, part], [0], [])[0]
    assert "in no account" in judge_account([whole], [], [])[0]
    assert "not on the canvas" in judge_account([part], [0], [_entry(1, 35.0, 45.0)])[0]
    assert "the account says" in judge_account([whole, part], [0], [_entry(1, 45.0, 50.0)])[0]
    assert "the account says" in judge_account([whole, part], [0], [_entry(1, 20.0, 30.0)])[0]
    assert "belongs to no stroke" in judge_account([Contact(None, 0, 0, 0, 0)], [], [])[0]


def test_line_goes_on_where_it_was_left(scene: tuple[Site, Reach], tmp_path: Path) -> None:
    """Killed in a long line that is to go on: it does with the stated overlap, and the person has been asked.

    Judged by the gantry's canvas: the first contact ends within the account, the second begins in what is there,
    where it was said to, and ends where the line does.
    """
    site = scene[0].copy(tmp_path / "site")
    job = site.folder / "job.toml"
    job.write_text(job.read_text() + '[resume]\nlines = "continue"\noverlap_mm = 6.0\n')
    site.prepare()
    lines = site.strokes.lengths_mm()
    longest = int(lines.argmax())
    asked = SimulatedOperator()
    whole = Site(scene[0].folder.parent / "whole-False")
    # Both sessions begin where the record of the world ends.
    middle = whole.middle_ns(longest) - MotionRecord.load(site.state.twin / "motion.npz").end_ns - NS_PER_S
    code, answer = in_child(lambda: paint_until_death(site, Crash("killed", middle, 0, 1), False))
    assert code < 0, answer
    with closing(Journal.open(site.state.journal, "boathouse")) as journal:
        recover(journal, site.state)
        row = journal.latest_pass("waves", PASS)
        assert row is not None
        (entry,) = journal.interruptions(row.id)
    assert entry.stroke == longest
    site.clear()
    asyncio.run(
        verbs.paint(
            site.prepared,
            site.machine,
            site.state.root,
            asked,
            Watcher(),
            runner_of=PlainRunner,
            signals=False,
        )
    )
    assert any("goes on from" in question for question in asked.asked)
    found = contacts(Canvas.load(site.state.twin / "canvas.npz"), site.strokes)
    first, second = (contact for contact in found if contact.stroke == longest)
    assert entry.low_mm - 1.5 <= first.to_mm <= entry.high_mm + 1.5
    assert abs(second.from_mm - (entry.low_mm - 6.0)) <= 1.5
    assert second.to_mm >= second.length_mm - 1.5
    assert second.from_mm <= first.to_mm
    others = [contact for contact in found if contact.stroke != longest]
    assert all(contact.is_whole for contact in others)
    assert len(others) == len(lines) - 1
