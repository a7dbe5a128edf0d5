"""Several onlookers of one session as one."""

from __future__ import annotations

from collections.abc import Sequence

from controller.session.prepared import PreparedPass
from controller.session.recorder import Advance
from controller.session.states import DaemonState
from controller.session.watcher import DriftWords, Watcher


class Watchers(Watcher):
    """Tells each of all, in order."""

    def __init__(self, *watchers: Watcher) -> None:
        self._all = watchers

    def state(self, state: DaemonState) -> None:
        """Tell each."""
        for one in self._all:
            one.state(state)

    def homing_begun(self) -> None:
        """Tell each."""
        for one in self._all:
            one.homing_begun()

    def homed(self, accepted: bool, lines: Sequence[str]) -> None:
        """Tell each."""
        for one in self._all:
            one.homed(accepted, lines)

    def drifted(self, drift: DriftWords) -> None:
        """Tell each."""
        for one in self._all:
            one.drifted(drift)

    def pass_begun(self, part: PreparedPass, number: int, count: int, finished: int, ticks: int) -> None:
        """Tell each."""
        for one in self._all:
            one.pass_begun(part, number, count, finished, ticks)

    def measuring_begun(self, what: str, ticks: int) -> None:
        """Tell each."""
        for one in self._all:
            one.measuring_begun(what, ticks)

    def advanced(self, advance: Advance, strokes: int, ticks_total: int) -> None:
        """Tell each."""
        for one in self._all:
            one.advanced(advance, strokes, ticks_total)

    def pass_ended(self, part: PreparedPass, state: str) -> None:
        """Tell each."""
        for one in self._all:
            one.pass_ended(part, state)

    def note(self, text: str) -> None:
        """Tell each."""
        for one in self._all:
            one.note(text)
