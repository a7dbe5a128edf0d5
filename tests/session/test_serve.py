"""The service that outlives its sessions: what it runs, what it refuses, what ends and what does not."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import socket
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from controller.cli.console import report_error
from controller.config.errors import HaltedError, InputError, Mistake, RefusedError, code_of
from controller.config.places import StateDir, shipped
from controller.session import control, remote, verbs
from controller.session.daemon import locked
from controller.session.disk import DiskError, JournalError
from controller.session.journal import Journal
from controller.session.notify import Notifier
from controller.session.operator import SimulatedOperator
from controller.session.prepared import PreparedPass
from controller.session.runner import Order
from controller.session.serve import VERBS, Service, serve
from controller.session.service import StoppedError
from controller.session.watcher import Watcher
from controller.session.wire import ARGUMENTS, Message, RemoteError, error_in, failure
from controller.stream.spec import HomingTask, StreamOutcome
from drivers.errors import FaultError, LinkError, MisuseError
from safety import latch

from .conftest import FakeRunner

MACHINE = shipped("machines/boathouse.toml")


class Held(FakeRunner):
    """Homes at once; a pass lasts until somebody stops it or lets it end."""

    def __init__(self, state: StateDir) -> None:
        super().__init__()
        self._state = state
        self.moving = asyncio.Event()
        self.go = asyncio.Event()

    async def run(self, order: Order) -> StreamOutcome:
        """Wait in a pass."""
        if isinstance(order.tasks[0], HomingTask):
            return await super().run(order)
        self.moving.set()
        await self.go.wait()
        if latch.read(self._state.latch) is not None:
            return StreamOutcome(end="halted", reason="as asked")
        if "ask_stop" in self.calls:
            return StreamOutcome(end="stopped", reason="as asked")
        return await super().run(order)

    def ask_stop(self) -> None:
        """Stop on the path."""
        super().ask_stop()
        self.go.set()

    def stop_now(self, reason: str, by: str) -> None:
        """The guard's work."""
        super().stop_now(reason, by)
        latch.write(
            self._state.latch,
            latch.Latch("stop-asked", f"{by} asked: {reason}", "", latch.now_text(), 1, standstill="proved"),
        )
        self.go.set()


class House:
    """A service and its state folder. ``runners``: one a session, in order."""

    def __init__(self, root: Path) -> None:
        self.state = StateDir.open(root, "boathouse")
        self.runners: list[Held] = []
        self.broken: Exception | None = None
        self.log: list[Message] = []

    def runner(self, *_: object) -> Held:
        """A session's runner."""
        if self.broken is not None:
            raise self.broken
        self.runners.append(Held(self.state))
        return self.runners[-1]

    @contextlib.asynccontextmanager
    async def served(self, *, signals: bool = False, clock: str = "real") -> AsyncIterator[Service]:
        """The service, up; ended and gone afterwards."""
        up: asyncio.Future[Service] = asyncio.get_running_loop().create_future()
        task = asyncio.create_task(
            serve(
                MACHINE, self.state.root, self.runner, clock=clock, signals=signals, log=self.log.append,
                meanwhile=up.set_result,
            )
        )  # fmt: skip
        await asyncio.wait({up, task}, return_when=asyncio.FIRST_COMPLETED)
        if task.done():
            task.result()
        try:
            yield up.result()
        finally:
            up.result().end("the test is over")
            async with asyncio.timeout(10):
                await task

    async def ask(
        self, verb: str, watcher: Watcher | None = None, operator=None, **arguments: object
    ) -> Message:
        """Run a verb as a client does."""
        return await remote.run_there(
            self.state, verb, arguments, operator or SimulatedOperator(), watcher or Watcher(), stop=None
        )

    async def status(self) -> Message:
        """Ask how it stands."""
        return await asyncio.to_thread(control.ask, self.state.control_socket, "status")

    async def stop(self, kind: str = "controlled") -> Message:
        """Ask for a stop."""
        return await asyncio.to_thread(control.ask, self.state.control_socket, "stop", 2.0, kind)


@pytest.fixture
def house(tmp_path: Path) -> House:
    """A machine that was never homed."""
    return House(tmp_path / "s")


def _paint(house: House, three, **more: object) -> asyncio.Task[Message]:
    return asyncio.create_task(house.ask("paint", prepared=str(three.folder), yes=True, **more))


