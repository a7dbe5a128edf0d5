"""The trend of every figure over a painting's sessions, with a verdict in words. Reads no file and draws nothing.

Owns which figures there are, which way is worse, from which change on it matters, and the verdicts. Whether a figure
goes one way is ``trendstats``' test; of all figures together those are believed that Holm's rule leaves. The places of
the home switches have a judge of their own (``giornata drift``), whose words stand as they are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite

import numpy as np
import numpy.typing as npt

from controller.report.compare import HEED_MM, PLACE_HEED_MM, TICK_SHARE
from controller.report.comparestats import believed
from controller.report.trendread import SessionPoint, TrendRead
from controller.report.trendstats import Trend, trend

WORSE, BETTER = "gets worse", "gets better"
RISES, FALLS = "rises", "falls"
NONE, SMALL, FEW = "no trend beyond scatter", "a trend, but small", "too few to tell"
NOT_JUDGED = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure. way: 1 more is worse, -1 less is worse, 0 neither; heed: a change over the painting below it is
    small, in the figure's unit, or as a share of the tick where ``by_tick``. judged: whether a trend is looked for."""

    key: str
    group: str
    name: str
    unit: str
    digits: int
    way: int = 0
    heed: float = 0.0
    by_tick: bool = False
    judged: bool = True


FIGURES: tuple[Figure, ...] = (
    Figure("late_p50", "timing", "lateness, p50", "µs", 1, 1, TICK_SHARE, True),
    Figure("late_p99", "timing", "lateness, p99", "µs", 1, 1, TICK_SHARE, True),
    Figure("late_p999", "timing", "lateness, p99.9", "µs", 1, 1, TICK_SHARE, True),
    Figure("late_max", "timing", "lateness, largest", "µs", 1, 1, TICK_SHARE, True),
    Figure("late_ticks", "timing", "ticks later than 1 ms", "of a million", 1, 1),
    Figure("following_rms", "position", "following error, rms", "mm", 4, 1, HEED_MM),
    Figure("following_p99", "position", "following error, p99", "mm", 4, 1, HEED_MM),
    Figure("following_max", "position", "following error, largest", "mm", 4, 1, HEED_MM),
    Figure("contour_rms", "position", "contour error by the motors, rms", "mm", 4, 1, HEED_MM),
    Figure("contour_p99", "position", "contour error by the motors, p99", "mm", 4, 1, HEED_MM),
    Figure("contour_max", "position", "contour error by the motors, largest", "mm", 4, 1, HEED_MM),
    Figure("off_median", "canvas", "off its path, farthest of a stroke, median", "mm", 4, 1, HEED_MM),
    Figure("off_max", "canvas", "off its path, farthest of all strokes", "mm", 4, 1, HEED_MM),
    *(
        one
        for axis in ("x", "y")
        for one in (
            Figure(f"spread_{axis}", "homing", f"spread of the touches, {axis}, median", "mm", 4, 1, HEED_MM),
            Figure(f"apart_{axis}", "homing", f"difference from the homing before, {axis}", "mm", 4, 1, HEED_MM),
            Figure(f"place_{axis}", "homing", f"place of the home switch, {axis}", "mm", 4, judged=False),
        )
    ),
    Figure("moved", "register", "marks away from where the map before had them, farthest", "mm", 3, 1, PLACE_HEED_MM),
    Figure("left", "register", "marks left over by their own map, farthest", "mm", 3, 1, PLACE_HEED_MM),
    Figure("metres", "done", "painted", "m", 2, judged=False),
    Figure("strokes", "done", "strokes finished", "", 0, judged=False),
    Figure("minutes", "done", "time of the passes", "min", 1, judged=False),
    Figure("speed", "done", "speed with the pen down", "mm/s", 2),
    Figure("pens", "done", "fresh pens", "", 0, judged=False),
    Figure("metres_a_pen", "done", "metres a fresh pen", "m", 2),
    Figure("halts", "stops", "halts", "", 0, 1),
    Figure("stops", "stops", "stops asked for", "", 0),
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One figure over the sessions (or measurings, of register) that know it: ids (n,) and values (n,)."""

    figure: Figure
    ids: npt.NDArray[np.int64]
    values: npt.NDArray[np.float64]
    trend: Trend
    heed: float
    verdict: str = NOT_JUDGED


@dataclass(frozen=True, slots=True, eq=False)
class Trends:
    """All figures that there is something of, and what was read."""

    read: TrendRead
    series: tuple[Series, ...]
    notes: tuple[str, ...]

    @property
    def told(self) -> tuple[Series, ...]:
        """Those that go one way by more than scatter, and by so much that it matters; the wrong way first."""
        found = [one for one in self.series if one.verdict in (WORSE, BETTER, RISES, FALLS)]
        return tuple(sorted(found, key=lambda one: one.verdict != WORSE))

    @property
    def judged(self) -> int:
        """How many figures were held against scatter."""
        return sum(one.figure.judged and isfinite(one.trend.chance) for one in self.series)


def trends(read: TrendRead) -> Trends:
    """The trend of every figure."""
    notes = list(read.notes)
    virtual = [one.session for one in read.sessions if one.virtual]
    if virtual:
        who = (
            "all sessions"
            if len(virtual) == len(read.sessions)
            else f"sessions {', '.join(map(str, virtual))}"
        )
        notes.append(
            f"{who} went by virtual time, in which nothing can be late: no lateness of theirs is here"
        )
    ticks = {one.tick_us for one in read.sessions if one.tick_us}
    if len(ticks) > 1:
        notes.append(
            f"ticks of {', '.join(f'{one / 1000:g}' for one in sorted(ticks))} ms: sessions differ in more than time"
        )
    found = [one for figure in FIGURES if (one := _series(figure, read)) is not None]
    family = [one.trend.chance if one.figure.judged else float("nan") for one in found]
    kept = believed(family)
    judged = tuple(replace(one, verdict=_verdict(one, sure)) for one, sure in zip(found, kept, strict=True))
    return Trends(read, judged, tuple(notes))


def _series(figure: Figure, read: TrendRead) -> Series | None:
    if figure.group == "register":
        pairs = [(one.number, getattr(one, f"{figure.key}_mm")) for one in read.maps]
    else:
        pairs = [(one.session, one.values[figure.key]) for one in read.sessions if figure.key in one.values]
    if not pairs or (figure.group == "stops" and not any(value for _, value in pairs)):
        return None
    ids = np.array([one for one, _ in pairs], dtype=np.int64)
    values = np.array([value for _, value in pairs], dtype=np.float64)
    return Series(figure, ids, values, trend(values), _heed(figure, read.sessions))


def _heed(figure: Figure, sessions: tuple[SessionPoint, ...]) -> float:
    return (
        figure.heed * max((one.tick_us for one in sessions), default=0.0) if figure.by_tick else figure.heed
    )


def _verdict(one: Series, sure: bool) -> str:
    found, way = one.trend, one.figure.way
    if not one.figure.judged:
        return NOT_JUDGED
    if not isfinite(found.chance):
        return FEW
    if not sure:
        return NONE
    if abs(found.change) < one.heed:
        return SMALL
    # Where most values are equal (counts) the median slope may be 0 and the order still speak.
    rises = (found.slope or found.tau) > 0
    if way == 0:
        return RISES if rises else FALLS
    return WORSE if rises == (way > 0) else BETTER
