"""Passes and moves: order, lead-in, settling, ends, refusals."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.spatial import cKDTree

from controller.config.errors import InputError
from controller.motion import plan as plan_module
from controller.motion.approach import LEAD_IN_MARGIN_MM, lead_in_points_mm
from controller.motion.frames import (
    canvas_to_machine_mm,
    machine_to_canvas_mm,
    quanta_per_mm,
    quanta_to_machine_mm,
)
from controller.motion.geometry import GeometryMap
from controller.motion.instances import first_directions
from controller.motion.pen import still_ticks
from controller.motion.plan import plan_move, plan_move_quanta, plan_pass
from controller.motion.schedule import PerTick, Schedule, SegmentKind
from controller.motion.scurve import rest_to_rest
from controller.motion.summary import totals
from controller.motion.ticks import to_velocities

PARK = (120.0, 120.0)


def positions_mm(schedule, machine):
    return quanta_to_machine_mm(schedule.boundaries_quanta(), machine)


def wave(x0, y0, length=120.0, height=8.0, periods=3):
    x = np.linspace(0, length, 400)
    return np.stack([x0 + x, y0 + height * np.sin(2 * np.pi * periods * x / length)], axis=1)


def test_frames_are_inverse_and_use_the_origin(machine):
    """Canvas (0, 0) is the canvas' corner in machine mm, and the way back is exact."""
    assert canvas_to_machine_mm((0.0, 0.0), machine).tolist() == list(machine.canvas.origin_mm)
    points = np.random.default_rng(1).uniform(0, 1900, (100, 2))
    np.testing.assert_allclose(
        machine_to_canvas_mm(canvas_to_machine_mm(points, machine), machine), points, atol=1e-9
    )


def test_quanta_are_signed_by_the_drives_direction(machine):
    """324 000 counts a turn on 60 mm of belt are 5400 counts a mm; a 4 ms tick of 1 count/s is 0.004 counts.

    Common practice, no source, for the counts; the division is by hand. The y drive turns the other way.
    """
    assert quanta_per_mm(machine).tolist() == pytest.approx([1_350_000.0, -1_350_000.0])


def test_each_stroke_is_travel_lead_in_lower_stroke_raise(machine, ink, strokes_of):
    """The order of segments of every stroke, then the travel to the park position; ticks are covered once."""
    schedule = plan_pass(strokes_of(wave(100, 100), wave(300, 500)), ink, machine, PARK)
    kinds = [SegmentKind(kind).name for kind in schedule.segments["kind"]]
    assert kinds == ["TRAVEL", "LEAD_IN", "LOWER", "STROKE", "RAISE"] * 2 + ["TRAVEL"]
    assert schedule.segments["stroke"].tolist() == [0] * 5 + [1] * 5 + [-1]
    ends = schedule.segments["first_tick"] + schedule.segments["ticks"]
    assert schedule.segments["first_tick"].tolist() == [0, *ends[:-1].tolist()]
    assert ends[-1] == schedule.ticks == len(schedule.head) == len(schedule.segment)
    np.testing.assert_array_equal(
        np.asarray(schedule.segment), np.repeat(np.arange(11), schedule.segments["ticks"])
    )


def test_pen_is_down_in_lower_and_stroke_only(machine, ink, strokes_of):
    """The head's bit is set in just those segments, so the pen never travels on the canvas."""
    schedule = plan_pass(strokes_of(wave(100, 100)), ink, machine, PARK)
    down = np.isin(schedule.segments["kind"], [SegmentKind.LOWER, SegmentKind.STROKE])[schedule.segment]
    np.testing.assert_array_equal(np.asarray(schedule.head) == 1, down)


def circle(radius, centre, sense=1, vertices=180):
    angle = sense * 2 * np.pi * np.arange(vertices + 1) / vertices
    path = radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    path[-1] = path[0]
    return np.add(path, centre)


