"""What the armed streamer tells and how it behaves: flags, freshness, pace, rest, inputs; each at its boundary."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from safety.beat import DRIVE_FAULT, DRIVE_INPUT_OPEN, FRESH, KNOWN_FLAGS, POWER_LOST, REGISTERED, Beat, Word
from safety.events import (
    KEEP,
    BusOff,
    Decision,
    Echo,
    Event,
    Heard,
    InputClosed,
    InputOpened,
    PeerSpinning,
    PeerStopped,
    Reason,
    Refuse,
    State,
    Stop,
    Tick,
)
from safety.verdict import Limits, Watch

MS = 1_000_000
START = 1_000 * MS
TICK = 4 * MS
LEASE = 24 * MS
LIMITS = Limits(
    lease_max_ns=LEASE,
    beat_late_ns=20 * MS,
    overrun_ns=15 * MS,
    envelope_um=((0, 3_000_000), (0, 2_000_000)),
    speed_max_um_s=(700_000, 700_000),
    following_max_um=(4000, 4000),
    stop_um_s2=(5_000_000, 5_000_000),
    feedback_late_ns=60 * MS,
    tick_ns=TICK,
    rest_um_s=5000,
)
PEER = 3
GOOD = FRESH | REGISTERED


class Stream:
    """An armed watch and the beats of its streamer, one after the other."""

    def __init__(self, limits: Limits = LIMITS) -> None:
        self.watch = Watch(limits, START)
        self.sequence = 0
        assert isinstance(self.say(START, Word.ARM), Echo)

    def say(self, at_ns: int, word: Word = Word.BEAT, flags: int = GOOD, speed_um_s: int = 0) -> Decision:
        """The next word, sent and heard at ``at_ns``."""
        self.sequence += 1
        speeds = (0, speed_um_s)
        beat = Beat(
            word, self.sequence, at_ns, at_ns + LEASE, 0, (1_000_000, 1_000_000), speeds, (0, 0), flags
        )
        return self.watch.step(at_ns, Heard(PEER, beat))

    def tick_to(self, at_ns: int) -> Decision:
        """Nothing but time."""
        return self.watch.step(at_ns, Tick())


def reason_of(decision: Decision) -> Reason | None:
    return decision.reason if isinstance(decision, Stop) else None


@pytest.mark.parametrize(
    ("flags", "reason"),
    [
        (0, None),
        (GOOD, None),
        (GOOD | DRIVE_FAULT, Reason.DRIVE_FAULT),
        (GOOD | DRIVE_INPUT_OPEN, Reason.INPUT_OPEN),
        (GOOD | POWER_LOST, Reason.MOTOR_POWER_LOST),
        (POWER_LOST | DRIVE_FAULT, Reason.MOTOR_POWER_LOST),
        (KNOWN_FLAGS, Reason.INPUT_OPEN),
        (32, Reason.BEAT_UNREADABLE),
        (1 << 31, Reason.BEAT_UNREADABLE),
    ],
)
def test_bad_news_in_a_beat_stops(flags: int, reason: Reason | None) -> None:
    """One beat with bad news is enough; of several the cause is named; a flag nobody has defined is no beat."""
    assert reason_of(Stream().say(START + TICK, flags=flags)) is reason


@pytest.mark.parametrize("flags", [DRIVE_FAULT, DRIVE_INPUT_OPEN, POWER_LOST, 32])
def test_bad_news_does_not_arm(flags: int) -> None:
    """What would stop at once is refused before."""
    watch = Watch(LIMITS, START)
    beat = Beat(Word.ARM, 1, START, START + LEASE, flags=flags)
    assert isinstance(watch.step(START, Heard(PEER, beat)), Refuse)
    assert watch.state is State.IDLE


@pytest.mark.parametrize(("silent_ns", "stops"), [(60 * MS, False), (60 * MS + 1, True)])
def test_stale_feedback_stops_at_the_limit(silent_ns: int, stops: bool) -> None:
    """Beats without fresh feedback are taken up to the limit since the last fresh one, and not a ns longer."""
    stream = Stream()
    assert isinstance(stream.say(START + TICK), Echo)
    for step in range(2, 16):
        assert isinstance(stream.say(START + step * TICK, flags=REGISTERED), Echo)
    decision = stream.say(START + TICK + silent_ns, flags=REGISTERED)
    assert reason_of(decision) is (Reason.FEEDBACK_STALE if stops else None)


def test_fresh_feedback_starts_the_count_again() -> None:
    """One fresh beat within the limit keeps the machine moving."""
    stream = Stream()
    for step in range(1, 100):
        assert isinstance(stream.say(START + step * TICK, flags=FRESH if step % 15 == 0 else 0), Echo)


def test_drives_that_never_answer_stop_within_the_limit_from_arming() -> None:
    """The first answer is due as well: the count starts when the machine is armed."""
    stream = Stream()
    stops = [step for step in range(1, 30) if reason_of(stream.say(START + step * TICK, flags=0))]
    assert stops[0] == 16
    assert stream.watch.verdict is not None
    assert stream.watch.verdict.reason is Reason.FEEDBACK_STALE


def test_a_streamer_that_lost_its_clock_is_stopped_after_a_leases_worth_of_beats() -> None:
    """Beats without any interval: each weighs half a tick; a lease of 24 ms holds 12 of 2 ms, not 13."""
    stream = Stream()
    taken = 0
    while isinstance(decision := stream.say(START), Echo):
        taken += 1
    assert reason_of(decision) is Reason.BEAT_FLOOD
    assert taken == 12


@pytest.mark.parametrize(
    ("interval_ns", "floods"), [(TICK, False), (TICK // 2, False), (TICK // 2 - 100_000, True)]
)
def test_pace_in_the_long_run(interval_ns: int, floods: bool) -> None:
    """Up to twice the pace is borne for ever; anything faster is stopped in the end."""
    stream = Stream()
    decisions = [stream.say(START + step * interval_ns) for step in range(1, 400)]
    assert any(reason_of(decision) is Reason.BEAT_FLOOD for decision in decisions) is floods


@given(st.lists(st.integers(0, LEASE - TICK), min_size=1, max_size=120))
def test_held_up_beats_are_no_flood(delays_ns: list[int]) -> None:
    """Whatever holds beats up by less than their lease, and lets them follow in bursts, is never called a flood."""
    stream = Stream()
    at_ns = START
    for step, delay_ns in enumerate(delays_ns, 1):
        at_ns = max(at_ns, START + step * TICK + delay_ns)
        decision = stream.say(at_ns)
        if reason_of(decision) is Reason.LEASE_OUT:
            return
        assert isinstance(decision, Echo), decision


@pytest.mark.parametrize(
    ("speed_um_s", "stops"), [(5000, False), (-5000, False), (5001, True), (-5001, True)]
)
def test_disarm_needs_rest(speed_um_s: int, stops: bool) -> None:
    """DISARM after a beat that commanded more than creeping is no end of motion; the limit itself is allowed."""
    stream = Stream()
    stream.say(START + TICK, speed_um_s=speed_um_s)
    decision = stream.say(START + 2 * TICK, Word.DISARM)
    assert reason_of(decision) is (Reason.DISARMED_MOVING if stops else None)


def test_disarm_after_coming_to_rest() -> None:
    """Only the last beat counts: who has slowed down may leave."""
    stream = Stream()
    stream.say(START + TICK, speed_um_s=300_000)
    stream.say(START + 2 * TICK)
    assert isinstance(stream.say(START + 3 * TICK, Word.DISARM), Echo)
    assert stream.watch.state is State.IDLE


@pytest.mark.parametrize(
    ("event", "reason"),
    [
        (PeerStopped(PEER), Reason.STREAMER_STOPPED),
        (PeerSpinning(PEER, "hot"), Reason.STREAMER_SPINNING),
        (BusOff("off"), Reason.BUS_OFF),
        (InputOpened("button"), Reason.INPUT_OPEN),
        (InputOpened("button", "unplugged", was_closed=False), Reason.INPUT_OPEN),
    ],
)
def test_what_stops_an_armed_machine(event: Event, reason: Reason) -> None:
    """Each stops at once with a reason of its own."""
    stream = Stream()
    assert reason_of(stream.watch.step(START + 1, event)) is reason


@pytest.mark.parametrize(
    "event", [PeerStopped(PEER + 1), PeerSpinning(PEER + 1, "hot"), InputClosed("button")]
)
def test_what_does_not(event: Event) -> None:
    """Strangers may stop or spin, and a closed input is as it should be; the lease still ends on its instant."""
    stream = Stream()
    assert stream.watch.step(START + 1, event) is KEEP
    stream.tick_to(START + 12 * MS)
    decision = stream.watch.step(START + LEASE, event)
    if decision is KEEP:
        decision = stream.tick_to(START + LEASE)
    assert reason_of(decision) is Reason.LEASE_OUT


@pytest.mark.parametrize("event", [PeerStopped(PEER), PeerSpinning(PEER, "hot"), BusOff("off")])
def test_an_idle_machine_is_not_latched_by_what_moves_nothing(event: Event) -> None:
    """Without motion, a bus that is off and a stopped process are no stop."""
    watch = Watch(LIMITS, START)
    assert watch.step(START, event) is KEEP
    assert watch.state is State.IDLE


def test_no_arming_while_an_input_is_open() -> None:
    """An input that has never been closed refuses arming and latches nothing; closed, it lets the machine arm."""
    watch = Watch(LIMITS, START)
    arm = Heard(PEER, Beat(Word.ARM, 1, START, START + LEASE))
    for name in ("button", "gate"):
        assert watch.step(START, InputOpened(name, "not read yet", was_closed=False)) is KEEP
    for name in ("button", "gate"):
        refusal = watch.step(START, arm)
        assert isinstance(refusal, Refuse)
        assert name in refusal.text
        watch.step(START, InputClosed(name))
    assert watch.open_inputs == ()
    assert isinstance(watch.step(START, arm), Echo)


def test_an_input_that_opens_while_idle_latches() -> None:
    """Somebody pressed the button: that is a stop, also when nothing was armed; closing it again does not undo it."""
    watch = Watch(LIMITS, START)
    watch.step(START, InputClosed("button"))
    assert reason_of(watch.step(START, InputOpened("button", "pressed"))) is Reason.INPUT_OPEN
    assert watch.step(START, InputClosed("button")) is KEEP
    assert watch.state is State.STOPPING


INPUT_EVENTS = st.one_of(
    st.builds(InputOpened, st.sampled_from("ab"), st.just(""), st.booleans()),
    st.builds(InputClosed, st.sampled_from("ab")),
)


@given(st.lists(INPUT_EVENTS, max_size=20))
def test_arming_is_possible_exactly_when_every_input_is_closed(history: list[Event]) -> None:
    """Over any history of inputs while idle: ARM is taken if and only if none is open and none has opened."""
    watch = Watch(replace(LIMITS), START)
    open_now: set[str] = set()
    pressed = False
    for event in history:
        watch.step(START, event)
        if isinstance(event, InputOpened):
            open_now.add(event.name)
            pressed |= event.was_closed
        elif isinstance(event, InputClosed):
            open_now.discard(event.name)
    decision = watch.step(START, Heard(PEER, Beat(Word.ARM, 1, START, START + LEASE)))
    assert isinstance(decision, Echo) is (not open_now and not pressed)
