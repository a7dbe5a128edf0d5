"""What trends say: sentences, plain values for a program, rows for CSV. Owns wording and form only."""

from __future__ import annotations

import csv
import io
from math import isfinite, isnan
from typing import Any

from controller.config.counting import counted
from controller.report.comparestats import ALPHA, COVERAGE
from controller.report.comparewords import interval, moment, signed, value
from controller.report.frames import plain_cell
from controller.report.trend import FEW, SMALL, Series, Trends
from controller.session.drifting import drift_json

METHOD = (
    "Whether a figure goes one way is asked by the rank test of Mann and Kendall over the sessions in their order; how "
    f"fast, by the median of all slopes (Theil, Sen) with its interval of {100 * COVERAGE:g} %. A trend is named where "
    f"its chance passes Holm's rule at {ALPHA:g} over all figures judged together."
)


def lines(found: Trends) -> tuple[str, ...]:
    """Sentences for a person: what goes which way, the wrong way first; homing and traps in drift's own words."""
    told = [f"{one.figure.name}: {one.verdict}, {_speed(one)}" for one in found.told]
    few, small = (sum(one.verdict == word for one in found.series) for word in (FEW, SMALL))
    over = f"in {found.judged} figures over {len(found.read.sessions)} sessions"
    if told:
        told.append(
            f"{found.judged} figures were judged; the others show no trend beyond scatter, or a small one"
        )
    elif small:
        what = counted(
            small, "goes one way beyond scatter, but little", "go one way beyond scatter, but little"
        )
        told = [f"no trend that matters, {over}; {what}"]
    elif found.judged:
        told = [f"no trend beyond scatter, {over}"]
    if few:
        told.append(f"{few} figures have too few sessions or measurings to tell a trend")
    if found.read.drift is not None:
        told += found.read.drift.lines
    return tuple(told)


def _speed(one: Series) -> str:
    unit = f" {one.figure.unit}" if one.figure.unit else ""
    of = "a measuring" if one.figure.group == "register" else "a session"
    digits = one.figure.digits + 1
    slope = (
        f"{signed(one.trend.slope, digits)}{unit} {of} ({interval(one.trend.low, one.trend.high, digits)})"
    )
    first, last = (value(float(end), one.figure.digits) for end in one.values[[0, -1]])
    return f"{slope}; from {first} to {last}{unit}"


def _known(number: float) -> float | None:
    return None if isnan(number) or not isfinite(number) else float(number)


def trends_json(found: Trends) -> dict[str, Any]:
    """For a program; what is not known is null."""
    read = found.read
    return {
        "machine": read.machine,
        "job": read.job or None,
        "alpha": ALPHA,
        "coverage": COVERAGE,
        "sessions": [
            {
                "session": one.session,
                "begun_ms": one.begun_ms,
                "job": one.job,
                "clock": "virtual" if one.virtual else "real",
                **{series.figure.key: _known(one.values.get(series.figure.key, float("nan"))) for series in found.series
                   if series.figure.group != "register"},
            }
            for one in read.sessions
        ],
        "register": [
            {
                "map": one.number,
                "at_ms": one.at_ms,
                "job": one.job,
                "marks": one.marks,
                "moved_mm": one.moved_mm,
                "left_over_mm": one.left_mm,
                "traps_mm": _known(one.traps_mm),
            }
            for one in read.maps
        ],
        "figures": [
            {
                "figure": one.figure.name,
                "key": one.figure.key,
                "group": one.figure.group,
                "unit": one.figure.unit,
                "readings": one.trend.n,
                "slope": _known(one.trend.slope),
                "low": _known(one.trend.low),
                "high": _known(one.trend.high),
                "tau": _known(one.trend.tau),
                "chance": _known(one.trend.chance),
                "matters_from": one.heed,
                "verdict": one.verdict or None,
            }
            for one in found.series
        ],
        "drift": None if read.drift is None else drift_json(read.drift),
        "lines": list(lines(found)),
        "notes": list(found.notes),
    }  # fmt: skip


def trends_csv(found: Trends) -> str:
    """One row a session, one column a figure with its unit in the title (RFC 4180); what is not known stays empty."""
    shown = [one.figure for one in found.series if one.figure.group != "register"]
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(["session", "begun", "job", "clock", *(_title(one.key, one.unit) for one in shown)])
    for one in found.read.sessions:
        cells = [one.values.get(figure.key) for figure in shown]
        plain = ["" if cell is None or isnan(cell) else f"{cell:.9g}" for cell in cells]
        clock = "virtual" if one.virtual else "real"
        writer.writerow([one.session, moment(one.begun_ms), plain_cell(one.job), clock, *plain])
    return text.getvalue()


_ENDS = {
    "µs": "us",
    "mm/s": "mm_s",
    "of a million": "per_million",
    "min": "min",
    "mm": "mm",
    "m": "m",
    "": "",
}


def _title(key: str, unit: str) -> str:
    end = _ENDS[unit]
    return f"{key}_{end}" if end else key
