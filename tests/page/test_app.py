"""Routes, the gate before them, and the stream: called as a server calls them."""

from __future__ import annotations

import asyncio
import gzip
import json
from dataclasses import dataclass, field
from typing import Any

import pytest

from controller.page import app as page_app
from controller.page.access import Access
from controller.page.app import application
from controller.page.board import Board
from controller.page.html import CAUTION
from controller.page.pressing import Pressed
from controller.page.watch import VIEWERS_MAX, Watch

from .asgi import HOST, App, Browser, call
from .conftest import Scene
from .test_board import PICTURE, look, status
from .test_talk import Beat, until

OURS = {"origin": f"http://{HOST}", "sec-fetch-site": "same-origin"}


@dataclass
class Page:
    """An application, what feeds it, and the presses that it passed on."""

    app: App
    watch: Watch
    access: Access
    beat: Beat
    presses: list[str] = field(default_factory=list)

    @property
    def board(self) -> Board:
        """What it shows."""
        return self.watch.board


def made(scene: Scene, access: Access | None = None, done: Pressed | None = None) -> Page:
    """A page of which nothing runs but what a test runs."""
    access = access or Access(is_local=True)
    beat = Beat()
    watch = Watch(scene.state, "boathouse", now_ns=lambda: beat.now_ns, sleep=beat.sleep)
    presses: list[str] = []

    def press(who: str) -> Pressed:
        presses.append(who)
        return done or Pressed(True, ("Stopped by the guard.",))

    return Page(application(watch, "boathouse", access, press), watch, access, beat, presses)


@pytest.fixture
def page(scene: Scene) -> Page:
    """A page for this computer, without a token."""
    return made(scene)


def paths(page: Page) -> list[tuple[str, set[str]]]:
    """Every route and its methods, as the application has them."""
    routes = page.app.routes  # type: ignore[attr-defined]
    return [(one.path.replace("{key:str}", PICTURE.key), set(one.methods)) for one in routes]


def press_body(page: Page, press: str | None = None) -> bytes:
    """What the form sends."""
    return f"press={page.access.press if press is None else press}".encode()


async def test_one_route_only_is_no_get(page: Page) -> None:
    """Of all routes one takes a POST, and it is the stop; whatever else is asked of any route is refused (405)."""
    posts = [path for path, methods in paths(page) if methods - {"GET", "HEAD"}]
    assert posts == ["/stop"]
    assert dict(paths(page))["/stop"] == {"POST"}
    for path, methods in paths(page):
        for method in {"GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT"} - methods:
            answer = await call(page.app, method, path, OURS, press_body(page))
            assert answer.status == 405, (method, path)
    assert page.presses == []


async def test_what_is_served(page: Page) -> None:
    """Every file of the page, with its media type; the policy forbids everything that is not ours."""
    page.board.looked(look(0))
    types = {
        "/": "text/html; charset=utf-8", "/page.css": "text/css; charset=utf-8",
        "/page.js": "text/javascript; charset=utf-8", "/picture.js": "text/javascript; charset=utf-8",
        "/icon.svg": "image/svg+xml", f"/picture/{PICTURE.key}": "application/octet-stream",
    }  # fmt: skip
    for path, media_type in types.items():
        answer = await call(page.app, "GET", path)
        assert (answer.status, answer.header("content-type")) == (200, media_type)
    html = (await call(page.app, "GET", "/")).body.decode()
    assert CAUTION in html
    assert "<style" not in html
    assert "style=" not in html
    assert "onclick" not in html
    assert "http" not in html.replace("http-equiv", "")
    assert page.access.press in html


async def test_headers_on_every_answer(page: Page) -> None:
    """Good answers and refusals alike carry the policy, and only the picture may be kept."""
    page.board.looked(look(0))
    for path in ("/", "/none", "/picture/none", "/enter", "/page.js"):
        answer = await call(page.app, "GET", path)
        policy = answer.header("content-security-policy")
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.header("x-content-type-options") == "nosniff"
        assert answer.header("cache-control") == "no-store"
        assert answer.header("access-control-allow-origin") == ""


async def test_the_picture_by_its_key(scene: Scene, page: Page) -> None:
    """As gzip where the browser takes it, plain where not; the same bytes; another key is not found."""
    scene.begin()
    page.board.looked(page.watch._looker.look())
    key = page.board.whole()["key"]
    packed = await call(page.app, "GET", f"/picture/{key}", {"accept-encoding": "gzip, br"})
    plain = await call(page.app, "GET", f"/picture/{key}")
    assert packed.header("content-encoding") == "gzip"
    assert gzip.decompress(packed.body) == plain.body
    assert "immutable" in packed.header("cache-control")
    assert b'"job":"tide"' in plain.body
    assert (await call(page.app, "GET", f"/picture/{key[:-1]}")).status == 404