async def _moving(house: House) -> Held:
    """The runner of the session that paints, once it does."""
    await _until(lambda: bool(house.runners) and house.runners[-1].moving.is_set())
    return house.runners[-1]


async def _until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(10):
        while not true():  # noqa: ASYNC110 - what is waited for has no event
            await asyncio.sleep(0.001)


async def _rest(house: House) -> None:
    """Until no session runs."""
    async with asyncio.timeout(10):
        while (await house.status())["session"] is not None:  # noqa: ASYNC110
            await asyncio.sleep(0.001)


async def test_does_nothing_by_itself(house: House) -> None:
    """Up and down again: no runner was made, no session is in the journal, the socket is gone."""
    async with house.served():
        status = await house.status()
        assert (status["state"], status["session"], status["daemon"]) == ("unregistered", None, True)
        assert status["what"] == "at rest"
    assert house.runners == []
    assert not house.state.control_socket.exists()
    with contextlib.closing(Journal.read(house.state.journal)) as journal:
        assert journal.sessions() == []


async def test_each_verb_is_one_session(house: House, three) -> None:
    """home, then paint: each has its own runner and its own session; events and results are the client's."""

    class Seen(Watcher):
        def __init__(self) -> None:
            self.names: list[str] = []

        def homed(self, accepted: bool, lines: object) -> None:
            self.names.append(f"homed {accepted}")

        def pass_begun(self, part: PreparedPass, *_: object) -> None:
            self.names.append(part.name)

        def pass_ended(self, part: PreparedPass, state: str) -> None:
            self.names.append(state)

    seen = Seen()
    async with house.served():
        homed = await house.ask("home", seen)
        assert {row["axis"] for row in homed["homings"]} == {"x", "y"}
        assert (await house.status())["state"] == "registered"
        painting = asyncio.create_task(house.ask("paint", seen, prepared=str(three.folder), yes=True))
        runner = await _moving(house)
        assert (await house.status())["state"] == "painting"
        runner.go.set()
        painted = await painting
        assert [(one["name"], one["painted_now"]) for one in painted["passes"]] == [("teal-1", 3)]
    assert seen.names == ["homed True", "homed True", "teal-1", "finished"]
    assert [runner.calls[-1] for runner in house.runners] == ["close", "close"]
    with contextlib.closing(Journal.read(house.state.journal)) as journal:
        assert [(row.verb, row.end) for row in journal.sessions()] == [("home", "done"), ("paint", "done")]


async def test_one_verb_at_a_time(house: House, three) -> None:
    """While one runs another is refused by name, and the first goes on."""
    async with house.served():
        await house.ask("home")
        painting = _paint(house, three)
        runner = await _moving(house)
        for verb, more in (("home", {}), ("clear", {"reason": "x", "person": "Ada"})):
            with pytest.raises(RefusedError, match="giornata paint runs"):
                await house.ask(verb, **more)
        runner.go.set()
        assert (await painting)["passes"]


async def test_client_that_leaves_does_not_end_the_pass(house: House, three) -> None:
    """The client is gone in the middle: the pass is finished and journalled, and the machine is at rest."""
    async with house.served() as service:
        await house.ask("home")
        painting = _paint(house, three)
        runner = await _moving(house)
        painting.cancel()
        await asyncio.wait({painting})
        assert (await house.status())["state"] == "painting"
        runner.go.set()
        await _rest(house)
        assert "ask_stop" not in runner.calls
        assert service.host.followers.count == 0
    with contextlib.closing(Journal.read(house.state.journal)) as journal:
        assert [row.state for row in journal.passes()] == ["finished"]


async def test_failed_verb_ends_nothing_else(house: House) -> None:
    """A verb that breaks by a fault of the program tells its client, and the service runs the next one."""
    async with house.served():
        house.broken = ZeroDivisionError("a fault of ours")
        with pytest.raises(RemoteError, match="ZeroDivisionError: a fault of ours"):
            await house.ask("home")
        house.broken = None
        assert (await house.ask("home"))["homings"]


