"""An interrupted stroke goes on as its job says, and as the person has been told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.config.job import Job
from controller.session.remainder import cut, offer_of
from controller.session.rows import InterruptionRow
from controller.strokes.strokeset import StrokeKind, StrokeSet

PATH = np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 40.0], [0.0, 40.0]])


def strokes(kind: StrokeKind = StrokeKind.LINE) -> StrokeSet:
    """One stroke of 100 mm."""
    return StrokeSet(
        PATH, np.array([0, 4]), np.array([kind], dtype=np.uint8), np.zeros(1, dtype=np.int32), ("wave",)
    )


def job(lines: str, overlap_mm: float = 5.0) -> Job:
    """A job that says how lines go on."""
    return Job.model_validate(
        {
            "format": 1, "name": "waves", "artwork": "waves.svg", "origin_mm": [20.0, 20.0],
            "inks": [{"name": "teal", "group": "waves", "colour": "#1f7a78", "tip_mm": 4.0}],
            "resume": {"lines": lines, "overlap_mm": overlap_mm},
        }
    )  # fmt: skip


def interrupted(low_mm: float, high_mm: float, stroke: int | None = 0) -> InterruptionRow:
    """A run that ended in the stroke."""
    return InterruptionRow(7, 1, stroke, 10, 100, low_mm, high_mm, 100.0, (), 1.0, "")


@given(st.floats(0.0, 99.99))
def test_cut_path_is_the_end_of_the_whole(from_mm: float) -> None:
    """What is cut off and what is left are as long as the path; the last vertices stay, no two neighbours are equal."""
    rest = cut(PATH, from_mm)
    steps = np.hypot(*np.diff(rest, axis=0).T)
    assert bool((steps > 0.0).all())
    np.testing.assert_allclose(steps.sum(), 100.0 - from_mm, rtol=0, atol=1e-9)
    assert rest[-1].tolist() == PATH[-1].tolist()


def test_cut_beyond_the_path_is_refused() -> None:
    """There is nothing behind the end."""
    with pytest.raises(ValueError, match="expected 0 to 100"):
        cut(PATH, 100.0)


def test_line_goes_on_with_the_stated_overlap() -> None:
    """50 to 58 mm are painted: it goes on from 45 mm, and the person is told what is painted over."""
    offer = offer_of([interrupted(50.0, 58.0)], [], strokes(), job("continue"))
    assert offer is not None
    assert offer.from_mm == 45.0
    assert "after 50.0 to 58.0 mm of 100.0 mm" in offer.question
    assert "goes on from 45.0 mm, overlapping 5.0 to 13.0 mm" in offer.question


@pytest.mark.parametrize(
    ("low_mm", "kind", "lines"),
    [
        (50.0, StrokeKind.LINE, "redo"),
        (50.0, StrokeKind.DOT, "continue"),
        (5.5, StrokeKind.LINE, "continue"),
    ],
)
def test_stroke_is_painted_anew(low_mm: float, kind: StrokeKind, lines: str) -> None:
    """By the job's word, a dot always, and a line of which hardly more than the overlap is there."""
    offer = offer_of([interrupted(low_mm, 60.0)], [], strokes(kind), job(lines))
    assert offer is not None
    assert offer.from_mm is None
    assert "painted anew from its start" in offer.question


def test_job_that_cannot_be_read_means_anew() -> None:
    """Without the job file nobody knows what it says."""
    offer = offer_of([interrupted(50.0, 60.0)], [], strokes(), None)
    assert offer is not None
    assert offer.from_mm is None


def test_nothing_is_offered_where_nothing_was_cut_short() -> None:
    """The pen was up, or the stroke has been finished since."""
    assert offer_of([interrupted(0.0, 0.0, None)], [], strokes(), job("continue")) is None
    assert offer_of([interrupted(50.0, 60.0)], [0], strokes(), job("continue")) is None


def test_last_interruption_of_the_stroke_counts(tmp_path: Path) -> None:
    """Cut short a second time further on, then a run that died with the pen up: it goes on from the second."""
    entries = [interrupted(30.0, 35.0), interrupted(70.0, 74.0), interrupted(0.0, 0.0, None)]
    offer = offer_of(entries, [], strokes(), job("continue"))
    assert offer is not None
    assert offer.from_mm == 65.0
