"""The stop itself: kill the streamer, write stop bytes, note why, and go on until standstill is proved.

Owns the guard's wire, the order of a stop and the latch's content. Whether to stop is not its business. Nothing
here blocks: the disk belongs to the scribe.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import time
from dataclasses import replace

from safety import latch
from safety.door import Peer
from safety.events import Stop
from safety.scribe import Scribe
from safety.settings import GuardSettings
from safety.standstill import Standstill
from safety.verdict import NS_PER_MS
from safety.wire import Wire, WireError, open_wire

_SLOW_REPEAT_NS = 100 * NS_PER_MS
_RETRY_LATCH_ROUNDS = 64


class StopSequence:
    """One guard's only stop. ``begin`` once, then ``go_on`` whenever ``due_ns`` has come."""

    def __init__(self, settings: GuardSettings, scribe: Scribe) -> None:
        self._settings = settings
        self._scribe = scribe
        self._wire: Wire | None = None
        self._streamer: Peer | None = None
        self._streamer_alive = False
        self._gave_up = False
        self._round_ns = 0
        self._repeat_ns = round(settings.stop_repeat_ms * NS_PER_MS)
        self._window_ns = round(settings.standstill_window_ms * NS_PER_MS)
        self.give_up_ns = round(settings.give_up_after_s * 1e9)
        self.wire_error = ""
        self.rounds = 0
        self.latch: latch.Latch | None = None
        self._standstill = Standstill(
            settings.standstill, self._window_ns, settings.standstill_um, settings.standstill_samples
        )

    def open_wire(self) -> bool:
        """Open the wire, anew if the one before was lost; False when it cannot be (see ``wire_error``)."""
        if not self.is_wire_lost():
            return True
        self.close()
        try:
            self._wire = open_wire(self._settings)
            self.wire_error = ""
        except WireError as error:
            self.wire_error = str(error)
        return self._wire is not None

    def is_wire_lost(self) -> bool:
        """Is there no way to the drives?"""
        return self._wire is None or self._wire.is_lost()

    def begin(self, stop: Stop, streamer: Peer | None) -> None:
        """Stop now. Kill first, so that nothing follows; bytes next; only then anything else."""
        if streamer is not None:
            with contextlib.suppress(OSError):
                signal.pidfd_send_signal(streamer.pidfd, signal.SIGKILL)
        if self._wire is None:
            self.open_wire()
        sent = self.send_round()
        sent_ns = time.monotonic_ns()
        self._streamer = streamer
        self._streamer_alive = streamer is not None
        self._round_ns = sent_ns + self._repeat_ns
        self.latch = latch.Latch(
            stop.reason.value,
            stop.text,
            "" if sent else "no stop bytes could be sent at once",
            latch.now_text(),
            stop.at_ns,
            sent_ns if sent else 0,
            streamer.pid if streamer is not None else 0,
            os.getpid(),
        )
        self._scribe.put_latch(self.latch)

    def send_round(self) -> int:
        """One round of stop bytes; returns how many went out."""
        self.rounds += 1
        return 0 if self._wire is None else self._wire.send_stop()

    def is_sending(self) -> bool:
        """Has a stop begun whose standstill is not proved yet?"""
        return self.latch is not None and self.latch.standstill != "proved"

    def due_ns(self) -> int | None:
        """When ``go_on`` is to be called next; None: never."""
        return self._round_ns if self.is_sending() else None

    def go_on(self, now_ns: int) -> bool | None:
        """The next round, when due. True: standstill is proved; False: given up on it just now; else None."""
        latched = self.latch
        if latched is None or latched.standstill == "proved" or now_ns < self._round_ns:
            return None
        self._read_positions()
        if self._standstill.proved(now_ns):
            self._settle("proved")
            return True
        sent = self.send_round()
        if sent and not latched.first_bytes_ns:
            self.latch = latched = replace(latched, first_bytes_ns=time.monotonic_ns())
            self._scribe.put_latch(latched)
        elif self._scribe.latch_error and self.rounds % _RETRY_LATCH_ROUNDS == 0:
            self._scribe.put_latch(latched)
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

    def spread_um(self) -> list[float | None]:
        """How far apart each axis' positions in the standstill window lie; None where none has come."""
        return [um if um < float("inf") else None for um in self._standstill.travelled_um()]

    def close(self) -> None:
        """Let go of the wire."""
        if self._wire is not None:
            self._wire.close()
            self._wire = None

    def _read_positions(self) -> None:
        """Positions count only once the streamer is dead: before, it reads the same line."""
        if self._streamer_alive and self._streamer is not None:
            self._streamer_alive = not select.select((self._streamer.pidfd,), (), (), 0)[0]
        if self._wire is None or self._streamer_alive:
            return
        found = self._wire.read_positions()
        now_ns = time.monotonic_ns()
        for index, counts in found:
            self._standstill.add(now_ns, index, counts)

    def _settle(self, standing: latch.Standing) -> None:
        assert self.latch is not None
        self.latch = replace(self.latch, standstill=standing)
        self._scribe.put_latch(self.latch)
