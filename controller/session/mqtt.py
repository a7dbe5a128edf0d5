"""MQTT beside a service: what it tells of sessions, and how a stop from there gets to them. See docs/mqtt.md.

Owns the way between ``Host`` and ``mqttlink``: state, progress, alarms and timing out; stops in, by the same call as
the control socket's. It never waits for a broker and never raises into a session. It has no way to start anything.
"""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Final

from controller.config.counting import counted
from controller.config.mqtt import Mqtt
from controller.session.host import Host
from controller.session.mqttdesk import NS_PER_S, Desk, LossWatch, refresh_ns_of
from controller.session.mqttlink import ClientLink, client_settings
from controller.session.mqttsummary import summary_beside
from controller.session.mqttwords import Topics
from controller.session.prepared import PreparedPass
from controller.session.recorder import Advance
from controller.session.states import DaemonState
from controller.session.watcher import Beside, DriftWords
from controller.session.wire import WireError
from safety import latch

BY: Final = "MQTT"
PUMP_S: Final = 0.2
LOOK_NS: Final = NS_PER_S // 10
REST_LOOK_NS: Final = NS_PER_S
"""At rest the state is read from the journal: seldom."""
FAREWELL_S: Final = 5.0
"""At the end so long for what is still to be told; what is not told by then stays untold."""
NOTES_MAX: Final = 20
"""Connections and refused messages are written down so often in a session, then no more."""
_STATE: Final = ("machine", "state", "session", "clock", "what", "stop_asked")
_PROGRESS: Final = ("session", "what", "strokes_finished", "strokes", "ticks_sent", "ticks")


