"""The pen lift as pure logic: where it says it is, and whether it has answered a command and settled in time.

Owns the boundary between the stream and any kind of head, the reading of a drive's own inputs, and the judgement; no
bus, no clock. Instants come in as arguments. The head is where it says it is; a command alone proves nothing, and one
that says nothing is nowhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Protocol, runtime_checkable

from drivers.clock import NS_PER_MS
from drivers.heads.settings import AnyHead, DriveOutputHead, TimeSettling
from drivers.interface import AxisFeedback, DriveGroup

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
    LOST = "no answer within the time-out, contradictory switches, silence, or it has left again"


@dataclass(slots=True)
class HeadFeedback:
    """The latest word of a head. Mutable and reused: the tick loop allocates nothing.

    ``value`` is mm of travel or N of force where the head measures. ``received_ns`` is 0 until the first word has
    come. ``trouble`` says in words why the head cannot be believed any more; empty when it can.
    """

    place: HeadPlace = HeadPlace.BETWEEN
    value: float = 0.0
    received_ns: int = 0
    trouble: str = ""


class HeadReader(Protocol):
    """Whoever knows the head's latest word."""

    def read(self) -> HeadFeedback:
        """The same object each time, as of the last poll."""
        ...


@runtime_checkable
class HeadLine(Protocol):
    """A head with a voice of its own. In motion no call but ``configure`` blocks, and none raises."""

    def configure(self) -> None:
        """Set it up, have it answer, tell it to go up. Blocks. Raises LinkError on silence, FaultError on refusal."""
        ...

    def command(self, outputs: int) -> None:
        """Where it shall be, said every tick; it is told anew as long as it is elsewhere."""
        ...

    def poll(self) -> None:
        """Take what has come, ask again when it is time."""
        ...

    def read(self) -> HeadFeedback:
        """The latest word."""
        ...

    def raise_now(self) -> bool:
        """Tell it to go up, before everything. Whether the wire took it: more cannot be known at once."""
        ...

    def close(self) -> None:
        """Give back what is its own."""
        ...


@runtime_checkable
class TellsPen(Protocol):
    """A group that knows whether its order to raise the pen has left."""

    @property
    def is_pen_told_up(self) -> bool:
        """Whether the wire took the last order to raise the pen that an abort gave."""
        ...


@runtime_checkable
class HasHead(TellsPen, Protocol):
    """A group of drives beside which the head has a voice of its own."""

    @property
    def head(self) -> HeadLine:
        """The head."""
        ...


class DriveOutputReader:
    """A HeadReader of a drive's inputs: the word of the drive is the word of the head."""

    __slots__ = ("_feedback", "_settings", "_word")

    def __init__(self, settings: DriveOutputHead, word: AxisFeedback) -> None:
        self._settings = settings
        self._word = word
        self._feedback = HeadFeedback()

    def read(self) -> HeadFeedback:
        """As of the drive's last answer."""
        feedback = self._feedback
        feedback.place = place(self._settings, self._word.inputs)
        feedback.received_ns = self._word.received_ns
        return feedback


def reader_of(settings: AnyHead, group: DriveGroup) -> HeadReader:
    """Who reads the head that ``settings`` names. Raises ValueError for a group that cannot have such a head."""
    if isinstance(settings, DriveOutputHead):
        return DriveOutputReader(settings, group.feedback.axes[group.axes.index(settings.axis)])
    if not isinstance(group, HasHead):
        raise ValueError(f"head.kind: expected a group with a head of kind {settings.kind}, got one without")
    return group.head


def switches(is_up: bool, is_down: bool) -> HeadPlace:
    """What two switches say together."""
    if is_up:
        return HeadPlace.CONTRADICTORY if is_down else HeadPlace.UP
    return HeadPlace.DOWN if is_down else HeadPlace.BETWEEN


def place(settings: DriveOutputHead, inputs: int) -> HeadPlace:
    """Read the switches out of ``inputs`` (60FDh of the head's drive)."""
    return switches(bool(inputs >> settings.up_input_bit & 1), bool(inputs >> settings.down_input_bit & 1))


def fits_switch(settings: AnyHead, where: HeadPlace, goal: int) -> bool:
    """Whether what the switches say fits ``goal``. A head without that switch must not be at the other one."""
    has_up, has_down = settings.has_switches
    wanted, other = (HeadPlace.DOWN, HeadPlace.UP) if goal else (HeadPlace.UP, HeadPlace.DOWN)
    has_wanted = has_down if goal else has_up
    return where is wanted if has_wanted else where not in (other, HeadPlace.CONTRADICTORY)


def fits(settings: AnyHead, feedback: HeadFeedback, goal: int) -> bool:
    """Whether the head's word is that of a head at ``goal``: switches, and the reading where it measures."""
    if feedback.trouble or not feedback.received_ns or not fits_switch(settings, feedback.place, goal):
        return False
    settle = settings.settle
    return isinstance(settle, TimeSettling) or settle.is_there(feedback.value, goal)


