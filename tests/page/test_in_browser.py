"""The live page in Chromium: what it shows, when it shows nothing, and that its button stops."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from controller.page.access import Access
from controller.page.html import CAUTION
from safety import latch
from tests.fakes.browser import browser, needs_chromium, serious_findings, shows, sideways_px, visit

from .conftest import WAVES, Scene, Served, Told, guarding, paged

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Route

pytestmark = needs_chromium

BUTTON_PX = 48
"""Smaller is hard to hit with a thumb (WCAG 2.2, 2.5.5: 44 CSS px at level AAA)."""
CONNECTIONS = 6
"""So many does Chromium hold to one address over HTTP/1.1 (from memory)."""
TEAL = (0x1F, 0x7A, 0x78)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """One for all tests here."""
    with browser() as one:
        yield one


@pytest.fixture
def served(scene: Scene) -> Iterator[Served]:
    """A service that paints the second pass, by its word and by the journal."""
    scene.begin()
    scene.paint(0)
    part = scene.prepared.part("teal-2").model_dump(mode="json")
    one = Served(
        scene.state.control_socket,
        Told(**{"pass": part, "strokes": 4, "strokes_finished": 1, "what": "teal-2"}),
    )
    one.told.followers.tell({"event": "note", "text": "the tide is out"})
    yield one
    one.close()


def text(page: Page, name: str) -> str:
    """Text of an element by its id."""
    return page.inner_text(f"#{name}")


def colour_at(page: Page, place_mm: tuple[float, float]) -> tuple[int, int, int, int]:
    """What is drawn at a place of the canvas: the mean of the few pixels around it, RGBA."""
    return tuple(
        page.evaluate(
            """async ([x, y]) => {
                const canvas = document.getElementById("picture");
                const key = performance.getEntriesByType("resource").map((one) => one.name)
                    .filter((name) => name.includes("/picture/")).at(-1);
                const buffer = await (await fetch(key)).arrayBuffer();
                const length = new DataView(buffer).getUint32(0, true);
                const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
                const scale = canvas.width / header.size[0] / header.grid_mm;
                const at = [x, y].map((one, axis) => Math.round((one - header.origin_mm[axis]) * scale));
                const copy = new OffscreenCanvas(3, 3).getContext("2d");
                copy.drawImage(canvas, at[0] - 1, at[1] - 1, 3, 3, 0, 0, 3, 3);
                const data = copy.getImageData(0, 0, 3, 3).data;
                return [0, 1, 2, 3].map((part) => {
                    let sum = 0;
                    for (let i = part; i < data.length; i += 4) sum += data[i];
                    return Math.round(sum / 9);
                });
            }""",
            list(place_mm),
        )
    )


def is_painted(page: Page, row: int) -> bool:
    """Whether a wave is drawn as wide as its tip, in its ink."""
    x, y = WAVES[row][30]
    *rgb, alpha = colour_at(page, (float(x), float(y)))
    return alpha > 250 and max(abs(a - b) for a, b in zip(rgb, TEAL, strict=True)) < 6


def test_it_shows_paints_on_and_stops(chromium: Browser, scene: Scene, served: Served) -> None:
    """At the width of a phone: state, picture and facts come; strokes are painted as they are finished; the button
    latches at the guard; nothing is complained of, nothing scrolls sideways, and axe finds nothing serious."""
    with guarding(scene.state), paged(scene) as url, visit(chromium, width=390, height=844) as look:
        page = look.page
        page.goto(url)
        shows(page, "document.getElementById('picture').dataset.done === '1'")
        shows(page, "document.body.dataset.state === 'painting'")
        assert is_painted(page, 0)
        assert not is_painted(page, 1)
        assert "session 3: teal-2" in text(page, "doing")
        assert "1 of 4 strokes" in text(page, "facts")
        assert "the tide is out" in text(page, "events")
        assert text(page, "caution") == CAUTION
        assert page.title().startswith("painting")
        scene.paint(1, 2)
        served.tell({"event": "advanced", "ticks": 500, "ticks_total": 1000, "strokes": 3, "run_strokes": 3,
                     "head_down": True}, strokes_finished=3)  # fmt: skip
        shows(page, "document.getElementById('picture').dataset.done === '3'")
        shows(page, "document.getElementById('facts').textContent.includes('3 of 4 strokes')")
        assert (is_painted(page, 1), is_painted(page, 2), is_painted(page, 3)) == (True, True, False)
        button = page.get_by_role("button", name="Stop the machine")
        box = button.bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= BUTTON_PX
        # Within reach without scrolling.
        assert box["y"] + box["height"] <= 844
        assert sideways_px(page) == 0
        assert serious_findings(page) == []
        assert latch.read(scene.state.latch) is None
        button.dblclick()
        shows(page, "document.getElementById('answer').dataset.kind === 'done'")
        assert "the latch stands (stop-asked)" in text(page, "answer")
        standing = latch.read(scene.state.latch)
        assert standing is not None
        assert standing.reason == "stop-asked"
        shows(page, "document.getElementById('alerts').textContent.includes('Stopped and latched')")
        assert look.complaints == []


@pytest.mark.campaign
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [320, 390, 768, 1280])
def test_widths_and_schemes(chromium: Browser, scene: Scene, served: Served, width: int, dark: bool) -> None:
    """Dark and light, from the narrowest phone to a desk, with news, unknown and stopped: nothing serious for axe,
    nothing sideways, the button large enough and in the window."""
    served.told.fields["prompt"] = {"prompt": 1, "kind": "confirm", "question": "Is the wall dry?"}
    with (
        guarding(scene.state),
        paged(scene) as url,
        visit(chromium, width=width, height=800, dark=dark) as look,
    ):
        page = look.page

        def is_well() -> None:
            assert serious_findings(page) == []
            assert sideways_px(page) == 0
            box = page.get_by_role("button").bounding_box()
            assert box is not None
            assert box["height"] >= BUTTON_PX
            assert 0 <= box["y"] <= 800 - box["height"]

        page.goto(url)
        shows(page, "document.body.dataset.state === 'painting'")
        shows(page, "document.getElementById('picture').dataset.done === '1'")
        is_well()
        page.get_by_role("button").click()
        shows(page, "document.getElementById('answer').dataset.kind === 'done'")
        is_well()
        served.hang()
        shows(page, "document.body.dataset.link === 'unknown'")
        is_well()
        assert look.complaints == []


@pytest.mark.campaign
def test_a_service_that_hangs_is_shown_as_unknown(chromium: Browser, scene: Scene, served: Served) -> None:
    """Large words, no position, no state that looks healthy; the button works; known again when it speaks."""
    with guarding(scene.state), paged(scene) as url, visit(chromium) as look:
        page = look.page
        page.goto(url)
        shows(page, "document.body.dataset.state === 'painting'")
        served.hang()
        shows(page, "document.body.dataset.link === 'unknown'")
        assert page.is_visible("#unknown")
        words = page.evaluate(
            "parseFloat(getComputedStyle(document.querySelector('#unknown strong')).fontSize)"
        )
        assert words >= 30
        assert "hangs" in text(page, "unknown")
        assert (text(page, "state").lower(), page.is_visible("#head")) == ("unknown", False)
        assert "painting" in text(page, "doing")
        assert page.title().startswith("STATE UNKNOWN")
        assert page.evaluate("document.body.dataset.state") == ""
        page.get_by_role("button").click()
        shows(page, "document.getElementById('answer').dataset.kind === 'done'")
        assert latch.read(scene.state.latch) is not None
        served.go_on()
        shows(page, "document.body.dataset.link === 'live'")
        # The latch goes before the service's word, which says that it paints.
        assert page.evaluate("document.body.dataset.state") == "halted"
        assert not page.is_visible("#unknown")


@pytest.mark.campaign
def test_the_pages_own_process_gone_is_unknown(chromium: Browser, scene: Scene, served: Served) -> None:
    """Its last words are not shown as news for longer than three seconds; the button says that nothing answered."""
    with visit(chromium) as look:
        page = look.page
        with paged(scene) as url:
            page.goto(url)
            shows(page, "document.body.dataset.state === 'painting'")
        shows(page, "document.body.dataset.link === 'unknown'")
        assert "page's own process" in text(page, "unknown")
        page.get_by_role("button").click()
        shows(page, "document.getElementById('answer').dataset.kind === 'failed'")
        assert "hardware stop" in text(page, "answer")


AWAY = """(away) => {
    Object.defineProperty(document, "hidden", { configurable: true, get: () => away });
    document.dispatchEvent(new Event("visibilitychange"));
    const shown = (id) => document.getElementById(id).textContent;
    return [shown("state"), shown("doing"), shown("age"), shown("facts"), document.getElementById("head").hidden];
}"""
"""Has the window gone out of sight or come back, and answers what stands there in that instant."""


@pytest.mark.campaign
def test_whoever_comes_back_to_a_window_sees_nothing_old(
    chromium: Browser, scene: Scene, served: Served
) -> None:
    """At once, and as long as nothing comes: no state, age, figure or place of before, with and without an alarm."""
    with paged(scene) as url, visit(chromium) as look:
        page = look.page
        page.goto(url)
        shows(page, "document.body.dataset.state === 'painting'")
        shows(page, "!document.getElementById('head').hidden")
        page.route("**/events", lambda route: route.abort())
        page.evaluate(AWAY, True)
        state, doing, age, facts, is_placed_nowhere = page.evaluate(AWAY, False)
        assert (state, doing, age) == ("looking", "for the machine", "not connected yet")
        assert "strokes" not in facts
        assert "mm" not in facts
        assert is_placed_nowhere
        shows(page, "document.body.dataset.link === 'unknown'")
        state, doing, age, facts, is_placed_nowhere = page.evaluate(AWAY, False)
        assert "strokes" not in facts
        assert is_placed_nowhere
        shows(page, "document.getElementById('doing').textContent === 'nothing is known'")
        assert text(page, "state").lower() == "unknown"
        page.unroute("**/events")
        shows(page, "document.body.dataset.state === 'painting'")
        assert "1 of 4 strokes" in text(page, "facts")
        assert "painting" in text(page, "state").lower()


@pytest.mark.campaign
def test_a_refusal_ends_with_who_gave_it(chromium: Browser, scene: Scene, served: Served) -> None:
    """A page's process that is gone is not explained by what it said while it lived."""
    with paged(scene) as url, visit(chromium) as look:
        page = look.page
        page.route("**/events", lambda route: route.fulfill(status=401, body="no token was shown"))
        page.goto(url)
        shows(page, "document.getElementById('unknown-why').textContent.includes('has no token')")
        page.unroute("**/events")
        page.route("**/events", lambda route: route.abort())
        shows(page, "document.getElementById('unknown-why').textContent.includes('own process')")


