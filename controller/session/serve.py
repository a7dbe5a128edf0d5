"""The service that outlives its sessions: holds the machine's lock for its life and runs verbs that clients ask for.

Owns which verb runs, one at a time, each as one session of its own in the journal; and the service's own end. It does
nothing by itself. A client that leaves ends nothing; a verb that fails ends nothing but itself; a stop that latches
leaves the machine halted, and ``clear`` is a verb like the others.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sqlite3
import time
from collections.abc import Awaitable, Callable, Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from controller.config.errors import InputError, RefusedError
from controller.config.load import load_job, load_machine
from controller.config.places import StateDir
from controller.session import verbs
from controller.session.control import ControlServer
from controller.session.daemon import RunnerOf, clear_latch, locked, recover
from controller.session.followers import Follower, Followers
from controller.session.host import Host
from controller.session.journal import Journal
from controller.session.measure import measure
from controller.session.mqtt import telling
from controller.session.notify import Notifier
from controller.session.operator import Operator, SimulatedOperator
from controller.session.prepared import file_digest, load_prepared
from controller.session.registering import marks, withdrawn
from controller.session.rows import MarkMeasured
from controller.session.steering import AskedSteerer
from controller.session.watcher import Watcher
from controller.session.wire import (
    Arguments,
    ClearArguments,
    HomeArguments,
    MarksArguments,
    MeasureArguments,
    Message,
    PaintArguments,
    RemoteError,
    Request,
    WireError,
    failure,
    success,
)

Sleep = Callable[[float], Awaitable[None]]
SIGNALS: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def _no_log(_event: Message) -> None:
    """Nobody reads it."""


class Service:
    """The verbs of one machine, one at a time. Made by ``serve``."""

    def __init__(
        self, machine_path: Path, state: StateDir, runner_of: RunnerOf, clock: str, group: asyncio.TaskGroup,
        notifier: Notifier, followers: Followers,
    ) -> None:  # fmt: skip
        self.machine_path = machine_path
        self.state = state
        self.runner_of = runner_of
        self.host = Host(
            load_machine(machine_path), state, "serve", clock, followers=followers, begin=self.begin
        )
        self._clock = clock
        self._group = group
        self._notifier = notifier
        self._busy = ""
        self.client: Follower | None = None
        """Whoever began the verb that runs."""
        self._idle = asyncio.Event()
        self._idle.set()
        self._ending = asyncio.Event()

    def operator(self, yes: bool) -> Operator:
        """Whoever answers on the socket; nobody is asked with ``yes``."""
        return SimulatedOperator() if yes else self.host.asking(None)

    def begin(self, request: Request, follower: Follower) -> None:
        """Begin the verb that a request names. Raises RefusedError when it may not begin; nothing has moved then."""
        if self._ending.is_set():
            raise RefusedError(
                "the service is going down", "start it again with giornata serve", code="no-service"
            )
        if self._busy:
            raise RefusedError(
                f"giornata {self._busy} runs on this machine",
                "wait for its end, or stop it with giornata stop; giornata status --follow shows it",
                code="session-running",
            )
        assert request.arguments is not None
        self._check(request.arguments)
        self._busy, self.client = request.verb, follower
        self._idle.clear()
        self.host.starting()
        self._group.create_task(self._do(request.verb, request.arguments, follower), name=request.verb)

    def _check(self, arguments: Arguments) -> None:
        if isinstance(arguments, ClearArguments):
            return
        if arguments.virtual and self._clock != "virtual":
            raise RefusedError(
                "virtual time was asked for, and the service moves the machine in real time",
                "end the service for virtual time, or leave out --virtual",
                code="service-other-file",
            )
        mine = file_digest(self.machine_path)
        if arguments.machine_digest not in (None, mine):
            raise RefusedError(
                f"the service runs by {self.machine_path}, and another machine file was given",
                "give that file, or start the service with the other one",
                code="service-other-file",
            )

    async def _do(self, verb: str, arguments: Arguments, follower: Follower) -> None:
        end: Message = failure(RemoteError("the service went down before the verb's end"))
        try:
            end = success(await VERBS[verb](self, arguments))
        except Exception as error:  # noqa: BLE001 - whatever it is, it is the verb's end and not the service's
            end = failure(error)
        finally:
            follower.finish(end)
            self.host.ended()
            self._busy = ""
            self._idle.set()
            self._tell_end(verb, end)

    def _tell_end(self, verb: str, end: Mapping[str, Any]) -> None:
        try:
            state = self.host.status()["state"]
        except (InputError, sqlite3.Error, OSError) as error:
            # A journal that cannot be read must not end what holds the machine.
            state = f"unknown ({error})"
        told: Message = {
            "event": "verb_ended",
            "verb": verb,
            "done": end["ok"],
            "exit": end["exit"],
            "state": state,
        }
        if not end["ok"]:
            told["message"] = end["error"]["message"]
        self.host.followers.tell(told)
        self._notifier.status(f"{state}, at rest; giornata {verb} ended with exit code {end['exit']}")

    def end(self, why: str) -> None:
        """Go down: at rest at once, else after the verb's controlled stop; a second time stops at once."""
        self._ending.set()
        self._notifier.stopping(f"going down: {why}")
        if self._busy:
            with contextlib.suppress(WireError):
                self.host.stop(why, "signal")

    async def until_ended(self) -> None:
        """Wait for ``end`` and for the verb that runs then."""
        await self._ending.wait()
        await self._idle.wait()


