"""Tests to drive: what the head does by the believed chain, the parts, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.errors import InputError
from controller.config.load import load_machine
from controller.config.machine import AXES
from controller.config.places import shipped
from controller.motion.chain import Chain, axis_models, head_mm
from controller.motion.frames import quanta_to_machine_mm
from controller.motion.geometry import GeometryMap
from controller.motion.probe import (
    START_RAD,
    AxisTest,
    CircleTest,
    LineTest,
    Part,
    axis_targets,
    load_test,
    parts_named,
    plan_probe,
)
from controller.register.circular import minimum_zone, whole_turn

MACHINE = load_machine(shipped("machines/boathouse.toml"))
TICK_S = MACHINE.tick_us * 1e-6
CIRCLE = CircleTest((1500.0, 950.0), 100.0, 150.0)
LINE = LineTest((300.0, 200.0), (1300.0, 1000.0), 200.0)
AXIS = AxisTest("y", (200.0, 300.5, 420.0), 700.0, 2, 400.0)


def believed_head(probe):
    """Where the head is at the end of every tick by the believed chain, canvas mm (n, 2)."""
    places = quanta_to_machine_mm(probe.schedule.boundaries_quanta(), MACHINE)
    head = head_mm(axis_models(MACHINE), places[1:], TICK_S, places[0], probe.flank)
    return GeometryMap.of(MACHINE).to_canvas(head)


def of_part(probe, head, index: int):
    """The head's places in one part."""
    row = probe.schedule.segments[index]
    return head[int(row["first_tick"]) : int(row["first_tick"] + row["ticks"])]


@pytest.mark.parametrize("test", [CIRCLE, LINE, AXIS])
def test_parts_are_the_segments(test) -> None:
    """Every segment has its part, the pen is up in all, the way begins and ends at rest."""
    probe = plan_probe(MACHINE, test)
    schedule = probe.schedule
    assert len(probe.parts) == len(schedule.segments)
    assert (schedule.segments["ticks"] > 0).all()
    assert not np.asarray(schedule.head).any()
    assert (schedule.velocity_units[-5:] == 0).all()
    assert schedule.velocity_units.any(axis=0).all()


def test_circle_holds_a_whole_turn_each_way() -> None:
    """Each way the believed head makes one whole turn on the circle at the asked speed, with run-up and run-out."""
    probe = plan_probe(MACHINE, CIRCLE)
    head = believed_head(probe)
    for what, way in (("clockwise", 1), ("anticlockwise", -1)):
        (index,) = parts_named(probe.parts, what)
        driven = of_part(probe, head, index)
        turn = whole_turn(driven, CIRCLE.centre_mm, START_RAD, way)
        radii = np.hypot(*(turn - CIRCLE.centre_mm).T)
        assert radii == pytest.approx(CIRCLE.radius_mm, abs=0.03)
        assert minimum_zone(turn).separation_mm < 0.03
        steps = np.hypot(*np.diff(turn[1:-1], axis=0).T) / TICK_S
        assert steps == pytest.approx(CIRCLE.speed_mm_s, rel=0.05)


@settings(max_examples=12, deadline=None)
@given(st.floats(5, 400), st.floats(0.1, 0.9), st.floats(600, 2400), st.floats(500, 1300))
def test_circles_that_fit_are_driven(radius: float, share: float, x: float, y: float) -> None:
    """Whatever is not refused closes: a whole turn each way, within the axes' speeds and reach."""
    fastest = min(np.sqrt(MACHINE.motion.acceleration_mm_s2 * radius), MACHINE.motion.travel_speed_mm_s)
    test = CircleTest((x, y), radius, float(share * fastest))
    try:
        probe = plan_probe(MACHINE, test)
    except InputError as error:
        (mistake,) = error.mistakes
        assert mistake.where in ("place", "speed")
        return
    head = believed_head(probe)
    for what, way in (("clockwise", 1), ("anticlockwise", -1)):
        (index,) = parts_named(probe.parts, what)
        whole_turn(of_part(probe, head, index), test.centre_mm, START_RAD, way)
    axes = quanta_to_machine_mm(probe.schedule.boundaries_quanta(), MACHINE)
    for k, name in enumerate(AXES):
        axis = MACHINE.axes[name]
        assert axes[:, k].min() >= axis.min_mm - 1e-3
        assert axes[:, k].max() <= axis.max_mm + 1e-3
        assert np.abs(np.diff(axes[:, k])).max() / TICK_S <= axis.speed_max_mm_s * (1 + 1e-9)


def test_line_goes_there_and_back() -> None:
    """The believed head reaches both ends within a hundredth and stays as close to the line between them."""
    probe = plan_probe(MACHINE, LINE)
    head = believed_head(probe)
    ahead = np.subtract(LINE.end_mm, LINE.start_mm) / np.hypot(*np.subtract(LINE.end_mm, LINE.start_mm))
    for what, first, last in (("there", LINE.start_mm, LINE.end_mm), ("back", LINE.end_mm, LINE.start_mm)):
        (index,) = parts_named(probe.parts, what)
        way = of_part(probe, head, index)
        assert way[0] == pytest.approx(first, abs=0.01)
        assert way[-1] == pytest.approx(last, abs=0.01)
        away = way - LINE.start_mm
        assert np.abs(ahead[0] * away[:, 1] - ahead[1] * away[:, 0]).max() < 0.01


