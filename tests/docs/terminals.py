"""Terminals in which a guide's examples are typed as a person would: pseudo-terminals, one program at a time in each.

Owns typing and reading; what is expected stands in the guide. A program is ended by its own process id only.
"""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import time
from pathlib import Path

from tests.docs.examples import Example, seek

PATIENCE_S = 600.0
"""A shared computer may keep programs waiting; nothing here is judged by its time."""
_ANSWER = re.compile(r"^(.*\[(?:y/N|[\w -]+(?: / [\w -]+)+)\]):? (\S+)$")
_COLOUR = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\r")


class Terminal:
    """One terminal: what was shown in it, and the program that lives in it."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        self.folder = folder
        self._environment = environment
        self._raw = b""
        self._place = 0
        self._child: subprocess.Popen[bytes] | None = None
        self._end = -1
        self.exits: list[tuple[str, int]] = []
        self._typed = ""

    @property
    def shown(self) -> str:
        """All that was shown, without colours."""
        return _COLOUR.sub("", self._raw.decode(errors="replace"))

    def follow(self, example: Example) -> None:
        """Type and expect what a block shows. Raises AssertionError with the line that did not come."""
        for line in example.lines:
            answer = _ANSWER.match(line)
            if line.startswith("$ cd "):
                self.finish()
                self.folder = self.folder / line[5:].strip().replace("~", self._environment["HOME"])
            elif line.startswith("$ "):
                self.finish()
                self._start(line[2:])
            elif answer:
                self._expect(answer[1], example)
                os.write(self._end, answer[2].encode() + b"\n")
            elif line == "^C":
                os.write(self._end, b"\x03")
            elif line.strip() not in ("", "..."):
                self._expect(line, example)

    def finish(self) -> int | None:
        """Wait for the program to end by itself; its exit code, None where there was none."""
        if self._child is None:
            return None
        until = time.monotonic() + PATIENCE_S
        while self._read(0.2):
            assert time.monotonic() < until, f"{self._typed} has not ended:\n{self.shown[-2000:]}"
        code = self._child.wait(30.0)
        os.close(self._end)
        self._child = None
        self.exits.append((self._typed, code))
        return code

    def close(self) -> None:
        """End what still lives, as closing a terminal's window does."""
        if self._child is not None:
            os.close(self._end)
            try:
                self._child.wait(30.0)
            except subprocess.TimeoutExpired:
                self._child.kill()
                self._child.wait()

    def _start(self, typed: str) -> None:
        mine, theirs = pty.openpty()
        self._typed = typed
        self._place = len(self.shown)
        self._child = subprocess.Popen(
            ["/bin/sh", "-c", f"exec {typed}" if " && " not in typed else typed],
            cwd=self.folder, env=self._environment, stdin=theirs, stdout=theirs, stderr=theirs,
            start_new_session=True,
            preexec_fn=_own_terminal,
        )  # fmt: skip
        os.close(theirs)
        self._end = mine

    def _read(self, seconds: float) -> bool:
        """Take what has come; False when the far end has closed."""
        if not select.select([self._end], [], [], seconds)[0]:
            return True
        try:
            piece = os.read(self._end, 65536)
        except OSError:
            return False
        self._raw += piece
        return bool(piece)

    def _expect(self, line: str, example: Example) -> None:
        until = time.monotonic() + PATIENCE_S
        while True:
            found = seek(line, self.shown, self._place)
            if found is not None:
                self._place = found
                return
            alive = self._child is not None and self._read(0.2)
            if not alive or time.monotonic() > until:
                seen = self.shown[self._place :]
                raise AssertionError(f"{example.where}: {line!r} did not come after {self._typed!r}:\n{seen}")


def _own_terminal() -> None:
    """Make the terminal on standard input the child's own, so that Ctrl-C reaches it."""
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
