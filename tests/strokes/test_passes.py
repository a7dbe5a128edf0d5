"""Passes: cut before pen and watch are over, all strokes once, no ink beside wet paint where that can be helped."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.job import Job
from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.motion.plan import plan_pass
from controller.strokes import StrokeKind, StrokeSet
from controller.strokes.order import order_strokes
from controller.strokes.passes import PassPlan, Scheduled, Watch, over_limits, plan_passes, settled
from controller.strokes.times import StrokeTimes
from controller.strokes.travel import TravelCost
from controller.strokes.wet import WetCanvas

MACHINE = Path(__file__).parents[2] / "configs" / "machines" / "boathouse.toml"
PARK_MM = (-80.0, -30.0)  # of that machine, on its canvas


@pytest.fixture(scope="module")
def machine() -> Machine:
    return load_machine(MACHINE)


def lines(starts: Any, ends: Any) -> StrokeSet:
    """Straight strokes."""
    first, last = np.asarray(starts, dtype=np.float64), np.asarray(ends, dtype=np.float64)
    count = len(first)
    return StrokeSet(
        np.stack([first, last], axis=1).reshape(-1, 2),
        np.arange(0, 2 * count + 1, 2),
        np.full(count, StrokeKind.LINE, dtype=np.uint8),
        np.arange(count, dtype=np.int32),
        tuple(f"line-{index}" for index in range(count)),
    )


def rows_of(count: int, length_mm: float, x_mm: float = 100.0, pitch_mm: float = 3.0) -> StrokeSet:
    y = 50.0 + pitch_mm * np.arange(count)
    return lines(
        np.column_stack([np.full(count, x_mm), y]), np.column_stack([np.full(count, x_mm + length_mm), y])
    )


def job_of(*inks: dict[str, Any], **more: Any) -> Job:
    listed = [
        {"name": f"ink-{row}", "colour": f"#{20 + row}4060", "tip_mm": 4.0, **ink}
        for row, ink in enumerate(inks)
    ]
    return Job.model_validate(
        {
            "format": 1,
            "name": "boathouse",
            "artwork": "tide.svg",
            "origin_mm": (0.0, 0.0),
            "inks": listed,
            **more,
        }
    )


def strokes_painted(plan: PassPlan, ink: int) -> list[int]:
    return [stroke for one in plan.passes if one.ink == ink for stroke in one.strokes.tolist()]


@settings(max_examples=30, deadline=None)
@given(
    st.integers(1, 120), st.floats(50, 1500), st.floats(1.0, 20.0), st.floats(0.5, 30.0), st.floats(0.5, 30.0)
)
def test_every_stroke_once_and_no_limit_passed(
    machine: Machine, count: int, length_mm: float, metres: float, pen_minutes: float, watch_minutes: float
) -> None:
    """In their order, each once; metres, pen minutes and watch hold for every pass of more than one stroke; a
    stroke that is too long for them is said to be. Pens never paint more than they hold."""
    strokes = rows_of(count, length_mm)
    job = job_of({"pen_metres": metres, "pen_minutes": pen_minutes})
    plan = plan_passes([strokes], job, machine, Watch(watch_minutes))
    assert strokes_painted(plan, 0) == list(range(count))
    used = 0.0
    for one in plan.passes:
        used = one.metres if one.fresh_pen else used + one.metres
        over = one.metres > metres * (1 + 1e-9) or one.seconds > 60 * min(pen_minutes, watch_minutes) * (
            1 + 1e-9
        )
        assert one.too_long == over
        assert not over or len(one.strokes) == 1
        assert over or used <= metres * (1 + 1e-9)
    assert plan.passes[0].fresh_pen
    assert plan.passes[-1].cut_by == "end"


def test_passes_are_few_and_even(machine: Machine) -> None:
    """100 lines of a metre with 30 m of pen: four passes, the least there can be, of 25 lines each; four pens."""
    plan = plan_passes([rows_of(100, 1000.0)], job_of({"pen_metres": 30.0}), machine, Watch(1e6))
    assert [len(one.strokes) for one in plan.passes] == [25, 25, 25, 25]
    assert {one.cut_by for one in plan.passes[:-1]} == {"metres"}
    assert (plan.pens, plan.pen_changes) == (4, 3)


def test_a_pen_serves_several_watches(machine: Machine) -> None:
    """Where the watch is over sooner than the pen, the pen stays in as long as the next pass fits."""
    strokes = rows_of(100, 1000.0)
    whole = plan_passes([strokes], job_of({}), machine, Watch(1e6)).passes[0].seconds / 60.0
    plan = plan_passes([strokes], job_of({"pen_metres": 60.0}), machine, Watch(whole / 3.5))
    assert [one.fresh_pen for one in plan.passes] == [True, False, True, False]
    assert {one.cut_by for one in plan.passes[:-1]} == {"watch"}


def test_lighter_inks_first(machine: Machine) -> None:
    """Passes follow the job's painting order."""
    job = job_of({"colour": "#101010"}, {"colour": "#f0e0a0"}, {"colour": "#a03020"}, order="light-to-dark")
    plan = plan_passes([rows_of(3, 50.0, x) for x in (100.0, 500.0, 900.0)], job, machine)
    assert [one.ink for one in plan.passes] == [1, 2, 0]


