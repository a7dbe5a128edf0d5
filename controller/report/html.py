"""The report of a session as one HTML page: its words and their order. Gets figures, charts and pictures ready-made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape

from controller.config.counting import counted
from controller.report import canvaspicture, chartpage
from controller.report.canvaspicture import Canvas, ErrorMap, map_steps, map_svg, map_title, picture_svg
from controller.report.chart import Chart
from controller.report.frames import Frame
from controller.report.gather import SessionData
from controller.report.glance import Finding
from controller.report.links import KINDS, Links, PeakRow, column_identity, stroke_identity
from controller.report.pieces import NONE, contents, document, facts, figure, heading, number, swatch, table
from controller.report.stops import StopRow
from controller.report.strokescript import SCRIPT, strokes_json
from controller.report.tables import Lateness, PassSummary
from controller.report.timecharts import time_unit

STYLE = """
.glance { list-style: none; padding: 0; margin: 0.8rem 0; display: grid; gap: 0.5rem;
  grid-template-columns: repeat(auto-fill, minmax(min(100%, 17rem), 1fr)); }
.glance li { background: var(--card); border: 1px solid var(--line); border-left: 5px solid var(--good);
  border-radius: 6px; padding: 0.45rem 0.8rem; }
.glance li.look { border-left: 5px double var(--warn); }
.glance b { display: block; font-size: 0.88rem; font-weight: 600; color: var(--quiet); }
.glance i { font-style: normal; font-weight: 600; color: var(--good); }
.glance .look i { color: var(--warn); }
.files { columns: 14rem; margin: 0.4rem 0; padding-left: 1.2rem; }
"""


SIGNS = {True: "\u2713", False: "\u26a0"}
"""Before a verdict: a tick, or a warning sign."""


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture of the page. ``name`` is its file's; ``alternative`` says what it shows to who cannot see it."""

    name: str
    section: str
    png: bytes
    alternative: str
    caption: str


@dataclass(frozen=True, slots=True)
class Parts:
    """All that the page is made of. charts: by the section that they stand in; files: beside the page, relative."""

    data: SessionData
    passes: Sequence[PassSummary]
    overall: Lateness
    findings: Sequence[Finding]
    canvas: Canvas | None
    maps: Sequence[ErrorMap]
    charts: Mapping[str, Sequence[Chart]]
    links: Links
    strokes: Frame
    kinds: Frame
    stops: Sequence[StopRow]
    pictures: Sequence[Picture]
    files: Sequence[str]


def page(parts: Parts) -> str:
    """The whole page."""
    data = parts.data
    title = f"Session {data.session.id} on {data.machine}"
    sections = [
        ("picture", "Picture", _picture(parts)),
        ("passes", "Passes", _passes(parts)),
        ("errors", "Errors over time", _errors(parts)),
        ("along", "Errors on the canvas", _along(parts)),
        ("canvas", "Planned and painted", _canvas(parts)),
        ("pens", "Pens", _pens(data)),
        ("homing", "Homing", _homings(parts)),
        ("register", "Register", _register(parts)),
        ("stops", "Stops", _stops(parts.stops)),
        ("events", "Events", _events(data)),
        ("files", "Files", _files(parts.files)),
    ]
    shown = [(identity, words, body) for identity, words, body in sections if any(body)]
    body = [
        f"<h1>{escape(title)}</h1>",
        _heading(data),
        _notes(data),
        _glance(parts.findings),
        contents([(identity, words) for identity, words, _ in shown]),
    ]
    for identity, words, inside in shown:
        body += ["<section>", heading(words, identity), *inside, "</section>"]
    script = ""
    if parts.links.linked:
        kept = strokes_json(parts.links, parts.strokes)
        body.append(f'<script type="application/json" id="strokes">{kept}</script>')
        script = SCRIPT
    return document(title, body, STYLE + chartpage.STYLE + canvaspicture.STYLE, script)


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
    return facts((name, escape(what)) for name, what in rows)


