"""Single keys at a mark: what bytes mean, what keys come to, and that the terminal is as it was."""

from __future__ import annotations

import asyncio
import os
import pty
import termios
from io import StringIO

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from controller.config.errors import RefusedError
from controller.session.keys import KeyDecoder, KeyTerminal
from controller.session.registering import AtMark, Found, Jog, Skip
from controller.session.steering import KEY_HELP, GiveUp, TerminalSteerer, Typing

AT = AtMark("top", 1, 4, (0.0, 0.0))


@pytest.mark.parametrize(
    ("data", "keys"),
    [
        (b"\x1b[A\x1b[B\x1b[C\x1b[D", ["up", "down", "right", "left"]),
        (b"\x1bOA", ["up"]),
        (b"\x1b[1;2C", ["right"]),  # with shift
        (b"\x1b[3~\x1b[15~a", ["a"]),  # delete, a function key
        (b"\x1bx1", ["1"]),  # alt and x
        (b"here\r", ["h", "e", "r", "e", "enter"]),
        (b"\x7f\x04\n", ["back", "end", "enter"]),
        ("ä".encode(), []),
    ],
)
def test_bytes_to_keys(data: bytes, keys: list[str]) -> None:
    """Cursor keys as ECMA-48 (CUU, CUD, CUF, CUB) and xterm's application mode send them; others are left out."""
    assert KeyDecoder().feed(data) == keys


@given(st.binary(max_size=40), st.integers(0, 40))
def test_pieces_mean_what_the_whole_means(data: bytes, at: int) -> None:
    """However a terminal's bytes are cut."""
    whole, pieces = KeyDecoder().feed(data), KeyDecoder()
    assert pieces.feed(data[:at]) + pieces.feed(data[at:]) == whole


def _typed(keys: list[str], step_mm: float = 1.0) -> tuple[object, float]:
    typing = Typing(step_mm)
    answers = [one for one in map(typing.key, keys) if one is not None]
    return (answers[0] if answers else None), typing.step_mm


@pytest.mark.parametrize(
    ("keys", "answer", "step_mm"),
    [
        (["up"], Jog(0.0, -1.0), 1.0),
        (["1", "right"], Jog(0.1, 0.0), 0.1),
        (["3", "down"], Jog(0.0, 10.0), 10.0),
        (["2", "1", "left"], Jog(-0.1, 0.0), 0.1),
        ([*"here", "enter"], Found(), 1.0),
        ([*"off 0.3 -12", "enter"], Found(0.3, -12.0), 1.0),
        ([*"skip", "enter"], Skip(), 1.0),
        ([*"stop", "enter"], GiveUp(), 1.0),
        ([*"rr", "enter"], Jog(2.0, 0.0), 1.0),
        ([*"r 2.5", "enter"], Jog(2.5, 0.0), 1.0),
        ([*"10", "enter"], None, 10.0),
        ([*"0.1", "enter"], None, 0.1),
        ([*"1", "enter"], None, 0.1),
        ([*"heree", "back", "enter"], Found(), 1.0),
        ([*"he", "up"], None, 1.0),  # in the middle of a word an arrow is a slip
        ([*"he", "end"], None, 1.0),
        (["end"], GiveUp(), 1.0),
        (["gone"], GiveUp(), 1.0),
        ([*"he", "gone"], GiveUp(), 1.0),
    ],
)
def test_what_keys_come_to(keys: list[str], answer: object, step_mm: float) -> None:
    """Arrows at once, digits 1 2 3 for the step, words with Enter as ever."""
    assert _typed(keys) == (answer, step_mm)


def test_word_that_means_nothing_says_what_would() -> None:
    """And the next word is a new one."""
    typing = Typing(1.0)
    for key in [*"hare", "enter"]:
        assert typing.key(key) is None
    assert "here: the tip is on the mark" in typing.said
    assert typing.text == ""


class Terminal:
    """A pty; the steerer has its one end, the test the other."""

    def __init__(self) -> None:
        self.person, inside = pty.openpty()
        self.stdin = os.fdopen(inside, "r")
        self.screen = StringIO()
        self.before = termios.tcgetattr(inside)

    def steerer(self) -> TerminalSteerer:
        """As the command makes it."""
        return TerminalSteerer(Console(file=self.screen, width=200), self.stdin)

    @property
    def is_as_it_was(self) -> bool:
        """Whether lines are read and shown."""
        return termios.tcgetattr(self.stdin.fileno()) == self.before

    async def shown(self, text: str) -> None:
        """Until the screen has it: what is typed before the question is forgotten."""
        async with asyncio.timeout(10):
            while text not in self.screen.getvalue():  # noqa: ASYNC110
                await asyncio.sleep(0.001)

    def close(self) -> None:
        """Both ends."""
        os.close(self.person)
        self.stdin.close()


@pytest.fixture
def terminal():
    """A terminal."""
    made = Terminal()
    yield made
    made.close()


async def test_arrow_at_a_mark(terminal: Terminal) -> None:
    """One key, one jog; keys typed before the head had come to rest are forgotten; the step is kept."""
    with terminal.steerer() as steerer:
        os.write(terminal.person, b"\x1b[A\x1b[A\x1b[A")
        asked = asyncio.create_task(steerer.steer(AT))
        await terminal.shown("step 1 mm > ")
        assert not terminal.is_as_it_was
        os.write(terminal.person, b"1\x1b[C\x1b[C")
        assert await asked == Jog(0.1, 0.0)
        asked = asyncio.create_task(steerer.steer(AT))
        await asyncio.sleep(0)
        os.write(terminal.person, b"here\n")
        assert await asked == Found()
    assert KEY_HELP in terminal.screen.getvalue()
    assert terminal.is_as_it_was


@pytest.mark.parametrize("how", ["error", "cancelled", "rest"])
async def test_terminal_is_as_it_was(terminal: Terminal, how: str) -> None:
    """Whatever ends it."""

    async def work() -> None:
        with terminal.steerer() as steerer:
            asked = asyncio.create_task(steerer.steer(AT))
            await terminal.shown("step 1 mm > ")
            assert not terminal.is_as_it_was
            if how == "rest":
                steerer.rest()
                assert terminal.is_as_it_was
            asked.cancel()
            await asyncio.wait({asked})
            if how == "error":
                raise ZeroDivisionError

    if how == "error":
        with pytest.raises(ZeroDivisionError):
            await work()
    else:
        await work()
    assert terminal.is_as_it_was


@pytest.mark.parametrize("typed", ["", "he"])
async def test_terminal_that_ends_gives_up(typed: str) -> None:
    """Its other end is closed: as a typed stop, also in the middle of a word."""
    terminal = Terminal()
    with terminal.steerer() as steerer:
        asked = asyncio.create_task(steerer.steer(AT))
        await terminal.shown("step 1 mm > ")
        os.write(terminal.person, typed.encode())
        await terminal.shown(f"step 1 mm > {typed}")
        os.close(terminal.person)
        async with asyncio.timeout(10):
            assert await asked is None
    terminal.stdin.close()


def test_no_terminal_is_refused() -> None:
    """A pipe has no keys and nobody to ask."""
    read, write = os.pipe()
    with os.fdopen(read) as stdin, pytest.raises(RefusedError, match="no terminal"):
        TerminalSteerer(Console(file=StringIO()), stdin)
    os.close(write)


def test_restoring_twice_is_once() -> None:
    """And before taking it is nothing."""
    terminal = Terminal()
    keys = KeyTerminal(terminal.stdin.fileno())
    keys.restore()
    keys.take()
    keys.restore()
    keys.restore()
    assert terminal.is_as_it_was
    terminal.close()
