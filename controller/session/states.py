"""The daemon's states as one pure table: events in, the next state out; no clock, no bus, no journal.

``unregistered``: the machine does not know where it stands. ``registered``: it does, and rests. ``painting``: a
pass runs. ``waiting``: a person is needed. ``paused``: a begun pass was stopped under control and can go on.
``halted``: a stop is latched until a person clears it.
"""

from __future__ import annotations

from enum import Enum


class DaemonState(Enum):
    """Where the daemon stands."""

    UNREGISTERED = "unregistered"
    REGISTERED = "registered"
    PAINTING = "painting"
    WAITING = "waiting"
    PAUSED = "paused"
    HALTED = "halted"


class DaemonEvent(Enum):
    """What can happen to it."""

    HOMING_ACCEPTED = "homing accepted"
    REGISTRATION_LOST = "registration lost"
    PERSON_NEEDED = "person needed"
    PERSON_READY = "person ready"
    PERSON_DECLINED = "person declined"
    PASS_BEGUN = "pass begun"  # noqa: S105 (a pass of the pen)
    PASS_FINISHED = "pass finished"  # noqa: S105 (a pass of the pen)
    PASS_STOPPED = "pass stopped"  # noqa: S105 (a pass of the pen)
    GOING_ON = "going on"
    HALTED = "halted"
    CLEARED = "cleared"


class IllegalEventError(Exception):
    """The event cannot happen in this state; nothing has changed. A bug of ours, never bad input."""

    def __init__(self, state: DaemonState, event: DaemonEvent) -> None:
        self.state = state
        self.event = event
        legal = ", ".join(sorted(e.value for s, e in TRANSITIONS if s is state)) or "none"
        super().__init__(f"state {state.value}: expected one of {legal}; got {event.value}")


_S, _E = DaemonState, DaemonEvent

TRANSITIONS: dict[tuple[DaemonState, DaemonEvent], DaemonState] = {
    (_S.UNREGISTERED, _E.HOMING_ACCEPTED): _S.REGISTERED,
    (_S.UNREGISTERED, _E.REGISTRATION_LOST): _S.UNREGISTERED,
    (_S.UNREGISTERED, _E.HALTED): _S.HALTED,
    (_S.REGISTERED, _E.HOMING_ACCEPTED): _S.REGISTERED,
    (_S.REGISTERED, _E.REGISTRATION_LOST): _S.UNREGISTERED,
    (_S.REGISTERED, _E.PERSON_NEEDED): _S.WAITING,
    (_S.REGISTERED, _E.PASS_BEGUN): _S.PAINTING,
    (_S.REGISTERED, _E.HALTED): _S.HALTED,
    (_S.WAITING, _E.PERSON_READY): _S.REGISTERED,
    (_S.WAITING, _E.PERSON_DECLINED): _S.REGISTERED,
    (_S.WAITING, _E.REGISTRATION_LOST): _S.UNREGISTERED,
    (_S.WAITING, _E.HALTED): _S.HALTED,
    (_S.PAINTING, _E.PASS_FINISHED): _S.REGISTERED,
    (_S.PAINTING, _E.PASS_STOPPED): _S.PAUSED,
    (_S.PAINTING, _E.HALTED): _S.HALTED,
    # A paused pass goes on through a new homing, or, in the session that paused it and with the motors held since, by
    # a person's word; never by itself, so no PASS_BEGUN from here.
    (_S.PAUSED, _E.HOMING_ACCEPTED): _S.REGISTERED,
    (_S.PAUSED, _E.GOING_ON): _S.REGISTERED,
    (_S.PAUSED, _E.REGISTRATION_LOST): _S.UNREGISTERED,
    (_S.PAUSED, _E.PERSON_NEEDED): _S.WAITING,
    (_S.PAUSED, _E.HALTED): _S.HALTED,
    # Clearing a latch never restores registration: the machine may have been pushed by hand meanwhile.
    (_S.HALTED, _E.CLEARED): _S.UNREGISTERED,
    (_S.HALTED, _E.HALTED): _S.HALTED,
    (_S.HALTED, _E.REGISTRATION_LOST): _S.HALTED,
}
"""Every legal transition; what is not here is illegal."""


def next_state(state: DaemonState, event: DaemonEvent) -> DaemonState:
    """The state after ``event``. Raises IllegalEventError when the table has no such transition."""
    try:
        return TRANSITIONS[state, event]
    except KeyError:
        raise IllegalEventError(state, event) from None


def initial_state(*, latched: bool, registered: bool, pass_open: bool) -> DaemonState:
    """The state at start-up, from what the latch file and the journal say."""
    if latched:
        return DaemonState.HALTED
    if not registered:
        return DaemonState.UNREGISTERED
    return DaemonState.PAUSED if pass_open else DaemonState.REGISTERED


class Daemon:
    """Holds one state and moves it by the table."""

    def __init__(self, state: DaemonState) -> None:
        self._state = state

    @property
    def state(self) -> DaemonState:
        """The present state."""
        return self._state

    def take(self, event: DaemonEvent) -> DaemonState:
        """Move by ``event`` and answer the new state. Raises IllegalEventError and stays when it is illegal."""
        self._state = next_state(self._state, event)
        return self._state
