"""The streamer's child with a stopwatch in it: the same process, and at its end what each tick cost.

``python -m tests.bench.costs_child SPEC.json COSTS.npz``. Times in ns: ``prepare`` (read, check, step, trim), ``send``
(the frames to the wire), ``after`` (lease and record).
"""

from __future__ import annotations

import sys
import time

import numpy as np

import controller.stream.run as run_module
from controller.stream.__main__ import main
from controller.stream.loop import StreamLoop
from drivers.interface import DriveGroup

TICKS_MAX = 200_000
_costs = np.zeros((3, TICKS_MAX), dtype=np.int64)


class TimedLoop(StreamLoop):
    """A stream loop that writes down how long its parts took."""

    def _prepare(self, tick: int) -> bool:
        begin_ns = time.perf_counter_ns()
        more = super()._prepare(tick)
        _costs[0, tick % TICKS_MAX] = time.perf_counter_ns() - begin_ns
        return more

    def _send(self, tick: int, instant_ns: int) -> None:
        group = self._group
        self._group = timed = _TimedGroup(group)
        begin_ns = time.perf_counter_ns()
        try:
            super()._send(tick, instant_ns)
        finally:
            self._group = group
        _costs[1, tick % TICKS_MAX] = timed.cost_ns
        _costs[2, tick % TICKS_MAX] = time.perf_counter_ns() - begin_ns - timed.cost_ns


class _TimedGroup:
    """Only what the loop's send needs of a group."""

    def __init__(self, group: DriveGroup) -> None:
        self._group = group
        self.feedback = group.feedback
        self.cost_ns = 0

    def send_tick(self, velocity_units: tuple[int, ...], outputs: int) -> None:
        begin_ns = time.perf_counter_ns()
        self._group.send_tick(velocity_units, outputs)
        self.cost_ns = time.perf_counter_ns() - begin_ns


if __name__ == "__main__":
    run_module.StreamLoop = TimedLoop  # type: ignore[misc]
    code = main(sys.argv[1:2])
    ticks = int(np.count_nonzero(_costs[1]))
    prepare, send, after = _costs[:, :ticks]
    np.savez(sys.argv[2], prepare=prepare, send=send, after=after)
    sys.exit(code)
