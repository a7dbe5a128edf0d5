"""The same judgement in virtual time, driven by a clock's advances."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from safety import latch
from safety.client import Beats
from safety.events import Reason, State, Stop
from safety.local import LocalBeatLine, LocalGuard
from safety.settings import GuardSettings
from safety.verdict import Limits

MS = 1_000_000


class Time:
    """A clock that is set by hand and tells the guard."""

    def __init__(self) -> None:
        self.now_ns = 1000 * MS
        self.listener: Callable[[int], None] | None = None

    def __call__(self) -> int:
        """The instant."""
        return self.now_ns

    def to(self, instant_ns: int) -> None:
        """Come to ``instant_ns``."""
        self.now_ns = instant_ns
        if self.listener is not None:
            self.listener(instant_ns)


class World:
    """A guard in virtual time, its clock, and what it stopped."""

    def __init__(self, settings: GuardSettings) -> None:
        self.time = Time()
        self.stops: list[Stop] = []
        self.latch_path = Path(settings.latch_path)
        self.guard = LocalGuard(Limits.of(settings), self.time, self.stops.append, self.latch_path)
        self.time.listener = self.guard.advance
        self.line: Beats = self.guard.line()

    def arm(self) -> bool:
        """Arm with a lease of 24 ms."""
        return self.line.arm(self.time.now_ns, self.time.now_ns + 24 * MS, (1000, 1000), 3)

    def beat(self, speed_um_s: int = 0) -> bool:
        """A beat now, with a lease of 24 ms."""
        now_ns = self.time.now_ns
        return self.line.beat(now_ns, now_ns + 24 * MS, 1, 1000, 1000, speed_um_s, 0, 0, 0, 3)


@pytest.fixture
def world(settings: GuardSettings) -> World:
    return World(settings)


def test_beats_keep_it_going_and_the_word_ends_it(world: World) -> None:
    """Hours of good beats, then DISARM: no stop, no latch, each beat echoed at its instant."""
    assert world.arm()
    for _ in range(1000):
        world.time.to(world.time.now_ns + 4 * MS)
        assert world.beat()
        assert world.line.poll_echo()[1] == world.time.now_ns
    assert world.line.disarm(world.time.now_ns)
    world.time.to(world.time.now_ns + 3600_000 * MS)
    world.line.close()
    assert world.stops == []
    assert latch.read(world.latch_path) is None


def test_silence_stops_at_the_very_end_of_the_lease(world: World) -> None:
    """However far the clock leaps, the stop falls on the instant at which the lease ended, and is latched."""
    world.arm()
    start_ns = world.time.now_ns
    world.time.to(start_ns + 5000 * MS)
    assert [(stop.reason, stop.at_ns) for stop in world.stops] == [(Reason.LEASE_OUT, start_ns + 24 * MS)]
    assert world.line.latched
    found = latch.read(world.latch_path)
    assert found is not None
    assert (found.reason, found.stopped_ns, found.standstill) == ("lease-out", start_ns + 24 * MS, "pending")
    world.guard.stood(True)
    assert world.guard.state is State.LATCHED
    found = latch.read(world.latch_path)
    assert found is not None
    assert found.standstill == "proved"


def test_a_bad_beat_stops_and_is_not_echoed(world: World) -> None:
    """The envelope holds in virtual time too."""
    world.arm()
    echo = world.line.poll_echo()
    world.time.to(world.time.now_ns + 4 * MS)
    world.beat(speed_um_s=700_001)
    assert world.line.latched
    assert world.line.poll_echo() == echo
    assert world.stops[0].reason is Reason.ENVELOPE_SPEED


def test_hanging_up_stops(world: World) -> None:
    """Closing the line without the word is death; a closed line takes nothing more."""
    world.arm()
    world.line.close()
    assert world.stops[0].reason is Reason.CLOSED_WITHOUT_WORD
    assert not world.beat()


@pytest.mark.parametrize("by", ["person", "service"])
def test_others_can_stop(world: World, by: str) -> None:
    """A request and the service's death stop it, once."""
    world.arm()
    for _ in range(2):
        if by == "person":
            world.guard.ask_stop("smoke", "Ada")
        else:
            world.guard.service_died()
    assert len(world.stops) == 1


def test_a_standing_latch_refuses_arming(world: World, settings: GuardSettings) -> None:
    """A second life meets the latch of the first; after a person has cleared it, a third may arm."""
    world.guard.ask_stop("smoke", "Ada")
    second = World(settings)
    assert not second.arm()
    assert second.line.latched
    latch.clear(world.latch_path, "Ada", "stop-asked")
    assert not second.arm()
    assert World(settings).arm()


def test_two_streamers_do_not_share_a_guard(world: World) -> None:
    """The second to arm is refused and the first goes on."""
    world.arm()
    second = world.guard.line()
    assert isinstance(second, LocalBeatLine)
    assert not second.arm(world.time.now_ns, world.time.now_ns + MS)
    assert second.latched
    assert world.beat()
    assert world.stops == []
