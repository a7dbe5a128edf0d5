"""``giornata status --follow``: how the machine stands, live; without a terminal one line an event. No logic."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from rich.console import Console, Group
from rich.live import Live
from rich.markup import escape
from rich.progress_bar import ProgressBar
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from controller.cli.console import out
from controller.config.errors import RefusedError
from controller.session import control, verbs
from controller.session.keys import READ_BYTES, KeyDecoder
from controller.session.remote import follow
from controller.session.standing import Standing, clock_time, question, words

if TYPE_CHECKING:
    from rich.console import RenderableType

    from controller.config.places import StateDir

RETRY_S: Final = 2.0
"""How often a service is looked for while none runs."""
DRAW_EVERY_S: Final = 0.2
FRAME_LINES: Final = 4
"""Title, two rules and the last line."""

_PAUSING: Final = {"stroke-end": "after the stroke in work", "path": "on the path"}

_COLOURS: Final = {
    "painting": "green", "registered": "green", "waiting": "yellow", "paused": "yellow", "unregistered": "yellow",
    "halted": "red",
}  # fmt: skip


def show(machine: Path, state: Path | None, *, as_json: bool) -> None:
    """Follow until a person ends it."""
    place = verbs.session_state_of(machine, state)
    console = out()

    def resting() -> dict[str, Any]:
        return {"ok": True, "session": None, **verbs.status(machine, state)}

    with contextlib.suppress(KeyboardInterrupt, BrokenPipeError):
        if as_json or not console.is_terminal:
            asyncio.run(_lines(place, resting, as_json=as_json))
        else:
            asyncio.run(_screen(place, resting, console))


async def _messages(place: StateDir, resting: Callable[[], dict[str, Any]]) -> AsyncIterator[dict[str, Any]]:
    """What services say, one after another; how the machine rests while none runs."""
    while True:
        with contextlib.suppress(RefusedError):
            async for message in follow(place.control_socket):
                yield message
        yield await asyncio.to_thread(resting)
        await asyncio.sleep(RETRY_S)


async def _lines(place: StateDir, resting: Callable[[], dict[str, Any]], *, as_json: bool) -> None:
    said = ""
    async for message in _messages(place, resting):
        if as_json:
            text = json.dumps({name: value for name, value in message.items() if name != "v"}, default=str)
            lines = [text] if text != said else []
            said = text
        elif "event" in message:
            lines = [f"{clock_time(message.get('at_ms'))} {text}" for text in words(message)]
        else:
            text = f"{message.get('machine')}: {message.get('state')}, {_doing(message)}"
            lines = [text] if text != said else []
            said = text
        for line in lines:
            sys.stdout.write(line + "\n")
        sys.stdout.flush()


def _doing(fields: dict[str, Any]) -> str:
    if fields.get("session") is not None:
        return f"session {fields['session']}: {fields.get('what')}"
    service = fields if fields.get("pid") is not None else fields.get("service")
    return f"service at rest, pid {service.get('pid')}" if isinstance(service, dict) else "no service runs"


async def _screen(place: StateDir, resting: Callable[[], dict[str, Any]], console: Console) -> None:
    standing = Standing()
    ended = asyncio.Event()
    with (
        _keys(ended, lambda key: _typed(key, standing, place)),
        Live(console=console, screen=True, auto_refresh=False, redirect_stdout=False) as live,
    ):

        async def take() -> None:
            async for message in _messages(place, resting):
                standing.take(message)

        taking = asyncio.create_task(take())
        try:
            while not ended.is_set() and not taking.done():
                live.update(page(standing, console.height), refresh=True)
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(DRAW_EVERY_S):
                        await ended.wait()
        finally:
            taking.cancel()
            await asyncio.wait({taking})
    if not taking.cancelled() and (error := taking.exception()) is not None:
        raise error


def keys_for(fields: dict[str, Any]) -> str:
    """What may be typed by now, in words: the screen's last line."""
    prompt = fields.get("prompt")
    if isinstance(prompt, dict) and prompt.get("kind") == "pause":
        return "q ends this screen.  g goes on, h homes and goes on, s stops here."
    if fields.get("state") == "painting":
        return "q ends this screen.  p pauses after the stroke, P on the path."
    return "q ends this screen; the machine goes on.  giornata stop stops it."


def request_for(key: str, fields: dict[str, Any]) -> dict[str, Any] | None:
    """What a key asks of the machine as it stands; None for nothing."""
    prompt = fields.get("prompt")
    if isinstance(prompt, dict) and prompt.get("kind") == "pause":
        choice = {"g": "go-on", "h": "home", "s": "stop"}.get(key)
        return None if choice is None else {"ask": "answer", "prompt": prompt.get("prompt"), "value": choice}
    at = {"p": "stroke-end", "P": "path"}.get(key)
    return {"ask": "pause", "at": at} if at is not None and fields.get("state") == "painting" else None


async def _typed(key: str, standing: Standing, place: StateDir) -> None:
    """Do what a key asks; what comes of it is seen as an event, or said among them."""
    request = request_for(key, standing.fields)
    if request is None:
        return
    try:
        answer = await asyncio.to_thread(control.ask, place.control_socket, request.pop("ask"), **request)
        if answer.get("ok") is not True:
            raise RefusedError(str(answer.get("got")), str(answer.get("expected")), code="answer-not-taken")
    except RefusedError as error:
        standing.take({"event": "note", "text": f"{error.reason}: {error.remedy}"})