@pytest.mark.campaign
def test_a_picture_that_was_refused_once_comes(chromium: Browser, scene: Scene, served: Served) -> None:
    """Without waiting for whatever changes the whole of it next."""
    refused: list[str] = []

    def refuse(route: Route) -> None:
        if refused:
            route.continue_()
        else:
            refused.append(route.request.url)
            route.fulfill(status=503, body="no room")

    with paged(scene) as url, visit(chromium) as look:
        look.page.route("**/picture/*", refuse)
        look.page.goto(url)
        shows(look.page, "document.getElementById('picture').dataset.done === '1'")
        assert len(refused) == 1


@pytest.mark.campaign
def test_the_latest_word_of_a_picture_holds(chromium: Browser, scene: Scene, served: Served) -> None:
    """Two come while it is fetched, and the first one's fetch ends last."""
    with paged(scene) as url, visit(chromium) as look:
        look.page.goto(url)
        shows(look.page, "document.getElementById('picture').dataset.done === '1'")
        counts = look.page.evaluate(
            """async () => {
                const { Picture } = await import("/picture.js");
                const key = performance.getEntriesByType("resource").map((one) => one.name)
                    .filter((name) => name.includes("/picture/")).at(-1).split("/").at(-1);
                const real = window.fetch, held = [];
                window.fetch = (path) => new Promise((done) => held.push(() => done(real(path))));
                const node = (name) => document.createElement(name);
                const wall = new Picture(node("div"), node("canvas"), node("div"), node("p"));
                const older = wall.show(key, [[], [[0, 1]]]), newer = wall.show(key, [[], [[0, 2]]]);
                wall.paint({ pass: 1, done: [[2, 1]] });
                held[1]();
                await newer;
                const first = wall.count;
                held[0]();
                await older;
                window.fetch = real;
                return [first, wall.count];
            }"""
        )
        assert counts == [3, 3]


