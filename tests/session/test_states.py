"""The daemon's transition table."""

from __future__ import annotations

import itertools

import pytest

from controller.session.states import (
    TRANSITIONS,
    Daemon,
    DaemonEvent,
    DaemonState,
    IllegalEventError,
    initial_state,
    next_state,
)


def test_day_of_work() -> None:
    """A day: home, load a pen, paint, stop, home again, paint on, pause, go on, halt, clear, home."""
    daemon = Daemon(DaemonState.UNREGISTERED)
    seen = [
        daemon.take(event).value
        for event in (
            DaemonEvent.HOMING_ACCEPTED,
            DaemonEvent.PERSON_NEEDED,
            DaemonEvent.PERSON_READY,
            DaemonEvent.PASS_BEGUN,
            DaemonEvent.PASS_STOPPED,
            DaemonEvent.HOMING_ACCEPTED,
            DaemonEvent.PASS_BEGUN,
            DaemonEvent.PASS_STOPPED,
            DaemonEvent.GOING_ON,
            DaemonEvent.PASS_BEGUN,
            DaemonEvent.HALTED,
            DaemonEvent.CLEARED,
            DaemonEvent.HOMING_ACCEPTED,
        )
    ]
    assert seen == [
        "registered", "waiting", "registered", "painting", "paused", "registered", "painting", "paused",
        "registered", "painting", "halted", "unregistered", "registered",
    ]  # fmt: skip


def test_illegal_event_raises_and_changes_nothing() -> None:
    """Every pair that is not in the table raises and leaves the state as it was."""
    for state, event in itertools.product(DaemonState, DaemonEvent):
        if (state, event) in TRANSITIONS:
            continue
        daemon = Daemon(state)
        with pytest.raises(IllegalEventError, match=event.value):
            daemon.take(event)
        assert daemon.state is state


def test_halt_is_legal_everywhere() -> None:
    """A halt can come at any moment and always ends in ``halted``."""
    assert {next_state(state, DaemonEvent.HALTED) for state in DaemonState} == {DaemonState.HALTED}


def test_only_clearing_leaves_halted_and_never_to_registered() -> None:
    """From ``halted`` the one way out is a person's clearing, and it leads to ``unregistered``."""
    ways = {e: to for (s, e), to in TRANSITIONS.items() if s is DaemonState.HALTED and to is not s}
    assert ways == {DaemonEvent.CLEARED: DaemonState.UNREGISTERED}


def test_painting_is_entered_only_from_registered() -> None:
    """No pass begins but from ``registered``: unregistered, paused and halted machines home first."""
    sources = {s for (s, _), to in TRANSITIONS.items() if to is DaemonState.PAINTING}
    assert sources == {DaemonState.REGISTERED}


def test_every_state_can_be_reached() -> None:
    """No dead state: all are reachable from ``unregistered``."""
    reached = {DaemonState.UNREGISTERED}
    while True:
        more = {to for (s, _), to in TRANSITIONS.items() if s in reached} | reached
        if more == reached:
            break
        reached = more
    assert reached == set(DaemonState)


@pytest.mark.parametrize(
    ("latched", "registered", "pass_open", "expected"),
    [
        (True, True, True, DaemonState.HALTED),
        (False, False, True, DaemonState.UNREGISTERED),
        (False, True, True, DaemonState.PAUSED),
        (False, True, False, DaemonState.REGISTERED),
    ],
)
def test_start_up(latched: bool, registered: bool, pass_open: bool, expected: DaemonState) -> None:
    """At start-up the latch outweighs all, then registration, then an open pass."""
    assert initial_state(latched=latched, registered=registered, pass_open=pass_open) is expected


def test_going_on_needs_a_pause() -> None:
    """A person's word alone leads on from a pause and from nowhere else, and only to ``registered``."""
    assert {(s, to) for (s, e), to in TRANSITIONS.items() if e is DaemonEvent.GOING_ON} == {
        (DaemonState.PAUSED, DaemonState.REGISTERED)
    }
