"""A person at the terminal who steers the tip on to register marks: what they may type, and what it means.

Owns the words only; controller/session/registering.py moves. ``read`` is pure.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, TextIO

from controller.session.operator import TerminalOperator
from controller.session.registering import JOG_MAX_MM, AtMark, Found, Jog, Skip

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


class TerminalSteerer:
    """Asks on the terminal until an answer means something. Raises RefusedError when there is no terminal."""

    def __init__(self, console: Console, stdin: TextIO = sys.stdin) -> None:
        self._console = console
        self._lines = TerminalOperator(console, stdin)
        self._lines.need_terminal()
        self._step_mm = 1.0
        self._helped = False

    async def steer(self, at: AtMark) -> Jog | Found | Skip | None:
        """See ``Steerer``. A terminal that ends gives up."""
        right, down = at.off_mm
        jogged = "" if at.off_mm == (0.0, 0.0) else f", jogged {right:+.1f} mm right, {down:+.1f} mm down"
        self._console.print(f"mark {at.number} of {at.count}, [bold]{at.name}[/]{jogged}", soft_wrap=True)
        if not self._helped:
            self._console.print(HELP, soft_wrap=True)
            self._helped = True
        while True:
            self._console.print(f"step {self._step_mm:g} mm > ", end="")
            line = await self._lines.line()
            if not line:
                return None
            answer = read(line, self._step_mm)
            if isinstance(answer, GiveUp):
                return None
            if isinstance(answer, Step):
                self._step_mm = answer.mm
            elif isinstance(answer, str):
                self._console.print(answer, soft_wrap=True)
            else:
                return answer
