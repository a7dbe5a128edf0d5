"""A slice of ``python -m tests.faults.continuing``: every technique stopped somewhere and gone on with."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

from tests.faults.continuing import ENDS_MM, OVERLAP_MM, Piece, _begin_mm, _joint_mm, play


@pytest.mark.parametrize(("technique", "number"), [("line", 0), ("loop", 6), ("flat", 3)])
def test_nothing_twice_but_the_overlap_nothing_skipped(technique: str, number: int, tmp_path: Path) -> None:
    """Whole strokes, the stated overlap, and the line goes on within 0.05 mm of what is there."""
    trial = play(technique, 1, number, tmp_path / "site")
    assert trial.problems == []
    assert trial.stops >= 1


def test_the_judge_sees_a_gap_and_a_line_that_lies_beside() -> None:
    """A path that comes back to itself: the piece is found where it runs, and 0.2 mm beside is told."""
    turns = np.linspace(0.0, 6.0 * np.pi, 600)
    spiral = np.column_stack([(5.0 + turns) * np.cos(turns), (5.0 + turns) * np.sin(turns)])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(spiral, axis=0).T))])
    piece = spiral[200:]
    assert _begin_mm(spiral, piece) == pytest.approx(along[200], abs=0.3)
    before, after = Piece(0.0, along[300], spiral[:301]), Piece(along[200], along[-1], piece)
    assert _joint_mm(before, after, along[300] - along[200]) < 1e-9
    beside = np.array(shapely.offset_curve(shapely.LineString(piece), 0.2).coords)
    if np.hypot(*(beside[0] - piece[0])) > 1.0:
        beside = beside[::-1]
    found = _joint_mm(before, Piece(along[200], along[-1], beside), along[300] - along[200])
    assert found == pytest.approx(0.2, abs=0.01)
    assert OVERLAP_MM > ENDS_MM