async def test_latch_leaves_it_halted_until_cleared(house: House, three) -> None:
    """An immediate stop: the client hears halted, the service says halted and refuses; clear, home, and all is well."""
    async with house.served():
        await house.ask("home")
        painting = _paint(house, three)
        await _moving(house)
        assert (await house.stop("immediate"))["kind"] == "immediate"
        with pytest.raises(HaltedError, match="stop-asked"):
            await painting
        status = await house.status()
        assert (status["state"], status["latch"]["reason"]) == ("halted", "stop-asked")
        with pytest.raises(RefusedError, match="giornata clear"):
            await house.ask("home")
        with pytest.raises(RefusedError):
            await house.ask("clear", reason="lease-out", person="Ada")
        kept = await house.ask("clear", reason="stop-asked", person="Ada")
        assert Path(str(kept["kept"])).is_file()  # noqa: ASYNC240
        assert (await house.status())["state"] == "unregistered"
        await house.ask("home")
        assert (await house.status())["state"] == "paused"  # the halted pass can go on
    ended = [(one["verb"], one["exit"], one["state"]) for one in house.log if one["event"] == "verb_ended"]
    assert ended[1] == ("paint", 4, "halted")


async def test_controlled_stop_and_going_on(house: House, three) -> None:
    """stop: exit 130 for the client, paused; the next paint goes on in a session of its own."""
    async with house.served():
        await house.ask("home")
        painting = _paint(house, three)
        await _moving(house)
        await house.stop()
        with pytest.raises(StoppedError):
            await painting
        assert (await house.status())["state"] == "paused"
        house.runners.clear()
        painting = _paint(house, three)
        (await _moving(house)).go.set()
        assert (await painting)["passes"][0]["painted_now"] == 3


async def test_stop_at_rest_is_told_so(house: House) -> None:
    """Nothing runs: the answer says so, and giornata stop --gently ends in its usual words, exit 3."""
    async with house.served():
        assert (await house.stop())["ok"] is False
        with pytest.raises(RefusedError, match="no guard runs"):
            await asyncio.to_thread(verbs.stop, MACHINE, house.state.root, reason="tea", gently=True)


class Silent:
    """A person who does not answer."""

    async def load_pen(self, *_: object) -> bool:
        """Wait for ever."""
        await asyncio.Event().wait()
        return True

    async def confirm(self, _question: str) -> bool:
        """Wait for ever."""
        await asyncio.Event().wait()
        return True


async def _prompt(house: House) -> Message:
    async with asyncio.timeout(10):
        while (prompt := (await house.status()).get("prompt")) is None:  # noqa: ASYNC110
            await asyncio.sleep(0.001)
    return prompt


def _answer(house: House, prompt: object, value: object) -> Message:
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(str(house.state.control_socket))
        line.sendall(
            b'{"v": 1, "ask": "answer", "prompt": %s, "value": %s}\n'
            % (str(prompt).encode(), str(value).lower().encode())
        )
        with line.makefile("rb") as answers:
            return json.loads(answers.readline())


async def test_questions_are_answered_from_another_client(house: House, three) -> None:
    """The pen's question stands for everybody; a wrong number counts for nothing; the first right answer goes on."""
    async with house.served():
        await house.ask("home")
        painting = asyncio.create_task(house.ask("paint", operator=Silent(), prepared=str(three.folder)))
        prompt = await _prompt(house)
        assert (prompt["kind"], prompt["pass"]["name"]) == ("pen", "teal-1")
        assert (await house.status())["state"] == "waiting"
        assert (await asyncio.to_thread(_answer, house, prompt["prompt"] + 1, True))["ok"] is False
        assert not house.runners[-1].moving.is_set()
        assert (await asyncio.to_thread(_answer, house, prompt["prompt"], True))["ok"] is True
        (await _moving(house)).go.set()
        assert (await painting)["passes"]
        assert (await asyncio.to_thread(_answer, house, prompt["prompt"], True))["ok"] is False


async def test_no_is_no(house: House, three) -> None:
    """The answer false: nothing moved for that pen."""
    async with house.served():
        await house.ask("home")
        painting = asyncio.create_task(house.ask("paint", operator=Silent(), prepared=str(three.folder)))
        prompt = await _prompt(house)
        await asyncio.to_thread(_answer, house, prompt["prompt"], False)
        with pytest.raises(StoppedError, match="nothing moved"):
            await painting
        assert not house.runners[-1].moving.is_set()


async def test_without_a_person_here_it_is_refused(house: House, three) -> None:
    """A client without terminal and --yes: exit 3 in the words of a session of its own, and nothing has moved."""

    class Nobody(Silent):
        async def load_pen(self, *_: object) -> bool:
            raise RefusedError(
                "a person has to answer and there is no terminal", "give --yes", code="needs-terminal"
            )

    async with house.served():
        await house.ask("home")
        with pytest.raises(RefusedError, match="no terminal"):
            await house.ask("paint", operator=Nobody(), prepared=str(three.folder))
        assert not house.runners[-1].moving.is_set()


