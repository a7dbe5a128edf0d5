"""Passes and moves: order, lead-in, settling, ends, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.config.errors import InputError
from controller.motion import plan as plan_module
from controller.motion.frames import (
    canvas_to_machine_mm,
    machine_to_canvas_mm,
    quanta_per_mm,
    quanta_to_machine_mm,
)
from controller.motion.plan import (
    LEAD_IN_MARGIN_MM,
    first_directions,
    lead_in_points_mm,
    plan_move,
    plan_move_quanta,
    plan_pass,
    still_ticks,
)
from controller.motion.schedule import Schedule, SegmentKind
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
    np.testing.assert_array_equal(np.asarray(schedule.segment), np.repeat(np.arange(11), schedule.segments["ticks"]))


def test_pen_is_down_in_lower_and_stroke_only(machine, ink, strokes_of):
    """The head's bit is set in just those segments, so the pen never travels on the canvas."""
    schedule = plan_pass(strokes_of(wave(100, 100)), ink, machine, PARK)
    down = np.isin(schedule.segments["kind"], [SegmentKind.LOWER, SegmentKind.STROKE])[schedule.segment]
    np.testing.assert_array_equal(np.asarray(schedule.head) == 1, down)


def test_pass_begins_and_ends_where_it_should(machine, ink, strokes_of):
    """It starts where the machine stands, every stroke ends on its last vertex, and it parks at the end."""
    strokes = strokes_of(wave(100, 100), wave(700, 900))
    schedule = plan_pass(strokes, ink, machine, (400.0, 300.0))
    mm = positions_mm(schedule, machine)
    quantum = 0.51 / np.abs(quanta_per_mm(machine))
    assert np.all(np.abs(mm[0] - (400.0, 300.0)) <= quantum)
    assert np.all(np.abs(mm[-1] - machine.park_mm) <= quantum)
    for row in schedule.segments[schedule.segments["kind"] == SegmentKind.STROKE]:
        vertices = canvas_to_machine_mm(strokes.stroke_mm(row["stroke"]), machine)
        assert np.all(np.abs(mm[row["first_tick"]] - vertices[0]) <= quantum)
        assert np.all(np.abs(mm[row["first_tick"] + row["ticks"]] - vertices[-1]) <= quantum)
        assert row["length_mm"] == pytest.approx(strokes.lengths_mm()[row["stroke"]], rel=1e-12)


def test_machine_stands_still_while_the_pen_goes_up_or_down(machine, ink, strokes_of):
    """LOWER and RAISE are at rest for at least the head's settling times."""
    schedule = plan_pass(strokes_of(wave(100, 100)), ink, machine, PARK)
    for kind, settle_ms in (
        (SegmentKind.LOWER, machine.head.settle_down_ms),
        (SegmentKind.RAISE, machine.head.settle_up_ms),
    ):
        (row,) = schedule.segments[schedule.segments["kind"] == kind]
        assert row["ticks"] == still_ticks(machine, settle_ms)
        assert row["ticks"] * machine.tick_us / 1000 >= settle_ms
        assert not schedule.velocity_units[row["first_tick"] :][: row["ticks"]].any()


def test_drives_may_arrive_before_the_pen_moves(machine, ink, strokes_of):
    """Before lowering and before raising, at least four time constants of the velocity loop pass at rest.

    A first-order lag has then 2 % of its error left (e^-4).
    """
    schedule = plan_pass(strokes_of(wave(100, 100)), ink, machine, PARK)
    wanted = math.ceil(4 * machine.axes["x"].loop_lag_ms * 1000 / machine.tick_us)
    for kind in (SegmentKind.LEAD_IN, SegmentKind.STROKE):
        (row,) = schedule.segments[schedule.segments["kind"] == kind]
        velocities = schedule.velocity_units[row["first_tick"] :][: row["ticks"]]
        assert not velocities[-wanted:].any()
        assert velocities[-wanted - 1].any()