def _notes(data: SessionData) -> str:
    if not data.notes:
        return ""
    items = "".join(f"<li>{escape(note)}</li>" for note in data.notes)
    return f'<div class="notes"><strong>Left out or doubtful</strong><ul>{items}</ul></div>'


def _glance(findings: Sequence[Finding]) -> str:
    items = "".join(
        f'<li class="{"well" if one.well else "look"}"><b>{escape(one.what)}</b>{escape(one.words)} '
        f"<i>{SIGNS[one.well]} {escape(one.verdict)}</i></li>"
        for one in findings
    )
    return f'<h2 class="hidden">At a glance</h2><ul class="glance">{items}</ul>' if items else ""


def _picture(parts: Parts) -> list[str]:
    canvas, links = parts.canvas, parts.links
    if canvas is None:
        return []
    here = sum(len(one.here) for one in canvas.shown)
    toggle = ""
    words = f"This session's {counted(here, 'stroke', spec=',')} in their inks."
    if canvas.has_earlier:
        toggle = (
            '<input type="checkbox" id="as-wall" class="screen"> <label for="as-wall" class="screen">as on the wall: '
            "earlier sessions in their inks as well</label>"
        )
        words = (
            f"This session's {counted(here, 'stroke', spec=',')} in their inks with a dark edge; earlier sessions' are "
            "pale."
        )
    if any(len(one.begun) for one in canvas.shown):
        words += " Dashed: begun and not finished."
    told = (
        '<output id="told" class="told" aria-live="polite"></output>'
        "<p class='quiet screen'>A stroke leads to its place in the plots.</p>"
    )
    inks = dict.fromkeys((one.part.row.ink, one.part.colour) for one in canvas.shown)
    names = " &ensp; ".join(swatch(name, colour) for name, colour in inks)
    drawn = (
        f'<figure class="canvas" id="so-far"><p class="hidden">{canvaspicture.text_alternative(canvas)}</p>'
        f"{toggle}{picture_svg(canvas, links)}<figcaption>{escape(words)}<br>{names}</figcaption></figure>"
    )
    return [drawn, told]


def _passes(parts: Parts) -> list[str]:
    data, summaries = parts.data, parts.passes
    if not summaries:
        return ["<p>No pass was begun in this session.</p>"]
    colours = {part.row.id: part.colour for part in data.passes}
    name = {one.pass_id: swatch(one.name, colours.get(one.pass_id, "#888")) for one in summaries}
    painted = table(
        (
            "pass", "state", "strokes", "painted, m", "following max, mm", "contour max, mm",
            "homing spread x / y, mm", "off its path max, mm", "missed max, mm", "loops open by max, mm",
        ),
        [
            [
                name[one.pass_id],
                escape(one.state),
                f"{one.strokes_finished} of {one.strokes_planned}",
                number(one.metres, 2),
                number(one.following_max_mm, 4),
                number(one.contour_max_mm, 4),
                " / ".join(number(one.homing_spread_mm.get(axis), 3) for axis in ("x", "y")),
                number(one.deviation_max_mm, 3),
                number(one.missed_max_mm, 3),
                number(one.closing_gap_max_mm, 3),
            ]
            for one in summaries
        ],
        caption="What each pass painted, and how well",
    )  # fmt: skip
    words = (
        "Strokes and metres are those finished in this session. Following: measured against expected position of the "
        "motors; contour: what of that lies across the way."
    )
    if data.painted is not None:
        words += (
            " Off its path: the painted point farthest from the planned line; missed: the planned point farthest "
            "from any paint line; loops open by: last painted point from the first."
        )
    found = [painted, f'<p class="quiet">{escape(words)}</p>']
    if not data.is_virtual:
        found.append(
            table(
                ("pass", "ticks", "p50, µs", "p99, µs", "p99.9, µs", "max, µs", "later than 1 ms"),
                [
                    [
                        name[one.pass_id],
                        f"{one.lateness.ticks:,}",
                        *(
                            number(value if one.lateness.ticks else None, 1)
                            for value in (
                                one.lateness.p50_us, one.lateness.p99_us, one.lateness.p999_us, one.lateness.max_us,
                            )
                        ),
                        f"{one.lateness.late}",
                    ]
                    for one in summaries
                ],
                caption="Lateness: when a tick's command was sent, after when it was to be sent; schedules only",
            )
        )  # fmt: skip
    return found


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


