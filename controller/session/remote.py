"""Verbs of the command line where a service runs already: asked for over its socket, shown and answered here.

Owns the client's end of a verb. Where no service runs, the verb runs in this process, as its own session. A service
that is asked to stop and does not answer is not trusted with the path: then the guard stops.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from controller.config.counting import counted
from controller.config.errors import RefusedError
from controller.config.load import load_machine
from controller.config.places import StateDir
from controller.motion.probe import Test
from controller.session import control, registering, verbs
from controller.session.control import ANSWER_BYTES_MAX
from controller.session.daemon import RunnerOf
from controller.session.drifting import drift_now
from controller.session.journal import Journal
from controller.session.measure import measure as drive
from controller.session.operator import Operator, SimulatedOperator, TerminalOperator
from controller.session.prepared import Prepared, file_digest
from controller.session.registering import AtMark, MarksDone, Show, Steerer
from controller.session.rows import HomingRow, MapRow, MarkMeasured
from controller.session.service import PassResult, StoppedError
from controller.session.standing import ASK_AGAIN
from controller.session.steering import to_wire
from controller.session.stopwords import EMERGENCY, came_of
from controller.session.verbs import Done
from controller.session.watcher import Watcher
from controller.session.wire import VERSION, Message, error_in, line_of, part_of, relay
from drivers.errors import LinkError
from safety import client

STOP_SIGNALS: Final = (signal.SIGINT, signal.SIGTERM)


def service_at(state: StateDir) -> bool:
    """Whether a service that runs verbs for others answers at this state folder."""
    if not state.control_socket.exists():
        return False
    try:
        return control.ask(state.control_socket, "status").get("daemon") is True
    except RefusedError:
        return False


async def home(
    machine_path: Path, state_root: Path | None, operator: Operator, watcher: Watcher, *,
    accept_difference: bool = False, virtual: bool, runner_of: RunnerOf,
) -> Done:  # fmt: skip
    """Home, by the service that runs or in a session of our own."""
    state = verbs.session_state_of(machine_path, state_root)
    if not await asyncio.to_thread(service_at, state):
        return await verbs.home(
            machine_path,
            state_root,
            operator,
            watcher,
            accept_difference=accept_difference,
            runner_of=runner_of,
        )
    value = await run_there(
        state, "home",
        {**_common(machine_path, operator, virtual), "accept_difference": accept_difference},
        operator, watcher, stop=_stopper(machine_path, state_root),
    )  # fmt: skip
    rows = tuple(
        HomingRow(**{**row, "touches_counts": tuple(row["touches_counts"])}) for row in value["homings"]
    )
    with contextlib.closing(Journal.read(state.journal)) as journal:
        drift = drift_now(journal, load_machine(machine_path))
    return Done(int(value["session"]), state, rows, drift=drift)


async def paint(
    prepared: Prepared, machine_path: Path, state_root: Path | None, operator: Operator, watcher: Watcher, *,
    inks: Sequence[str] = (), passes: Sequence[str] = (), again: bool = False, virtual: bool, runner_of: RunnerOf,
) -> Done:  # fmt: skip
    """Paint, by the service that runs or in a session of our own."""
    state = verbs.session_state_of(machine_path, state_root)
    if not await asyncio.to_thread(service_at, state):
        return await verbs.paint(
            prepared, machine_path, state_root, operator, watcher, inks=inks, passes=passes, again=again,
            runner_of=runner_of,
        )  # fmt: skip
    prepared.chosen(inks, passes)  # an unknown name is bad input, said before anything is asked
    arguments = {
        **_common(machine_path, operator, virtual), "prepared": str(prepared.folder.absolute()),
        "inks": list(inks), "passes": list(passes), "again": again,
    }  # fmt: skip
    value = await run_there(
        state, "paint", arguments, operator, watcher, stop=_stopper(machine_path, state_root)
    )
    return Done(int(value["session"]), state, passes=tuple(PassResult(**one) for one in value["passes"]))


async def measure(
    test: Test, machine_path: Path, state_root: Path | None, operator: Operator, watcher: Watcher, *,
    virtual: bool, runner_of: RunnerOf,
) -> Done:  # fmt: skip
    """Drive a test, by the service that runs or in a session of our own."""
    state = verbs.session_state_of(machine_path, state_root)
    if not await asyncio.to_thread(service_at, state):
        driven = await drive(test, machine_path, state_root, operator, watcher, runner_of=runner_of)
        return Done(driven.session, driven.state)
    value = await run_there(
        state, "measure", {**_common(machine_path, operator, virtual), "test": asdict(test)},
        operator, watcher, stop=_stopper(machine_path, state_root),
    )  # fmt: skip
    return Done(int(value["session"]), state)


async def marks(
    job_path: Path, machine_path: Path, state_root: Path | None, operator: Operator, steerer: Steerer,
    watcher: Watcher, person: str, *, show: Show, virtual: bool, runner_of: RunnerOf,
) -> MarksDone:  # fmt: skip
    """Measure a job's marks, by the service that runs or in a session of our own."""
    state = verbs.session_state_of(machine_path, state_root)
    if not await asyncio.to_thread(service_at, state):
        return await registering.marks(
            job_path,
            machine_path,
            state_root,
            operator,
            steerer,
            watcher,
            person,
            show=show,
            runner_of=runner_of,
        )
    job, machine = registering.job_with_marks(job_path), load_machine(machine_path)

    def told(event: Message) -> None:
        if event["event"] == "marks_fitted":
            measured = _measured(event["marks"])
            show(measured, registering.accepted(measured, job, machine), [str(one) for one in event["lines"]])

    value = await run_there(
        state, "marks",
        {**_common(machine_path, operator, virtual), "job": _absolute(job_path), "person": person},
        operator, watcher, stop=_stopper(machine_path, state_root), steerer=steerer, told=told,
    )  # fmt: skip
    measured = _measured(value["marks"])
    return MarksDone(
        int(value["session"]), measured, registering.accepted(measured, job, machine),
        tuple(map(str, value["lines"])), None if value["kept"] is None else _map_row(value["kept"]),
    )  # fmt: skip