class Reporter(Beside):
    """Looks at a host, tells a desk, passes stops on. ``pump`` does what is due and returns."""

    def __init__(self, host: Host, settings: Mqtt, base: Path) -> None:
        self._host = host
        self._settings = settings
        topics = Topics.of(settings.prefix, host.machine.name)
        refresh_ns = refresh_ns_of(settings.lost_after_s)
        self._desk = Desk(topics, qos=settings.qos, refresh_ns=refresh_ns)
        self._loss = LossWatch(int(settings.lost_after_s * NS_PER_S), time.monotonic_ns())
        self._link = ClientLink(
            client_settings(settings, topics, base), host.state_dir.run / "mqtt.err", self.hear, self._down
        )
        self._is_pumping = False
        self._looked_ns: int | None = None
        self._session: int | None = None
        self._at_once_passed = False
        self._loss_told = False
        self._notes = 0
        self._presence = "here"
        self._latched = ""
        self._fault_told = False
        self._summaries: set[asyncio.Task[None]] = set()

    # -- what a session's life asks of it ----------------------------------------------------------------------

    def open(self) -> None:
        """Begin; returns at once."""
        self._link.open()

    async def run(self) -> None:
        """Pump for ever."""
        while True:
            await asyncio.sleep(PUMP_S)
            self.pump()

    async def close(self) -> None:
        """Tell that it has ended, for ``FAREWELL_S`` at most, and go."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(FAREWELL_S):
                await asyncio.gather(*self._summaries, return_exceptions=True)
                self._presence, self._looked_ns = "ended", None
                self.pump()
                while self._link.is_up and not self._desk.is_told:
                    await asyncio.sleep(0.02)
                    self.pump()
        for task in self._summaries:
            task.cancel()
        await asyncio.gather(*self._summaries, return_exceptions=True)
        await self._link.close()

    def pump(self) -> None:
        """Take words in, look at the host, hand over what is due. Never waits, never raises."""
        if self._is_pumping:
            return
        self._is_pumping = True
        try:
            self._link.pump()
            now_ns = time.monotonic_ns()
            self._look(now_ns)
            if self._link.is_up:
                letter = self._desk.next(now_ns, time.time_ns() // 1_000_000)
                if letter is not None and not self._link.send(letter):
                    self._desk.link_lost()
            if self._loss.look(now_ns) and self._presence == "here":
                self._broker_lost()
        except Exception as error:  # noqa: BLE001 - telling others must never end a session
            self._note(f"telling failed: {type(error).__name__}: {error}")
        finally:
            self._is_pumping = False

    def _look(self, now_ns: int) -> None:
        """Bring state and progress up to date, now and then."""
        service = self._host.service
        every_ns = REST_LOOK_NS if service is None else LOOK_NS
        session = None if service is None else service.session
        if session == self._session and self._looked_ns is not None and now_ns - self._looked_ns < every_ns:
            return
        self._looked_ns = now_ns
        if session != self._session:
            self._begun(session)
        status = self._host.status() if service is None else service.status()
        self._desk.state({"presence": self._presence, **{name: status.get(name) for name in _STATE}})
        if status.get("ticks"):
            self._desk.progress({name: status.get(name) for name in _PROGRESS})

    def _begun(self, session: int | None) -> None:
        """Another session, or none: each has its own time to wait for a broker, and its own notes."""
        self._session = session
        if session is not None:
            self._loss.heard()
            self._loss_told = self._at_once_passed = self._fault_told = False
            self._notes, self._latched = 0, ""

    # -- what the client says ----------------------------------------------------------------------------------

    def hear(self, words: dict[str, Any]) -> None:
        """One of the client's words (``mqttclient``); anything else is nothing."""
        match words:
            case {"stop": "controlled" | "immediate" as kind}:
                self._stop(at_once=kind == "immediate")
            case {"done": int(number)}:
                self._done(number)
            case {"up": True}:
                asyncio.get_running_loop().call_soon(self.pump)
                self._note("connected to the broker")
            case {"refused": str(why), "count": int(count)}:
                self._note(f"not obeyed, {counted(count, 'time')}: {why[:100]}")

    def _done(self, number: int) -> None:
        """Only what the broker has acknowledged proves that it is there; the next letter may leave."""
        letter = self._desk.done(number)
        if letter is None:
            return
        if letter.qos:
            self._loss.heard()
            self._loss_told = False
        asyncio.get_running_loop().call_soon(self.pump)

    def _stop(self, *, at_once: bool) -> None:
        """As from the control socket, but that the same message twice is one stop: brokers may deliver it again.

        A controlled stop does nothing where any stop is under way; an immediate one is passed on once.
        """
        asked = self._is_stopping()
        if not asked:
            self._at_once_passed = False
        if (asked and not at_once) or self._at_once_passed:
            return
        try:
            self._host.stop("stop", BY, at_once=at_once)
        except WireError as error:
            self._note(f"not obeyed: {error}")
        else:
            self._at_once_passed = at_once

    def _is_stopping(self) -> bool:
        service = self._host.service
        return service is not None and bool(service.status()["stop_asked"])

    def _down(self, why: str, wait_s: float) -> None:
        self._desk.link_lost()
        self._note(f"no connection ({why}); trying again in {wait_s:.0f} s")

    def _broker_lost(self) -> None:
        if self._loss_told:
            return
        self._loss_told = True
        lost = f"the broker is lost for {self._settings.lost_after_s:g} s"
        if self._settings.lost == "ignore" or self._host.service is None or self._is_stopping():
            self._note(lost)
            return
        self._host.stop(lost, BY)

    def _note(self, text: str) -> None:
        self._notes += 1
        if self._notes > NOTES_MAX:
            return
        if self._notes == NOTES_MAX:
            text += "; further ones are not written down"
        service = self._host.service
        if service is None:
            self._host.followers.tell({"event": "note", "text": f"{BY}: {text}"})
            return
        service.watcher.note(f"{BY}: {text}")
        with contextlib.suppress(sqlite3.Error):
            service.journal.note("mqtt", text, service.session)

    # -- what the service tells --------------------------------------------------------------------------------

    def state(self, state: DaemonState) -> None:
        """A latch is an alarm; every change is told at once."""
        if state is DaemonState.HALTED:
            standing = latch.read(self._host.state_dir.latch)
            if standing is not None and (said := f"{standing.text} ({standing.reason})") != self._latched:
                self._latched = said
                self._alarm("latch", said, reason=standing.reason)
        self._looked_ns = None
        self.pump()

    def homed(self, accepted: bool, lines: Sequence[str]) -> None:
        """A refused homing is an alarm."""
        if not accepted:
            self._alarm("homing-refused", "; ".join(lines))

    def drifted(self, drift: DriftWords) -> None:
        """A jump that nobody has looked at is an alarm."""
        if drift.open_jumps:
            self._alarm("jump", "; ".join(drift.short))

    def advanced(self, advance: Advance, strokes: int, ticks_total: int) -> None:  # noqa: ARG002
        """Called from inside a run: in virtual time nothing else gets a turn meanwhile."""
        self.pump()

    def pass_ended(self, part: PreparedPass, state: str) -> None:
        """Its timing is worked out beside the session and told when it is known; a run that failed is an alarm."""
        service = self._host.service
        if service is None:
            return
        try:
            rows, runs = service.journal.passes(service.session), service.journal.runs(service.session)
        except sqlite3.Error:
            return
        if state == "stopped" and runs and runs[-1].end == "failed":
            self._fault_told = True
            self._alarm("drive-fault", runs[-1].reason or "the run failed")
        row = next((row for row in reversed(rows) if row.name == part.name), None)
        if row is not None:
            task = asyncio.get_running_loop().create_task(
                self._summarise(service.journal.path, service.session, row.id)
            )
            self._summaries.add(task)
            task.add_done_callback(self._summaries.discard)

    def session_ended(self, end: str) -> None:
        """A session that failed in another way is an alarm too."""
        if end.startswith("failed") and not self._fault_told:
            self._alarm("failed", end)

    async def _summarise(self, journal: Path, session: int, pass_id: int) -> None:
        try:
            found = await summary_beside(journal, session, pass_id)
        except OSError:
            return
        if found is not None:
            self._desk.timing(found)

    def _alarm(self, kind: str, text: str, **more: str) -> None:
        service = self._host.service
        self._desk.alarm(
            {"kind": kind, "text": text[:500], **more, "session": None if service is None else service.session,
             "at_ms": time.time_ns() // 1_000_000}
        )  # fmt: skip


@asynccontextmanager
async def telling(host: Host, base: Path) -> AsyncIterator[None]:
    """Tell of ``host``'s sessions for as long as this lasts, where its machine has a broker.

    base: the machine file's folder. The sessions' own errors pass through; none comes from here.
    """
    settings = host.machine.mqtt
    if settings is None:
        yield
        return
    reporter = Reporter(host, settings, base)
    host.beside = reporter
    reporter.open()
    pumping = asyncio.create_task(reporter.run(), name="mqtt pump")
    try:
        yield
    finally:
        host.beside = None
        pumping.cancel()
        await asyncio.gather(pumping, return_exceptions=True)
        with contextlib.suppress(Exception):
            await reporter.close()
