"""What is left to do after an abort: say the stop again until standstill is seen, for a bounded time.

One stop can be lost on the wire. When the guard lives it says the stop again and again, and ends this process first of
all. When it is dead or stopped nobody else would: so the streamer stays for a moment. Knows drives only as a
``DriveGroup``.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.clock import NS_PER_MS, Clock
from drivers.errors import DriverError
from drivers.interface import DriveGroup

STOP_AGAIN_NS = 200 * NS_PER_MS
"""Long enough for fifty stops and for a quick stop from full speed; the drives' own heartbeat time-out comes after."""

STILL_ROUNDS = 5


def keep_stopping(group: DriveGroup, clock: Clock, tick_ns: int, rest_counts: Sequence[float]) -> bool:
    """Abort once a tick until ``STILL_ROUNDS`` rounds show no motion; at most for ``STOP_AGAIN_NS``. Never raises.

    Says the stop at least once. Returns whether standstill was seen. ``rest_counts``: per axis, a change of
    position up to this is none.
    """
    begun_ns = now_ns = clock.now_ns()
    before: list[int] | None = None
    sequence = group.feedback.sequence
    still = 0
    while True:
        group.abort()
        clock.sleep_until_ns(now_ns + tick_ns)
        now_ns = clock.now_ns()
        try:
            group.poll()
        except DriverError:
            # Nobody answers: then speak on for the whole time.
            still = 0
        if group.feedback.sequence != sequence:
            sequence = group.feedback.sequence
            here = [word.position_counts for word in group.feedback.axes]
            stands = before is not None and all(
                abs(now - then) <= rest for now, then, rest in zip(here, before, rest_counts, strict=True)
            )
            before = here
            still = still + 1 if stands else 0
        if still >= STILL_ROUNDS:
            return True
        if now_ns - begun_ns >= STOP_AGAIN_NS:
            return False
