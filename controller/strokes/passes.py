"""From ordered strokes to passes: what one pen lasts, what one person watches, and no ink beside another that is wet.

Owns where passes are cut, which strokes wait for wet paint, and the count of pens. Times are those of ``estimate``, so
they say when something will be wet, not when a tick leaves. Knows no schedule and no bus.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from controller.config.job import Ink, Job
from controller.config.machine import Machine
from controller.strokes.inks import painting_order
from controller.strokes.strokeset import StrokeSet
from controller.strokes.times import StrokeTimes
from controller.strokes.wet import WetCanvas

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ROUNDS: Final = 4
"""So often the strokes that met wet paint are come back to, at most, before they are painted all the same."""

EVEN: Final = 30
"""Halvings of the search for passes of about equal length."""

CutBy = Literal["end", "metres", "pen minutes", "watch"]
"""Why a pass ends: all is painted; the pen's metres; the pen's minutes; as long as one person watches."""


@dataclass(frozen=True, slots=True)
class Watch:
    """How the work is divided for people, common practice, no source.

    watch_minutes: a pass is no longer than this. change_minutes: from one pass to the next, a pen changed or not.
    """

    watch_minutes: float = 60.0
    change_minutes: float = 5.0


@dataclass(frozen=True, slots=True)
class Wet:
    """Strokes of a pass that are painted beside another ink which has not dried.

    strokes: (w,) places within the pass. missing_minutes: how much longer the pass would have to wait for the worst.
    """

    strokes: Ints
    missing_minutes: float


@dataclass(frozen=True, slots=True)
class Pass:
    """A run of strokes of one ink, painted in one go.

    ink: row of ``job.inks``; number: from 1 within the ink. strokes: (n,) indices into the ink's StrokeSet, in painting
    order. metres with the pen down; seconds in all, from park to park. begin_s: on the job's clock, breaks counted.
    fresh_pen: a pen is put in before it. too_long: one stroke needs more than the limits allow. wet: what could not be
    kept off wet paint, None for nothing.
    """

    ink: int
    number: int
    strokes: Ints
    metres: float
    seconds: float
    begin_s: float
    fresh_pen: bool
    cut_by: CutBy
    too_long: bool
    wet: Wet | None


@dataclass(frozen=True, slots=True)
class PassPlan:
    """All passes of a job, in painting order. deferred: strokes that were put off because of wet paint."""

    passes: tuple[Pass, ...]
    deferred: int

    @property
    def pens(self) -> int:
        """Pens used up or begun, the first of every ink counted."""
        return sum(one.fresh_pen for one in self.passes)

    @property
    def pen_changes(self) -> int:
        """How often a pen is put in after the first of the job."""
        return max(self.pens - 1, 0)

    @property
    def wet_strokes(self) -> int:
        """Strokes that are painted beside wet paint."""
        return sum(len(one.wet.strokes) for one in self.passes if one.wet is not None)


def plan_passes(
    sets: Sequence[StrokeSet], job: Job, machine: Machine, watch: Watch | None = None
) -> PassPlan:
    """Cut the strokes of every ink, given in their order by row of ``job.inks``, into passes.

    Inks follow one another by ``painting_order``. A pass ends at a stroke's end before the pen's metres or minutes or
    the watch are over; the passes of an ink are made about equally long where that needs no more of them. Strokes that
    touch another ink's paint that has dried for less than its ``dry_minutes`` are put off to the end of their ink, a
    few times over if needed; those that meet wet paint even then are painted and reported. Deterministic.
    """
    watch = watch if watch is not None else Watch()
    passes: list[Pass] = []
    clock_s, deferred = 0.0, 0
    canvas = WetCanvas(machine.canvas.size_mm)
    for row in painting_order(job):
        strokes, ink = sets[row], job.inks[row]
        if not len(strokes):
            continue
        times = StrokeTimes.of(strokes, ink, machine)
        release_s = canvas.release_s(strokes, ink.tip_mm, clock_s)
        maker = _Maker(row, times, ink, watch, release_s, clock_s)
        maker.make()
        deferred += len(maker.late)
        passes += maker.passes
        last = passes[-1]
        clock_s = last.begin_s + last.seconds + 60.0 * watch.change_minutes
        if ink.dry_minutes > 0.0:
            dry_s = np.empty(len(strokes))
            for one in maker.passes:
                ends = times.begins_s(one.strokes) + times.painting_s[one.strokes]
                dry_s[one.strokes] = one.begin_s + ends + 60.0 * ink.dry_minutes
            canvas.paint(strokes, dry_s, ink.tip_mm)
    return PassPlan(tuple(passes), deferred)


class _Maker:
    """Makes the passes of one ink, from ``clock_s`` on."""

    def __init__(
        self, row: int, times: StrokeTimes, ink: Ink, watch: Watch, release_s: Floats, clock_s: float
    ) -> None:
        self.passes: list[Pass] = []
        self.late: set[int] = set()
        self._row, self._times, self._release_s, self._clock_s = row, times, release_s, clock_s
        self._change_s = 60.0 * watch.change_minutes
        self._pen_m = ink.pen_metres if ink.pen_metres is not None else math.inf
        self._pen_s = 60.0 * ink.pen_minutes if ink.pen_minutes is not None else math.inf
        self._watch_s = 60.0 * watch.watch_minutes
        self._used_m = self._used_s = math.inf  # the first pass needs a pen
        self._length_m = times.length_mm / 1000.0
        order = np.arange(len(times), dtype=np.int64)
        # From the stroke before it in the given order.
        self._approach_s = times.approach_s(order)
        self._each_s = self._approach_s + times.painting_s
        self._out_s, self._back_s = times.from_park_s(), times.to_park_s()

    def make(self) -> None:
        """Fill ``passes``."""
        left = np.arange(len(self._times), dtype=np.int64)
        for turn in range(ROUNDS):
            share = self._even_share(left)
            put_off = np.empty(0, dtype=np.int64)
            while len(left):
                painted, put_off, rest, cut_by = self._walk(left, put_off, share, turn == ROUNDS - 1)
                if len(painted):
                    self._add(painted, cut_by)
                left = rest
            if not len(put_off):
                break
            left = put_off

    def _begin_s(self) -> float:
        if not self.passes:
            return self._clock_s
        return self.passes[-1].begin_s + self.passes[-1].seconds + self._change_s

    def _walk(self, left: Ints, waiting: Ints, share: float, wet_too: bool) -> tuple[Ints, Ints, Ints, CutBy]:
        """Along ``left`` until the pass is full: what is painted, what is put off, what comes later, why it ends."""
        most_m, most_s = share * self._pen_m, share * min(self._pen_s, self._watch_s)
        begin_s = self._begin_s()
        release, each = self._release_s.tolist(), self._each_s.tolist()
        approach, back, length = self._approach_s.tolist(), self._back_s.tolist(), self._length_m.tolist()
        painted: list[int] = []
        skipped: list[int] = waiting.tolist()
        metres = seconds = 0.0
        cut_by: CutBy = "end"
        done = 0
        # At the end of the list those put off are asked again: by then they may have dried.
        for again in (False, True):
            if again and (cut_by != "end" or not painted):
                break
            if again:  # rather a pass as long as it may be than one more
                most_m, most_s = self._pen_m, min(self._pen_s, self._watch_s)
            asked = skipped if again else left.tolist()
            if again:
                skipped = []
            for at, one in enumerate(asked):
                if not painted:
                    come = float(self._out_s[one])
                elif painted[-1] == one - 1:
                    come = approach[one]
                else:
                    come = float(self._times.approach_s(np.array([painted[-1], one]))[1])
                longer = seconds + come + each[one] - approach[one]
                if not wet_too and release[one] > begin_s + seconds + come:
                    skipped.append(one)
                    self.late.add(one)
                elif painted and metres + length[one] > most_m:
                    cut_by = "metres"
                elif painted and longer + back[one] > most_s:
                    cut_by = "pen minutes" if self._pen_s < self._watch_s else "watch"
                else:
                    painted.append(one)
                    metres, seconds = metres + length[one], longer
                if cut_by != "end":
                    if again:
                        skipped += asked[at:]
                    break
                done += not again
        return (
            np.array(painted, dtype=np.int64),
            np.array(skipped, dtype=np.int64),
            left[done:],
            cut_by,
        )

    def _even_share(self, left: Ints) -> float:
        """The smallest share of the limits with which as few passes are needed as with all of them."""
        metres = np.concatenate([[0.0], np.cumsum(self._length_m[left])])
        seconds = np.concatenate([[0.0], np.cumsum(self._each_s[left])])
        most_s = min(self._pen_s, self._watch_s)

        def needed(share: float, most: int) -> int:
            first = count = 0
            while first < len(left) and count <= most:
                out = self._out_s[left[first]] - self._approach_s[left[first]]
                ends = seconds[first + 1 :] - seconds[first] + out + self._back_s[left[first:]]
                full = np.flatnonzero(
                    (ends > share * most_s) | (metres[first + 1 :] - metres[first] > share * self._pen_m)
                )
                first = max(int(full[0]) + first, first + 1) if len(full) else len(left)
                count += 1
            return count

        fewest = needed(1.0, len(left))
        low, high = 0.0, 1.0
        for _ in range(EVEN if fewest > 1 else 0):
            middle = 0.5 * (low + high)
            if needed(middle, fewest) <= fewest:
                high = middle
            else:
                low = middle
        return high

    def _add(self, strokes: Ints, cut_by: CutBy) -> None:
        """One more pass."""
        begin_s, seconds = self._begin_s(), self._times.seconds(strokes)
        metres = float(self._length_m[strokes].sum())
        fresh = self._used_m + metres > self._pen_m or self._used_s + seconds > self._pen_s or not self.passes
        if fresh:
            self._used_m = self._used_s = 0.0
        self._used_m += metres
        self._used_s += seconds
        missing_s = self._release_s[strokes] - begin_s - self._times.begins_s(strokes)
        wet = np.flatnonzero(missing_s > 0.0)
        self.passes.append(
            Pass(
                self._row,
                len(self.passes) + 1,
                strokes,
                metres,
                seconds,
                begin_s,
                fresh,
                cut_by,
                metres > self._pen_m or seconds > min(self._pen_s, self._watch_s) * (1.0 + 1e-9),
                Wet(wet, float(missing_s.max()) / 60.0) if len(wet) else None,
            )
        )