def star(centre, outer=30.0, inner=12.0):
    angle = -np.pi / 2 + np.pi * np.arange(11) / 5
    path = np.where(np.arange(11) % 2, inner, outer)[:, None] * np.stack(
        [np.cos(angle), np.sin(angle)], axis=1
    )
    path[-1] = path[0]
    return np.add(path, centre)


def rows_of(schedule, kind):
    return schedule.segments[schedule.segments["kind"] == kind]


def part(values, row):
    """Values at the tick boundaries of one segment, both ends included."""
    return values[row["first_tick"] : row["first_tick"] + row["ticks"] + 1]


def distance_mm(points, stroke):
    """Distance of points to a stroke, to 0.005 mm."""
    pieces = [np.linspace(a, b, max(2, int(np.hypot(*(b - a)) / 0.01))) for a, b in pairwise(stroke)]
    return cKDTree(np.concatenate(pieces)).query(points)[0]


def test_pass_begins_and_ends_where_it_should(machine, ink, strokes_of):
    """The plan starts where the motors stand and parks them at the end, to the quantum; lengths are the strokes'."""
    strokes = strokes_of(wave(100, 100), wave(700, 900))
    schedule = plan_pass(strokes, ink, machine, (400.0, 300.0))
    mm = positions_mm(schedule, machine)
    quantum = 0.51 / np.abs(quanta_per_mm(machine))
    assert np.all(np.abs(mm[0] - (400.0, 300.0)) <= quantum)
    assert np.all(np.abs(mm[-1] - machine.park_mm) <= quantum)
    for row in rows_of(schedule, SegmentKind.STROKE):
        assert row["length_mm"] == pytest.approx(strokes.lengths_mm()[row["stroke"]], rel=1e-12)


@pytest.mark.parametrize("park", [(120.0, 120.0), (700.05, 500.0), (699.95, 500.1), (700.0, 499.9)])
def test_parks_exactly_whatever_the_play(machine, ink, strokes_of, park):
    """The motors end at the park position to the quantum, also where it lies within the play of the stroke's end."""
    there = machine.model_copy(update={"park_mm": park})
    stroke = canvas_to_canvas(there, [[600.0, 450.0], [700.0, 500.0]])
    schedule = plan_pass(strokes_of(stroke), ink, there, (400.0, 300.0))
    end = schedule.boundaries_quanta()[-1]
    np.testing.assert_array_equal(end, np.rint(np.array(park) * quanta_per_mm(machine)))


def canvas_to_canvas(machine, machine_mm):
    """Machine mm written as canvas mm."""
    return machine_to_canvas_mm(machine_mm, machine)


@pytest.mark.parametrize("which", ["machine", "elastic"])
def test_head_is_there_when_the_pen_comes_down_and_goes_up(request, ink, strokes_of, head_of, which):
    """By the forward model the head rests on the stroke's ends (with the pen's offsets) while the pen moves.

    While the pen goes down the tip is where it lands; before it goes up the tip has come to the last vertex. Within
    0.02 mm, and swinging by no more than 0.02 mm, although lag, latency, play and belt are in between.
    """
    model = request.getfixturevalue(which)
    strokes = strokes_of(
        wave(100, 100), circle(8.0, [600, 400]), star([900, 800]), [[1400, 900], [1300, 200]]
    )
    schedule = plan_pass(strokes, ink, model, PARK)
    head = head_of(schedule, model)
    landing = np.array(model.pen.landing_mm)
    for row in rows_of(schedule, SegmentKind.LOWER):
        there = part(head, row) + landing
        assert np.hypot(*(there - strokes.stroke_mm(row["stroke"])[0]).T).max() < 0.02
        assert np.ptp(there, axis=0).max() < 0.02
    for row in rows_of(schedule, SegmentKind.RAISE):
        stroke = strokes.stroke_mm(row["stroke"])
        there = part(head, row)
        direction = (stroke[-1] - stroke[-2]) / np.hypot(*(stroke[-1] - stroke[-2]))
        lead = plan_module.Pen.of(model).lead_mm(direction)
        assert np.hypot(*(there - lead - stroke[-1]).T).max() < 0.02
        assert np.ptp(there, axis=0).max() < 0.02


