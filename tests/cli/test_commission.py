"""``giornata commission`` and ``giornata calibration`` as a shell and a person at its terminal see them."""

from __future__ import annotations

import asyncio
import os
import signal
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from controller.calibrate.values import Measured
from controller.cli.console import Exit
from controller.config.load import load_machine
from controller.config.places import StateDir
from controller.session import calibrationkeep, commissionask
from controller.session.commissionask import TerminalQuestioner
from controller.session.daemon import locked
from controller.session.journal import Journal
from controller.session.operator import TerminalOperator
from safety import latch

from .conftest import Answer, Shell

DAY_MS = 86_400_000
CTRL_C = "\x03"


class Keyboard:
    """What a person types: by a piece of the question, else ``go`` to a step, ``y`` to a yes or no."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, replies: dict[str, str] | None = None) -> None:
        self.replies = replies or {}
        self.questions: list[str] = []
        keyboard = self

        class AtKeyboard(TerminalOperator):
            def __init__(self, console: Console) -> None:
                super().__init__(Told(keyboard, console))  # type: ignore[arg-type]

            def need_terminal(self) -> None:
                pass

            async def line(self) -> str:
                answer = keyboard.answer()
                if answer == CTRL_C:
                    os.kill(os.getpid(), signal.SIGINT)
                    await asyncio.Event().wait()
                return answer + "\n"

        class Questioner(TerminalQuestioner):
            def __init__(self, console: Console, *more: object, **named: object) -> None:
                told = Told(keyboard, console)
                super().__init__(told, *more, **named)  # type: ignore[arg-type]

        monkeypatch.setattr(commissionask, "TerminalOperator", AtKeyboard)
        monkeypatch.setattr(commissionask, "TerminalQuestioner", Questioner)

    def answer(self) -> str:
        """To the last question."""
        question = self.questions[-1]
        for piece, reply in self.replies.items():
            if piece in question:
                return reply
        return "go" if "Begin?" in question else "y"


class Told:
    """A console that notes questions: what is printed without a line's end."""

    def __init__(self, keyboard: Keyboard, console: Any) -> None:
        self._keyboard = keyboard
        self._console: Any = console._console if isinstance(console, Told) else console
        self.width = 80

    def print(self, text: str = "", **named: object) -> None:
        """As the console's."""
        if named.get("end") == "":
            self._keyboard.questions.append(text)
        self._console.print(text, **named)


def commission(shell: Shell, *arguments: object) -> Answer:
    """In virtual time."""
    return shell.verb("commission", "--virtual", *arguments)


