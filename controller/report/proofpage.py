"""The proof as one self-contained HTML page: pictures, coverage, gaps, passes, what is left out. No network, no script.

Owns the page's words and looks; gets figures and pictures ready-made.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from controller.report.coverage import InkCoverage
from controller.report.pieces import document, figure, number, swatch, table
from controller.report.proofpaint import CHORD_ERROR_MM
from controller.session.prepared import SkippedElement

SKIPPED_SHOWN = 200
"""Elements listed one by one; the rest are counted."""

_STYLE = """
.passes { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 19rem), 1fr)); gap: 0.4rem 1.2rem; }
.passes figure { margin: 0.5rem 0; }
.key { display: inline-block; width: 0.9em; height: 0.9em; border-radius: 2px; vertical-align: -0.1em;
  margin: 0 0.3em 0 0.8em; border: 1px solid var(--line); }
.key:first-child { margin-left: 0; }
th { white-space: normal; }
details { margin: 0.4rem 0; } summary { cursor: pointer; padding: 0.4rem 0; }
a { color: inherit; }
"""

_KIND_WORDS: Final[dict[str, str]] = {
    "left out": "not painted",
    "changed": "painted otherwise than drawn",
    "unseen": "not seen in the drawing either",
}


@dataclass(frozen=True, slots=True)
class PassLine:
    """One row of the table of passes; ``file``: name of its pictures without ending."""

    name: str
    ink: str
    colour: str
    strokes: int
    metres: float
    minutes: float
    width_mm: tuple[float, float]
    file: str
    picture: bytes


@dataclass(frozen=True, slots=True)
class GapLine:
    """Canvas that one ink may leave bare: places and their area in mm2."""

    ink: str
    colour: str
    places: int
    area_mm2: float


@dataclass(frozen=True, slots=True)
class GapPart:
    """The page's part on gaps. ``lines`` by ink; area_mm2: least and most of all together.

    picture: PNG; None where fewer than two inks have flats or bands, so that no gap can open.
    """

    error_mm: float
    lines: tuple[GapLine, ...]
    area_mm2: tuple[float, float]
    picture: bytes | None

    @property
    def words(self) -> str:
        """What was found, in a sentence."""
        least, most = self.area_mm2
        if self.picture is None:
            return "Gaps are looked for between inks that paint flats or bands; fewer than two inks of this job do."
        if not most:
            return f"No canvas shows while one ink lies within {self.error_mm:g} mm of the others."
        return (
            f"With one ink off by up to {self.error_mm:g} mm in any direction, canvas may show on "
            f"{least:,.1f} to {most:,.1f} mm²."
        )


@dataclass(frozen=True, slots=True)
class ProofPage:
    """All that the page shows."""

    job: str
    machine: str
    size_mm: tuple[float, float]
    pixels: tuple[int, int]
    px_per_mm: float
    colours: tuple[str, str, str]
    """Of the picture of differences: as wanted, beside it, bare."""
    passes: tuple[PassLine, ...]
    coverage: tuple[InkCoverage, ...]
    skipped: tuple[SkippedElement, ...]
    whole: bytes
    differences: bytes
    gaps: GapPart | None


def proof_page(page: ProofPage) -> str:
    """The whole page."""
    title = f"Proof of {page.job}"
    parts = [
        f"<h1>{escape(title)}</h1>",
        _heading(page),
        "<h2>Predicted picture</h2>",
        figure(
            page.whole,
            "The picture as it will be painted, all passes over each other",
            'At true scale: <a href="picture.png">picture.png</a>, '
            f"{page.pixels[0]} &times; {page.pixels[1]} pixels, {page.px_per_mm:.4g} a millimetre; "
            '<a href="picture.svg">picture.svg</a>, in millimetres, every stroke a little transparent.',
        ),
        "<h2>Coverage</h2>",
        _coverage(page.coverage),
        _differences(page),
        "<h2>Gaps between inks</h2>",
        _gaps(page.gaps),
        f"<h2>Passes</h2>{_passes(page.passes)}",
        _pass_pictures(page.passes),
        "<h2>Not painted, or not as drawn</h2>",
        _skipped(page.skipped),
    ]
    return document(title, parts, _STYLE)


def _heading(page: ProofPage) -> str:
    metres = sum(one.metres for one in page.passes)
    minutes = sum(one.minutes for one in page.passes)
    inks = len({one.ink for one in page.passes})
    rows = [
        ("machine", escape(page.machine)),
        ("picture", f"{page.size_mm[0]:,.0f} &times; {page.size_mm[1]:,.0f} mm"),
        ("passes", f"{len(page.passes)}, of {inks} inks"),
        ("painted", f"{metres:,.1f} m"),
        ("time", f"{_duration(minutes)} without breaks"),
    ]
    return "<dl>" + "".join(f"<dt>{a}</dt><dd>{b}</dd>" for a, b in rows) + "</dl>"


def _duration(minutes: float) -> str:
    whole = round(minutes)
    return f"{whole // 60} h {whole % 60:02d} min" if whole >= 60 else f"{minutes:.1f} min"


def _coverage(rows: Sequence[InkCoverage]) -> str:
    titles = (
        "ink", "wanted, mm²", "covered, %", "bare, mm²", "beside it, mm²", "error up to, mm²",
        "covered by pixels, %", "beside it by pixels, mm²",
    )  # fmt: skip
    cells = [
        [
            swatch(one.ink, one.colour),
            number(one.exact.wanted_mm2, 0),
            number(100.0 * one.exact.share, 3),
            number(one.exact.bare_mm2, 1),
            number(one.exact.outside_mm2, 1),
            number(one.exact.error_mm2, 1),
            number(100.0 * one.raster.share, 2),
            number(one.raster.outside_mm2, 0),
        ]
        for one in rows
    ]
    pixel = f" of {rows[0].pixel_mm:.3g} mm" if rows else ""
    words = (
        "Wanted: what the drawing and its techniques ask of an ink, traps and second layers of dots included. Covered "
        "and beside it: the strokes, each as wide as its tip by then, united and cut with what is wanted. A round tip "
        "leaves sharp corners bare; a line is wanted as wide as a new tip, so a worn one paints beside it. Round "
        f"edges are polygons within {CHORD_ERROR_MM * 1000:.0f} µm, from which comes the bound on errors. Last two "
        f"columns: the same strokes and areas drawn and counted in pixels{pixel}, as a check."
    )
    return table(titles, cells) + f'<p class="quiet">{words}</p>'


def _differences(page: ProofPage) -> str:
    keys = zip(page.colours, ("as wanted", "paint beside it", "bare"), strict=True)
    legend = "".join(
        f'<span class="key" style="background:{colour}"></span>{words}' for colour, words in keys
    )
    return figure(
        page.differences,
        "Where painted and wanted agree, where paint lies beside what is wanted and where it stays bare",
        f"{legend}. Single pixels are drawn larger than they are; all of them at true scale in "
        '<a href="differences.png">differences.png</a>. Bare: some ink is wanted, and none is painted.',
    )


def _gaps(part: GapPart | None) -> str:
    if part is None:
        return (
            "<p>Not asked for: <code>--register-error MM</code> shows where canvas may show when one ink lies so far "
            "off.</p>"
        )
    if part.picture is None:
        return f"<p>{part.words}</p>"
    text = f"<p>{part.words} Outer edges, where ink borders on bare canvas, are not counted.</p>"
    cells = [
        [swatch(one.ink, one.colour), str(one.places), number(one.area_mm2, 2)]
        for one in part.lines
        if one.places
    ]
    places = table(("left bare by", "places", "up to, mm²"), cells) if cells else ""
    caption = 'The same picture: <a href="gaps.png">gaps.png</a>.'
    return text + places + figure(part.picture, "Map of the places where canvas may show", caption)


def _passes(passes: Sequence[PassLine]) -> str:
    titles = ("pass", "ink", "strokes", "painted, m", "minutes", "tip, mm", "true scale")
    cells = [
        [
            swatch(one.name, one.colour),
            escape(one.ink),
            f"{one.strokes:,}",
            number(one.metres, 1),
            number(one.minutes, 1),
            _widths(one.width_mm),
            f'<a href="passes/{escape(one.file)}.png">PNG</a> <a href="passes/{escape(one.file)}.svg">SVG</a>',
        ]
        for one in passes
    ]
    return table(titles, cells)


def _widths(width_mm: tuple[float, float]) -> str:
    begin, end = (f"{one:.2f}" for one in width_mm)
    return begin if begin == end else f"{begin} to {end}"


def _pass_pictures(passes: Sequence[PassLine]) -> str:
    figures = "".join(
        figure(
            one.picture,
            f"What pass {one.name} paints, over what was painted before in grey",
            f"{place}. {escape(one.name)}",
        )
        for place, one in enumerate(passes, 1)
    )
    return f'<p class="quiet">In grey: what was painted before.</p><div class="passes">{figures}</div>'


def _skipped(skipped: Sequence[SkippedElement]) -> str:
    if not skipped:
        return "<p>Nothing: all of the drawing is painted as drawn.</p>"
    counts = Counter[str](one.kind for one in skipped)
    sums = ", ".join(f"{counts[kind]:,} {words}" for kind, words in _KIND_WORDS.items() if counts[kind])
    cells = [
        [escape(one.element_id), escape(one.what), escape(one.why), _KIND_WORDS[one.kind]]
        for one in skipped[:SKIPPED_SHOWN]
    ]
    more = len(skipped) - SKIPPED_SHOWN
    rest = f'<p class="quiet">and {more:,} more: giornata check lists all.</p>' if more > 0 else ""
    everything = table(("element", "what", "why", "so it is"), cells, words={0, 2, 3})
    return f"<p>{sums[0].upper()}{sums[1:]}.</p><details><summary>All of them</summary>{everything}{rest}</details>"
