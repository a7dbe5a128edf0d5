"""The guard's writing hand: puts latches and event lines on disk beside the loop, so that no disk delays a stop.

Owns one thread and its queue. The loop hands over and goes on; when a latch has been written (or could not be) the
scribe says so through ``wake_fd``.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from pathlib import Path
from queue import SimpleQueue

from safety import latch

_STACK_BYTES = 256 * 1024


class Scribe:
    """Writes in the order of asking. ``latch_error`` is empty once the newest latch stands on disk."""

    def __init__(self, latch_path: Path, event_path: Path) -> None:
        self._latch_path = latch_path
        self._event_path = event_path
        self._work: SimpleQueue[latch.Latch | dict[str, object] | None] = SimpleQueue()
        self._thread: threading.Thread | None = None
        self.wake_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self.latches_done = 0
        self.latch_error = ""

    def start(self) -> None:
        """Start the thread; it inherits the caller's scheduling."""
        before = threading.stack_size(_STACK_BYTES)
        self._thread = threading.Thread(target=self._run, name="scribe", daemon=True)
        self._thread.start()
        threading.stack_size(before)

    def put_latch(self, latched: latch.Latch) -> None:
        """Have ``latched`` written. Never blocks."""
        self._work.put(latched)

    def put_event(self, event: dict[str, object]) -> None:
        """Have one line appended to the event file. Never blocks; a full disk loses the line."""
        self._work.put(event)

    def acknowledge(self) -> None:
        """Take the wake-up back."""
        with contextlib.suppress(BlockingIOError):
            os.eventfd_read(self.wake_fd)

    def finish(self, timeout_s: float) -> None:
        """Write what is left and end the thread."""
        if self._thread is not None:
            self._work.put(None)
            self._thread.join(timeout_s)

    def _run(self) -> None:
        while True:
            work = self._work.get()
            if work is None:
                return
            if isinstance(work, latch.Latch):
                try:
                    latch.write(self._latch_path, work)
                    self.latch_error = ""
                except OSError as error:
                    self.latch_error = str(error)
                self.latches_done += 1
                os.eventfd_write(self.wake_fd, 1)
            else:
                with contextlib.suppress(OSError), self._event_path.open("a") as file:
                    file.write(json.dumps(work) + "\n")
