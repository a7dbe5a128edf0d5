"""Which strokes are finished, told from the records of the ticks that were sent. Pure.

A stroke counts as finished at the first tick of a later segment at which the drives' word is fresh, both axes
are enabled and no stop is in progress: all its ticks were sent before, and the drives were taking them. What is
in doubt is not finished: painting a stroke twice is mended easier than a gap.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.motion.schedule import SegmentKind

FLAG_FRESH = 1
FLAG_STOPPING = 2
_STATE_MASK = 0x6F
_OPERATION_ENABLED = 0x27


class StrokeWatch:
    """Follows one schedule task of a run through its records.

    segments: the schedule's (m,) SEGMENT_DTYPE. task: the task's index in the spec. first_segment, last_segment:
    the part of the schedule that the task streams, both included.
    """

    def __init__(
        self, segments: npt.NDArray[np.void], task: int, first_segment: int, last_segment: int
    ) -> None:
        self._task = task
        mine = np.arange(first_segment, last_segment + 1)
        mine = mine[segments["kind"][first_segment : last_segment + 1] == SegmentKind.STROKE]
        strokes = segments["stroke"][mine]
        # A stroke may be cut into several segments; it ends with its last.
        last_of_stroke = np.ones(len(mine), dtype=bool)
        last_of_stroke[:-1] = strokes[1:] != strokes[:-1]
        self._ends_at: npt.NDArray[np.int64] = mine[last_of_stroke].astype(np.int64)
        self._strokes: npt.NDArray[np.int64] = strokes[last_of_stroke].astype(np.int64)
        self._next = 0

    @property
    def finished(self) -> int:
        """How many strokes of this task are finished."""
        return self._next

    def take(self, records: npt.NDArray[np.void]) -> list[tuple[int, int]]:
        """Newly finished strokes in these records (TICK_DTYPE, in order): ``(stroke, instant in ns)``."""
        if self._next == len(self._ends_at):
            return []
        good = (
            (records["task"] == self._task)
            & (records["segment"] >= 0)
            & ((records["flags"] & FLAG_FRESH) != 0)
            & ((records["flags"] & FLAG_STOPPING) == 0)
            & np.all((records["statusword"] & _STATE_MASK) == _OPERATION_ENABLED, axis=1)
        )
        segments = records["segment"][good].astype(np.int64)
        if len(segments) == 0:
            return []
        count = int(np.searchsorted(self._ends_at, segments[-1], side="left"))
        if count <= self._next:
            return []
        ends = self._ends_at[self._next : count]
        # Segments never go back within a task, so the first later record is found by bisection.
        first_later = np.searchsorted(segments, ends, side="right")
        instants = records["sent_ns"][good][first_later]
        fresh = list(
            zip(self._strokes[self._next : count].tolist(), (int(at) for at in instants), strict=True)
        )
        self._next = count
        return fresh

    def take_rest(self, instant_ns: int) -> list[tuple[int, int]]:
        """All that is left, when the streamer itself has said that the task is done to its end."""
        rest = [(int(stroke), instant_ns) for stroke in self._strokes[self._next :]]
        self._next = len(self._strokes)
        return rest


def unfinished_parts(segments: npt.NDArray[np.void], finished: list[int]) -> list[tuple[int, int]]:
    """The parts of a schedule still to be streamed: ``(first segment, last segment)``, both included.

    Every part begins with the first segment (the travel) of an unfinished stroke and ends with the last of the
    last in a row; the part that holds the last stroke goes on to the schedule's end (the way home).
    """
    strokes = segments["stroke"]
    todo = (strokes >= 0) & ~np.isin(strokes, np.asarray(finished, dtype=np.int64))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], todo, [False]]).astype(np.int8)))
    parts = [(int(first), int(end) - 1) for first, end in edges.reshape(-1, 2)]
    if parts and not bool(np.any(strokes[parts[-1][1] + 1 :] >= 0)):
        parts[-1] = (parts[-1][0], len(segments) - 1)
    return parts
