"""What is to be told, in which order and how often; whether the broker counts as lost; when to try again.

Owns the bounded queue and the three judgements. Pure: time is an argument in ns, and nothing here sends anything.
One letter is out at a time; the next one leaves when the broker has acknowledged it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from controller.session.mqttwords import Topics, payload

NS_PER_S = 1_000_000_000
EVENTS_MAX = 64
"""Alarms and timing summaries that wait for a broker; the oldest go first when there are more."""
PROGRESS_EVERY_NS = NS_PER_S
REFRESH_MAX_NS = 5 * NS_PER_S
"""The retained state is told again at least so often, with its instant: whoever reads it sees how old it is."""


@dataclass(frozen=True, slots=True)
class Letter:
    """One message to be published."""

    number: int
    topic: str
    body: str
    qos: int
    retain: bool


class Desk:
    """Takes what happens, gives out letters."""

    def __init__(self, topics: Topics, *, qos: int, refresh_ns: int) -> None:
        self._topics = topics
        self._qos = qos
        self._refresh_ns = refresh_ns
        self._events: deque[tuple[str, dict[str, Any]]] = deque(maxlen=EVENTS_MAX)
        self._dropped = self._dropped_told = 0
        self._state: dict[str, Any] | None = None
        self._state_told: dict[str, Any] | None = None
        self._state_ns: int | None = None
        self._progress: dict[str, Any] | None = None
        self._progress_told: dict[str, Any] | None = None
        self._progress_ns: int | None = None
        self._out: Letter | None = None
        self._out_event: tuple[str, dict[str, Any]] | None = None
        self._number = 0

    def state(self, fields: Mapping[str, Any]) -> None:
        """Where the session stands, whole; told when it differs from what was told."""
        self._state = dict(fields)

    def progress(self, fields: Mapping[str, Any]) -> None:
        """How far it has come; only the latest is told."""
        self._progress = dict(fields)

    def alarm(self, fields: Mapping[str, Any]) -> None:
        """Something a person should know at once."""
        self._event(self._topics.alarm, fields)

    def timing(self, fields: Mapping[str, Any]) -> None:
        """A pass' summary."""
        self._event(self._topics.timing, fields)

    def _event(self, topic: str, fields: Mapping[str, Any]) -> None:
        self._dropped += len(self._events) == EVENTS_MAX
        self._events.append((topic, dict(fields)))

    @property
    def is_told(self) -> bool:
        """Whether nothing waits and nothing is out, the latest progress aside."""
        return self._out is None and not self._events and self._state == self._state_told

    def next(self, now_ns: int, wall_ms: int) -> Letter | None:
        """The letter to send now; None while one is out or nothing is due. Events come first, progress last."""
        if self._out is not None:
            return None
        self._out_event = None
        if self._events:
            topic, fields = self._out_event = self._events[0]
            self._dropped_told = self._dropped
            lost = {"dropped": self._dropped} if self._dropped else {}
            self._out = self._letter(topic, {**fields, **lost}, 1, retain=False)
        elif self._state is not None and (
            self._state != self._state_told
            or self._state_ns is None
            or now_ns - self._state_ns >= self._refresh_ns
        ):
            self._state_told, self._state_ns = dict(self._state), now_ns
            told = {**self._state, "at_ms": wall_ms}
            self._out = self._letter(self._topics.state, told, 1, retain=True)
        elif self._progress not in (None, self._progress_told) and (
            self._progress_ns is None or now_ns - self._progress_ns >= PROGRESS_EVERY_NS
        ):
            assert self._progress is not None
            self._progress_told, self._progress_ns = dict(self._progress), now_ns
            told = {**self._progress, "at_ms": wall_ms}
            self._out = self._letter(self._topics.progress, told, self._qos, retain=False)
        return self._out

    def _letter(self, topic: str, fields: Mapping[str, Any], qos: int, *, retain: bool) -> Letter:
        self._number += 1
        return Letter(self._number, topic, payload(fields), qos, retain)

    def done(self, number: int) -> Letter | None:
        """Letter ``number`` has left, and the broker has it where it asked for that; answers it.

        None for any other number than that of the letter that is out.
        """
        letter = self._out
        if letter is None or letter.number != number:
            return None
        # When the queue was full meanwhile, the event that was out is not its first one any more.
        if self._out_event is not None and self._events and self._events[0] is self._out_event:
            self._events.popleft()
        if self._out_event is not None:
            self._dropped -= self._dropped_told
        self._out = self._out_event = None
        return letter

    def link_lost(self) -> None:
        """Nobody knows whether the letter that is out arrived: events go again, and so does the state."""
        self._out = self._out_event = None
        self._state_told = self._state_ns = None


class LossWatch:
    """Whether the broker counts as lost: no acknowledgement for so long, from the session's begin on.

    Only time counts in which we looked: after a gap between two looks (the service was busy, the computer slept) the
    silence may be our own.
    """

    LOOK_NS = NS_PER_S
    """A gap counts for this much at most."""

    def __init__(self, lost_after_ns: int, now_ns: int) -> None:
        self._lost_after_ns = lost_after_ns
        self._looked_ns = now_ns
        self._silent_ns = 0

    def heard(self) -> None:
        """The broker has acknowledged something."""
        self._silent_ns = 0

    def look(self, now_ns: int) -> bool:
        """Whether it counts as lost at this instant. Look at least once a second."""
        gap_ns = max(0, now_ns - self._looked_ns)
        self._looked_ns = max(self._looked_ns, now_ns)
        self._silent_ns += min(gap_ns, self.LOOK_NS)
        return self._silent_ns > self._lost_after_ns


class Backoff:
    """How long to wait before the next connection: 1 s, doubled up to a minute; from the start after a good one."""

    FIRST_S, MOST_S, GOOD_S = 1.0, 60.0, 30.0

    def __init__(self) -> None:
        self._next_s = self.FIRST_S

    def after(self, up_s: float) -> float:
        """Seconds to wait after a connection that was up for ``up_s`` (0: it never came up)."""
        if up_s >= self.GOOD_S:
            self._next_s = self.FIRST_S
        wait_s = self._next_s
        self._next_s = min(2.0 * wait_s, self.MOST_S)
        return wait_s


def refresh_ns_of(lost_after_s: float) -> int:
    """How often the state is told again: a quarter of what counts as a loss, 5 s at most."""
    return min(REFRESH_MAX_NS, int(lost_after_s * NS_PER_S / 4))