@pytest.mark.parametrize(("which", "bound_mm"), [("stiff", 0.015), ("elastic", 0.1)])
def test_head_stays_on_the_stroke(request, ink, strokes_of, head_of, which, bound_mm):
    """By the forward model the head draws the strokes, whatever lag, play, belt and geometry are in between.

    Small and large circles both ways, a star with corners, a slant line. The pen is taken off the elastic machine:
    its tip has tests of its own.
    """
    model = request.getfixturevalue(which)
    model = model.model_copy(update={"pen": type(model.pen)()})
    shapes = [
        circle(2.0, [300, 300]),
        circle(3.0, [400, 300], -1),
        circle(10.0, [500, 400]),
        circle(50.0, [700, 700], -1),
        star([900, 300]),
        np.array([[100.0, 900.0], [1000.0, 1000.0]]),
    ]
    strokes = strokes_of(*shapes)
    schedule = plan_pass(strokes, ink, model, PARK)
    head = head_of(schedule, model)
    for row in rows_of(schedule, SegmentKind.STROKE):
        assert distance_mm(part(head, row), strokes.stroke_mm(row["stroke"])).max() < bound_mm


def test_closed_strokes_close(elastic, ink, strokes_of, head_of):
    """A circle ends where it begins, by the forward model within 0.015 mm, wherever on it that is and both ways."""
    model = elastic.model_copy(update={"pen": type(elastic.pen)()})
    shapes = []
    for number, angle in enumerate((0.0, 0.4, 1.571, 2.5, 4.0)):
        one = circle(6.0, [0, 0], 1 if number % 2 else -1)[:-1]
        turned = np.roll(one, -round(angle / (2 * np.pi) * len(one)), axis=0)
        shapes.append(np.add(np.vstack([turned, turned[:1]]), (200 + 150 * number, 500)))
    schedule = plan_pass(strokes_of(*shapes), ink, model, PARK)
    head = head_of(schedule, model)
    for row in rows_of(schedule, SegmentKind.STROKE):
        there = part(head, row)
        assert np.hypot(*(there[-1] - there[0])) < 0.015


def test_machine_stands_still_while_the_pen_goes_up_or_down(machine, ink, strokes_of):
    """LOWER and RAISE are at rest for at least the head's settling times."""
    schedule = plan_pass(strokes_of(wave(100, 100)), ink, machine, PARK)
    for kind, settle_ms in (
        (SegmentKind.LOWER, machine.head.settle_down_ms),
        (SegmentKind.RAISE, machine.head.settle_up_ms),
    ):
        (row,) = rows_of(schedule, kind)
        assert row["ticks"] == still_ticks(machine, settle_ms)
        assert row["ticks"] * machine.tick_us / 1000 >= settle_ms
        assert not schedule.velocity_units[row["first_tick"] :][: row["ticks"]].any()


def test_a_plan_that_moves_while_the_pen_does_is_refused(machine, ink, strokes_of, monkeypatch):
    """Should the chain ever command motion while the pen comes down, planning ends instead of painting it."""
    from controller.motion.chain import Chain

    whole = Chain.commands_mm

    def wandering(self, raw):
        return whole(self, raw) + 1e-3 * np.arange(len(raw))[:, None]

    monkeypatch.setattr(Chain, "commands_mm", wandering)
    with pytest.raises(RuntimeError, match="at rest while the pen moves"):
        plan_pass(strokes_of(wave(100, 100)), ink, machine, PARK)


