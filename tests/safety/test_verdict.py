"""Every condition that stops the machine, each at its boundary, and what may happen in which state."""

from __future__ import annotations

from dataclasses import replace

import pytest

from safety.beat import FRESH, REGISTERED, Beat, Word
from safety.events import (
    KEEP,
    Echo,
    Event,
    Garbled,
    GuardFailed,
    Heard,
    IllegalEventError,
    InputOpened,
    LatchFound,
    Overran,
    PeerClosed,
    PeerDied,
    Reason,
    Refuse,
    ServiceDied,
    State,
    Stood,
    Stop,
    StopAsked,
    Tick,
    WireLost,
)
from safety.verdict import OUTSIDE_SLACK_UM, TABLE, Limits, Watch

MS = 1_000_000
START = 1_000 * MS
LIMITS = Limits(
    lease_max_ns=24 * MS,
    beat_late_ns=20 * MS,
    overrun_ns=15 * MS,
    envelope_um=((20_000, 3_380_000), (20_000, 2_180_000)),
    speed_max_um_s=(700_000, 700_000),
    following_max_um=(4000, 4000),
    stop_um_s2=(5_000_000, 5_000_000),
)
ARM = Beat(Word.ARM, 1, START, START + 24 * MS, 0, (1_000_000, 1_000_000), (0, 0), (0, 0), FRESH | REGISTERED)
PEER = 7


def armed() -> Watch:
    watch = Watch(LIMITS, START)
    assert isinstance(watch.step(START, Heard(PEER, ARM)), Echo)
    return watch


def beat(at_ns: int = START + 4 * MS, **changes: object) -> Beat:
    """The good beat that follows ARM at ``at_ns``, with something changed."""
    good = replace(ARM, word=Word.BEAT, sequence=2, sent_ns=at_ns, lease_until_ns=at_ns + 24 * MS)
    return replace(good, **changes)  # type: ignore[arg-type]


def heard(watch: Watch, at_ns: int = START + 4 * MS, **changes: object) -> object:
    return watch.step(at_ns, Heard(PEER, beat(at_ns, **changes)))


def reason_of(decision: object) -> Reason:
    assert isinstance(decision, Stop), decision
    return decision.reason


def test_a_good_beat_is_echoed_and_renews_the_lease() -> None:
    """A good beat keeps the machine moving until its own lease ends, and its sequence is told back."""
    watch = armed()
    assert heard(watch) == Echo(2, START + 28 * MS)
    assert watch.state is State.ARMED
    assert watch.lease_until_ns == START + 28 * MS


def test_lease_ends_on_its_instant() -> None:
    """One ns before the end of the lease motion is allowed; at the end it is not."""
    watch = armed()
    watch.step(START + 12 * MS, Tick())
    assert watch.step(START + 24 * MS - 1, Tick()) is KEEP
    assert reason_of(watch.step(START + 24 * MS, Tick())) is Reason.LEASE_OUT


def test_a_beat_does_not_revive_a_lease_that_has_ended() -> None:
    """A good beat taken after the end of the lease does not undo that it ended."""
    watch = armed()
    watch.step(START + 12 * MS, Tick())
    assert reason_of(heard(watch, START + 24 * MS)) is Reason.LEASE_OUT


@pytest.mark.parametrize(
    ("lease_ns", "reason"),
    [
        (1, None),
        (0, Reason.LEASE_OUT),
        (-1, Reason.LEASE_OUT),
        (24 * MS, None),
        (24 * MS + 1, Reason.LEASE_TOO_LONG),
    ],
)
def test_lease_brought_by_a_beat(lease_ns: int, reason: Reason | None) -> None:
    """A lease must end later than now and no further ahead than the longest allowed."""
    decision = heard(armed(), lease_until_ns=START + 4 * MS + lease_ns)
    assert isinstance(decision, Echo) if reason is None else reason_of(decision) is reason


@pytest.mark.parametrize(
    ("sequence", "reason"),
    [
        (1, Reason.BEAT_REPEATED),
        (0, Reason.BEAT_OUT_OF_ORDER),
        (3, Reason.BEAT_MISSING),
        (2, None),
    ],
)
def test_sequence(sequence: int, reason: Reason | None) -> None:
    """Only the number after the last is good: the same is repeated, a lower out of order, a higher tells of a gap."""
    decision = heard(armed(), sequence=sequence)
    assert isinstance(decision, Echo) if reason is None else reason_of(decision) is reason


