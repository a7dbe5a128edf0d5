"""Where a pass ends because its pen does: near the swatch or the park place, and never at the price of a pass."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.strokes.passes import JobPasses, PassPlan, Watch, plan_passes
from controller.strokes.strokeset import StrokeSet
from tests.strokes.test_passes import MACHINE, PARK_MM, job_of, lines

SWATCH = {"origin_mm": (2500.0, 1600.0), "size_mm": (300.0, 200.0)}
NEAR = 0.15


@pytest.fixture(scope="module")
def machine() -> Machine:
    return load_machine(MACHINE)


def scattered(seed: int, count: int) -> StrokeSet:
    """Strokes of 20 to 300 mm in random places and directions."""
    rng = np.random.default_rng(seed)
    first = rng.uniform((50.0, 50.0), (2400.0, 1500.0), (count, 2))
    turn, length = rng.uniform(0.0, 2.0 * np.pi, count), rng.uniform(20.0, 300.0, count)
    return lines(first, first + length[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]))


def way_mm(strokes: StrokeSet, of: list[int], job: Any) -> npt.NDArray[np.float64]:
    """From strokes' ends to the place of changing, by another library."""
    park = shapely.Point(PARK_MM)
    place = park if job.swatch is None else shapely.box(2500.0, 1600.0, 2800.0, 1800.0)
    ends = shapely.points([strokes.stroke_mm(one)[-1] for one in of])
    return np.asarray(shapely.distance(ends, place))


def planned(strokes: StrokeSet, job: Any, machine: Machine, near: float) -> PassPlan:
    return plan_passes([strokes], job, machine, Watch(1e6, 5.0, near))


@given(
    seed=st.integers(0, 10**6),
    count=st.integers(5, 150),
    metres=st.floats(1.0, 8.0),
    swatch=st.booleans(),
    share=st.floats(0.01, 0.5),
)
@settings(max_examples=30, deadline=None)
def test_all_strokes_once_no_limit_passed_and_no_pass_more(
    machine: Machine, seed: int, count: int, metres: float, swatch: bool, share: float
) -> None:
    """Whatever the share: every stroke once and in its order, pens last, and passes and pens are as few as without."""
    strokes = scattered(seed, count)
    job = job_of({"pen_metres": metres}, **({"swatch": SWATCH} if swatch else {}))
    plain, near = (planned(strokes, job, machine, one) for one in (0.0, share))
    assert [stroke for one in near.passes for stroke in one.strokes.tolist()] == list(range(count))
    assert all(one.metres <= metres + 1e-9 for one in near.passes)
    assert len(near.passes) == len(plain.passes)
    assert near.pens == plain.pens


@given(seed=st.integers(0, 10**6), count=st.integers(20, 150), swatch=st.booleans())
@settings(max_examples=40, deadline=None)
def test_no_end_in_the_last_share_is_nearer(machine: Machine, seed: int, count: int, swatch: bool) -> None:
    """A pass that its pen ends: no stroke after its end that the pen would have lasted for, held to what it was held
    to, ends nearer; nor any before it within the last share from which on as few passes would have been needed."""
    strokes = scattered(seed, count)
    job = job_of({"pen_metres": 3.0}, **({"swatch": SWATCH} if swatch else {}))
    making = JobPasses(job, machine, Watch(1e6, 5.0, NEAR))
    found = making.cut(0, strokes)
    way = way_mm(strokes, list(range(count)), job)
    np.testing.assert_allclose(making.change_way_mm(strokes), way, rtol=0, atol=1e-9)
    length_m = strokes.lengths_mm() / 1000.0

    def fewest(first: int) -> int:
        """Passes needed from a stroke on, by going on until the pen is empty."""
        passes, used = 0, np.inf
        for one in length_m[first:]:
            passes, used = (passes + 1, one) if used + one > 3.0 else (passes, used + one)
        return passes

    for one, share in zip(found.passes, found.shares, strict=False):
        if one.cut_by != "metres":
            continue
        first, end = int(one.strokes[0]), int(one.strokes[-1])
        used = np.cumsum(length_m[first:])
        full = first + int(np.searchsorted(used, share * 3.0, side="right")) - 1
        window = [
            stroke
            for stroke in range(first, full + 1)
            if used[stroke - first] >= (1.0 - NEAR) * share * 3.0 and fewest(stroke + 1) <= fewest(full + 1)
        ]
        if window:
            assert end in window
            assert way[end] == pytest.approx(way[window].min())


def test_ends_beside_the_swatch_on_a_picture_as_strokes_lie(machine: Machine) -> None:
    """Rows there and back, the swatch at the right: passes end at right ends, not where metres are over."""
    y = 100.0 + 10.0 * np.arange(100)
    left, right = np.column_stack([np.full(100, 200.0), y]), np.column_stack([np.full(100, 900.0), y])
    swap = (np.arange(100) % 2 == 1)[:, None]  # there and back, as a hatch is painted
    strokes = lines(np.where(swap, right, left), np.where(swap, left, right))
    job = job_of({"pen_metres": 10.3}, swatch=SWATCH)
    near = planned(strokes, job, machine, NEAR)
    ends = [strokes.stroke_mm(int(one.strokes[-1]))[-1][0] for one in near.passes[:-1]]
    assert len(ends) >= 6
    assert set(ends) == {900.0}


def test_minutes_of_a_pen_end_near_as_well(machine: Machine) -> None:
    """A pen that dries after minutes: no more passes, no limit passed, and shorter ways in the sum."""
    strokes = scattered(7, 140)
    job = job_of({"pen_minutes": 1.0}, swatch=SWATCH)
    plain, near = (planned(strokes, job, machine, one) for one in (0.0, NEAR))
    assert len(near.passes) == len(plain.passes) > 3
    assert all(one.seconds <= 60.0 + 1e-6 for one in near.passes)
    ways = [
        way_mm(strokes, [int(one.strokes[-1]) for one in plan.passes[:-1]], job).sum()
        for plan in (plain, near)
    ]
    assert ways[1] < ways[0]


def test_a_place_is_a_box_or_a_point(machine: Machine) -> None:
    """Inside the swatch the way is nothing."""
    job = job_of({}, swatch=SWATCH)
    inside = lines([[0.0, 0.0]], [[2600.0, 1700.0]])
    assert JobPasses(job, machine).change_way_mm(inside).tolist() == [0.0]
