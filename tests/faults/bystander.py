"""What the host of a virtual machine takes from it, by somebody who has no part in a trial.

One process a core, ``python -m tests.faults.bystander CORE``, sleeps for a millisecond again and again at the highest
real-time priority of Linux, before which nothing of the guest but its kernel goes. A wake-up that comes late was
kept back by the host (or the guest's own kernel), not by any program under test. A trial's bound holds what a host may
take (``HOST_MS``); where it took more, that trial says nothing about the program, whatever came of it.

Owns the measurement alone. Where no such priority is given there are no bystanders, and nothing is known.
"""

from __future__ import annotations

import contextlib
import os
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from types import TracebackType
from typing import Final, Self

from tests.faults.judge import Trial

PERIOD_S: Final = 0.001
WORTH_NS: Final = 1_000_000
"""Wake-ups that are later than this are told."""
WINDOW_NS: Final = 100_000_000
TRIES: Final = 3
"""On a shared computer the guard now and then stops by itself (an overrun) before the fault has come; that is no trial,
and it is played again."""
HOST_TRIES: Final = 9
_ROW: Final = struct.Struct("<qq")

Gap = tuple[int, int]
"""Instant of a wake-up (CLOCK_MONOTONIC ns) and by how much it was late, ns."""


def most_taken_ms(gaps: list[Gap], from_ns: int, to_ns: int) -> float:
    """The most that was taken of one core within any ``WINDOW_NS`` between two instants, ms; a longer gap counts whole.

    gaps: of one core, in order of time. A gap counts to the window in which it ended.
    """
    inside = [(at, late) for at, late in gaps if from_ns <= at and at - late <= to_ns]
    most = total = first = 0
    for at, late in inside:
        total += late
        while inside[first][0] < at - WINDOW_NS:
            total -= inside[first][1]
            first += 1
        most = max(most, total)
    return most / 1e6


class Bystanders:
    """Begun once for many trials; ``taken_ms`` after each. Without real-time rights it knows nothing and says 0."""

    def __init__(self) -> None:
        self._children: list[subprocess.Popen[bytes]] = []
        self._gaps: dict[int, list[Gap]] = {}
        self._rest: dict[int, bytes] = {}

    def __enter__(self) -> Self:
        for core in sorted(os.sched_getaffinity(0)):
            child = subprocess.Popen(
                [sys.executable, "-m", "tests.faults.bystander", str(core)], stdout=subprocess.PIPE
            )
            assert child.stdout is not None
            os.set_blocking(child.stdout.fileno(), False)
            self._children.append(child)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for child in self._children:
            child.kill()
        for child in self._children:
            child.wait()
            assert child.stdout is not None
            child.stdout.close()

    def taken_ms(self, from_ns: int) -> float:
        """The most that the host took of any core within a tenth of a second since an instant, ms."""
        now_ns = time.monotonic_ns()
        for child in self._children:
            self._drain(child)
        most = 0.0
        for pid, gaps in self._gaps.items():
            most = max(most, most_taken_ms(gaps, from_ns, now_ns))
            self._gaps[pid] = []
        return most

    def _drain(self, child: subprocess.Popen[bytes]) -> None:
        assert child.stdout is not None
        data = self._rest.get(child.pid, b"")
        with contextlib.suppress(BlockingIOError):
            while more := os.read(child.stdout.fileno(), 65536):
                data += more
        whole = len(data) - len(data) % _ROW.size
        self._gaps.setdefault(child.pid, []).extend(_ROW.iter_unpack(data[:whole]))
        self._rest[child.pid] = data[whole:]


def fair_trial(play_one: Callable[[int], Trial], bystanders: Bystanders, host_ms: float) -> Trial:
    """A trial that says something about the program: played again when it broke or when the host took more of a core
    than the bound holds, whatever came of it; the last one as it is, once ``TRIES`` and ``HOST_TRIES`` are used up.

    ``play_one`` is told how many have been thrown away. How many the host cost stands in ``voided``.
    """
    broken = voided = 0
    while True:
        begun_ns = time.monotonic_ns()
        trial = play_one(broken + voided)
        trial.taken_ms, trial.voided = bystanders.taken_ms(begun_ns), voided
        if trial.taken_ms > host_ms and voided < HOST_TRIES:
            voided += 1
        elif trial.broke and broken + 1 < TRIES:
            broken += 1
        else:
            if broken:
                trial.note += f" (try {broken + 1})"
            return trial


def stand_by(core: int) -> None:
    """Until the end: tell each late wake-up on standard output."""
    try:
        os.sched_setaffinity(0, {core})
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(os.sched_get_priority_max(os.SCHED_FIFO)))
    except OSError as error:
        print(f"no bystander on core {core}: {error.strerror}", file=sys.stderr)
        return
    os.set_blocking(1, False)
    period_ns = int(PERIOD_S * 1e9)
    before_ns = time.monotonic_ns()
    while True:
        time.sleep(PERIOD_S)
        now_ns = time.monotonic_ns()
        late_ns = now_ns - before_ns - period_ns
        if late_ns > WORTH_NS:
            with contextlib.suppress(BlockingIOError):
                os.write(1, _ROW.pack(now_ns, late_ns))
        before_ns = time.monotonic_ns()


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt, BrokenPipeError):
        stand_by(int(sys.argv[1]))
