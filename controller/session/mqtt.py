"""MQTT beside a session: what it tells of the service, and how a stop from there gets to it. See docs/mqtt.md.

Owns the way between ``Service`` and ``mqttlink``: state, progress, alarms and timing out; stops in, by the same call as
the control socket's. It never waits for a broker and never raises into the session. It has no way to start anything.
"""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from controller.config.mqtt import Mqtt
from controller.session.mqttdesk import NS_PER_S, Desk, LossWatch, refresh_ns_of
from controller.session.mqttlink import ClientLink, client_settings
from controller.session.mqttsummary import summary_beside
from controller.session.mqttwords import Topics
from controller.session.prepared import PreparedPass
from controller.session.recorder import Advance
from controller.session.service import Service
from controller.session.states import DaemonState
from controller.session.watcher import Watcher
from drivers.errors import FaultError, LinkError
from safety import latch

BY = "MQTT"
PUMP_S = 0.2
FAREWELL_S = 2.0
"""At the end of a session so long for what is still to be told; what is not told by then stays untold."""
NOTES_MAX = 20
"""Connections and refused messages are written down so often in a session, then no more."""
_PROGRESS = ("what", "strokes_finished", "strokes", "ticks_sent", "ticks")


class Both(Watcher):
    """Tells two watchers of everything, the first one first."""

    def __init__(self, first: Watcher, second: Watcher) -> None:
        self._watchers = (first, second)


def _forward(name: str) -> Callable[..., None]:
    def tell(self: Both, *arguments: Any, **named: Any) -> None:
        for watcher in self._watchers:
            getattr(watcher, name)(*arguments, **named)

    tell.__doc__ = f"``{name}`` of both."
    return tell


for _name, _value in list(vars(Watcher).items()):
    if callable(_value) and not _name.startswith("_"):
        setattr(Both, _name, _forward(_name))


