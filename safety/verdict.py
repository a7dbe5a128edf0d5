"""The guard's judgement: whether motion may go on. Events and the present instant in, decisions out.

Owns the states of the guard (idle, armed, stopping, latched), every condition that stops the machine, and one
table of what may happen in which state. Does no I/O and reads no clock; it must not know of sockets,
processes, wires or files. Instants are integer ns of one monotonic clock.

From ``latched`` no event leads back: a cleared latch is met by a new guard, never by this one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from safety.beat import (
    DRIVE_FAULT,
    DRIVE_INPUT_OPEN,
    FRESH,
    KNOWN_FLAGS,
    POWER_LOST,
    REGISTERED,
    Beat,
    Word,
)
from safety.events import (
    KEEP,
    BusOff,
    Decision,
    Echo,
    Event,
    Garbled,
    GuardFailed,
    HandleLost,
    Heard,
    IllegalEventError,
    InputClosed,
    InputOpened,
    LatchFound,
    Lease,
    Overran,
    PeerClosed,
    PeerDied,
    PeerSpinning,
    PeerStopped,
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
from safety.settings import GuardSettings

NS_PER_MS = 1_000_000
# Bad news in a beat, causes first: an opened stop circuit takes the power, lost power makes a fault.
_BAD_FLAGS = (
    (DRIVE_INPUT_OPEN, Reason.INPUT_OPEN, "a stop input wired to a drive is open"),
    (POWER_LOST, Reason.MOTOR_POWER_LOST, "a drive that should be enabled has lost its motor power"),
    (DRIVE_FAULT, Reason.DRIVE_FAULT, "a drive reports a fault"),
)
# An axis that was outside its soft limits when positions became known (a homing switch often lies there) may
# come back in. On its way it may go no further out than it has been, but for this much noise and play.
OUTSIDE_SLACK_UM = 1000
_AXES = ("x", "y")


@dataclass(frozen=True, slots=True)
class Limits:
    """What is allowed, in ns and in um of the machine frame, x then y.

    ``overrun_ns``: how much later than asked the guard may be run before it no longer trusts itself.
    ``feedback_late_ns``: how long beats may say that the drives have not answered. ``tick_ns``: how often beats come
    in the long run. ``rest_um_s``: the commanded speed up to which an axis may be left to itself by DISARM.
    """

    lease_max_ns: int
    beat_late_ns: int
    overrun_ns: int
    envelope_um: tuple[tuple[int, int], tuple[int, int]]
    speed_max_um_s: tuple[int, int]
    following_max_um: tuple[int, int]
    stop_um_s2: tuple[int, int]
    feedback_late_ns: int = 60 * NS_PER_MS
    tick_ns: int = NS_PER_MS // 2
    rest_um_s: int = 5000

    @classmethod
    def of(cls, settings: GuardSettings) -> Limits:
        """The limits in ``settings``."""
        return cls(
            round(settings.lease_max_ms * NS_PER_MS),
            round(settings.beat_late_ms * NS_PER_MS),
            round(settings.overrun_ms * NS_PER_MS),
            settings.envelope_um,
            settings.speed_max_um_s,
            settings.following_max_um,
            settings.stop_um_s2,
            round(settings.feedback_late_ms * NS_PER_MS),
            round(settings.tick_ms * NS_PER_MS),
            round(settings.rest_um_s),
        )


class Watch:
    """The guard's state and its one verdict."""

    __slots__ = (
        "_flood_ns",
        "_fresh_ns",
        "_lease",
        "_lease_ns",
        "_limits",
        "_look_every_ns",
        "_looked_ns",
        "_open",
        "_outside_um",
        "_peer",
        "_sent_ns",
        "_sequence",
        "_speed_um_s",
        "_state",
        "_verdict",
    )

    def __init__(self, limits: Limits, now_ns: int) -> None:
        self._limits = limits
        self._state = State.IDLE
        self._verdict: Stop | None = None
        self._peer: int | None = None
        self._sequence = 0
        self._sent_ns = 0
        self._lease_ns = 0
        self._lease: Lease = "never given"
        self._looked_ns = now_ns
        self._look_every_ns = max(1, limits.beat_late_ns // 2)
        self._outside_um: list[int] | None = None
        self._speed_um_s = (0, 0)
        self._fresh_ns = 0
        self._flood_ns = 0
        self._open: dict[str, str] = {}

    @property
    def state(self) -> State:
        """Where the guard stands."""
        return self._state

    @property
    def verdict(self) -> Stop | None:
        """The stop that was given out; None before. Never withdrawn, never replaced."""
        return self._verdict

    @property
    def armed_peer(self) -> int | None:
        """The connection that is or was armed when the verdict fell."""
        return self._peer

    @property
    def lease_until_ns(self) -> int:
        """When the present lease ends; only meaningful while armed."""
        return self._lease_ns

    @property
    def lease(self) -> Lease:
        """Has anybody been given a lease, and is it back? Still so after a stop."""
        return self._lease

    @property
    def open_inputs(self) -> tuple[str, ...]:
        """The stop inputs that are open, by name."""
        return tuple(self._open)

    @property
    def sequence(self) -> int:
        """The number of the last good word; only meaningful while armed."""
        return self._sequence

    def next_deadline_ns(self) -> int | None:
        """When ``step`` must be called at the latest, with ``Tick`` if nothing else has come. None: no hurry."""
        if self._state is not State.ARMED:
            return None
        return min(self._lease_ns, self._looked_ns + self._look_every_ns)

    def step(self, now_ns: int, event: Event) -> Decision:
        """Judge one event at instant ``now_ns``. Raises IllegalEventError, and then nothing has changed."""
        if now_ns < self._looked_ns:
            raise IllegalEventError(f"time went back by {self._looked_ns - now_ns} ns")
        judge = TABLE.get((self._state, type(event)))
        if judge is None:
            raise IllegalEventError(f"{type(event).__name__} cannot happen while {self._state.value}")
        decision = judge(self, now_ns, event)
        self._looked_ns = now_ns
        return decision

    # --- nothing armed -----------------------------------------------------------------------------------

    def _idle_heard(self, now_ns: int, event: Heard) -> Decision:
        beat = event.beat
        if beat.word is not Word.ARM:
            return Refuse(f"{beat.word.name} before ARM")
        fault = self._bad_age(now_ns, beat) or self._bad_lease(now_ns, beat) or self._bad_flags(beat)
        if fault is None and self._open:
            name, why = next(iter(self._open.items()))
            fault = Reason.INPUT_OPEN, _input_text(name, why)
        if fault is not None:
            return Refuse(f"ARM refused, {fault[0].value}: {fault[1]}")
        self._outside_um = None
        self._note_outside(beat)
        self._peer = event.peer
        self._fresh_ns = self._flood_ns = now_ns
        self._take(beat)
        self._lease = "held"
        self._state = State.ARMED
        return Echo(beat.sequence, beat.lease_until_ns)

    def _idle_latch_found(self, now_ns: int, event: LatchFound) -> Decision:  # noqa: ARG002
        self._state = State.LATCHED
        return Refuse(f"a latch stands: {event.detail}")

    # --- armed -------------------------------------------------------------------------------------------

    def _armed_tick(self, now_ns: int, event: Tick) -> Decision:  # noqa: ARG002
        return self._overdue(now_ns) or KEEP

    def _armed_heard(self, now_ns: int, event: Heard) -> Decision:
        overdue = self._overdue(now_ns)
        if overdue is not None:
            return overdue
        if event.peer != self._peer:
            return Refuse("another streamer is armed")
        beat = event.beat
        fault = self._bad_sequence(beat) or self._bad_age(now_ns, beat) or self._bad_word(beat)
        if fault is None and beat.word is Word.BEAT:
            fault = (
                self._bad_pace(now_ns, beat)
                or self._bad_lease(now_ns, beat)
                or self._bad_flags(beat)
                or self._bad_feedback(now_ns, beat)
                or self._out_of_envelope(beat)
            )
        elif fault is None:
            fault = self._bad_rest()
        if fault is not None:
            return self._stop(now_ns, *fault)
        if beat.word is Word.DISARM:
            self._state = State.IDLE
            self._peer = None
            self._lease = "given back"
            return Echo(beat.sequence, now_ns)
        self._take(beat)
        return Echo(beat.sequence, beat.lease_until_ns)

    def _armed_garbled(self, now_ns: int, event: Garbled) -> Decision:
        if event.peer != self._peer:
            return self._overdue(now_ns) or Refuse(event.detail)
        return self._stop(now_ns, Reason.BEAT_UNREADABLE, event.detail)

    def _armed_closed(self, now_ns: int, event: PeerClosed) -> Decision:
        if event.peer != self._peer:
            return self._overdue(now_ns) or KEEP
        return self._stop(now_ns, Reason.CLOSED_WITHOUT_WORD, "the streamer closed its line without DISARM")

    def _armed_died(self, now_ns: int, event: PeerDied) -> Decision:
        if event.peer != self._peer:
            return self._overdue(now_ns) or KEEP
        return self._stop(now_ns, Reason.STREAMER_DIED, "the streamer's process ended while armed")

    def _armed_stopped(self, now_ns: int, event: PeerStopped) -> Decision:
        if event.peer != self._peer:
            return self._overdue(now_ns) or KEEP
        return self._stop(now_ns, Reason.STREAMER_STOPPED, "the streamer's process was stopped while armed")

    def _armed_spinning(self, now_ns: int, event: PeerSpinning) -> Decision:
        if event.peer != self._peer:
            return self._overdue(now_ns) or KEEP
        return self._stop(now_ns, Reason.STREAMER_SPINNING, event.detail)

    def _service_died(self, now_ns: int, event: ServiceDied) -> Decision:  # noqa: ARG002
        return self._stop(
            now_ns, Reason.SERVICE_DIED, "the service's process ended while a streamer was armed"
        )

    # --- in more than one state --------------------------------------------------------------------------

    def _stop_asked(self, now_ns: int, event: StopAsked) -> Decision:
        return self._stop(now_ns, Reason.STOP_ASKED, f"{event.by or 'somebody'} asked: {event.why or 'stop'}")

    def _input_opened(self, now_ns: int, event: InputOpened) -> Decision:
        self._open[event.name] = event.why
        return self._stop(now_ns, Reason.INPUT_OPEN, _input_text(event.name, event.why))

    def _idle_input_opened(self, now_ns: int, event: InputOpened) -> Decision:
        """Somebody has pressed the button: that is a stop. One that was never closed only keeps us from arming."""
        if event.was_closed:
            return self._input_opened(now_ns, event)
        self._open[event.name] = event.why
        return KEEP

    def _input_closed(self, now_ns: int, event: InputClosed) -> Decision:  # noqa: ARG002
        self._open.pop(event.name, None)
        return KEEP

    def _armed_input_closed(self, now_ns: int, event: InputClosed) -> Decision:
        self._open.pop(event.name, None)
        return self._overdue(now_ns) or KEEP

    def _bus_off(self, now_ns: int, event: BusOff) -> Decision:
        return self._stop(now_ns, Reason.BUS_OFF, event.detail)

    def _handle_lost(self, now_ns: int, event: HandleLost) -> Decision:
        return self._stop(now_ns, Reason.HANDLE_LOST, event.detail)

    def _wire_lost(self, now_ns: int, event: WireLost) -> Decision:
        return self._stop(now_ns, Reason.WIRE_LOST, event.detail)

    def _guard_failed(self, now_ns: int, event: GuardFailed) -> Decision:
        return self._stop(now_ns, Reason.GUARD_FAILED, event.detail)

    def _overran(self, now_ns: int, event: Overran) -> Decision:
        return self._stop(
            now_ns, Reason.GUARD_OVERRUN, f"the guard was {event.late_ns / NS_PER_MS:.1f} ms behind"
        )

    def _keep(self, now_ns: int, event: Event) -> Decision:  # noqa: ARG002
        return KEEP

    def _refuse(self, now_ns: int, event: Event) -> Decision:  # noqa: ARG002
        return Refuse("nobody is armed" if self._state is State.IDLE else f"the guard is {self._state.value}")

    def _stood(self, now_ns: int, event: Stood) -> Decision:  # noqa: ARG002
        self._state = State.LATCHED
        return KEEP

    # --- the conditions ----------------------------------------------------------------------------------

    def _stop(self, now_ns: int, reason: Reason, text: str) -> Stop:
        self._state = State.STOPPING
        self._verdict = Stop(reason, text, now_ns)
        return self._verdict

    def _overdue(self, now_ns: int) -> Stop | None:
        """Has time itself become a reason to stop? Overrun goes first: it says that the fault is ours."""
        deadline_ns = min(self._lease_ns, self._looked_ns + self._look_every_ns)
        late_ns = now_ns - deadline_ns
        if late_ns > self._limits.overrun_ns:
            text = f"the guard was run {late_ns / NS_PER_MS:.1f} ms after the instant it had asked for"
            return self._stop(now_ns, Reason.GUARD_OVERRUN, text)
        if now_ns >= self._lease_ns:
            text = f"the lease of beat {self._sequence} ended and no beat renewed it"
            return self._stop(now_ns, Reason.LEASE_OUT, text)
        return None

    def _bad_sequence(self, beat: Beat) -> tuple[Reason, str] | None:
        step = beat.sequence - self._sequence
        if step == 1:
            if beat.sent_ns < self._sent_ns:
                return Reason.BEAT_OUT_OF_ORDER, f"beat {beat.sequence} was sent before the one it follows"
            return None
        text = f"expected beat {self._sequence + 1}, got {beat.sequence}"
        if step == 0:
            return Reason.BEAT_REPEATED, text
        return (Reason.BEAT_MISSING if step > 1 else Reason.BEAT_OUT_OF_ORDER), text

    def _bad_word(self, beat: Beat) -> tuple[Reason, str] | None:
        if beat.word in (Word.BEAT, Word.DISARM):
            return None
        if beat.word is Word.ARM:
            return Reason.BEAT_OUT_OF_ORDER, "the armed streamer said ARM again"
        return Reason.BEAT_UNREADABLE, f"the streamer said {beat.word.name}, a word of the guard"

    def _bad_pace(self, now_ns: int, beat: Beat) -> tuple[Reason, str] | None:
        """Beats at more than twice the ticks' pace, for longer than a lease of them could have been held up.

        Each beat fills half a tick into a bucket that runs out with time. A stall of the streamer or of ours brings
        its beats in one burst: at most half a lease, so it never fills the lease that the bucket holds.
        """
        limits = self._limits
        self._flood_ns = max(self._flood_ns, now_ns) + limits.tick_ns // 2
        if self._flood_ns - now_ns <= limits.lease_max_ns:
            return None
        text = f"beat {beat.sequence}: beats come more than twice as fast as one in {limits.tick_ns / NS_PER_MS:g} ms"
        return Reason.BEAT_FLOOD, text

    def _bad_flags(self, beat: Beat) -> tuple[Reason, str] | None:
        if not beat.flags & ~(FRESH | REGISTERED):
            return None
        for flag, reason, text in _BAD_FLAGS:
            if beat.flags & flag:
                return reason, text
        unknown = beat.flags & ~KNOWN_FLAGS
        return Reason.BEAT_UNREADABLE, f"beat {beat.sequence} carries unknown flags {unknown:#x}"

    def _bad_feedback(self, now_ns: int, beat: Beat) -> tuple[Reason, str] | None:
        if beat.flags & FRESH:
            self._fresh_ns = now_ns
            return None
        silent_ns = now_ns - self._fresh_ns
        if silent_ns <= self._limits.feedback_late_ns:
            return None
        text = (
            f"the drives have not answered for {silent_ns / NS_PER_MS:.1f} ms, "
            f"allowed are {self._limits.feedback_late_ns / NS_PER_MS:g}"
        )
        return Reason.FEEDBACK_STALE, text

    def _bad_rest(self) -> tuple[Reason, str] | None:
        """DISARM: nobody will watch any more, so the last beat must not have commanded a speed."""
        for speed, axis in zip(self._speed_um_s, _AXES, strict=True):
            if abs(speed) > self._limits.rest_um_s:
                return (
                    Reason.DISARMED_MOVING,
                    f"DISARM while axis {axis} was commanded {speed / 1000:.1f} mm/s",
                )
        return None

    def _bad_age(self, now_ns: int, beat: Beat) -> tuple[Reason, str] | None:
        age_ns = now_ns - beat.sent_ns
        if age_ns < 0:
            return Reason.BEAT_UNREADABLE, f"beat {beat.sequence} says it was sent {-age_ns} ns from now"
        if age_ns > self._limits.beat_late_ns:
            return Reason.BEAT_LATE, f"beat {beat.sequence} was {age_ns / NS_PER_MS:.1f} ms on its way"
        return None

    def _bad_lease(self, now_ns: int, beat: Beat) -> tuple[Reason, str] | None:
        ahead_ns = beat.lease_until_ns - now_ns
        if ahead_ns <= 0:
            return Reason.LEASE_OUT, f"beat {beat.sequence} brought a lease that had ended"
        if ahead_ns > self._limits.lease_max_ns:
            text = (
                f"beat {beat.sequence} asks for {ahead_ns / NS_PER_MS:.1f} ms, "
                f"allowed are {self._limits.lease_max_ns / NS_PER_MS:.1f}"
            )
            return Reason.LEASE_TOO_LONG, text
        return None

    def _out_of_envelope(self, beat: Beat) -> tuple[Reason, str] | None:
        self._note_outside(beat)
        limits = self._limits
        for index, axis in enumerate(_AXES):
            if self._outside_um is not None:
                fault = self._bad_reach(beat, index, axis)
                if fault is not None:
                    return fault
            speed = beat.speed_um_s[index]
            if abs(speed) > limits.speed_max_um_s[index]:
                text = (
                    f"axis {axis}: {speed / 1000:.1f} mm/s, allowed {limits.speed_max_um_s[index] / 1000:.1f}"
                )
                return Reason.ENVELOPE_SPEED, text
            following = beat.following_um[index]
            if abs(following) > limits.following_max_um[index]:
                text = (
                    f"axis {axis}: following error {following / 1000:.3f} mm, "
                    f"allowed {limits.following_max_um[index] / 1000:.3f}"
                )
                return Reason.ENVELOPE_FOLLOWING, text
        return None

    def _bad_reach(self, beat: Beat, index: int, axis: str) -> tuple[Reason, str] | None:
        """Position plus stopping distance v^2/2a against the soft limits, in exact integers (times 2a)."""
        assert self._outside_um is not None
        low, high = self._limits.envelope_um[index]
        speed = beat.speed_um_s[index]
        twice_a = 2 * self._limits.stop_um_s2[index]
        reach = beat.position_um[index] * twice_a + speed * abs(speed)
        outside = self._outside_um[index]
        allowed = outside + OUTSIDE_SLACK_UM if outside else 0
        if (low - allowed) * twice_a <= reach <= (high + allowed) * twice_a:
            return None
        text = (
            f"axis {axis} at {beat.position_um[index] / 1000:.3f} mm and {speed / 1000:.1f} mm/s would come to rest "
            f"at {reach / twice_a / 1000:.3f}, soft limits {low / 1000:.3f} to {high / 1000:.3f}"
        )
        return Reason.ENVELOPE_POSITION, text

    def _note_outside(self, beat: Beat) -> None:
        """Keep, for each axis, the least it has been outside its limits since positions became known."""
        if not beat.flags & REGISTERED:
            self._outside_um = None
            return
        known = self._outside_um
        self._outside_um = []
        for index, position in enumerate(beat.position_um):
            low, high = self._limits.envelope_um[index]
            outside = max(0, low - position, position - high)
            self._outside_um.append(outside if known is None else min(known[index], outside))

    def _take(self, beat: Beat) -> None:
        self._sequence = beat.sequence
        self._sent_ns = beat.sent_ns
        self._lease_ns = beat.lease_until_ns
        self._speed_um_s = beat.speed_um_s


def _input_text(name: str, why: str) -> str:
    return f"stop input {name} is open" + (f": {why}" if why else "")


# Every transition there is. A pair that is missing here raises; nothing leads out of LATCHED.
TABLE: dict[tuple[State, type], Callable[[Watch, int, Any], Decision]] = {
    (State.IDLE, Heard): Watch._idle_heard,
    (State.IDLE, Garbled): Watch._refuse,
    (State.IDLE, PeerClosed): Watch._keep,
    (State.IDLE, PeerDied): Watch._keep,
    (State.IDLE, PeerStopped): Watch._keep,
    (State.IDLE, PeerSpinning): Watch._keep,
    (State.IDLE, ServiceDied): Watch._keep,
    (State.IDLE, StopAsked): Watch._stop_asked,
    (State.IDLE, InputOpened): Watch._idle_input_opened,
    (State.IDLE, InputClosed): Watch._input_closed,
    (State.IDLE, WireLost): Watch._keep,
    (State.IDLE, HandleLost): Watch._keep,
    (State.IDLE, BusOff): Watch._keep,
    (State.IDLE, GuardFailed): Watch._guard_failed,
    (State.IDLE, Overran): Watch._keep,
    (State.IDLE, LatchFound): Watch._idle_latch_found,
    (State.IDLE, Tick): Watch._keep,
    (State.ARMED, Heard): Watch._armed_heard,
    (State.ARMED, Garbled): Watch._armed_garbled,
    (State.ARMED, PeerClosed): Watch._armed_closed,
    (State.ARMED, PeerDied): Watch._armed_died,
    (State.ARMED, PeerStopped): Watch._armed_stopped,
    (State.ARMED, PeerSpinning): Watch._armed_spinning,
    (State.ARMED, ServiceDied): Watch._service_died,
    (State.ARMED, StopAsked): Watch._stop_asked,
    (State.ARMED, InputOpened): Watch._input_opened,
    (State.ARMED, InputClosed): Watch._armed_input_closed,
    (State.ARMED, WireLost): Watch._wire_lost,
    (State.ARMED, HandleLost): Watch._handle_lost,
    (State.ARMED, BusOff): Watch._bus_off,
    (State.ARMED, GuardFailed): Watch._guard_failed,
    (State.ARMED, Overran): Watch._overran,
    (State.ARMED, Tick): Watch._armed_tick,
    **{
        (state, event): (Watch._refuse if event in (Heard, Garbled) else Watch._keep)
        for state in (State.STOPPING, State.LATCHED)
        for event in (
            Heard, Garbled, PeerClosed, PeerDied, PeerStopped, PeerSpinning, ServiceDied, StopAsked, InputOpened,
            InputClosed, WireLost, HandleLost, BusOff, GuardFailed, Overran, Tick,
        )
    },
    (State.STOPPING, Stood): Watch._stood,
    (State.LATCHED, Stood): Watch._stood,
    (State.LATCHED, LatchFound): Watch._keep,
}  # fmt: skip
