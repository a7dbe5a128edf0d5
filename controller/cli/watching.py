"""How a session is shown while it runs: one progress bar a pass, one line for what matters. No logic."""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType
from typing import Self

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn, TimeRemainingColumn

from controller.config.counting import counted
from controller.session.prepared import PreparedPass
from controller.session.recorder import Advance
from controller.session.states import DaemonState
from controller.session.watcher import DriftWords, Watcher


class TerminalWatcher(Watcher):
    """Shows a session on a console. Use as a context manager; ``quiet`` shows nothing."""

    def __init__(self, console: Console, *, quiet: bool = False) -> None:
        self._console = console
        self._quiet = quiet
        self._bars = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=30),
            TextColumn("{task.fields[strokes]}"),
            TimeElapsedColumn(),
            TimeRemainingColumn(),
            console=console,
            transient=True,
            disable=quiet or not console.is_terminal,
        )
        self._bar: TaskID | None = None
        self._total_strokes = 0
        self._measuring = False
        self._drift_said: Sequence[str] = ()

    def __enter__(self) -> Self:
        self._bars.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bars.stop()

    def state(self, state: DaemonState) -> None:
        """A prompt and a bar do not share a terminal."""
        if state in (DaemonState.WAITING, DaemonState.PAUSED):
            self._bars.stop()
        elif state is DaemonState.PAINTING:
            self._bars.start()

    def rest(self) -> None:
        """A question comes: no bar, lest it wipe the question away."""
        self._drop_bar()
        self._bars.stop()

    def homing_begun(self) -> None:
        """A bar without an end: nobody knows how far the switches are."""
        self._bars.start()
        self._drop_bar()
        self._total_strokes = 0
        self._bar = self._bars.add_task("homing", total=None, strokes="looking for the switches")

    def homed(self, accepted: bool, lines: Sequence[str]) -> None:
        """One line an axis."""
        self._drop_bar()
        for line in lines:
            self._say(f"[{'green' if accepted else 'red'}]homing[/] {escape(line)}")

    def drifted(self, drift: DriftWords) -> None:
        """One line a sentence; what is as it was the time before is not said again."""
        lines = [line for line in drift.short if line not in self._drift_said]
        self._drift_said = drift.short
        for line in lines:
            self._say(f"[{'red' if drift.open_jumps else 'cyan'}]drift[/] {escape(line)}")

    def pass_begun(self, part: PreparedPass, number: int, count: int, finished: int, ticks: int) -> None:
        """Begin a bar."""
        left = "" if not finished else f", {counted(finished, 'stroke is', 'strokes are')} painted already"
        self._say(
            f"pass {number} of {count}: [bold]{part.name}[/], {counted(part.strokes, 'stroke')}, "
            f"{part.metres:.1f} m{left}"
        )
        self._total_strokes = part.strokes
        self._drop_bar()
        self._bar = self._bars.add_task(part.name, total=ticks, strokes=f"{finished}/{part.strokes} strokes")

    def measuring_begun(self, what: str, ticks: int) -> None:
        """Begin a bar."""
        self._drop_bar()
        self._total_strokes, self._measuring = 0, True
        self._bar = self._bars.add_task(f"measuring: {what}", total=ticks, strokes="")

    def advanced(self, advance: Advance, strokes: int, ticks_total: int) -> None:
        """Move the bar."""
        if self._bar is not None and self._measuring:
            self._bars.update(self._bar, completed=min(advance.ticks, ticks_total))
        elif self._bar is not None and self._total_strokes:
            self._bars.update(
                self._bar,
                completed=min(advance.ticks, ticks_total),
                strokes=f"{strokes}/{self._total_strokes} strokes",
            )

    def pass_ended(self, part: PreparedPass, state: str) -> None:
        """End the bar."""
        self._drop_bar()
        if state != "finished":
            self._say(f"pass {part.name}: [yellow]{state}[/]")

    def note(self, text: str) -> None:
        """One line."""
        self._say(f"[cyan]note[/] {escape(text)}")

    def _drop_bar(self) -> None:
        if self._bar is not None:
            self._bars.remove_task(self._bar)
            self._bar = None

    def _say(self, text: str) -> None:
        if not self._quiet:
            self._console.print(text, soft_wrap=True)
