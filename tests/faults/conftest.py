"""A real session in its own process, on the simulated gantry, long enough to be killed in the middle of a stroke."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import main
from controller.config.errors import RefusedError
from controller.config.places import StateDir, shipped
from controller.session import control
from drivers.twin.record import MotionRecord

SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="1000mm" height="600mm" viewBox="0 0 1000 600">
<g id="waves"><path d="M 20 20 L 60 20" fill="none" stroke="#1f7a78"/>
<path d="M 60 60 C 300 0 500 200 900 60 C 800 200 600 200 400 160" fill="none" stroke="#1f7a78"/></g></svg>
"""
JOB = """format = 1
name = "waves"
artwork = "waves.svg"
origin_mm = [20.0, 20.0]
[[inks]]
name = "teal"
group = "waves"
colour = "#1f7a78"
tip_mm = 4.0
"""
# A computer that is busy with other tests must not halt the session before the fault under test does; none of the
# stops below waits for any of these.
EDITS = {
    "lease_ms = 100.0": "lease_ms = 1500.0",
    "beat_late_ms = 80.0": "beat_late_ms = 1500.0",
    "guard_late_ms = 150.0": "guard_late_ms = 1500.0",
    "feedback_late_ms = 120.0": "feedback_late_ms = 1500.0",
    "heartbeat_lost_after_ms = 160": "heartbeat_lost_after_ms = 1500",
    "following_error_max_mm = 4.0": "following_error_max_mm = 300.0",
    "touches = 4": "touches = 2",
    "back_off_mm = 2.5": "back_off_mm = 1.0",
    # The switches are near: homing is no part of what is tested here.
    "start_mm = 300.0": "start_mm = 40.0",
    "start_mm = 220.0": "start_mm = 40.0",
    "park_mm = [120.0, 120.0]": "park_mm = [40.0, 40.0]",
}
PATIENCE_S = 90.0


@dataclass
class Site:
    """Files, the verbs as processes, and waiting for what they do."""

    folder: Path
    children: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def machine(self) -> Path:
        """The machine file."""
        return self.folder / "boathouse.toml"

    @property
    def job(self) -> Path:
        """The job file."""
        return self.folder / "job.toml"

    @property
    def state(self) -> StateDir:
        """The state folder."""
        return StateDir(self.folder / "s")

    def start(self, verb: str, *arguments: str) -> subprocess.Popen[bytes]:
        """Start a verb as a process of its own."""
        command = [
            sys.executable, "-m", "controller.cli.main", verb, *arguments,
            "--machine", str(self.machine), "--state", str(self.state.root),
        ]  # fmt: skip
        child = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL
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

    def until(self, what: str, true: Callable[[], object]) -> None:
        """Wait until ``true()``; fail with ``what`` after a long time."""
        end_s = time.monotonic() + PATIENCE_S
        while not true():
            assert time.monotonic() < end_s, f"waited in vain for {what}"
            time.sleep(0.02)

    def paint_until_long_stroke(self) -> subprocess.Popen[bytes]:
        """Start painting; return in the middle of the second stroke, both axes in motion."""
        painting = self.start("paint", str(self.job), "--yes")
        self.until(
            "the first stroke", lambda: painting.poll() is not None or self.status().get("strokes_finished")
        )
        assert painting.poll() is None, painting.communicate()
        reached = self.status()["ticks_sent"] + 600
        self.until("the second stroke", lambda: self.status().get("ticks_sent", reached) >= reached)
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


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A homed machine; whatever a test leaves running is ended by its pid."""
    folder = tmp_path_factory.mktemp("f")
    text = shipped("machines/boathouse.toml").read_text()
    for old, new in EDITS.items():
        assert old in text, old
        text = text.replace(old, new)
    (folder / "boathouse.toml").write_text(text)
    (folder / "job.toml").write_text(JOB)
    (folder / "waves.svg").write_text(SVG)
    site = Site(folder)
    try:
        assert site.here("home", "--virtual", "--yes") == 0
        yield site
    finally:
        for child in site.children:
            if child.poll() is None:
                child.kill()
            child.communicate(timeout=10)
        for name in ("controller.stream", "safety.guard", "drivers.twin"):
            with contextlib.suppress(ValueError, ProcessLookupError):
                os.kill(site.pid_of(name), signal.SIGKILL)