def test_wet_neighbours_are_put_off_until_they_are_dry(machine: Machine) -> None:
    """The second ink begins beside what was painted last: those strokes wait until the rest is done, and none meets
    paint younger than the stated age. Checked by the ages themselves."""
    first = rows_of(10, 400.0)
    beside = rows_of(10, 400.0, pitch_mm=3.0)
    far = rows_of(300, 900.0, x_mm=1500.0, pitch_mm=5.0)
    second = lines(
        np.concatenate([beside.points_mm[::2], far.points_mm[::2]]),
        np.concatenate([beside.points_mm[1::2], far.points_mm[1::2]]),
    )
    job = job_of({"dry_minutes": 20.0}, {})
    plan = plan_passes([first, second], job, machine, Watch(15.0, 2.0))
    painted = strokes_painted(plan, 1)
    assert sorted(painted) == list(range(310))
    assert plan.deferred == 10
    assert set(painted[-10:]) == set(range(10))
    assert plan.wet_strokes == 0
    times = StrokeTimes.of(second, job.inks[1], machine)
    dry_s = plan.passes[0].begin_s + plan.passes[0].seconds - times.to_park_s().max() - 60.0 + 20.0 * 60.0
    begun = np.empty(310)
    for one in plan.passes[1:]:
        begun[one.strokes] = one.begin_s + times.begins_s(one.strokes)
    assert (begun[:10] > dry_s).all()


def test_what_cannot_dry_is_reported(machine: Machine) -> None:
    """With nothing else to do meanwhile, the strokes are painted and named, with the minutes that are missing."""
    strokes = rows_of(5, 200.0)
    plan = plan_passes([strokes, strokes], job_of({"dry_minutes": 45.0}, {}), machine, Watch(60.0, 5.0))
    wet = plan.passes[1].wet
    assert wet is not None
    assert wet.strokes.tolist() == [0, 1, 2, 3, 4]
    assert 35.0 < wet.missing_minutes < 40.0
    dry = plan_passes([strokes, strokes], job_of({"dry_minutes": 4.0}, {}), machine, Watch(60.0, 5.0))
    assert dry.passes[1].wet is None


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 100_000), st.floats(1.0, 8.0), st.floats(1.0, 8.0))
def test_touching_strokes_are_never_missed(seed: int, tip_mm: float, other_mm: float) -> None:
    """Two straight strokes whose edges meet, by the distance of the segments, wait for each other; those that stay 3
    cells farther apart never do."""
    rng = np.random.default_rng(seed)
    ends = rng.uniform(5, 95, (2, 2, 2))
    canvas = WetCanvas((100.0, 100.0))
    canvas.paint(lines(ends[:1, 0], ends[:1, 1]), np.array([77.0]), tip_mm)
    release = canvas.release_s(lines(ends[1:, 0], ends[1:, 1]), other_mm, 10.0)[0]
    along = np.linspace(0.0, 1.0, 801)[:, None]
    one, two = (ends[i, 0] + along * (ends[i, 1] - ends[i, 0]) for i in (0, 1))
    gap = float(np.hypot(*(one[:, None] - two[None]).transpose(2, 0, 1)).min())
    touch = 0.5 * (tip_mm + other_mm)
    if gap <= touch - 0.2:  # the sampling of the check itself
        assert release == 77.0
    if gap > touch + 3.0 * canvas.cell_mm:
        assert release == -np.inf
    assert canvas.release_s(lines(ends[:1, 0], ends[:1, 1]), other_mm, 77.0)[0] == -np.inf