def test_a_beat_sent_before_its_forerunner_is_out_of_order() -> None:
    """The right number with an instant before that of the last word is not the next beat."""
    assert reason_of(heard(armed(), sent_ns=START - 1)) is Reason.BEAT_OUT_OF_ORDER


@pytest.mark.parametrize(("age_ns", "reason"), [(20 * MS, None), (20 * MS + 1, Reason.BEAT_LATE)])
def test_late_beat(age_ns: int, reason: Reason | None) -> None:
    """A beat may be on its way for the limit and not a ns longer."""
    watch = armed()
    watch.step(START + 10 * MS, Tick())
    watch.step(START + 20 * MS, Tick())
    now_ns = START + 22 * MS
    decision = heard(watch, now_ns, sent_ns=now_ns - age_ns)
    assert isinstance(decision, Echo) if reason is None else reason_of(decision) is reason


def test_a_beat_from_the_future_is_unreadable() -> None:
    """An instant later than now is nonsense on one clock."""
    assert reason_of(heard(armed(), sent_ns=START + 4 * MS + 1)) is Reason.BEAT_UNREADABLE


def test_garbled_bytes_from_the_armed_streamer_stop() -> None:
    """Bytes that are no beat stop the machine; the same from a stranger do not."""
    watch = armed()
    assert isinstance(watch.step(START, Garbled(PEER + 1, "noise")), Refuse)
    assert watch.state is State.ARMED
    assert reason_of(watch.step(START, Garbled(PEER, "noise"))) is Reason.BEAT_UNREADABLE


@pytest.mark.parametrize("word", [Word.ECHO, Word.LATCHED])
def test_the_guards_own_words_are_not_for_the_streamer(word: Word) -> None:
    """A streamer that says what only the guard may say has lost its mind."""
    assert reason_of(heard(armed(), word=word)) is Reason.BEAT_UNREADABLE


def test_arming_twice_stops() -> None:
    """An armed streamer that says ARM has forgotten what it did."""
    assert reason_of(heard(armed(), word=Word.ARM)) is Reason.BEAT_OUT_OF_ORDER


@pytest.mark.parametrize(
    ("event", "reason"),
    [
        (PeerDied(PEER), Reason.STREAMER_DIED),
        (PeerClosed(PEER), Reason.CLOSED_WITHOUT_WORD),
        (ServiceDied(), Reason.SERVICE_DIED),
        (StopAsked("smoke", "painter"), Reason.STOP_ASKED),
        (InputOpened("stop button"), Reason.INPUT_OPEN),
        (WireLost("unplugged"), Reason.WIRE_LOST),
        (GuardFailed("bug"), Reason.GUARD_FAILED),
        (Overran(1), Reason.GUARD_OVERRUN),
    ],
)
def test_events_that_stop_an_armed_machine(event: Event, reason: Reason) -> None:
    """Each of these stops at once, with its own reason, whatever time it is."""
    assert reason_of(armed().step(START + 1, event)) is reason
    assert reason_of(armed().step(START + 3600_000 * MS, event)) is reason


@pytest.mark.parametrize("event", [PeerDied(PEER + 1), PeerClosed(PEER + 1)])
def test_strangers_come_and_go(event: Event) -> None:
    """The end of a connection that is not armed is nothing to the machine."""
    watch = armed()
    assert watch.step(START, event) is KEEP
    assert watch.state is State.ARMED


def test_strangers_do_not_hide_the_end_of_the_lease() -> None:
    """Whatever strangers say, the armed streamer's silence is noticed."""
    watch = armed()
    watch.step(START + 12 * MS, Tick())
    assert reason_of(watch.step(START + 24 * MS, Heard(PEER + 1, ARM))) is Reason.LEASE_OUT


def test_overrun_is_counted_from_the_instant_asked_for() -> None:
    """The guard asks to be run half a late-limit after its last look; more than the overrun later is too late."""
    watch = armed()
    assert watch.next_deadline_ns() == START + 10 * MS
    generous = Watch(replace(LIMITS, lease_max_ns=1000 * MS), START)
    generous.step(START, Heard(PEER, replace(ARM, lease_until_ns=START + 1000 * MS)))
    assert generous.step(START + 25 * MS, Tick()) is KEEP
    assert generous.next_deadline_ns() == START + 35 * MS
    assert reason_of(generous.step(START + 50 * MS + 1, Tick())) is Reason.GUARD_OVERRUN


