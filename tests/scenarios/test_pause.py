"""Passes that are paused and gone on with: the same picture, each stroke once. More in tests/scenarios/pauses.py."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.session.journal import Journal
from controller.session.pausing import Choice
from controller.session.runner import PauseAt
from controller.session.states import DaemonState

from . import pauses
from .conftest import Bench


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory) -> pauses.Reference:
    """The job painted without a pause."""
    return pauses.unpaused(tmp_path_factory.mktemp("unpaused"), ["ochre"])


@pytest.mark.parametrize(("at", "lines", "seed"), [("stroke-end", "redo", 1), ("path", "continue", 3)])
def test_three_pauses_leave_the_same_picture(
    at: PauseAt, lines: str, seed: int, reference: pauses.Reference, tmp_path: Path
) -> None:
    """At strokes' ends as many contacts of tip and canvas as without; on the path one more for each stroke cut. All
    lie within 0.02 mm of the picture without pauses (near a cut within 0.1 mm), nothing of that is
    missing, and the journal has each stroke."""
    answers: list[Choice] = ["go-on"] * 3
    bench, person = pauses.paused(
        tmp_path, reference.ticks, at, lines, answers, np.random.default_rng(seed), ["ochre"]
    )
    assert pauses.judge(bench, reference, at, homed=False) == []
    assert len(person.states_asked) == 3
    assert DaemonState.PAUSED in person.states_asked
    if at == "path":
        assert any("interrupted" in question for question in person.questions)


def test_the_comparison_sees_what_is_missing_or_beside() -> None:
    """A path that ends 1 mm early, one that lies 0.03 mm beside."""
    whole = [np.array([[0.0, 0.0], [10.0, 0.0]])]
    short, beside = [np.array([[0.0, 0.0], [9.0, 0.0]])], [np.array([[0.0, 0.03], [10.0, 0.03]])]
    assert pauses.beside_mm(whole, short)[0] == pytest.approx(1.0)
    assert pauses.beside_mm(short, whole) == (0.0, 0.0)
    assert pauses.beside_mm(beside, whole, cut=True) == pytest.approx((0.0, 0.03))


def test_a_tip_that_dried_meanwhile_is_primed(bench: Bench) -> None:
    """The pause outlasts ``prime_after_s``: a zigzag before the pass goes on; a short one does not."""
    bench.job.write_text(
        bench.job.read_text()
        + "[swatch]\norigin_mm = [300.0, 20.0]\nsize_mm = [140.0, 40.0]\nprime_mm = 60.0\nprime_after_s = 600.0\n"
    )

    class Waiting(pauses.Person):
        async def choose(self, question: str) -> Choice:
            assert self.service is not None
            if len(self.questions) == 1:
                journal = self.service.journal
                late_ms = journal.pens.now_ms() + 700_000
                journal._now_ms = lambda: late_ms  # the person's lunch
            return await super().choose(question)

    person = Waiting(pauses=[(600, "stroke-end"), (1000, "stroke-end")], answers=["go-on", "go-on"])
    bench.home()
    bench.paint(person, meanwhile=person.take, inks=["ochre"])
    journal = Journal.read(bench.state.journal)
    runs = [run.what for run in journal.runs()]
    journal.close()
    assert runs == [
        "homing", "homing", "prime-ochre", "ochre-1", "pause", "paused", "ochre-1", "pause", "paused",
        "prime-ochre", "ochre-1",
    ]  # fmt: skip
    assert any("its tip was up for" in note for note in person.notes)
