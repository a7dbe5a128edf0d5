"""The pages of comparisons and trends in Chromium: on a phone and on a desk, dark and light."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from controller.config.load import load_machine
from controller.config.places import StateDir, shipped
from controller.report.compare import compare
from controller.report.comparepage import write_sessions
from controller.report.compareread import read_session
from controller.report.trend import trends
from controller.report.trendpage import write_trends
from controller.report.trendread import read_trend
from tests.fakes.browser import browser, needs_chromium, serious_findings, sideways_px, visit
from tests.report.comparedays import MACHINE, Day, make_days

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = needs_chromium

CORNERS = ((0.3, 0.4), (0.3, 0.4), (0.3, 0.4), (0.9, 0.4))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two pages in one folder; that of machine files has tables only, of the same making."""
    folder = tmp_path_factory.mktemp("pages")
    root = make_days(
        folder / "state", [Day(seed=n, late_us=60.0 + 60.0 * n, marks=CORNERS) for n in range(2)]
    )
    write_sessions(folder / "sessions.html", compare(read_session(root, 1), read_session(root, 2)))
    write_trends(
        folder / "trend.html", trends(read_trend(load_machine(shipped(MACHINE)), StateDir(root), None))
    )
    return folder


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as one:
        yield one


@pytest.mark.parametrize(("name", "width", "dark"), [("sessions", 390, True), ("trend", 1280, False)])
def test_pages_fit_and_are_accessible(chromium, pages, name, width, dark):
    """Nothing is asked of a network or complained of, the page does not scroll sideways, axe finds nothing grave."""
    with visit(chromium, width=width, dark=dark) as look:
        look.page.goto((pages / f"{name}.html").as_uri())
        assert look.complaints == []
        assert sideways_px(look.page) == 0
        assert serious_findings(look.page) == []
        assert look.page.locator("h1").count() == 1
