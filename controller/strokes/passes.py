"""From ordered strokes to passes: what one pen lasts, what one person watches, and no ink beside another that is wet.

Owns where passes are cut, which strokes wait for wet paint, and the count of pens. Times are those of ``times``, so
they say when something will be wet, not when a tick leaves, until ``settled`` puts a schedule's in their place. Knows
no bus.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from controller.config.job import Ink, Job
from controller.config.machine import Machine
from controller.strokes.inks import painting_order
from controller.strokes.strokeset import StrokeSet
from controller.strokes.times import StrokeTimes
from controller.strokes.travel import TravelCost
from controller.strokes.wet import WetCanvas

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ROUNDS: Final = 4
"""So often the strokes that met wet paint are come back to, at most, before they are painted all the same."""

HELD: Final = 1.005
"""A share of the limits that is held while strokes still change is larger by this factor: room for the change."""

EVEN: Final = 30
"""Halvings of the search for passes of about equal length."""

CutBy = Literal["end", "metres", "pen minutes", "watch"]
"""Why a pass ends: all is painted; the pen's metres; the pen's minutes; as long as one person watches."""


@dataclass(frozen=True, slots=True)
class Watch:
    """How the work is divided for people, common practice, no source.

    watch_minutes: a pass is no longer than this. change_minutes: from one pass to the next, a pen changed or not.
    near_share: a pass that ends because its pen does may end so much earlier, as a share of what it may use of the pen,
    where a stroke ends nearer to the place of changing; 0 for at the last stroke that the pen lasts for.
    """

    watch_minutes: float = 60.0
    change_minutes: float = 5.0
    near_share: float = 0.0


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

    ink: row of ``job.inks``; number: from 1 within the ink; turn: 0, or 1 where dots are painted a second time.
    strokes: (n,) indices into the ink's StrokeSet, in painting order. metres with the pen down; seconds in all, from
    park to park. begin_s: on the job's clock, breaks counted. fresh_pen: a pen is put in before it; pen_m: metres that
    its pen has painted before it. too_long: one stroke needs more than the limits allow. wet: what could not be kept
    off wet paint, None for nothing.
    """

    ink: int
    number: int
    turn: int
    strokes: Ints
    metres: float
    seconds: float
    begin_s: float
    fresh_pen: bool
    pen_m: float
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


@dataclass(frozen=True, slots=True)
class InkPasses:
    """All passes of one ink, as ``JobPasses.cut`` finds them.

    deferred: strokes put off because of wet paint. shares: of the limits that its passes were held to, list by list.
    """

    ink: int
    passes: tuple[Pass, ...]
    deferred: int
    shares: tuple[float, ...]
    _dry_s: Floats

    def sequence(self) -> Ints:
        """The strokes (S,) in the order in which they are painted."""
        return np.concatenate([np.empty(0, dtype=np.int64), *(one.strokes for one in self.passes)])


@dataclass(frozen=True, slots=True)
class Scheduled:
    """A pass by its schedule: seconds in all; begins_s, ends_s (n,) of its strokes, pen down, from its start."""

    seconds: float
    begins_s: Floats
    ends_s: Floats