@pytest.mark.parametrize(
    "path",
    [
        "/journal.sqlite", "/static/page.js", "/../page.py", "/picture/..%2f..%2fjournal.sqlite", "/picture/a/b",
        "/picture/", "//page.js", "/page.js/", "/%2e%2e/%2e%2e/etc/hostname", "/picture/%00", "/events/x", "/stop/",
    ],
)  # fmt: skip
async def test_no_path_is_a_file(page: Page, path: str) -> None:
    """Whatever a path looks like, what is not a route of ours is not found; nothing is looked for on the disk."""
    page.board.looked(look(0))
    assert (await call(page.app, "GET", path)).status == 404


@pytest.mark.parametrize("host", ["elsewhere.example", "127.0.0.1.elsewhere.example:8463", "192.0.2.7", ""])
async def test_another_name_is_refused(page: Page, host: str) -> None:
    """By every route, the stop included: a page of somebody else's name does not become ours (DNS rebinding)."""
    for path, methods in paths(page):
        method = "POST" if "POST" in methods else "GET"
        headers = {"host": host, "origin": f"http://{host}"}
        answer = await call(page.app, method, path, headers, press_body(page))
        assert answer.status == 421, path
    assert page.presses == []


async def test_two_names_are_refused(page: Page) -> None:
    """A request with two Host headers is none (RFC 9112, section 3.2)."""

    async def twice(scope: Any, receive: Any, send: Any) -> None:
        scope["headers"].append((b"host", b"elsewhere.example"))
        await page.app(scope, receive, send)

    assert (await call(twice, "GET", "/")).status == 421


# -- the token ------------------------------------------------------------------------------------------------


async def test_without_the_token_nothing_is_told(scene: Scene) -> None:
    """Every route but style, icon and the question itself is refused, the stop included; wrong cookies as none."""
    page = made(scene, Access(is_local=False, token="t" * 24))
    page.board.looked(look(0))
    name = page.access.cookie_name
    for cookie in ({}, {"cookie": f"{name}={'0' * 64}"}, {"cookie": f"{name}={'t' * 24}"}):
        for path, methods in paths(page):
            if path in page_app.OPEN:
                continue
            method = "POST" if "POST" in methods else "GET"
            answer = await call(page.app, method, path, {**OURS, **cookie}, press_body(page))
            assert answer.status == 401, path
            assert b"boathouse" not in answer.body
            assert page.access.press.encode() not in answer.body
    assert page.presses == []


async def test_the_token_once_then_the_cookie(scene: Scene) -> None:
    """The right token sets a cookie that scripts cannot read and other sites do not send; with it all is served."""
    page = made(scene, Access(is_local=False, token="t" * 24))
    for target in ("/enter", "/enter?token=", "/enter?token=wrong", "/enter?token=%C3%A9"):
        answer = await call(page.app, "GET", target)
        assert (answer.status, answer.header("set-cookie")) == (401, "")
    answer = await call(page.app, "GET", f"/enter?token={'t' * 24}")
    assert answer.status == 200
    cookie = answer.header("set-cookie")
    assert {"httponly", "samesite=strict", "path=/"} <= {one.strip().lower() for one in cookie.split(";")}
    assert "t" * 24 not in cookie
    headers = {"cookie": f"theme=dark; {cookie.split(';')[0]}"}
    assert (await call(page.app, "GET", "/", headers)).status == 200
    assert (await call(page.app, "POST", "/stop", {**OURS, **headers}, press_body(page))).status == 200


# -- the button -----------------------------------------------------------------------------------------------


async def test_a_press_of_our_own_page_stops(page: Page) -> None:
    """Once for each press, with who pressed; words for a script as JSON, for a browser without one as a page."""
    headers = {**OURS, "accept": "application/json"}
    for _ in range(2):
        answer = await call(page.app, "POST", "/stop", headers, press_body(page))
        assert (answer.status, json.loads(answer.body)) == (
            200,
            {"stopped": True, "lines": ["Stopped by the guard."]},
        )
    answer = await call(page.app, "POST", "/stop", OURS, press_body(page))
    assert (answer.status, answer.header("content-type")) == (200, "text/html; charset=utf-8")
    assert b"Stopped by the guard." in answer.body
    assert page.presses == ["127.0.0.1"] * 3


@pytest.mark.parametrize(
    "headers",
    [
        {}, {"origin": "http://elsewhere.example"}, {"origin": "null"}, {"origin": "http://127.0.0.1:1"},
        {**OURS, "sec-fetch-site": "cross-site"},
    ],
)  # fmt: skip
async def test_a_press_from_elsewhere_is_refused(page: Page, headers: dict[str, str]) -> None:
    """Another origin, none, or another site by the browser's word: 403, and nobody is asked to stop."""
    answer = await call(page.app, "POST", "/stop", headers, press_body(page))
    assert answer.status == 403
    assert b"hardware stop" in answer.body
    assert page.presses == []


@pytest.mark.parametrize(
    "body", [b"", b"press=", b"press=wrong", b"\xff\xfe=%zz", b"a" * 5000, b"press[]=x&press"]
)
async def test_a_press_without_the_pages_word_is_refused(page: Page, body: bytes) -> None:
    """Whatever the body is, long ones included."""
    assert (await call(page.app, "POST", "/stop", OURS, body)).status == 403
    assert page.presses == []


