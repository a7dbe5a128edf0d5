"""The guard's judgement inside one process, for virtual time: the same ``Watch``, driven by a clock's advances.

Owns the coupling of a ``Watch`` to a virtual clock and the line a streamer holds to it. It is an ideal guard: it
looks at every deadline exactly. It opens no wire and no socket; what a stop does is up to ``stop_callback``.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from safety import latch
from safety.beat import Beat, Word
from safety.events import (
    Decision,
    Echo,
    Event,
    Heard,
    LatchFound,
    PeerClosed,
    Refuse,
    ServiceDied,
    State,
    Stood,
    Stop,
    StopAsked,
    Tick,
)
from safety.verdict import Limits, Watch


class LocalGuard:
    """A guard in virtual time. Subscribe ``advance`` to the clock; hand ``line()`` to the streamer.

    ``stop_callback(stop)`` is called once, at the instant of the verdict, before the latch is written to
    ``latch_path`` (None: no file). A latch that stands there refuses arming.
    """

    def __init__(
        self,
        limits: Limits,
        now_ns: Callable[[], int],
        stop_callback: Callable[[Stop], None],
        latch_path: Path | None = None,
    ) -> None:
        self._now_ns = now_ns
        self._stop_callback = stop_callback
        self._latch_path = latch_path
        self._latch: latch.Latch | None = None
        self._watch = Watch(limits, now_ns())
        self._peers = 0
        self._lines: list[LocalBeatLine] = []

    @property
    def state(self) -> State:
        """Where the guard stands."""
        return self._watch.state

    @property
    def verdict(self) -> Stop | None:
        """The stop that was given out; None before."""
        return self._watch.verdict

    def line(self) -> LocalBeatLine:
        """A new line for a streamer."""
        self._peers += 1
        line = LocalBeatLine(self, self._peers)
        self._lines.append(line)
        return line

    def advance(self, now_ns: int) -> None:
        """Time has come to ``now_ns``: look at every deadline on the way, each at its own instant."""
        while True:
            deadline_ns = self._watch.next_deadline_ns()
            if deadline_ns is None or deadline_ns > now_ns:
                return
            self._obey(self._watch.step(deadline_ns, Tick()))

    def ask_stop(self, why: str, by: str) -> None:
        """A person or a program asks for a stop."""
        self.take(StopAsked(why, by))

    def service_died(self) -> None:
        """The service is dead."""
        self.take(ServiceDied())

    def stood(self, proved: bool) -> None:
        """Whoever plays the drives reports how the stop ended."""
        self.take(Stood(proved))
        if self._latch is not None and self._latch_path is not None:
            self._latch = latch.update_standstill(
                self._latch_path, self._latch, "proved" if proved else "not proved"
            )

    def take(self, event: Event) -> Decision:
        """Judge ``event`` at the clock's instant and do what follows."""
        now_ns = self._now_ns()
        self.advance(now_ns)
        decision = self._watch.step(now_ns, event)
        self._obey(decision)
        return decision

    def standing_latch(self) -> str | None:
        """What the latch on disk says, if one stands."""
        found = None if self._latch_path is None else latch.read(self._latch_path)
        return None if found is None else f"{found.reason}: {found.text}"

    def _obey(self, decision: Decision) -> None:
        if not isinstance(decision, Stop):
            return
        for line in self._lines:
            line.latched = True
        self._stop_callback(decision)
        if self._latch_path is not None:
            self._latch = latch.Latch(
                decision.reason.value,
                decision.text,
                "virtual time",
                latch.now_text(),
                decision.at_ns,
                decision.at_ns,
                os.getpid(),
                os.getpid(),
                lease=self._watch.lease,
            )
            latch.write(self._latch_path, self._latch)


class LocalBeatLine:
    """``safety.client.Beats`` towards a ``LocalGuard``."""

    __slots__ = ("_echo", "_guard", "_peer", "_sequence", "gone", "latched")

    def __init__(self, guard: LocalGuard, peer: int) -> None:
        self._guard = guard
        self._peer = peer
        self._sequence = 0
        self._echo = (-1, 0)
        self.latched = False
        self.gone = False

    def arm(
        self, now_ns: int, lease_until_ns: int, position_um: tuple[int, int] = (0, 0), flags: int = 0
    ) -> bool:
        """As ``BeatLine.arm``."""
        standing = self._guard.standing_latch()
        if standing is not None and self._guard.state is State.IDLE:
            self._guard.take(LatchFound(standing))
        return self._say(Word.ARM, now_ns, lease_until_ns, 0, position_um, (0, 0), (0, 0), flags)

    def beat(
        self,
        now_ns: int,
        lease_until_ns: int,
        tick: int,
        x_um: int,
        y_um: int,
        x_um_s: int,
        y_um_s: int,
        x_following_um: int,
        y_following_um: int,
        flags: int,
    ) -> bool:
        """As ``BeatLine.beat``: False only when the guard is gone; a refusal shows in ``latched``."""
        self._say(
            Word.BEAT, now_ns, lease_until_ns, tick,
            (x_um, y_um), (x_um_s, y_um_s), (x_following_um, y_following_um), flags,
        )  # fmt: skip
        return not self.gone

    def poll_echo(self) -> tuple[int, int]:
        """As ``BeatLine.poll_echo``."""
        return self._echo

    def disarm(self, now_ns: int, tick: int = 0) -> bool:
        """As ``BeatLine.disarm``."""
        return self._say(Word.DISARM, now_ns, now_ns, tick, (0, 0), (0, 0), (0, 0), 0)

    def close(self) -> None:
        """As ``BeatLine.close``: without ``disarm`` before, the guard takes that for death."""
        if not self.gone:
            self.gone = True
            self._guard.take(PeerClosed(self._peer))

    def _say(
        self,
        word: Word,
        now_ns: int,
        lease_ns: int,
        tick: int,
        position_um: tuple[int, int],
        speed_um_s: tuple[int, int],
        following_um: tuple[int, int],
        flags: int,
    ) -> bool:
        if self.gone:
            return False
        self._sequence += 1
        beat = Beat(
            word, self._sequence, now_ns, lease_ns, tick, position_um, speed_um_s, following_um, flags
        )
        decision = self._guard.take(Heard(self._peer, beat))
        if isinstance(decision, Echo):
            self._echo = (self._sequence, now_ns)
            return True
        if isinstance(decision, Refuse):
            self.latched = True
        return False
