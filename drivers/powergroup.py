"""What groups of drives share that are not CiA 402 nodes on a bus: the order of calls, and the walk to power and back.

Owns the promises of ``drivers.interface`` that need no wire: what is refused, when an axis counts as enabled, that
power is never taken from an axis that turns. How something is said to the drives is each wire's own; what a *word* is,
too (a control word, a command's name). Knows no millimetres and no ink.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Generic, TypeVar

from drivers.clock import NS_PER_S, Clock
from drivers.errors import DriverError, FaultError, LinkError, MisuseError
from drivers.interface import AxisFeedback, DriveState, GroupFeedback
from drivers.settings import GroupSettings

NEVER_NS = (1 << 63) - 1
"""Age of feedback that never came."""

HOLD_ROUNDS = 50
"""Rounds that zero velocity is held after the words that enable, before they are said anew."""

_ENABLE_LIMIT_NS = 4 * NS_PER_S
_DISABLE_LIMIT_NS = 4 * NS_PER_S
_RESET_LIMIT_NS = 2 * NS_PER_S
_REST_LIMIT_NS = NS_PER_S // 2
_REST_MM_S = 0.5

_STAYS_NS = NS_PER_S
"""An axis that stands so long in QUICK STOP ACTIVE will not leave it by itself: power may go."""

_ENABLED = frozenset({DriveState.OPERATION_ENABLED})
_FAULTS = (DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE)

Word = TypeVar("Word")


class PowerGroup(ABC, Generic[Word]):
    """The part of a DriveGroup above the wire. ``noun`` is what the wire calls a drive: unit, node."""

    disabled = frozenset({DriveState.SWITCH_ON_DISABLED})
    """States in which a drive has no power and no fault."""

    def __init__(self, settings: GroupSettings, clock: Clock, noun: str, answer_timeout_s: float) -> None:
        self._settings = settings
        self._clock = clock
        self._axes = tuple(settings.axes)
        self._drives = tuple(settings.axes.values())
        self._wheres = tuple(f"axis {name} ({noun} {d.node_id})" for name, d in settings.axes.items())
        self._tick_ns = settings.tick_us * 1000
        self._silent_ns = round(answer_timeout_s * NS_PER_S)
        self._rest_units = tuple(
            max(1.0, _REST_MM_S * float(d.counts_per_mm) / d.velocity_unit_counts_s) for d in self._drives
        )
        self._feedback = GroupFeedback([AxisFeedback() for _ in self._axes])
        head = settings.drive_output
        self._head = -1 if head is None else self._axes.index(head.axis)
        self._outputs = 0
        self._configured = False
        self._live = False
        self._aborted = False
        self._closed = False

    # What the wire does

    @abstractmethod
    def _state(self, place: int) -> DriveState:
        """What the drive's own last word means."""

    @abstractmethod
    def _lose_drives(self) -> None:
        """Nothing is known of any drive until all have been configured again."""

    @abstractmethod
    def _up_word(self, place: int, step: int) -> Word:
        """What leads to power, one a round; from some step on the same as ``_hold_word``."""

    @abstractmethod
    def _hold_word(self, place: int) -> Word:
        """What keeps a drive in operation."""

    @abstractmethod
    def _stop_word(self, place: int) -> Word:
        """What stops it by its own ramp."""

    @abstractmethod
    def _down_word(self, place: int) -> Word:
        """What takes the power away."""

    @abstractmethod
    def _clear_word(self, place: int) -> Word:
        """What acknowledges a fault."""

    @abstractmethod
    def _idle_word(self, place: int) -> Word:
        """What changes nothing in a drive without power."""

    @abstractmethod
    def _round(self, words: list[Word]) -> None:
        """Words at zero velocity, a tick's wait at least, and what has come."""

    @abstractmethod
    def _set_timeout(self, place: int, *, on: bool) -> None:
        """Set the drive's own time-out, read back; nothing for a drive whose time-out cannot be set."""

    @abstractmethod
    def _tell_to_stop(self) -> None:
        """Stop for every axis, before everything. Never blocks, never raises."""

    @abstractmethod
    def _configure(self) -> None:
        """Stop and set up every drive, read back, and read every drive once."""

    @abstractmethod
    def _begin_tick(self, velocity_units: tuple[int, ...]) -> None:
        """Send a tick's velocities and ``_outputs``."""

    @abstractmethod
    def _holds(self, place: int, velocity_units: int) -> bool:
        """Whether the drive can be told this velocity."""

    # The interface

    @property
    def axes(self) -> tuple[str, ...]:
        """Axis names in order."""
        return self._axes

    @property
    def feedback(self) -> GroupFeedback:
        """The latest feedback."""
        return self._feedback

    @property
    def is_enabled(self) -> bool:
        """Whether every drive's last status word means OPERATION ENABLED."""
        return all(axis.state is DriveState.OPERATION_ENABLED for axis in self._feedback.axes)

    def feedback_age_ns(self, now_ns: int) -> int:
        """Age of the oldest axis' last answer; ``NEVER_NS`` when one has never come."""
        oldest_ns = min(axis.received_ns for axis in self._feedback.axes)
        return now_ns - oldest_ns if oldest_ns else NEVER_NS

    def configure(self) -> None:
        """Stop and set up every drive, and read back what was written; nothing moves.

        Raises MisuseError after ``abort`` or ``close``; LinkError naming axis and drive when one does not answer;
        FaultError naming axis, what was expected and what came.
        """
        self._refuse_when_over("configure")
        self._configured = self._live = False
        # All of them at once: one that does not answer must not keep the others turning.
        self._tell_to_stop()
        self._configure()
        self._configured = True

    def enable(self) -> None:
        """Say what enables, at zero velocity, until every drive's status means OPERATION ENABLED.

        Raises MisuseError before ``configure`` and after ``abort``; FaultError when a drive is in fault or does not
        get there; LinkError on silence. Then every axis has been told to stop.
        """
        self._refuse_when_over("enable")
        if not self._configured:
            raise MisuseError("enable", "a group that is configured", "one that is not")
        try:
            for place in range(len(self._axes)):
                self._set_timeout(place, on=True)
            self._walk_up()
        except DriverError:
            self._tell_to_stop()
            raise
        self._live = True

    def _walk_up(self) -> None:
        begun_ns = self._clock.now_ns()
        step = 0
        self._outputs = 0
        places = range(len(self._axes))
        held = [self._hold_word(place) for place in places]
        while True:
            words = [self._up_word(place, step) for place in places]
            sequence = self._feedback.sequence
            self._round(words)
            is_fresh = self._feedback.sequence > sequence
            if is_fresh and words == held and self.is_enabled:
                return
            for where, word in zip(self._wheres, self._feedback.axes, strict=True):
                if word.state in _FAULTS and step > 1:
                    raise FaultError(where, DriveState.OPERATION_ENABLED.value, self._described(word))
            self._refuse_silence(begun_ns)
            self._refuse_late(begun_ns, _ENABLE_LIMIT_NS, _ENABLED, FaultError)
            step = step + 1 if step < HOLD_ROUNDS else 0

    def disable(self) -> None:
        """Zero velocity until at rest, then the power away; then the drives await no word of ours any more.

        Raises LinkError when a drive does not answer or keeps its power.
        """
        if self._closed:
            raise MisuseError("disable", "an open group", "a closed one")
        self._live = False
        try:
            self._come_to_rest()
            self._walk_down(_DISABLE_LIMIT_NS, LinkError)
            for place in range(len(self._axes)):
                self._set_timeout(place, on=False)
        except DriverError:
            self._tell_to_stop()
            raise

    def _come_to_rest(self) -> None:
        """Zero velocity for those in operation; after a while, or after an abort, quick stop instead."""
        deadline_ns = self._clock.now_ns() + _REST_LIMIT_NS
        begun_at = self._feedback.sequence
        places = range(len(self._axes))
        while True:
            late = self._aborted or self._clock.now_ns() >= deadline_ns
            self._round(
                [
                    self._hold_word(place)
                    if not late and self._state(place) is DriveState.OPERATION_ENABLED
                    else self._stop_word(place)
                    for place in places
                ]
            )
            is_fresh = self._feedback.sequence > begun_at
            if late or (is_fresh and not any(map(self._turns, places))):
                return

    def _turns(self, place: int) -> bool:
        """Whether the drive's last measured velocity is not zero."""
        return abs(self._feedback.axes[place].velocity_units) > self._rest_units[place]

    def _walk_down(self, limit_ns: int, kind: type[DriverError]) -> None:
        """Power away once an axis stands (never from one that turns: it would coast), until the status says so."""
        begun_ns = self._clock.now_ns()
        begun_at = self._feedback.sequence
        places = range(len(self._axes))
        unpowered = self.disabled | {DriveState.FAULT}
        stood = [0] * len(self._axes)
        while True:
            sequence = self._feedback.sequence
            self._round(
                [
                    self._down_word(place)
                    if self._may_go_down(place, stood[place])
                    else self._stop_word(place)
                    for place in places
                ]
            )
            if self._feedback.sequence > sequence:
                stood = [0 if self._turns(place) else stood[place] + 1 for place in places]
            is_fresh = self._feedback.sequence > begun_at
            if is_fresh and all(self._state(place) in unpowered for place in places):
                return
            self._refuse_silence(begun_ns)
            self._refuse_late(begun_ns, limit_ns, unpowered, kind)

    def _may_go_down(self, place: int, stood: int) -> bool:
        """Whether an axis may lose its power, after ``stood`` rounds in which it did not turn.

        One in QUICK STOP ACTIVE may still ramp down or wait for its brake; some drives stay there for good.
        """
        if self._state(place) is DriveState.QUICK_STOP_ACTIVE:
            return stood * self._tick_ns >= _STAYS_NS
        return not self._turns(place)

    def clear_fault(self) -> tuple[str, ...]:
        """Acknowledge the fault of every drive that reports one. Never enables; stops what should still turn.

        Returns a text for each: axis, drive and the drive's own error code. Raises MisuseError before ``configure``;
        FaultError when a fault stays; LinkError on silence.
        """
        if self._closed or not self._configured:
            raise MisuseError("clear_fault", "an open and configured group", "another")
        self._live = False
        self._walk_down(_RESET_LIMIT_NS, FaultError)
        places = range(len(self._axes))
        for place in places:
            self._set_timeout(place, on=False)
        found = tuple(
            f"{where}: {self._described(word)}"
            for place, where, word in zip(places, self._wheres, self._feedback.axes, strict=True)
            if self._state(place) is DriveState.FAULT
        )
        begun_ns = self._clock.now_ns()
        rising = True
        while any(self._state(place) not in self.disabled for place in places):
            self._round(
                [
                    self._clear_word(place)
                    if rising and self._state(place) is DriveState.FAULT
                    else self._idle_word(place)
                    for place in places
                ]
            )
            rising = not rising
            self._refuse_silence(begun_ns)
            self._refuse_late(begun_ns, _RESET_LIMIT_NS, self.disabled, FaultError)
        self._round([self._idle_word(place) for place in places])
        return found

    def send_tick(self, velocity_units: tuple[int, ...], outputs: int) -> None:
        """Begin a tick.

        Raises MisuseError before ``enable``, after ``abort``, for a wrong count or a value that the drive cannot be
        told; FaultError when a drive's last word is not OPERATION ENABLED. Nothing was sent then. LinkError when the
        wire does not take it.
        """
        if not self._live:
            got = (
                "one after abort" if self._aborted else "a closed one" if self._closed else "one not enabled"
            )
            raise MisuseError("send_tick", "an enabled group", got)
        for where, word in zip(self._wheres, self._feedback.axes, strict=True):
            if word.state is not DriveState.OPERATION_ENABLED:
                raise FaultError(where, DriveState.OPERATION_ENABLED.value, self._described(word))
        if len(velocity_units) != len(self._axes) or outputs not in (0, 1):
            raise MisuseError(
                "send_tick",
                f"{len(self._axes)} velocities and outputs 0 or 1",
                f"{len(velocity_units)} velocities and {outputs!r}",
            )
        for place, units in enumerate(velocity_units):
            if not self._holds(place, units):
                raise MisuseError("send_tick", "velocities that the drive can hold", str(velocity_units))
        self._outputs = outputs
        self._begin_tick(velocity_units)

    def abort(self) -> None:
        """Quick stop for every axis, now, before everything. Each call says it once more."""
        self._aborted = True
        self._live = False
        self._tell_to_stop()

    # What several of them need

    def _lose_wire(self) -> None:
        """The wire is gone: nothing is known any more, and nothing but a stop leaves."""
        self._configured = self._live = False
        self._lose_drives()

    def _refuse_silence(self, begun_ns: int) -> None:
        now_ns = self._clock.now_ns()
        for where, word in zip(self._wheres, self._feedback.axes, strict=True):
            if now_ns - max(word.received_ns, begun_ns) > self._silent_ns:
                raise LinkError(where, "an answer in every round", self._described(word))

    def _refuse_late(
        self, begun_ns: int, limit_ns: int, states: frozenset[DriveState], kind: type[DriverError]
    ) -> None:
        if self._clock.now_ns() - begun_ns <= limit_ns:
            return
        for place, (where, word) in enumerate(zip(self._wheres, self._feedback.axes, strict=True)):
            if self._state(place) not in states:
                wanted = " or ".join(sorted(state.value for state in states))
                raise kind(where, wanted, self._described(word))

    def _refuse_when_over(self, call: str) -> None:
        if self._aborted or self._closed:
            raise MisuseError(call, "a group in use", "one after abort" if self._aborted else "a closed one")

    def _described(self, word: AxisFeedback) -> str:
        text = f"{word.state.value}"
        if word.fault_code:
            text += f" (fault code {word.fault_code:04X}h)"
        if not word.received_ns:
            text += " (nothing received)"
        return text
