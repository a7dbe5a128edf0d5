"""The figures of a driven test by source, as one table for terminal, CSV and page.

Owns what is reckoned from which part, and the words of every figure. The arithmetic is in controller/register.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.motion.probe import START_RAD, AxisTest, CircleTest, LineTest
from controller.register.circular import CircularFigures, circular_figures, whole_turn
from controller.register.positioning import (
    Positioning,
    Straightness,
    distance_apart_mm,
    off_line,
    positioning,
    straightness,
)
from controller.report.probed import Probed, Readings

Vector = npt.NDArray[np.float64]

MOVING_MM_S = 1.0
"""Readings of a line count while the place changes faster than this."""


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One figure. ``values``: by source, None where it could not be reckoned; ``group`` its part of the table."""

    group: str
    symbol: str
    words: str
    unit: str
    digits: int
    values: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class CircleSource:
    """Two whole turns of one source, canvas mm (n, 2)."""

    source: str
    clockwise_mm: Vector
    anticlockwise_mm: Vector
    figures: CircularFigures


@dataclass(frozen=True, slots=True)
class AxisSource:
    """Deviations (targets, repeats) of one source, mm."""

    source: str
    up_mm: Vector
    down_mm: Vector
    figures: Positioning


@dataclass(frozen=True, slots=True)
class LineSource:
    """A line there and back of one source, canvas mm (n, 2) while it moved."""

    source: str
    there_mm: Vector
    back_mm: Vector
    there: Straightness
    back: Straightness
    apart_mm: float
    off_max_mm: float


@dataclass(frozen=True, slots=True)
class Evaluated:
    """What came of a test. One of the three lists is filled; ``left_out`` says why a source is missing."""

    circles: tuple[CircleSource, ...]
    axes: tuple[AxisSource, ...]
    lines: tuple[LineSource, ...]
    left_out: tuple[str, ...]

    @property
    def sources(self) -> tuple[str, ...]:
        """Names of the sources that were reckoned, in the order of every row's values."""
        return tuple(one.source for kind in (self.circles, self.axes, self.lines) for one in kind)


def evaluate(probed: Probed) -> Evaluated:
    """All sources; one that does not hold the whole test is left out by name."""
    found: list[Any] = []
    left_out: list[str] = []
    how: dict[type, Callable[[Probed, Readings], Any]] = {
        CircleTest: _circle,
        AxisTest: _axis,
        LineTest: _line,
    }
    for readings in probed.sources:
        try:
            found.append(how[type(probed.test)](probed, readings))
        except ValueError as error:
            left_out.append(f"{readings.source}: {error}")
    return Evaluated(
        tuple(one for one in found if isinstance(one, CircleSource)),
        tuple(one for one in found if isinstance(one, AxisSource)),
        tuple(one for one in found if isinstance(one, LineSource)),
        tuple(left_out),
    )


def _window(probed: Probed, index: int) -> tuple[int, int]:
    begin, end = (int(value) for value in probed.windows_ns[index])
    if begin < 0:
        raise ValueError(f"expected readings of part {index}, got no tick of it")
    return begin, end


def _part(probed: Probed, readings: Readings, what: str) -> tuple[npt.NDArray[np.int64], Vector]:
    index = next(index for index, part in enumerate(probed.parts) if part.what == what)
    return readings.between(*_window(probed, index))


def _circle(probed: Probed, readings: Readings) -> CircleSource:
    test = probed.test
    assert isinstance(test, CircleTest)
    turns = [
        whole_turn(_part(probed, readings, what)[1], test.centre_mm, START_RAD, way)
        for what, way in (("clockwise", 1), ("anticlockwise", -1))
    ]
    figures = circular_figures(turns[0], turns[1], test.centre_mm, test.radius_mm, test.speed_mm_s)
    return CircleSource(readings.source, turns[0], turns[1], figures)