@pytest.mark.parametrize("mirror", [(1, 1), (-1, 1), (1, -1), (-1, -1)])
def test_lead_in_takes_up_the_play_on_both_axes(machine, ink, strokes_of, head_of, mirror):
    """Before each stroke the head moves, pen up, on both axes as the stroke will first move, by more than the play."""
    sign = np.array(mirror)
    stroke = np.array([900.0, 900.0]) + sign * wave(0, 0)
    schedule = plan_pass(strokes_of(stroke, np.add(stroke, (300.0, -200.0))), ink, machine, PARK)
    head = head_of(schedule, machine)
    play = np.array([machine.axes[axis].play_mm for axis in "xy"])
    for row in rows_of(schedule, SegmentKind.LEAD_IN):
        for axis in range(2):
            way = part(head, row)[:, axis] * sign[axis]
            last_back = np.flatnonzero(np.diff(way) < -1e-6)
            forth = way[-1] - way[last_back[-1] + 1 if len(last_back) else 0]
            assert forth >= play[axis] + 0.5 * LEAD_IN_MARGIN_MM


def lead_of(machine, stroke, came_mm):
    """Lead-in point of one stroke, machine mm, for a holder that comes from ``came_mm`` (machine mm)."""
    geometry = GeometryMap.of(machine)
    stroke = np.asarray(stroke, dtype=np.float64)
    signs = first_directions(stroke[1:] - stroke[0], np.array([len(stroke) - 1]), 0.02)
    heading = (stroke[1] - stroke[0]) / np.hypot(*(stroke[1] - stroke[0]))
    came = geometry.to_canvas(np.reshape(came_mm, (1, 2)))
    lead = lead_in_points_mm(came, stroke[:1], signs.astype(np.float64), heading[None], machine, geometry)
    return geometry.to_axes(lead)[0]


def test_lead_in_of_an_axis_that_never_moves_keeps_the_travels_sign(machine):
    """A level line: x leads in along the line, y keeps going the way it came, even where the line wavers a little."""
    level = np.array([[500.0, 700.0], [550.0, 700.001], [600.0, 700.0]])
    start = canvas_to_machine_mm(level[0], machine)
    downwards = lead_of(machine, level, PARK)
    assert downwards[0] < start[0]
    assert downwards[1] < start[1]
    upwards = lead_of(machine, level, (700.0, 1900.0))
    assert upwards[1] > start[1]


def test_a_way_that_arrives_right_is_its_own_lead_in(machine):
    """Coming from behind the stroke on both axes, the travel is straight: the lead-in point lies on it."""
    stroke = np.array([[500.0, 700.0], [560.0, 760.0]])
    start = canvas_to_machine_mm(stroke[0], machine)
    lead = lead_of(machine, stroke, PARK)
    along, across = start - PARK, lead - PARK
    assert abs(along[0] * across[1] - along[1] * across[0]) / np.hypot(*along) < 1e-9
    play = np.array([machine.axes[axis].play_mm for axis in "xy"])
    assert np.all(start - lead >= play + LEAD_IN_MARGIN_MM - 1e-9)


def test_first_direction_is_that_of_the_first_significant_displacement():
    """A hook of 0.05 mm before the long way back does not count with 0.1 mm as the threshold; one of 0.2 mm does."""
    small = [[0.05, 1.0], [-5.0, 2.0]]
    large = [[0.2, 1.0], [-5.0, 2.0]]
    signs = first_directions(np.array(small + large), np.array([2, 2]), np.array([0.1, 0.1]))
    assert signs.tolist() == [[-1, 1], [1, 1]]


def test_lead_in_stays_inside_the_soft_limits(machine, ink, strokes_of, head_of):
    """Beside a soft limit the lead-in is cut short: the head stays within it, commands but for half the play and lag.

    Braking leaves A lag^2 / 2 of the lead over the lag (y + lag y' with y = -v^2 / 2A, largest at v = A lag).
    """
    low = machine_to_canvas_mm((machine.axes["x"].min_mm, machine.axes["y"].min_mm), machine)
    schedule = plan_pass(strokes_of([low, low + 40.0]), ink, machine, PARK)
    mm = positions_mm(schedule, machine)
    for index, name in enumerate("xy"):
        axis = machine.axes[name]
        lead_mm = axis.play_mm / 2 + machine.motion.acceleration_mm_s2 * (axis.loop_lag_ms * 1e-3) ** 2 / 2
        assert mm[:, index].min() >= axis.min_mm - lead_mm
    head = canvas_to_machine_mm(head_of(schedule, machine), machine)
    assert np.all(head.min(axis=0) >= [machine.axes[name].min_mm - 0.02 for name in "xy"])