@pytest.mark.parametrize("mirror", [(1, 1), (-1, 1), (1, -1), (-1, -1)])
def test_lead_in_takes_up_the_play_on_both_axes(machine, ink, strokes_of, mirror):
    """Before each stroke both axes move, pen up, in the direction of their first motion by more than the play."""
    sign = np.array(mirror)
    stroke = np.array([900.0, 900.0]) + sign * wave(0, 0)
    schedule = plan_pass(strokes_of(stroke), ink, machine, PARK)
    mm = positions_mm(schedule, machine)
    (lead,) = schedule.segments[schedule.segments["kind"] == SegmentKind.LEAD_IN]
    moved = mm[lead["first_tick"] + lead["ticks"]] - mm[lead["first_tick"]]
    play = np.array([machine.axes[axis].play_mm for axis in "xy"])
    np.testing.assert_array_equal(np.sign(moved), sign)
    assert np.all(np.abs(moved) >= play + LEAD_IN_MARGIN_MM - 1e-5)


def test_lead_in_of_an_axis_that_never_moves_keeps_the_travels_sign(machine, ink, strokes_of):
    """A level line: x leads in along the line, y keeps going the way it came, even where the line wavers a little."""
    level = np.array([[500.0, 700.0], [550.0, 700.001], [600.0, 700.0]])
    downwards = lead_in_points_mm(strokes_of(level), machine, np.array(PARK))[0]
    start = canvas_to_machine_mm(level[0], machine)
    assert downwards[0] < start[0]
    assert downwards[1] < start[1]
    upwards = lead_in_points_mm(strokes_of(level), machine, np.array([700.0, 1900.0]))[0]
    assert upwards[1] > start[1]


def test_first_direction_is_that_of_the_first_significant_displacement(strokes_of):
    """A hook of 0.05 mm before the long way back does not count with 0.1 mm as the threshold; one of 0.2 mm does."""
    small = [[0, 0], [0.05, 1.0], [-5.0, 2.0]]
    large = [[0, 0], [0.2, 1.0], [-5.0, 2.0]]
    signs = first_directions(strokes_of(small, large), np.array([0.1, 0.1]))
    assert signs.tolist() == [[-1, 1], [1, 1]]


def test_lead_in_stays_inside_the_soft_limits(machine, ink, strokes_of):
    """Beside a soft limit the lead-in is cut short; no boundary is beyond the limits."""
    low = machine_to_canvas_mm((machine.axes["x"].min_mm, machine.axes["y"].min_mm), machine)
    schedule = plan_pass(strokes_of([low, low + 40.0]), ink, machine, PARK)
    mm = positions_mm(schedule, machine)
    assert mm[:, 0].min() >= machine.axes["x"].min_mm - 1e-6
    assert mm[:, 1].min() >= machine.axes["y"].min_mm - 1e-6


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
    """A move keeps to the line from start to target (both axes in phase), pen up, and ends on the target."""
    schedule = plan_move(machine, (120.0, 130.0), (2000.0, 900.0))
    mm = positions_mm(schedule, machine)
    along = (mm[:, 0] - 120.0) / 1880.0
    np.testing.assert_allclose(mm[:, 1], 130.0 + 770.0 * along, atol=2e-6)
    assert not np.asarray(schedule.head).any()
    seconds = math.hypot(1880, 770) / 600 + 600 / 2000  # the trapezoid's closed form
    assert seconds <= schedule.ticks * machine.tick_us * 1e-6 < seconds + 0.004


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


def test_planning_in_chunks_changes_nothing(machine, ink, strokes_of, monkeypatch):
    """Strokes planned a few at a time give the same ticks, to the rounding of floats, and report progress."""
    strokes = strokes_of(*(wave(100 + 150 * i, 100 + 40 * i) for i in range(7)))
    whole = plan_pass(strokes, ink, machine, PARK)
    monkeypatch.setattr(plan_module, "CHUNK_VERTICES", 900)
    seen = []
    parts = plan_pass(strokes, ink, machine, PARK, lambda done, total: seen.append((done, total)))
    assert seen == [(2, 7), (4, 7), (6, 7), (7, 7)]
    np.testing.assert_array_equal(parts.segments, whole.segments)
    assert np.abs(parts.boundaries_quanta() - whole.boundaries_quanta()).max() <= 1


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
    """A slower ink's line takes the longer time of the trapezoid (closed form), settling included."""
    slow = ink.model_copy(update={"paint_speed_mm_s": 50.0})
    schedule = plan_pass(strokes_of([[100, 100], [300, 100]]), slow, machine, PARK)
    (row,) = schedule.segments[schedule.segments["kind"] == SegmentKind.STROKE]
    settle = still_ticks(machine, 4 * machine.axes["x"].loop_lag_ms)
    assert row["ticks"] - settle == math.ceil((200 / 50 + 50 / 2000) / 0.004)


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
