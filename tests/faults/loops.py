"""Stop loops in virtual time: on a drive's input, on a modem line that the guard reads, on a reader's report.

Owns their contacts and how they are read; the judgement is the guard's own (``safety.inputs``) and the stream loop's.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from controller.config.machine import AXES, Machine
from controller.session.stopinputs import guards_inputs
from drivers.clock import NS_PER_MS
from drivers.inputs.debounce import Debounce
from drivers.twin.gantry import Gantry
from safety.events import Event
from safety.inputs import StopInputs

STOPS: dict[str, Any] = {
    "debounce_ms": 2.0,
    "inputs": [
        {"kind": "drive-input", "name": "belt", "axis": "y", "bit": 18},
        {"kind": "modem-line", "name": "button", "device": "/dev/ttyS9", "line": "dsr"},
        {"kind": "gpio", "name": "fence", "chip": "/dev/gpiochip9", "line": 17},
    ],
}
READ_NS = 2 * NS_PER_MS
REPORT_NS = 5 * NS_PER_MS
READER = 1


class Loops:
    """The three loops of ``STOPS``; closed until told otherwise. ``advance`` reads them as guard and reader would."""

    def __init__(
        self, machine: Machine, gantry: Gantry, now_ns: int, tell_guard: Callable[[Event], None]
    ) -> None:
        self._node = gantry.nodes[AXES.index("y")]
        self._mask = 1 << 18
        self._tell_guard = tell_guard
        self.inputs = StopInputs(guards_inputs(machine), now_ns)
        self._contact = Debounce(round(machine.stops.debounce_ms * NS_PER_MS))
        self.button_closed = True
        self.fence_closed = True
        self.reader_lives = True
        self._said: bool | None = None
        self._read_ns = self._report_ns = now_ns
        self.belt(closed=True)
        for event in self.inputs.first():
            tell_guard(event)
        # They have been closed for longer than any debouncing when a session begins.
        for ago_ns in (20 * NS_PER_MS, 10 * NS_PER_MS, 0):
            self._look(now_ns - ago_ns)

    def belt(self, *, closed: bool) -> None:
        """The contact on the y drive's input."""
        self._node.head_inputs = self._mask if closed else 0

    def reader_dies(self, now_ns: int) -> None:
        """The reader's process is gone: it hangs up."""
        self.reader_lives = False
        self.inputs.lost(READER, now_ns)

    def advance(self, now_ns: int) -> None:
        """Time has come to ``now_ns``: the guard reads every 2 ms, the reader reports every 5 ms and what changes."""
        self._look(now_ns)

    def _look(self, now_ns: int) -> None:
        if now_ns >= self._read_ns:
            self._read_ns = now_ns + READ_NS
            self.inputs.read("button", now_ns, self.button_closed)
        if self.reader_lives:
            closed = self._contact.read(self.fence_closed, now_ns)
            if closed is not self._said or now_ns >= self._report_ns:
                self._said, self._report_ns = closed, now_ns + REPORT_NS
                message = json.dumps({"input": "fence", "closed": closed}).encode()
                assert self.inputs.report(READER, message, now_ns) == ""
        for event in self.inputs.look(now_ns):
            self._tell_guard(event)