def test_stroke_outside_the_travel_is_refused_by_element(machine, ink, strokes_of):
    """A stroke beyond the soft limits names its ink, its element and the limits; every element once."""
    with pytest.raises(InputError) as caught:
        plan_pass(strokes_of(wave(100, 100), wave(3300, 100), [[0, 0], [0, 5000]]), ink, machine, PARK)
    assert [mistake.where for mistake in caught.value.mistakes] == ["stroke-1", "stroke-2"]
    assert "ink moon: stroke-1: expected machine x from 20 to 3380" in str(caught.value)


def test_not_a_number_is_refused(machine, ink, strokes_of):
    """A vertex that is not a number never becomes a velocity."""
    with pytest.raises(InputError, match="nan"):
        plan_pass(strokes_of([[10, 10], [math.nan, 20]]), ink, machine, PARK)


def test_pass_without_strokes_only_parks(machine, ink, strokes_of):
    """No strokes: one travel to the park position, and nothing at all when the machine is there already."""
    schedule = plan_pass(strokes_of(), ink, machine, (500.0, 400.0))
    assert schedule.segments["kind"].tolist() == [SegmentKind.TRAVEL]
    assert np.allclose(positions_mm(schedule, machine)[-1], machine.park_mm, atol=1e-6)
    assert plan_pass(strokes_of(), ink, machine, machine.park_mm).ticks == 0


def test_move_is_straight_pen_up_and_exact(machine):
    """A move keeps to the line from start to target (both axes in phase), pen up, and ends on the target.

    Its time is the S-curve's, stretched to whole ticks.
    """
    schedule = plan_move(machine, (120.0, 130.0), (2000.0, 900.0))
    mm = positions_mm(schedule, machine)
    along = (mm[:, 0] - 120.0) / 1880.0
    np.testing.assert_allclose(mm[:, 1], 130.0 + 770.0 * along, atol=2e-6)
    assert not np.asarray(schedule.head).any()
    motion = machine.motion
    seconds = float(
        rest_to_rest(
            math.hypot(1880, 770), motion.travel_speed_mm_s, motion.acceleration_mm_s2, motion.jerk_mm_s3
        ).duration_s
    )
    assert seconds <= schedule.ticks * machine.tick_us * 1e-6 < seconds + 0.004


@pytest.mark.parametrize("kind", ["zv", "zvd"])
def test_shaped_moves_and_travels_take_the_shapers_time_longer_and_end_the_same(
    elastic, ink, strokes_of, kind
):
    """With shaping on, moves and passes end where they did; a move lasts half a period (zv) or one (zvd) longer.

    Damping 0.05: the damped period is 1 / (f sqrt(1 - 0.05^2)) (Singer and Seering 1990, from memory).
    """
    shaped = elastic.model_copy(update={"motion": elastic.motion.model_copy(update={"travel_shaping": kind})})
    plain = elastic
    start, target = (300.0, 300.0), (1500.0, 900.0)
    moves = [plan_move(model, start, target) for model in (plain, shaped)]
    np.testing.assert_array_equal(moves[0].boundaries_quanta()[-1], moves[1].boundaries_quanta()[-1])
    slowest_hz = min(float(np.interp(mm, (0, 3400), (12.0, 9.0))) for mm in target)
    period_s = 1 / (slowest_hz * (1 - 0.05**2) ** 0.5)
    longer_s = (moves[1].ticks - moves[0].ticks) * 0.004
    assert longer_s == pytest.approx(period_s * (0.5 if kind == "zv" else 1.0), abs=0.0045)
    strokes = strokes_of(wave(100, 100), wave(500, 700))
    passes = [plan_pass(strokes, ink, model, PARK) for model in (plain, shaped)]
    np.testing.assert_array_equal(passes[0].boundaries_quanta()[-1], passes[1].boundaries_quanta()[-1])
    assert passes[1].ticks > passes[0].ticks
    drawn = [
        one.velocity_units[row["first_tick"] :][: row["ticks"]]
        for one in passes
        for row in rows_of(one, SegmentKind.STROKE)
    ]
    for before, after in zip(drawn[:2], drawn[2:], strict=True):
        assert np.abs(before.astype(np.int64) - after).max() <= 1