def _axis(probed: Probed, readings: Readings) -> AxisSource:
    test = probed.test
    assert isinstance(test, AxisTest)
    along = 0 if test.axis == "x" else 1
    found = {what: np.full((len(test.targets_mm), test.repeats), np.nan) for what in ("up", "down")}
    for index, part in enumerate(probed.parts):
        if part.what:
            begin, end = _window(probed, index)
            # The second half of the rest: the belts have come to rest.
            instants = np.arange(begin + (end - begin) // 2, end, 1_000_000)
            place = float(readings.at(instants)[:, along].mean())
            found[part.what][part.target, part.repeat] = place - test.targets_mm[part.target]
    figures = positioning(test.targets_mm, found["up"], found["down"])
    return AxisSource(readings.source, found["up"], found["down"], figures)


def _line(probed: Probed, readings: Readings) -> LineSource:
    test = probed.test
    assert isinstance(test, LineTest)
    ways = []
    for what in ("there", "back"):
        t_ns, places = _part(probed, readings, what)
        steps = np.hypot(*np.diff(places, axis=0).T)
        moving = steps > MOVING_MM_S * 1e-9 * np.diff(t_ns)
        if not bool(moving.any()):
            raise ValueError(f"expected a way {what}, got a place")
        ways.append(places[np.append(moving, False) | np.append(False, moving)])
    there, back = ways
    off = max(float(np.abs(off_line(way, test.start_mm, test.end_mm)[1]).max()) for way in ways)
    return LineSource(
        readings.source,
        there,
        back,
        straightness(there),
        straightness(back),
        distance_apart_mm(there, back, test.start_mm, test.end_mm),
        off,
    )


def figure_rows(evaluated: Evaluated) -> list[FigureRow]:
    """The whole table."""
    if evaluated.circles:
        return _circle_rows([one.figures for one in evaluated.circles])
    if evaluated.axes:
        return _axis_rows([one.figures for one in evaluated.axes])
    return _line_rows(evaluated.lines)


CIRCLE, CAUSES = "circular test, after ISO 230-4", "likely causes (ours)"
AXIS, STRAIGHT = "positioning, after ISO 230-2", "straightness"


def _circle_rows(all_figures: Sequence[CircularFigures]) -> list[FigureRow]:
    def row(
        group: str, symbol: str, words: str, unit: str, digits: int, value: Callable[[CircularFigures], float]
    ) -> FigureRow:
        return FigureRow(group, symbol, words, unit, digits, tuple(value(one) for one in all_figures))

    return [
        row(CIRCLE, "G cw", "circular deviation clockwise, minimum zone", "mm", 4,
            lambda f: f.clockwise.deviation_g_mm),
        row(CIRCLE, "G acw", "circular deviation anticlockwise, minimum zone", "mm", 4,
            lambda f: f.anticlockwise.deviation_g_mm),
        row(CIRCLE, "G cw, LS", "the same about the least-squares centre", "mm", 4,
            lambda f: f.clockwise.least_squares_g_mm),
        row(CIRCLE, "G acw, LS", "the same about the least-squares centre", "mm", 4,
            lambda f: f.anticlockwise.least_squares_g_mm),
        row(CIRCLE, "G(b)", "both ways together, minimum zone", "mm", 4, lambda f: f.both_g_mm),
        row(CIRCLE, "H", "largest radial difference between the ways", "mm", 4, lambda f: f.hysteresis_h_mm),
        row(CIRCLE, "H at", "angle of H, from x towards y", "deg", 1, lambda f: f.h_angle_deg),
        row(CIRCLE, "F cw max", "largest radial deviation, nominal circle", "mm", 4,
            lambda f: f.clockwise.deviation_f_max_mm),
        row(CIRCLE, "F cw min", "least radial deviation, nominal circle", "mm", 4,
            lambda f: f.clockwise.deviation_f_min_mm),
        row(CIRCLE, "F acw max", "largest radial deviation, nominal circle", "mm", 4,
            lambda f: f.anticlockwise.deviation_f_max_mm),
        row(CIRCLE, "F acw min", "least radial deviation, nominal circle", "mm", 4,
            lambda f: f.anticlockwise.deviation_f_min_mm),
        row(CIRCLE, "D", "mean radial deviation of both ways", "mm", 4, lambda f: f.mean_d_mm),
        row(CAUSES, "play x", "whole gap", "mm", 3, lambda f: float(f.causes.play_mm[0])),
        row(CAUSES, "play y", "whole gap", "mm", 3, lambda f: float(f.causes.play_mm[1])),
        row(CAUSES, "scale x - y", "a metre of x longer than a metre of y", "mm/m", 3,
            lambda f: f.causes.scale_difference_mm_m),
        row(CAUSES, "squareness", "drift of x to the right per metre down", "mm/m", 3,
            lambda f: f.causes.squareness_mm_m),
        row(CAUSES, "lag x - y", "x comes later than y", "ms", 2, lambda f: f.causes.lag_difference_ms),
        row(CAUSES, "centre x", "centre from its nominal place", "mm", 4, lambda f: float(f.causes.centre_mm[0])),
        row(CAUSES, "centre y", "centre from its nominal place", "mm", 4, lambda f: float(f.causes.centre_mm[1])),
        row(CAUSES, "unexplained", "root mean square of the rest", "mm", 4, lambda f: f.causes.rest_mm),
    ]  # fmt: skip


def _axis_rows(all_figures: Sequence[Positioning]) -> list[FigureRow]:
    def row(symbol: str, words: str, value: Callable[[Positioning], float]) -> FigureRow:
        return FigureRow(AXIS, symbol, words, "mm", 4, tuple(value(one) for one in all_figures))

    return [
        row("B", "reversal value, the largest by modulus", lambda f: f.reversal_mm),
        row("B mean", "mean reversal value", lambda f: f.mean_reversal_mm),
        row("R up", "repeatability upwards", lambda f: f.repeatability_up_mm),
        row("R down", "repeatability downwards", lambda f: f.repeatability_down_mm),
        row("R", "repeatability of both", lambda f: f.repeatability_mm),
        row("E up", "systematic deviation upwards", lambda f: f.systematic_up_mm),
        row("E down", "systematic deviation downwards", lambda f: f.systematic_down_mm),
        row("E", "systematic deviation of both", lambda f: f.systematic_mm),
        row("M", "range of the mean of both", lambda f: f.mean_bidirectional_mm),
        row("A up", "accuracy upwards", lambda f: f.accuracy_up_mm),
        row("A down", "accuracy downwards", lambda f: f.accuracy_down_mm),
        row("A", "accuracy of both", lambda f: f.accuracy_mm),
    ]


def _line_rows(lines: Sequence[LineSource]) -> list[FigureRow]:
    def row(symbol: str, words: str, value: Callable[[LineSource], float]) -> FigureRow:
        return FigureRow(STRAIGHT, symbol, words, "mm", 4, tuple(value(one) for one in lines))

    return [
        row("LS there", "straightness, least-squares line", lambda f: f.there.least_squares_range_mm),
        row("LS back", "straightness, least-squares line", lambda f: f.back.least_squares_range_mm),
        row("ends there", "straightness, end-point line", lambda f: f.there.end_point_range_mm),
        row("ends back", "straightness, end-point line", lambda f: f.back.end_point_range_mm),
        row("apart", "largest distance between there and back", lambda f: f.apart_mm),
        row("off", "farthest from the nominal line", lambda f: f.off_max_mm),
    ]
