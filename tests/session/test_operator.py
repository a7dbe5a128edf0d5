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
from controller.session.prepare import PreparedInk

INK = PreparedInk(
    name="teal", colour="#1f7a78", tip_mm=4.0, strokes=3, metres=0.15, ticks=1, seconds=0.1, digest=""
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
        assert await operator.load_pen(INK, 2, 3) is answer
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
