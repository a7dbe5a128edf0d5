"""The report of a session as one HTML page: its words and their order. Gets figures and pictures ready-made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape

from controller.report.gather import SessionData
from controller.report.pieces import NONE, document, figure, number, swatch, table
from controller.report.tables import Lateness, PassSummary


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture of the page. ``name`` is its file's; ``alternative`` says what it shows to who cannot see it."""

    name: str
    section: str
    png: bytes
    alternative: str
    caption: str


def page(
    data: SessionData, summaries: Sequence[PassSummary], overall: Lateness, pictures: Sequence[Picture]
) -> str:
    """The whole page."""
    title = f"Session {data.session.id} on {data.machine}"
    colours = {part.row.id: part.colour for part in data.passes}
    parts = [
        f"<h1>{escape(title)}</h1>",
        _heading(data),
        _notes(data),
        "<h2>Passes</h2>",
        _passes(summaries, colours),
        f'<p class="quiet">{escape(_passes_words(data))}</p>',
        "<h2>Timing</h2>",
        f"<p>{escape(_timing_words(data, overall))}</p>",
        *_figures(pictures, "timing"),
        *_section("Position", pictures, "position", ""),
        *_section("Planned and painted", pictures, "canvas", _canvas_words(data)),
        "<h2>Homing</h2>",
        _homings(data),
        *_figures(pictures, "homing"),
        _events(data),
    ]
    return document(title, parts)


def _heading(data: SessionData) -> str:
    session = data.session
    clock = "virtual time against the simulated gantry" if data.is_virtual else "real time over the wire"
    rights = {run.realtime for run in data.runs if run.realtime is not None}
    rows = [
        ("begun", _moment(session.begun_ms)),
        ("ended", f"{_moment(session.ended_ms)}, {session.end or ''}" if session.ended_ms else "not ended"),
        ("command", f"{session.verb} {session.job}".strip()),
        ("clock", clock),
    ]
    if rights and not data.is_virtual:
        rows.append(
            ("real-time rights", "yes" if rights == {True} else "in part" if True in rights else "no")
        )
    return "<dl>" + "".join(f"<dt>{escape(a)}</dt><dd>{escape(b)}</dd>" for a, b in rows) + "</dl>"


def _notes(data: SessionData) -> str:
    if not data.notes:
        return ""
    items = "".join(f"<li>{escape(note)}</li>" for note in data.notes)
    return f'<div class="notes"><strong>Left out or doubtful</strong><ul>{items}</ul></div>'


def _passes(summaries: Sequence[PassSummary], colours: dict[int, str]) -> str:
    titles = (
        "pass", "state", "strokes", "painted, m", "ticks", "p50, µs", "p99, µs", "p99.9, µs", "max, µs",
        "later than 1 ms", "following max, mm", "homing spread x / y, mm", "off its path max, mm",
        "missed max, mm", "loops open by max, mm",
    )  # fmt: skip
    rows = []
    for one in summaries:
        late = one.lateness
        timed = late.ticks > 0
        rows.append(
            [
                swatch(one.name, colours.get(one.pass_id, "#888")),
                escape(one.state),
                f"{one.strokes_finished} of {one.strokes_planned}",
                number(one.metres, 2),
                f"{late.ticks:,}",
                *(
                    number(value if timed else None, 1)
                    for value in (late.p50_us, late.p99_us, late.p999_us, late.max_us)
                ),
                f"{late.late}",
                number(one.following_max_mm, 4),
                " / ".join(number(one.homing_spread_mm.get(axis), 3) for axis in ("x", "y")),
                number(one.deviation_max_mm, 3),
                number(one.missed_max_mm, 3),
                number(one.closing_gap_max_mm, 3),
            ]
        )
    if not rows:
        return "<p>No pass was begun in this session.</p>"
    return table(titles, rows)


def _passes_words(data: SessionData) -> str:
    words = (
        "Strokes and metres are those finished in this session. Lateness: when a tick's command was sent, against "
        "when it was to be sent; ticks of the schedule only. Following: measured against expected position of the "
        "motors."
    )
    if data.painted is not None:
        words += (
            " Off its path: the painted point farthest from the planned line; missed: the planned point farthest "
            "from any paint line; loops open by: last painted point from the first."
        )
    return words


def _timing_words(data: SessionData, overall: Lateness) -> str:
    if overall.ticks == 0:
        return "No tick was logged."
    if data.is_virtual:
        return (
            f"{overall.ticks:,} ticks in virtual time: each leaves at its instant by construction, so nothing is "
            "said here of lateness."
        )
    return (
        f"{overall.ticks:,} ticks with homing and moves: p50 {overall.p50_us:.1f}, p99 {overall.p99_us:.1f}, "
        f"p99.9 {overall.p999_us:.1f}, max {overall.max_us:.1f} µs; {overall.late} later than 1 ms. The largest "
        "ones belong to the host as much as to the program."
    )


def _canvas_words(data: SessionData) -> str:
    if data.painted is None:
        return "There is no canvas to compare with: only the simulated gantry leaves one."
    return "What the simulated gantry's tip truly touched, against the prepared strokes."


def _section(title: str, pictures: Sequence[Picture], section: str, words: str) -> list[str]:
    figures = _figures(pictures, section)
    if not figures and not words:
        return []
    return [f"<h2>{escape(title)}</h2>", f"<p>{escape(words)}</p>" if words else "", *figures]


def _figures(pictures: Sequence[Picture], section: str) -> list[str]:
    return [
        figure(one.png, one.alternative, escape(one.caption)) for one in pictures if one.section == section
    ]


def _homings(data: SessionData) -> str:
    if not data.homings:
        return "<p>No homing in this session.</p>"
    rows = [
        [
            escape(_moment(row.at_ms)),
            escape(row.axis),
            str(len(row.touches_counts)),
            number(row.spread_mm, 4),
            number(row.difference_mm, 4),
            "accepted" if row.accepted else "refused",
            escape(row.reason),
        ]
        for row in data.homings
    ]
    titles = ("when", "axis", "touches", "spread, mm", "difference, mm", "verdict", "reason")
    return table(titles, rows, words={6})


def _events(data: SessionData) -> str:
    if not data.events:
        return ""
    rows = [[escape(_moment(row.at_ms)), escape(row.kind), escape(row.text)] for row in data.events]
    return "<h2>Events</h2>" + table(("when", "what", "words"), rows, words={1, 2})


def _moment(unix_ms: int | None) -> str:
    if unix_ms is None:
        return NONE
    return datetime.fromtimestamp(unix_ms / 1000, UTC).astimezone().strftime("%Y-%m-%d %H:%M:%S %Z")