async def test_waits_for_an_answer_when_the_client_has_left(house: House, three) -> None:
    """The question outlives the client that began the verb; a stop ends it."""
    async with house.served():
        await house.ask("home")
        painting = asyncio.create_task(house.ask("paint", operator=Silent(), prepared=str(three.folder)))
        await _prompt(house)
        painting.cancel()
        await asyncio.wait({painting})
        assert (await house.status())["state"] == "waiting"
        await house.stop()
        await _rest(house)


async def test_second_service_is_refused_naming_the_first(house: House) -> None:
    """Two on one state: the second names the first by verb and pid."""
    async with house.served():
        with pytest.raises(RefusedError, match=rf"giornata serve, pid {os.getpid()}"):
            async with House(house.state.root).served():
                pass
        with pytest.raises(RefusedError, match="giornata serve"), locked(house.state, "home"):
            pass
        assert (await house.status())["ok"] is True


async def test_other_machine_file_and_other_clock_are_refused(house: House) -> None:
    """Whoever means another machine file, or virtual time on a real machine, is told so before anything opens."""
    async with house.served():
        with pytest.raises(RefusedError, match="another machine file"):
            await house.ask("home", machine_digest="0" * 64)
        with pytest.raises(RefusedError, match="real time"):
            await house.ask("home", virtual=True)
    assert house.runners == []


async def test_stale_preparation_is_refused(house: House, three, tmp_path: Path) -> None:
    """A prepared folder whose sources have changed is not painted; one that is none is bad input."""
    async with house.served():
        await house.ask("home")
        with pytest.raises(InputError):
            await house.ask("paint", prepared=str(tmp_path), yes=True)
        source = Path(next(path for path in three.record.sources if path.endswith("three.svg")))
        text = source.read_text()  # noqa: ASYNC240
        source.write_text(text + "<!-- moved -->")  # noqa: ASYNC240
        try:
            with pytest.raises(RefusedError, match=r"three\.svg changed"):
                await house.ask("paint", prepared=str(three.folder), yes=True)
        finally:
            source.write_text(text)  # noqa: ASYNC240


async def test_sigterm_stops_on_the_path_then_ends(house: House, three) -> None:
    """SIGTERM in a pass: a controlled stop, the client hears of it, the service goes down."""
    async with house.served(signals=True):
        await house.ask("home")
        painting = _paint(house, three)
        runner = await _moving(house)
        os.kill(os.getpid(), signal.SIGTERM)
        with pytest.raises(StoppedError):
            await painting
        assert runner.calls[1:] == ["pen teal", "ask_stop", "close"]
    assert house.log[-1]["event"] == "gone"


async def test_service_that_died_is_recovered_by_the_next(house: House) -> None:
    """A run left open in the journal by a death: the next service starts unregistered and says why."""
    with contextlib.closing(Journal.open(house.state.journal, "boathouse")) as journal:
        session = journal.begin_session("home", "", "real")
        journal.begin_run(session, "homing", lambda number: house.state.run_folder(number, "homing"))
    async with house.served():
        status = await house.status()
        assert (status["state"], status["registered"]) == ("unregistered", False)


def test_every_verb_has_arguments() -> None:
    """What the socket takes and what the service runs are the same verbs."""
    assert set(VERBS) == set(ARGUMENTS)


@pytest.mark.parametrize(
    "error",
    [
        InputError([Mistake(Path("job.toml"), "inks", "one", "none", code="file-missing-field")]),
        RefusedError("latched", "clear it", code="latched"),
        HaltedError("the lease ended", "look", code="lease-out"), StoppedError("on the path"),
        FaultError("axis x", "a pass", "a fault"), LinkError("wire", "an answer", "silence"),
        MisuseError("wire", "one", "two"), OSError("disk full"), ZeroDivisionError("division"),
        DiskError("the disk is full"), JournalError("its pages are broken", damaged=True),
    ],
    ids=lambda error: type(error).__name__,
)  # fmt: skip
def test_errors_come_over_as_they_are(error: Exception, capsys: pytest.CaptureFixture[str]) -> None:
    """An error told over the socket gives the command line the exit code and words of one of its own."""
    told = failure(error)
    came = error_in(told)
    if isinstance(error, StoppedError):
        assert (str(came), told["exit"]) == (str(error), 130)
        return
    assert int(report_error(came, as_json=False)) == int(report_error(error, as_json=False)) == told["exit"]
    assert str(error) in str(came)
    assert code_of(came) == code_of(error)