async def withdraw(job_path: Path, machine_path: Path, state_root: Path | None, person: str) -> MapRow:
    """Withdraw a job's register map, by the service that runs or here."""
    state = verbs.session_state_of(machine_path, state_root)
    if not await asyncio.to_thread(service_at, state):
        return registering.withdraw(job_path, machine_path, state_root, person)
    arguments = {
        "machine_digest": file_digest(machine_path), "job": _absolute(job_path), "person": person,
        "withdraw": True,
    }  # fmt: skip
    value = await run_there(state, "marks", arguments, SimulatedOperator(), Watcher(), stop=None)
    return _map_row(value["kept"])


def _absolute(path: Path) -> str:
    return str(path.absolute())


def _measured(said: Sequence[Mapping[str, Any]]) -> tuple[MarkMeasured, ...]:
    return tuple(
        MarkMeasured(
            str(one["name"]),
            (one["nominal_mm"][0], one["nominal_mm"][1]),
            (one["measured_mm"][0], one["measured_mm"][1]),
        )
        for one in said
    )


def _map_row(said: Mapping[str, Any]) -> MapRow:
    (a, b, c), (d, e, f) = said["matrix"]
    return MapRow(**{
        **said, "matrix": ((a, b, c), (d, e, f)), "marks": _measured(said["marks"]), "summary": tuple(said["summary"]),
    })  # fmt: skip


async def clear(machine_path: Path, state_root: Path | None, *, reason: str, person: str) -> Path:
    """Clear the latch, by the service that runs or here. Answers the file that keeps it."""
    state = verbs.session_state_of(machine_path, state_root)
    if not await asyncio.to_thread(service_at, state):
        return verbs.clear(machine_path, state_root, reason=reason, person=person)
    arguments = {"reason": reason, "person": person}
    value = await run_there(state, "clear", arguments, SimulatedOperator(), Watcher(), stop=None)
    return Path(str(value["kept"]))


def _common(machine_path: Path, operator: Operator, virtual: bool) -> Message:
    yes = isinstance(operator, SimulatedOperator)
    return {"machine_digest": file_digest(machine_path), "virtual": virtual, "yes": yes}


Stop = Callable[[bool], str]
"""Stops the machine: on the path where it can be, else at once; True: at once. Answers words for a person."""


def _stopper(machine_path: Path, state_root: Path | None) -> Stop:
    def stop(at_once: bool) -> str:
        try:
            said = verbs.stop(
                machine_path, state_root, reason="asked for at the terminal", gently=not at_once
            )
        except RefusedError:
            if not at_once:
                raise
            # No guard: nothing moves yet, or time is virtual. The service ends the session all the same.
            control.ask(verbs.state_of(machine_path, state_root).control_socket, "stop", 2.0, "immediate")
            return ""
        except client.GuardSilentError as error:
            with contextlib.suppress(RefusedError, OSError):
                control.ask(verbs.state_of(machine_path, state_root).control_socket, "stop", 2.0, "immediate")
            return str(error)
        if said["kind"] == "immediate" and not (done := came_of(said)).is_sent:
            return f"{done.words}. {EMERGENCY}"
        return f"stopped at once, since {said['why_at_once']}" if said["why_at_once"] else ""

    return stop


