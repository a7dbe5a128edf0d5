"""The page as an ASGI application: six things to read, one button to press, and the gate before all of them.

Owns routes, headers and the event stream. Whatever is served is in memory from the start; no path of a request ever
becomes the name of a file. Nothing here changes anything but the one route that is no GET.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import zlib
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from controller.page import html
from controller.page.access import Access
from controller.page.pressing import Pressed
from controller.page.watch import FullError, Watch

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]
Press = Callable[[str], Pressed]
"""Stops the machine; takes who asked."""

BODY_BYTES_MAX: Final = 1024
BODY_S: Final = 5.0
"""A press is judged by what has come by then."""
TICK_S: Final = 0.25
"""So often a stream looks for something to say."""
BEAT_NS: Final = 1_000_000_000
"""A stream says how things stand at least so often, whether anything has changed or not."""
SEND_S: Final = 10.0
"""A browser that takes nothing for so long is left."""
OPEN: Final = frozenset({"/enter", "/page.css", "/icon.svg"})
"""What is served to whoever has no token: nothing of the machine."""

HEADERS: Final[Mapping[str, str]] = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    # Not "no-referrer": browsers then leave the origin out of what a form sends, and a press is judged by it.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
"""On every answer (Content Security Policy level 3; Fetch; RFC 9111)."""


def application(watch: Watch, machine: str, access: Access, press: Press) -> App:
    """The application, its gate included."""
    served = html.files()
    stops = ThreadPoolExecutor(4, "stop")
    """Threads of their own: whatever else waits, a press does not wait for it."""

    async def page(_request: Request) -> Response:
        return Response(html.page(machine, access.press), media_type="text/html")

    async def file(request: Request) -> Response:
        media_type, contents = served[request.url.path.removeprefix("/")]
        return Response(contents, media_type=media_type)

    async def picture(request: Request) -> Response:
        packed = watch.board.packed(request.path_params["key"])
        if packed is None:
            return Response("another picture is shown by now\n", 404, media_type="text/plain")
        headers = {"cache-control": "private, max-age=86400, immutable", "vary": "accept-encoding"}
        if "gzip" in request.headers.get("accept-encoding", ""):
            return Response(
                packed, headers={**headers, "content-encoding": "gzip"}, media_type="application/octet-stream"
            )
        return Response(zlib.decompress(packed, 31), headers=headers, media_type="application/octet-stream")

    async def enter(request: Request) -> Response:
        if access.token is None:
            return _plain("No token is asked for", ["The page is open to this computer."], onward="/")
        given = request.query_params.get("token", "")
        if not access.opens(given):
            return _refused("That is not the token" if given else "This page asks for its token")
        # Not a redirect: browsers keep a strict cookie back on one that began at another site.
        response = _plain("The token is right", ["The page opens."], onward="/")
        response.set_cookie(access.cookie_name, access.cookie, httponly=True, samesite="strict", path="/")
        return response

    async def stop(request: Request) -> Response:
        words = parse_qs((await _body(request)).decode("latin-1"))
        as_json = "application/json" in request.headers.get("accept", "")
        why = access.may_press(dict(request.headers), (words.get("press") or [""])[-1])
        if why:
            lines = [f"Not stopped: {why}.", "Use the hardware stop, or giornata stop."]
            return _said(as_json, 403, {"stopped": False, "lines": lines}, "Not stopped")
        who = request.client.host if request.client is not None else "unknown address"
        done = await asyncio.get_running_loop().run_in_executor(stops, press, who)
        title = "Stopped" if done.is_stopped else "Not stopped by the guard"
        return _said(as_json, 200 if done.is_stopped else 503, done.message(), title)

    async def events(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["method"] == "HEAD":
            await Response(media_type="text/event-stream")(scope, receive, send)
            return
        try:
            with watch.viewer():
                await _stream(watch, access.press, receive, send)
        except FullError:
            full = Response("as many look on as may\n", 503, media_type="text/plain")
            await full(scope, receive, send)

    routes = [
        Route("/", page, methods=["GET"]),
        *(Route(f"/{name}", file, methods=["GET"]) for name in served),
        Route("/picture/{key:str}", picture, methods=["GET"]),
        Route("/enter", enter, methods=["GET"]),
        Route("/events", _Endpoint(events), methods=["GET"]),
        Route("/stop", stop, methods=["POST"]),
    ]
    inner = Starlette(routes=routes)
    # A path that ends in a slash too many is no page of ours, and not worth a redirect.
    inner.router.redirect_slashes = False
    gate = _Gate(inner, access)
    gate.routes = routes
    return gate


class _Endpoint:
    """A route that speaks ASGI itself; the framework asks for an object, not for a function."""

    def __init__(self, app: App) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self._app(scope, receive, send)


class _Gate:
    """Before everything: is it asked by a name of ours, does it have the token; and headers on every answer."""

    routes: list[Route]

    def __init__(self, inner: App, access: Access) -> None:
        self._inner = inner
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._inner(scope, receive, send)
            return

        async def guarded(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        app = self._judged(scope) or self._inner
        await app(scope, receive, guarded)

    def _judged(self, scope: Scope) -> Response | None:
        """The refusal, None where there is nothing against it."""
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._access.answers_to(hosts[0]):
            words = "this page does not answer to that name; ask by address, or see giornata page --name\n"
            return Response(words, 421, media_type="text/plain")
        if scope["path"] in OPEN or self._access.knows("; ".join(headers.getlist("cookie"))):
            return None
        if scope["path"] == "/":
            return _refused("This page asks for its token")
        return Response("no token was shown\n", 401, media_type="text/plain")


def _plain(title: str, lines: list[str], *, status: int = 200, onward: str = "") -> Response:
    return Response(html.plain(title, lines, onward=onward), status, media_type="text/html")


def _refused(title: str) -> Response:
    lines = ["It was printed when the page was started, or is in the file that was named then."]
    return Response(html.plain(title, lines, form=True), 401, media_type="text/html")


def _said(as_json: bool, status: int, message: dict[str, Any], title: str) -> Response:
    return JSONResponse(message, status) if as_json else _plain(title, message["lines"], status=status)


async def _body(request: Request) -> bytes:
    """The body, its beginning where it is longer than any form of ours, or does not come to an end in time."""
    body = b""
    with contextlib.suppress(TimeoutError, ClientDisconnect):
        async with asyncio.timeout(BODY_S):
            async for piece in request.stream():
                body += piece
                if len(body) > BODY_BYTES_MAX:
                    break
    return body[:BODY_BYTES_MAX]


# -- the event stream -----------------------------------------------------------------------------------------------


async def _stream(watch: Watch, press: str, receive: Receive, send: Send) -> None:
    """Server-sent events (HTML Living Standard, 9.2) until the browser goes, reads no more, or the page closes.

    ``hello`` once; ``picture`` with its key and all that is painted, at first and whenever only the whole helps;
    ``painted`` with runs of strokes of a pass; ``view`` with everything else, when it has changed and once a second.
    Nothing is queued for one who reads slowly: it is told what holds when it comes to read.
    """
    gone = asyncio.create_task(_gone(receive))
    board = watch.board
    step, version, said_ns = -1, -1, watch.now_ns() - BEAT_NS
    headers = [(b"content-type", b"text/event-stream"), (b"x-accel-buffering", b"no")]
    try:
        async with asyncio.timeout(SEND_S):
            await send({"type": "http.response.start", "status": 200, "headers": headers})
        pieces = [_event("hello", {"press": press})]
        while not gone.done() and not watch.is_closed:
            steps = board.steps_since(step) if step >= 0 else None
            if steps is None:
                pieces.append(_event("picture", board.whole()))
            else:
                pieces += [_event("painted", one) for one in steps]
            step = board.step
            now_ns = watch.now_ns()
            if board.version != version or now_ns - said_ns >= BEAT_NS:
                version, said_ns = board.version, now_ns
                pieces.append(_event("view", board.view(now_ns)))
            if pieces:
                async with asyncio.timeout(SEND_S):
                    await send({"type": "http.response.body", "body": b"".join(pieces), "more_body": True})
            pieces = []
            await watch.sleep(TICK_S)
        async with asyncio.timeout(SEND_S):
            await send({"type": "http.response.body", "body": b"", "more_body": False})
    except (TimeoutError, OSError):
        # It takes nothing any more; the kernel ends the connection (see serve.py).
        return
    finally:
        gone.cancel()


def _event(name: str, data: Mapping[str, Any]) -> bytes:
    return f"event: {name}\ndata: {json.dumps(data, separators=(',', ':'), allow_nan=False)}\n\n".encode()


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
