"""What every page is made of: one self-contained HTML document with a small style of its own; no network, no script.

Owns looks and form: document, table, figure, numbers and swatches. What a page says is its own module's.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape
from math import isnan

NONE = "\u2013"
"""Stands where there is no value."""

STYLE = """
:root { color-scheme: light dark; --ink: #1d2328; --quiet: #5d6770; --page: #fbfaf7; --card: #ffffff;
  --line: #d9dcd8; --warn: #8a3b00; --warn-page: #fdf0e4; }
@media (prefers-color-scheme: dark) { :root { --ink: #e7e5df; --quiet: #a3abb1; --page: #15181b; --card: #1e2327;
  --line: #3a4147; --warn: #ffb98a; --warn-page: #33241a; } }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 66rem; padding: 1.2rem clamp(0.8rem, 3vw, 2rem) 4rem; background: var(--page);
  color: var(--ink); font: 16px/1.5 system-ui, sans-serif; }
h1 { font-size: 1.6rem; line-height: 1.2; margin: 0.6rem 0 0.2rem; }
h2 { font-size: 1.15rem; margin: 2.2rem 0 0.6rem; }
p { margin: 0.4rem 0; max-width: 46rem; }
.quiet, figcaption { color: var(--quiet); font-size: 0.92rem; }
.scroll { overflow-x: auto; border: 1px solid var(--line); border-radius: 8px; background: var(--card); }
table { border-collapse: collapse; width: 100%; font-size: 0.92rem; font-variant-numeric: tabular-nums; }
th, td { padding: 0.4rem 0.7rem; text-align: right; white-space: nowrap; border-bottom: 1px solid var(--line); }
tr:last-child td { border-bottom: 0; }
th { font-weight: 600; color: var(--quiet); vertical-align: bottom; }
th:first-child, td:first-child, .words { text-align: left; }
td.words { white-space: normal; min-width: 12rem; }
.swatch { display: inline-block; width: 0.8em; height: 0.8em; border-radius: 2px; margin-right: 0.45em;
  border: 1px solid var(--line); vertical-align: -0.05em; }
figure { margin: 1rem 0; }
figure img { display: block; width: 100%; height: auto; background: #ffffff; border: 1px solid var(--line);
  border-radius: 8px; padding: 0.4rem; }
figcaption { margin-top: 0.35rem; }
.notes { background: var(--warn-page); border-left: 4px solid var(--warn); border-radius: 6px;
  padding: 0.6rem 1rem; }
.notes ul { margin: 0.2rem 0; padding-left: 1.2rem; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: 0.15rem 1.2rem; margin: 0.8rem 0; }
dt { color: var(--quiet); } dd { margin: 0; }
@media print { body { max-width: none; } figure { break-inside: avoid; } }
"""


def document(title: str, parts: Iterable[str], more_style: str = "") -> str:
    """The whole page; ``parts`` are HTML already, empty ones are left out."""
    body = "\n".join(part for part in parts if part)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}{more_style}</style>\n</head>\n"
        f"<body>\n{body}\n</body>\n</html>\n"
    )


def table(titles: Iterable[str], rows: Iterable[Sequence[str]], words: set[int] | None = None) -> str:
    """A table that scrolls sideways on a narrow screen; cells are HTML already, in the columns ``words`` they may wrap.

    A line break in a title is one on the page; an empty cell shows that there is no value.
    """
    chosen = words or set()

    def mark(index: int) -> str:
        return ' class="words"' if index in chosen else ""

    head = "".join(
        f"<th{mark(index)}>{escape(title).replace(chr(10), '<br>')}</th>"
        for index, title in enumerate(titles)
    )
    lines = "".join(
        "<tr>" + "".join(f"<td{mark(index)}>{cell or NONE}</td>" for index, cell in enumerate(row)) + "</tr>"
        for row in rows
    )
    return f'<div class="scroll"><table><thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table></div>'


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
