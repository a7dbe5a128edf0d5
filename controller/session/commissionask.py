"""What the commissioning asks of the person at the machine, and who answers.

Owns the questions' shape and the terminal that asks them. A question that needs no answer (``do``) is something to be
done by hand while the service looks on. Nothing here moves anything.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar, Final, Literal, Protocol

from controller.session.operator import TerminalOperator

if TYPE_CHECKING:
    from rich.console import Console

HEAD: Final = re.compile(r"  (?:\w+:|-) +")
"""What a line of a list begins with."""

Answer = bool | float | str | None
"""Yes or no, a number in the question's unit, one of its choices; None: go no further."""


@dataclass(frozen=True, slots=True)
class Ask:
    """A question. ``key`` names it for whoever answers without reading, with what it is about in ``about``.

    ``yes-no``; ``number`` from ``low`` to ``high`` in ``unit``; ``choice`` of ``choices``; ``do``: only told.
    """

    key: str
    text: str
    kind: Literal["yes-no", "number", "choice", "do"]
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()
    about: Mapping[str, Any] = field(default_factory=dict)

    code: ClassVar[str] = "ask-commissioning"
    """The catalogue's entry that says how these questions are answered."""

    def takes(self, answer: Answer) -> bool:
        """Whether this is an answer to it. None always is."""
        if answer is None or self.kind == "do":
            return True
        if self.kind == "yes-no":
            return isinstance(answer, bool)
        if self.kind == "choice":
            return isinstance(answer, str) and answer in self.choices
        is_number = isinstance(answer, int | float) and not isinstance(answer, bool)
        return is_number and self.low <= float(answer) <= self.high


class Questioner(Protocol):
    """Whoever stands at the machine and answers: a person at a terminal, or one who is simulated."""

    @property
    def person(self) -> str:
        """Who confirms, for the record."""
        ...

    async def ask(self, question: Ask) -> Answer:
        """The answer; to ``do`` None at once. What is no answer to the question is asked for again by the caller."""
        ...


class TerminalQuestioner:
    """Asks on the terminal. Without one there is nobody to ask, and that is refused."""

    def __init__(
        self, console: Console, person: str, terminal: TerminalOperator | None = None,
        before: Callable[[], None] | None = None, *, virtual: bool = False,
    ) -> None:  # fmt: skip
        """``before`` is called before every question: what else writes on the terminal leaves it alone then.
        ``virtual``: time runs as fast as it can, so that no other terminal could ask for a stop in time."""
        self._before, self._virtual = before, virtual
        self._console = console
        self._terminal = terminal or TerminalOperator(console)
        self._person = person

    @property
    def person(self) -> str:
        """Who confirms, for the record."""
        return self._person

    async def ask(self, question: Ask) -> Answer:
        """Prompt. An empty line or ``quit`` gives up, but for a yes or no, where it is a no."""
        from rich.markup import escape

        if self._before is not None:
            self._before()
        if question.kind == "do":
            self._console.print(f"[bold]{escape(question.text)}[/]")
            service = question.about.get("service")
            if self._virtual and service is not None:
                self._console.print(
                    "(virtual time: no other terminal is quick enough, so it is asked for here)"
                )
                service.stop("stop", self._person, at_once=True)
            return None
        told = "\n".join(self._folded(line) for line in question.text.split("\n"))
        if question.kind == "yes-no":
            return await self._terminal.confirm(escape(told))
        while True:
            self._console.print(f"{escape(told)} [bold]\\[{escape(_hint(question))}][/] ", end="")
            word = (await self._terminal.line()).strip().lower()
            if word in ("", "quit"):
                return None
            answer = _read(question, word)
            if answer is not None and question.takes(answer):
                return answer
            self._console.print(f"expected {escape(_hint(question))}, got {escape(repr(word))}")
            told = told.split("\n")[-1]

    def _folded(self, line: str) -> str:
        """A line of a list (``  moves: ...``, ``  - ...``), its further lines set in as far as its words."""
        found = HEAD.match(line)
        if found is None:
            return line
        return textwrap.fill(line, self._console.width, subsequent_indent=" " * len(found[0]))


def _hint(question: Ask) -> str:
    if question.kind == "choice":
        return " / ".join(question.choices if "stop" in question.choices else (*question.choices, "quit"))
    return f"{question.low:g} to {question.high:g} {question.unit}, quit"


def _read(question: Ask, word: str) -> Answer:
    if question.kind == "choice":
        found = [one for one in question.choices if one.startswith(word)]
        return found[0] if len(found) == 1 else None
    try:
        return float(word.replace(",", "."))
    except ValueError:
        return None