async def _home(service: Service, arguments: Any) -> Message:
    assert isinstance(arguments, HomeArguments)
    done = await verbs.home(
        service.machine_path, service.state.root, service.operator(arguments.yes), Watcher(),
        accept_difference=arguments.accept_difference, runner_of=service.runner_of, host=service.host,
    )  # fmt: skip
    return {"session": done.session, "homings": [asdict(row) for row in done.homings]}


async def _paint(service: Service, arguments: Any) -> Message:
    assert isinstance(arguments, PaintArguments)
    prepared = load_prepared(Path(arguments.prepared))
    if changed := await asyncio.to_thread(prepared.stale):
        names = ", ".join(Path(path).name for path in changed)
        raise RefusedError(
            f"{names} changed since the job was prepared", "run giornata prepare", code="prepared-stale"
        )
    done = await verbs.paint(
        prepared, service.machine_path, service.state.root, service.operator(arguments.yes), Watcher(),
        inks=arguments.inks, passes=arguments.passes, again=arguments.again, runner_of=service.runner_of,
        host=service.host,
    )  # fmt: skip
    return {"session": done.session, "passes": [asdict(one) for one in done.passes]}


async def _measure(service: Service, arguments: Any) -> Message:
    assert isinstance(arguments, MeasureArguments)
    driven = await measure(
        arguments.test, service.machine_path, service.state.root, service.operator(arguments.yes), Watcher(),
        runner_of=service.runner_of, host=service.host,
    )  # fmt: skip
    return {"session": driven.session}


async def _marks(service: Service, arguments: Any) -> Message:
    assert isinstance(arguments, MarksArguments)
    job_path, host = Path(arguments.job), service.host
    if arguments.withdraw:
        row = withdrawn(service.state, host.machine, load_job(job_path), arguments.person)
        return {"kept": asdict(row)}
    assert service.client is not None
    person = AskedSteerer(host.prompts, service.client.gone)

    def show(measured: Sequence[MarkMeasured], _found: object, lines: Sequence[str]) -> None:
        host.followers.tell({
            "event": "marks_fitted", "marks": [asdict(one) for one in measured], "lines": list(lines),
        })  # fmt: skip

    done = await marks(
        job_path, service.machine_path, service.state.root, person, person, Watcher(), arguments.person, show=show,
        runner_of=service.runner_of, signals=False, host=host,
    )  # fmt: skip
    return {
        "session": done.session,
        "marks": [asdict(one) for one in done.marks],
        "lines": list(done.lines),
        "kept": None if done.kept is None else asdict(done.kept),
    }


async def _clear(service: Service, arguments: Any) -> Message:
    assert isinstance(arguments, ClearArguments)
    kept = clear_latch(
        service.state, service.host.machine.name, reason=arguments.reason, person=arguments.person
    )
    return {"kept": str(kept)}


VERBS: Final[Mapping[str, Callable[[Service, Any], Awaitable[Message]]]] = {
    "home": _home,
    "paint": _paint,
    "measure": _measure,
    "marks": _marks,
    "clear": _clear,
}
"""What runs for others; ``wire.ARGUMENTS`` says what each takes."""


@contextlib.contextmanager
def _one_error() -> Iterator[None]:
    """A task group raises groups; a single error leaves here as itself, for whoever sorts errors."""
    try:
        yield
    except BaseExceptionGroup as group:
        if len(group.exceptions) == 1:
            raise group.exceptions[0] from group
        raise


async def serve(
    machine_path: Path, state_root: Path | None, runner_of: RunnerOf, *, clock: str,
    notifier: Notifier | None = None, log: Callable[[Message], None] = _no_log, sleep: Sleep = asyncio.sleep,
    signals: bool = True, meanwhile: Callable[[Service], None] | None = None,
) -> None:  # fmt: skip
    """Serve one machine until a signal or ``Service.end``. ``meanwhile`` gets the service when it has come up.

    Raises InputError for bad files and RefusedError when another service or session holds the state folder.
    """
    machine_path = machine_path.absolute()  # noqa: ASYNC240 (no file is touched)
    machine = load_machine(machine_path)
    state = StateDir.open(state_root, machine.name)
    notifier = notifier or Notifier(None)
    with locked(state, "serve"), contextlib.closing(notifier), _one_error():
        with contextlib.closing(Journal.open(state.journal, machine.name)) as journal:
            recover(journal, state)
        followers = Followers(time.monotonic_ns, lambda: time.time_ns() // 1_000_000, log)
        async with asyncio.TaskGroup() as group:
            service = Service(machine_path, state, runner_of, clock, group, notifier, followers)
            async with telling(service.host, machine_path.parent):
                server = ControlServer(state.control_socket, service.host)
                await server.open()
                loop = asyncio.get_running_loop()
                for number in SIGNALS if signals else ():
                    loop.add_signal_handler(number, service.end, number.name)
                beating = group.create_task(notifier.beat(sleep), name="watchdog")
                try:
                    standing = service.host.status()["state"]
                    followers.tell({"event": "ready", "state": standing, "socket": str(state.control_socket)})
                    notifier.ready(f"{standing}, at rest")
                    if meanwhile is not None:
                        meanwhile(service)
                    await service.until_ended()
                finally:
                    for number in SIGNALS if signals else ():
                        loop.remove_signal_handler(number)
                    beating.cancel()
                    followers.tell({"event": "gone"})
                    await server.close()
