"""The day's sheet as one printable page: its words, their order and their size. Gets figures and drawing ready-made.

Owns the layout: everything fits on one side of A4 and of US Letter, so lists are cut at so many rows and say how many
more there are; ``--json`` has all. Type of what is read standing, at a machine that has halted, is 10 points or more.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime, timedelta
from html import escape
from typing import Final, Literal

from controller.config.counting import counted
from controller.report.pieces import document, number, swatch, table
from controller.report.today import Today
from controller.report.todaypasses import InkToday, PassToday
from controller.report.todaystops import ALWAYS, CARDS, EMERGENCY

Paper = Literal["a4", "letter"]
SIZES: Final[dict[Paper, tuple[str, float]]] = {"a4": ("A4", 297.0), "letter": ("letter", 279.4)}
"""CSS name and height in mm (A4 by ISO 216; Letter is 11 inches; from memory)."""

MARGIN_MM: Final = 6.0
"""Above and below; printers reach that far, common practice, no source."""
PASSES_SHOWN: Final[dict[Paper, int]] = {"a4": 7, "letter": 5}
PASSES_MORE, INKS_MORE = 0.7, 0.4
"""So many more of them fit for each line that does not bar the day, of three."""
BARRED_SHOWN: Final = 3
INKS_SHOWN: Final = 4
TIMES_SHOWN: Final = 2
MARKS_SHOWN: Final = 3
REGISTER_SHOWN: Final = 2
DUE_SHOWN: Final = 2
NOTES_SHOWN: Final = 1
RESUMED_SHOWN: Final = 1
LINE_CHARACTERS: Final = 105
"""Longer lines of the history are cut; giornata check and --json tell them whole."""

NAME_CHARACTERS: Final = 22
"""Longer names lose their middle."""

CHECKLIST: Final = (
    "Emergency stop tried by hand: motor power falls",
    "Area clear; rails, belts, floor free; hair tied",
    "Canvas tight and where it was; marks looked at",
    "Pens ready, shaken, tried; cable and head tight",
    "Somebody stays at the emergency stop throughout",
)

CAUTIONS: Final = (
    "No safety rating is claimed: the machine's own hardware has to stop it. Follow local codes."
)

STYLE: Final = """
.sheet h1 { margin: 0; } .sheet h2 { margin: 0.9rem 0 0.25rem; } .sheet p { max-width: none; }
.sheet td.words, .sheet tbody th.words { min-width: 0; }
.top { display: flex; flex-wrap: wrap; justify-content: space-between; align-items: baseline; gap: 0.2rem 1.5rem;
  border-bottom: 2px solid var(--ink); padding-bottom: 0.3rem; }
.sum { font-size: 1.05rem; margin: 0.4rem 0; }
.columns { display: grid; grid-template-columns: 1fr 1fr; gap: 0 1.4rem; align-items: start; }
.columns > section { min-width: 0; }
.sheet ul { margin: 0.2rem 0; padding-left: 1.1rem; } .sheet li { margin: 0.15rem 0; }
.sheet .notes { margin: 0.5rem 0; } .notes p { margin: 0.1rem 0; font-weight: 600; }
.sheet .boxes { list-style: none; padding: 0; } .boxes li { padding-left: 1.7em; position: relative; }
.boxes li::before { content: ""; position: absolute; left: 0; top: 0.25em; width: 0.9em; height: 0.9em;
  border: 1.5px solid var(--ink); }
svg.canvas { display: block; width: 100%; max-height: 22rem; }
svg .frame { fill: none; stroke: var(--edge); } svg text { fill: #1d2328; stroke: #ffffff; stroke-width: 0.24em;
  paint-order: stroke; font-weight: 600; }