class JobPasses:
    """The passes of a job, ink after ink in painting order: ``cut`` an ink as often as needed, then ``take`` it.

    pace: by row of ``job.inks``, what schedules took over what the model says.
    """

    def __init__(
        self,
        job: Job,
        machine: Machine,
        watch: Watch | None = None,
        pace: Mapping[int, float] | None = None,
    ) -> None:
        self._job, self._machine = job, machine
        self._watch = watch if watch is not None else Watch()
        self._pace = pace if pace is not None else {}
        self._canvas = WetCanvas(machine.canvas.size_mm)
        self._clock_s = 0.0
        self._taken: list[InkPasses] = []

    @property
    def park_mm(self) -> tuple[float, float]:
        """Where passes begin and end, canvas mm."""
        park, origin = self._machine.park_mm, self._machine.canvas.origin_mm
        return park[0] - origin[0], park[1] - origin[1]

    @property
    def cost(self) -> TravelCost:
        """What ways with the pen up cost."""
        return TravelCost.of(self._machine)

    def change_way_mm(self, strokes: StrokeSet) -> Floats:
        """From the end of every stroke (S,) to where pens are changed: to the swatch, without one to the park place."""
        ends = strokes.points_mm[strokes.offsets[1:] - 1]
        low = high = np.asarray(self.park_mm)
        if self._job.swatch is not None:
            low = np.asarray(self._job.swatch.origin_mm)
            high = low + self._job.swatch.size_mm
        way: Floats = np.hypot(*np.maximum(np.maximum(low - ends, ends - high), 0.0).T)
        return way

    def cut(
        self, row: int, strokes: StrokeSet, turn: Ints | None = None, shares: Sequence[float] = ()
    ) -> InkPasses:
        """Passes of the ink ``row`` after all that was taken; nothing is taken by it.

        turn: (S,) 0, or 1 for strokes that are painted in later passes than those with 0 and stand behind them; all 0
        where None. shares: those of an earlier answer, held so that passes do not jump while strokes change a little.
        """
        ink = self._job.inks[row]
        turns = np.zeros(len(strokes), dtype=np.int64) if turn is None else turn
        times = StrokeTimes.of(strokes, ink, self._machine, self._pace.get(row, 1.0))
        maker = _Maker(row, times, ink, self._watch, self._clock_s, shares, self.change_way_mm(strokes))
        canvas, dry_s = self._canvas, np.full(len(strokes), -math.inf)
        for one in np.unique(turns).tolist():
            mine = np.flatnonzero(turns == one)
            if one and ink.dry_minutes > 0.0:
                canvas = canvas.copy()
                canvas.paint(strokes.take(np.flatnonzero(turns < one)), dry_s[turns < one], ink.tip_mm)
            maker.make(mine, one, canvas.release_s(strokes, ink.tip_mm, self._clock_s))
            for made in maker.passes:
                ends = times.begins_s(made.strokes) + times.painting_s[made.strokes]
                dry_s[made.strokes] = made.begin_s + ends + 60.0 * ink.dry_minutes
        return InkPasses(row, tuple(maker.passes), len(maker.late), tuple(maker.shares), dry_s)

    def take(self, strokes: StrokeSet, found: InkPasses) -> None:
        """The ink is painted so; the next one follows."""
        if not found.passes:
            return
        self._taken.append(found)
        last = found.passes[-1]
        self._clock_s = last.begin_s + last.seconds + 60.0 * self._watch.change_minutes
        ink = self._job.inks[found.ink]
        if ink.dry_minutes > 0.0:
            self._canvas.paint(strokes, found._dry_s, ink.tip_mm)

    def plan(self) -> PassPlan:
        """All that was taken."""
        passes = tuple(one for ink in self._taken for one in ink.passes)
        return PassPlan(passes, sum(ink.deferred for ink in self._taken))


def plan_passes(
    sets: Sequence[StrokeSet], job: Job, machine: Machine, watch: Watch | None = None
) -> PassPlan:
    """Cut the strokes of every ink, given in their order by row of ``job.inks``, into passes.

    Inks follow one another by ``painting_order``. A pass ends at a stroke's end before the pen's metres or minutes or
    the watch are over; the passes of an ink are made about equally long where that needs no more of them. Strokes that
    touch another ink's paint that has dried for less than its ``dry_minutes`` are put off to the end of their ink, a
    few times over if needed; those that meet wet paint even then are painted and reported. Deterministic.
    """
    making = JobPasses(job, machine, watch)
    for row in painting_order(job):
        making.take(sets[row], making.cut(row, sets[row]))
    return making.plan()


