"""Finished strokes are told from tick records alone, and doubt is never counted as finished."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from hypothesis import given
from hypothesis import strategies as st

from controller.motion.schedule import SEGMENT_DTYPE, SegmentKind
from controller.session.strokewatch import StrokeWatch, unfinished_parts
from controller.stream.record import TICK_DTYPE

ENABLED, FAULT = 0x0237, 0x0218


def segments_of(strokes: int) -> npt.NDArray[np.void]:
    """Travel, lead-in, lower, stroke, raise for every stroke; travel home at the end."""
    rows = [(kind, stroke, 0, 1, 0.0) for stroke in range(strokes) for kind in SegmentKind]
    return np.array([*rows, (SegmentKind.TRAVEL, -1, 0, 1, 0.0)], dtype=SEGMENT_DTYPE)


def ticks(
    segments: list[int], *, flags: int = 1, task: int = 0, status: int = ENABLED, first: int = 0
) -> npt.NDArray[np.void]:
    """Records in these segments, sent 1000 ns apart."""
    records = np.zeros(len(segments), dtype=TICK_DTYPE)
    records["tick"] = np.arange(first, first + len(segments))
    records["sent_ns"] = 1000 * records["tick"]
    records["segment"], records["flags"], records["task"] = segments, flags, task
    records["statusword"] = status
    return records


def test_stroke_is_finished_at_the_first_tick_after_it() -> None:
    """Segment 3 is stroke 0's; the first tick in segment 4 finishes it, at that tick's instant."""
    watch = StrokeWatch(segments_of(2), 0, 0, 10)
    assert watch.take(ticks([0, 1, 2, 3, 3])) == []
    assert watch.take(ticks([4, 4], first=5)) == [(0, 5000)]
    assert watch.take(ticks([5, 6, 7, 8], first=7)) == []
    assert watch.take(ticks([9, 10], first=11)) == [(1, 11000)]
    assert watch.take(ticks([10], first=13)) == []


def test_several_strokes_in_one_drain() -> None:
    """Records that span strokes finish each at its own instant."""
    watch = StrokeWatch(segments_of(3), 0, 0, 15)
    assert watch.take(ticks([3, 4, 8, 9, 13, 14])) == [(0, 1000), (1, 3000), (2, 5000)]


def test_doubt_is_not_finished() -> None:
    """Stale feedback, a stop in progress, a drive in fault, another task, no segment: none finishes a stroke."""
    for doubtful in (
        ticks([4], flags=0),
        ticks([4], flags=1 | 2),
        ticks([4], status=FAULT),
        ticks([4], task=1),
        ticks([-1]),
        ticks([3]),
    ):
        watch = StrokeWatch(segments_of(1), 0, 0, 5)
        assert watch.take(doubtful) == []
        assert watch.finished == 0


def test_rest_on_the_streamers_word() -> None:
    """When the streamer says that all is done, what was in doubt is finished."""
    watch = StrokeWatch(segments_of(2), 0, 0, 10)
    watch.take(ticks([4]))
    assert watch.take_rest(77) == [(1, 77)]
    assert watch.take_rest(78) == []
    assert watch.finished == 2


def test_part_of_a_schedule() -> None:
    """A task that streams strokes 1 and 2 only speaks of these."""
    watch = StrokeWatch(segments_of(4), 1, 5, 14)
    assert watch.take(ticks([5, 9, 10, 14], task=1)) == [(1, 1000), (2, 3000)]


@given(
    strokes=st.integers(1, 6),
    cuts=st.lists(st.integers(0, 400), max_size=12),
    bad=st.lists(st.integers(0, 400), max_size=60),
    repeats=st.integers(1, 9),
)
def test_law_cutting_the_records_changes_nothing(
    strokes: int, cuts: list[int], bad: list[int], repeats: int
) -> None:
    """However drains cut the records, and whichever ticks are in doubt, the result is that of a plain reading."""
    segments = segments_of(strokes)
    records = ticks([segment for segment in range(len(segments)) for _ in range(repeats)])
    doubtful = np.isin(np.arange(len(records)), bad)
    records["flags"] = np.where(doubtful, 0, 1)
    expected = []
    for stroke in range(strokes):
        later = np.flatnonzero((records["segment"] > 5 * stroke + SegmentKind.STROKE) & ~doubtful)
        if len(later):
            expected.append((stroke, int(records["sent_ns"][later[0]])))
    watch = StrokeWatch(segments, 0, 0, len(segments) - 1)
    found = []
    for part in np.split(records, sorted(min(cut, len(records)) for cut in cuts)):
        found += watch.take(part)
    assert found == expected


@given(strokes=st.integers(1, 8), data=st.data())
def test_law_parts_hold_exactly_the_unfinished(strokes: int, data: st.DataObject) -> None:
    """The parts to stream hold every unfinished stroke and no other, begin with travel, and do not overlap."""
    segments = segments_of(strokes)
    finished = data.draw(st.lists(st.integers(0, strokes - 1), unique=True))
    parts = unfinished_parts(segments, finished)
    streamed = [n for first, last in parts for n in range(first, last + 1)]
    assert streamed == sorted(set(streamed))
    within = segments[streamed]
    assert set(within["stroke"][within["stroke"] >= 0]) == set(range(strokes)) - set(finished)
    assert all(segments["kind"][first] == SegmentKind.TRAVEL for first, _ in parts)
    if strokes - 1 not in finished:
        assert parts[-1][1] == len(segments) - 1
