"""The site as somebody sees it: on a phone and on a desk, light and dark, with the rules of axe, from a folder."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from tests.docs.conftest import Site
from tests.fakes.browser import browser, needs_chromium, serious_findings, sideways_px, visit

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = [needs_chromium, pytest.mark.campaign]

PAGES = ("index", "getting-started", "machine-file", "timing", "decisions/index", "contributing/architecture",
         "contributing/one-dot", "configs/machines/template-slcan.toml")  # fmt: skip


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """One browser for all looks."""
    with browser() as one:
        yield one


@pytest.mark.parametrize(("width", "dark"), [(390, False), (390, True), (1280, False), (1280, True)])
def test_pages_can_be_read(site: Site, chromium: Browser, width: int, dark: bool) -> None:
    """Nothing of axe's two higher grades, no scrolling sideways, no complaint, nothing asked of the network."""
    for name in PAGES:
        with visit(chromium, width=width, dark=dark) as look:
            look.page.goto((site.folder / f"{name}.html").as_uri())
            assert look.complaints == [], name
            assert sideways_px(look.page) == 0, name
            assert serious_findings(look.page) == [], name


def test_the_menu_is_closed_on_a_phone_and_opens(site: Site, chromium: Browser) -> None:
    """On a narrow screen the text comes first; the list of pages opens when asked and leads on."""
    with visit(chromium, width=390) as look:
        look.page.goto((site.folder / "index.html").as_uri())
        link = look.page.locator("nav.pages").get_by_role("link", name="Getting started")
        assert not link.is_visible()
        look.page.get_by_text("All pages").click()
        assert link.is_visible()
        link.click()
        assert look.page.title().startswith("Getting started")