class HeadWatch:
    """Follows one head: commands and its words in, a verdict out.

    ``answered_ns`` is an instant of the last command's life, None until it comes. ``why``: the reason of ``LOST``.

    **By time** it has settled when its switches say so and the settling time is over. **By a reading** (travel,
    force) when readings inside the window reach back for the holding time without a break, counted from reading to
    reading: time without a word counts for nothing. Settled, a reading may leave its window for ``leave_ms``.
    """

    __slots__ = (
        "_answer_ns",
        "_hold_ns",
        "_inside_ns",
        "_leave_ns",
        "_outside_ns",
        "_settings",
        "_settle_ns",
        "_silent_ns",
        "answered_ns",
        "commanded_ns",
        "goal",
        "verdict",
        "why",
    )

    def __init__(self, settings: AnyHead) -> None:
        self._settings = settings
        self._settle_ns = (
            round(settings.settle_up_ms * NS_PER_MS),
            round(settings.settle_down_ms * NS_PER_MS),
        )
        self._answer_ns = round(settings.answer_timeout_ms * NS_PER_MS)
        self._silent_ns = settings.silent_ns
        settle = settings.settle
        self._hold_ns: int | None = None
        self._leave_ns = 0
        if not isinstance(settle, TimeSettling):
            self._hold_ns = round(settle.hold_ms * NS_PER_MS)
            self._leave_ns = round(settle.leave_ms * NS_PER_MS)
        self.goal: int | None = None
        self.commanded_ns = 0
        self.answered_ns: int | None = None
        self._inside_ns: int | None = None
        self._outside_ns: int | None = None
        self.verdict = HeadVerdict.IDLE
        self.why = ""

    def command(self, outputs: int, now_ns: int) -> None:
        """``outputs`` leave at ``now_ns``; a repeated command changes nothing."""
        if outputs == self.goal:
            return
        self.goal = outputs
        self.commanded_ns = now_ns
        self.answered_ns = self._inside_ns = self._outside_ns = None
        self.verdict = HeadVerdict.MOVING
        self.why = ""

    def observe(self, word: HeadFeedback, now_ns: int) -> HeadVerdict:
        """Judge the last command by the head's latest word, looked at at ``now_ns``.

        ``LOST`` stays until the next command. A word from before the command took effect still shows the old place:
        that is no contradiction, and no answer either.
        """
        if self.goal is None or self.verdict is HeadVerdict.LOST:
            return self.verdict
        silent_ns = now_ns - max(word.received_ns, self.commanded_ns)
        if word.trouble:
            return self._lose(word.trouble)
        if self._silent_ns is not None and silent_ns > self._silent_ns:
            return self._lose(f"no word of it for {silent_ns / NS_PER_MS:.0f} ms")
        if word.place is HeadPlace.CONTRADICTORY:
            return self._lose(word.place.value)
        if word.received_ns <= self.commanded_ns:
            return self._wait(now_ns)
        at_switch = fits_switch(self._settings, word.place, self.goal)
        if self._hold_ns is None:
            return self._by_time(at_switch, now_ns)
        return self._by_reading(at_switch, word, now_ns)

    def _by_time(self, is_there: bool, now_ns: int) -> HeadVerdict:
        assert self.goal is not None
        if not is_there:
            return self._left() if self.answered_ns is not None else self._wait(now_ns)
        if self.answered_ns is None:
            self.answered_ns = now_ns
        is_settled = now_ns - self.commanded_ns >= self._settle_ns[self.goal]
        self.verdict = HeadVerdict.SETTLED if is_settled else HeadVerdict.ANSWERED
        return self.verdict

    def _by_reading(self, at_switch: bool, word: HeadFeedback, now_ns: int) -> HeadVerdict:
        settle = self._settings.settle
        assert self.goal is not None
        assert self._hold_ns is not None
        assert not isinstance(settle, TimeSettling)
        is_inside = at_switch and settle.is_there(word.value, self.goal)
        if self.verdict is HeadVerdict.SETTLED:
            if not at_switch:
                return self._left()
            if is_inside:
                self._outside_ns = None
                return self.verdict
            if self._outside_ns is None:
                self._outside_ns = word.received_ns
            if word.received_ns - self._outside_ns > self._leave_ns:
                return self._lose(f"it has left again: {self._reading(word)}")
            return self.verdict
        if not is_inside:
            self._inside_ns = self.answered_ns = None
            return self._wait(now_ns, word)
        if self._inside_ns is None:
            self._inside_ns = word.received_ns
            self.answered_ns = now_ns
        if word.received_ns - self._inside_ns >= self._hold_ns:
            self.verdict = HeadVerdict.SETTLED
        elif now_ns - self.commanded_ns >= self._answer_ns:
            return self._lose(self._late(word))
        else:
            self.verdict = HeadVerdict.ANSWERED
        return self.verdict

    def _wait(self, now_ns: int, word: HeadFeedback | None = None) -> HeadVerdict:
        assert self.goal is not None
        elapsed_ns = now_ns - self.commanded_ns
        if elapsed_ns >= self._answer_ns:
            return self._lose(self._late(word))
        is_due = elapsed_ns >= self._settle_ns[self.goal]
        self.verdict = HeadVerdict.OVERDUE if is_due else HeadVerdict.MOVING
        return self.verdict

    def _late(self, word: HeadFeedback | None) -> str:
        reading = "" if word is None else f": {self._reading(word)}"
        return f"not there within {self._answer_ns / NS_PER_MS:g} ms{reading}"

    def _reading(self, word: HeadFeedback) -> str:
        settle = self._settings.settle
        assert not isinstance(settle, TimeSettling)
        unit = "mm" if settle.kind == "travel" else "N"
        return f"{word.value:.3g} {unit}, expected {settle.words(self.goal or 0)}"

    def _left(self) -> HeadVerdict:
        return self._lose("it has left again")

    def _lose(self, why: str) -> HeadVerdict:
        self.why = why
        self.verdict = HeadVerdict.LOST
        return self.verdict
