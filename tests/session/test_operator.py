"""Asking a person on a terminal."""

from __future__ import annotations

import asyncio
import io
import os
import pty

import pytest
from rich.console import Console

from controller.config.errors import RefusedError
from controller.session.operator import TerminalOperator
from controller.session.prepared import PreparedPass

FRESH = PreparedPass(
    name="teal-2",
    ink="teal",
    number=2,
    of=3,
    turn=0,
    colour="#1f7a78",
    tip_mm=4.0,
    tip_end_mm=4.0,
    strokes=3,
    metres=0.15,
    pen_m=0.0,
    ticks=1,
    seconds=0.1,
    fresh_pen=True,
    cut_by="metres",
    too_long=False,
    wet_strokes=0,
    wet_minutes=0.0,
    digest="",
)


@pytest.mark.parametrize(
    ("typed", "answer"), [("y\n", True), ("YES\n", True), ("n\n", False), ("\n", False), ("yeah\n", False)]
)
async def test_only_yes_is_yes(typed: str, answer: bool) -> None:
    """y and yes mean yes; anything else, an empty line too, means no."""
    ours, theirs = pty.openpty()
    shown = io.StringIO()
    with os.fdopen(theirs, "r") as stdin:
        operator = TerminalOperator(Console(file=shown), stdin)
        os.write(ours, typed.encode())
        assert await operator.load_pen(FRESH, 2, 3) is answer
    os.close(ours)
    assert "pass 2 of 3" in shown.getvalue()
    assert "teal" in shown.getvalue()


async def test_waiting_blocks_nobody_and_can_be_called_off() -> None:
    """While a person thinks, the loop runs on; a cancelled question leaves no reader behind."""
    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "r") as stdin:
        operator = TerminalOperator(Console(file=io.StringIO()), stdin)
        question = asyncio.ensure_future(operator.confirm("Sure?"))
        await asyncio.sleep(0)
        assert not question.done()
        question.cancel()
        with pytest.raises(asyncio.CancelledError):
            await question
        assert not asyncio.get_running_loop().remove_reader(theirs)
    os.close(ours)


async def test_nobody_to_ask() -> None:
    """Without a terminal the question is refused, with the way out."""
    read_end, write_end = os.pipe()
    with os.fdopen(read_end) as stdin, pytest.raises(RefusedError, match="--yes"):
        await TerminalOperator(Console(file=io.StringIO()), stdin).confirm("Sure?")
    os.close(write_end)


def test_prompt_says_whether_a_fresh_pen_is_wanted() -> None:
    """A fresh pen is asked for by ink and tip; a pen in use by what it has painted and how wide it is by then."""

    def said(part: PreparedPass) -> str:
        ours, theirs = pty.openpty()
        shown = io.StringIO()
        with os.fdopen(theirs, "r") as stdin:
            os.write(ours, b"y\n")
            asyncio.run(TerminalOperator(Console(file=shown, width=200), stdin).load_pen(part, 2, 3))
        os.close(ours)
        return shown.getvalue()

    worn = FRESH.model_copy(update={"fresh_pen": False, "pen_m": 43.21, "tip_mm": 4.18})
    assert "teal-2: put in a fresh teal pen (#1f7a78, 4 mm tip); 3 strokes" in said(FRESH)
    assert "teal-2: the teal pen that has painted 43.2 m goes on (#1f7a78, 4.18 mm tip)" in said(worn)
