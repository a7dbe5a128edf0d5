"""What the operating system grants a process that must run on time: priority, locked memory, fine timers.

Every grant is asked for on its own and what was refused is said, never hidden.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import resource

_MCL_CURRENT = 1
_MCL_FUTURE = 2
_PR_SET_TIMERSLACK = 29


def take_rights(realtime_priority: int) -> tuple[bool, list[str]]:
    """Ask for SCHED_FIFO at ``realtime_priority``, locked memory and a timer slack of 1 ns.

    Returns whether the priority was granted, and a note on everything that was not. Threads started afterwards
    inherit the priority, so none of them can be starved while it holds the interpreter.
    """
    notes = []
    libc = ctypes.CDLL(None, use_errno=True)
    # Under a memory limit, locking the future too would make a later allocation fail: worse than a page fault.
    limited = os.geteuid() != 0 and resource.getrlimit(resource.RLIMIT_MEMLOCK)[1] != resource.RLIM_INFINITY
    if libc.mlockall(_MCL_CURRENT if limited else _MCL_CURRENT | _MCL_FUTURE) != 0:
        notes.append(f"memory is not locked: {os.strerror(ctypes.get_errno())}")
    if libc.prctl(_PR_SET_TIMERSLACK, 1, 0, 0, 0) != 0:
        notes.append(f"timer slack stays as it was: {os.strerror(ctypes.get_errno())}")
    try:
        highest = os.sched_get_priority_max(os.SCHED_FIFO)
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(min(realtime_priority, highest)))
    except OSError as error:
        notes.append(f"no real-time priority: {error.strerror}")
        return False, notes
    return True, notes


def leave_streamers_core() -> None:
    """Run on any core but the highest, which is the streamer's; with one core, or none to choose, share it."""
    cores = sorted(os.sched_getaffinity(0))
    if len(cores) > 1:
        with contextlib.suppress(OSError):
            os.sched_setaffinity(0, cores[:-1])
