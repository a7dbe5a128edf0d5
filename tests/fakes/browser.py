"""Chromium for tests that look at pages: found, launched, kept off the network, and asked what it thinks of a page.

Owns the browser's life and its rules: nothing but 127.0.0.1 and files is reached, nothing is downloaded, what a page
complains of is kept. Where no Chromium is installed, ``needs_chromium`` skips and says so.

One browser a module, in a fixture of module scope::

    pytestmark = needs_chromium

    @pytest.fixture(scope="module")
    def chromium() -> Iterator[Browser]:
        with browser() as one:
            yield one

    def test_it_loads(chromium: Browser) -> None:
        with visit(chromium, width=390) as look:
            look.page.goto(report.as_uri())
            assert look.complaints == []
            assert sideways_px(look.page) == 0
            assert serious_findings(look.page) == []

Playwright's synchronous interface keeps an event loop in its thread: a module with such a fixture has no ``async``
tests, and calls no ``asyncio.run`` in the test's own thread.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Route

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
SWITCHES = (
    "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)  # fmt: skip
"""No sandbox: tests may run as root, on pages of our own only. No name is resolved."""
PATIENCE_S = 60.0
GRAVE = frozenset({"serious", "critical"})
"""The two higher of axe's four grades of impact."""


def chromium_path() -> str | None:
    """The system's Chromium, None where there is none."""
    return next((path for name in NAMES if (path := shutil.which(name)) is not None), None)


needs_chromium = pytest.mark.skipif(
    chromium_path() is None, reason=f"no Chromium is installed (looked for {', '.join(NAMES)})"
)


def is_allowed(url: str) -> bool:
    """Whether a page under test may ask for this: files, what is in the page itself, and 127.0.0.1."""
    parts = urlsplit(url)
    return parts.scheme in ("file", "data", "blob", "about") or parts.hostname == "127.0.0.1"


@dataclass(slots=True)
class Visit:
    """One look at pages, in a context of its own. ``complaints``: errors and warnings of the console, exceptions of
    scripts, requests that left the machine (they were blocked)."""

    page: Page
    complaints: list[str] = field(default_factory=list)


@contextmanager
def browser() -> Iterator[Browser]:
    """A headless Chromium; closed at the end. Skips the test where none is installed."""
    from playwright.sync_api import sync_playwright

    path = chromium_path()
    if path is None:
        pytest.skip("no Chromium is installed")
    with sync_playwright() as tools:
        one = tools.chromium.launch(executable_path=path, args=list(SWITCHES))
        try:
            yield one
        finally:
            one.close()


@contextmanager
def visit(
    one: Browser, *, width: int = 1280, height: int = 900, dark: bool = False, **more: Any
) -> Iterator[Visit]:
    """A page of a context of its own, so wide and high (CSS px), dark or light. ``more``: further settings of
    Playwright's ``new_context``."""
    context = one.new_context(
        viewport={"width": width, "height": height}, color_scheme="dark" if dark else "light", **more
    )
    try:
        look = Visit(context.new_page())

        def let_through(route: Route) -> None:
            if is_allowed(route.request.url):
                route.continue_()
            else:
                look.complaints.append(f"blocked: {route.request.url}")
                route.abort()

        context.route(lambda url: not is_allowed(url), let_through)
        look.page.on(
            "console",
            lambda said: (
                look.complaints.append(f"{said.type}: {said.text}")
                if said.type in ("error", "warning")
                else None
            ),
        )
        look.page.on("pageerror", lambda error: look.complaints.append(f"exception: {error}"))
        yield look
    finally:
        context.close()


def sideways_px(page: Page) -> int:
    """How far the page as a whole can be scrolled sideways, in CSS px; 0 as it should be."""
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


def shows(page: Page, script: str) -> None:
    """Wait until a script's value is true, over a change of page too; the bound only ends a failing test. Asked from
    outside, since a page whose policy forbids eval cannot be asked to wait by itself."""
    from playwright.sync_api import Error

    end_s = time.monotonic() + PATIENCE_S
    while True:
        try:
            if page.evaluate(script):
                return
        except Error as error:
            if "context was destroyed" not in error.message:
                raise
        assert time.monotonic() < end_s, f"it never came to hold: {script}"
        page.wait_for_timeout(50)


def serious_findings(page: Page) -> list[str]:
    """What axe-core finds of grade serious or critical: rule, what it is about, and where."""
    from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]

    found = Axe().run(page).response["violations"]
    return [
        f"{one['id']} ({one['impact']}): {one['help']}: {node['html']}"
        for one in found
        if one["impact"] in GRAVE
        for node in one["nodes"]
    ]
