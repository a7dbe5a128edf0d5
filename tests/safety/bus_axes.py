"""Two axes on a made-up CAN bus, for the guard's own handle: they run until a quick stop reaches them whole.

They answer a SYNC with their positions and a question by SDO with something, as CANopen drives do.
"""

from __future__ import annotations

import struct
import threading
import time
from collections.abc import Sequence

SPEED_COUNTS_S = 500_000.0
QUICK_STOP = 2


class RunningAxes:
    """A station of ``tests.fakes.socketcand_server``. ``stops``: (instant, client) of each quick stop of axis x."""

    def __init__(self) -> None:
        self.stops: list[tuple[int, int]] = []
        self.is_powered = True
        self._stopped_ns: int | None = None
        self._start_ns = time.monotonic_ns()
        self._heard = threading.Condition()

    @property
    def first_stopper(self) -> int:
        """The client whose quick stop came first; waits for one, as long as a failing test may take."""
        with self._heard:
            assert self._heard.wait_for(lambda: self.stops, 20), "no quick stop came"
            return self.stops[0][1]

    def hear(self, can_id: int, data: bytes, client: int) -> Sequence[tuple[int, bytes]]:
        """What the two drives answer."""
        if not self.is_powered:
            return ()
        now_ns = time.monotonic_ns()
        if can_id == 0x201 and data[0] == QUICK_STOP:
            with self._heard:
                self.stops.append((now_ns, client))
                self._stopped_ns = self._stopped_ns or now_ns
                self._heard.notify_all()
        if can_id == 0x080:
            counts = round(SPEED_COUNTS_S * ((self._stopped_ns or now_ns) - self._start_ns) * 1e-9)
            return [(0x180 + node, struct.pack("<Hi", 0x0237, counts)) for node in (1, 2)]
        if can_id in (0x601, 0x602):
            return [(can_id - 0x80, bytes.fromhex("4300100092010200"))]
        return ()

    def fileno(self) -> int:
        """They say nothing unasked."""
        return -1

    def speak(self) -> Sequence[tuple[int, bytes]]:
        """Nothing."""
        return ()