def settled(
    plan: PassPlan,
    sets: Sequence[StrokeSet],
    job: Job,
    machine: Machine,
    watch: Watch,
    scheduled: Sequence[Scheduled],
) -> PassPlan:
    """The same passes at the times of their schedules, given by place in ``plan.passes``: when each begins, how long it
    takes, what is wet by then, whether it is too long."""
    canvas, clock_s = WetCanvas(machine.canvas.size_mm), 0.0
    done: list[Pass] = []
    for (row, _turn), places in _lists(plan).items():
        strokes, ink = sets[row], job.inks[row]
        release_s = canvas.release_s(strokes, ink.tip_mm, clock_s)
        painted: list[Ints] = []
        dry_s: list[Floats] = []
        for place in places:
            one, real = plan.passes[place], scheduled[place]
            missing_s = release_s[one.strokes] - clock_s - real.begins_s
            wet = np.flatnonzero(missing_s > 0.0)
            limit_s = 60.0 * min(ink.pen_minutes or math.inf, watch.watch_minutes)
            done.append(
                replace(
                    one,
                    seconds=real.seconds,
                    begin_s=clock_s,
                    too_long=one.metres > (ink.pen_metres or math.inf) or real.seconds > limit_s,
                    wet=Wet(wet, float(missing_s.max()) / 60.0) if len(wet) else None,
                )
            )
            painted.append(one.strokes)
            dry_s.append(clock_s + real.ends_s + 60.0 * ink.dry_minutes)
            clock_s += real.seconds + 60.0 * watch.change_minutes
        if ink.dry_minutes > 0.0:
            canvas.paint(strokes.take(np.concatenate(painted)), np.concatenate(dry_s), ink.tip_mm)
    return PassPlan(tuple(done), plan.deferred)


def over_limits(plan: PassPlan, job: Job, watch: Watch) -> set[int]:
    """Rows of the inks of which a pass of several strokes, or a pen by all its passes, takes longer than it may."""
    over: set[int] = set()
    pen_s: dict[int, float] = {}
    for one in plan.passes:
        most_s = 60.0 * (job.inks[one.ink].pen_minutes or math.inf)
        pen_s[one.ink] = one.seconds + (0.0 if one.fresh_pen else pen_s[one.ink])
        alone = len(one.strokes) == 1
        if not alone and (one.seconds > 60.0 * watch.watch_minutes or pen_s[one.ink] > most_s):
            over.add(one.ink)
    return over


def _lists(plan: PassPlan) -> dict[tuple[int, int], list[int]]:
    """Places in ``plan.passes`` by ink and turn, in painting order."""
    lists: dict[tuple[int, int], list[int]] = {}
    for place, one in enumerate(plan.passes):
        lists.setdefault((one.ink, one.turn), []).append(place)
    return lists


