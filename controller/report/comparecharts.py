"""Charts of two sessions laid over each other: how many ticks are worse than so much, and how it went over time.

Takes sessions that were read, returns charts as data (``chart``). Owns no figure that is not also in a table.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from controller.report.chart import Chart, Marks, Panel, Rule, Scale, Shape, linear, logarithmic
from controller.report.compare import Comparison
from controller.report.compareread import SessionRead
from controller.report.comparestats import piece_length

POINTS = 60
"""Marks of a curve."""

FLOOR_US, FLOOR_MM = 0.1, 1e-5
SIDES: tuple[tuple[str, str, Shape], ...] = (("A", "blue", "round"), ("B", "orange", "square"))
"""Name, colour and shape: shape tells apart what colour might not."""

Vector = npt.NDArray[np.float64]


def session_charts(found: Comparison) -> tuple[Chart, ...]:
    """All charts that there is something to show in."""
    charts: list[Chart] = []
    pair = (found.a, found.b)
    if not (found.a.is_virtual or found.b.is_virtual) and all(len(one.lateness_us) for one in pair):
        tick_us = max(one.tick_us for one in pair)
        rule = Rule(tick_us, f"one tick, {tick_us / 1000:g} ms", upright=True)
        late = [one.lateness_us for one in pair]
        charts.append(
            _worse(
                "lateness", "How many ticks are later than so much", "lateness, µs", late, FLOOR_US, (rule,)
            )
        )
        charts.append(_over_time(pair))
    for name, title in (
        ("following_mm", "following error, mm"),
        ("contour_mm", "contour error by the motors, mm"),
    ):
        values = [getattr(one, name) for one in pair]
        values = [one[np.isfinite(one)] for one in values]
        if all(len(one) for one in values):
            words = "How many ticks with the pen down are off by more than so much"
            charts.append(_worse(name.removesuffix("_mm"), words, title, values, FLOOR_MM, ()))
    off = [one.column("off_max_mm") for one in pair]
    if all(len(one) for one in off):
        words = "How many strokes are off their path by more than so much"
        charts.append(_worse("off", words, "farthest of a stroke, mm", off, FLOOR_MM, ()))
    places = _homing(found)
    return (*charts, *places)


def exceedance(values: npt.NDArray[np.floating], floor: float) -> tuple[Vector, Vector]:
    """(m,) values and the share of all that are at least as large, at up to ``POINTS`` ranks, denser at the top."""
    ordered = np.maximum(np.sort(values.astype(np.float64))[::-1], floor)
    ranks = np.unique(np.rint(np.geomspace(1, len(ordered), POINTS)).astype(np.int64))
    shares: Vector = ranks / len(ordered)
    return ordered[ranks - 1], shares


def _worse(
    name: str, title: str, label: str, values: Sequence[npt.NDArray[np.floating]], floor: float, rules: tuple[Rule, ...]
) -> Chart:  # fmt: skip
    curves = [exceedance(one, floor) for one in values]
    low = min(float(at.min()) for at, _ in curves)
    high = max([*(float(at.max()) for at, _ in curves), *(rule.at for rule in rules)])
    least = min(float(share.min()) for _, share in curves)
    series = tuple(
        Marks(at, share, colour, shape, side, joined=True)
        for (at, share), (side, colour, shape) in zip(curves, SIDES, strict=True)
    )
    share = logarithmic("share of all", least * 0.7, 1.4)
    return Chart(
        name, title, logarithmic(label, low * 0.8, high * 1.25), (Panel(share, series, rules),),
        f"{title}: {label} across, the share of all upwards, A and B as two curves, both scales logarithmic",
        "Both scales are logarithmic. A curve further to the right is worse; its last mark is a single one.",
    )  # fmt: skip


def _over_time(pair: tuple[SessionRead, SessionRead]) -> Chart:
    """p99 of pieces over the passes' own time."""
    length = piece_length(*(len(one.lateness_us) for one in pair))
    series, ends, tops = [], [], []
    for one, (side, colour, shape) in zip(pair, SIDES, strict=True):
        n = len(one.lateness_us) // length
        if not n:
            continue
        pieces = one.lateness_us[: n * length].astype(np.float64).reshape(n, length)
        p99: Vector = np.maximum(np.quantile(pieces, 0.99, axis=1), FLOOR_US).astype(np.float64)
        minutes: Vector = (np.arange(n, dtype=np.float64) + 0.5) * length * one.tick_us * 1e-6 / 60.0
        series.append(Marks(minutes, p99, colour, shape, side))
        ends.append(n * length * one.tick_us * 1e-6 / 60.0)
        tops.append(float(p99.max()))
    y = linear("p99, µs", 0.0, max(tops, default=10.0))
    x = linear("time of the passes, min", 0.0, max(ends, default=1.0), tight=True)
    return Chart(
        "lateness-over-time", "Lateness over the sessions' time", x, (Panel(y, tuple(series)),),
        "p99 of the lateness of each piece of the sessions over the time of their passes, A and B",
        f"Each mark is a piece of {length:,} ticks: the lateness that one in a hundred of them is beyond.",
    )  # fmt: skip


def _homing(found: Comparison) -> Iterator[Chart]:
    """Places of the home switches, each session's homings one after another; of one state folder only."""
    if found.a.state != found.b.state:
        return
    panels = []
    most = 1
    for axis in ("x", "y"):
        sides = [one.home_mm[axis] for one in (found.a, found.b)]
        if not all(len(one) for one in sides):
            return
        most = max(most, *(len(one) for one in sides))
        values = np.concatenate(sides)
        scale = linear(f"{axis}, mm", float(values.min()), float(values.max()))
        marks = tuple(
            Marks(np.arange(1.0, len(one) + 1), one, colour, shape, side)
            for one, (side, colour, shape) in zip(sides, SIDES, strict=True)
        )
        panels.append(
            Panel(scale, marks, title=f"place of the home switch, axis {axis}, mm from the journal's first")
        )
    x = Scale(
        "homing of the session",
        0.5,
        most + 0.5,
        tuple((n, str(n)) for n in range(1, most + 1, 1 + most // 12)),
    )
    yield Chart(
        "homing", "Where homing found the switches", x, tuple(panels),
        "Places of both home switches by homing, A and B",
        "Differences between homings that follow each other, added up over the journal.",
    )  # fmt: skip
