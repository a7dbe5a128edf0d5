"""Questions of the commissioning on a terminal that has shown a bar."""

from __future__ import annotations

import io

from rich.console import Console

from controller.cli.watching import TerminalWatcher
from controller.session.commissionask import Ask, TerminalQuestioner
from controller.session.operator import TerminalOperator


async def test_a_bar_does_not_draw_over_a_question() -> None:
    """A bar ran for homing. Whatever is asked, the bar is gone before its words and stays so until the answer, also
    when something is told meanwhile; nothing that moves the cursor back comes behind the question."""
    shown = io.StringIO()
    console = Console(file=shown, force_terminal=True, width=100)
    kinds = (
        Ask("ready", "Ready?", "yes-no"),
        Ask("free", "How far?", "number", "mm", 1.0, 9.0),
        Ask("begin", "Begin?", "choice", choices=("go", "stop")),
        Ask("open", "Open the loop now.", "do"),
    )
    answers = iter(("y", "3", "go"))

    class Typed(TerminalOperator):
        def need_terminal(self) -> None:
            pass

        async def line(self) -> str:
            assert not watcher._bars.live.is_started
            watcher.note("stopping at once")
            return next(answers) + "\n"

    with TerminalWatcher(console) as watcher:
        questioner = TerminalQuestioner(console, "Ada", Typed(console), before=watcher.rest)
        for question in kinds:
            watcher.homing_begun()
            assert watcher._bars.live.is_started
            await questioner.ask(question)
            behind = shown.getvalue().rpartition(question.text)[2]
            assert not watcher._bars.live.is_started
            assert "\x1b[1A" not in behind  # up a line: how a live display goes back over itself
            assert "\x1b[2K" not in behind
