"""The shared look: colours that can be read, tables that say what their cells are."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from controller.report.pieces import CANVAS_COLOUR, DARK, LIGHT, STYLE, contents, document, table


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2, definition of relative luminance)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2, definition of contrast ratio)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_wcags() -> None:
    """Black on white is 21 : 1, and #767676 on white is the grey that just reaches 4.5 : 1 (WCAG's own examples)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("tokens", [LIGHT, DARK], ids=["light", "dark"])
def test_text_can_be_read(tokens) -> None:
    """Every colour of text keeps 4.5 : 1 on every ground that it stands on (WCAG 2.2, 1.4.3)."""
    for ground in ("page", "card", "shade"):
        for text in ("ink", "quiet", "link", "warn", "good"):
            assert contrast(tokens[text], tokens[ground]) >= 4.5, (text, ground)
    assert contrast(tokens["ink"], tokens["warn-page"]) >= 4.5
    assert contrast(tokens["warn"], tokens["warn-page"]) >= 4.5
    assert contrast(tokens["link"], tokens["warn-page"]) >= 4.5
    assert contrast("#1d2328", CANVAS_COLOUR) >= 4.5


@pytest.mark.parametrize("tokens", [LIGHT, DARK], ids=["light", "dark"])
def test_lines_and_marks_can_be_seen(tokens) -> None:
    """Colours of data keep 3 : 1 against cards and page (WCAG 2.2, 1.4.11)."""
    for name in ("blue", "orange", "green", "vermillion", "purple", "grey", "edge"):
        for ground in ("page", "card"):
            assert contrast(tokens[name], tokens[ground]) >= 3.0, (name, ground)


def test_both_grounds_have_every_token() -> None:
    """What is named on a light ground is named on a dark one, and every variable that the style uses exists."""
    assert set(LIGHT) == set(DARK)
    assert set(re.findall(r"var\(--([a-z-]+)\)", STYLE)) <= {*LIGHT, "canvas", "canvas-ink"}


class Cells(HTMLParser):
    """Header cells with their scope, and what scrolls with its name."""

    def __init__(self) -> None:
        super().__init__()
        self.scopes: list[str | None] = []
        self.scrolling: list[dict[str, str | None]] = []
        self.rows: list[str | None] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note header cells, rows and scrolling boxes."""
        values = dict(attrs)
        if tag == "th":
            self.scopes.append(values.get("scope"))
        if tag == "tr":
            self.rows.append(values.get("id"))
        if values.get("class") == "scroll":
            self.scrolling.append(values)


def test_tables_say_what_their_cells_are() -> None:
    """Column and row headers carry their scope; a table that scrolls is reached by keyboard and has a name."""
    cells = Cells()
    cells.feed(
        table(("ink", "metres"), [("moon", "1.2"), ("teal", "")], caption="Inks", identities=("a", "b"))
    )
    assert cells.scopes == ["col", "col", "row", "row"]
    assert cells.rows == [None, "a", "b"]
    assert cells.scrolling[0]["tabindex"] == "0"
    assert cells.scrolling[0]["aria-label"] == "Inks"


def test_document_has_one_main_part_and_escapes_its_title() -> None:
    """The title is text; the parts stand in the page's main landmark, the script after it."""
    page = document("a < b", ["<p>x</p>", "", contents([("one", "One & all")])], script="let a = 1;")
    assert "<title>a &lt; b</title>" in page
    assert page.count("<main>") == page.count("</main>") == 1
    assert page.index("</main>") < page.index("<script>let a = 1;</script>")
    assert '<a href="#one">One &amp; all</a>' in page
    assert "<script" not in document("t", [])
