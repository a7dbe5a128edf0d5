"""The person at the machine: what is asked of them, and how they answer.

Owns questions and answers only; that an answer moves the machine or not is decided elsewhere. Waiting for a
person never blocks the service: Ctrl-C and the control socket go on working at a prompt.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol, TextIO

from controller.config.counting import counted
from controller.config.errors import RefusedError
from controller.session.prepared import PreparedPass

if TYPE_CHECKING:
    from rich.console import Console


class Operator(Protocol):
    """Whoever loads pens and confirms steps. Every answer False means: go no further, nothing moves."""

    async def load_pen(self, part: PreparedPass, number: int, count: int) -> bool:
        """Ask that the pen of ``part`` be in the head, a fresh one or one in use, for pass ``number`` of ``count``."""
        ...

    async def confirm(self, question: str) -> bool:
        """Ask a question that can be answered yes or no."""
        ...


class SimulatedOperator:
    """Does at once what is asked; for simulated machines and for ``--yes``. Keeps what was asked."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    async def load_pen(self, part: PreparedPass, number: int, count: int) -> bool:
        """Say yes."""
        pen = "fresh" if part.fresh_pen else "same"
        self.asked.append(f"{pen} pen {part.ink} for {part.name}, pass {number} of {count}")
        return True

    async def confirm(self, question: str) -> bool:
        """Say yes."""
        self.asked.append(question)
        return True


class TerminalOperator:
    """Asks on the terminal. Without one there is nobody to ask, and that is refused."""

    def __init__(self, console: Console, stdin: TextIO = sys.stdin) -> None:
        self._console = console
        self._stdin = stdin

    async def load_pen(self, part: PreparedPass, number: int, count: int) -> bool:
        """Prompt for a pen: a fresh one, or the one that the ink's last pass was painted with."""
        pen = f"[bold]{part.ink}[/] pen"
        wanted = (
            f"put in a fresh {pen} ({part.colour}, {part.tip_mm:g} mm tip)"
            if part.fresh_pen
            else f"the {pen} that has painted {part.pen_m:.1f} m goes on ({part.colour}, {part.tip_mm:.2f} mm tip)"
        )
        self._console.print(
            f"pass {number} of {count}, {part.name}: {wanted}; {counted(part.strokes, 'stroke')}, "
            f"{part.metres:.1f} m, "
            f"{part.seconds / 60.0:.1f} min"
        )
        return await self.confirm("Is it in, and is everybody clear of the machine?")

    async def confirm(self, question: str) -> bool:
        """Prompt; only yes or y counts as yes."""
        self.need_terminal()
        self._console.print(f"{question} [bold]\\[y/N][/] ", end="")
        answer = await self.line()
        return answer.strip().lower() in ("y", "yes")

    def need_terminal(self) -> None:
        """Raises RefusedError when there is no terminal."""
        if not self._stdin.isatty():
            raise RefusedError(
                "a person has to answer and there is no terminal",
                "run it on a terminal, or give --yes",
                code="needs-terminal",
            )

    async def choose(self, question: str, choices: Sequence[str]) -> str:
        """Prompt for one of these words until one is given; its first letter is enough. A terminal that ends never
        answers: somebody else may."""
        while True:
            self._console.print(f"{question} [bold]\\[{' / '.join(choices)}][/] ", end="")
            line = await self.line()
            if not line:
                await asyncio.Event().wait()
            word = line.strip().lower()
            found = [one for one in choices if word and one.startswith(word)]
            if len(found) == 1:
                return found[0]

    @property
    def has_terminal(self) -> bool:
        """Whether there is one."""
        return self._stdin.isatty()

    async def line(self) -> str:
        """One line of the terminal with its end, without blocking the loop; empty when the terminal has ended.

        Raises RefusedError when there is no terminal.
        """
        self.need_terminal()
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[str] = loop.create_future()

        def readable() -> None:
            if not answer.done():
                answer.set_result(self._stdin.readline())

        descriptor = self._stdin.fileno()
        loop.add_reader(descriptor, readable)
        try:
            return await answer
        except asyncio.CancelledError:
            self._console.print()  # answered elsewhere: what follows begins a line of its own
            raise
        finally:
            loop.remove_reader(descriptor)