@contextlib.contextmanager
def _keys(ended: asyncio.Event, take: Callable[[str], Coroutine[Any, Any, None]]) -> Iterator[None]:
    """q and Ctrl-C end it; what else is typed goes to ``take``. The terminal is as it was afterwards."""
    import termios
    import tty

    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGINT, ended.set)
    typed = sys.stdin.fileno() if sys.stdin.isatty() else None
    before = termios.tcgetattr(typed) if typed is not None else None

    asking: set[asyncio.Task[None]] = set()
    decoder = KeyDecoder()

    def readable(descriptor: int) -> None:
        data = b""
        with contextlib.suppress(OSError):  # a terminal that has gone
            data = os.read(descriptor, READ_BYTES)
        if not data:
            loop.remove_reader(descriptor)
            ended.set()
        # Whole keys: letters in what an arrow or a function key sends are none that a person has pressed.
        for key in decoder.feed(data):
            if key in ("q", "Q"):
                ended.set()
                return
            task = loop.create_task(take(key))
            asking.add(task)
            task.add_done_callback(asking.discard)

    try:
        if typed is not None:
            tty.setcbreak(typed)
            loop.add_reader(typed, readable, typed)
        yield
    finally:
        loop.remove_signal_handler(signal.SIGINT)
        if typed is not None and before is not None:
            loop.remove_reader(typed)
            with contextlib.suppress(termios.error):  # a terminal that has gone needs nothing
                termios.tcsetattr(typed, termios.TCSADRAIN, before)


def page(standing: Standing, height: int) -> RenderableType:
    """The whole screen for a terminal of so many lines; 80 columns are enough."""
    fields = standing.fields
    if not fields:
        return Text("looking for the machine ...")
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim", no_wrap=True, width=9)
    table.add_column(ratio=1, overflow="ellipsis", no_wrap=True)
    rows = list(_rows(standing))
    for name, value in rows:
        table.add_row(name, value)
    room = max(1, height - len(rows) - FRAME_LINES)
    latest = list(standing.events)[-room:]
    events = [Text(line, no_wrap=True, overflow="ellipsis") for line in latest]
    return Group(
        _title(fields),
        Rule(style="dim"),
        table,
        Rule("last events, times UTC", style="dim", align="left"),
        *(events or [Text("none yet", style="dim")]),
        *(Text() for _ in range(room - max(1, len(events)))),
        Text(keys_for(fields), style="dim", no_wrap=True, overflow="ellipsis"),
    )


def _title(fields: dict[str, Any]) -> RenderableType:
    state = str(fields.get("state"))
    colour = _COLOURS.get(state, "white")
    return Text.assemble(
        (f"{fields.get('machine')}  ", "bold"), (state, f"bold {colour}"), f"  {_doing(fields)}",
        (f"  {fields['clock']} time" if fields.get("clock") else "", "dim"),
        no_wrap=True, overflow="ellipsis",
    )  # fmt: skip


def _rows(standing: Standing) -> Iterator[tuple[str, RenderableType]]:
    """Ten rows at most, each of one line at 80 columns."""
    fields = standing.fields
    latch = fields.get("latch")
    if isinstance(latch, dict):
        yield (
            "latched",
            Text(f"{latch.get('text')} ({latch.get('reason')}); giornata clear", style="bold red"),
        )
    prompt = fields.get("prompt")
    if isinstance(prompt, dict):
        asks = "paused" if prompt.get("kind") == "pause" else "asks for"
        yield asks, Text(question(prompt), style="bold yellow")
    elif fields.get("pause_asked") and fields.get("state") == "painting":
        yield "pause", Text(_PAUSING.get(str(fields["pause_asked"]), ""), style="bold yellow")
    if fields.get("stop_asked"):
        yield "stop", Text(str(fields["stop_asked"]), style="bold yellow")
    yield from _pass_rows(standing)
    left = standing.seconds_left
    yield "time left", "-" if left is None else f"{_span(left)} of motion in this run"
    place = fields.get("position_mm")
    where = "-" if not place else f"x {place[0]:.1f} mm, y {place[1]:.1f} mm on the canvas, by the motors"
    yield "position", where
    yield "ticks", _timing(fields.get("timing"))
    yield "register", _register(fields)


def _pass_rows(standing: Standing) -> Iterator[tuple[str, RenderableType]]:
    fields, part = standing.fields, standing.fields.get("pass")
    if not isinstance(part, dict):
        yield "pass", "-"
        return
    total, finished = int(fields.get("strokes") or 0), int(fields.get("strokes_finished") or 0)
    name = f"[bold]{escape(part['name'])}[/] ({part['number']} of {part['of']})"
    yield "pass", f"{name}: stroke {min(finished + 1, total)} of {total}"
    yield "", ProgressBar(total=1.0, completed=standing.share_done, width=60)
    metres = standing.metres_left
    before = f"{part['pen_m']:.1f} m before it" if part["pen_m"] else "a new pen"
    left = "-" if metres is None else f"about {metres:.1f} of {part['metres']:.1f} m of this pass left"
    yield "pen", f"{left}; {before}"


def _timing(timing: Any) -> str:
    if not isinstance(timing, dict) or not timing.get("ticks"):
        return "-"
    late = f"late by p50 {timing['p50_us']:.0f}, p99 {timing['p99_us']:.0f}, max {timing['max_us']:.0f} us"
    return f"{timing['ticks']} of {timing['tick_ms']:g} ms, {late}"


def _register(fields: dict[str, Any]) -> str:
    if not fields.get("registered"):
        return f"not registered: {escape(str(fields.get('why', 'unknown')))}"
    differences = fields.get("difference_mm") or {}
    known = [f"{axis} {value:+.3f} mm" for axis, value in differences.items() if value is not None]
    return (
        f"registered; last homing differed by {', '.join(known)}" if known else "registered by a first homing"
    )


def _span(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}"
