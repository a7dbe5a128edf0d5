"""Laws of the judgement over histories that nobody thought of."""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import example, given, settings
from hypothesis import strategies as st

from safety.beat import Beat, Word
from safety.events import (
    BusOff,
    Echo,
    Event,
    Garbled,
    GuardFailed,
    Heard,
    IllegalEventError,
    InputClosed,
    InputOpened,
    LatchFound,
    Overran,
    PeerClosed,
    PeerDied,
    PeerSpinning,
    PeerStopped,
    ServiceDied,
    State,
    Stood,
    Stop,
    StopAsked,
    Tick,
    WireLost,
)
from safety.verdict import Limits, Watch

MS = 1_000_000
START = 5_000 * MS
LIMITS = Limits(
    24 * MS, 20 * MS, 15 * MS, ((0, 1000), (0, 1000)), (5000, 5000), (100, 100), (100_000, 100_000)
)
PEERS = st.integers(1, 2)
STRANGER = 2


@dataclass(frozen=True)
class Said:
    """A word before it is known when it is said: numbers relative to the last good word and to now."""

    peer: int
    word: Word
    sequence: int = 1
    age_ns: int = 0
    lease_ns: int = 20 * MS
    x_um: int = 500
    speed_um_s: int = 0
    following_um: int = 0
    flags: int = 3

    def at(self, now_ns: int, last: int) -> Heard:
        """The event, said at ``now_ns`` after the good word ``last``."""
        pairs = (self.x_um, 500), (self.speed_um_s, 0), (self.following_um, 0)
        sequence = max(0, last + self.sequence)
        beat = Beat(self.word, sequence, now_ns - self.age_ns, now_ns + self.lease_ns, 0, *pairs, self.flags)
        return Heard(self.peer, beat)


GOOD = st.one_of(st.just(Said(1, Word.BEAT)), st.just(Said(1, Word.BEAT)), st.just(Said(1, Word.ARM)))
ODD = st.builds(
    Said,
    PEERS,
    st.sampled_from(Word),
    st.integers(-1, 2),
    st.integers(-5, 30 * MS),
    st.integers(-5, 30 * MS),
    st.integers(-50, 1050),
    st.integers(-6000, 6000),
    st.integers(-150, 150),
    st.integers(0, 63),
)
QUIET = st.one_of(
    st.just(Tick()),
    st.builds(Garbled, st.just(STRANGER), st.just("noise")),
    st.builds(PeerClosed, st.just(STRANGER)),
    st.builds(PeerDied, st.just(STRANGER)),
    st.builds(PeerStopped, st.just(STRANGER)),
    st.builds(PeerSpinning, st.just(STRANGER), st.just("hot")),
    st.just(InputClosed("button")),
    st.builds(Said, st.just(STRANGER), st.sampled_from(Word)).map(lambda said: said.at(START, 1)),
)
OTHER = st.one_of(
    st.just(Tick()),
    st.builds(Garbled, PEERS, st.just("noise")),
    st.builds(PeerClosed, PEERS),
    st.builds(PeerDied, PEERS),
    st.builds(PeerStopped, PEERS),
    st.builds(PeerSpinning, PEERS, st.just("hot")),
    st.just(ServiceDied()),
    st.just(StopAsked("why", "who")),
    st.builds(InputOpened, st.just("button"), st.just(""), st.booleans()),
    st.just(InputClosed("button")),
    st.just(BusOff("off")),
    st.just(WireLost("gone")),
    st.just(GuardFailed("bug")),
    st.just(Overran(1)),
    st.just(LatchFound("old")),
    st.builds(Stood, st.booleans()),
)
STEPS_NS = st.one_of(st.integers(0, 6 * MS), st.integers(0, 40 * MS))


def armed() -> Watch:
    watch = Watch(LIMITS, START)
    arm = Beat(Word.ARM, 1, START, START + 24 * MS, 0, (500, 500), (0, 0), (0, 0), 3)
    assert isinstance(watch.step(START, Heard(1, arm)), Echo)
    return watch


