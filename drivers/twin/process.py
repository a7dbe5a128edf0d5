"""The simulated gantry as a process in real time: a serial CAN adapter or a serial line on a pty, hands on stdin,
words on stdout.

Owns the pty, the clock of the world (CLOCK_MONOTONIC) and the end of its own life. One thread, one ``select``: it
sleeps until a byte comes, the next event of the world is due, or 1 ms has passed while something moves. It never
waits for a reader: what nobody takes from the pty is dropped and counted.

stdin, one JSON object a line: ``{"load_pen": {"ink": .., "colour": .., "tip_mm": ..}}`` (null takes it out),
``{"push": {"axis": .., "to_mm": ..}}``, ``{"motor_power": false}`` (true puts it back), ``{"status": true}``,
``{"save": true}``, ``{"quit": true}``. stdout, the same: events ``ready``, ``refused``, ``pen``, ``pushed``, ``power``,
``status``, ``saved``, ``trouble``, ``error``, ``end``. SIGTERM and SIGINT save and end.
"""

from __future__ import annotations

import heapq
import itertools
import json
import os
import select
import signal
import sys
import termios
import time
import tty
from pathlib import Path
from typing import Any

from drivers.settings import DescribedCanWire, DescribedSerialWire, ModbusWire
from drivers.twin import store
from drivers.twin.canvas import Pen
from drivers.twin.described import DescribedOnBus, DescribedOnLine
from drivers.twin.gantry import Gantry, Sent
from drivers.twin.headport import HeadPty, lift_at_port
from drivers.twin.line import DrivesOnLine
from drivers.twin.modbus import UnitsOnLine
from drivers.twin.settings import TwinSettings
from drivers.twin.slcan import SerialCanAdapter, encode

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
        wire = settings.group.wire
        self._adapter = SerialCanAdapter(wire.bitrate_bit_s, extended=wire.kind == "described-can")
        self._units: DrivesOnLine | None = None  # in place of the adapter, where the wire is a serial line
        self._bus: DescribedOnBus | None = None  # in place of the gantry's own nodes, behind the adapter
        if isinstance(wire, ModbusWire):
            self._units = UnitsOnLine(self._gantry, settings.group, lenient=True)
        elif isinstance(wire, DescribedSerialWire):
            self._units = DescribedOnLine(self._gantry, settings.group, lenient=True)
        elif isinstance(wire, DescribedCanWire):
            self._bus = DescribedOnBus(self._gantry, settings.group)
        port = lift_at_port(self._gantry, settings.group)
        self._head = None if port is None else HeadPty(port)
        self._pending: list[tuple[int, int, int, bytes]] = []
        self._order = itertools.count()
        self._unsent = bytearray()
        self.dropped_bytes = 0
        self._heard_ns = time.monotonic_ns()
        self._state_ns = 0
        self._state_text = ""
        self._commands = bytearray()
        self._ending = ""
        self._saver: tuple[int, int] | None = None  # pid, pidfd of a child that writes files
        self._parent = self._watch(settings.parent_pid)
        # We keep the other end open too: without it every client that closes would hang up the pty for good.
        self._line, self._far_end = os.openpty()
        tty.setraw(self._far_end, termios.TCSANOW)
        os.set_blocking(self._line, False)
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
        return os.ttyname(self._far_end)

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
        self._say({"event": "ready", "channel": self.channel, "pid": os.getpid(), **head})
        stop = False
        while not stop:
            readers = [self._line, wake_read]
            readers += [fd for fd in (self._stdin, self._parent) if fd is not None]
            if self._saver is not None:
                readers.append(self._saver[1])
            if self._head is not None:
                readers.append(self._head.fileno())
            writers = [self._line] if self._unsent else []
            ready, writable, _ = select.select(readers, writers, [], self._timeout_s())
            if self._line in ready:
                self._hear()
            self._live()
            if self._head is not None:
                self._head.live(time.monotonic_ns())
            if writable:
                self._flush()
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
        until_ns = min(until_ns, self._gantry.next_ns)
        if self._pending:
            until_ns = min(until_ns, self._pending[0][0])
        if self._units is not None:
            answers = (end_ns for end_ns, _ in self._units.answers)
            until_ns = min(until_ns, self._units.next_ns, *answers)
        if self._bus is not None:
            until_ns = min(until_ns, self._bus.next_ns)
        if self._head is not None:
            until_ns = min(until_ns, self._head.next_ns)
        return max(0.0, (until_ns - now_ns) * 1e-9)

    # The wire

    def _hear(self) -> None:
        try:
            received = os.read(self._line, _READ_BYTES)
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            time.sleep(0.001)  # cannot be while we hold the other end; never spin on it
            return
        now_ns = time.monotonic_ns()
        self._heard_ns = now_ns
        if self._units is not None:
            self._units.hear(received, now_ns)
            return
        was_on_bus = self._adapter.is_on_bus
        frames, answers, closed = self._adapter.feed(received)
        if closed:
            self._forget_output()
        for can_id, data in frames:
            on_bus = was_on_bus or self._adapter.is_on_bus
            if self._bus is not None:
                self._bus.hear(can_id, data, now_ns)
            else:
                self._deliver(self._gantry.on_frame(can_id, data, now_ns), on_bus)
        if answers:
            self._write(answers)

    def _live(self) -> None:
        now_ns = time.monotonic_ns()
        if self._units is not None:
            self._live_on_line(self._units, now_ns)
            return
        if self._bus is not None:
            self._bus.live(now_ns)
            sent, self._bus.answers = self._bus.answers, []
            self._deliver(sent, self._adapter.is_on_bus)
        else:
            self._deliver(self._gantry.advance_to(now_ns), self._adapter.is_on_bus)
        due = bytearray()
        while self._pending and self._pending[0][0] <= now_ns:
            _, _, can_id, data = heapq.heappop(self._pending)
            due += encode(can_id, data)
        if due:
            self._write(bytes(due))

    def _live_on_line(self, units: DrivesOnLine, now_ns: int) -> None:
        units.live(now_ns)
        due = [data for end_ns, data in units.answers if end_ns <= now_ns]
        units.answers = [one for one in units.answers if one[0] > now_ns]
        for answer in due:
            self._write(answer)

    def _deliver(self, sent: list[Sent], on_bus: bool) -> None:
        if on_bus:
            for on_wire_ns, can_id, data in sent:
                heapq.heappush(self._pending, (on_wire_ns, next(self._order), can_id, data))

    def _forget_output(self) -> None:
        """The line was closed: like an adapter's buffer, what nobody has taken is gone."""
        self._pending.clear()
        self._unsent.clear()
        termios.tcflush(self._far_end, termios.TCIFLUSH)

    def _write(self, data: bytes) -> None:
        """Send all of it or drop all of it: what the line took only in part is finished first, later."""
        if self._unsent:
            self._flush()
        if self._unsent:
            self.dropped_bytes += len(data)
            return
        self._unsent += data
        if not self._flush():
            self.dropped_bytes += len(self._unsent)
            self._unsent.clear()

    def _flush(self) -> bool:
        """Hand over what the line takes; whether it took anything."""
        try:
            sent = os.write(self._line, self._unsent)
        except OSError:  # full, most likely
            return False
        del self._unsent[:sent]
        return sent > 0

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
            "garbled": self._adapter.garbled if self._units is None else self._units.garbled,
            "dropped_bytes": self.dropped_bytes,
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
        now_ns = time.monotonic_ns()
        if now_ns - self._state_ns < _STATE_EVERY_NS:
            return
        self._state_ns = now_ns
        text = repr(self._gantry.state())
        if text != self._state_text:
            self._state_text = text
            store.save_state(self._gantry, self._folder)

    def _end(self) -> None:
        if self._saver is not None:
            self._saved()
        self._gantry.power_off()
        store.save_all(self._gantry, self._folder)
        self._say({"event": "end", "why": self._ending, "dropped_bytes": self.dropped_bytes})
        if self._head is not None:
            self._head.close()
        os.close(self._line)
        os.close(self._far_end)