def spiral(turns: float) -> np.ndarray:
    angle = np.linspace(0, 2 * np.pi * turns, int(60 * turns))
    return (2.0 + 1.5 * angle / (2 * np.pi))[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def test_the_model_agrees_with_schedules(machine: Machine) -> None:
    """Lines, bent ones and spirals: the model's seconds are within 8 % of the planned ticks, in all and for each kind;
    the ticks' own sums by stroke add up to the schedule."""
    rng = np.random.default_rng(2)
    places = rng.uniform(100, 1500, (60, 2))
    shapes = [
        np.array([[0.0, 0.0], [80.0, 30.0]]),
        np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 50.0]]),
        spiral(4.0),
    ]
    parts = [shapes[index % 3] + place for index, place in enumerate(places)]
    strokes = StrokeSet(
        np.concatenate(parts),
        np.concatenate([[0], np.cumsum([len(part) for part in parts])]).astype(np.int64),
        np.full(60, StrokeKind.DOT, dtype=np.uint8),
        np.arange(60, dtype=np.int32),
        tuple(f"e{index}" for index in range(60)),
    )
    job = job_of({})
    ordered = order_strokes(strokes, PARK_MM, PARK_MM, TravelCost.of(machine))
    schedule = plan_pass(ordered, job.inks[0], machine, machine.park_mm)
    table = schedule.segments
    whole = schedule.ticks * schedule.tick_ns * 1e-9
    of_stroke = table[table["stroke"] >= 0]  # with its approach
    real = np.bincount(
        of_stroke["stroke"], weights=of_stroke["ticks"] * schedule.tick_ns * 1e-9, minlength=60
    )
    assert 0.9 * whole < real.sum() < whole
    times = StrokeTimes.of(ordered, job.inks[0], machine)
    order = np.arange(60)
    model = times.approach_s(order) + times.painting_s
    for kind in range(3):
        mine = ordered.element % 3 == kind
        assert model[mine].sum() == pytest.approx(real[mine].sum(), rel=0.08)
    assert times.seconds(order) == pytest.approx(whole, rel=0.08)


def test_pens_are_counted(machine: Machine) -> None:
    """A fresh pen where the one in use would not last; changes are all but the first, the other ink's among them."""
    job = job_of({"pen_metres": 3.0}, {"pen_metres": 2.0})
    plan = plan_passes([rows_of(8, 1000.0), rows_of(5, 1000.0, 1500.0)], job, machine, Watch(60.0, 5.0))
    assert [len(one.strokes) for one in plan.passes] == [3, 3, 2, 2, 2, 1]
    assert (plan.pens, plan.pen_changes) == (6, 5)
    assert [one.pen_m for one in plan.passes] == [0.0] * 6
    short = plan_passes([rows_of(8, 1000.0)], job_of({"pen_metres": 8.5}), machine, Watch(0.4, 5.0))
    assert len(short.passes) > 1
    assert (short.pens, short.pen_changes) == (1, 0)
    assert [one.pen_m for one in short.passes] == pytest.approx(
        np.cumsum([0.0, *(one.metres for one in short.passes[:-1])]).tolist()
    )


def test_settled_by_schedules(machine: Machine) -> None:
    """Begin, length and wet strokes of passes follow the seconds of their schedules; limits are judged by them."""
    crossing = lines([(100.0, 40.0)], [(100.0, 400.0)]), lines([(50.0, 200.0)], [(150.0, 200.0)])
    job, watch = job_of({"dry_minutes": 10.0}, {}), Watch(3.0, 2.0)
    plan = plan_passes(crossing, job, machine, watch)
    real = [
        Scheduled(100.0, np.array([30.0]), np.array([60.0])),
        Scheduled(200.0, np.array([40.0]), np.array([50.0])),
    ]
    first, second = settled(plan, crossing, job, machine, watch, real).passes
    assert (first.begin_s, first.seconds, second.begin_s) == (0.0, 100.0, 220.0)
    assert first.wet is None
    assert second.wet is not None
    assert second.wet.missing_minutes == pytest.approx((60.0 + 600.0 - 260.0) / 60.0)
    assert (first.too_long, second.too_long) == (False, True)
    assert (
        over_limits(settled(plan, crossing, job, machine, watch, real), job, watch) == set()
    )  # single strokes
