"""How late this computer wakes a streamer: ``python -m controller.session.doctorsleeper TICK_NS SECONDS``.

Owns the measurement: the streamer's own sleeps (absolute instants, the same lead and spin, the same rights asked for)
on the streamer's own core, without a wire. A process of its own, since rights and a core are a process' for good.
Prints one JSON line; ends when its input is closed.
"""

from __future__ import annotations

import json
import select
import sys
from typing import Any

from controller.session.doctorfinding import percentile
from controller.stream.host import LEAD_MAX_NS, SPIN_NS, claim_host, release_host, stolen_ms
from drivers.clock import NS_PER_S, Clock, MonotonicClock

SHARES = {"p50": 0.5, "p99": 0.99, "p99_9": 0.999, "max": 1.0}


def measure(
    clock: Clock, waker: Clock, tick_ns: int, count: int, lead_ns: int, is_over: Any = lambda: False
) -> tuple[list[int], list[int]]:
    """Lateness in ns of ``count`` wake-ups ``lead_ns`` before each instant, and of the instants themselves.

    Instants are absolute: a late one makes none of the others late; those that have passed are skipped, as a streamer's
    tick that is too late never leaves.
    """
    wakes, sends = [0] * count, [0] * count
    instant_ns = clock.now_ns() + 2 * tick_ns
    done = 0
    while done < count and not (done % 256 == 0 and is_over()):
        waker.sleep_until_ns(instant_ns - lead_ns)
        wakes[done] = clock.now_ns() - (instant_ns - lead_ns)
        clock.sleep_until_ns(instant_ns)
        late_ns = clock.now_ns() - instant_ns
        sends[done] = late_ns
        done += 1
        instant_ns += tick_ns * (1 + late_ns // tick_ns)
    return wakes[:done], sends[:done]


def summary(lateness_ns: list[int]) -> dict[str, int]:
    """Percentiles of lateness, ns."""
    ascending = sorted(lateness_ns)
    return {name: int(percentile(ascending, share)) for name, share in SHARES.items()}


def main(arguments: list[str]) -> int:
    """Measure and print."""
    tick_ns, seconds = int(arguments[0]), float(arguments[1])
    lead_ns = min(LEAD_MAX_NS, tick_ns // 2)
    count = max(1, round(seconds * NS_PER_S / tick_ns))
    host = claim_host()
    before_ms = stolen_ms(host.core)
    wakes, sends = measure(
        MonotonicClock(SPIN_NS), MonotonicClock(), tick_ns, count, lead_ns,
        lambda: bool(select.select([sys.stdin], [], [], 0)[0]),
    )  # fmt: skip
    after_ms = stolen_ms(host.core)
    release_host()
    if not sends:
        return 1
    told = {
        "event": "measured", "count": len(sends), "tick_ns": tick_ns, "lead_ns": lead_ns, "core": host.core,
        "realtime": host.realtime, "notes": list(host.notes), "stolen_ms": after_ms - before_ms,
        "wake_ns": summary(wakes), "send_ns": summary(sends),
    }  # fmt: skip
    sys.stdout.write(json.dumps(told) + "\n")
    sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
