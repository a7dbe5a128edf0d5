"""What a run that ended anywhere has painted: the account never claims ink that is not there nor forgets any."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import numpy.typing as npt
import shapely
from hypothesis import given
from hypothesis import strategies as st

from controller.config.job import Ink
from controller.config.load import load_machine
from controller.config.machine import AXES, Machine
from controller.config.places import shipped
from controller.motion.frames import quanta_to_machine_mm
from controller.motion.plan import plan_pass
from controller.motion.schedule import PEN_DOWN, SEGMENT_DTYPE, Schedule, SegmentKind
from controller.session.account import Account, Part, Stopping, account_of, missing_ticks
from controller.session.resume import _Plan
from controller.session.strokewatch import unfinished_parts
from controller.stream.record import TICK_DTYPE
from controller.strokes.strokeset import StrokeKind, StrokeSet

TICKS = {
    SegmentKind.TRAVEL: 7, SegmentKind.LEAD_IN: 3, SegmentKind.LOWER: 4, SegmentKind.STROKE: 40, SegmentKind.RAISE: 4,
}  # fmt: skip
MM_A_TICK = 0.1
STOPPING = Stopping(tick_s=0.004, lag_s=0.008, react_s=0.1, braking_mm_s2=2000.0)
ON_MM = MM_A_TICK / 0.004 * 0.1 + (MM_A_TICK / 0.004) ** 2 / 4000.0
"""What the head may go on by itself: v t + v^2 / 2a."""


def plan(strokes: int) -> tuple[npt.NDArray[np.void], npt.NDArray[np.int32]]:
    """Straight strokes of 4 mm at a constant speed along x, 1000 quanta a mm; the way home at the end."""
    rows, first, velocities = [], 0, []
    kinds = [(kind, stroke) for stroke in range(strokes) for kind in SegmentKind] + [(SegmentKind.TRAVEL, -1)]
    for kind, stroke in kinds:
        moves = kind is not SegmentKind.LOWER and kind is not SegmentKind.RAISE
        velocities.append(np.tile([100 if moves else 0, 0], (TICKS[kind], 1)))
        rows.append((kind, stroke, first, TICKS[kind], MM_A_TICK * TICKS[kind] if moves else 0.0))
        first += TICKS[kind]
    return np.array(rows, dtype=SEGMENT_DTYPE), np.concatenate(velocities).astype(np.int32)


def sent(segments: npt.NDArray[np.void], velocity: npt.NDArray[np.int32], ticks: int) -> npt.NDArray[np.void]:
    """The records of the first ``ticks`` ticks, all of them good."""
    of_tick = np.repeat(np.arange(len(segments)), segments["ticks"])[:ticks]
    records = np.zeros(ticks, dtype=TICK_DTYPE)
    records["tick"] = np.arange(ticks)
    records["segment"] = of_tick
    records["velocity_units"] = velocity[:ticks]
    records["head"] = PEN_DOWN[segments["kind"][of_tick]]
    records["flags"], records["statusword"] = 1, 0x0237
    return records


def told(
    segments: npt.NDArray[np.void], velocity: npt.NDArray[np.int32], records: npt.NDArray[np.void], lost: int,
    before: tuple[int, ...] = (),
) -> Account:  # fmt: skip
    """The account of a run of the whole schedule."""
    part = Part(0, 0, len(segments) - 1)
    return account_of(records, segments, velocity, [part], before, (1000.0, 1000.0), lost, STOPPING)


@given(st.integers(0, 4 * 58 + 7), st.integers(0, 150), st.data())
def test_account_bounds_what_was_sent(known: int, lost: int, data: st.DataObject) -> None:
    """Whatever was sent beyond the records, up to what may be lost: the truth lies within what the account says.

    The truth is counted from the plan alone: the way sent of every stroke, up to the tick that was truly the last.
    """
    segments, velocity = plan(4)
    end = min(known + data.draw(st.integers(0, lost)), len(velocity))
    account = told(segments, velocity, sent(segments, velocity, known), lost)
    finished = {stroke for stroke, _ in account.finished}
    one = account.interrupted
    for stroke in range(4):
        own = segments[(segments["stroke"] == stroke) & (segments["kind"] == SegmentKind.STROKE)][0]
        lower = segments[(segments["stroke"] == stroke) & (segments["kind"] == SegmentKind.LOWER)][0]
        ticks = min(max(end - int(own["first_tick"]), 0), int(own["ticks"]))
        touched = end > int(lower["first_tick"])
        if stroke in finished:
            assert ticks == own["ticks"]
        elif one is not None and stroke == one.stroke:
            assert touched
            assert one.low_mm <= MM_A_TICK * ticks + 1e-9
            assert MM_A_TICK * ticks <= one.high_mm + 1e-9
            assert one.length_mm == own["length_mm"]
            assert one.high_mm - one.low_mm <= (lost + 2) * MM_A_TICK + ON_MM + 1e-9
        elif touched:
            assert stroke in account.doubtful
    assert not finished & set(account.doubtful)


def test_interruption_in_the_middle_of_a_stroke() -> None:
    """20 ticks into stroke 1, one may be missing: 1.8 mm (a lag of two ticks) to 2.1 mm and the way to standstill."""
    segments, velocity = plan(3)
    account = told(segments, velocity, sent(segments, velocity, 58 + 14 + 20), 1)
    assert [stroke for stroke, _ in account.finished] == [0]
    assert account.doubtful == ()
    one = account.interrupted
    assert one is not None
    assert (one.stroke, one.sent_ticks, one.of_ticks) == (1, 20, 40)
    np.testing.assert_allclose([one.low_mm, one.high_mm], [1.8, min(2.1 + ON_MM, 4.0)], rtol=0, atol=1e-9)


def test_controlled_stop_is_known_exactly() -> None:
    """A run that braked, raised its pen and rested: both bounds are the way that was sent."""
    segments, velocity = plan(3)
    records = sent(segments, velocity, 14 + 20)
    rest = np.repeat(records[-1:], 30)
    rest["tick"] = np.arange(34, 64)
    rest["velocity_units"], rest["head"], rest["flags"] = 0, 0, 3
    one = told(segments, velocity, np.concatenate([records, rest]), 1).interrupted
    assert one is not None
    np.testing.assert_allclose([one.low_mm, one.high_mm], [2.0, 2.0], rtol=0, atol=1e-9)


@given(st.lists(st.tuples(st.integers(-90, 90), st.integers(-90, 90)), min_size=30, max_size=30))
def test_trim_at_rest_leaves_a_controlled_stop_exact(trims: list[tuple[int, int]]) -> None:
    """The plan rests while the trim takes back what is left of an error, as real drives have it: both bounds hold."""
    segments, velocity = plan(3)
    records = sent(segments, velocity, 14 + 20)
    rest = np.repeat(records[-1:], 30)
    rest["tick"] = np.arange(34, 64)
    rest["velocity_units"] = rest["trim_units"] = trims
    rest["head"], rest["flags"] = 0, 3
    one = told(segments, velocity, np.concatenate([records, rest]), 1).interrupted
    assert one is not None
    np.testing.assert_allclose([one.low_mm, one.high_mm], [2.0, 2.0], rtol=0, atol=1e-9)


def test_gap_in_the_records_widens_the_bounds() -> None:
    """A damaged block inside the stroke: what is missing may have gone on as planned, and is not surely ink."""
    segments, velocity = plan(2)
    records = sent(segments, velocity, 14 + 30)
    torn = np.delete(records, slice(20, 30))
    one = told(segments, velocity, torn, 1).interrupted
    assert one is not None
    np.testing.assert_allclose(one.low_mm, 1.8, rtol=0, atol=1e-9)
    assert one.sent_ticks == 30
    assert one.high_mm >= 3.0


@given(st.integers(1, 4 * 58), st.integers(1, 120))
def test_missing_records_are_told_stroke_by_stroke(first: int, count: int) -> None:
    """Any stretch torn out of the middle: every stroke that had a pen-down tick in it is named, with at least as many
    ticks; strokes that lie wholly outside are not."""
    segments, velocity = plan(4)
    last = min(first + count, len(velocity) - 1)
    records = np.delete(sent(segments, velocity, len(velocity)), slice(first, last))
    told = missing_ticks(records, segments, [Part(0, 0, len(segments) - 1)])
    for row in segments[segments["kind"] == SegmentKind.STROKE]:
        begin, end = int(row["first_tick"]), int(row["first_tick"] + row["ticks"])
        lost = max(min(end, last) - max(begin, first), 0)
        stroke = int(row["stroke"])
        assert told.get(stroke, 0) >= lost
        assert told.get(stroke, 0) <= min(last - first, int(row["ticks"]))
        if end < first - 1 or begin > last + 1:
            assert stroke not in told


@given(st.integers(0, 29), st.integers(0, 25))
def test_strokes_that_a_run_leaves_out_miss_no_records(first: int, count: int) -> None:
    """Strokes 1 and 2 are painted already, the run goes from 0 to 3 by a move with the pen up: whatever is torn out of
    that move, or nothing at all, no stroke misses a record."""
    segments, velocity = plan(4)
    (_, last), (again, end) = unfinished_parts(segments, [1, 2])
    whole = sent(segments, velocity, len(velocity))
    before, after = whole[whole["segment"] <= last], whole[whole["segment"] >= again]
    move = np.repeat(before[-1:], 30)
    move["segment"], move["head"] = -1, 0
    after["task"] = move["task"] = 1
    records = np.concatenate([before, move, after])
    records["tick"] = np.arange(len(records))
    torn = np.delete(records, slice(len(before) + first, min(len(before) + first + count, len(before) + 30)))
    told = missing_ticks(torn, segments, [Part(0, 0, last), Part(1, again, end)])
    assert told == {}


def test_journal_knows_more_than_the_records() -> None:
    """Strokes that the journal has are finished though their records went with the power; doubt begins after them."""
    segments, velocity = plan(4)
    account = told(segments, velocity, sent(segments, velocity, 10), 40, before=(0, 1))
    assert account.interrupted is None
    assert account.doubtful == (2,)


def test_nothing_sent_is_nothing_painted() -> None:
    """No record at all and none lost: no stroke is named."""
    segments, velocity = plan(2)
    assert told(segments, velocity, sent(segments, velocity, 0), 0) == Account((), None, (), 0)


@given(st.integers(0, 1_000_000))
def test_play_is_no_way_along_the_path(place: int) -> None:
    """On a path with many turns a stop at rest is known to 0.5 mm, wherever it is; the motors cross 0.9 mm of play.

    The truth: a head that is pushed by the motor's sides alone, its last place looked up on the path by shapely.
    """
    schedule, machine, path, heads_mm = _turning()
    segments, velocity = np.array(schedule.segments), np.array(schedule.velocity_units)
    stroke = segments[segments["kind"] == SegmentKind.STROKE][0]
    ticks = int(stroke["first_tick"]) + 5 + place % (int(stroke["ticks"]) - 5)
    records = sent(segments, velocity, ticks + 1)
    records["velocity_units"][-1] = 0
    records["head"][-1] = 0
    parts = [Part(0, 0, len(segments) - 1)]
    scale = (machine.quanta_per_mm("x"), machine.quanta_per_mm("y"))
    way = partial(_Plan(schedule, segments, tuple(parts), 0.0).head_way_mm, machine)
    one = account_of(records, segments, velocity, parts, (), scale, 1, STOPPING, way).interrupted
    assert one is not None
    head = heads_mm[ticks] - np.array(machine.canvas.origin_mm)
    truth_mm = shapely.LineString(path).project(shapely.Point(head))
    assert abs(one.high_mm - truth_mm) < 0.5
    assert one.low_mm <= one.high_mm


@cache
def _turning() -> tuple[Schedule, Machine, npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    machine = load_machine(shipped("machines/boathouse.toml"))
    axes = {name: axis.model_copy(update={"play_mm": 0.9}) for name, axis in machine.axes.items()}
    machine = machine.model_copy(update={"axes": axes})
    # Turns lie close together at one end and far apart at the other: play is not spread evenly along it.
    x = np.concatenate([np.arange(8) * 4.0, 40.0 + np.arange(5) * 60.0])
    path = np.stack([100.0 + x, 100.0 + 12.0 * (np.arange(13) % 2)], axis=1)
    strokes = StrokeSet(
        path,
        np.array([0, len(path)]),
        np.array([StrokeKind.LINE], np.uint8),
        np.zeros(1, np.int32),
        ("wave",),
    )
    ink = Ink(name="teal", group="water", colour="#1f7a78", tip_mm=2.0)
    schedule = plan_pass(strokes, ink, machine, machine.park_mm)
    return schedule, machine, path, _head_mm(schedule, machine)


def _head_mm(schedule: Schedule, machine: Machine) -> npt.NDArray[np.float64]:
    motor = quanta_to_machine_mm(
        np.concatenate(
            [[schedule.start_quanta], schedule.start_quanta + np.cumsum(schedule.velocity_units, axis=0)]
        ),
        machine,
    )
    head = np.empty_like(motor)
    for axis, name in enumerate(AXES):
        half = machine.axes[name].play_mm / 2.0
        place = motor[0, axis]
        for tick, at in enumerate(motor[:, axis].tolist()):
            place = min(max(place, at - half), at + half)
            head[tick, axis] = place
    return head


def test_without_play_counted_that_would_be_millimetres() -> None:
    """The same stop with the motors' way taken for the path's: what the law above guards against."""
    schedule, machine, path, heads_mm = _turning()
    segments, velocity = np.array(schedule.segments), np.array(schedule.velocity_units)
    stroke = segments[segments["kind"] == SegmentKind.STROKE][0]
    ticks = int(stroke["first_tick"]) + int(stroke["ticks"]) // 2
    records = sent(segments, velocity, ticks + 1)
    records["velocity_units"][-1] = 0
    records["head"][-1] = 0
    scale = (machine.quanta_per_mm("x"), machine.quanta_per_mm("y"))
    one = account_of(
        records, segments, velocity, [Part(0, 0, len(segments) - 1)], (), scale, 1, STOPPING
    ).interrupted
    assert one is not None
    head = heads_mm[ticks] - np.array(machine.canvas.origin_mm)
    assert abs(one.high_mm - shapely.LineString(path).project(shapely.Point(head))) > 2.0
