"""Pages of comparisons: two sessions, or two machine files, as one self-contained HTML document each.

Owns the pages' words and their order. Gets what was compared ready-made; figures and charts are other modules'.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path

from controller.report.chartpage import STYLE as CHART_STYLE
from controller.report.chartpage import chart_html
from controller.report.compare import BETTER, WORSE, Comparison, Row
from controller.report.comparecharts import session_charts
from controller.report.comparemachines import Change, MachineChanges
from controller.report.compareread import SessionRead
from controller.report.comparewords import (
    GROUPS,
    METHOD,
    chance,
    interval,
    lines,
    moment,
    named,
    plain,
    signed,
    value,
    verdict,
)
from controller.report.files import write_named
from controller.report.pieces import contents, document, facts, heading, table

SIGNS = {WORSE: "▲ ", BETTER: "▽ "}
"""Beside the word, so that a verdict is seen at a glance and never by colour."""

STYLE = (
    CHART_STYLE
    + """
td.verdict-worse { font-weight: 600; }
.told { padding-left: 1.2rem; max-width: 46rem; }
.told li { margin: 0.25rem 0; }
"""
)

Section = tuple[str, str, str]
"""Identity, words, and the section's HTML."""


def write_sessions(path: Path, found: Comparison) -> None:
    """Write the page of two sessions. Raises InputError where it cannot be written."""
    write_named(path, sessions_page(found))


def write_machines(path: Path, changes: MachineChanges) -> None:
    """Write the page of two machine files. Raises InputError where it cannot be written."""
    write_named(path, machines_page(changes))


def sessions_page(found: Comparison) -> str:
    """The page of two sessions."""
    a, b = found.a, found.b
    title = f"{a.name.capitalize()} and {b.name} of {b.machine}"
    if a.machine != b.machine:
        title = f"{a.name.capitalize()} of {a.machine} and {b.name} of {b.machine}"
    sections: list[Section] = [("told", "What differs", listed(lines(found)))]
    for group in GROUPS:
        rows = [row for row in found.rows if row.group == group]
        if rows:
            sections.append((group, GROUPS[group], figures_table(rows, GROUPS[group], "A", "B")))
    if charts := session_charts(found):
        sections.append(("charts", "A and B laid over each other", "".join(map(chart_html, charts))))
    stops = [(side, code, words) for side, one in (("A", a), ("B", b)) for code, words in one.stops]
    if stops:
        rows_of_stops = [[side, escape(code), escape(words)] for side, code, words in stops]
        sections.append(
            ("stopped", "Stops and their reasons", table(("", "reason", "words"), rows_of_stops, {1, 2}))
        )
    sections.append(("method", "How it is judged", _method()))
    return page(
        title,
        [facts((side, _session(one)) for side, one in (("A", a), ("B", b))), notes(found.notes)],
        sections,
    )


def page(title: str, head: Sequence[str], sections: Sequence[Section]) -> str:
    """Title, what comes before the contents, then sections."""
    parts = [
        f"<h1>{escape(title)}</h1>",
        *head,
        contents((identity, words) for identity, words, _ in sections),
    ]
    for identity, words, what in sections:
        parts += [heading(words, identity), what]
    return document(title, parts, STYLE)


def listed(sentences: Sequence[str]) -> str:
    """Sentences one under another."""
    return '<ul class="told">' + "".join(f"<li>{escape(one)}</li>" for one in sentences) + "</ul>"


def notes(sentences: Sequence[str]) -> str:
    """What is left out or doubtful; nothing where that is nothing."""
    if not sentences:
        return ""
    items = "".join(f"<li>{escape(one)}</li>" for one in sentences)
    return f'<div class="notes"><strong>Left out or doubtful</strong><ul>{items}</ul></div>'


def figures_table(rows: Sequence[Row], caption: str, a: str, b: str) -> str:
    """One row a figure; the verdict stands first, where a phone shows it. Without what is judged where nothing is."""
    is_judged = any(row.difference.by for row in rows)
    titles = ("figure", *(("verdict",) if is_judged else ()), a, b, "difference")
    titles += ("95 %", "chance", "readings") if is_judged else ()
    cells = []
    for row in rows:
        one = row.difference
        counted = f"{one.units[0]:,} / {one.units[1]:,}" if one.by else ""
        cells.append(
            [
                escape(named(row.name, row.unit)),
                *((SIGNS.get(row.verdict, "") + escape(verdict(row)),) if is_judged else ()),
                value(row.a, row.digits), value(row.b, row.digits), signed(one.size, row.digits),
                *((interval(one.low, one.high, row.digits), chance(one.chance), counted) if is_judged else ()),
            ]
        )  # fmt: skip
    return table(titles, cells, {0, 1} if is_judged else {0}, f"{caption}: figures of both sessions")


def _session(one: SessionRead) -> str:
    clock = "virtual time" if one.is_virtual else "real time"
    passes = ", ".join(part.row.name for part in one.parts) or "no pass"
    what = f"session {one.session.id} of {one.machine}, {moment(one.session.begun_ms)}, {one.session.verb}"
    return escape(f"{what} {one.session.job}: {passes}; {clock}; ended: {one.session.end or 'not ended'}")


def _method() -> str:
    return listed((METHOD, *_METHODS))


_METHODS = tuple(
    """
p50, p99, p99.9 and rms are of all ticks. The session is cut into pieces of equal number, and blocks of them are drawn \
again and again (circular block bootstrap), which gives the standard error. Pieces that hang together count as fewer \
readings; with fewer than 20 nothing is said.
Medians over strokes are judged in the same way; where both sessions painted the same strokes of the same plan, by the \
differences of each stroke from itself.
Homings are few and independent: rank sum of Mann and Whitney; the difference is the median of all pairs.
Largest values, counts, lengths and speeds are one number of a session each: shown, not judged.
Stops are judged by their number in the time of the passes (binomial).
""".strip().splitlines()
)


def machines_page(changes: MachineChanges) -> str:
    """The page of two machine files."""
    title = f"{changes.old.name} and {changes.new.name}: what differs"
    sections: list[Section] = [("anew", "What has to be done anew", listed(changes.anew))]
    if changes.fields:
        caption = "Fields that differ; p: schedules are made from it"
        sections.append(("fields", "Fields", _changes(changes.fields, caption, plan=True)))
    if changes.numbers:
        sections.append(
            ("numbers", "Derived numbers", _changes(changes.numbers, "Numbers that change", plan=False))
        )
    warnings = [("no longer", one) for one in changes.warnings_gone] + [
        ("from now on", one) for one in changes.warnings_come
    ]
    if warnings:
        rows = [[escape(when), escape(one)] for when, one in warnings]
        sections.append(("warnings", "Warnings of giornata check", table(("", "warning"), rows, {1})))
    head = facts((("old", escape(str(changes.old))), ("new", escape(str(changes.new)))))
    if not changes.fields:
        return page(title, [head, "<p>No field differs.</p>"], sections)
    return page(title, [head], sections)


def _changes(changes: Sequence[Change], caption: str, *, plan: bool) -> str:
    titles = ("field" if plan else "number", "unit", "old", "new", *(("p",) if plan else ()))
    rows = [
        [
            escape(one.where), escape(one.unit), escape(plain(one.old)), escape(plain(one.new)),
            *(("p" if one.plan else "",) if plan else ()),
        ]
        for one in changes
    ]  # fmt: skip
    return table(titles, rows, {0, 2, 3}, caption)