class Reporter(Watcher):
    """Looks at a service, tells a desk, passes stops on. ``pump`` does what is due and returns."""

    def __init__(self, service: Service, settings: Mqtt, base: Path) -> None:
        self._service = service
        self._settings = settings
        topics = Topics.of(settings.prefix, service.machine.name)
        refresh_ns = refresh_ns_of(settings.lost_after_s)
        self._desk = Desk(topics, qos=settings.qos, refresh_ns=refresh_ns)
        self._loss = LossWatch(int(settings.lost_after_s * NS_PER_S), time.monotonic_ns())
        self._link = ClientLink(
            client_settings(settings, topics, base), service.state_dir.run / "mqtt.err", self.hear, self._down
        )
        self._is_pumping = False
        self._at_once_passed = False
        self._loss_told = False
        self._notes = 0
        self._presence = "here"
        self._latched = ""
        self._fault_told = False
        self._summaries: set[asyncio.Task[None]] = set()

    # -- what a session's life asks of it ----------------------------------------------------------------------

    @property
    def client_pid(self) -> int | None:
        """The process that talks to the broker, while there is one."""
        return self._link.pid

    def open(self) -> None:
        """Begin; returns at once."""
        self._link.open()

    async def run(self) -> None:
        """Pump for ever."""
        while True:
            await asyncio.sleep(PUMP_S)
            self.pump()

    async def close(self, error: BaseException | None) -> None:
        """Tell how it ended, for ``FAREWELL_S`` at most, and go."""
        if isinstance(error, FaultError) and not self._fault_told:
            self._alarm("drive-fault", str(error))
        elif isinstance(error, LinkError):
            self._alarm("link-lost", str(error))
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(FAREWELL_S):
                await asyncio.gather(*self._summaries, return_exceptions=True)
                self._presence = "ended"
                self.pump()
                while self._link.is_up and not self._desk.is_told:
                    await asyncio.sleep(0.02)
                    self.pump()
        for task in self._summaries:
            task.cancel()
        await asyncio.gather(*self._summaries, return_exceptions=True)
        await self._link.close()

    def pump(self) -> None:
        """Take words in, look at the service, hand over what is due. Never waits, never raises."""
        if self._is_pumping:
            return
        self._is_pumping = True
        try:
            self._link.pump()
            self._look()
            now_ns = time.monotonic_ns()
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

    def _look(self) -> None:
        status = self._service.status()
        progress = {name: status.pop(name) for name in _PROGRESS if name in status}
        self._desk.state({"presence": self._presence, "what": progress.get("what", ""), **status})
        if progress.get("ticks"):
            self._desk.progress({"session": status.get("session"), **progress})

    # -- what the client says ----------------------------------------------------------------------------------

    def hear(self, words: dict[str, Any]) -> None:
        """One of the client's words (``mqttclient``); anything else is nothing."""
        match words:
            case {"stop": "controlled" | "immediate" as kind}:
                self._stop(at_once=kind == "immediate")
            case {"done": int(number)}:
                if self._desk.done(number):
                    self._heard()
            case {"up": True}:
                self._heard()
                self._note("connected to the broker")
            case {"refused": str(why), "count": int(count)}:
                self._note(f"not obeyed, {count} times: {why[:100]}")

    def _heard(self) -> None:
        self._loss.heard()
        self._loss_told = False
        asyncio.get_running_loop().call_soon(self.pump)

    def _stop(self, *, at_once: bool) -> None:
        """As from the control socket, but that the same message twice is one stop: brokers may deliver it again.

        A controlled stop does nothing where any stop is under way; an immediate one is passed on once.
        """
        asked = bool(self._service.status()["stop_asked"])
        if not asked:
            self._at_once_passed = False
        if (asked and not at_once) or self._at_once_passed:
            return
        self._at_once_passed = at_once
        self._service.stop("stop", BY, at_once=at_once)

    def _down(self, why: str, wait_s: float) -> None:
        self._desk.link_lost()
        self._note(f"no connection ({why}); trying again in {wait_s:.0f} s")

    def _broker_lost(self) -> None:
        if self._loss_told:
            return
        self._loss_told = True
        lost = f"the broker is lost for {self._settings.lost_after_s:g} s"
        if self._settings.lost == "ignore" or self._service.status()["stop_asked"]:
            self._note(lost)
            return
        self._service.stop(lost, BY)

    def _note(self, text: str) -> None:
        self._notes += 1
        if self._notes > NOTES_MAX:
            return
        if self._notes == NOTES_MAX:
            text += "; further ones are not written down"
        self._service.watcher.note(f"{BY}: {text}")
        with contextlib.suppress(sqlite3.Error):
            self._service.journal.note("mqtt", text, self._service.session)

    # -- what the service tells --------------------------------------------------------------------------------

    def state(self, state: DaemonState) -> None:
        """A latch is an alarm; every change is told at once."""
        if state is DaemonState.HALTED:
            standing = latch.read(self._service.state_dir.latch)
            if standing is not None and (said := f"{standing.text} ({standing.reason})") != self._latched:
                self._latched = said
                self._alarm("latch", said, reason=standing.reason)
        self.pump()

    def homed(self, accepted: bool, lines: Sequence[str]) -> None:
        """A refused homing is an alarm."""
        if not accepted:
            self._alarm("homing-refused", "; ".join(lines))

    def advanced(self, advance: Advance, strokes: int, ticks_total: int) -> None:  # noqa: ARG002
        """Called from inside a run: in virtual time nothing else gets a turn meanwhile."""
        self.pump()

    def pass_ended(self, part: PreparedPass, state: str) -> None:
        """Its timing is worked out beside the session and told when it is known; a run that failed is an alarm."""
        try:
            rows = self._service.journal.passes(self._service.session)
            runs = self._service.journal.runs(self._service.session)
        except sqlite3.Error:
            return
        if state == "stopped" and runs and runs[-1].end == "failed":
            self._fault_told = True
            self._alarm("drive-fault", runs[-1].reason or "the run failed")
        row = next((row for row in reversed(rows) if row.name == part.name), None)
        if row is not None:
            task = asyncio.get_running_loop().create_task(self._summarise(row.id))
            self._summaries.add(task)
            task.add_done_callback(self._summaries.discard)

    async def _summarise(self, pass_id: int) -> None:
        try:
            found = await summary_beside(self._service.journal.path, self._service.session, pass_id)
        except OSError:
            return
        if found is not None:
            self._desk.timing(found)

    def _alarm(self, kind: str, text: str, **more: str) -> None:
        self._desk.alarm(
            {"kind": kind, "text": text[:500], **more, "session": self._service.session,
             "at_ms": time.time_ns() // 1_000_000}
        )  # fmt: skip


@asynccontextmanager
async def telling(service: Service, base: Path) -> AsyncIterator[Reporter | None]:
    """Tell of ``service`` for as long as this lasts, where its machine has a broker.

    base: the machine file's folder. The session's own errors pass through; none comes from here.
    """
    settings = service.machine.mqtt
    if settings is None:
        yield None
        return
    reporter = Reporter(service, settings, base)
    before, service.watcher = service.watcher, Both(service.watcher, reporter)
    pumping: asyncio.Task[None] | None = None
    error: BaseException | None = None
    try:
        reporter.open()
        pumping = asyncio.create_task(reporter.run(), name="mqtt pump")
        yield reporter
    except BaseException as raised:
        error = raised
        raise
    finally:
        service.watcher = before
        if pumping is not None:
            pumping.cancel()
            await asyncio.gather(pumping, return_exceptions=True)
        with contextlib.suppress(Exception):
            await reporter.close(error)
