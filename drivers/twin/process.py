"""The simulated gantry as a process in real time: a serial CAN adapter or a serial line on a pty, hands on stdin,
words on stdout.

Owns the clock of the world (CLOCK_MONOTONIC) and the end of its own life; the pty is ``drivers.twin.wireport``'s. One
thread, one ``select``: it sleeps until a byte comes, the next event of the world is due, or 1 ms has passed while
something moves. Files are written by children of it meanwhile.

stdin, one JSON object a line: ``{"load_pen": {"ink": .., "colour": .., "tip_mm": ..}}`` (null takes it out),
``{"push": {"axis": .., "to_mm": ..}}``, ``{"motor_power": false}`` (true puts it back), ``{"status": true}``,
``{"save": true}``, ``{"quit": true}``. stdout, the same: events ``ready``, ``refused``, ``pen``, ``pushed``, ``power``,
``status``, ``saved``, ``trouble``, ``error``, ``end``. SIGTERM and SIGINT save and end.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import select
import signal
import sys
import time
from pathlib import Path
from typing import Any

from drivers.twin import store
from drivers.twin.canvas import Pen
from drivers.twin.gantry import Gantry
from drivers.twin.headport import HeadPty, lift_at_port
from drivers.twin.keeper import StateKeeper
from drivers.twin.settings import TwinSettings
from drivers.twin.wireport import WirePort

LOCK_PATIENCE_S = 8.0
"""A gantry whose session died still saves its record before it ends; so long is waited for it."""

_IDLE_S = 0.05
_QUIET_NS = 1_000_000_000  # the wire counts as quiet after this
_RINGING_NS = 10 * _QUIET_NS  # so long a head may swing on its belt before the end
_STATE_EVERY_NS = 500_000_000
_READ_BYTES = 4096
_SAMPLES_MAX = 1_500_000  # 25 min of uninterrupted motion


class TwinProcess:
    """One life of the simulated gantry. ``run`` returns the exit code. Raises FolderBusyError for a folder in use."""

    def __init__(self, settings: TwinSettings) -> None:
        self._folder = Path(settings.state_dir)
        self._folder.mkdir(parents=True, exist_ok=True)
        self._lock = store.lock(self._folder, LOCK_PATIENCE_S)
        self._gantry = Gantry(
            settings.group, settings.parameters, time.monotonic_ns(), max_samples=_SAMPLES_MAX
        )
        self._troubles = store.restore(self._gantry, self._folder)
        self._wire = WirePort(self._gantry, settings.group)
        port = lift_at_port(self._gantry, settings.group)
        self._head = None if port is None else HeadPty(port)
        self._heard_ns = time.monotonic_ns()
        self._state_ns = 0
        self._kept: dict[str, Any] = {}
        self._keeper = StateKeeper(self._folder)
        self._commands = bytearray()
        self._ending = ""
        self._saver: tuple[int, int] | None = None  # pid, pidfd of a child that writes files
        self._parent = self._watch(settings.parent_pid)
        self._stdin: int | None = sys.stdin.fileno() if sys.stdin is not None else None

    def _watch(self, pid: int | None) -> int | None:
        """A pidfd of the parent, or None without one; a parent that is gone already ends us like any other."""
        if pid is None:
            return None
        try:
            return os.pidfd_open(pid)
        except ProcessLookupError:
            self._ending = "parent gone"
            return None

    @property
    def channel(self) -> str:
        """Path of the serial line."""
        return self._wire.channel

    def run(self) -> int:
        """Live until told to end."""
        wake_read, wake_write = os.pipe()
        os.set_blocking(wake_write, False)
        signal.set_wakeup_fd(wake_write, warn_on_full_buffer=False)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda _number, _frame: None)
        for trouble in self._troubles:
            self._say({"event": "trouble", "message": trouble})
        head = {} if self._head is None else {"head_channel": self._head.channel}
        self._be_punctual()
        self._say({"event": "ready", "channel": self.channel, "pid": os.getpid(), **head})
        stop = False
        while not stop:
            readers = [self._wire.fileno(), wake_read]
            readers += [fd for fd in (self._stdin, self._parent) if fd is not None]
            if self._saver is not None:
                readers.append(self._saver[1])
            if self._head is not None:
                readers.append(self._head.fileno())
            writers = [self._wire.fileno()] if self._wire.is_clogged else []
            ready, writable, _ = select.select(readers, writers, [], self._timeout_s())
            if self._wire.fileno() in ready and self._wire.hear(time.monotonic_ns()):
                self._heard_ns = time.monotonic_ns()
            self._wire.live(time.monotonic_ns())
            if self._head is not None:
                self._head.live(time.monotonic_ns())
            if writable:
                self._wire.flush()
            if self._stdin in ready:
                self._hands()
            if self._saver is not None and self._saver[1] in ready:
                self._saved()
            if self._parent in ready:
                self._parent, self._ending = None, "parent gone"
            if wake_read in ready:
                stop = True
                self._ending = "signal"
            stop = stop or self._ending == "quit" or (self._ending == "parent gone" and self._is_over())
            self._keep_state()
        self._end()
        return 0

    @staticmethod
    def _be_punctual() -> None:
        """Wake when it is time, not 50 us later; what stands for good is none of the garbage collector's business."""
        with contextlib.suppress(OSError):
            Path("/proc/self/timerslack_ns").write_text("1")
        gc.collect()
        gc.freeze()

    def _is_over(self) -> bool:
        """The end after a parent's death: quiet wire, axes at rest."""
        quiet = time.monotonic_ns() - self._heard_ns > _QUIET_NS
        given_up = time.monotonic_ns() - self._heard_ns > _RINGING_NS  # a belt without damping rings for ever
        return quiet and (self._gantry.is_settled or (given_up and self._gantry.is_still))

    def _timeout_s(self) -> float:
        now_ns = time.monotonic_ns()
        until_ns = now_ns + int(_IDLE_S * 1e9)
        if not self._gantry.is_still:
            until_ns = self._gantry.now_ns + 1_000_000
        until_ns = min(until_ns, self._gantry.next_ns, self._wire.due_ns)
        if self._head is not None:
            until_ns = min(until_ns, self._head.next_ns)
        return max(0.0, (until_ns - now_ns) * 1e-9)

    # Hands

    def _hands(self) -> None:
        assert self._stdin is not None
        try:
            received = os.read(self._stdin, _READ_BYTES)
        except OSError:
            received = b""
        if not received:
            self._stdin = None  # nobody there any more; that alone ends nothing
            return
        self._commands += received
        *lines, rest = bytes(self._commands).split(b"\n")
        self._commands = bytearray(rest)
        for line in lines:
            if line.strip():
                self._obey(line)

    def _obey(self, line: bytes) -> None:
        try:
            command = json.loads(line)
            self._do(command)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            text = line.decode(errors="replace")[:200]
            self._say({"event": "error", "message": f"stdin: expected a command, got {text!r} ({error})"})

    def _do(self, command: dict[str, Any]) -> None:
        if "load_pen" in command:
            pen = command["load_pen"]
            if pen is None:
                self._gantry.load_pen(None)
            else:
                self._gantry.load_pen(Pen(str(pen["ink"]), str(pen["colour"]), float(pen["tip_mm"])))
            self._say({"event": "pen", "ink": None if pen is None else pen["ink"]})
        elif "push" in command:
            self._gantry.push(str(command["push"]["axis"]), float(command["push"]["to_mm"]))
            self._say({"event": "pushed"})
        elif isinstance(command.get("motor_power"), bool):
            if command["motor_power"]:
                self._gantry.restore_motor_power()
            else:
                self._gantry.cut_motor_power()
            self._say({"event": "power", "on": command["motor_power"], "now_ns": self._gantry.now_ns})
        elif command.get("status") is True:
            self._say({"event": "status", **self._status()})
        elif command.get("save") is True:
            self._save_beside()
        elif command.get("quit") is True:
            self._ending = "quit"
        else:
            raise ValueError("known: load_pen, push, motor_power, status, save, quit")

    def _status(self) -> dict[str, Any]:
        gantry = self._gantry
        return {
            "now_ns": gantry.now_ns,
            "still": gantry.is_still,
            "strokes": gantry.canvas.strokes,
            "garbled": self._wire.garbled,
            "dropped_bytes": self._wire.dropped_bytes,
            "left_operation_ns": gantry.left_operation_ns,
            **gantry.state(),
        }

    def _say(self, event: dict[str, Any]) -> None:
        try:
            sys.stdout.write(json.dumps(event) + "\n")
            sys.stdout.flush()
        except (OSError, ValueError):
            return  # nobody listens; that alone ends nothing

    # Files

    def _save_beside(self) -> None:
        """Write all files in a child process, so that the drives go on answering meanwhile."""
        if self._saver is not None:
            raise ValueError("a save is under way")
        self._gantry.flush_contact()
        pid = os.fork()
        if pid == 0:
            code = 1
            try:
                store.save_all(self._gantry, self._folder)
                code = 0
            finally:
                os._exit(code)
        self._saver = (pid, os.pidfd_open(pid))

    def _saved(self) -> None:
        assert self._saver is not None
        pid, pidfd = self._saver
        self._saver = None
        _, status = os.waitpid(pid, 0)
        os.close(pidfd)
        if os.waitstatus_to_exitcode(status) == 0:
            self._say({"event": "saved", "folder": str(self._folder)})
        else:
            self._say({"event": "error", "message": f"{self._folder}: expected to save, got a failure"})

    def _keep_state(self) -> None:
        """Have it written where everything stands, twice a second, in a gap between answers if one comes soon."""
        now_ns = time.monotonic_ns()
        age_ns = now_ns - self._state_ns
        if age_ns < _STATE_EVERY_NS or (age_ns < 2 * _STATE_EVERY_NS and self._wire.is_awaited):
            return
        self._state_ns = now_ns
        state = self._gantry.state()
        if state != self._kept:
            self._kept = state
            self._keeper.keep(store.state_text(state))

    def _end(self) -> None:
        if self._saver is not None:
            self._saved()
        self._gantry.power_off()
        self._keeper.end()
        store.save_all(self._gantry, self._folder)
        self._say({"event": "end", "why": self._ending, "dropped_bytes": self._wire.dropped_bytes})
        if self._head is not None:
            self._head.close()
        self._wire.close()
