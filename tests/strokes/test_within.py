"""Artwork that reaches too far is refused, by element and by how many mm."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.config.errors import InputError
from controller.config.job import Ink, Job
from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.strokes import StrokeSet
from controller.strokes.within import check_within

JOB_PATH = Path("somewhere/job.toml")
JOB = Job(
    format=1,
    name="small",
    artwork="small.svg",
    origin_mm=(0.0, 0.0),
    inks=(
        Ink(name="red", group="a", colour="#ff0000", tip_mm=4.0),
        Ink(name="blue", group="b", colour="#0000ff", tip_mm=2.0),
    ),
)


@pytest.fixture(scope="module")
def boathouse() -> Machine:
    """A canvas of 3000 mm by 1900 mm."""
    return load_machine(Path(__file__).parents[2] / "configs" / "machines" / "boathouse.toml")


def lines(*ends: tuple[float, float, float, float]) -> StrokeSet:
    count = len(ends)
    return StrokeSet(
        np.array(ends, dtype=float).reshape(-1, 2),
        np.arange(0, 2 * count + 1, 2),
        np.zeros(count, dtype=np.uint8),
        np.arange(count, dtype=np.int32),
        tuple(f"line-{index}" for index in range(count)),
    )


def test_what_fits_passes(boathouse: Machine) -> None:
    """Strokes whose painted width just touches the canvas' edges are fine; so are inks without strokes."""
    check_within({"red": lines((2, 2, 2998, 1898)), "blue": lines()}, boathouse, JOB, JOB_PATH)
    check_within({}, boathouse, JOB, JOB_PATH)


def test_each_element_with_its_excess_worst_first(boathouse: Machine) -> None:
    """Half the tip counts; every element, side and ink is named with its mm, the worst first."""
    strokes = {
        "red": lines((2, 2, 50, 50), (1.5, 10, 50, 50)),
        "blue": lines((1, 1, 9, 9), (5, 1, 9, 1905.25), (2999.5, 10, 5, 5)),
    }
    with pytest.raises(InputError) as caught:
        check_within(strokes, boathouse, JOB, JOB_PATH)
    mistakes = caught.value.mistakes
    assert [(m.where, m.got) for m in mistakes] == [
        ("line-1 (ink blue)", "6.25 mm beyond it"),
        ("line-1 (ink red)", "0.50 mm before it"),
        ("line-2 (ink blue)", "0.50 mm beyond it"),
    ]
    assert "y from 0 to 1900 mm" in mistakes[0].expected
    assert {str(m.file) for m in mistakes} == {"somewhere/small.svg"}


def test_one_mistake_an_element_and_side(boathouse: Machine) -> None:
    """An element of many strokes is named once a side, with its largest excess."""
    both = lines((-1, 10, 5, 5), (-3, 10, 5, 5))
    one = StrokeSet(both.points_mm, both.offsets, both.kind, np.zeros(2, dtype=np.int32), ("star",))
    with pytest.raises(InputError) as caught:
        check_within({"blue": one}, boathouse, JOB, JOB_PATH)
    assert [m.got for m in caught.value.mistakes] == ["4.00 mm before it"]


def test_travel_limits_count_too(boathouse: Machine) -> None:
    """Where the soft limits are narrower than the canvas, the pen's own path is held to them."""
    axis = boathouse.axes["x"].model_copy(update={"max_mm": 1000.0})
    narrow = boathouse.model_copy(update={"axes": {**boathouse.axes, "x": axis}})
    with pytest.raises(InputError) as caught:
        check_within({"blue": lines((10, 10, 900, 10))}, narrow, JOB, JOB_PATH)
    (mistake,) = caught.value.mistakes
    assert "travel of axes.x" in mistake.expected
    assert mistake.got == "100.00 mm beyond it"  # 900 + the canvas' origin at 200
