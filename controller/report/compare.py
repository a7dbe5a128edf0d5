"""Two sessions side by side: figures, differences, and whether a difference is more than scatter.

Owns which figures there are, by which statistic each is judged (``comparestats``), and the verdicts. Reads no file and
draws nothing. Every figure says which way is worse and from which size on a difference matters.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import isfinite, nan

import numpy as np
import numpy.typing as npt

from controller.config.machine import AXES
from controller.report.compareread import COLUMNS, LATE_US, Counts, SessionRead
from controller.report.comparestats import (
    Difference,
    believed,
    cut,
    median_difference,
    paired_difference,
    piece_differences,
    piece_length,
    rank_difference,
    rate_difference,
)

LATE_FLOOR_US, ERROR_FLOOR_MM = 0.01, 1e-6
QUANTILES = (0.5, 0.99, 0.999)
TICK_SHARE = 0.01
"""A difference of lateness below this share of the tick does not matter. Common practice, no source."""

HEED_MM = 0.01
"""A difference of following, contour or touches below this does not matter. Common practice, no source."""

PLACE_HEED_MM = 0.1
"""Nor one of the home switches' places below this, as in ``giornata drift``. Common practice, no source."""

WORSE, BETTER = "worse", "better"
MORE, LESS = "more", "less"
SCATTER, SMALL, FEW = "scatter", "more than scatter, but small", "too few to tell"
NOT_JUDGED = ""

Way = int
"""1: more is worse; -1: less is worse; 0: neither."""


