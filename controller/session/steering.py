"""A person who steers the tip on to register marks, at a terminal or over the socket: what they may say and mean.

Owns keys, words and their form on the control socket; controller/session/registering.py moves. ``read`` and ``Typing``
are pure.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import sys
import termios
from collections.abc import Coroutine
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Self, TextIO

from controller.session.keys import BACK, END, ENTER, GONE, KeyTerminal
from controller.session.operator import TerminalOperator
from controller.session.prepared import PreparedPass
from controller.session.prompts import Prompts
from controller.session.registering import JOG_MAX_MM, AtMark, Found, Jog, Skip
from controller.session.service import StoppedError
from controller.session.wire import Message, WireError

if TYPE_CHECKING:
    from rich.console import Console

STEPS_MM = (0.1, 1.0, 10.0)
OFF_MAX_MM = 500.0
"""A typed offset larger than this is no offset of a mark."""

HELP = (
    "r l u d: a step right, left, up, down (several letters: several steps; r 2.5: so many mm) | "
    "0.1 1 10: length of a step, mm | here: the tip is on the mark | "
    "off DX DY: the mark lies DX mm right and DY mm down of the tip | skip: leave this mark out | stop: give up"
)

_WAYS = {"r": (1.0, 0.0), "l": (-1.0, 0.0), "u": (0.0, -1.0), "d": (0.0, 1.0)}


@dataclass(frozen=True, slots=True)
class Step:
    """From here on a step is so long."""

    mm: float


@dataclass(frozen=True, slots=True)
class GiveUp:
    """No further marks; nothing is kept."""


def read(line: str, step_mm: float) -> Jog | Found | Skip | Step | GiveUp | str:
    """What a typed line means; a text says why it means nothing."""
    words = line.lower().split()
    match words:
        case ["here"]:
            return Found()
        case ["skip"]:
            return Skip()
        case ["stop"]:
            return GiveUp()
        case ["off", *numbers]:
            values = [_number(one) for one in numbers]
            if len(values) == 2 and values[0] is not None and values[1] is not None:
                if max(abs(values[0]), abs(values[1])) <= OFF_MAX_MM:
                    return Found(values[0], values[1])
                return f"expected an offset of at most {OFF_MAX_MM:g} mm"
            return "expected two numbers after off: mm right, mm down"
        case [letters] if set(letters) <= set(_WAYS):
            return _jog(letters, step_mm)
        case [letter, number] if letter in _WAYS:
            value = _number(number)
            return f"expected mm after {letter}" if value is None else _jog(letter, value)
        case [number] if _number(number) in STEPS_MM:
            return Step(float(number))
        case _:
            return HELP


def _jog(letters: str, step_mm: float) -> Jog | str:
    right = sum(_WAYS[one][0] for one in letters) * step_mm
    down = sum(_WAYS[one][1] for one in letters) * step_mm
    if max(abs(right), abs(down)) > JOG_MAX_MM:
        return f"expected at most {JOG_MAX_MM:g} mm at a time"
    return Jog(right, down)


def _number(word: str) -> float | None:
    try:
        value = float(word)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


# Single keys ---------------------------------------------------------------------------------------------------------

ARROW_WAYS = {"right": (1.0, 0.0), "left": (-1.0, 0.0), "up": (0.0, -1.0), "down": (0.0, 1.0)}
STEP_KEYS = {str(number): mm for number, mm in enumerate(STEPS_MM, 1)}

KEY_HELP = (
    "arrow keys: a step | 1 2 3: length of a step 0.1, 1, 10 mm | or words and Enter: r l u d, r 2.5, here, off DX DY, "
    "skip, stop (Enter alone tells more)"
)


class Typing:
    """What is typed at one mark, key by key: a jog by an arrow, a step by a digit, or a word that Enter ends. Pure.

    ``step_mm``: the length of a step by now; ``text``: the word so far; ``said``: why the last word meant nothing.
    """

    def __init__(self, step_mm: float) -> None:
        self.step_mm = step_mm
        self.text = ""
        self.said = ""
        self._digit = ""

    def key(self, key: str) -> Jog | Found | Skip | GiveUp | None:
        """Take one key; what it comes to, or None as long as nothing is meant."""
        self.said = ""
        if key in ARROW_WAYS and not self.text:
            right, down = ARROW_WAYS[key]
            return Jog(right * self.step_mm, down * self.step_mm)
        if key == GONE or (key == END and not self.text):
            return GiveUp()
        if key == BACK:
            self.text = self.text[:-1]
        elif key == ENTER:
            return self._word()
        elif len(key) == 1:
            if not self.text and key in STEP_KEYS:
                self.step_mm, self._digit = STEP_KEYS[key], key
                return None
            self.text += key
        return None

    def _word(self) -> Jog | Found | Skip | GiveUp | None:
        # Somebody who types the number 10 has pressed the key 1 first.
        word, whole = self.text, self._digit + self.text
        self.text, self._digit = "", ""
        answer = read(whole if word and _number(whole) in STEPS_MM else word, self.step_mm)
        if isinstance(answer, Step):
            self.step_mm = answer.mm
        elif isinstance(answer, str):
            self.said = answer
        else:
            return answer
        return None


class TerminalSteerer:
    """Asks on the terminal until an answer means something: by single keys where the terminal can, else by lines.

    Raises RefusedError when there is no terminal. ``close`` it, or use it as a context manager: only then is the
    terminal surely as it was. Lines can be read from it in between once ``rest`` was called.
    """

    def __init__(self, console: Console, stdin: TextIO = sys.stdin, *, single_keys: bool = True) -> None:
        self._console = console
        self._lines = TerminalOperator(console, stdin)
        self._lines.need_terminal()
        self._step_mm = 1.0
        self._helped = False
        self._keys: KeyTerminal | None = None
        if single_keys:
            with contextlib.suppress(OSError, ValueError, termios.error):
                self._keys = KeyTerminal(stdin.fileno())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.rest()

    def rest(self) -> None:
        """The terminal is as it was, until the next mark."""
        if self._keys is not None:
            self._keys.restore()

    async def steer(self, at: AtMark) -> Jog | Found | Skip | None:
        """See ``Steerer``. A terminal that ends gives up."""
        right, down = at.off_mm
        jogged = "" if at.off_mm == (0.0, 0.0) else f", jogged {right:+.1f} mm right, {down:+.1f} mm down"
        self._console.print(f"mark {at.number} of {at.count}, [bold]{at.name}[/]{jogged}", soft_wrap=True)
        if not self._helped:
            self._console.print(HELP if self._keys is None else KEY_HELP, soft_wrap=True)
            self._helped = True
        answer = await (self._by_lines() if self._keys is None else self._by_keys(self._keys))
        return None if isinstance(answer, GiveUp) else answer

    async def _by_lines(self) -> Jog | Found | Skip | GiveUp:
        while True:
            self._console.print(f"step {self._step_mm:g} mm > ", end="")
            line = await self._lines.line()
            if not line:
                return GiveUp()
            answer = read(line, self._step_mm)
            if isinstance(answer, Step):
                self._step_mm = answer.mm
            elif isinstance(answer, str):
                self._console.print(answer, soft_wrap=True)
            else:
                return answer

    async def _by_keys(self, terminal: KeyTerminal) -> Jog | Found | Skip | GiveUp:
        typing = Typing(self._step_mm)
        terminal.take()
        self._show(typing)
        try:
            while True:
                for key in await terminal.keys():
                    answer = typing.key(key)
                    if typing.said:
                        self._console.file.write("\r\x1b[K")
                        self._console.print(typing.said, soft_wrap=True)
                    self._show(typing)
                    if answer is not None:
                        return answer
        finally:
            self._step_mm = typing.step_mm
            self._console.file.write("\n")
            self._console.file.flush()

    def _show(self, typing: Typing) -> None:
        """The line in work, drawn over what was there."""
        self._console.file.write(f"\r\x1b[Kstep {typing.step_mm:g} mm > {typing.text}")
        self._console.file.flush()


# Through a service ---------------------------------------------------------------------------------------------------

ANSWER_S: Final = 900.0
"""Marks are given up when nobody has answered for so long."""
GONE_S: Final = 60.0
"""And so long after the client that began them has gone, unless another answers."""

Answer = Jog | Found | Skip | None


def to_wire(answer: Answer) -> Message:
    """An answer at a mark as the control socket carries it."""
    match answer:
        case Jog(right, down):
            return {"jog_mm": [right, down]}
        case Found(right, down):
            return {"found_mm": [right, down]}
        case Skip():
            return {"skip": True}
    return {"give_up": True}


def from_wire(value: Any) -> Answer:
    """The answer in a value. Raises WireError for one that is none, or beyond what may be jogged or typed."""
    expected = (
        f'"value" {{"jog_mm": [right, down]}} of at most {JOG_MAX_MM:g} mm, {{"found_mm": [right, down]}} of at most '
        f'{OFF_MAX_MM:g} mm, {{"skip": true}} or {{"give_up": true}}'
    )
    match value:
        case {"skip": True} if len(value) == 1:
            return Skip()
        case {"give_up": True} if len(value) == 1:
            return None
        case {"jog_mm": [right, down]} if len(value) == 1 and _within(right, down, JOG_MAX_MM):
            return Jog(float(right), float(down))
        case {"found_mm": [right, down]} if len(value) == 1 and _within(right, down, OFF_MAX_MM):
            return Found(float(right), float(down))
    raise WireError(expected, repr(value))


def _within(right: Any, down: Any, most_mm: float) -> bool:
    return all(type(one) in (int, float) and abs(one) <= most_mm for one in (right, down))


class AskedSteerer:
    """Asks over the control socket, at marks and whether to keep the map; gives up when nobody answers.

    gone: set when the client that began it has left. answer_s, gone_s: see ``ANSWER_S`` and ``GONE_S``.
    """

    def __init__(
        self, prompts: Prompts, gone: asyncio.Event, answer_s: float = ANSWER_S, gone_s: float = GONE_S
    ) -> None:
        self._prompts, self._gone = prompts, gone
        self._answer_s, self._gone_s = answer_s, gone_s

    async def steer(self, at: AtMark) -> Answer:
        """See ``Steerer``. Raises StoppedError when nobody answers in time."""
        question = {
            "kind": "steer", "question": f"mark {at.name}: where does it lie?", "mark": at.name, "number": at.number,
            "count": at.count, "off_mm": list(at.off_mm),
        }  # fmt: skip
        answer: Answer = await self._in_time(self._prompts.ask(question, accept=from_wire))
        return answer

    async def confirm(self, question: str) -> bool:
        """Yes or no. Raises StoppedError when nobody answers in time."""
        return bool(await self._in_time(self._prompts.ask({"kind": "confirm", "question": question})))

    async def load_pen(self, part: PreparedPass, number: int, count: int) -> bool:  # noqa: ARG002
        """Marks need no pen."""
        return False

    async def _in_time(self, asking: Coroutine[Any, Any, Any]) -> Any:
        task = asyncio.ensure_future(asking)
        left = asyncio.ensure_future(self._left())
        try:
            await asyncio.wait({task, left}, timeout=self._answer_s, return_when=asyncio.FIRST_COMPLETED)
            if task.done():
                return task.result()
            why = (
                f"whoever measured them has left, {self._gone_s:g} s ago"
                if left.done()
                else f"nobody has answered for {self._answer_s:g} s"
            )
            raise StoppedError(f"the marks were given up, {why}; the map in force stays")
        finally:
            left.cancel()
            task.cancel()
            await asyncio.gather(task, left, return_exceptions=True)

    async def _left(self) -> None:
        await self._gone.wait()
        await asyncio.sleep(self._gone_s)