def test_move_in_quanta_is_exact_at_both_ends(machine):
    """Targets on the quantum grid are reached to the quantum, over the whole travel."""
    start, target = (162_000_001, -162_000_003), (4_500_000_017, -2_900_000_009)
    schedule = plan_move_quanta(machine, start, target)
    assert schedule.start_quanta == start
    assert tuple(schedule.boundaries_quanta()[-1]) == target


def test_move_to_where_it_stands_is_one_still_tick(machine):
    """No way to go is still a schedule that can be streamed."""
    schedule = plan_move(machine, (500.0, 500.0), (500.0, 500.0))
    assert schedule.ticks == 1
    assert not schedule.velocity_units.any()


def test_move_beyond_the_soft_limits_is_refused(machine):
    """A target outside is refused; a start outside is not, the machine must be able to come back."""
    with pytest.raises(InputError, match=r"boathouse: target: expected machine x from 20 to 3380"):
        plan_move(machine, (500.0, 500.0), (3500.0, 500.0))
    assert plan_move(machine, (10.0, 500.0), (500.0, 500.0)).ticks > 0


def test_equal_input_gives_equal_digests(machine, ink, strokes_of, tmp_path):
    """Planning twice gives the same bytes, also after a round trip through files; other strokes give others."""
    strokes = strokes_of(wave(100, 100), wave(300, 500))
    first, second = (plan_pass(strokes, ink, machine, PARK) for _ in range(2))
    assert first.digest() == second.digest()
    first.save(tmp_path)
    assert Schedule.load(tmp_path).digest() == first.digest()
    other = plan_pass(strokes_of(wave(100, 100), wave(300, 500.01)), ink, machine, PARK)
    assert other.digest() != first.digest()


def test_planning_in_chunks_changes_nothing(elastic, ink, strokes_of, monkeypatch):
    """Strokes planned a few at a time give the same ticks, to the rounding of floats, and report progress."""
    strokes = strokes_of(*(wave(100 + 150 * i, 100 + 40 * i) for i in range(7)))
    whole = plan_pass(strokes, ink, elastic, PARK)
    monkeypatch.setattr(plan_module, "CHUNK_TICKS", 1300)
    monkeypatch.setattr(plan_module, "CHUNK_VERTICES", 100)
    seen = []
    parts = plan_pass(strokes, ink, elastic, PARK, lambda done, total: seen.append((done, total)))
    assert len(seen) > 2
    assert seen[-1] == (7, 7)
    np.testing.assert_array_equal(parts.segments, whole.segments)
    assert np.abs(parts.boundaries_quanta() - whole.boundaries_quanta()).max() <= 1


def test_written_while_planning_is_the_same_schedule(machine, ink, strokes_of, tmp_path, monkeypatch):
    """Given a folder, the schedule is written there piece by piece: same ticks, same digest, memory-mapped."""
    strokes = strokes_of(*(wave(100 + 150 * i, 100 + 40 * i) for i in range(7)))
    monkeypatch.setattr(plan_module, "CHUNK_TICKS", 1300)
    kept = plan_pass(strokes, ink, machine, PARK)
    written = plan_pass(strokes, ink, machine, PARK, folder=tmp_path / "schedule")
    assert isinstance(written.velocity_units, np.memmap)
    assert written.digest() == kept.digest() == Schedule.load(tmp_path / "schedule").digest()
    np.testing.assert_array_equal(written.segments, kept.segments)


