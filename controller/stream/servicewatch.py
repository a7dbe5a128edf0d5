"""The streamer's own eye on the process that started it: a pidfd, looked at once a tick.

The guard watches the service too. This one is for the day on which both are gone.
"""

from __future__ import annotations

import contextlib
import os
import select


class ServiceWatch:
    """Whether a process still lives. Looking costs about a microsecond and never blocks."""

    __slots__ = ("_fd", "_poll")

    def __init__(self, pid: int) -> None:
        """Raises ProcessLookupError when there is no such process."""
        self._fd = os.pidfd_open(pid)
        self._poll = select.poll()
        self._poll.register(self._fd, select.POLLIN)

    def is_gone(self) -> bool:
        """Whether the process has ended (a zombie has)."""
        return bool(self._poll.poll(0))

    def close(self) -> None:
        """Stop looking. Never raises."""
        with contextlib.suppress(OSError):
            os.close(self._fd)
