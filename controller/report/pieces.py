"""What every page is made of: one self-contained HTML document with a small style of its own; no network.

Owns looks and form: tokens (CSS custom properties for light, dark and paper), document, headings, contents, table,
figure, numbers and swatches. What a page says is its own module's.

Colours of data are those of Okabe and Ito (2008), made darker or lighter where the ground asks for it: lines and marks
keep 3 : 1 against their ground and text 4.5 : 1 (WCAG 2.2, 1.4.11 and 1.4.3). Nothing is told by colour alone.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from math import isnan
from typing import Final

NONE = "\u2013"
"""Stands where there is no value."""

LIGHT: Final[Mapping[str, str]] = {
    "ink": "#1d2328",
    "quiet": "#56606a",
    "page": "#fbfaf7",
    "card": "#ffffff",
    "line": "#d9dcd8",
    "edge": "#7d868d",
    "shade": "#eef1f3",
    "link": "#005a8c",
    "warn": "#8a3b00",
    "warn-page": "#fdf0e4",
    "good": "#00694c",
    "blue": "#0072b2",
    "orange": "#b07800",
    "green": "#008f68",
    "vermillion": "#cf5a00",
    "purple": "#b0608c",
    "sky": "#4a9fd0",
    "grey": "#7a7a7a",
}
"""Tokens on a light ground, and on paper: name to colour, ``var(--name)`` on the page."""

DARK: Final[Mapping[str, str]] = {
    "ink": "#e7e5df",
    "quiet": "#a9b1b7",
    "page": "#15181b",
    "card": "#1e2327",
    "line": "#3a4147",
    "edge": "#8b949b",
    "shade": "#272d32",
    "link": "#8cc8f0",
    "warn": "#ffb98a",
    "warn-page": "#33241a",
    "good": "#6fd6b4",
    "blue": "#4aa3df",
    "orange": "#e69f00",
    "green": "#2fc39a",
    "vermillion": "#ff8b4d",
    "purple": "#d58fb6",
    "sky": "#8accf2",
    "grey": "#9a9a9a",
}
"""The same tokens on a dark ground."""

CANVAS_COLOUR = "#faf6ed"
"""Ground of pictures of the canvas: always light, for inks are seen on it as on the wall."""


def _tokens(values: Mapping[str, str]) -> str:
    return " ".join(f"--{name}: {value};" for name, value in values.items())


STYLE = f"""
:root {{ color-scheme: light dark; --canvas: {CANVAS_COLOUR}; --canvas-ink: #1d2328; {_tokens(LIGHT)} }}
@media screen and (prefers-color-scheme: dark) {{ :root {{ {_tokens(DARK)} }} }}
@media print {{ :root {{ color-scheme: light; }} }}
* {{ box-sizing: border-box; }}
html {{ scroll-padding-top: 1rem; -webkit-text-size-adjust: 100%; }}
body {{ margin: 0 auto; max-width: 66rem; padding: 1.2rem clamp(0.8rem, 3vw, 2rem) 4rem; background: var(--page);
  color: var(--ink); font: 16px/1.5 system-ui, sans-serif; }}
h1 {{ font-size: 1.6rem; line-height: 1.2; margin: 0.6rem 0 0.2rem; }}
h2 {{ font-size: 1.15rem; margin: 2.2rem 0 0.6rem; }}
h3 {{ font-size: 1rem; margin: 1.4rem 0 0.4rem; }}
p {{ margin: 0.4rem 0; max-width: 46rem; }}
a {{ color: var(--link); }}
:focus-visible {{ outline: 2px solid var(--link); outline-offset: 2px; }}
.quiet, figcaption {{ color: var(--quiet); font-size: 0.92rem; }}
.hidden {{ position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); white-space: nowrap; }}
.contents {{ margin: 1rem 0; }}
.contents ul {{ display: flex; flex-wrap: wrap; gap: 0.3rem 1.1rem; list-style: none; margin: 0; padding: 0; }}
.contents a {{ display: inline-block; padding: 0.15rem 0; }}
.scroll {{ overflow-x: auto; border: 1px solid var(--line); border-radius: 8px; background: var(--card);
  margin: 0.8rem 0; }}
table {{ border-collapse: collapse; width: 100%; font-size: 0.92rem; font-variant-numeric: tabular-nums; }}
caption {{ text-align: left; padding: 0.5rem 0.7rem 0; color: var(--quiet); position: sticky; left: 0;
  width: min(100%, calc(100vw - 3rem)); }}
th, td {{ padding: 0.4rem 0.7rem; text-align: right; white-space: nowrap; border-bottom: 1px solid var(--line);
  vertical-align: baseline; }}
tr:last-child > * {{ border-bottom: 0; }}
thead tr:last-child > * {{ border-bottom: 1px solid var(--line); }}
th {{ font-weight: 600; color: var(--quiet); vertical-align: bottom; }}
thead th {{ white-space: normal; min-width: 4.6rem; }}
tbody th {{ font-weight: inherit; color: inherit; vertical-align: baseline; }}
tr > :first-child, .words {{ text-align: left; }}
td.words, tbody th.words {{ white-space: normal; min-width: 12rem; }}
tr:target > * {{ background: var(--warn-page); }}
.swatch {{ display: inline-block; width: 0.8em; height: 0.8em; border-radius: 2px; margin-right: 0.45em;
  border: 1px solid var(--edge); vertical-align: -0.05em; }}
figure {{ margin: 1rem 0; }}
figure img {{ display: block; width: 100%; height: auto; background: #ffffff; border: 1px solid var(--line);
  border-radius: 8px; padding: 0.4rem; }}
figcaption {{ margin-top: 0.35rem; max-width: 46rem; }}
.notes {{ background: var(--warn-page); border-left: 4px solid var(--warn); border-radius: 6px;
  padding: 0.6rem 1rem; }}
.notes ul {{ margin: 0.2rem 0; padding-left: 1.2rem; }}
dl {{ display: grid; grid-template-columns: max-content 1fr; gap: 0.15rem 1.2rem; margin: 0.8rem 0; }}
dt {{ color: var(--quiet); }} dd {{ margin: 0; overflow-wrap: anywhere; }}
@media print {{
  @page {{ margin: 14mm 12mm; }}
  body {{ max-width: none; padding: 0; background: none; font-size: 10pt; }}
  .contents, .screen {{ display: none; }}
  .scroll {{ overflow: visible; border: 0; }}
  table {{ font-size: 8pt; }}
  thead {{ display: table-header-group; }}
  th, td {{ white-space: normal; padding: 0.15rem 0.3rem; overflow-wrap: break-word; }}
  td.words, tbody th.words, thead th {{ min-width: 0; }}
  caption {{ position: static; width: auto; padding: 0 0.3rem; }}
  h2, h3 {{ break-after: avoid; }}
  figure, tr {{ break-inside: avoid; }}
  a {{ color: inherit; text-decoration: none; }}
  .swatch {{ print-color-adjust: exact; -webkit-print-color-adjust: exact; }}
}}
"""


def document(title: str, parts: Iterable[str], more_style: str = "", script: str = "") -> str:
    """The whole page; ``parts`` are HTML already, empty ones are left out. ``script``: inline, at the page's end."""
    body = "\n".join(part for part in parts if part)
    tail = f"<script>{script}</script>\n" if script else ""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}{more_style}</style>\n</head>\n"
        f"<body>\n<main>\n{body}\n</main>\n{tail}</body>\n</html>\n"
    )