def test_another_format_is_refused(machine, ink, strokes_of, tmp_path):
    """A schedule of another format says which was expected, which came, and what to do."""
    plan_move(machine, (120.0, 130.0), (200.0, 300.0)).save(tmp_path)
    meta = tmp_path / "meta.json"
    meta.write_text(meta.read_text().replace('"format": 2', '"format": 1'))
    with pytest.raises(ValueError, match="expected schedule format 2, got 1: prepare the job again"):
        Schedule.load(tmp_path)


def test_per_tick_values_slice_like_arrays():
    """Slices, single ticks and the whole are those of the array that repeats each value over its segment."""
    ticks = np.array([3, 1, 7, 2])
    lookup = PerTick(np.cumsum(ticks), np.array([5, 6, 7, 8], dtype=np.int32))
    whole = np.repeat([5, 6, 7, 8], ticks)
    np.testing.assert_array_equal(np.asarray(lookup), whole)
    assert len(lookup) == 13
    for first in range(-2, 15):
        for last in range(-2, 15):
            np.testing.assert_array_equal(lookup[first:last], whole[first:last])
    np.testing.assert_array_equal(lookup[::3], whole[::3])
    assert [int(lookup[i]) for i in range(-13, 13)] == whole[np.arange(-13, 13)].tolist()
    with pytest.raises(IndexError):
        lookup[13]


def test_a_schedule_whose_segments_do_not_cover_it_is_refused(machine):
    """Segments that leave out a tick, or overlap, are no schedule."""
    move = plan_move(machine, (120.0, 130.0), (200.0, 300.0))
    torn = move.segments.copy()
    torn["ticks"] -= 1
    with pytest.raises(ValueError, match="to cover"):
        Schedule(move.velocity_units, torn, move.start_quanta, move.tick_ns, move.machine)


