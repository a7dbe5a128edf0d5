"""A process that is watched: held so that its end is seen early, and that a kill can hit no other.

A dying process gives back its memory (tens of ms of it when it is large and locked) before its sockets close and its
pidfd speaks. That it is ending is readable at once from the flags in ``/proc/PID/stat``; so is that it has been
stopped. ``look`` reads both. ``SpinWatch`` judges, without I/O, whether a process burns its core.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import time
from enum import Enum
from pathlib import Path

_PF_EXITING = 0x4
_STAT_BYTES = 512
# proc(5): field 9 of /proc/PID/stat; counted here from the state, field 3, which follows the name in parentheses.
_STATE, _FLAGS = 0, 6


class Life(Enum):
    """How a process stands, as far as running its own code goes."""

    ALIVE = "alive"
    STOPPED = "stopped"
    DYING = "dying"


class Watched:
    """Holds process ``pid``. Raises OSError when there is none or it may not be watched."""

    __slots__ = ("_clock", "_stat_fd", "pid", "pidfd")

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self.pidfd = os.pidfd_open(pid)
        try:
            self._stat_fd = os.open(f"/proc/{pid}/stat", os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            os.close(self.pidfd)
            raise
        self._clock = _cpu_clock(pid)

    def look(self) -> Life:
        """How it stands now. What is dying runs none of its own code any more; what cannot be read counts as dying.

        Stopped: by a signal (``T``) or under a debugger (``t``), see proc(5).
        """
        try:
            stat = os.pread(self._stat_fd, _STAT_BYTES, 0)
            fields = stat[stat.rindex(b")") + 2 :].split(b" ", _FLAGS + 1)
            state = fields[_STATE]
            if int(fields[_FLAGS]) & _PF_EXITING or state in (b"Z", b"X"):
                return Life.DYING
        except (OSError, ValueError, IndexError):
            return Life.DYING
        return Life.STOPPED if state in (b"T", b"t") else Life.ALIVE

    def is_dying(self) -> bool:
        """Is it ending, or gone?"""
        return self.look() is Life.DYING

    def cpu_ns(self) -> int:
        """Processor time of all its threads so far; 0 where that cannot be read (any more)."""
        try:
            return 0 if self._clock is None else time.clock_gettime_ns(self._clock)
        except OSError:
            return 0

    def kill(self) -> None:
        """SIGKILL to this very process, if it still is."""
        with contextlib.suppress(OSError):
            signal.pidfd_send_signal(self.pidfd, signal.SIGKILL)

    def give_way(self) -> None:
        """For one that has been killed: what is left of it goes on as an ordinary program, in all its threads.

        A process that dies at real-time priority gives back its memory at that priority, and for tens of ms its core
        does nothing else: not even what an ordinary thread of the kernel has to carry, stop bytes among it.
        """
        with contextlib.suppress(OSError):
            for thread in Path(f"/proc/{self.pid}/task").iterdir():
                with contextlib.suppress(OSError):  # that thread has ended meanwhile
                    os.sched_setscheduler(int(thread.name), os.SCHED_OTHER, os.sched_param(0))

    def close(self) -> None:
        """Let go; a second call does nothing."""
        for descriptor in (self.pidfd, self._stat_fd):
            if descriptor >= 0:
                os.close(descriptor)
        self.pidfd = self._stat_fd = -1


class SpinWatch:
    """Does the armed streamer burn its core? Pure: instants, its processor time and its last beat in, a text out.

    Two signs. Without a beat: since its last it has computed for ``share`` of the longest lease. With beats: over a
    whole window it has used more than ``share`` of a core. A loop that sleeps and spins a little before each tick
    does neither. Windows follow each other, so the second sign is seen within two of them.
    """

    __slots__ = (
        "_beat_cpu_ns",
        "_idle_max_ns",
        "_sequence",
        "_share",
        "_start_cpu_ns",
        "_start_ns",
        "_window_ns",
    )

    def __init__(self, share: float, window_ns: int, lease_max_ns: int) -> None:
        self._share = share
        self._window_ns = window_ns
        self._idle_max_ns = round(share * lease_max_ns)
        self.begin(0, 0, 0)

    def begin(self, now_ns: int, cpu_ns: int, sequence: int) -> None:
        """From here on it is watched."""
        self._start_ns = now_ns
        self._start_cpu_ns = self._beat_cpu_ns = cpu_ns
        self._sequence = sequence

    def look(self, now_ns: int, cpu_ns: int, sequence: int) -> str:
        """What is wrong with it, having used ``cpu_ns`` up to ``now_ns`` and sent beat ``sequence``; empty: nothing."""
        if sequence != self._sequence:
            self._sequence = sequence
            self._beat_cpu_ns = cpu_ns
        elif cpu_ns - self._beat_cpu_ns >= self._idle_max_ns:
            return (
                f"the streamer has computed for {(cpu_ns - self._beat_cpu_ns) * 1e-6:.1f} ms without a beat"
            )
        passed_ns = now_ns - self._start_ns
        if passed_ns < self._window_ns:
            return ""
        used = (cpu_ns - self._start_cpu_ns) / passed_ns
        self._start_ns, self._start_cpu_ns = now_ns, cpu_ns
        if used <= self._share:
            return ""
        return f"the streamer used {used:.0%} of a core for {passed_ns * 1e-6:.0f} ms, allowed are {self._share:.0%}"


def _cpu_clock(pid: int) -> int | None:
    """The clock of the processor time of ``pid``: clock_getcpuclockid(3)."""
    clock = ctypes.c_int()
    if ctypes.CDLL(None).clock_getcpuclockid(pid, ctypes.byref(clock)) != 0:
        return None
    return clock.value
