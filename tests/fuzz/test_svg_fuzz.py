"""A short run of the campaign over damaged drawings, and the proof that it would notice."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.artwork.drawn import as_drawn
from controller.artwork.read import read_drawing
from controller.config.errors import InputError
from controller.config.job import Ink, Job
from tests.fuzz import svg


def test_damaged_drawings_are_read_or_refused() -> None:
    """300 damaged drawings: each gives arrays that hold together or an InputError, within the bound, nothing opened."""
    campaign = svg.run_campaign(300, seed=7)
    assert campaign.failures == {}
    assert min(campaign.counts["drawn"], campaign.counts["refused"]) > 50


def test_trials_can_be_repeated() -> None:
    """A trial is its seed and number."""
    assert svg.damaged(3, 14) == svg.damaged(3, 14) != svg.damaged(3, 15)


def test_damaged_drawings_as_drawn(tmp_path: Path) -> None:
    """What can be read of a damaged drawing can be sorted by ink: every outline and dot belongs to an element."""
    inks = tuple(Ink(name=name, group=name, colour="#000000", tip_mm=2.0) for name in ("heron", "shore"))
    job = Job(format=1, name="fuzz", artwork="damaged.svg", origin_mm=(0.0, 0.0), inks=inks)
    sorted_ones = 0
    for trial in range(80):
        (tmp_path / "damaged.svg").write_bytes(svg.damaged(11, trial))
        try:
            drawing = read_drawing(job, tmp_path / "job.toml", svg.LIMITS)
            artwork = as_drawn(drawing, job, tmp_path / "job.toml")
        except InputError:
            continue
        sorted_ones += 1
        for shapes in artwork.inks.values():
            assert shapes.offsets[-1] == len(shapes.points_mm)
            assert shapes.outlines == len(shapes.closed) == len(shapes.outline_element)
            owners = {*shapes.outline_element.tolist(), *shapes.dot_element.tolist()}
            assert owners == set(range(len(shapes.element_ids)))
            assert (shapes.dot_diameter_mm > 0).all()
    assert sorted_ones > 10


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
