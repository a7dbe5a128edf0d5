"""The stop itself: kill the streamer, write stop bytes, note why, and go on until standstill is proved.

Owns the guard's wire, the order of a stop, when the power is cut, and the latch's content. Whether to stop is not its
business. Nothing here blocks: the disk belongs to the scribe.
"""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from dataclasses import replace

from safety import latch
from safety.events import Lease, Reason, Stop
from safety.handle import HandleWire
from safety.lines import Lines
from safety.scribe import Scribe
from safety.settings import HANDLE_KIND, GuardSettings
from safety.standstill import Standstill
from safety.verdict import NS_PER_MS
from safety.watched import Watched
from safety.wire import Wire, open_wire

_SLOW_REPEAT_NS = 100 * NS_PER_MS
_RETRY_LATCH_NS = 1000 * NS_PER_MS
_SPARE_NS = 100 * NS_PER_MS
_HANDLE_PATIENCE_S = 0.7  # less than a streamer waits for the answer to its ARM

_NOT_ITS_FAULT = frozenset(
    {
        Reason.HANDLE_LOST,
        Reason.WIRE_LOST,
        Reason.SERVICE_DIED,
        Reason.STOP_ASKED,
        Reason.INPUT_OPEN,
        Reason.DRIVE_FAULT,
        Reason.MOTOR_POWER_LOST,
        Reason.FEEDBACK_STALE,
    }
)
"""Reasons that say nothing against the streamer itself."""