@dataclass(frozen=True, slots=True)
class Row:
    """One figure of two sessions. a, b: nan where it is not known. heed: differences below it are small.

    verdict: one of the words above; empty where the figure is not judged (one number of a session has no scatter).
    paired: the same strokes of both sessions are held against each other one by one.
    """

    group: str
    name: str
    unit: str
    digits: int
    a: float
    b: float
    difference: Difference
    way: Way = 0
    heed: float = 0.0
    verdict: str = NOT_JUDGED
    paired: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Two sessions compared. notes: what is left out and why; paired: strokes that both painted of the same plan."""

    a: SessionRead
    b: SessionRead
    rows: tuple[Row, ...]
    paired: int
    notes: tuple[str, ...]

    @property
    def told(self) -> tuple[Row, ...]:
        """Rows whose difference is more than scatter and matters, in order."""
        return tuple(row for row in self.rows if row.verdict in (WORSE, BETTER, MORE, LESS))

    @property
    def judged(self) -> int:
        """How many figures were held against scatter."""
        return sum(isfinite(row.difference.chance) for row in self.rows)


def compare(a: SessionRead, b: SessionRead) -> Comparison:
    """All figures of two sessions."""
    notes = [f"{side}: {note}" for side, one in (("A", a), ("B", b)) for note in one.notes]
    rows: list[Row] = []
    strokes = _Strokes.of(a, b)
    if a.is_virtual or b.is_virtual:
        who = "both sessions" if a.is_virtual and b.is_virtual else "A" if a.is_virtual else "B"
        notes.append(f"{who} went by virtual time, in which nothing can be late: lateness is left out")
    elif len(a.lateness_us) and len(b.lateness_us):
        heed_us = TICK_SHARE * max(a.tick_us, b.tick_us)
        rows += _ticks("timing", "lateness", a.lateness_us, b.lateness_us, LATE_FLOOR_US, heed_us)
        rows.append(_late(a, b))
        rows += strokes.rows("timing", "lateness, latest tick of a stroke", "late_max_us", heed_us)
        rows += strokes.rows("timing", "timing error of a stroke's segment", "timing_us", heed_us)
    for name, title in (("following", "following error"), ("contour", "contour error, by the motors")):
        first, second = (getattr(one, f"{name}_mm") for one in (a, b))
        rows += _ticks("position", title, first, second, ERROR_FLOOR_MM, HEED_MM)
        rows += strokes.rows("position", f"{title}, largest of a stroke", f"{name}_max_mm", HEED_MM)
    rows += strokes.rows("canvas", "off its path, farthest of a stroke", "off_max_mm", HEED_MM)
    rows += _homing(a, b)
    rows += _done(a, b)
    if a.machine != b.machine:
        notes.append(f"A is of machine {a.machine}, B of {b.machine}")
    if a.realtime != b.realtime and not (a.is_virtual or b.is_virtual):
        notes.append("only one of the sessions had real-time rights all along")
    return Comparison(a, b, judged(rows), strokes.paired, tuple(notes))


def judged(rows: Sequence[Row]) -> tuple[Row, ...]:
    """The same with verdicts, all rows together as one family."""
    kept = believed([row.difference.chance for row in rows])
    return tuple(replace(row, verdict=_verdict(row, sure)) for row, sure in zip(rows, kept, strict=True))


def _verdict(row: Row, sure: bool) -> str:
    if not row.difference.by:
        return NOT_JUDGED
    if not isfinite(row.difference.chance):
        return FEW
    if not sure:
        return SCATTER
    if abs(row.difference.size) < row.heed:
        return SMALL
    if row.way == 0:
        return MORE if row.difference.size > 0 else LESS
    return WORSE if row.difference.size * row.way > 0 else BETTER


Values = npt.NDArray[np.float32]


def _ticks(group: str, title: str, a: Values, b: Values, floor: float, heed: float) -> Iterator[Row]:
    """Quantiles over all ticks, of errors their root mean square; and the largest, which is not judged."""
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    if not len(a) or not len(b):
        return
    unit, digits, shown = ("µs", 1, (0, 1, 2)) if group == "timing" else ("mm", 4, (3, 1, 2))
    length = piece_length(len(a), len(b))
    sides = [[*np.quantile(one.astype(np.float64), QUANTILES).tolist(), _rms(one)] for one in (a, b)]
    sizes = [second - first for first, second in zip(*sides, strict=True)]
    found = piece_differences(cut(a, length, floor), cut(b, length, floor), floor, QUANTILES, sizes)
    for index in shown:
        name = f"{title}, {('p50', 'p99', 'p99.9', 'rms')[index]}"
        yield Row(group, name, unit, digits, sides[0][index], sides[1][index], found[index], 1, heed)
    yield _plain(group, f"{title}, largest", unit, digits, float(a.max()), float(b.max()), 1)


def _rms(values: Values) -> float:
    return float(np.sqrt(np.mean(values.astype(np.float64) ** 2)))


def _plain(
    group: str, name: str, unit: str, digits: int, a: float | None, b: float | None, way: Way = 0
) -> Row:
    """A figure that is one number of a session: shown, not judged."""
    x, y = (nan if one is None else float(one) for one in (a, b))
    return Row(group, name, unit, digits, x, y, Difference(y - x), way)


def _late(a: SessionRead, b: SessionRead) -> Row:
    shares = [1e6 * float(np.mean(one.lateness_us > LATE_US)) for one in (a, b)]
    return _plain("timing", "ticks later than 1 ms", "of a million", 1, shares[0], shares[1], 1)


Columns = dict[str, npt.NDArray[np.float64]]


@dataclass(frozen=True, slots=True, eq=False)
class _Strokes:
    """Figures of strokes: all of both sessions, and those that both painted of the same plan, in A's order."""

    all: tuple[SessionRead, SessionRead]
    same: tuple[Columns, Columns]
    paired: int

    @classmethod
    def of(cls, a: SessionRead, b: SessionRead) -> _Strokes:
        first: dict[str, list[npt.NDArray[np.float64]]] = {name: [np.zeros(0)] for name in COLUMNS}
        second: dict[str, list[npt.NDArray[np.float64]]] = {name: [np.zeros(0)] for name in COLUMNS}
        others = {(part.row.job, part.row.name): part for part in b.parts if part.points}
        count = 0
        for part in a.parts:
            twin = others.get((part.row.job, part.row.name))
            if twin is None or twin.points != part.points:
                continue
            _, mine, its = np.intersect1d(part.strokes["stroke"], twin.strokes["stroke"], return_indices=True)
            order = np.argsort(mine)
            count += len(mine)
            for name in COLUMNS:
                first[name].append(part.strokes[name][mine[order]])
                second[name].append(twin.strokes[name][its[order]])
        joined = [{name: np.concatenate(parts) for name, parts in side.items()} for side in (first, second)]
        return cls((a, b), (joined[0], joined[1]), count)

    def rows(self, group: str, title: str, column: str, heed: float) -> Iterator[Row]:
        """Median over strokes: of the same ones where both painted enough of them, else of all."""
        unit, digits = ("µs", 1) if group == "timing" else ("mm", 4)
        x, y = (side[column] for side in self.same)
        both = np.isfinite(x) & np.isfinite(y)
        found = paired_difference(x[both], y[both])
        name = f"{title}, median of the same strokes"
        paired = bool(isfinite(found.chance))
        if paired:
            x, y = x[both], y[both]
        else:
            x, y = (one.column(column) for one in self.all)
            found, name = median_difference(x, y), f"{title}, median"
        if len(x) and len(y):
            medians = (float(np.median(x)), float(np.median(y)))
            yield Row(group, name, unit, digits, *medians, found, 1, heed, paired=paired)


