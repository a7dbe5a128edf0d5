"""A real session in its own process on the simulated gantry: files, verbs as processes, waiting for what they do.

Owns starting them and finding them by pid; ends nothing by itself but what ``end`` is told. Judges nothing.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.cli.main import main
from controller.config.errors import RefusedError
from controller.session import control
from drivers.twin.record import MotionRecord
from tests.faults.waves import Files

PATIENCE_S = 90.0
PASS = "teal-1"
LONG_STROKE_LEFT_TICKS = 1700
"""So many ticks before the end of the pass its long stroke is well begun: it has 2200, 350 follow, and of those sent up
to 500 may be the way to its start."""


@dataclass
class Site(Files):
    """Files, the verbs as processes, and waiting for what they do."""

    folder: Path
    children: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def start(
        self, verb: str, *arguments: str, program: tuple[str, ...] = ("controller.cli.main",)
    ) -> subprocess.Popen[bytes]:
        """Start a verb as a process of its own."""
        command = [
            sys.executable, "-m", *program, verb, *arguments,
            "--machine", str(self.machine), "--state", str(self.state.root),
        ]  # fmt: skip
        child = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            stdin=subprocess.DEVNULL,
            # A session of its own: to starve it must starve nobody else (the kernel shares by session).
            start_new_session=True,
        )
        self.children.append(child)
        return child

    def here(self, verb: str, *arguments: str) -> int:
        """Run a verb in this process: what moves nothing, or only in virtual time, needs no other."""
        return main([verb, *arguments, "--machine", str(self.machine), "--state", str(self.state.root)])

    def status(self) -> dict[str, Any]:
        """What the running service says; empty when there is none."""
        with contextlib.suppress(RefusedError):
            return control.ask(self.state.control_socket, "status")
        return {}

    def until(self, what: str, true: Callable[[], Any]) -> Any:
        """Wait until ``true()``, and return it; fail with ``what`` after a long time."""
        end_s = time.monotonic() + PATIENCE_S
        while not (found := true()):
            assert time.monotonic() < end_s, f"waited in vain for {what}"
            time.sleep(0.1)  # every question costs the service too
        return found

    def paint_until_long_stroke(self) -> subprocess.Popen[bytes]:
        """Start painting; return in the middle of the second stroke, both axes in motion.

        Counted from the end of the pass: one that goes on has its first stroke behind it already.
        """
        painting = self.start("paint", str(self.job), "--yes")

        def is_there() -> bool:
            assert painting.poll() is None, painting.communicate()
            status = self.status()  # a service that does not answer in time is asked again
            left = status.get("ticks", 0) - status.get("ticks_sent", 0)
            return status.get("what") == PASS and 0 < left <= LONG_STROKE_LEFT_TICKS

        self.until("the second stroke", is_there)
        return painting

    def pid_of(self, name: str) -> int:
        """The one process that works for this state folder as ``controller.stream``, ``safety.guard``, ..."""
        found = []
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit():
                with contextlib.suppress(OSError):
                    words = (entry / "cmdline").read_bytes().split(b"\0")
                    if name.encode() in words and any(bytes(self.state.root) in word for word in words):
                        found.append(int(entry.name))
        (pid,) = found
        return pid

    def record(self) -> MotionRecord:
        """What the simulated gantry says has truly moved."""
        return MotionRecord.load(self.state.twin / "motion.npz")

    def end(self) -> None:
        """End whatever is left, each by its pid."""
        for child in self.children:
            if child.poll() is None:
                child.kill()
            child.communicate(timeout=10)
        self.children.clear()
        for name in ("controller.stream", "safety.guard", "drivers.twin"):
            with contextlib.suppress(ValueError, ProcessLookupError):
                os.kill(self.pid_of(name), signal.SIGKILL)