@pytest.mark.campaign
@pytest.mark.parametrize("how", ["no service", "service died"])
def test_without_a_service(chromium: Browser, scene: Scene, how: str) -> None:
    """With a session that nobody ended its service has died: unknown. Else nothing runs, which is no alarm."""
    if how == "service died":
        scene.begin()
    with paged(scene) as url, visit(chromium) as look:
        look.page.goto(url)
        if how == "service died":
            shows(look.page, "document.body.dataset.link === 'unknown'")
            assert "died" in text(look.page, "unknown")
        else:
            shows(look.page, "document.body.dataset.link === 'none'")
            assert "no service" in text(look.page, "state").lower()
            assert not look.page.is_visible("#unknown")
        look.page.get_by_role("button").click()
        shows(look.page, "document.getElementById('answer').dataset.kind === 'failed'")
        assert "No guard answers" in text(look.page, "answer")


@pytest.mark.campaign
def test_no_key_stops(chromium: Browser, scene: Scene, served: Served) -> None:
    """Nothing has the focus at first, and whatever is typed then does nothing."""
    with guarding(scene.state), paged(scene) as url, visit(chromium) as look:
        look.page.goto(url)
        shows(look.page, "document.body.dataset.state === 'painting'")
        for key in ("Space", "Enter", "Escape", "s", "q", "Pause", "F1", "Control+c"):
            look.page.keyboard.press(key)
        assert text(look.page, "answer") == ""
        assert latch.read(scene.state.latch) is None


