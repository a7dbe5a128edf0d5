"""The report in headless Chromium: read on a phone and on a desk, in dark and light, printed, followed by its links."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from controller.report.build import charts_of, evidence_of, page_of, summarise
from tests.fakes.browser import browser, needs_chromium, serious_findings, sideways_px, visit

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = needs_chromium


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as one:
        yield one


@pytest.fixture(scope="module")
def report(made, tmp_path_factory) -> Path:
    """The page as it is written; pictures that are PNG alone are looked at in test_report_page.py."""
    evidence = evidence_of(summarise(made.root, made.session))
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(page_of(evidence, charts_of(evidence)), encoding="utf-8")
    return path


@pytest.mark.parametrize(("width", "dark"), [(390, True), (1280, False)])
def test_it_fits_and_axe_has_nothing_serious(chromium, report, width, dark):
    """At phone and desk width, dark and light: no sideways scrolling, no complaint, no serious finding of axe."""
    with visit(chromium, width=width, dark=dark) as look:
        look.page.goto(report.as_uri())
        assert look.complaints == []
        assert sideways_px(look.page) == 0
        assert serious_findings(look.page) == []
        text_px = look.page.evaluate(
            "Math.min(...[...document.querySelectorAll('.yt, .xt, .rl, td, figcaption')]"
            ".map(one => parseFloat(getComputedStyle(one).fontSize)))"
        )
        assert text_px >= 12.0


def test_links_are_followed_both_ways(chromium, report):
    """A peak leads to its stroke, which stands out and tells its numbers; the stroke to its column of the plots."""
    with visit(chromium, width=1280) as look:
        page = look.page
        page.goto(report.as_uri())
        page.locator("a.peak").first.click()
        stroke = page.evaluate("location.hash")
        assert stroke.startswith("#s-1-")
        assert "following error up to" in page.locator("#told").inner_text()
        path = page.locator(f"{stroke} path")
        assert path.evaluate("one => getComputedStyle(one).stroke") == "rgb(213, 94, 0)"
        page.locator(f"a{stroke}").evaluate(
            "one => one.dispatchEvent(new MouseEvent('click', {bubbles: true}))"
        )
        column = page.evaluate("location.hash")
        assert column.startswith("#t-")
        assert page.locator(f"{column} rect").evaluate("one => getComputedStyle(one).fillOpacity") == "0.3"
        assert look.complaints == []


def test_it_makes_sense_without_script(chromium, report):
    """With scripts off the same links lead the same ways, and every number of the tables is there."""
    with visit(chromium, width=390, java_script_enabled=False) as look:
        look.page.goto(report.as_uri())
        href = look.page.locator("a.peak").first.get_attribute("href")
        assert look.page.locator(f"a{href}").count() == 1
        assert look.page.locator("#errors, #pens, #homing, #register, #stops, #picture").count() == 6
        assert "p99.9" in look.page.inner_text("main")


def test_printed_tables_are_not_clipped(chromium, report):
    """On paper no table scrolls: every cell lies within the page's width."""
    with visit(chromium, width=720) as look:
        look.page.goto(report.as_uri())
        look.page.emulate_media(media="print")
        beyond = look.page.evaluate(
            "[...document.querySelectorAll('th, td')].filter("
            "one => one.getBoundingClientRect().right > document.documentElement.clientWidth + 1).length"
        )
        assert beyond == 0
        assert look.page.locator("nav.contents").is_hidden()