def _errors(parts: Parts) -> list[str]:
    charts = [chartpage.chart_html(one) for one in parts.charts.get("errors", ())]
    found = [
        f"<p>{escape(_timing_words(parts.data, parts.overall))}</p>",
        *charts,
        _kinds(parts.kinds, timed=not parts.data.is_virtual),
    ]
    unit_s, unit = time_unit(max([1.0, *(row.at_s for rows in parts.links.rows.values() for row in rows)]))
    found += [
        _peaks(parts.links, kind, rows, unit_s, unit) for kind, rows in parts.links.rows.items() if rows
    ]
    return found


def _kinds(frame: Frame, *, timed: bool) -> str:
    """The largest errors by what the head did."""
    if not len(frame):
        return ""
    digits = {"lateness_max_us": 1, "timing_error_max_ms": 3}
    rows = [
        [escape(str(kind)), *(f"{frame.columns[name][row]:,}" for name in ("segments", "ticks"))]
        + [
            number(float(values[row]) if timed or name not in digits else None, digits.get(name, 4))
            for name, values in frame.columns.items()
            if name not in ("kind", "segments", "ticks")
        ]
        for row, kind in enumerate(frame.columns["kind"])
    ]
    titles = (
        "what", "segments", "ticks", "lateness, µs", "timing error, ms", "following error, mm", "contour error, mm",
    )  # fmt: skip
    return table(titles, rows, caption="Largest errors by what the head did")


def _peaks(links: Links, kind: str, rows: Sequence[PeakRow], unit_s: float, unit: str) -> str:
    _, words, of = KINDS[kind]
    digits = 1 if of == "µs" else 4
    cells = [
        [
            str(row.number),
            number(row.value, digits),
            f'<a href="#{column_identity(row.column)}">{number(row.at_s / unit_s, 2)}</a>'
            if row.column in set(links.column_of.values())
            else number(row.at_s / unit_s, 2),
            escape(row.during),
            _stroke_link(links, row),
        ]
        for row in rows
    ]
    titles = ("no.", f"{words}, {of}", f"at, {unit}", "during", "stroke")
    return table(
        titles, cells, caption=f"Largest {words}s of the passes" if of == "mm" else "Largest lateness of the passes",
        identities=[f"p-{kind}-{row.number}" for row in rows],
    )  # fmt: skip


def _stroke_link(links: Links, row: PeakRow) -> str:
    if row.stroke < 0:
        return ""
    words = f"{row.stroke} of {escape(links.names.get(row.pass_id, '?'))}"
    return (
        f'<a href="#{stroke_identity(row.pass_id, row.stroke)}">{words}</a>'
        if links.is_linked(row)
        else words
    )


def _along(parts: Parts) -> list[str]:
    if parts.canvas is None or not parts.maps:
        return []
    words = "Errors of the motors, laid on the strokes: dark and wide where large. Belt, play and pen are not in them."
    found = [f"<p>{words}</p>"]
    for one in parts.maps:
        alternative = (
            f"{map_title(one)}, up to {one.edges[-1]:.4f} mm; the list below has the metres in each range."
        )
        found.append(
            f'<figure class="canvas" id="map-{one.kind}"><h3>{escape(map_title(one))}</h3>'
            f'<p class="hidden">{escape(alternative)}</p>{map_svg(parts.canvas, one)}'
            f"<figcaption>Every piece shows its largest error. Numbers are those of the plots.</figcaption>"
            f"{map_steps(one)}</figure>"
        )
    return found


def _canvas(parts: Parts) -> list[str]:
    words = (
        "There is no canvas to compare with: only the simulated gantry leaves one."
        if parts.data.painted is None
        else "What the simulated gantry's tip truly touched, against the prepared strokes."
    )
    return [f"<p>{words}</p>", *_figures(parts.pictures, "canvas")]