def test_a_person_is_led_can_leave_by_ctrl_c_and_goes_on_there(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Why, what moves, how far, how fast, what to hold: before each step. Ctrl-C at a question is told as such and
    exits so; the next call asks nothing that is done, and takes up the step that was left."""
    here = Keyboard(monkeypatch, {"Which way": CTRL_C})
    left = commission(shell)
    assert left.code == Exit.INTERRUPTED
    heads = [one for one in here.questions if "Begin?" in one]
    assert [one.split("\n")[1] for one in heads] == [
        "Step 1 of 8, stops", "Step 2 of 8, stop-command", "Step 3 of 8, direction",
    ]  # fmt: skip
    for piece in ("why:", "moves: Each axis by 5 mm at 10 mm/s", "hold:  The emergency stop"):
        assert piece in heads[-1]
    assert max(len(line) for one in heads for line in one.split("\n")[:-1]) <= 80
    assert "direction: stop asked for: SIGINT" in left.err
    assert latch.read(StateDir(shell.state).latch) is None

    again = Keyboard(
        monkeypatch,
        {"Which way did the head go?": "r", "axis y": "quit", "Axis y is about": "n"},
    )
    on = commission(shell)
    assert on.code == Exit.REFUSED
    assert "Step 3 of 8, direction" in again.questions[0]
    assert "direction: axis y: nobody was ready" in on.err
    shown = shell.verb("commission", "--show", "--json").json["steps"]
    assert [(one["step"], one["holds"]) for one in shown[:4]] == [
        ("stops", True), ("stop-command", True), ("direction", False), ("counts", False),
    ]  # fmt: skip
    assert shown[2]["last"]["state"] == "failed"


def test_a_latch_that_nobody_clears_is_the_exit_code(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """A no to clearing: the latch stays, the exit code is that of a halt, and the next call begins nothing."""
    here = Keyboard(monkeypatch, {"may the latch be cleared?": "n"})
    assert commission(shell).code == Exit.HALTED
    here.questions.clear()
    refused = commission(shell)
    assert (refused.code, here.questions) == (Exit.REFUSED, [])
    assert "giornata clear" in refused.err


def test_what_is_refused_at_once(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """A service that holds the machine, no terminal, a step out of turn, one that there is not: words, a code, and
    nothing has run."""
    machine = load_machine(shell.machine)
    with locked(StateDir.open(shell.state, machine.name), "serve"):
        held = commission(shell)
    assert held.code == Exit.REFUSED
    assert "serve" in held.err
    alone = commission(shell)
    assert alone.code == Exit.REFUSED
    assert "a person has to answer and there is no terminal" in alone.err
    Keyboard(monkeypatch)
    early = commission(shell, "--step", "homing")
    assert early.code == Exit.REFUSED
    assert "step stops comes before homing and does not hold" in early.err
    strange = commission(shell, "--step", "dance")
    assert strange.code == Exit.BAD_INPUT
    assert "one of stops, stop-command" in strange.err
    assert shell.runs == []


def test_how_it_stands_needs_no_state(shell: Shell) -> None:
    """Before the first step: all to do, and nothing is made."""
    shown = shell.verb("commission", "--show")
    assert shown.code == 0
    assert shown.out.count("to do") == 8
    assert not shell.state.exists()


@pytest.fixture
def history(shell: Shell) -> Shell:
    """Five dates of play, three of a length table, one of a sign."""
    machine = load_machine(shell.machine)
    state = StateDir.open(shell.state, machine.name)
    for number, play_mm in enumerate((0.25, 0.27, 0.26, 0.31, 0.33)):
        at_ms = 1_790_000_000_000 + 30 * number * DAY_MS
        journal = Journal.open(state.journal, machine.name, now_ms=partial(int, at_ms))
        values = [Measured("axes.x.play_mm", play_mm, "mm", 0.02, "comb", 6)]
        if number % 2 == 0:
            table = {"position_mm": (20.0, 1700.0, 3380.0), "error_mm": (0.0, 0.3 + 0.05 * number, 0.9)}
            values.append(Measured("axes.x.length_table", table, "mm", 0.15, "tape", 3))
        if number == 0:
            values.append(Measured("geometry.squareness_mm_m", 0.8, "mm/m", 0.1, "diagonals", 2))
            values.append(Measured("axes.x.drive.direction", 1, "", None, "direction", 1))
        calibrationkeep.keep(journal, shell.machine, values, person="Ada", session=None)
        journal.close()
    return shell


def test_the_history_is_listed_shown_and_compared(history: Shell) -> None:
    """Every value with its date and person; two of a field, and whether they differ by more than they leave open."""
    listed = history.verb("calibration", "list")
    assert listed.code == 0
    assert "axes.x.play_mm" in listed.out
    rows = history.verb("calibration", "list", "--json").json["calibrations"]
    assert [row["value"] for row in rows if row["field"] == "axes.x.play_mm"] == [
        0.25,
        0.27,
        0.26,
        0.31,
        0.33,
    ]
    ids = [row["id"] for row in rows if row["field"] == "axes.x.play_mm"]
    assert "person: Ada" in history.verb("calibration", "show", ids[0]).out
    near = history.verb("calibration", "diff", ids[0], ids[1], "--json").json
    far = history.verb("calibration", "diff", ids[0], ids[-1])
    assert (near["by"], near["real"]) == (pytest.approx([0.02]), False)
    assert "difference +0.08 mm: more than both intervals allow" in far.out
    strange = history.verb("calibration", "show", 99)
    assert (strange.code, "no calibration 99" in strange.err) == (Exit.REFUSED, True)


def test_the_history_is_drawn(history: Shell, tmp_path: Path) -> None:
    """A value over time and a table by place come as PNG; what is no field of the history is told."""
    for name in ("axes.x.play_mm", "axes.x.length_table", "axes.x.drive.direction"):
        picture = tmp_path / f"{name}.png"
        assert history.verb("calibration", "plot", name, "--png", picture).code == 0
        assert picture.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
        assert len(picture.read_bytes()) > 5000
    strange = history.verb("calibration", "plot", "axes.y.play_mm", "--png", tmp_path / "none.png")
    assert strange.code == Exit.REFUSED
    assert "measured were axes.x.drive.direction" in strange.err


def test_values_go_into_the_file_and_out_again(history: Shell) -> None:
    """Written: the file says it, the one before is kept. Taken back, though something else was written since: the file
    is as it was but for that, without a table that had been opened for the value alone."""
    before = history.machine.read_text()
    assert "[geometry]" not in before
    rows = history.verb("calibration", "list", "--json").json["calibrations"]
    square = next(row["id"] for row in rows if row["field"] == "geometry.squareness_mm_m")
    play = [row["id"] for row in rows if row["field"] == "axes.x.play_mm"][-1]
    written = history.verb("calibration", "write", square)
    assert "geometry.squareness_mm_m: left out -> 0.8" in written.out
    assert "[geometry]\nsquareness_mm_m = 0.8\n" in history.machine.read_text()
    kept = history.verb("calibration", "write", play, "--json").json["kept"]
    assert "squareness_mm_m" in Path(kept).read_text()
    back = history.verb("calibration", "revert", "geometry.squareness_mm_m")
    assert back.code == 0
    assert history.machine.read_text() == before.replace("play_mm = 0.25", "play_mm = 0.33", 1)
    again = history.verb("calibration", "revert", "geometry.squareness_mm_m")
    assert (again.code, "was not written" in again.err) == (Exit.REFUSED, True)
