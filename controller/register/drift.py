"""What a history of homings says of an axis: scatter, slow drift, or a jump, and how much of the traps that has used.

Owns statistics on places and spreads; decides without words (controller/register/words.py). Knows no bus, no clock and
no journal. Places are the home switch's edge by the motor's counter, axis mm; one history is one life of that counter.

Two tools, two questions. *What happened*: a model of ramps, steps and single homings apart
(controller/register/changes.py). *Since when does it show*: an EWMA and a cusum (controller/register/charts.py) over
self-starting scores of the same readings, steps taken out; how long they run between false calls is known.

What a change of the edge's place means for the picture is more than statistics can say: homing makes up for a belt
that slipped, and not for a switch that moved. The use of the traps is therefore a worst case.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from math import hypot

import numpy as np
import numpy.typing as npt
from scipy import stats

from controller.config.machine import Axis
from controller.register.changes import RAMP, ChangeModel, Shape, Solution, Term
from controller.register.charts import CusumChart, EwmaChart, cusum, ewma, range_chance, range_mean, scores
from controller.register.homing import tooth_jump

Vector = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

DAY_S = 86_400.0


class Finding(Enum):
    """What is the matter with an axis, the gravest last."""

    TOO_FEW = "too few homings"
    STEADY = "steady"
    APART = "one homing apart"
    DRIFT = "slow drift"
    SPREAD = "touches spread"
    STEP = "sudden step"
    TOOTH_JUMP = "tooth jump"


class Check(Enum):
    """What a person should look at."""

    BELT_TEETH = "belt teeth"
    BELT_TENSION = "belt tension"
    PULLEY_SCREW = "pulley screw"
    HEAD_CLAMP = "head clamp"
    SWITCH_MOUNT = "switch mount"
    SWITCH_DIRT = "switch dirt"
    WARMTH = "warmth"
    LAST_PASS = "last pass"  # noqa: S105 (a pass of paint)


CHECKS: dict[Finding, tuple[Check, ...]] = {
    Finding.TOO_FEW: (),
    Finding.STEADY: (),
    Finding.APART: (Check.SWITCH_DIRT, Check.LAST_PASS),
    Finding.DRIFT: (Check.BELT_TENSION, Check.SWITCH_MOUNT, Check.PULLEY_SCREW, Check.WARMTH),
    Finding.SPREAD: (Check.SWITCH_MOUNT, Check.SWITCH_DIRT, Check.HEAD_CLAMP),
    Finding.STEP: (Check.PULLEY_SCREW, Check.HEAD_CLAMP, Check.SWITCH_MOUNT, Check.LAST_PASS),
    Finding.TOOTH_JUMP: (Check.BELT_TEETH, Check.BELT_TENSION, Check.LAST_PASS),
}
"""What to look at by finding, the likeliest first. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class DriftRule:
    """By what a history is judged. Values of the defaults: common practice, no source.

    alpha: chance below which a change is believed. coverage: of all intervals. heed_mm: changes smaller than this are
    not named, whatever their chance. tooth_share: part of the belt pitch within which a jump is taken for whole teeth.
    floor_mm: least standard deviation of a homing's mean that is believed. fewest: homings below which nothing is
    called steady. terms_max: most changes.
    """

    alpha: float = 0.001
    coverage: float = 0.95
    heed_mm: float = 0.1
    tooth_share: float = 0.1
    floor_mm: float = 0.005
    fewest: int = 6
    terms_max: int = 8


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """Homings of one axis in order of time, arrays (m,): instants, mean places, spreads (largest less smallest touch)
    and numbers of touches. Raises ValueError when they do not match, times do not rise or a number is not finite."""

    at_s: Vector
    place_mm: Vector
    spread_mm: Vector
    touches: Rows

    def __post_init__(self) -> None:
        rows = {self.at_s.shape, self.place_mm.shape, self.spread_mm.shape, self.touches.shape}
        if len(rows) != 1 or self.at_s.ndim != 1 or not len(self.at_s):
            raise ValueError(f"expected four rows of one length, got {sorted(rows)}")
        if not all(np.isfinite(row).all() for row in (self.at_s, self.place_mm, self.spread_mm)):
            raise ValueError("expected finite instants, places and spreads")
        if not (np.diff(self.at_s) > 0).all():
            raise ValueError("expected homings in order of time")
        if (self.spread_mm < 0).any() or (self.touches < 2).any():
            raise ValueError("expected spreads of at least 0 and at least two touches")

    @classmethod
    def of(
        cls, at_s: npt.ArrayLike, place_mm: npt.ArrayLike, spread_mm: npt.ArrayLike, touches: npt.ArrayLike
    ) -> History:
        """The same from anything like arrays."""
        return cls(
            np.asarray(at_s, dtype=np.float64),
            np.asarray(place_mm, dtype=np.float64),
            np.asarray(spread_mm, dtype=np.float64),
            np.asarray(touches, dtype=np.int64),
        )


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at one homing: ``row`` is the first that shows it, ``at_s`` its instant.

    size_mm with low_mm, high_mm (of the rule's coverage); of a spread: the spread, and from 0 to what is
    usual. chance: of so much by chance, places counted. teeth: whole belt pitches (0 but for a tooth jump);
    off_pitch_mm: the size less these. confirmed: at least one later homing bears it out.
    """

    finding: Finding
    row: int
    at_s: float
    size_mm: float
    low_mm: float
    high_mm: float
    chance: float
    teeth: int = 0
    off_pitch_mm: float = 0.0
    confirmed: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class AxisDrift:
    """What a history says.

    finding: the gravest. scatter_mm: standard deviation of a homing about the model, on ``scatter_dof``.
    events: by time. level_mm: (m,), the model of what is believed, zero at the first homing.
    rate_mm_day with its interval: of the slow part, steps taken out, whether it is believed or not; nan where the
    homings are too few to tell. ramp_chance: that so much slow change comes by chance. drifts: whether it is believed,
    by the model, or because the EWMA called and the interval leaves out 0, and large enough to be named.
    ewma, cusum: over scores in standard deviations of the homings ``charted`` (rows).
    """

    finding: Finding
    homings: int
    scatter_mm: float
    scatter_dof: int
    events: tuple[Event, ...]
    level_mm: Vector
    rate_mm_day: float
    rate_low_mm_day: float
    rate_high_mm_day: float
    ramp_chance: float
    drifts: bool
    charted: Rows
    ewma: EwmaChart
    cusum: CusumChart

    @property
    def checks(self) -> tuple[Check, ...]:
        """What to look at, the likeliest first."""
        return CHECKS[self.finding]


@dataclass(frozen=True, slots=True)
class Allowance:
    """How much of what the traps allow both axes have used.

    used_mm: largest distance between the places of any two homings, by their models. days_left: until it is all used
    at the present rates; days_left_least: at the fastest rates within their intervals. Infinite where nothing drifts.
    """

    used_mm: float
    allowed_mm: float
    days_left: float
    days_left_least: float

    @property
    def holds(self) -> bool:
        """Whether the traps still cover it."""
        return self.used_mm <= self.allowed_mm


def places_mm(mean_counts: npt.ArrayLike, axis: Axis) -> Vector:
    """Means of homings in raw counts to axis mm, from an arbitrary zero: the edge's place by the motor's counter."""
    counts = np.asarray(mean_counts, dtype=np.float64)
    places: Vector = axis.drive.direction * counts / float(axis.drive.counts_per_mm)
    return places


def homing_floor_mm(axis: Axis, tick_us: int) -> float:
    """Standard uncertainty of a homing's mean from ticks alone.

    Its bound is half a tick's slow travel over the number of touches (controller/register/homing.py); evenly likely
    within, so a √3rd of it.
    """
    homing = axis.homing
    return homing.slow_mm_s * tick_us * 1e-6 / (2.0 * homing.touches) / float(np.sqrt(3.0))


def judge_history(
    history: History, *, belt_pitch_mm: float, scatter_mm: float | None = None, rule: DriftRule | None = None
) -> AxisDrift:
    """What one life of an axis' counter says. ``belt_pitch_mm``: from the machine file.

    ``scatter_mm``: standard deviation of a homing's mean where it is known (many homings in one hour); None: from
    what the model leaves over, which takes some homings: a jump of 3 mm is named from the fifth on.
    """
    bounds = DriftRule() if rule is None else rule
    if not belt_pitch_mm > 0 or not (scatter_mm is None or scatter_mm > 0):
        raise ValueError("expected a belt pitch, and a scatter where it is given, above 0")
    places = history.place_mm - history.place_mm[0]
    model = ChangeModel(places, history.at_s / DAY_S, scatter_mm, bounds.floor_mm)
    model.search(bounds.alpha, bounds.terms_max)
    sudden = sorted((term for term in model.terms if term != RAMP), key=lambda term: term.row)
    believed = RAMP in model.terms
    whole = model.solve([*sudden, RAMP])
    kept = [*sudden, RAMP] if believed else sudden
    trusted = model.solve(kept)
    level = model.columns(kept) @ trusted.values
    half = _quantile(bounds.coverage, whole.dof, known=scatter_mm is not None) * np.sqrt(
        np.diag(whole.covariance)
    )
    ramp_chance = model.chance_of(RAMP)
    events = _events(model, sudden, trusted, history, belt_pitch_mm, bounds)
    events += _spread_event(history, bounds)
    # Steps fitted beside a ramp that is not there lean with it: what is believed says how large they are.
    charted, average, sums = _charts(model, sudden, trusted.values, whole.scatter)
    rate = float(whole.values[-1]) if np.isfinite(half[-1]) else float("nan")
    slow_mm = abs(rate) * float(model.times[-1] - model.times[0])
    called = average.call is not None and abs(rate) > float(half[-1])
    drifts = slow_mm >= bounds.heed_mm and (believed or called)
    found = [event.finding for event in events] + [Finding.DRIFT] * drifts
    quiet = Finding.STEADY if len(places) >= bounds.fewest else Finding.TOO_FEW
    return AxisDrift(
        finding=max([quiet, *found], key=list(Finding).index),
        homings=len(places),
        scatter_mm=whole.scatter,
        scatter_dof=whole.dof,
        events=tuple(sorted(events, key=lambda event: event.row)),
        level_mm=level - level[0],
        rate_mm_day=rate,
        rate_low_mm_day=rate - float(half[-1]),
        rate_high_mm_day=rate + float(half[-1]),
        ramp_chance=ramp_chance,
        drifts=drifts,
        charted=charted,
        ewma=average,
        cusum=sums,
    )


def allowance(x: AxisDrift, y: AxisDrift, *, allowed_mm: float) -> Allowance:
    """How much of ``allowed_mm`` (the traps' width) both axes of the same homings have used.

    Two passes may differ by no more than the traps' width (docs/traps.md), so the largest distance between any two
    counts. It grows by no more than the speed of both axes together: days left are the fewest at that speed.
    Raises ValueError when the histories differ in length or nothing is allowed.
    """
    if x.homings != y.homings:
        raise ValueError(f"expected both axes of the same homings, got {x.homings} and {y.homings}")
    if not allowed_mm > 0:
        raise ValueError(f"expected an allowance above 0, got {allowed_mm}")
    places = np.column_stack([x.level_mm, y.level_mm])
    used = float(np.linalg.norm(places[:, None] - places[None], axis=2).max())
    left = max(allowed_mm - used, 0.0)
    speed = hypot(*(axis.rate_mm_day if axis.drifts else 0.0 for axis in (x, y)))
    fastest = hypot(*(max(abs(axis.rate_low_mm_day), abs(axis.rate_high_mm_day)) for axis in (x, y)))
    return Allowance(used, allowed_mm, _days(left, speed), _days(left, fastest))


def _days(left_mm: float, speed_mm_day: float) -> float:
    if not np.isfinite(speed_mm_day):
        return float("nan")
    return left_mm / speed_mm_day if speed_mm_day > 0 else float("inf")


def _quantile(coverage: float, dof: int, *, known: bool) -> float:
    if known:
        return float(stats.norm.ppf(0.5 + 0.5 * coverage))
    return float(stats.t.ppf(0.5 + 0.5 * coverage, dof)) if dof >= 1 else float("nan")


def _events(
    model: ChangeModel,
    sudden: list[Term],
    solved: Solution,
    history: History,
    pitch_mm: float,
    bounds: DriftRule,
) -> list[Event]:
    """Steps and homings apart that are large enough, by the model that was believed."""
    quantile = _quantile(bounds.coverage, solved.dof, known=model.scatter is not None)
    found: list[Event] = []
    for place, term in enumerate(sudden, start=1):
        size = float(solved.values[place])
        if abs(size) < bounds.heed_mm:
            continue
        half = quantile * float(np.sqrt(solved.covariance[place, place]))
        finding, teeth = (Finding.APART if term.shape is Shape.APART else Finding.STEP), 0
        if finding is Finding.STEP:
            teeth = tooth_jump(size, pitch_mm, max(bounds.tooth_share * pitch_mm, half))
            finding = Finding.TOOTH_JUMP if teeth else finding
        found.append(
            Event(
                finding=finding,
                row=term.row,
                at_s=float(history.at_s[term.row]),
                size_mm=size,
                low_mm=size - half,
                high_mm=size + half,
                chance=model.chance_of(term),
                teeth=teeth,
                off_pitch_mm=size - teeth * pitch_mm if teeth else 0.0,
                confirmed=term.row < len(history.at_s) - 1,
            )
        )
    return found


def _spread_event(history: History, bounds: DriftRule) -> list[Event]:
    """The homing whose touches lie farthest apart, where the other homings make that unlikely."""
    count = len(history.at_s)
    if count < bounds.fewest:
        return []
    means = {number: range_mean(number) for number in set(history.touches.tolist())}
    deviations = history.spread_mm / np.array([means[number] for number in history.touches.tolist()])
    row = int(np.argmax(deviations))
    usual = max(float(np.delete(deviations, row).mean()), bounds.floor_mm)
    spread, touches = float(history.spread_mm[row]), int(history.touches[row])
    chance = min(1.0, count * float(range_chance(spread / usual, touches)))
    if not chance < bounds.alpha or spread < bounds.heed_mm:
        return []
    expected = usual * means[touches]
    return [Event(Finding.SPREAD, row, float(history.at_s[row]), spread, 0.0, expected, chance)]


def _charts(
    model: ChangeModel, sudden: list[Term], values: Vector, scatter_mm: float
) -> tuple[Rows, EwmaChart, CusumChart]:
    """Charts over what is left when steps are taken out and homings apart left out; the slow part stays in."""
    steps = [place for place, term in enumerate(sudden, start=1) if term.shape is Shape.STEP]
    still = model.readings - model.columns(sudden)[:, steps] @ values[steps]
    apart = [term.row for term in sudden if term.shape is Shape.APART]
    rows = np.delete(np.arange(len(still)), apart)
    scored = scores(still[rows], scatter_mm) if np.isfinite(scatter_mm) else np.zeros(len(rows))
    return rows, ewma(scored, target=0.0, sigma=1.0), cusum(scored, target=0.0, sigma=1.0)
