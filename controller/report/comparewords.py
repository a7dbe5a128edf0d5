"""What comparisons and trends say, as words, numbers for tables, and plain values for a program. Owns wording only."""

from __future__ import annotations

from datetime import UTC, datetime
from math import isfinite, isnan
from typing import Any

from controller.config.counting import counted
from controller.report.compare import FEW, SMALL, Comparison, Row
from controller.report.comparestats import ALPHA, COVERAGE
from controller.report.pieces import NONE

GROUPS = {
    "timing": "Timing",
    "position": "Position, by the motors",
    "canvas": "Canvas, by the simulated tip",
    "homing": "Homing",
    "register": "Register",
    "done": "What was done",
    "stops": "Stops",
}
"""Groups of figures in the order in which they are shown."""

METHOD = (
    f"A difference is called more than scatter where its chance passes Holm's rule at {ALPHA:g} over all figures "
    f"judged together; intervals hold {100 * COVERAGE:g} %."
)


def value(number: float | None, digits: int) -> str:
    """A number for a table; a dash where there is none."""
    if number is None or isnan(number):
        return NONE
    return f"{number:,.{digits}f}" if number else f"{0.0:.{digits}f}"


def signed(number: float, digits: int) -> str:
    """The same with its sign, as a difference has it."""
    if isnan(number):
        return NONE
    return f"{number:+,.{digits}f}" if round(number, digits) else f"{0.0:.{digits}f}"


def interval(low: float, high: float, digits: int) -> str:
    """From, to; a dash where there is none."""
    if isnan(low) or isnan(high):
        return NONE
    return f"{signed(low, digits)} to {signed(high, digits)}"


def chance(one: float) -> str:
    """A chance, short."""
    if isnan(one):
        return NONE
    return "< 0.001" if one < 0.001 else f"{one:.3f}" if one < 0.1 else f"{one:.2f}"


def moment(unix_ms: int) -> str:
    """Day and minute."""
    return datetime.fromtimestamp(unix_ms / 1000.0, UTC).strftime("%Y-%m-%d %H:%M UTC")


def named(figure: str, unit: str) -> str:
    """A figure with its unit."""
    return f"{figure} ({unit})" if unit else figure


def verdict(row: Row) -> str:
    """The verdict; what is not judged has a dash."""
    return row.verdict or NONE


def lines(found: Comparison) -> tuple[str, ...]:
    """Sentences for a person: what differs, and how much was looked at."""
    told = [f"{row.name}: {row.verdict} in B, {_size(row)}" for row in found.told]
    few, small = (sum(row.verdict == word for row in found.rows) for word in (FEW, SMALL))
    if told:
        told.append(f"{found.judged} figures were judged; the others show no more than scatter, or little")
    elif small:
        what = counted(small, "is more than scatter, but small", "are more than scatter, but small")
        told = [f"no difference matters, of {found.judged} figures judged; {what}"]
    elif found.judged:
        told = [f"no difference is more than scatter, of {found.judged} figures judged"]
    else:
        told = ["nothing could be judged: too little was done in one of the sessions"]
    if few:
        told.append(f"{few} more could not be judged: too few readings")
    if found.paired:
        one_by_one = any(row.paired for row in found.rows)
        what = counted(found.paired, "stroke of the same plan was", "strokes of the same plan were")
        how = ", and are compared one by one" if one_by_one else "; too few to be compared one by one"
        told.append(f"{what} painted in both{how}")
    return tuple(told)


def _size(row: Row) -> str:
    unit = f" {row.unit}" if row.unit else ""
    text = f"{value(row.a, row.digits)} to {value(row.b, row.digits)}{unit}"
    found = row.difference
    if isfinite(found.low):
        within = interval(found.low, found.high, row.digits)
        text += f", a difference of {signed(found.size, row.digits)}{unit} ({within})"
    return text


def _known(number: float) -> float | None:
    return None if isnan(number) else float(number)


def comparison_json(found: Comparison) -> dict[str, Any]:
    """For a program; what is not known is null."""
    return {
        "a": session_json(found, "a"),
        "b": session_json(found, "b"),
        "alpha": ALPHA,
        "coverage": COVERAGE,
        "judged": found.judged,
        "strokes_paired": found.paired,
        "figures": [
            {
                "group": row.group,
                "figure": row.name,
                "unit": row.unit,
                "a": _known(row.a),
                "b": _known(row.b),
                "difference": _known(row.difference.size),
                "low": _known(row.difference.low),
                "high": _known(row.difference.high),
                "chance": _known(row.difference.chance),
                "by": row.difference.by,
                "readings": list(row.difference.units) if row.difference.by else None,
                "matters_from": row.heed,
                "verdict": row.verdict or None,
            }
            for row in found.rows
        ],
        "lines": list(lines(found)),
        "notes": list(found.notes),
    }


def session_json(found: Comparison, side: str) -> dict[str, Any]:
    """One of the sessions."""
    one = found.a if side == "a" else found.b
    return {
        "state": str(one.state),
        "machine": one.machine,
        "session": one.session.id,
        "verb": one.session.verb,
        "job": one.session.job,
        "clock": one.session.clock,
        "begun_ms": one.session.begun_ms,
        "end": one.session.end,
        "realtime": one.realtime,
        "passes": [part.row.name for part in one.parts],
        "stops": [{"code": code, "words": words} for code, words in one.stops],
    }


def plain(one: Any) -> str:
    """A value of a machine file, or a number that follows from one; a dash for none."""
    if one is None:
        return NONE
    if isinstance(one, bool):
        return "yes" if one else "no"
    if isinstance(one, list):
        return ", ".join(plain(part) for part in one) or "none"
    return f"{one:.6g}" if isinstance(one, float) else str(one)