svg .mark { stroke: #1d2328; fill: none; }
svg .swatch-place { fill: none; stroke: #56606a; stroke-dasharray: 1.5em 1em; }
svg .ring { fill: none; stroke: #1d2328; stroke-width: 0.2em; }
.used { display: block; width: 100%; height: 0.8rem; border: 1px solid var(--edge); margin: 0.2rem 0; }
.halts { border: 2px solid var(--ink); border-radius: 8px; padding: 0.6rem 0.8rem; margin-top: 1rem; }
.halts h2 { margin: 0; }
.emergency { font-weight: 700; font-size: 1.1rem; background: var(--ink); color: var(--page); padding: 0.3rem 0.6rem;
  border-radius: 4px; margin: 0.3rem 0; }
.always { margin: 0.3rem 0; padding-left: 1.3rem; font-weight: 600; }
.cards { columns: 17rem 2; column-gap: 1.2rem; }
.card { border-top: 1px solid var(--edge); padding: 0.3rem 0 0.6rem; break-inside: avoid; }
.card h3 { margin: 0; font-size: 1rem; } .card ol { margin: 0.15rem 0 0; padding-left: 1.2rem; }
.codes { color: var(--quiet); font-size: 0.8rem; line-height: 1.25; margin: 0; }
.codes span { white-space: nowrap; }
@media (max-width: 40rem) { .columns { grid-template-columns: 1fr; } }
@media print {
  body { font: 8.4pt/1.22 "Liberation Sans", Arial, Helvetica, sans-serif; }
  .sheet { display: flex; flex-direction: column; } .sheet > * { flex: none; }
  .sheet h1 { font-size: 13pt; } .sheet h2 { font-size: 9.5pt; margin: 1mm 0 0.2mm; }
  .sum { font-size: 8.6pt; margin: 0.6mm 0 0; }
  .sheet .scroll { padding: 0; margin: 0; } .sheet p { margin: 0.2mm 0; } .quiet { font-size: 7.4pt; }
  .sheet ul, .sheet ol { margin: 0.2mm 0; } .sheet li { margin: 0; } .sheet .boxes li { padding-left: 1.5em; }
  .boxes li::before { width: 0.75em; height: 0.75em; top: 0.2em; }
  .sheet table { font-size: 8.4pt; table-layout: fixed; }
  .sheet th, .sheet td { padding: 0.1mm 0.6mm; line-height: 1.2; white-space: nowrap; overflow: hidden;
    text-overflow: ellipsis; }
  .passes th:nth-child(1) { width: 4%; } .passes th:nth-child(2) { width: 27%; }
  .passes th:nth-child(8) { width: 22%; }
  .sheet .pens table { font-size: 7.6pt; } .pens th:nth-child(1) { width: 28%; } .pens th:nth-child(2) { width: 9%; }
  .pens th:nth-child(3) { width: 26%; } .pens th:nth-child(4) { width: 14%; }
  .sheet .notes { margin: 0.8mm 0 0; padding: 0.4mm 2mm; border: 1.5pt solid #000; background: none;
    border-radius: 0; }
  .sheet .columns { grid-template-columns: 1fr 1fr; gap: 0 5mm; flex: 1 1 0; min-height: min-content;
    align-items: stretch; }
  .columns > section { display: flex; flex-direction: column; } .columns > section > * { flex: none; }
  .sheet svg.canvas { flex: 1 1 0; min-height: 17mm; max-height: 60mm; height: 0; }
  .used { height: 1.6mm; margin: 0.3mm 0; }
  .halts { margin-top: 1.2mm; padding: 0.8mm 2mm; border: 1.2pt solid #000; border-radius: 0; }
  .halts h2 { display: none; }
  .emergency { font-size: 13pt; background: none; color: #000; border: 2pt solid #000; padding: 0.4mm 1.6mm;
    margin: 0.2mm 0 0.6mm; border-radius: 0; }
  .always { font-size: 10.5pt; line-height: 1.16; }
  .card h3 { font-size: 10.5pt; } .card ol { font-size: 10pt; line-height: 1.14; }
  .sheet .always, .card ol { padding-left: 1.5em; }
  .cards { columns: 2; column-gap: 4mm; } .card { padding: 0.3mm 0 0.4mm; }
  .codes { font-size: 10pt; line-height: 1.06; } .foot { font-size: 6.8pt; line-height: 1.1; }
}
"""


def page(today: Today, drawing: str, paper: Paper = "a4") -> str:
    """The whole page. ``drawing``: of the canvas, HTML."""
    title = f"{today.job} on {today.machine}, {today.at:%Y-%m-%d}"
    parts = [
        '<div class="sheet">',
        _top(today),
        _barred(today.barred),
        "<h2>Passes</h2>",
        _passes(today, paper),
        '<div class="columns"><section><h2>Pens to have ready</h2>',
        _pens(today),
        "<h2>Before the start</h2>",
        _list(CHECKLIST, "boxes"),
        "<h2>Register</h2>",
        _register(today),
        "</section><section><h2>Canvas and marks</h2>",
        drawing,
        f"<p>{escape(today.marks_words)}</p>",
        _marks(today),
        _more("Due", today.due, DUE_SHOWN, "giornata check, giornata maintenance"),
        _more("To know", today.notes, NOTES_SHOWN, "--json"),
        "</section></div>",
        _halts(),
        f'<p class="quiet foot">{escape(CAUTIONS)}</p>',
        "</div>",
    ]
    name, height_mm = SIZES[paper]
    size = (
        f"@media print {{ @page {{ size: {name} portrait; margin: {MARGIN_MM:g}mm 9mm; }} "
        f".sheet {{ min-height: {height_mm - 2.0 * MARGIN_MM - 0.5:g}mm; }} }}"
    )
    return document(title, parts, STYLE + size)


def duration(seconds: float) -> str:
    """Hours and minutes, minutes rounded up."""
    minutes = -int(-seconds // 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def clock(today: Today, seconds: float) -> str:
    """An instant of the day: by the clock where it is known when the day begins, else hours from its beginning."""
    if today.begin is not None:
        at = datetime.combine(today.at.date(), today.begin) + timedelta(seconds=seconds)
        return f"{at:%H:%M}"
    minutes = round(seconds / 60.0)
    return f"+{minutes // 60}:{minutes % 60:02d}"


def _top(today: Today) -> str:
    count = len(today.passes)
    said = (
        f"{counted(count, 'pass', 'passes')}, {counted(today.strokes, 'stroke')}, {today.metres:.1f} m, "
        f"{counted(today.pen_changes, 'pen change')}; "
        f"{duration(today.seconds)}"
    )
    if today.begin is not None:
        said += f", {clock(today, 0.0)} to {clock(today, today.seconds)}"
    if not count:
        said = "Nothing is left to paint."
    rest = f"{today.done} done" + (
        f", {today.later} later ({duration(today.later_s)})" if today.later else ""
    )
    job, machine = escape(_name(today.job)), escape(_name(today.machine))
    return (
        f'<div class="top"><h1>Today: {job}</h1><p>machine {machine} &middot; '
        f"<strong>{today.at:%A, %-d %B %Y}</strong></p></div>"
        f'<p class="sum"><strong>{escape(said)}</strong> &middot; {escape(rest)}</p>'
    )


def _barred(lines: Sequence[str]) -> str:
    if not lines:
        return ""
    shown = "".join(f"<p>{escape(_cut(line))}</p>" for line in lines[:BARRED_SHOWN])
    return f'<div class="notes">{shown}</div>'


def _passes(today: Today, paper: Paper) -> str:
    begins = "begins" if today.begin is not None else "begins after"
    most = PASSES_SHOWN[paper] + int(PASSES_MORE * _spare(today))
    titles = ("no.", "pass", "strokes", "metres", "takes", begins, "pen", "note")
    rows = [_pass_row(today, one) for one in today.passes[:most]]
    rest = today.passes[most:]
    if rest:
        rows.append(
            [
                "+",
                f"{len(rest)} more",
                f"{sum(one.strokes for one in rest)}",
                f"{sum(one.metres for one in rest):.1f}",
                duration(sum(one.seconds for one in rest)),
                clock(today, rest[0].begin_s),
                "",
                "giornata today --json",
            ]
        )
    if not rows:
        return "<p>Every pass that was asked for is painted.</p>"
    homing = "homing included" if today.homing_s is not None else "homing not counted: none yet"
    between = (
        f"Between passes {today.change_minutes:g} min for pen and look, a homing before each, waits for wet paint; "
        f"{homing}."
    )
    whole = table(titles, rows, {1, 6, 7})
    return f'<div class="passes">{whole}</div>{_resumed(today)}<p class="quiet screen">{escape(between)}</p>'


def _spare(today: Today) -> int:
    """Lines that no bar takes."""
    return max(BARRED_SHOWN - len(today.barred), 0)


def _pass_row(today: Today, one: PassToday) -> list[str]:
    return [
        f"{one.number}",
        swatch(_name(one.name), one.colour),
        f"{one.strokes}",
        f"{one.metres:.1f}",
        duration(one.seconds),
        clock(today, one.begin_s),
        "<strong>fresh</strong>" if one.fresh_pen else "same",
        escape("; ".join(_pass_notes(one))),
    ]


def _pass_notes(one: PassToday) -> list[str]:
    out: list[str] = []
    if one.other_plan:
        out.append("you will be asked")
    if one.goes_on is not None:
        out.append("goes on")
    if one.wet_minutes > 0.0:
        out.append(f"wet: wait {one.wet_minutes:.0f} min")
    if one.too_long:
        out.append("long")
    return out


def _resumed(today: Today) -> str:
    """Where begun passes go on, in words."""
    out: list[str] = []
    for one in today.passes:
        if one.other_plan:
            out.append(f"{one.number} {_name(one.name)} was begun from another plan: you will be asked.")
        if (on := one.goes_on) is not None:
            x, y = on.at_mm
            along = f", from {on.from_mm:.0f} of {on.length_mm:.0f} mm," if on.from_mm > 0.0 else ""
            out.append(
                f"{one.number} {_name(one.name)} goes on with stroke {on.stroke + 1} of {on.of_strokes}{along} at "
                f"{x:.0f}, {y:.0f} mm (ringed)."
            )
    if len(out) > RESUMED_SHOWN:
        out[RESUMED_SHOWN:] = [f"{len(out) - RESUMED_SHOWN} more: giornata today --json."]
    return f"<p><strong>{escape(' '.join(out))}</strong></p>" if out else ""


def _pens(today: Today) -> str:
    if not today.inks:
        return "<p>None.</p>"
    titles = ("ink", "fresh", "at", "unused", "in use")
    most = INKS_SHOWN + int(INKS_MORE * _spare(today))
    rows = [_pen_row(today, one) for one in today.inks[:most]]
    words: list[str] = []
    if short := [f"{one.missing} {_name(one.name)}" for one in today.inks if one.missing]:
        words.append(f"short of {_names(short, 3)}")
    if (more := len(today.inks) - most) > 0:
        words.append(f"{more} more inks: giornata today --json")
    uncounted = [_name(one.name) for one in today.inks if one.unused is None]
    if uncounted:
        words.append(f"not counted: {_names(uncounted, 3)} (giornata pens --stock INK=N)")
    tail = f"<p><strong>{escape(_cut('; '.join(words)))}</strong></p>" if words else ""
    return f'<div class="pens">{table(titles, rows, {2, 4})}</div>{tail}'


def _pen_row(today: Today, one: InkToday) -> list[str]:
    at = ", ".join(clock(today, seconds) for seconds in one.fresh_s[:TIMES_SHOWN])
    if (more := len(one.fresh_s) - TIMES_SHOWN) > 0:
        at += f" +{more}"
    in_pen = ""
    if one.in_use_m is not None:
        left = "" if one.in_use_left_m is None else f", {one.in_use_left_m:.0f} left"
        in_pen = f"{one.in_use_m:.1f} m{left}"
    unused = "?" if one.unused is None else f"{one.unused}"
    return [
        swatch(f"{_name(one.name)}, {number(one.tip_mm, 1)} mm", one.colour),
        f"<strong>{one.fresh}</strong>",
        escape(at),
        unused,
        escape(in_pen),
    ]


def _names(words: Sequence[str], most: int) -> str:
    """The first of some words, and how many more there are."""
    shown = ", ".join(words[:most])
    return f"{shown} and {len(words) - most} more" if len(words) > most else shown


def _marks(today: Today) -> str:
    if not today.marks:
        return ""
    shown = [
        f"{_name(one.name)} at {one.place_mm[0]:g}, {one.place_mm[1]:g}" for one in today.marks[:MARKS_SHOWN]
    ]
    more = len(today.marks) - MARKS_SHOWN
    tail = f" and {more} more" if more > 0 else ""
    return f'<p class="quiet">Marks, mm right and down: {escape("; ".join(shown))}{tail}.</p>'


def _register(today: Today) -> str:
    found = today.register
    head = "Registered" if found.registered else "Not registered"
    if found.last_homing:
        head += f"; last homing {found.last_homing}"
    # What is left of the traps comes before what the axes did.
    lines = sorted(found.lines, key=lambda line: not line.startswith(f"{today.job}: "))[:REGISTER_SHOWN]
    parts = [f"<p>{escape(head)}</p>", *(f"<p>{escape(_cut(line))}</p>" for line in lines)]
    if found.used_mm is not None and found.allowed_mm:
        share = min(found.used_mm / found.allowed_mm, 1.0)
        said = f"{found.used_mm:.1f} of {found.allowed_mm:.1f} mm used"
        parts.append(
            f'<svg class="used" role="img" aria-label="{said}" viewBox="0 0 100 10" preserveAspectRatio="none">'
            f'<rect width="{100.0 * share:.1f}" height="10" fill="currentColor"/></svg>'
        )
    return "".join(parts)


def _more(title: str, lines: Sequence[str], most: int, where: str) -> str:
    if not lines:
        return f"<h2>{title}</h2><p>Nothing.</p>" if title == "Due" else ""
    shown = [_cut(line) for line in lines[:most]]
    if len(lines) > most:
        shown.append(f"and {len(lines) - most} more: {where}")
    return f"<h2>{title}</h2>{_list(shown)}"


def _list(lines: Sequence[str], name: str = "") -> str:
    mark = f' class="{name}"' if name else ""
    return f"<ul{mark}>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"


def _cut(line: str) -> str:
    return textwrap.shorten(line, LINE_CHARACTERS, placeholder=" …")


def _name(name: str) -> str:
    return name if len(name) <= NAME_CHARACTERS else f"{name[: NAME_CHARACTERS - 8]}…{name[-7:]}"


def _codes(codes: Sequence[str]) -> str:
    """Reasons by which a card is found; none is broken at its hyphens."""
    return ", ".join(f"<span>{escape(code)}</span>" for code in codes)


def _halts() -> str:
    cards = "".join(
        f'<article class="card"><h3>{escape(card.title)}</h3><p class="codes">{_codes(card.reasons)}</p>'
        f"<ol>{''.join(f'<li>{escape(line)}</li>' for line in card.lines)}</ol></article>"
        for card in CARDS
    )
    always = "".join(f"<li>{escape(line)}</li>" for line in ALWAYS)
    return (
        f'<section class="halts"><h2>When it halts</h2><p class="emergency">{escape(EMERGENCY)}</p>'
        f'<ol class="always">{always}</ol><div class="cards">{cards}</div></section>'
    )