class StopSequence:
    """One guard's only stop. ``begin`` once, then ``go_on`` whenever ``due_ns`` has come."""

    def __init__(self, settings: GuardSettings, scribe: Scribe, lines: Lines) -> None:
        self._settings = settings
        self._scribe = scribe
        self._lines = lines
        self._wire: Wire | None = None
        self._living: list[Watched] = []
        self._kill_ns = 0
        self._gave_up = False
        self._round_ns = 0
        self._written_ns = 0
        self._repeat_ns = round(settings.stop_repeat_ms * NS_PER_MS)
        self._window_ns = round(settings.standstill_window_ms * NS_PER_MS)
        self.give_up_ns = round(settings.give_up_after_s * 1e9)
        self.wire_error = ""
        self.rounds = 0
        self.latch: latch.Latch | None = None
        self._standstill = Standstill(
            settings.standstill, self._window_ns, settings.standstill_um, settings.standstill_samples
        )

    def open_wire(self, patience_s: float = _HANDLE_PATIENCE_S) -> bool:
        """Open the wire, anew if the one before was lost; False when it cannot be used (see ``wire_error``).

        ``patience_s``: how long a program with a handle of its own is waited for; no other wire is.
        """
        if self.is_wire_lost():
            self.close()
            try:
                is_handle = self._settings.wire_kind == HANDLE_KIND
                self._wire = HandleWire(self._settings) if is_handle else open_wire(self._settings)
                self.wire_error = ""
            except OSError as error:
                self.wire_error = str(error)
        if isinstance(self._wire, HandleWire):
            self.wire_error = self._wire.hindrance(patience_s)
            return not self.wire_error
        return self._wire is not None

    def handle_failure(self, now_ns: int) -> str:
        """Why the program that is to stop for us cannot be relied upon; empty while it can, or where there is none."""
        return self._wire.failure(now_ns) if isinstance(self._wire, HandleWire) else ""

    def spares(self, stop: Stop) -> bool:
        """Are the streamers to stop by themselves first? Where no stop of ours goes out, theirs is all there is.

        Only for a moment, and only where the reason says nothing against them.
        """
        if stop.reason not in _NOT_ITS_FAULT:
            return False
        if isinstance(self._wire, HandleWire):
            return self._wire.is_unfit(stop.at_ns)
        return self._settings.wire_kind == "none" and self._lines.is_power_fitted

    def is_wire_lost(self) -> bool:
        """Is there no way to the drives?"""
        return self._wire is None or self._wire.is_lost()

    def trouble_fd(self) -> int:
        """What becomes readable when the bus has something to say of itself; -1: nothing does."""
        return -1 if self._wire is None else self._wire.trouble_fileno()

    def bus_trouble(self) -> str:
        """Why the bus takes no frames; empty while it does."""
        return "" if self._wire is None else self._wire.bus_trouble()

    def begin(self, stop: Stop, armed: Watched | None, streamers: Sequence[Watched], lease: Lease) -> None:
        """Stop now. Kill first, so that nothing follows; bytes next; only then anything else. What dies gives way.

        ``streamers``: everybody with a line to the guard, the armed one or not: none may write to the wire now.
        ``lease``: for the latch alone; it changes nothing of the stop.
        """
        living = [
            *([] if armed is None else [armed]),
            *(process for process in streamers if process is not armed),
        ]
        if self.spares(stop):
            self._kill_ns = stop.at_ns + _SPARE_NS
        else:
            for process in living:
                process.kill()
        if self._wire is None:
            self.open_wire(0.0)
        sent = self.send_round()
        sent_ns = time.monotonic_ns()
        if not self._kill_ns:
            for process in living:
                process.give_way()
        self._living = living
        self._round_ns = sent_ns + self._repeat_ns
        self.latch = latch.Latch(
            stop.reason.value,
            stop.text,
            "" if sent else "no stop bytes could be sent at once",
            latch.now_text(),
            stop.at_ns,
            sent_ns if sent else 0,
            armed.pid if armed is not None else 0,
            os.getpid(),
            power_cut=self._lines.power_state,
            lease=lease,
        )
        self._write_latch()

    def send_round(self) -> int:
        """One round of stop bytes; returns how many went out."""
        self.rounds += 1
        return 0 if self._wire is None else self._wire.send_stop()

    def send_again(self) -> int:
        """One round for somebody who asks behind a stop; returns as ``send_round``. It is no stop that goes on."""
        sent = self.send_round()
        if isinstance(self._wire, HandleWire) and not self.is_sending():
            self._wire.rest()
        return sent

    def is_sending(self) -> bool:
        """Has a stop begun whose standstill is not proved yet?"""
        return self.latch is not None and self.latch.standstill != "proved"

    def is_unwritten(self) -> bool:
        """Does a stop stand that the disk has not taken?"""
        return self.latch is not None and bool(self._scribe.latch_error)

    def due_ns(self) -> int | None:
        """When ``go_on`` is to be called next; None: never."""
        if self.is_sending():
            return min(self._round_ns, self._kill_ns or self._round_ns)
        return self._written_ns + _RETRY_LATCH_NS if self.is_unwritten() else None

    def go_on(self, now_ns: int) -> bool | None:
        """The next round, when due. True: standstill is proved; False: given up on it just now; else None."""
        latched = self.latch
        if latched is None:
            return None
        if self._kill_ns and now_ns >= self._kill_ns:
            self._kill_ns = 0
            for process in self._living:
                process.kill()
                process.give_way()
        self._see_power(now_ns)
        latched = self.latch
        assert latched is not None
        if self.is_unwritten() and now_ns - self._written_ns >= _RETRY_LATCH_NS:
            self._write_latch()
        if latched.standstill == "proved" or now_ns < self._round_ns:
            return None
        self._read_positions()
        if self._standstill.proved(now_ns):
            if isinstance(self._wire, HandleWire):
                self._wire.rest()
            self._settle("proved")
            return True
        sent = self.send_round()
        if sent and not latched.first_bytes_ns:
            self.latch = latched = replace(latched, first_bytes_ns=time.monotonic_ns())
            self._write_latch()
        self._round_ns = now_ns + self._repeat_ns
        if self._gave_up:
            # Slower, yet often enough for a late proof.
            slow_ns = min(_SLOW_REPEAT_NS, self._window_ns // (2 * self._settings.standstill_samples))
            self._round_ns = now_ns + max(self._repeat_ns, slow_ns)
        elif now_ns - latched.stopped_ns >= self.give_up_ns:
            self._gave_up = True
            self._settle("not proved")
            return False
        return None

    def cut_power_unless_proved(self) -> None:
        """The guard is about to end: without proof of standstill the motors lose their power, and the latch says so."""
        if self.is_sending():
            self._lines.end()
            self._note_power()

    def _see_power(self, now_ns: int) -> None:
        """Cut when proof has been waited for long enough; note in the latch what has become of it."""
        latched = self.latch
        assert latched is not None
        waited_ns = now_ns - (latched.first_bytes_ns or latched.stopped_ns)
        if self.is_sending() and self._lines.is_power_fitted and waited_ns >= self._lines.open_after_ns:
            self._lines.cut_power()
        self._note_power()

    def _note_power(self) -> None:
        latched, state, error = self.latch, self._lines.power_state, self._lines.power_error
        assert latched is not None
        detail = latched.detail
        if error and "power" not in detail:
            detail = f"{detail}; " * bool(detail) + f"the power could not be cut: {error}"
        if latched.power_cut != state or latched.detail != detail:
            self.latch = replace(latched, power_cut=state, detail=detail)
            self._write_latch()

    def spread_um(self) -> list[float | None]:
        """How far apart each axis' positions in the standstill window lie; None where none has come."""
        return [um if um < float("inf") else None for um in self._standstill.travelled_um()]

    def close(self) -> None:
        """Let go of the wire."""
        if self._wire is not None:
            self._wire.close()
            self._wire = None

    def _read_positions(self) -> None:
        """Positions count only once the streamers are dead: before, they read the same line."""
        self._living = [process for process in self._living if not process.is_dying()]
        if self._wire is None or self._living:
            return
        found = self._wire.read_positions()
        now_ns = time.monotonic_ns()
        for index, counts in found:
            self._standstill.add(now_ns, index, counts)

    def _settle(self, standing: latch.Standing) -> None:
        assert self.latch is not None
        doubt = self._doubt() if standing == "not proved" else ""
        self.latch = replace(self.latch, standstill=standing, doubt=doubt)
        self._write_latch()

    def _doubt(self) -> str:
        """Why standstill is not proved, as far as the wire tells."""
        if not self._settings.standstill:
            return "the guard hears no positions on this wire"
        spread_um = {
            axis.axis: um for axis, um in zip(self._settings.standstill, self.spread_um(), strict=True)
        }
        silent = [axis for axis, um in spread_um.items() if um is None]
        moving = [
            f"axis {axis} still moved (positions {um / 1000:.2f} mm apart)"
            for axis, um in spread_um.items()
            if um is not None and um > self._settings.standstill_um
        ]
        if silent:
            moving.append(f"no position came from axis {' and '.join(silent)}")
        return ", ".join(moving) or "positions came too seldom"

    def _write_latch(self) -> None:
        assert self.latch is not None
        self._written_ns = time.monotonic_ns()
        self._scribe.put_latch(self.latch)
