"""What a trace costs the loop, per frame: ``python -m tests.bench.trace``. Nothing is sent: the trace alone counts.

Processor time of this thread, the least of several repetitions; the link beneath does nothing, and its own cost is
taken off.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from drivers.can.link import Frame
from drivers.clock import MonotonicClock
from drivers.trace import open_writer, traced
from drivers.tracefile import keep
from tests.fakes.drive_settings import group_settings

ROUNDS, REPEATS = 20_000, 7
BATCH = [(0x201, bytes(6)), (0x202, bytes(6)), (0x080, b"")]
ANSWERS = [
    Frame(0x181, bytes(6), 1),
    Frame(0x281, bytes(8), 1),
    Frame(0x182, bytes(6), 1),
    Frame(0x282, bytes(8), 1),
]
EXCHANGE = bytes(21)


class Nothing:
    """A link and a line to nowhere."""

    garbled = 0

    def send_frames(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """Taken."""

    def receive(self) -> Any:
        """One round of answers."""
        return ANSWERS

    def close(self) -> None:
        """Nothing to close."""


class NoLine:
    """A serial line to nowhere."""

    def send(self, data: bytes) -> None:
        """Taken."""

    def receive(self) -> bytes:
        """An answer."""
        return EXCHANGE

    def close(self) -> None:
        """Nothing to close."""


def least_us(call: Callable[[], object]) -> float:
    """Processor time of one call, µs: the least mean of the repetitions."""
    best = float("inf")
    for _ in range(REPEATS):
        begin_ns = time.thread_time_ns()
        for _ in range(ROUNDS):
            call()
        best = min(best, (time.thread_time_ns() - begin_ns) / ROUNDS / 1000)
    return best


def main() -> None:
    """Measure and print."""
    folder = Path("/dev/shm") if Path("/dev/shm").is_dir() else Path(tempfile.gettempdir())
    ring = folder / f"giornata-bench-trace-{time.monotonic_ns()}"
    clock = MonotonicClock()
    writer = open_writer(
        ring, 32, group_settings(), machine="bench", run="0001-bench", time_kind="real", clock=clock
    )
    try:
        link, line = Nothing(), NoLine()
        on_bus, on_line = traced(link, writer, clock), traced(line, writer, clock)
        rows = (
            ("send of 3 frames", lambda: on_bus.send_frames(BATCH), lambda: link.send_frames(BATCH), 3),
            ("4 answers", on_bus.receive, link.receive, 4),
            ("request of 21 bytes", lambda: on_line.send(EXCHANGE), lambda: line.send(EXCHANGE), 1),
            ("answer of 21 bytes", on_line.receive, line.receive, 1),
        )
        for name, with_trace, without, frames in rows:
            cost_us = least_us(with_trace) - least_us(without)
            print(f"{name:22} {cost_us:6.2f} us, {cost_us / frames:5.2f} us a frame")
        on_bus.close()
        begin_s = time.monotonic()
        keep(ring, ring.with_suffix(".kept"))
        print(f"{'keeping 32 MiB':22} {(time.monotonic() - begin_s) * 1000:6.0f} ms, after the run")
    finally:
        ring.unlink(missing_ok=True)
        ring.with_suffix(".kept").unlink(missing_ok=True)


if __name__ == "__main__":
    main()