async def test_watchdog_beats_from_the_loop(house: House, tmp_path: Path) -> None:
    """READY once up, WATCHDOG from the loop at half the period, STATUS with the state, STOPPING at the end."""
    path = tmp_path / "notify.sock"
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(path))
    manager.setblocking(False)
    waits: list[float] = []
    turns = asyncio.Semaphore(0)

    async def sleep(seconds: float) -> None:
        waits.append(seconds)
        await turns.acquire()

    notifier = Notifier.of(
        {"NOTIFY_SOCKET": str(path), "WATCHDOG_USEC": "4000000", "WATCHDOG_PID": str(os.getpid())}
    )
    up: asyncio.Future[Service] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(
        serve(
            MACHINE, house.state.root, house.runner, clock="real", signals=False, notifier=notifier, sleep=sleep,
            meanwhile=up.set_result,
        )
    )  # fmt: skip
    service = await up
    for _ in range(3):
        turns.release()
        await asyncio.sleep(0)
        await asyncio.sleep(0)
    service.end("SIGTERM")
    await task
    said = _said(manager)
    manager.close()
    assert said[0] == "READY=1\nSTATUS=unregistered, at rest"
    assert said.count("WATCHDOG=1") == 4
    assert waits == [2.0] * 4
    assert said[-1] == "STOPPING=1\nSTATUS=going down: SIGTERM"


def _said(manager: socket.socket) -> list[str]:
    said: list[str] = []
    with contextlib.suppress(BlockingIOError):
        while True:
            said.append(manager.recv(4096).decode())
    return said


@pytest.mark.parametrize(
    ("environment", "period_s"),
    [
        ({}, 0.0), ({"WATCHDOG_USEC": "1000000"}, 0.0), ({"NOTIFY_SOCKET": "/n"}, 0.0),
        ({"NOTIFY_SOCKET": "@n", "WATCHDOG_USEC": "30000000"}, 30.0),
        ({"NOTIFY_SOCKET": "/n", "WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "7"}, 1.0),
        ({"NOTIFY_SOCKET": "/n", "WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "8"}, 0.0),
        ({"NOTIFY_SOCKET": "n", "WATCHDOG_USEC": "1000000"}, 0.0),
        ({"NOTIFY_SOCKET": "/n", "WATCHDOG_USEC": "-5"}, 0.0),
    ],
)  # fmt: skip
def test_watchdog_only_where_it_is_meant_for_us(environment: dict[str, str], period_s: float) -> None:
    """By sd_notify(3) and sd_watchdog_enabled(3): both variables, and WATCHDOG_PID ours where it is set."""
    notifier = Notifier.of(environment, pid=7)
    assert notifier.watchdog_s == period_s
    notifier.ready("nobody listens")
    notifier.close()


async def test_broken_journal_does_not_end_the_service(house: House, three) -> None:
    """The journal becomes unreadable while nothing runs: status and verbs fail in words, the service stays, and stops
    being in the way when the file is whole again."""
    async with house.served():
        await house.ask("home")
        whole = house.state.journal.read_bytes()
        for beside in ("-wal", "-shm"):
            Path(f"{house.state.journal}{beside}").unlink(missing_ok=True)  # noqa: ASYNC240
        house.state.journal.write_bytes(b"no database at all" * 100)
        broken = await house.status()
        assert (broken["ok"], broken["error"]["kind"]) == (False, "input")
        with pytest.raises(InputError, match="journal"):
            await house.ask("home")
        house.state.journal.write_bytes(whole)
        assert (await house.status())["state"] == "registered"
        await house.ask("home")
    ended = [one["state"] for one in house.log if one["event"] == "verb_ended"]
    assert ended[1].startswith("unknown (")


async def test_error_at_the_beginning_leaves_as_itself(house: House) -> None:
    """A socket that cannot be made (a folder is in its place): the system's own error, and the lock is free again."""
    house.state.control_socket.mkdir()
    with pytest.raises(OSError, match=r"control\.sock"):
        async with house.served():
            pass
    with locked(house.state, "home"):
        pass
