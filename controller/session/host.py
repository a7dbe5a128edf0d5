"""Whoever holds a machine's state folder, and answers for it: one session's host, or the service that outlives them.

Owns what is asked over the control socket: status, stop, questions to a person, and, where verbs are run for others,
which of them runs. One verb runs at a time. Knows no socket; the session that runs is bound to it while it lasts.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from typing import Any, Final

from controller.config.errors import RefusedError
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir
from controller.session.followers import Follower, Followers
from controller.session.journal import Journal
from controller.session.operator import Operator, TerminalOperator
from controller.session.pausing import CHOICES, Choice
from controller.session.prompts import AskedOperator, Prompts, one_of
from controller.session.service import Service
from controller.session.states import initial_state
from controller.session.watcher import Beside, Watcher
from controller.session.watchers import Watchers
from controller.session.wire import EventWatcher, Message, Request, WireError
from safety import latch

Begin = Callable[[Request, Follower], None]
"""Begins a verb for whoever asks by a reader's queue; its result ends that queue. Raises RefusedError."""

AT_REST: Final = "at rest"


class Host:
    """Answers for one machine. Use from one event loop.

    ``begin`` runs verbs for others; without it there is one session, which somebody else has begun.
    """

    def __init__(
        self, machine: Machine, state: StateDir, verb: str, clock: str = "", *, followers: Followers | None = None,
        begin: Begin | None = None,
    ) -> None:  # fmt: skip
        self.machine = machine
        self.state_dir = state
        self.verb = verb
        self.clock = clock
        self.followers = followers or Followers(time.monotonic_ns, lambda: time.time_ns() // 1_000_000)
        self.followers.decorate = self._live
        self.prompts = Prompts(self.followers.tell)
        self.beside: Beside | None = None
        """Somebody who looks on for as long as the host lives."""
        self._begin = begin
        self._service: Service | None = None
        self._early: tuple[str, str, bool] | None = None
        self._starting = False
        self._terminal: TerminalOperator | None = None

    # -- the session that runs --------------------------------------------------------------------------------

    def watched(self, watcher: Watcher) -> Watcher:
        """``watcher``, whoever follows over the socket, and who looks on beside."""
        beside = () if self.beside is None else (self.beside,)
        return Watchers(watcher, EventWatcher(self.followers.tell), *beside)

    @property
    def service(self) -> Service | None:
        """The session that runs."""
        return self._service

    def asking(self, here: Operator | None) -> Operator:
        """Questions that ``here`` answers or the socket, whichever is first."""
        self._terminal = here if isinstance(here, TerminalOperator) and here.has_terminal else None
        return AskedOperator(self.prompts, here)

    def starting(self) -> None:
        """A verb is about to open its session: a stop from here on is for it."""
        self._starting, self._early = True, None

    def bind(self, service: Service, verb: str, job: str) -> None:
        """The session that runs; a stop that came before it counts for it."""
        self._service, self.clock = service, service.runner.clock
        service.pausing.choose = self._choose
        self.followers.tell({"event": "session_begun", "session": service.session, "verb": verb, "job": job})
        if self._early is not None:
            reason, by, at_once = self._early
            self._early = None
            service.stop(reason, by, at_once=at_once)

    def unbind(self, end: str) -> None:
        """The session has ended."""
        if self.beside is not None and self._service is not None:
            self.beside.session_ended(end)
        service, self._service = self._service, None
        if service is not None:
            self.followers.tell({"event": "session_ended", "session": service.session, "end": end})

    def ended(self) -> None:
        """The verb is over, with or without a session."""
        self._starting, self._early = False, None

    # -- what is asked ----------------------------------------------------------------------------------------

    def answer(self, request: Request) -> Message:
        """The fields of the answer to anything but follow and run. Raises WireError."""
        match request.ask:
            case "status":
                return self.status()
            case "pause":
                if self._service is None:
                    raise WireError("a running pass: only that can be paused", "nothing runs")
                try:
                    at = self._service.pausing.ask(request.at, "control socket", request.park_mm)
                except RefusedError as error:
                    raise WireError(error.remedy, error.reason) from None
                return {"pausing": True, "at": at}
            case "stop":
                return self.stop("stop", "control socket", at_once=request.kind == "immediate")
            case "answer":
                self.prompts.answer(request.prompt, request.value)
                return {"answered": request.prompt}
        raise WireError("status, pause, stop or answer", repr(request.ask))

    def stop(self, reason: str, by: str, *, at_once: bool = False) -> Message:
        """Stop the session that runs. Raises WireError when none does."""
        if self._service is not None:
            return {"stopping": True, "kind": self._service.stop(reason, by, at_once=at_once)}
        if not self._starting:
            raise WireError("a session to stop", AT_REST)
        # Nothing moves yet: the session that comes up ends before anything does.
        self._early = self._early or (reason, by, at_once)
        return {"stopping": True, "kind": "immediate" if at_once else "controlled"}

    async def _choose(self, question: str) -> Choice:
        """How a paused pass goes on, by whoever answers first; also where all other questions are answered by yes."""
        terminal = self._terminal
        answer: Choice = await self.prompts.ask(
            {"kind": "pause", "question": question, "choices": list(CHOICES)},
            None if terminal is None else lambda: terminal.choose(question, CHOICES),
            one_of(CHOICES),
        )
        return answer

    def run(self, request: Request, follower: Follower) -> None:
        """Begin a verb; ``follower`` gets its end. Raises RefusedError when it may not begin."""
        if self._begin is None:
            raise RefusedError(
                f"giornata {self.verb} runs (pid {os.getpid()}) and takes no other verb",
                "wait for its end, or stop it with giornata stop",
                code="session-running",
            )
        self._begin(request, follower)

    def status(self) -> Message:
        """How the machine stands, whole."""
        standing = latch.read(self.state_dir.latch)
        common: Message = {
            "pid": os.getpid(), "daemon": self._begin is not None, "holder": self.verb,
            "latch": None if standing is None else {"reason": standing.reason, "text": standing.text},
        }  # fmt: skip
        if self._service is None:
            return {**self._at_rest(latched=standing is not None), **common}
        service = self._service
        part = service.part or service.pausing.part
        return {
            **service.status(), **common, **service.live.fields(), **_register(service.journal),
            "tick_ns": self.machine.tick_ns,
            "pass": None if part is None else part.model_dump(mode="json"),
            "prompt": self.prompts.standing,
        }  # fmt: skip

    def snapshot(self) -> Message:
        """What somebody who begins to follow is told first."""
        return {"following": True, **self.status(), "recent": self.followers.recent}

    def _live(self) -> Message:
        return {} if self._service is None else self._service.live.fields()

    def _at_rest(self, *, latched: bool) -> Message:
        fields: dict[str, Any] = {
            "machine": self.machine.name, "session": None, "clock": self.clock,
            "what": "starting" if self._starting else AT_REST, "strokes_finished": 0, "strokes": 0,
            "ticks_sent": 0, "ticks": 0, "stop_asked": "", "pause_asked": None,
            "tick_ns": self.machine.tick_ns, "pass": None, "prompt": None,
        }  # fmt: skip
        if not self.state_dir.journal.exists():
            state = initial_state(latched=latched, registered=False, pass_open=False)
            return {
                **fields,
                "state": state.value,
                "registered": False,
                "why": "never homed",
                "difference_mm": {},
            }
        journal = Journal.read(self.state_dir.journal, self.machine.name)
        try:
            state = initial_state(
                latched=latched,
                registered=journal.registered,
                pass_open=journal.open_pass() is not None,
            )
            return {**fields, "state": state.value, **_register(journal)}
        finally:
            journal.close()


def _register(journal: Journal) -> Message:
    """Whether the machine knows where it stands, and by how much the last homing differed from the one before."""
    last = {axis: journal.last_homing(axis) for axis in AXES}
    return {
        "registered": journal.registered,
        "why": journal.registration_reason,
        "difference_mm": {axis: row.difference_mm for axis, row in last.items() if row is not None},
    }
