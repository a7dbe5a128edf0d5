"""A job that is cut into passes, painted pass by pass: pens asked for, stopped in the middle, gone on, shown."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from controller.report.painted import load_painted
from controller.session import verbs
from controller.session.figures import figures_of
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.service import Service, StoppedError
from controller.session.virtualrunner import VirtualRunner
from controller.session.watcher import Watcher


@pytest.fixture
def several(bench):
    """The small job with pens that last 0.2 m of ochre; the watch cuts nothing."""
    text = bench.job.read_text()
    bench.job.write_text(text.replace("tip_mm = 4.0\n", "tip_mm = 4.0\npen_metres = 0.2\n", 1))
    return bench


def test_pens_are_asked_for_and_every_pass_is_homed(several) -> None:
    """Each pass gets a prompt that says which pen, then homing, then its strokes; the journal has all by name."""
    several.home()
    operator = SimulatedOperator()
    prepared = several.prepared()
    names = [one.name for one in prepared.record.passes]
    assert len(names) >= 3
    assert names[-1] == "teal-1"
    done = asyncio.run(
        verbs.paint(
            prepared,
            several.machine,
            several.root,
            operator,
            Watcher(),
            runner_of=VirtualRunner,
            signals=False,
        )
    )
    assert [one.name for one in done.passes] == names
    assert operator.asked == [
        f"{'fresh' if one.fresh_pen else 'same'} pen {one.ink} for {one.name}, pass {at} of {len(names)}"
        for at, one in enumerate(prepared.record.passes, 1)
    ]
    journal = Journal.read(several.state.journal)
    assert [run.what for run in journal.runs(done.session)] == [w for name in names for w in ("homing", name)]
    assert [(row.name, row.state) for row in journal.passes(done.session)] == [(n, "finished") for n in names]
    journal.close()
    painted = load_painted(several.state.twin / "canvas.npz")
    assert painted.contacts == sum(one.strokes for one in prepared.record.passes)
    assert [one.name for one in figures_of(several.state, done.session)] == names
    shown = verbs.status(several.machine, several.root)["passes"]
    assert [(one["pass"], one["strokes_finished"]) for one in shown] == [
        (one.name, one.strokes) for one in prepared.record.passes
    ]


def test_stopped_in_the_second_pass_and_gone_on(several, seen) -> None:
    """What is finished stays finished: the next session begins in the middle of the pass that was stopped."""
    several.home()
    names = [one.name for one in several.prepared().record.passes]
    services: list[Service] = []
    first = several.paint(passes=[names[0]])
    assert [one.name for one in first.passes] == [names[0]]
    seen.at_strokes, seen.on_strokes = 1, lambda: services[0].stop("pause", "test")
    with pytest.raises(StoppedError):
        several.paint(seen, meanwhile=services.append)
    stopped = seen.begun[-1][0]
    assert stopped == names[1]
    journal = Journal.read(several.state.journal)
    row = journal.open_pass()
    assert row is not None
    finished = len(journal.finished_strokes(row.id))
    journal.close()
    again = type(seen)()
    done = several.paint(again)
    assert again.begun[0] == (stopped, finished)
    assert [one.name for one in done.passes] == names[1:]
    assert [note for note in again.notes if names[0] in note] == [
        f"pass {names[0]} is painted already; --again paints it anew"
    ]


def test_an_ink_means_all_its_passes(several) -> None:
    """By ink, all of its passes; by name, the one; passes already painted are left."""
    several.home()
    ochre = [one.name for one in several.prepared().passes_of("ochre")]
    assert [one.name for one in several.paint(inks=["teal"]).passes] == ["teal-1"]
    assert [one.name for one in several.paint(inks=["ochre"]).passes] == ochre
    assert several.paint().passes == ()


def test_report_shows_each_pass(several, tmp_path: Path) -> None:
    """The report's table names passes, with the strokes of each."""
    from controller.report.build import build_report

    several.home()
    done = several.paint(inks=["ochre"])
    files = build_report(several.root, done.session, tmp_path / "report")
    page = files.html.read_text()
    for one in several.prepared().passes_of("ochre"):
        assert one.name in page
        assert f"{one.strokes} of {one.strokes}" in page
