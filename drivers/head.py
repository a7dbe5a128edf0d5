"""The pen lift as pure logic: what its inputs say, and whether it has answered a command in time.

Owns the bits of one drive-output head and the judgement; no bus, no clock. Instants come in as arguments. The
head is where its switches say it is; a command alone proves nothing.
"""

from __future__ import annotations

from enum import Enum

from drivers.clock import NS_PER_MS
from drivers.settings import DriveOutputHead

HEAD_UP = 0
HEAD_DOWN = 1
"""Values of ``outputs`` in ``DriveGroup.send_tick``."""


class HeadPlace(Enum):
    """Where the head's two switches say it is."""

    BETWEEN = "between"
    UP = "up"
    DOWN = "down"
    CONTRADICTORY = "both switches closed"


class HeadVerdict(Enum):
    """How a command is doing. ``OVERDUE`` and ``LOST`` mean: do not paint."""

    IDLE = "nothing commanded yet"
    MOVING = "within the settling time, not there yet"
    ANSWERED = "there, still settling"
    SETTLED = "there and settled"
    OVERDUE = "the settling time is over and it is not there"
    LOST = "no answer within the time-out, contradictory switches, or it has left again"


def place(settings: DriveOutputHead, inputs: int) -> HeadPlace:
    """Read the switches out of ``inputs`` (60FDh of the head's drive)."""
    is_down = bool(inputs >> settings.down_input_bit & 1)
    is_up = bool(inputs >> settings.up_input_bit & 1)
    if is_down and is_up:
        return HeadPlace.CONTRADICTORY
    if is_down:
        return HeadPlace.DOWN
    return HeadPlace.UP if is_up else HeadPlace.BETWEEN


class HeadWatch:
    """Follows one head: commands and inputs in, a verdict out.

    ``settled_ns`` and ``answered_ns`` are instants of the last command's life, None until they come.
    """

    __slots__ = (
        "_answer_ns",
        "_settings",
        "_settle_ns",
        "answered_ns",
        "commanded_ns",
        "goal",
        "verdict",
    )

    def __init__(self, settings: DriveOutputHead) -> None:
        self._settings = settings
        self._settle_ns = (
            round(settings.settle_up_ms * NS_PER_MS),
            round(settings.settle_down_ms * NS_PER_MS),
        )
        self._answer_ns = round(settings.answer_timeout_ms * NS_PER_MS)
        self.goal: int | None = None
        self.commanded_ns = 0
        self.answered_ns: int | None = None
        self.verdict = HeadVerdict.IDLE

    def command(self, outputs: int, now_ns: int) -> None:
        """``outputs`` leave at ``now_ns``; a repeated command changes nothing."""
        if outputs == self.goal:
            return
        self.goal = outputs
        self.commanded_ns = now_ns
        self.answered_ns = None
        self.verdict = HeadVerdict.MOVING

    def observe(self, inputs: int, now_ns: int) -> HeadVerdict:
        """Judge the last command by ``inputs`` read at ``now_ns``.

        ``LOST`` stays until the next command. Inputs sampled before the command took effect still show the
        old place: that is no contradiction.
        """
        if self.goal is None or self.verdict is HeadVerdict.LOST:
            return self.verdict
        where = place(self._settings, inputs)
        is_there = where is (HeadPlace.DOWN if self.goal else HeadPlace.UP)
        elapsed_ns = now_ns - self.commanded_ns
        if where is HeadPlace.CONTRADICTORY or (self.answered_ns is not None and not is_there):
            self.verdict = HeadVerdict.LOST
        elif is_there:
            if self.answered_ns is None:
                self.answered_ns = now_ns
            is_settled = elapsed_ns >= self._settle_ns[self.goal]
            self.verdict = HeadVerdict.SETTLED if is_settled else HeadVerdict.ANSWERED
        elif elapsed_ns >= self._answer_ns:
            self.verdict = HeadVerdict.LOST
        else:
            is_due = elapsed_ns >= self._settle_ns[self.goal]
            self.verdict = HeadVerdict.OVERDUE if is_due else HeadVerdict.MOVING
        return self.verdict
