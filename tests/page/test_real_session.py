"""The page beside a real session: processes of their own, real time, the simulated gantry, and Chromium."""

from __future__ import annotations

import os
import re
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from safety import latch
from tests.fakes.browser import browser, needs_chromium, shows, visit
from tests.faults.conftest import EDITS, SVG
from tests.faults.sessionsite import Site
from tests.faults.test_session_faults import _stands_after
from tests.faults.waves import write_scene

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = [needs_chromium, pytest.mark.campaign]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """One for all tests here."""
    with browser() as one:
        yield one


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """A homed machine with a job of a long stroke between two short ones."""
    write_scene(tmp_path, SVG, edits=EDITS)
    site = Site(tmp_path)
    try:
        homing = site.start("home", "--virtual", "--yes")
        _, said = homing.communicate(timeout=300)
        assert homing.returncode == 0, said
        yield site
    finally:
        site.end()


def _page(site: Site) -> str:
    """Start the page; its address, as it prints it."""
    page = site.start("page", "--port", "0")
    assert page.stdout is not None
    line = page.stdout.readline().decode()
    (url,) = re.findall(r"http://127\.0\.0\.1:\d+/", line)
    return str(url)


@pytest.mark.parametrize("service", ["works", "hangs"])
def test_the_button_stops_a_machine_in_motion(site: Site, chromium: Browser, service: str) -> None:
    """In the middle of a stroke, also while the service is stopped (SIGSTOP) and the page shows its state as unknown:
    the guard latches, and both axes come to rest by the gantry's own record."""
    url = _page(site)
    painting = site.start("paint", str(site.job), "--yes")
    with visit(chromium, width=390, height=844) as look:
        page = look.page
        page.goto(url)
        shows(page, "document.body.dataset.state === 'painting'")
        # The first of the three strokes is painted, and the long one is under way.
        shows(page, "document.getElementById('picture').dataset.done === '1'")
        shows(page, "!document.getElementById('head').hidden")
        assert "of motion in this run" in page.inner_text("#facts")
        site.until("the long stroke", lambda: site.status()["ticks"] - site.status()["ticks_sent"] < 1900)
        if service == "hangs":
            os.kill(painting.pid, signal.SIGSTOP)
            shows(page, "document.body.dataset.link === 'unknown'")
        assert latch.read(site.state.latch) is None
        asked_ns = time.monotonic_ns()
        page.get_by_role("button", name="Stop the machine").click()
        shows(page, "document.getElementById('answer').dataset.kind === 'done'")
        if service == "hangs":
            os.kill(painting.pid, signal.SIGCONT)
        _, said = painting.communicate(timeout=60)
        assert painting.returncode == 4, said
        _stands_after(site, asked_ns)
        standing = latch.read(site.state.latch)
        assert standing is not None
        assert standing.reason == "stop-asked"
        assert "live page" in standing.text
        # The session is over; what stands is the latch, and the page says so without a service.
        shows(page, "document.body.dataset.link === 'none'")
        shows(page, "document.getElementById('alerts').textContent.includes('Standstill proved')")
        page.get_by_role("button", name="Stop the machine").click()
        shows(page, "document.getElementById('answer').dataset.kind === 'failed'")
        assert "No guard answers" in page.inner_text("#answer")
        assert look.complaints in ([], [one for one in look.complaints if "503" in one])


def test_the_page_dies_and_nothing_else_does(site: Site, chromium: Browser) -> None:
    """SIGKILL of the page in the middle of a pass: the pass goes on to its end, and a page started again shows it."""
    url = _page(site)
    page_process = site.children[-1]
    painting = site.start("paint", str(site.job), "--yes")
    with visit(chromium) as look:
        look.page.goto(url)
        shows(look.page, "document.getElementById('picture').dataset.done === '1'")
        page_process.kill()
        page_process.communicate(timeout=60)
        shows(look.page, "document.body.dataset.link === 'unknown'")
        _, said = painting.communicate(timeout=120)
        assert painting.returncode == 0, said
        assert latch.read(site.state.latch) is None
        look.page.goto(_page(site))
        shows(look.page, "document.getElementById('picture').dataset.done === '3'")


def test_the_page_ends_by_a_signal(site: Site) -> None:
    """SIGTERM and SIGINT: exit code 0, with a browser connected or not, and nothing on standard error."""
    for number in (signal.SIGTERM, signal.SIGINT):
        _page(site)
        page = site.children[-1]
        page.send_signal(number)
        _, said = page.communicate(timeout=60)
        assert (page.returncode, said) == (0, b"")