@given(st.lists(st.tuples(st.integers(0, 12 * MS), QUIET), max_size=40))
def test_silence_of_any_kind_stops_no_later_than_the_lease(history: list[tuple[int, Event]]) -> None:
    """From armed, without a word of the armed streamer, a guard that keeps its deadlines stops by the lease's end."""
    watch = armed()
    now_ns = START
    for step_ns, event in [*history, (60 * MS, Tick())]:
        now_ns += step_ns
        while (deadline_ns := watch.next_deadline_ns()) is not None and deadline_ns <= now_ns:
            watch.step(deadline_ns, Tick())
        watch.step(now_ns, event)
        if watch.verdict is not None:
            break
    assert watch.verdict is not None
    assert watch.verdict.at_ns <= START + 24 * MS
    assert watch.state is State.STOPPING


@example([(24 * MS, InputClosed("button"))], 0)  # good news is no reason to look away from the clock
@given(st.lists(st.tuples(STEPS_NS, QUIET), max_size=20), st.integers(0, 10_000 * MS))
def test_a_guard_that_is_run_late_still_stops(history: list[tuple[int, Event]], extra_ns: int) -> None:
    """Whatever the guard missed, its first look at or after the lease's end stops the machine."""
    watch = armed()
    now_ns = START
    for step_ns, event in history:
        now_ns += step_ns
        watch.step(now_ns, event)
    if watch.state is State.ARMED:
        assert now_ns < START + 24 * MS
        watch.step(START + 24 * MS + extra_ns, Tick())
    assert watch.state is State.STOPPING


@settings(max_examples=500)
@given(st.lists(st.tuples(STEPS_NS, st.one_of(GOOD, GOOD, ODD, OTHER)), min_size=1, max_size=30))
def test_no_way_back_and_no_second_thoughts(history: list[tuple[int, Said | Event]]) -> None:
    """Over any history: a verdict is given once and stands; from stopping or latched nothing leads to idle or armed.

    An event that raises leaves state, verdict and deadline as they were.
    """
    watch = Watch(LIMITS, START)
    now_ns = START
    last = 0
    stops: list[Stop] = []
    for step_ns, what in history:
        now_ns += step_ns
        event = what.at(now_ns, last) if isinstance(what, Said) else what
        before = (watch.state, watch.verdict, watch.next_deadline_ns())
        try:
            decision = watch.step(now_ns, event)
        except IllegalEventError:
            assert (watch.state, watch.verdict, watch.next_deadline_ns()) == before
            continue
        if isinstance(decision, Echo):
            last = decision.sequence
        if isinstance(decision, Stop):
            stops.append(decision)
        assert len(stops) <= 1
        assert watch.verdict is (stops[0] if stops else None)
        if before[0] is State.LATCHED:
            assert watch.state is State.LATCHED
        if before[0] is State.STOPPING:
            assert watch.state in (State.STOPPING, State.LATCHED)
        if stops:
            assert not isinstance(decision, Echo)


@given(st.lists(st.tuples(st.integers(0, 7 * MS), st.integers(0, 63)), min_size=1, max_size=60))
def test_bad_news_is_never_echoed(history: list[tuple[int, int]]) -> None:
    """Over any stream of otherwise good beats: none with bad news is taken, and the first one stops for its reason.

    Without bad news, beats that the drives have not answered are taken for the stated time and no longer.
    """
    watch = armed()
    now_ns = fresh_ns = START
    for sequence, (step_ns, flags) in enumerate(history, 2):
        now_ns += step_ns
        beat = Beat(Word.BEAT, sequence, now_ns, now_ns + 20 * MS, 0, (500, 500), (0, 0), (0, 0), flags)
        decision = watch.step(now_ns, Heard(1, beat))
        if flags & 1:
            fresh_ns = now_ns
        if isinstance(decision, Echo):
            assert not flags & 0b111100
            assert now_ns - fresh_ns <= LIMITS.feedback_late_ns
        else:
            assert isinstance(decision, Stop)
            if flags & 0b111100:
                assert decision.reason in ("input-open", "motor-power-lost", "drive-fault", "beat-unreadable")
            else:
                assert decision.reason == "feedback-stale"
                assert now_ns - fresh_ns > LIMITS.feedback_late_ns
            return