async def run_there(
    state: StateDir, verb: str, arguments: Mapping[str, Any], operator: Operator, watcher: Watcher, *,
    stop: Stop | None, steerer: Steerer | None = None, told: Callable[[Message], None] | None = None,
) -> Message:  # fmt: skip
    """Have the service run a verb; events go to ``watcher`` and ``told``, questions to ``operator`` and, at marks, to
    ``steerer``. Answers the verb's value.

    ``stop``: SIGINT and SIGTERM stop on the path, a second one at once; None leaves signals alone. Leaving in any
    other way (the terminal is closed, the process is killed) does not stop what runs.

    Raises what the verb raised there; RefusedError when the service is gone or does not understand; LinkError when it
    goes away in the middle.
    """
    reader, writer = await _connect(state.control_socket)
    prompting: set[asyncio.Task[None]] = set()
    declined: list[RefusedError] = []
    try:
        async with _stopping(stop, watcher):
            writer.write(line_of({"ask": "run", "verb": verb, "arguments": dict(arguments)}))
            async for message in _messages(reader):
                match message:
                    case {"result": "done", "value": dict() as value}:
                        return value
                    case {"result": _} | {"ok": False}:
                        error = error_in(message)
                        raise declined[0] if declined and isinstance(error, StoppedError) else error
                    case {"event": "prompt"}:
                        task = asyncio.create_task(_prompted(message, operator, declined, writer, steerer))
                        prompting.add(task)
                        task.add_done_callback(prompting.discard)
                    case {"event": "answered"}:
                        for task in prompting:
                            task.cancel()
                    case {"event": "lost", "events": count}:
                        watcher.note(
                            f"{counted(count, 'event was', 'events were')} lost here; the journal is whole"
                        )
                    case {"event": _}:
                        if told is not None:
                            told(message)
                        with contextlib.suppress(KeyError, TypeError, ValueError):
                            relay(message, watcher)
        raise LinkError(
            "service",
            f"the end of {verb}",
            "a closed line: it died; giornata status tells how the machine stands",
            code="service-died",
        )
    finally:
        for task in list(prompting):
            task.cancel()
        await asyncio.gather(*prompting, return_exceptions=True)
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()


async def _prompted(
    message: Message,
    operator: Operator,
    declined: list[RefusedError],
    writer: asyncio.StreamWriter,
    steerer: Steerer | None,
) -> None:
    """Ask the person here. Where nobody can be asked, the answer is no: whoever began the verb decides. How a paused
    pass goes on is asked on a terminal only, and stands for others to answer."""
    value: Any
    try:
        if message["kind"] == "pause":
            if not isinstance(operator, TerminalOperator) or not operator.has_terminal:
                return
            value = await operator.choose(str(message["question"]), [str(one) for one in message["choices"]])
        elif message["kind"] == "steer":
            if steerer is None:
                return
            right, down = message["off_mm"]
            at = AtMark(str(message["mark"]), int(message["number"]), int(message["count"]), (right, down))
            value = to_wire(await steerer.steer(at))
        elif message["kind"] == "pen":
            value = await operator.load_pen(part_of(message), int(message["number"]), int(message["count"]))
        else:
            value = await operator.confirm(str(message["question"]))
    except RefusedError as error:
        declined.append(error)
        value = False
    writer.write(line_of({"ask": "answer", "prompt": message["prompt"], "value": value}))


async def _connect(path: Path) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    try:
        return await asyncio.open_unix_connection(str(path), limit=ANSWER_BYTES_MAX)
    except (FileNotFoundError, ConnectionError):
        raise RefusedError(
            "no service runs on this machine's state", "start one with giornata serve", code="no-service"
        ) from None


async def _messages(reader: asyncio.StreamReader) -> AsyncIterator[Message]:
    """What the service says, line by line, to its end. Raises RefusedError for what cannot be read."""
    while line := await _one(reader):
        try:
            message = json.loads(line)
        except ValueError:
            message = None
        if not isinstance(message, dict) or message.get("v") != VERSION:
            raise RefusedError(
                f"the service said something unreadable: {line[:80]!r}",
                "giornata status shows how it stands",
                code="service-silent",
            )
        yield message


async def _one(reader: asyncio.StreamReader) -> bytes:
    try:
        return await reader.readline()
    except ConnectionError:
        return b""


async def follow(path: Path) -> AsyncIterator[Message]:
    """How the service or session stands, then every event, to its end. Raises RefusedError when none runs.

    After an event that changes more than it says, how it stands comes once more.
    """
    reader, writer = await _connect(path)
    try:
        writer.write(line_of({"ask": "follow"}))
        async for message in _messages(reader):
            if message.get("ok") is False:
                raise error_in(message)
            yield message
            if message.get("event") in ASK_AGAIN:
                writer.write(line_of({"ask": "status"}))
    finally:
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()


@contextlib.asynccontextmanager
async def _stopping(stop: Stop | None, watcher: Watcher) -> AsyncIterator[None]:
    """SIGINT and SIGTERM stop the machine for as long as this lasts."""
    asked: set[asyncio.Task[None]] = set()
    count = 0

    async def do(at_once: bool) -> None:
        assert stop is not None
        try:
            words = await asyncio.to_thread(stop, at_once)
        except RefusedError as error:
            words = f"{error.reason}: {error.remedy}"
        if words:
            watcher.note(words)

    def take() -> None:
        nonlocal count
        count += 1
        task = asyncio.create_task(do(count > 1))
        asked.add(task)
        task.add_done_callback(asked.discard)

    loop = asyncio.get_running_loop()
    for number in STOP_SIGNALS if stop is not None else ():
        loop.add_signal_handler(number, take)
    try:
        yield
    finally:
        for number in STOP_SIGNALS if stop is not None else ():
            loop.remove_signal_handler(number)
        await asyncio.gather(*asked, return_exceptions=True)
