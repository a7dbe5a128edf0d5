"""What the real-time child asks of its host, and what it was given.

Owns scheduling class, locked memory, core, garbage collection and timer slack. Knows nothing of ticks. Nothing
here is a condition for running: what was not permitted is said, in words for a person.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
from dataclasses import dataclass
from pathlib import Path

PRIORITY = 80
SPIN_NS = 200_000
"""The last of a wait for a send is not slept but spun."""

LEAD_MAX_NS = 600_000
"""So long before each send, at most, the work of its tick begins."""

_MCL_CURRENT, _MCL_FUTURE = 1, 2
_PR_SET_TIMERSLACK = 29


@dataclass(frozen=True, slots=True)
class HostRights:
    """What the process got. ``realtime``: SCHED_FIFO and locked memory, both. ``core`` -1: not pinned."""

    realtime: bool
    core: int
    notes: tuple[str, ...]


def claim_host(core: int | None = None, priority: int = PRIORITY) -> HostRights:
    """Ask for everything that makes instants exact; call once, before the loop, after all that is slow.

    ``core`` None takes the highest one that this process may run on when there is more than one: the lowest
    usually serves the interrupts.
    """
    notes: list[str] = []
    # What takes long comes first: at real-time priority it would hold up whatever else ticks on that core.
    gc.collect()
    gc.freeze()
    gc.disable()
    pinned = _pin(core, notes)
    libc = ctypes.CDLL(None, use_errno=True)
    locked = libc.mlockall(_MCL_CURRENT | _MCL_FUTURE) == 0
    if not locked:
        notes.append(f"memory is not locked ({os.strerror(ctypes.get_errno())}): page faults may delay ticks")
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority))
        fifo = True
    except OSError as error:
        fifo = False
        notes.append(
            f"no real-time scheduling ({error.strerror}): other programs may delay ticks; "
            "grant CAP_SYS_NICE or an rtprio limit"
        )
    if not fifo and libc.prctl(_PR_SET_TIMERSLACK, 1, 0, 0, 0) != 0:
        notes.append("timer slack stays at the default: wake-ups may be 50 us late")
    return HostRights(fifo and locked, pinned, tuple(notes))


def release_host() -> None:
    """Back to ordinary scheduling, once nothing is timed any more: an interpreter's end takes its time too."""
    # Giving rights back is always allowed; where it is not, there were none.
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


def stolen_ms(core: int) -> float:
    """How long the host of a virtual machine has kept ``core`` for others since start-up, ms; 0 where nobody says.

    ``steal`` of proc(5), in the kernel's clock ticks: a resolution of 10 ms as a rule. Source: the Linux manual pages.
    """
    with contextlib.suppress(OSError, IndexError, ValueError):
        for line in Path("/proc/stat").read_text().splitlines():
            if line.startswith(f"cpu{core} "):
                return int(line.split()[8]) * 1000.0 / os.sysconf("SC_CLK_TCK")
    return 0.0


def _pin(core: int | None, notes: list[str]) -> int:
    allowed = sorted(os.sched_getaffinity(0))
    if core is None:
        if len(allowed) < 2:
            notes.append("only one core: not pinned, everything shares it")
            return -1
        core = allowed[-1]
    try:
        os.sched_setaffinity(0, {core})
    except OSError as error:
        notes.append(f"not pinned to core {core} ({error.strerror})")
        return -1
    return core
