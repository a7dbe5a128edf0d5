"""The page of a painting's trends: verdicts, one table a group, and every figure over the sessions. Words and order.

Gets trends ready-made. Every chart shows the line of the median slope where a trend was found, and says the verdict.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape
from math import isfinite, isnan
from pathlib import Path

import numpy as np

from controller.report.chart import Chart, Marks, Panel, Rule, Scale, linear
from controller.report.chartpage import chart_html
from controller.report.comparepage import Section, listed, notes, page
from controller.report.comparewords import GROUPS, chance, interval, moment, named, signed, value
from controller.report.files import write_named
from controller.report.pieces import NONE, facts, table
from controller.report.trend import BETTER, FALLS, RISES, SMALL, WORSE, Series, Trends
from controller.report.trendwords import METHOD, lines

SIGNS = {WORSE: "▲ ", BETTER: "▽ "}
COLOURS = ("blue", "orange", "green", "purple")
SHAPES = ("round", "square")


def write_trends(path: Path, found: Trends) -> None:
    """Write the page. Raises InputError where it cannot be written."""
    write_named(path, trends_page(found))


def trends_page(found: Trends) -> str:
    """The page."""
    read = found.read
    title = f"The painting so far: {read.job or read.machine}"
    sections: list[Section] = [("told", "What goes which way", listed(lines(found)))]
    for group, words in GROUPS.items():
        mine = [one for one in found.series if one.figure.group == group]
        if mine:
            drawn = "".join(chart_html(chart) for chart in charts_of(found, group))
            sections.append((group, words, trends_table(mine, words) + drawn))
    sections.append(("sessions", "Sessions", _sessions(found)))
    sections.append(("method", "How it is judged", listed((METHOD, *_METHODS))))
    days = (
        f"{moment(read.sessions[0].begun_ms)} to {moment(read.sessions[-1].begun_ms)}"
        if read.sessions
        else NONE
    )
    head = facts(
        (
            ("machine", escape(read.machine)),
            ("job", escape(read.job or "all that were painted here")),
            ("sessions", f"{len(read.sessions)}, {escape(days)}"),
        )
    )
    return page(title, [head, notes(found.notes)], sections)


_METHODS = (
    "Sessions count in their order; how long lies between them does not. Fewer than six tell nothing.",
    "Places of the home switches are judged over all homings: the words are those of giornata drift, traps included.",
    "Sessions that hang together otherwise (a warm week, the same load on the computer) make a trend look surer.",
)


def trends_table(series: Sequence[Series], caption: str) -> str:
    """One row a figure; the verdict stands first, where a phone shows it."""
    titles = ("figure", "verdict", "first", "last", "median", "change", "95 %", "chance", "n")
    rows = []
    for one in series:
        digits, found = one.figure.digits, one.trend
        rows.append(
            [
                escape(named(one.figure.name, one.figure.unit)),
                SIGNS.get(one.verdict, "") + escape(one.verdict or NONE), value(float(one.values[0]), digits),
                value(float(one.values[-1]), digits), value(float(np.median(one.values)), digits),
                signed(found.slope, digits + 1), interval(found.low, found.high, digits + 1), chance(found.chance),
                str(found.n),
            ]
        )  # fmt: skip
    return table(titles, rows, {0, 1}, f"{caption}: trend of each figure, change a session")


CHARTS: dict[str, tuple[tuple[str, str, tuple[str, ...]], ...]] = {
    "timing": (("lateness", "lateness, µs", ("late_p50", "late_p99", "late_p999", "late_max")),),
    "position": (
        ("following", "following error, mm", ("following_rms", "following_p99", "following_max")),
        ("contour", "contour error by the motors, mm", ("contour_rms", "contour_p99", "contour_max")),
    ),
    "canvas": (("off", "off its path, mm", ("off_median", "off_max")),),
    "homing": (
        ("places", "places of the home switches, mm from the journal's first", ("place_x", "place_y")),
        ("spreads", "spread of the touches, mm", ("spread_x", "spread_y")),
    ),
    "register": (("register", "marks, mm", ("moved", "left")),),
    "done": (("metres", "painted, m", ("metres",)), ("pens", "metres a fresh pen", ("metres_a_pen",))),
    "stops": (("stops", "halts and stops asked for", ("halts", "stops")),),
}
"""By group: name, label, and which figures lie in one panel."""


def charts_of(found: Trends, group: str) -> Iterator[Chart]:
    """The charts of a group; figures with one reading are in the tables only."""
    by_key = {one.figure.key: one for one in found.series}
    for name, label, keys in CHARTS.get(group, ()):
        shown = [by_key[key] for key in keys if key in by_key and len(by_key[key].values) > 1]
        if shown:
            yield _chart(found, name, label, shown)


def _chart(found: Trends, name: str, label: str, shown: Sequence[Series]) -> Chart:
    """One panel a figure, all over the same sessions, so that a small one is not lost beside a large one."""
    ids = sorted({int(one) for series in shown for one in series.ids})
    place = {one: float(number) for number, one in enumerate(ids, 1)}
    step = 1 + len(ids) // 12
    marks = tuple((float(n), str(ids[n - 1])) for n in range(1, len(ids) + 1, step))
    of = "measuring of the marks, by map" if shown[0].figure.group == "register" else "session"
    panels = []
    for number, series in enumerate(shown):
        x = np.array([place[int(one)] for one in series.ids])
        drawn: list[Marks] = [Marks(x, series.values, COLOURS[number % 4], joined=False)]
        if series.verdict in (WORSE, BETTER, RISES, FALLS, SMALL) and isfinite(series.trend.slope):
            n = np.arange(len(x), dtype=np.float64)
            level = float(np.median(series.values - series.trend.slope * n))
            drawn.insert(
                0, Marks(x[[0, -1]], level + series.trend.slope * n[[0, -1]], "ink", "square", joined=True)
            )
        rules = []
        traps = found.read.traps_mm
        if series.figure.group == "register" and not isnan(traps):
            rules.append(Rule(traps, f"the traps' width, {traps:g} mm"))
        low = min(0.0, float(series.values.min()))
        high = max([float(series.values.max()), *(rule.at for rule in rules)])
        unit = f", {series.figure.unit}" if series.figure.unit else ""
        verdict = f": {series.verdict}" if series.verdict else ""
        scale = linear(f"{series.figure.name}{unit}", low, high, 3)
        panels.append(Panel(scale, tuple(drawn), tuple(rules), title=f"{series.figure.name}{unit}{verdict}"))
    words = label[0].upper() + label[1:]
    return Chart(
        name, words, Scale(of, 0.5, len(ids) + 0.5, marks), tuple(panels),
        f"{words} over {len(ids)} {'measurings' if of != 'session' else 'sessions'}: "
        + "; ".join(f"{one.figure.name}: {one.verdict or 'not judged'}" for one in shown),
        "A line is the median slope of a trend that was found.",
    )  # fmt: skip


def _sessions(found: Trends) -> str:
    rows = [
        [
            str(one.session), escape(moment(one.begun_ms)), escape(one.job), "virtual" if one.virtual else "real",
            value(one.values.get("strokes"), 0), value(one.values.get("metres"), 2), value(one.values.get("pens"), 0),
            value(one.values.get("halts"), 0), value(one.values.get("stops"), 0),
        ]
        for one in found.read.sessions
    ]  # fmt: skip
    titles = ("session", "begun", "job", "time", "strokes", "m", "fresh pens", "halts", "stops asked for")
    return table(titles, rows, None, "Sessions that painted")
