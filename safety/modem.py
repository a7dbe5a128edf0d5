"""A serial port's modem lines: contacts read, and the power-cut output held, each port by a thread of its own.

Owns the descriptors, the ioctls (tty_ioctl(4)) and the threads. Judges nothing: readings go to ``safety.inputs``. A
thread, because some adapters answer an ioctl only after a trip over USB, and a hung one not at all: the guard's loop
must not wait for it, and takes silence for an open input.

Opening a port raises its DTR and RTS: the kernel does. With a power-cut output on it, a port is opened only where no
latch stands, and is set to drop both when its last descriptor closes (HUPCL): a guard that is killed cuts the power.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import struct
import termios
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Protocol

INPUT_LINES = {
    "dsr": termios.TIOCM_DSR,
    "dcd": termios.TIOCM_CAR,
    "cts": termios.TIOCM_CTS,
    "ri": termios.TIOCM_RNG,
}
OUTPUT_LINES = {"rts": termios.TIOCM_RTS, "dtr": termios.TIOCM_DTR}
POLL_S = 0.0015
_REOPEN_S = 0.2
_STACK_BYTES = 256 * 1024
_BITS = struct.Struct("=I")


class ModemPort(Protocol):
    """One serial port's modem lines. Every method may raise OSError: the port is gone."""

    def read(self) -> int:
        """The lines that are asserted, as TIOCM bits."""
        ...

    def set(self, bits: int) -> None:
        """Assert output lines."""
        ...

    def clear(self, bits: int) -> None:
        """Let output lines go."""
        ...

    def close(self) -> None:
        """Give the port back."""
        ...


class TtyPort:
    """The real thing."""

    def __init__(self, device: str, holds_power: bool) -> None:
        self._descriptor = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
        if holds_power:
            try:
                attributes = termios.tcgetattr(self._descriptor)
                attributes[2] |= termios.HUPCL
                termios.tcsetattr(self._descriptor, termios.TCSANOW, attributes)
            except termios.error as error:
                self.close()
                raise OSError(*error.args) from None

    def read(self) -> int:
        """See ``ModemPort``."""
        bits: int = _BITS.unpack(fcntl.ioctl(self._descriptor, termios.TIOCMGET, bytes(_BITS.size)))[0]
        return bits

    def set(self, bits: int) -> None:
        """See ``ModemPort``."""
        fcntl.ioctl(self._descriptor, termios.TIOCMBIS, _BITS.pack(bits))

    def clear(self, bits: int) -> None:
        """See ``ModemPort``."""
        fcntl.ioctl(self._descriptor, termios.TIOCMBIC, _BITS.pack(bits))

    def close(self) -> None:
        """See ``ModemPort``."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


OpenPort = Callable[[str, bool], ModemPort]


class LineKeeper:
    """One port's thread: reads its lines at least every 2 ms, and holds the power-cut output until told to cut.

    ``last``: instant and bits of the latest reading, None for bits when the port could not be read. ``changes``: every
    reading that differed from the one before, oldest first; whoever takes them pops from the left.
    """

    def __init__(
        self, device: str, power_bits: int, wake: Callable[[], None], open_port: OpenPort = TtyPort
    ) -> None:
        self.device = device
        self.power_bits = power_bits
        self.last: tuple[int, int | None] = (0, None)
        self.changes: deque[tuple[int, int | None]] = deque(maxlen=1024)
        self.error = ""
        self.was_cut = False
        self.cut_error = ""
        self._open_port = open_port
        self._wake = wake
        self._cut = threading.Event()
        self._end = threading.Event()
        self._poke_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._port: ModemPort | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the thread; it inherits the caller's scheduling."""
        before = threading.stack_size(_STACK_BYTES)
        self._thread = threading.Thread(target=self._run, name=f"lines {self.device}", daemon=True)
        self._thread.start()
        threading.stack_size(before)

    def cut(self) -> None:
        """Let the power-cut output go, for good. Never blocks; ``was_cut`` or ``cut_error`` tell, after a wake-up."""
        self._cut.set()
        os.eventfd_write(self._poke_fd, 1)

    def end(self, timeout_s: float = 0.5) -> None:
        """Cut, close and end. Waits for the port only so long: closing by the kernel drops the lines as well."""
        self._end.set()
        self.cut()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(timeout_s)
            if self._thread.is_alive() and self.power_bits and not self.was_cut:
                self.cut_error = f"{self.device}: the port does not answer"

    def turn(self) -> None:
        """One look at the port, and the cut when it is due. Never raises."""
        bits: int | None = None
        try:
            if self._port is None and not self._end.is_set() and not (self.power_bits and self._cut.is_set()):
                self._port = self._open_port(self.device, bool(self.power_bits))
                if self.power_bits:
                    self._port.set(self.power_bits)
            if self._cut.is_set() and self.power_bits and not self.was_cut:
                self._let_go()
            if self._port is not None:
                bits = self._port.read()
                self.error = ""
        except Exception as error:  # noqa: BLE001 - whatever it is, the lines cannot be read
            self.error = f"{self.device}: {getattr(error, 'strerror', None) or error}"
            self._close()
        now_ns = time.monotonic_ns()
        if bits != self.last[1] or not self.last[0]:
            self.changes.append((now_ns, bits))
            self.last = (now_ns, bits)
            self._wake()
        else:
            self.last = (now_ns, bits)

    def _let_go(self) -> None:
        """The cut itself. A port that is not there any more holds nothing, but nobody has seen it let go."""
        try:
            if self._port is None:
                raise OSError("the port is not open")
            self._port.clear(self.power_bits)
            self.was_cut = True
            self.cut_error = ""
        except Exception as error:  # noqa: BLE001 - said, and tried again with the next turn
            self.cut_error = f"{self.device}: {getattr(error, 'strerror', None) or error}"
        self._wake()

    def _run(self) -> None:
        while not self._end.is_set():
            self.turn()
            pause_s = POLL_S if self._port is not None else _REOPEN_S
            select.select((self._poke_fd,), (), (), pause_s)
            with contextlib.suppress(BlockingIOError):
                os.eventfd_read(self._poke_fd)
        if self._port is not None and self.power_bits and not self.was_cut:
            self._let_go()
        self._close()

    def _close(self) -> None:
        if self._port is not None:
            with contextlib.suppress(Exception):
                self._port.close()
            self._port = None
