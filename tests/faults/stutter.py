"""A process that is stopped and let go again and again: SIGSTOP and SIGCONT in a fixed rhythm, each stop noted."""

from __future__ import annotations

import os
import signal
import threading
import time


class Stutter:
    """Begins at once; ``end`` lets the process go. ``stops_ns``: the instant before each SIGSTOP."""

    def __init__(self, pid: int, stopped_ms: float, running_ms: float) -> None:
        self.stops_ns: list[int] = []
        self._pid = pid
        self._stopped_s = stopped_ms * 1e-3
        self._running_s = running_ms * 1e-3
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            while not self._over.is_set():
                self.stops_ns.append(time.monotonic_ns())
                os.kill(self._pid, signal.SIGSTOP)
                time.sleep(self._stopped_s)
                os.kill(self._pid, signal.SIGCONT)
                self._over.wait(self._running_s)
        except ProcessLookupError:
            return

    def last_before(self, instant_ns: int) -> int | None:
        """The last stop that began before an instant: the one that was answered there."""
        return max((at for at in self.stops_ns if at <= instant_ns), default=None)

    def end(self) -> None:
        """No more stops; the process runs."""
        self._over.set()
        self._thread.join()
