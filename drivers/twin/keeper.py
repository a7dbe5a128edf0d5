"""``state.json`` of the simulated gantry's folder, written by a process of its own: drives answer while a busy disk
takes its time.

A process and no thread: a thread of lower priority that is not run while it holds the interpreter would keep the drives
waiting all the same. ``python -m drivers.twin.keeper FOLDER``: texts come on standard input, a zero byte behind each;
of those that wait only the last is written. It ends with its input, so also when the gantry is killed.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Final

STATE: Final = "state.json"


def write_state(folder: Path, text: str) -> None:
    """Write ``state.json`` whole or not at all, also while another process does."""
    path = folder / STATE
    partial = path.with_name(f"{path.name}.{os.getpid()}.part")
    partial.write_text(text)
    os.replace(partial, path)  # noqa: PTH105


class StateKeeper:
    """The gantry's end of it. ``pid`` is the writer's."""

    def __init__(self, folder: Path) -> None:
        flags = ["-P"] if sys.flags.safe_path else []
        words = [sys.executable, *flags, "-m", "drivers.twin.keeper", str(folder)]
        self._child = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL)
        self.pid = self._child.pid
        assert self._child.stdin is not None
        self._pipe = self._child.stdin.fileno()
        os.set_blocking(self._pipe, False)
        self._unsent = b""

    def keep(self, text: str) -> None:
        """Have it written soon. Raises nothing; while the writer is busy for long, texts are left out."""
        if not self._unsent:
            self._unsent = text.encode() + b"\0"
        with contextlib.suppress(OSError):  # a full pipe, or nobody there: everything is written at the end
            self._unsent = self._unsent[os.write(self._pipe, self._unsent) :]

    def end(self) -> None:
        """Let it write the last one, and no more after this."""
        assert self._child.stdin is not None
        self._child.stdin.close()
        self._child.wait()


def keep_states(reader: int, folder: Path) -> None:
    """Write each whole text that comes, the last of those that came meanwhile, until the input ends."""
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_IGN)  # the end is the input's
    received = b""
    while piece := os.read(reader, 65536):
        received += piece
        *whole, received = received.split(b"\0")
        if whole:
            with contextlib.suppress(OSError):
                write_state(folder, whole[-1].decode())


if __name__ == "__main__":
    keep_states(0, Path(sys.argv[1]))
