"""Whoever looks on while a session runs. Every method may be left as it is; none may raise or wait."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

from controller.session.prepared import PreparedPass
from controller.session.recorder import Advance
from controller.session.states import DaemonState


class DriftWords(Protocol):
    """What an onlooker needs to know of a machine's drift (``drifting.MachineDrift`` has it)."""

    @property
    def short(self) -> tuple[str, ...]:
        """One sentence each."""
        ...

    @property
    def open_jumps(self) -> tuple[Any, ...]:
        """Named jumps that nobody has looked at."""
        ...


class Watcher:
    """Told of everything, does nothing. Subclass and take what is of interest."""

    def state(self, state: DaemonState) -> None:
        """The daemon has entered a state."""

    def homing_begun(self) -> None:
        """Both axes are about to look for their switches; ``homed`` tells the end, or the session does."""

    def homed(self, accepted: bool, lines: Sequence[str]) -> None:
        """A homing was judged; one sentence an axis."""

    def drifted(self, drift: DriftWords) -> None:
        """What all homings up to the last say of the machine."""

    def pass_begun(self, part: PreparedPass, number: int, count: int, finished: int, ticks: int) -> None:
        """Pass ``number`` of ``count`` begins; ``finished`` strokes were painted before, ``ticks`` are to come."""

    def measuring_begun(self, what: str, ticks: int) -> None:
        """A test (circle, axis, line) of so many ticks is about to be driven."""

    def advanced(self, advance: Advance, strokes: int, ticks_total: int) -> None:
        """The run has come further; ``strokes`` finished in the pass, earlier runs included."""

    def pass_ended(self, part: PreparedPass, state: str) -> None:
        """The pass has ended: finished, stopped or halted."""

    def note(self, text: str) -> None:
        """Something a person should read."""


class Beside(Watcher):
    """Looks on over all sessions of a service."""

    def session_ended(self, end: str) -> None:
        """A session has ended; ``end`` as in the journal."""
