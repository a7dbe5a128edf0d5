"""The drives' end of the wire on a pty: bytes in, bytes out, and until when nobody has to look.

Owns the pty, which protocol is spoken on it (a serial CAN adapter's, or a line's own), and what is under way. It never
waits for a reader: what nobody takes from the pty is dropped and counted. Frames of a bus that follow each other are
handed over together, as adapters on USB do. Time is an argument.
"""

from __future__ import annotations

import heapq
import itertools
import os
import termios
import time
import tty

from drivers.settings import DescribedCanWire, DescribedSerialWire, GroupSettings, ModbusWire
from drivers.twin.described import DescribedOnBus, DescribedOnLine
from drivers.twin.gantry import Gantry, Sent
from drivers.twin.line import DrivesOnLine
from drivers.twin.modbus import UnitsOnLine
from drivers.twin.node import FAR_NS
from drivers.twin.slcan import SerialCanAdapter, encode

_READ_BYTES = 4096
_TOGETHER_NS = 500_000
"""So long an adapter keeps a frame for one that is about to follow (USB: 125 us to 1 ms between two looks)."""


class WirePort:
    """The drives of ``gantry`` on a pty of their own, or on ``line``, a descriptor that somebody else has opened."""

    def __init__(self, gantry: Gantry, settings: GroupSettings, line: int | None = None) -> None:
        wire = settings.wire
        self._gantry = gantry
        self._adapter = SerialCanAdapter(wire.bitrate_bit_s, extended=wire.kind == "described-can")
        self._units: DrivesOnLine | None = None  # in place of the adapter, where the wire is a serial line
        self._bus: DescribedOnBus | None = None  # in place of the gantry's own nodes, behind the adapter
        if isinstance(wire, ModbusWire):
            self._units = UnitsOnLine(gantry, settings, lenient=True)
        elif isinstance(wire, DescribedSerialWire):
            self._units = DescribedOnLine(gantry, settings, lenient=True)
        elif isinstance(wire, DescribedCanWire):
            self._bus = DescribedOnBus(gantry, settings)
        self._pending: list[tuple[int, int, int, bytes]] = []
        self._order = itertools.count()
        self._unsent = bytearray()
        self.dropped_bytes = 0
        self._far_end = -1
        if line is None:
            # We keep the other end open too: without it every client that closes would hang up the pty for good.
            line, self._far_end = os.openpty()
            tty.setraw(self._far_end, termios.TCSANOW)
        self._line = line
        os.set_blocking(line, False)

    @property
    def channel(self) -> str:
        """Path of the pty."""
        return os.ttyname(self._far_end)

    def fileno(self) -> int:
        """What becomes readable when bytes come."""
        return self._line

    @property
    def is_clogged(self) -> bool:
        """Whether bytes wait for somebody to take what is before them; ``flush`` when the pty takes more."""
        return bool(self._unsent)

    @property
    def garbled(self) -> int:
        """What could not be understood so far."""
        return self._adapter.garbled if self._units is None else self._units.garbled

    @property
    def is_awaited(self) -> bool:
        """Whether something is being heard or said, or is about to be."""
        if self._units is not None:
            return self._units.is_awaited
        return bool(self._pending) or (self._bus is not None and self._bus.is_awaited)

    @property
    def due_ns(self) -> int:
        """Until when nobody has to look though nothing comes."""
        if self._units is not None:
            return min(self._units.next_ns, self._units.answer_ns)
        due_ns = FAR_NS if self._bus is None else self._bus.look_ns
        if self._pending:
            last_ns = max(one[0] for one in self._pending)
            due_ns = min(due_ns, last_ns, self._pending[0][0] + _TOGETHER_NS)
        return due_ns

    def hear(self, now_ns: int) -> bool:
        """Take what has come by an instant; whether anything did."""
        try:
            received = os.read(self._line, _READ_BYTES)
        except (BlockingIOError, InterruptedError):
            return False
        except OSError:
            time.sleep(0.001)  # cannot be while we hold the other end; never spin on it
            return False
        if self._units is not None:
            self._units.hear(received, now_ns)
            return True
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
        return True

    def live(self, now_ns: int) -> None:
        """Bring the drives up to an instant, and hand over what they have said by then."""
        if self._units is not None:
            self._units.live(now_ns)
            for answer in self._units.said(now_ns):
                self._write(answer)
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

    def _deliver(self, sent: list[Sent], on_bus: bool) -> None:
        if on_bus:
            for on_wire_ns, can_id, data in sent:
                heapq.heappush(self._pending, (on_wire_ns, next(self._order), can_id, data))

    def _forget_output(self) -> None:
        """The line was closed: like an adapter's buffer, what nobody has taken is gone."""
        self._pending.clear()
        self._unsent.clear()
        if self._far_end >= 0:
            termios.tcflush(self._far_end, termios.TCIFLUSH)

    def _write(self, data: bytes) -> None:
        """Send all of it or drop all of it: what the line took only in part is finished first, later."""
        if self._unsent:
            self.flush()
        if self._unsent:
            self.dropped_bytes += len(data)
            return
        self._unsent += data
        if not self.flush():
            self.dropped_bytes += len(self._unsent)
            self._unsent.clear()

    def flush(self) -> bool:
        """Hand over what the line takes; whether it took anything."""
        try:
            sent = os.write(self._line, self._unsent)
        except OSError:  # full, most likely
            return False
        del self._unsent[:sent]
        return sent > 0

    def close(self) -> None:
        """Give the pty back."""
        os.close(self._line)
        if self._far_end >= 0:
            os.close(self._far_end)