def heading(words: str, identity: str = "", level: int = 2) -> str:
    """A heading that can be linked to; ``words`` are text."""
    mark = f' id="{escape(identity)}"' if identity else ""
    return f"<h{level}{mark}>{escape(words)}</h{level}>"


def contents(sections: Iterable[tuple[str, str]]) -> str:
    """Links to the page's sections, each (identity, words)."""
    items = "".join(
        f'<li><a href="#{escape(identity)}">{escape(words)}</a></li>' for identity, words in sections
    )
    return f'<nav class="contents" aria-label="On this page"><ul>{items}</ul></nav>'


def facts(rows: Iterable[tuple[str, str]]) -> str:
    """Names and what they are, one under another; the second of each is HTML already."""
    return "<dl>" + "".join(f"<dt>{escape(name)}</dt><dd>{what}</dd>" for name, what in rows) + "</dl>"


def table(
    titles: Iterable[str],
    rows: Iterable[Sequence[str]],
    words: set[int] | None = None,
    caption: str = "",
    identities: Sequence[str] = (),
) -> str:
    """A table that scrolls sideways on a narrow screen; cells are HTML already, in the columns ``words`` they may wrap.

    The first cell of a row is its header. A line break in a title is one on the page; an empty cell shows that there is
    no value. ``caption``: text above it; ``identities``: of the rows, to be linked to.
    """
    chosen, names = words or set(), list(titles)

    def mark(index: int) -> str:
        return ' class="words"' if index in chosen else ""

    def line(place: int, row: Sequence[str]) -> str:
        identity = f' id="{escape(identities[place])}"' if place < len(identities) else ""
        first = f'<th scope="row"{mark(0)}>{row[0] or NONE}</th>' if row else ""
        rest = "".join(f"<td{mark(index)}>{cell or NONE}</td>" for index, cell in enumerate(row) if index)
        return f"<tr{identity}>{first}{rest}</tr>"

    head = "".join(
        f'<th scope="col"{mark(index)}>{escape(name).replace(chr(10), "<br>")}</th>'
        for index, name in enumerate(names)
    )
    lines = "".join(line(place, row) for place, row in enumerate(rows))
    above = f"<caption>{escape(caption)}</caption>" if caption else ""
    label = caption or f"Table: {', '.join(name.replace(chr(10), ' ') for name in names[:3])}"
    # What scrolls must be reachable by keyboard, and then it wants a name.
    return (
        f'<div class="scroll" role="group" tabindex="0" aria-label="{escape(label)}"><table>{above}'
        f"<thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table></div>"
    )


def figure(png: bytes, alternative: str, caption: str) -> str:
    """A picture inside the page; ``caption`` is HTML already."""
    data = base64.b64encode(png).decode("ascii")
    return (
        f'<figure><img alt="{escape(alternative)}" src="data:image/png;base64,{data}">'
        f"<figcaption>{caption}</figcaption></figure>"
    )


def swatch(name: str, colour: str) -> str:
    """A name with its colour before it."""
    return f'<span class="swatch" style="background:{escape(colour)}"></span>{escape(name)}'


def number(value: float | None, digits: int) -> str:
    """A number with so many decimals; a dash for none."""
    return NONE if value is None or isnan(value) else f"{value:,.{digits}f}"
