"""A process that is watched: held so that its end is seen early, and that a kill can hit no other.

A dying process gives back its memory (tens of ms of it when it is large and locked) before its sockets close and its
pidfd speaks. That it is ending is readable at once from the flags in ``/proc/PID/stat``; ``is_dying`` reads them.
"""

from __future__ import annotations

import contextlib
import os
import signal

_PF_EXITING = 0x4
_STAT_BYTES = 512
# proc(5): field 9 of /proc/PID/stat; counted here from the state, field 3, which follows the name in parentheses.
_STATE, _FLAGS = 0, 6


class Watched:
    """Holds process ``pid``. Raises OSError when there is none or it may not be watched."""

    __slots__ = ("_stat_fd", "pid", "pidfd")

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self.pidfd = os.pidfd_open(pid)
        try:
            self._stat_fd = os.open(f"/proc/{pid}/stat", os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            os.close(self.pidfd)
            raise

    def is_dying(self) -> bool:
        """Is it ending, or gone? From then on it runs none of its own code. What cannot be read counts as gone."""
        try:
            stat = os.pread(self._stat_fd, _STAT_BYTES, 0)
            fields = stat[stat.rindex(b")") + 1 :].split()
            return bool(int(fields[_FLAGS]) & _PF_EXITING) or fields[_STATE] in (b"Z", b"X")
        except (OSError, ValueError, IndexError):
            return True

    def kill(self) -> None:
        """SIGKILL to this very process, if it still is."""
        with contextlib.suppress(OSError):
            signal.pidfd_send_signal(self.pidfd, signal.SIGKILL)

    def close(self) -> None:
        """Let go; a second call does nothing."""
        for descriptor in (self.pidfd, self._stat_fd):
            if descriptor >= 0:
                os.close(descriptor)
        self.pidfd = self._stat_fd = -1