def _figures(pictures: Sequence[Picture], section: str) -> list[str]:
    return [
        figure(one.png, one.alternative, escape(one.caption)) for one in pictures if one.section == section
    ]


def _pens(data: SessionData) -> list[str]:
    history = data.history
    if not history.pens:
        return ["<p>No pen was put in or used in this session.</p>"]
    colours = {part.row.ink: part.colour for part in history.passes}
    rows = []
    for use in history.pens:
        mine = [one for one in history.sums.values() if one.pen == use.pen.id]
        left = history.pens_left.get(use.pen.ink)
        rows.append(
            [
                swatch(use.pen.ink, colours.get(use.pen.ink, "#888")),
                str(use.pen.id),
                _moment(use.pen.at_ms),
                "yes" if use.pen.id in history.put_in else "no",
                number(sum(one.painted_mm for one in mine) / 1000, 2),
                number(sum(one.down_s for one in mine) / 60, 1),
                number(use.metres, 2),
                number(use.down_s / 60, 1),
                str(left) if left is not None else "",
            ]
        )
    changes = len(history.put_in)
    return [
        table(
            (
                "ink", "pen", "put in", "in this session", "painted here, m", "down here, min", "painted in all, m",
                "down in all, min", "unused, as counted",
            ),
            rows,
            caption=f"{changes} {'pen was' if changes == 1 else 'pens were'} put in during this session",
        )
    ]  # fmt: skip


def _homings(parts: Parts) -> list[str]:
    charts = [chartpage.chart_html(one) for one in parts.charts.get("homing", ())]
    if not parts.data.homings:
        return ["<p>No homing in this session.</p>", *charts]
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
        for row in parts.data.homings
    ]
    titles = ("when", "axis", "touches", "spread, mm", "difference, mm", "verdict", "reason")
    return [*charts, table(titles, rows, words={6}, caption="Homings of this session")]


def _register(parts: Parts) -> list[str]:
    charts = [chartpage.chart_html(one) for one in parts.charts.get("register", ())]
    history = parts.data.history
    lines = history.drift.short if history.drift is not None else ()
    words = "".join(f"<p>{escape(line[:1].upper() + line[1:])}.</p>" for line in lines)
    if parts.data.passes and history.traps_mm is None:
        words += (
            "<p>This job has no traps, or its prepared folder is gone: there is no width to compare with.</p>"
        )
    return [words, *charts] if words or charts else []


def _stops(stops: Sequence[StopRow]) -> list[str]:
    if not stops:
        return ["<p>None: every run ended by itself.</p>"]
    rows = [
        [
            escape(_moment(row.at_ms)),
            escape(row.kind),
            f"<code>{escape(row.code)}</code>" if row.code else "",
            escape(row.words),
            escape(row.remedy)
            + (f" <code>giornata explain {escape(row.code)}</code> says more." if row.code else ""),
        ]
        for row in stops
    ]
    titles = ("when", "what", "code", "words", "what to do")
    return [
        table(titles, rows, words={3, 4}, caption="Stops, pauses and runs that did not end by themselves")
    ]


def _events(data: SessionData) -> list[str]:
    if not data.events:
        return []
    rows = [[escape(_moment(row.at_ms)), escape(row.kind), escape(row.text)] for row in data.events]
    return [table(("when", "what", "words"), rows, words={1, 2}, caption="All events of the journal")]


def _files(files: Sequence[str]) -> list[str]:
    if not files:
        return []
    items = "".join(f'<li><a href="{escape(name)}">{escape(name)}</a></li>' for name in files)
    words = "Beside this page, where it was made: every picture as PNG, every table as CSV, units in the column names."
    return [f'<p>{words}</p><ul class="files">{items}</ul>']


def _moment(unix_ms: int | None) -> str:
    if unix_ms is None:
        return NONE
    return datetime.fromtimestamp(unix_ms / 1000, UTC).astimezone().strftime("%Y-%m-%d %H:%M:%S %Z")