def _homing(a: SessionRead, b: SessionRead) -> Iterator[Row]:
    for axis in AXES:
        spreads = [_of_axis(one, axis, "spread_mm") for one in (a, b)]
        yield from _ranked(f"spread of the touches, {axis}", spreads, 1, HEED_MM)
        apart = [np.abs(_of_axis(one, axis, "difference_mm")) for one in (a, b)]
        yield from _ranked(f"difference from the homing before, {axis}", apart, 1, HEED_MM)
        if a.state == b.state:
            places = [one.home_mm[axis] for one in (a, b)]
            yield from _ranked(f"place of the home switch, {axis}", places, 0, PLACE_HEED_MM)


def _of_axis(one: SessionRead, axis: str, field: str) -> npt.NDArray[np.float64]:
    values = [getattr(row, field) for row in one.homings if row.axis == axis and row.accepted]
    return np.array([value for value in values if value is not None], dtype=np.float64)


def _ranked(name: str, sides: list[npt.NDArray[np.float64]], way: Way, heed: float) -> Iterator[Row]:
    a, b = sides
    if len(a) and len(b):
        yield Row(
            "homing", f"{name}, median", "mm", 4, float(np.median(a)), float(np.median(b)), rank_difference(a, b), way,
            heed,
        )  # fmt: skip


def _done(a: SessionRead, b: SessionRead) -> Iterator[Row]:
    x, y = a.counts, b.counts
    for name, unit, digits, of in _DONE:
        first, second = (getattr(one, of) for one in (x, y))
        if first is not None and second is not None:
            yield _plain("done", name, unit, digits, first, second)
    yield _stops("halts", x, y, "halts")
    yield _stops("stops asked for", x, y, "stops")


_DONE: tuple[tuple[str, str, int, str], ...] = (
    ("passes", "", 0, "passes"),
    ("strokes finished", "", 0, "strokes"),
    ("painted", "m", 2, "metres"),
    ("time of the passes", "min", 1, "painting_min"),
    ("time with the pen down", "min", 1, "pen_down_min"),
    ("speed with the pen down", "mm/s", 2, "paint_speed_mm_s"),
    ("strokes an hour", "", 1, "strokes_h"),
    ("fresh pens", "", 0, "pens"),
)


def _stops(name: str, a: Counts, b: Counts, field: str) -> Row:
    first, second = getattr(a, field), getattr(b, field)
    if not first and not second:
        return _plain("stops", name, "", 0, first, second)
    found = rate_difference(first, a.painting_min, second, b.painting_min)
    # What is judged is the rate; what is shown is the count.
    way = 1 if field == "halts" else 0
    return Row("stops", name, "", 0, first, second, replace(found, size=float(second - first)), way)
