"""The guard's hardware beside the wire: stop inputs on modem lines, and the power-cut output.

Owns one ``LineKeeper`` for each port and carries its readings to ``StopInputs``. Judges nothing. Never blocks.
"""

from __future__ import annotations

import contextlib
import os
import time

from safety import modem
from safety.inputs import StopInputs
from safety.latch import PowerCutState
from safety.settings import GuardSettings, StopInput

POWER_INPUT = "power-cut output"


class Lines:
    """All modem lines of one guard. ``begin`` once, then ``carry`` at every turn; ``end`` cuts the power."""

    def __init__(self, settings: GuardSettings) -> None:
        power = settings.power_cut
        self.wake_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._power: modem.LineKeeper | None = None
        self._keepers: dict[str, modem.LineKeeper] = {}
        self._bits: dict[str, list[tuple[str, int]]] = {}
        self._cut_asked = False
        self._is_held = False
        self._carried: dict[str, int] = {}
        self.open_after_ns = 0 if power is None else round(power.open_after_ms * 1e6)
        inputs = list(settings.inputs)
        if power is not None:
            # The output is watched as an input: when it does not read as held, the power can no longer be cut.
            inputs.append(
                StopInput(
                    POWER_INPUT, "modem-line", power.device, power.line, debounce_ms=0.0, silent_ms=250.0
                )
            )
            bits = modem.OUTPUT_LINES[power.line]
            self._power = self._keeper(power.device, bits)
        for one in inputs:
            if one.kind == "modem-line":
                self._keeper(one.device, 0)
                line = {**modem.INPUT_LINES, **modem.OUTPUT_LINES}[one.line]
                self._bits.setdefault(one.device, []).append((one.name, line))
        self.inputs = StopInputs(inputs, time.monotonic_ns())

    @property
    def is_power_fitted(self) -> bool:
        """Is there a power-cut output?"""
        return self._power is not None

    @property
    def power_state(self) -> PowerCutState:
        """What has become of the power-cut output, as seen, not as asked for."""
        if self._power is None:
            return "not fitted"
        return "kept" if self._is_held and not self._power.was_cut else "opened"

    @property
    def power_error(self) -> str:
        """Why the power could not be cut though it was to be; empty: no such trouble."""
        return "" if self._power is None or self._power.was_cut else self._power.cut_error

    def begin(self, latched: bool) -> None:
        """Start reading, and energise the output unless a latch stands: then its port is not even opened."""
        self._is_held = not latched
        for keeper in self._keepers.values():
            if not (latched and keeper.power_bits):
                keeper.start()

    def carry(self) -> None:
        """Hand everything that the ports have shown to ``inputs``."""
        for device, keeper in self._keepers.items():
            while keeper.changes:
                read_ns, bits = keeper.changes.popleft()
                self._carried[device] = read_ns
                self._hand_on(device, keeper, read_ns, bits)
            read_ns, bits = keeper.last
            # The reading of a hung port, handed on again and again, must not look alive.
            if read_ns > self._carried.get(device, 0):
                self._carried[device] = read_ns
                self._hand_on(device, keeper, read_ns, bits)

    def acknowledge(self) -> None:
        """Take the wake-up back."""
        with contextlib.suppress(BlockingIOError):
            os.eventfd_read(self.wake_fd)

    def cut_power(self) -> None:
        """Let the power-cut output go. Never blocks; a second call does nothing."""
        if self._power is not None and not self._cut_asked:
            self._cut_asked = True
            self._power.cut()

    def end(self) -> None:
        """Cut the power and give the ports back; a second call does nothing."""
        for keeper in self._keepers.values():
            keeper.end()

    def _keeper(self, device: str, power_bits: int) -> modem.LineKeeper:
        if device not in self._keepers:
            self._keepers[device] = modem.LineKeeper(device, power_bits, self._wake, modem.TtyPort)
        return self._keepers[device]

    def _hand_on(self, device: str, keeper: modem.LineKeeper, read_ns: int, bits: int | None) -> None:
        for name, line in self._bits.get(device, ()):
            closed = None if bits is None else bool(bits & line)
            self.inputs.read(
                name, read_ns, closed, keeper.error if closed is None else f"{device} reads open"
            )

    def _wake(self) -> None:
        os.eventfd_write(self.wake_fd, 1)