@pytest.mark.campaign
def test_without_scripts_the_button_works(chromium: Browser, scene: Scene, served: Served) -> None:
    """The form is sent by the browser itself: the guard latches, and a page says so."""
    with guarding(scene.state), paged(scene) as url, visit(chromium, java_script_enabled=False) as look:
        look.page.goto(url)
        look.page.get_by_role("button").click()
        look.page.wait_for_url("**/stop")
        assert look.page.inner_text("h1") == "Stopped"
        assert latch.read(scene.state.latch) is not None


@pytest.mark.campaign
def test_a_page_of_an_earlier_process_still_stops(chromium: Browser, scene: Scene, served: Served) -> None:
    """The page's process was started anew with another word for presses: the button gets it, and stops."""
    with guarding(scene.state), visit(chromium) as look:
        page = look.page
        with paged(scene, Access(is_local=True, press="an-earlier-word")) as url:
            page.goto(url)
            shows(page, "document.body.dataset.state === 'painting'")
            # Cut off from the stream it never hears of the new word.
            page.route("**/events", lambda route: route.abort())
        port = int(re.findall(r":(\d+)/", url)[0])
        with paged(scene, port=port):
            page.get_by_role("button").click()
            shows(page, "document.getElementById('answer').dataset.kind === 'done'")
            assert latch.read(scene.state.latch) is not None


@pytest.mark.campaign
def test_the_token_opens_once_and_for_all(chromium: Browser, scene: Scene, served: Served) -> None:
    """Without it a form; with a wrong one the form again; then the page, and the stop, by the cookie alone."""
    access = Access(is_local=True, token="t" * 24)
    with guarding(scene.state), paged(scene, access) as url, visit(chromium) as look:
        page = look.page
        for token in ("wrong", "t" * 24):
            page.goto(url)
            assert serious_findings(page) == []
            page.get_by_label("Token").fill(token)
            page.get_by_role("button", name="Open").click()
        shows(page, "document.body.dataset.state === 'painting'")
        assert page.url == url
        assert page.evaluate("document.cookie") == ""
        page.get_by_role("button").click()
        shows(page, "document.getElementById('answer').dataset.kind === 'done'")


@pytest.mark.campaign
def test_a_press_whose_connection_ends_is_sent_again(chromium: Browser, scene: Scene, served: Served) -> None:
    """A connection may end just as a request comes on it (RFC 9112, section 9.5, from memory): the second stops."""
    tried: list[str] = []

    def cut(route: Route) -> None:
        tried.append(route.request.method)
        if len(tried) == 1:
            route.abort("connectionreset")
        else:
            route.continue_()

    with guarding(scene.state), paged(scene) as url, visit(chromium) as look:
        look.page.route("**/stop", cut)
        look.page.goto(url)
        shows(look.page, "document.body.dataset.state === 'painting'")
        look.page.get_by_role("button").click()
        shows(look.page, "document.getElementById('answer').dataset.kind === 'done'")
        assert tried == ["POST", "POST"]
        assert latch.read(scene.state.latch) is not None


@pytest.mark.campaign
def test_many_windows(chromium: Browser, scene: Scene, served: Served) -> None:
    """As many as a browser has connections to one address, so that a press has none left for it but its own page's:
    the service has one talk, and the button of the last window stops."""
    with guarding(scene.state), paged(scene) as url, visit(chromium) as look:
        pages = [look.page, *(look.page.context.new_page() for _ in range(CONNECTIONS - 1))]
        for one in pages:
            one.goto(url)
        for one in pages:
            shows(one, "document.body.dataset.state === 'painting'")
        assert served.here(lambda: served.told.followers.count) == 1
        pages[-1].get_by_role("button").click()
        shows(pages[-1], "document.getElementById('answer').dataset.kind === 'done'")
        assert latch.read(scene.state.latch) is not None