def test_targets_are_approached_from_both_sides() -> None:
    """Every target is rested at in each repeat from each side, reached in the direction that the part says."""
    probe = plan_probe(MACHINE, AXIS)
    head = believed_head(probe)
    rests = [part for part in probe.parts if part.what]
    assert sorted((one.repeat, one.what, one.target) for one in rests) == [
        (repeat, what, target) for repeat in range(2) for what in ("down", "up") for target in range(3)
    ]
    for index, part in enumerate(probe.parts):
        if not part.what:
            continue
        row = probe.schedule.segments[index]
        rest = of_part(probe, head, index)
        second_half = rest[len(rest) // 2 :]
        assert second_half[:, 1] == pytest.approx(AXIS.targets_mm[part.target], abs=0.002)
        assert second_half[:, 0] == pytest.approx(AXIS.across_mm, abs=0.002)
        before = head[max(int(row["first_tick"]) - 400, 0) : int(row["first_tick"]), 1]
        came_from = before[np.abs(before - AXIS.targets_mm[part.target]) > 0.5][-1]
        assert (came_from < AXIS.targets_mm[part.target]) == (part.what == "up")


def test_chain_begins_where_the_schedule_does() -> None:
    """The stated flank is the one that the motors' first place stands for: the head of it is inside its gap."""
    probe = plan_probe(MACHINE, CIRCLE)
    start = quanta_to_machine_mm(probe.schedule.start_quanta, MACHINE)
    models = axis_models(MACHINE)
    head = Chain(models, TICK_S, start, probe.flank).head_mm
    gap = np.array([max(model.play_mm) for model in models])
    assert start - head == pytest.approx(0.5 * gap * probe.flank, abs=1e-6)
    assert set(probe.flank) <= {-1, 1}
    # In a corner where taking up downwards would leave the reach, the play is taken up from above.
    corner = plan_probe(MACHINE, LineTest((-178.0, -128.0), (100.0, 100.0), 100.0))
    assert corner.flank == (-1, -1)


def test_targets_do_not_share_a_place_on_the_teeth() -> None:
    """Targets rise, stay between their ends, and meet the belt's teeth at many places of the pitch."""
    targets = np.array(axis_targets(MACHINE, "x", 100.0, 2900.0, 15))
    assert (np.diff(targets) > 0).all()
    assert targets.min() >= 100.0
    assert targets.max() <= 2900.0
    phase = np.sort(np.mod(targets[1:-1], 3.0))
    assert np.diff(phase).max() < 1.0
    assert axis_targets(MACHINE, "x", 100.0, 2900.0, 15) == tuple(targets)
    assert len(axis_targets(MACHINE, "x", 10.0, 11.0, 2)) == 2


@pytest.mark.parametrize(
    ("test", "where", "expected"),
    [
        (replace(CIRCLE, speed_mm_s=500.0), "speed", "at most about 447.2 mm/s"),
        (replace(CIRCLE, speed_mm_s=0.0), "speed", "more than 0"),
        (replace(CIRCLE, speed_mm_s=float("nan")), "speed", "more than 0"),
        (replace(LINE, speed_mm_s=601.0), "speed", "travel speed"),
        (replace(CIRCLE, radius_mm=-1.0), "radius", "more than 0"),
        (replace(CIRCLE, centre_mm=(0.0, 950.0), radius_mm=300.0), "place", "axis x from 20 to 3380"),
        (replace(LINE, end_mm=(1300.0, 5000.0)), "place", "axis y"),
        (replace(LINE, end_mm=LINE.start_mm), "line", "1 mm apart"),
        (replace(AXIS, targets_mm=(3.0, 2.0)), "targets", "rise"),
        (replace(AXIS, repeats=1), "repeats", "at least 2"),
        (replace(AXIS, across_mm=9000.0), "place", "axis x"),
    ],
)
def test_what_does_not_fit_is_refused(test, where: str, expected: str) -> None:
    """One mistake, by its name, with what would do."""
    with pytest.raises(InputError) as refused:
        plan_probe(MACHINE, test)
    (mistake,) = refused.value.mistakes
    assert mistake.where == where
    assert expected in mistake.expected


@pytest.mark.parametrize("test", [CIRCLE, LINE, AXIS])
def test_saved_tests_come_back(test, tmp_path) -> None:
    """What is written beside the schedule is read back equal; anything else is refused as input."""
    probe = plan_probe(MACHINE, test)
    probe.save(tmp_path / "t")
    assert load_test(tmp_path / "t") == (test, probe.parts, probe.flank)
    assert isinstance(probe.parts[0], Part)
    (tmp_path / "t" / "test.json").write_text('{"test": {"kind": "circle"}, "parts": [], "flank": [1, 1]}')
    with pytest.raises(InputError, match="other settings"):
        load_test(tmp_path / "t")
    with pytest.raises(InputError, match="test of giornata measure"):
        load_test(tmp_path)
