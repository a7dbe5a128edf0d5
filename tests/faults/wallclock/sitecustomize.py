"""Python reads this at start-up when its folder is on PYTHONPATH: every reading of the wall clock is another one.

Each reading jumps by up to ten years either way, at random. CLOCK_MONOTONIC is left alone: no program can set it.
"""

from __future__ import annotations

import datetime
import random
import time

_true_s = time.time
_plain = datetime.datetime


def _jumping_s() -> float:
    return _true_s() + random.uniform(-3e8, 3e8)


class _Jumping(_plain):
    @classmethod
    def now(cls, tz: datetime.tzinfo | None = None) -> _plain:  # type: ignore[override]
        return _plain.fromtimestamp(_jumping_s(), tz)


time.time = _jumping_s
time.time_ns = lambda: int(_jumping_s() * 1e9)
datetime.datetime = _Jumping  # type: ignore[misc]
