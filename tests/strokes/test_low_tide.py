"""The demo job is what it says: a mural in three inks, small enough to watch, within the boathouse's canvas."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.artwork.model import Artwork
from controller.artwork.read import read_artwork
from controller.config.job import Job
from controller.config.load import load_job, load_machine
from controller.strokes import StrokeKind, StrokeSet, travel_mm
from controller.strokes.build import build_strokes
from controller.strokes.order import order_strokes
from controller.strokes.within import check_within

CONFIGS = Path(__file__).parents[2] / "configs"
JOB_PATH = CONFIGS / "jobs" / "low-tide" / "job.toml"


@pytest.fixture(scope="module")
def job() -> Job:
    return load_job(JOB_PATH)


@pytest.fixture(scope="module")
def artwork(job: Job) -> Artwork:
    return read_artwork(job, JOB_PATH)


@pytest.fixture(scope="module")
def strokes(job: Job, artwork: Artwork) -> dict[str, StrokeSet]:
    return {ink.name: build_strokes(artwork.inks[ink.name], ink) for ink in job.inks}


def test_three_inks_and_one_thing_left_out(artwork: Artwork) -> None:
    """Moon, water and bird come in the job's order; only the signature, which is text, is not painted."""
    assert list(artwork.inks) == ["ochre", "teal", "black"]
    assert [(s.element_id, s.what) for s in artwork.skipped] == [("signature", "text")]


def test_all_kinds_of_strokes(strokes: dict[str, StrokeSet]) -> None:
    """Every ink has strokes; lines, loops and dots all occur; the letters of LOW TIDE have their counters."""
    kinds = np.concatenate([ink.kind for ink in strokes.values()])
    assert len(kinds) >= 60
    assert all((kinds == kind).sum() >= 10 for kind in StrokeKind)
    black = strokes["black"]
    letters = [black.element_ids[index] for index in black.element if "letter" in black.element_ids[index]]
    assert len(letters) == len("LOWTIDE") + 2


def test_fits_and_can_be_watched(job: Job, strokes: dict[str, StrokeSet]) -> None:
    """The mural lies on the boathouse's canvas, and is short enough to be painted in about a minute."""
    check_within(strokes, load_machine(CONFIGS / "machines" / "boathouse.toml"), job, JOB_PATH)
    assert sum(ink.lengths_mm().sum() for ink in strokes.values()) < 6000


def test_order_shortens_the_way(strokes: dict[str, StrokeSet]) -> None:
    """Putting the strokes in order saves way with the pen up in every ink of the mural."""
    for ink in strokes.values():
        assert travel_mm(order_strokes(ink, (0.0, 0.0)), (0.0, 0.0)) < travel_mm(ink, (0.0, 0.0))