def test_equal_strokes_share_one_plan(machine, ink, strokes_of, monkeypatch):
    """A hundred dots of three shapes are planned three times; their ticks are those of dots planned one by one.

    Positions differ by the translation's rounding only: one quantum.
    """
    angle = np.linspace(0, 6 * np.pi, 150)
    spiral = (1 - 0.8 * angle / angle[-1])[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    random = np.random.default_rng(5)
    shapes = [radius * spiral for radius in (2.0, 3.0, 4.5)]
    which = random.integers(0, 3, 100)
    dots = strokes_of(*(shapes[i] + random.uniform(20, 1500, 2) for i in which))
    planned = []
    from controller.motion import instances

    plan_shapes = instances.plan_shapes

    def counted(strokes, chosen, rules):
        planned.extend(chosen.tolist())
        return plan_shapes(strokes, chosen, rules)

    monkeypatch.setattr(plan_module, "plan_shapes", counted)
    monkeypatch.setattr(plan_module, "CHUNK_TICKS", 3000)
    shared = plan_pass(dots, ink, machine, PARK)
    assert len(planned) == 3
    monkeypatch.setattr(plan_module, "KEPT_TICKS", 0)
    monkeypatch.setattr(
        plan_module, "find_shapes", lambda strokes: plan_module.Shapes(
            np.arange(100), np.ones(100, dtype=np.int64), strokes.lengths_mm()
        )
    )  # fmt: skip
    single = plan_pass(dots, ink, machine, PARK)
    assert len(planned) == 103
    np.testing.assert_array_equal(shared.segments["ticks"], single.segments["ticks"])
    assert np.abs(shared.boundaries_quanta() - single.boundaries_quanta()).max() <= 2


def test_shapes_are_told_apart_by_a_nanometre_and_not_by_their_place(strokes_of):
    """Moved strokes are one shape; a vertex 3 nm off, another number of vertices or another order is another."""
    from controller.motion.instances import find_shapes

    base = wave(0, 0)
    nudged = base.copy()
    nudged[200, 1] += 3e-6
    strokes = strokes_of(base, base + 123.4567, nudged, base[:-1], base[::-1], base + 1e3)
    shapes = find_shapes(strokes)
    assert shapes.number.tolist() == [0, 0, 1, 2, 3, 0]
    assert shapes.uses.tolist() == [3, 1, 1, 1]
    np.testing.assert_allclose(shapes.length_mm, strokes.lengths_mm(), rtol=1e-12)


def test_an_axis_that_would_be_too_fast_is_refused(machine, ink, strokes_of):
    """Speeds that lag and play add to may be beyond what an axis may do: one message, the field and both numbers."""
    motion = machine.motion.model_copy(update={"travel_speed_mm_s": 699.0})
    fast = machine.model_copy(update={"motion": motion})
    with pytest.raises(InputError, match=r"boathouse: axes\.x\.speed_max_mm_s: expected at least 7\d\d"):
        plan_pass(strokes_of([[100.0, 100.0], [2900.0, 100.0], [100.0, 101.0]]), ink, fast, (3000.0, 250.0))


def test_equal_dots_take_equal_ticks(machine, ink, strokes_of):
    """A thousand equal spirals at different places have the same number of ticks each."""
    angle = np.linspace(0, 6 * np.pi, 150)
    spiral = (3.0 * (1 - angle / angle[-1]) + 0.2)[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    centres = np.random.default_rng(3).uniform(20, 1800, (1000, 2))
    schedule = plan_pass(strokes_of(*(centre + spiral for centre in centres)), ink, machine, PARK)
    ticks = schedule.segments["ticks"][schedule.segments["kind"] == SegmentKind.STROKE]
    assert len(ticks) == 1000
    assert np.ptp(ticks) == 0


def test_ink_sets_its_own_paint_speed(machine, ink, strokes_of):
    """A slower ink's line takes longer by what the S-curves' times differ (closed form), rest being the same."""
    strokes = strokes_of([[100, 100], [300, 100]])
    ticks, moving = [], []
    for speed in (50.0, 120.0):
        one = ink.model_copy(update={"paint_speed_mm_s": speed})
        (row,) = rows_of(plan_pass(strokes, one, machine, PARK), SegmentKind.STROKE)
        ticks.append(int(row["ticks"]))
        motion = machine.motion
        time = rest_to_rest(200.0, speed, motion.acceleration_mm_s2, motion.jerk_mm_s3).duration_s
        moving.append(math.ceil(float(time) / 0.004 - 1e-7))
    assert ticks[0] - ticks[1] == moving[0] - moving[1]
    assert ticks[0] > moving[0]


def test_totals_add_up(machine, ink, strokes_of):
    """Metres painted are the strokes' lengths; seconds are ticks times the tick; kinds sum to the whole."""
    strokes = strokes_of(wave(100, 100), wave(300, 500))
    schedule = plan_pass(strokes, ink, machine, PARK)
    total = totals(schedule)
    assert total.strokes == 2
    assert total.metres_painted == pytest.approx(strokes.lengths_mm().sum() / 1000)
    assert total.seconds == pytest.approx(schedule.ticks * 0.004)
    assert sum(kind.ticks for kind in total.by_kind.values()) == schedule.ticks
    assert sum(kind.metres for kind in total.by_kind.values()) == pytest.approx(
        total.metres_painted + total.metres_travelled
    )


def test_velocity_beyond_32_bits_is_an_error():
    """A velocity that the drive's I32 cannot hold raises instead of wrapping around."""
    with pytest.raises(OverflowError, match="2147483647"):
        to_velocities((0, 0), np.array([[3_000_000_000, 0]], dtype=np.int64))


def test_soft_limits_themselves_are_reachable_through_the_quantum_grid(machine):
    """A target on a soft limit that was rounded to the grid is not refused for the rounding."""
    scale = quanta_per_mm(machine)
    for x_mm in (machine.axes["x"].min_mm, machine.axes["x"].max_mm):
        for nudge in (-1, 0, 1):
            target = (round(x_mm * scale[0]) + nudge, round(500.0 * scale[1]))
            schedule = plan_move_quanta(machine, (round(700 * scale[0]), round(500 * scale[1])), target)
            assert tuple(schedule.boundaries_quanta()[-1]) == target
