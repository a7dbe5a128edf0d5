"""Our own child processes: started in sessions of their own, heard line by line, signalled by descriptor.

Owns starting and ending; knows nothing of what the children do. A child in its own session does not get the
terminal's Ctrl-C: what that means is for the service to decide.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
from asyncio.subprocess import PIPE, Process
from pathlib import Path
from typing import Any

STDERR_SHOWN_BYTES = 600


class ChildError(Exception):
    """A child ended, or said nothing in time, before it said what was expected of it."""

    def __init__(self, name: str, expected: str, got: str) -> None:
        self.name = name
        self.expected = expected
        self.got = got
        super().__init__(f"{name}: expected {expected}, got {got}")


class Child:
    """One child: its JSON lines, its end, its signals."""

    def __init__(self, name: str, process: Process, pidfd: int, stderr_path: Path) -> None:
        self.name = name
        self._process = process
        self._pidfd = pidfd
        self._stderr_path = stderr_path
        self._lines: asyncio.Queue[dict[str, Any] | None] = asyncio.Queue()
        self._reader = asyncio.create_task(self._read(), name=f"read {name}")

    @classmethod
    async def start(cls, name: str, module: str, *arguments: str, stderr_path: Path) -> Child:
        """Start ``python -m module arguments`` with its standard error going to a file.

        Its linear algebra begins no threads: none of our children has any use for them, and each is one more that has
        to end before a killed process is dead.
        """
        with stderr_path.open("wb") as stderr:
            # -P: the current folder is no place to import from.
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-P", "-m", module, *arguments,
                stdin=PIPE, stdout=PIPE, stderr=stderr, start_new_session=True,
                env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
            )  # fmt: skip
        return cls(name, process, os.pidfd_open(process.pid), stderr_path)

    @property
    def pid(self) -> int:
        """Process id."""
        return self._process.pid

    @property
    def is_alive(self) -> bool:
        """Whether it has not ended as far as we have heard."""
        return self._process.returncode is None

    async def _read(self) -> None:
        stdout = self._process.stdout
        assert stdout is not None
        while line := await stdout.readline():
            try:
                said = json.loads(line)
            except ValueError:
                said = None
            if not isinstance(said, dict):
                said = {"event": "unreadable", "line": line.decode(errors="replace").rstrip()}
            self._lines.put_nowait(said)
        self._lines.put_nowait(None)

    async def next_line(self) -> dict[str, Any] | None:
        """The next thing it says; None when it has closed its output."""
        said = await self._lines.get()
        if said is None:
            self._lines.put_nowait(None)
        return said

    async def expect(self, *events: str, timeout_s: float) -> dict[str, Any]:
        """The next line whose ``event`` is one of ``events``. Raises ChildError at its end or after the time-out."""
        wanted = " or ".join(events)
        try:
            async with asyncio.timeout(timeout_s):
                while (said := await self.next_line()) is not None:
                    if said.get("event") in events:
                        return said
                code = await self._process.wait()
        except TimeoutError:
            raise ChildError(self.name, f"{wanted} within {timeout_s:g} s", "silence") from None
        raise ChildError(self.name, wanted, f"its end ({describe_end(code)}){self._last_words()}")

    def _last_words(self) -> str:
        try:
            text = self._stderr_path.read_bytes()[-STDERR_SHOWN_BYTES:].decode(errors="replace").strip()
        except OSError:
            return ""
        return f": {text.splitlines()[-1]}" if text else ""

    async def tell(self, message: dict[str, Any]) -> None:
        """Write one JSON line to its standard input. Raises ChildError when it is gone."""
        stdin = self._process.stdin
        assert stdin is not None
        try:
            stdin.write(json.dumps(message).encode() + b"\n")
            await stdin.drain()
        except (BrokenPipeError, ConnectionResetError):
            raise ChildError(self.name, "a living process", "a closed input") from None

    def signal(self, number: signal.Signals) -> None:
        """Send a signal to this very process, never to another that got its id. Quiet when it has ended."""
        with contextlib.suppress(ProcessLookupError):
            signal.pidfd_send_signal(self._pidfd, number)

    async def wait(self) -> int:
        """Wait for its end; the return code (negative: the signal that ended it)."""
        return await self._process.wait()

    async def end(self, *, patience_s: float = 2.0, kill: bool = True) -> int | None:
        """Close its input, then SIGTERM, then SIGKILL, each with patience; collect it."""
        stdin = self._process.stdin
        if stdin is not None and not stdin.is_closing():
            stdin.close()
        steps: tuple[signal.Signals | None, ...] = (None, signal.SIGTERM, signal.SIGKILL if kill else None)
        for step in steps:
            if self.is_alive and step is not None:
                self.signal(step)
            try:
                async with asyncio.timeout(patience_s):
                    await self._process.wait()
                break
            except TimeoutError:
                continue
        if not self.is_alive:
            await self._reader
            os.close(self._pidfd)
        return self._process.returncode


def describe_end(code: int) -> str:
    """A return code in words."""
    if code < 0:
        try:
            return f"killed by {signal.Signals(-code).name}"
        except ValueError:
            return f"killed by signal {-code}"
    return f"exit code {code}"