# Stopping distance v^2/2a: 0.5 m/s at 5 m/s2 is 25 mm, by the textbook formula.
@pytest.mark.parametrize(
    ("position_um", "speed_um_s", "stops"),
    [
        (3_380_000, 0, False),
        (3_380_001, 0, True),
        (20_000, 0, False),
        (19_999, 0, True),
        (3_355_000, 500_000, False),
        (3_355_001, 500_000, True),
        (3_355_001, -500_000, False),
        (45_000, -500_000, False),
        (44_999, -500_000, True),
        (44_999, 500_000, False),
    ],
)
def test_envelope_of_position(position_um: int, speed_um_s: int, stops: bool) -> None:
    """Position plus stopping distance may reach the soft limit and not go beyond it; moving away is fine."""
    decision = heard(armed(), position_um=(position_um, 1_000_000), speed_um_s=(speed_um_s, 0))
    assert reason_of(decision) is Reason.ENVELOPE_POSITION if stops else isinstance(decision, Echo)


def test_envelope_of_position_holds_for_both_axes() -> None:
    """The second axis has limits of its own."""
    assert isinstance(heard(armed(), position_um=(2_180_001, 2_180_000)), Echo)
    assert reason_of(heard(armed(), position_um=(1_000_000, 2_180_001))) is Reason.ENVELOPE_POSITION


def test_unregistered_positions_mean_nothing() -> None:
    """Before homing, positions are not compared with the soft limits."""
    assert isinstance(heard(armed(), position_um=(-9_000_000, 0), flags=FRESH), Echo)


def test_an_axis_that_starts_outside_may_only_come_in() -> None:
    """At a homing switch beyond the soft limit the axis may stand and come back; it may not go further out."""
    outside = (15_000, 1_000_000)
    for speed, position, stops in [
        (0, 15_000, False),
        (150_000, 15_500, False),
        (0, 15_000 - OUTSIDE_SLACK_UM, False),
        (0, 14_999 - OUTSIDE_SLACK_UM, True),
        (-150_000, 15_000, True),
    ]:
        watch = Watch(LIMITS, START)
        watch.step(START, Heard(PEER, replace(ARM, flags=0)))
        assert isinstance(heard(watch, position_um=outside), Echo)
        at_ns = START + 8 * MS
        decision = heard(watch, at_ns, sequence=3, position_um=(position, 1_000_000), speed_um_s=(speed, 0))
        assert reason_of(decision) is Reason.ENVELOPE_POSITION if stops else isinstance(decision, Echo)


def test_once_inside_the_limit_is_strict() -> None:
    """An axis that has come back in is held to the soft limit itself."""
    watch = Watch(LIMITS, START)
    watch.step(START, Heard(PEER, replace(ARM, position_um=(15_000, 1_000_000))))
    assert isinstance(heard(watch, position_um=(20_000, 1_000_000)), Echo)
    decision = heard(watch, START + 8 * MS, sequence=3, position_um=(19_999, 1_000_000))
    assert reason_of(decision) is Reason.ENVELOPE_POSITION


@pytest.mark.parametrize(("speed_um_s", "stops"), [(700_000, False), (700_001, True), (-700_001, True)])
@pytest.mark.parametrize("flags", [0, FRESH])
def test_envelope_of_speed(speed_um_s: int, stops: bool, flags: int) -> None:
    """The top speed is allowed and no more, registered or not, in both directions."""
    decision = heard(armed(), speed_um_s=(0, speed_um_s), flags=flags)
    assert reason_of(decision) is Reason.ENVELOPE_SPEED if stops else isinstance(decision, Echo)


@pytest.mark.parametrize(("following_um", "stops"), [(4000, False), (4001, True), (-4001, True)])
def test_envelope_of_following_error(following_um: int, stops: bool) -> None:
    """The largest following error is allowed and no more, in both directions."""
    decision = heard(armed(), following_um=(following_um, 0))
    assert reason_of(decision) is Reason.ENVELOPE_FOLLOWING if stops else isinstance(decision, Echo)