class _Maker:
    """Makes the passes of one ink, from ``clock_s`` on."""

    def __init__(
        self, row: int, times: StrokeTimes, ink: Ink, watch: Watch, clock_s: float, held: Sequence[float],
        change_way_mm: Floats,
    ) -> None:  # fmt: skip
        self.passes: list[Pass] = []
        self.late: set[int] = set()
        self.shares: list[float] = []
        self._row, self._times, self._clock_s, self._held = row, times, clock_s, held
        self._turn, self._release_s = 0, np.full(len(times), -math.inf)
        self._change_s = 60.0 * watch.change_minutes
        self._near_share, self._change_way_mm = watch.near_share, change_way_mm
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

    def make(self, left: Ints, turn: int, release_s: Floats) -> None:
        """Add passes of the strokes ``left``; what touches them has dried by ``release_s``."""
        self._turn, self._release_s = turn, release_s
        for again in range(ROUNDS):
            share = self._share(left)
            put_off = np.empty(0, dtype=np.int64)
            while len(left):
                painted, put_off, rest, cut_by = self._walk(left, put_off, share, again == ROUNDS - 1)
                if self._near_share > 0.0 and cut_by in ("metres", "pen minutes") and not len(put_off):
                    kept = self._kept_near(painted, rest, share, cut_by)
                    painted, rest = painted[:kept], np.concatenate([painted[kept:], rest])
                    share = self._share(rest)
                if len(painted):
                    self._add(painted, cut_by)
                left = rest
            if not len(put_off):
                break
            left = put_off

    def _share(self, left: Ints) -> float:
        """The share of the limits to which the passes of ``left`` are held: that of an earlier answer where there is
        one."""
        held = self._held[len(self.shares)] if len(self.shares) < len(self._held) else None
        share = self._even_share(left) if held is None else min(held * HELD, 1.0)
        self.shares.append(share if held is None else held)
        return share

    def _kept_near(self, painted: Ints, rest: Ints, share: float, cut_by: CutBy) -> int:
        """So many of ``painted`` are kept in a pass that its pen ends: up to the stroke's end with the shortest way to
        the place of changing, of those in the last share of what it may use that need no more passes afterwards."""
        if cut_by == "metres":
            used, most = np.cumsum(self._length_m[painted]), share * self._pen_m
        else:
            used = self._times.begins_s(painted) + self._times.painting_s[painted]
            most = share * min(self._pen_s, self._watch_s)
        last = len(painted) - 1
        first = min(int(np.searchsorted(used, (1.0 - self._near_share) * most)), last)
        fewest = self._needed(rest, 1.0, len(rest))
        while first < last:  # the later it ends, the less is left: the earliest end that needs no more passes
            middle = (first + last) // 2
            left = np.concatenate([painted[middle + 1 :], rest])
            first, last = (first, middle) if self._needed(left, 1.0, fewest) <= fewest else (middle + 1, last)
        way = self._change_way_mm[painted[first:]]
        return len(painted) - int(np.argmin(way[::-1]))

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
        fewest = self._needed(left, 1.0, len(left))
        low, high = 0.0, 1.0
        for _ in range(EVEN if fewest > 1 else 0):
            middle = 0.5 * (low + high)
            if self._needed(left, middle, fewest) <= fewest:
                high = middle
            else:
                low = middle
        return high

    def _needed(self, left: Ints, share: float, most: int) -> int:
        """So many passes ``left`` needs when held to ``share`` of the limits; ``most`` and one stands for all above."""
        metres = np.concatenate([[0.0], np.cumsum(self._length_m[left])])
        seconds = np.concatenate([[0.0], np.cumsum(self._each_s[left])])
        most_m, most_s = share * self._pen_m, share * min(self._pen_s, self._watch_s)
        first = count = 0
        while first < len(left) and count <= most:
            out = self._out_s[left[first]] - self._approach_s[left[first]]
            ends = seconds[first + 1 :] - seconds[first] + out + self._back_s[left[first:]]
            full = np.flatnonzero((ends > most_s) | (metres[first + 1 :] - metres[first] > most_m))
            first = max(int(full[0]) + first, first + 1) if len(full) else len(left)
            count += 1
        return count

    def _add(self, strokes: Ints, cut_by: CutBy) -> None:
        """One more pass."""
        begin_s, seconds = self._begin_s(), self._times.seconds(strokes)
        metres = float(self._length_m[strokes].sum())
        fresh = self._used_m + metres > self._pen_m or self._used_s + seconds > self._pen_s or not self.passes
        if fresh:
            self._used_m = self._used_s = 0.0
        pen_m = self._used_m
        self._used_m += metres
        self._used_s += seconds
        missing_s = self._release_s[strokes] - begin_s - self._times.begins_s(strokes)
        wet = np.flatnonzero(missing_s > 0.0)
        self.passes.append(
            Pass(
                self._row,
                len(self.passes) + 1,
                self._turn,
                strokes,
                metres,
                seconds,
                begin_s,
                fresh,
                pen_m,
                cut_by,
                metres > self._pen_m or seconds > min(self._pen_s, self._watch_s) * (1.0 + 1e-9),
                Wet(wet, float(missing_s.max()) / 60.0) if len(wet) else None,
            )
        )
