"""Groups whose drives take their commands one after the other on a line, each in its slot of every tick.

Owns the master, what becomes of a request that leaves late, and the end of a line. What a request is, and when slots
begin, is each protocol's.

**Late requests.** A request that leaves e late (an answer before it came late) lets the velocity before it last e
longer and its own e less. With u the velocity before, the axis is (u - v) e off at the end of its interval;
v + (v - u) e / (T - e) in place of v brings that to zero, since ((v - u) e / (T - e)) (T - e) = (v - u) e. What
rounding to whole units leaves is carried into the next tick. e is known when the request leaves, so it is measured,
never estimated.

**Patience.** What the slots leave of a tick is for late answers: each axis' answer may be late by its equal part of it,
and by what the axes before it have not used. So an answer is waited for as long as it may still be of this tick, and no
axis leaves later than half a tick.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.clock import NS_PER_MS, NS_PER_S, Clock, SharedClock
from drivers.errors import MisuseError
from drivers.line.master import Exchange, LineTimes, Master
from drivers.line.port import SerialLine
from drivers.powergroup import PowerGroup, Word
from drivers.settings import GroupSettings

_FREE_WITHIN_NS = NS_PER_S
"""Stops and other drives' answers have ended by then."""


class SlottedGroup(PowerGroup[Word]):
    """A PowerGroup on a serial line."""

    def __init__(
        self,
        settings: GroupSettings,
        line: SerialLine,
        times: LineTimes,
        clock: Clock,
        noun: str,
        answer_timeout_s: float,
    ) -> None:
        """Take over ``line``. Sends nothing yet. Raises MisuseError when the clock cannot be shared."""
        super().__init__(settings, clock, noun, answer_timeout_s)
        if not isinstance(clock, SharedClock):
            raise MisuseError("clock", "one that runs the line while the loop sleeps", type(clock).__name__)
        count = len(self._axes)
        self._units = [0] * count
        self._owed = [0.0] * count
        self._late_ns = [0] * count
        self._latest_ns = [0] * count
        self._begun_ns = 0
        self._shared = clock
        self._master = Master(line, times, clock)

    def _share(self) -> None:
        """From here on the line is run while the clock's owner sleeps."""
        self._shared.share(self._master)

    def _waits_ns(self, slots_ns: Sequence[int]) -> tuple[int, ...]:
        """Until when in the tick an answer is waited for, for exchanges of these lengths one behind the other."""
        spare_ns, count = self._tick_ns - sum(slots_ns), len(slots_ns)
        late_ns = [min(spare_ns * (k + 1) // count, self._tick_ns // 2) for k in range(count - 1)]
        return tuple(sum(slots_ns[: k + 1]) + late for k, late in enumerate([*late_ns, spare_ns]))

    @property
    def master(self) -> Master:
        """The line's master, with its counts."""
        return self._master

    @property
    def latest_ns(self) -> tuple[int, ...]:
        """For each axis the largest e so far: how late beyond its slot a request left."""
        return tuple(self._latest_ns)

    def enable(self) -> None:
        """As every group; lateness is counted from here on."""
        super().enable()
        self._latest_ns = [0] * len(self._axes)

    def _mended(self, place: int, units: int, late_ns: int) -> int:
        """The velocity that keeps the axis' place right though its request leaves ``late_ns`` after its slot."""
        self._late_ns[place] = late_ns
        self._latest_ns[place] = max(self._latest_ns[place], late_ns)
        late_ns = min(late_ns, self._tick_ns // 2)
        before = self._units[place]
        owed = self._owed[place] + (units - before) * late_ns
        lasts_ns = self._tick_ns - late_ns
        # At most the step itself again: with e up to T / 2 that is all that can be owed but for carried roundings.
        most = abs(units - before) + 1
        more = max(-most, min(most, round(owed / lasts_ns)))
        sent = units + more
        if not self._holds(place, sent):
            more, sent = 0, units
        self._owed[place] = owed - more * lasts_ns
        self._units[place] = sent
        return sent

    def _await(self, exchange: Exchange) -> None:
        """Queue an exchange outside of ticks and wait for its end. It always comes: noise holds nobody for good."""
        self._master.put(exchange)
        until_ns = self._clock.now_ns() + max(self._silent_ns, _FREE_WITHIN_NS)
        while not exchange.is_done:
            if not exchange.sent_ns and self._clock.now_ns() >= until_ns:
                self._master.drop_queue("a line that never falls silent: noise, or somebody else speaks")
                break
            self._clock.sleep_until_ns(self._clock.now_ns() + NS_PER_MS)
        self._master.raise_trouble()

    def _forget_motion(self) -> None:
        """A stop: nothing is owed to velocities that are over."""
        self._outputs = 0
        self._units = [0] * len(self._axes)
        self._owed = [0.0] * len(self._axes)

    def poll(self) -> None:
        """Take what has come. Raises LinkError when the line is gone; then nothing is known of any drive."""
        self._master.work(self._clock.now_ns())
        if self._master.trouble is not None:
            self._lose_wire()
            raise self._master.trouble

    def close(self) -> None:
        """Give the line back. Drives still in operation are told to stop first; that stop is waited for."""
        if self._closed:
            return
        try:
            if self._live:
                self.abort()
            deadline_ns = self._clock.now_ns() + self._tick_ns
            while self._master.stops_left and self._clock.now_ns() < deadline_ns:
                self._clock.sleep_until_ns(self._clock.now_ns() + NS_PER_MS)
        except Exception:  # noqa: BLE001, S110
            # Closing never raises: nobody could do anything about it.
            pass
        self._closed = True
        self._live = False
        self._shared.unshare(self._master)
        try:
            self._master.close()
        except Exception:  # noqa: BLE001
            return