async def test_a_press_whose_end_does_not_come_is_judged_by_its_beginning(
    page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing waits for the rest without end: with the page's word in it it stops, without it it is refused."""
    monkeypatch.setattr(page_app, "BODY_S", 0.05)

    async def unending(scope: Any, receive: Any, send: Any) -> None:
        async def begun() -> Any:
            return {**await receive(), "more_body": True}

        await page.app(scope, begun, send)

    assert (await call(unending, "POST", "/stop", OURS, press_body(page)[:-3])).status == 403
    assert page.presses == []
    assert (await call(unending, "POST", "/stop", OURS, press_body(page))).status == 200
    assert page.presses == ["127.0.0.1"]


async def test_what_failed_is_said(scene: Scene) -> None:
    """A stop that nobody confirmed is no success: 503, with its words."""
    page = made(scene, done=Pressed(False, ("No guard answers.", "Use its hardware stop.")))
    answer = await call(page.app, "POST", "/stop", {**OURS, "accept": "application/json"}, press_body(page))
    assert (answer.status, json.loads(answer.body)["stopped"]) == (503, False)


# -- the stream -----------------------------------------------------------------------------------------------


async def test_a_stream_tells_what_changes(page: Page) -> None:
    """First all, then strokes by number and what else has changed; once a second how things stand, with its age."""
    page.board.connected(0)
    page.board.take({**status(), "following": True, "recent": []}, 0)
    page.board.looked(look(0, 1))
    browser = Browser(page.app)
    task = asyncio.create_task(browser.listen())
    await until(lambda: len(browser.events) == 3)
    assert browser.answer.header("content-type") == "text/event-stream"
    hello, picture, view = browser.events
    assert (hello[0], json.loads(hello[1])) == ("hello", {"press": page.access.press})
    assert (picture[0], json.loads(picture[1])) == ("picture", {"key": PICTURE.key, "painted": [[[0, 2]]]})
    assert (view[0], json.loads(view[1])["state"]) == ("view", "painting")
    page.board.looked(look(0, 1, 2, 5))
    await page.beat.go()
    await until(lambda: len(browser.events) == 5)
    assert browser.events[3] == ("painted", '{"pass":0,"done":[[2,1],[5,1]]}')
    await page.beat.go(2)
    await until(lambda: len(browser.events) == 7)
    assert [json.loads(data)["age_ms"] for name, data in browser.events if name == "view"] == [
        0,
        1000,
        2000,
        3000,
    ]
    page.board.looked(look(0))
    await page.beat.go()
    await until(lambda: len(browser.events) == 9)
    assert browser.events[7][0] == "picture"
    browser.leave()
    await page.beat.go()
    await asyncio.wait_for(task, 20)
    assert page.watch.viewers == 0


async def test_a_question_for_the_headers_takes_no_place(page: Page) -> None:
    """HEAD is answered and over (RFC 9110, section 9.3.2)."""
    for path, methods in paths(page):
        if "HEAD" in methods:
            assert (await call(page.app, "HEAD", path)).complete
    assert page.watch.viewers == 0


async def test_one_browser_too_many(page: Page) -> None:
    """Is told so (503), and costs nobody anything; when one has left there is room."""
    browsers = [Browser(page.app) for _ in range(VIEWERS_MAX)]
    tasks = [asyncio.create_task(one.listen()) for one in browsers]
    await until(lambda: page.watch.viewers == VIEWERS_MAX)
    assert (await call(page.app, "GET", "/events")).status == 503
    # The button is no stream: it works for whoever cannot look on.
    assert (await call(page.app, "POST", "/stop", OURS, press_body(page))).status == 200
    browsers[0].leave()
    await page.beat.go()
    await until(lambda: page.watch.viewers == VIEWERS_MAX - 1)
    page.watch.close()
    await page.beat.go()
    await asyncio.wait_for(asyncio.gather(*tasks), 20)
    assert all(one.answer.complete for one in browsers[1:])


async def test_a_browser_that_takes_nothing_is_left(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a bound it has its place no longer, and what it was not told was never kept for it."""
    monkeypatch.setattr(page_app, "SEND_S", 0.05)
    browser = Browser(page.app)
    task = asyncio.create_task(browser.listen())
    await until(lambda: len(browser.events) == 3)
    browser.reads = False
    await page.beat.go()
    await asyncio.wait_for(task, 20)
    assert page.watch.viewers == 0


async def test_a_browser_that_was_slow_gets_the_whole(page: Page) -> None:
    """While it reads nothing strokes go by; then it is told the sum of them, not each."""
    page.board.looked(look())
    browser = Browser(page.app)
    task = asyncio.create_task(browser.listen())
    await until(lambda: len(browser.events) == 3)
    for count in range(1, 40):
        page.board.looked(look(*range(count)))
    for count in range(300):
        page.board.looked(look(*range(39 + count)))
    await page.beat.go()
    await until(lambda: len(browser.events) == 5)
    name, data = browser.events[3]
    assert (name, json.loads(data)["painted"]) == ("picture", [[[0, 338]]])
    browser.leave()
    await page.beat.go()
    await asyncio.wait_for(task, 20)