@pytest.mark.parametrize(
    "changes",
    [
        {"sent_ns": START - 20 * MS - 1},
        {"sent_ns": START + 1},
        {"lease_until_ns": START},
        {"lease_until_ns": START + 24 * MS + 1},
        {"word": Word.BEAT},
        {"word": Word.DISARM},
    ],
)
def test_bad_arming_is_refused_and_changes_nothing(changes: dict[str, object]) -> None:
    """What would stop an armed machine does not arm an idle one."""
    watch = Watch(LIMITS, START)
    assert isinstance(watch.step(START, Heard(PEER, replace(ARM, **changes))), Refuse)  # type: ignore[arg-type]
    assert watch.state is State.IDLE
    assert watch.next_deadline_ns() is None
    assert isinstance(watch.step(START, Heard(PEER, ARM)), Echo)


def test_a_second_streamer_is_refused() -> None:
    """One streamer at a time; the armed one goes on undisturbed."""
    watch = armed()
    assert isinstance(watch.step(START + 1, Heard(PEER + 1, replace(ARM, sent_ns=START + 1))), Refuse)
    assert isinstance(heard(watch), Echo)


def test_disarm_by_word_only() -> None:
    """DISARM in its turn ends the watch; then silence and death are nothing, and arming anew is possible."""
    watch = armed()
    assert heard(watch, word=Word.DISARM, lease_until_ns=0) == Echo(2, START + 4 * MS)
    assert watch.state is State.IDLE
    assert watch.step(START + 10_000 * MS, Tick()) is KEEP
    assert watch.step(START + 10_000 * MS, PeerDied(PEER)) is KEEP
    again = START + 20_000 * MS
    assert isinstance(
        watch.step(again, Heard(PEER, replace(ARM, sent_ns=again, lease_until_ns=again + MS))), Echo
    )


@pytest.mark.parametrize(
    ("changes", "reason"),
    [({"sequence": 3}, Reason.BEAT_MISSING), ({"sequence": 1}, Reason.BEAT_REPEATED)],
)
def test_disarm_out_of_turn_stops(changes: dict[str, object], reason: Reason) -> None:
    """A DISARM that is not the next word is no proof that motion has ended."""
    assert reason_of(heard(armed(), word=Word.DISARM, **changes)) is reason  # type: ignore[arg-type]


@pytest.mark.parametrize("event", [StopAsked("", ""), InputOpened("x"), GuardFailed("bug")])
def test_what_stops_an_idle_machine(event: Event) -> None:
    """A person, a stop input and the guard's own failure latch even when nothing is armed."""
    watch = Watch(LIMITS, START)
    assert isinstance(watch.step(START, event), Stop)
    assert watch.state is State.STOPPING


def test_a_latch_that_stands_refuses_from_the_start() -> None:
    """A latch found on disk is a latch: nothing arms, though this guard gave no verdict."""
    watch = Watch(LIMITS, START)
    assert isinstance(watch.step(START, LatchFound("lease-out")), Refuse)
    assert watch.state is State.LATCHED
    assert watch.verdict is None
    assert isinstance(watch.step(START, Heard(PEER, ARM)), Refuse)


def test_stopping_ends_latched_proved_or_not() -> None:
    """Standstill proved or given up on: the guard is latched either way, and a late proof is welcome."""
    for proved in (True, False):
        watch = armed()
        watch.step(START, ServiceDied())
        assert watch.step(START, Stood(proved)) is KEEP
        assert watch.state is State.LATCHED
        assert watch.step(START, Stood(True)) is KEEP
        assert isinstance(watch.step(START, Heard(PEER, ARM)), Refuse)


@pytest.mark.parametrize("event", [Stood(True), LatchFound("x")])
def test_illegal_events_raise_and_change_nothing(event: Event) -> None:
    """An event that cannot happen raises; the next good beat is taken as if nothing had been."""
    watch = armed()
    with pytest.raises(IllegalEventError, match="cannot happen while armed"):
        watch.step(START + 3 * MS, event)
    assert watch.next_deadline_ns() == START + 10 * MS
    assert isinstance(heard(watch), Echo)


def test_time_never_goes_back() -> None:
    """An instant before the last one raises and changes nothing."""
    watch = armed()
    with pytest.raises(IllegalEventError, match="went back"):
        watch.step(START - 1, Tick())
    assert watch.state is State.ARMED


def test_nothing_leads_out_of_latched_in_the_table() -> None:
    """In every state each event has an entry or is illegal; in the last two states no entry can arm."""
    harmless = {Watch._keep, Watch._refuse, Watch._stood}
    for (state, _), judge in TABLE.items():
        if state in (State.STOPPING, State.LATCHED):
            assert judge in harmless
