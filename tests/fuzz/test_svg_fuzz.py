"""A short run of the campaign over damaged drawings, and the proof that it would notice."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.artwork.read import read_drawing
from tests.fuzz import svg


def test_damaged_drawings_are_read_or_refused() -> None:
    """300 damaged drawings: each gives arrays that hold together or an InputError, within the bound, nothing opened."""
    campaign = svg.run_campaign(300, seed=7)
    assert campaign.failures == {}
    assert min(campaign.counts["drawn"], campaign.counts["refused"]) > 50


def test_trials_can_be_repeated() -> None:
    """A trial is its seed and number."""
    assert svg.damaged(3, 14) == svg.damaged(3, 14) != svg.damaged(3, 15)


@pytest.mark.parametrize("flaw", ["crash", "nan", "offsets", "file"])
def test_the_campaign_notices(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, flaw: str) -> None:
    """A reader with a flaw put in is caught: an exception, a coordinate, a table out of step, another file opened."""

    def flawed(*arguments):
        if flaw == "crash":
            raise KeyError("d")
        if flaw == "file":
            Path(__file__).read_bytes()
        drawing = read_drawing(*arguments)
        if flaw == "nan":
            drawing.points_mm[0, 0] = float("nan")
        if flaw == "offsets":
            drawing.shapes["clip"][0] = len(drawing.clips)
        return drawing

    monkeypatch.setattr(svg, "read_drawing", flawed)
    guard = svg.Guard()
    outcome = svg.run_trial(svg.SOURCES[0].read_bytes(), tmp_path, guard)
    assert outcome.what not in ("drawn", "refused")
