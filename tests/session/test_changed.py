"""A pass whose plan has changed: what is painted stays painted, what is new is painted, and a person has said so."""

from __future__ import annotations

import numpy as np
import pytest

from controller.config.errors import RefusedError
from controller.config.places import shipped
from controller.session.changed import change_of
from controller.session.operator import SimulatedOperator
from controller.session.prepare import prepare
from controller.session.prepared import Prepared, PreparedPass
from controller.session.service import StoppedError
from controller.stream.spec import StreamOutcome
from controller.strokes.strokeset import StrokeKind, StrokeSet
from tests.session.conftest import JOB, SVG


def _lines(*heights_mm: float, backwards: bool = False) -> StrokeSet:
    ends = [[[10.0, y], [60.0, y]] for y in heights_mm]
    points = np.array([pair[::-1] if backwards else pair for pair in ends]).reshape(-1, 2)
    count = len(heights_mm)
    return StrokeSet(
        points, np.arange(0, 2 * count + 1, 2), np.full(count, StrokeKind.LINE, dtype=np.uint8),
        np.zeros(count, dtype=np.int32), ("waves",),
    )  # fmt: skip


def test_equal_strokes_are_found_by_their_geometry() -> None:
    """Another order and the other way round is the same stroke; a moved one is gone here and new there."""
    change = change_of(_lines(1, 2, 3, 4), [0, 1, 2], _lines(4, 3, 9, 1, backwards=True))
    assert change.same == {0: 3, 2: 1}
    assert change.gone == (1,)
    assert change.left == (0, 2)
    assert change.fresh == (2,)
    assert change.words == (
        "2 painted strokes are in the new plan as they are and count as painted",
        "1 painted stroke is changed or left out (1): its ink stays",
        "2 strokes are to be painted",
        "1 of them is new or changed (2)",
    )
    alone = change_of(_lines(1), [0], _lines(1, 2))
    assert alone.words[:2] == (
        "1 painted stroke is in the new plan as it is and counts as painted",
        "1 stroke is to be painted",
    )


def test_equal_strokes_are_paired_one_to_one() -> None:
    """A line that is painted once and comes twice is left once."""
    change = change_of(_lines(1), [0], _lines(1, 1))
    assert (change.same, change.left, change.fresh) == ({0: 0}, (1,), ())


class Person:
    """Somebody who can say yes or no to more than pens."""

    def __init__(self, answer: bool) -> None:
        self.answer = answer
        self.asked: list[str] = []

    async def load_pen(self, part: PreparedPass, number: int, count: int) -> bool:
        """It is in."""
        return True

    async def confirm(self, question: str) -> bool:
        """Answer as told."""
        self.asked.append(question)
        return self.answer


@pytest.fixture(scope="module")
def moved(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    """The job of three lines with its last line elsewhere."""
    folder = tmp_path_factory.mktemp("moved")
    text = SVG.replace("M 10 50 L 60 50", "M 10 56 L 60 56")
    assert text != SVG
    (folder / "three.svg").write_text(text)
    (folder / "job.toml").write_text(JOB)
    return prepare(folder / "job.toml", shipped("machines/boathouse.toml"), folder / "out")


async def _begun(bench, three) -> None:
    """Two of three strokes are painted, then a stop."""
    await bench.service().home()
    bench.runner.strokes, bench.runner.pass_end = 2, StreamOutcome(end="stopped", reason="asked")
    with pytest.raises(StoppedError):
        await bench.service().paint(three, ["teal-1"])
    bench.runner.strokes, bench.runner.pass_end = 3, StreamOutcome(end="done")
    bench.runner.orders.clear()


async def test_painted_strokes_are_taken_over_when_a_person_says_so(bench, three, moved) -> None:
    """Both plans have the two painted lines: the new pass begins with them, and only the moved line is streamed."""
    await _begun(bench, three)
    bench.operator = person = Person(True)
    (result,) = await bench.service().paint(moved, ["teal-1"])
    (question,) = person.asked
    assert "2 painted strokes are in the new plan" in question
    assert result.painted_now == 1
    painted = bench.journal.latest_pass("three", "teal-1")
    assert painted is not None
    assert painted.plan_key == moved.part("teal-1").plan_key
    assert bench.journal.finished_strokes(painted.id) == [0, 1, 2]
    assert [row.state for row in bench.journal.passes()] == ["abandoned", "finished"]


@pytest.mark.parametrize("operator", [Person(False), SimulatedOperator()])
async def test_nothing_is_taken_over_unasked(bench, three, moved, operator) -> None:
    """A no refuses with what has changed, and so does --yes; the begun pass stays as it was, nothing moves."""
    await _begun(bench, three)
    bench.operator = operator
    with pytest.raises(RefusedError, match=r"from another plan.*2 painted strokes.*--again"):
        await bench.service().paint(moved, ["teal-1"])
    assert bench.runner.orders == []
    (row,) = bench.journal.passes()
    assert (row.state, bench.journal.finished_strokes(row.id)) == ("stopped", [0, 1])
