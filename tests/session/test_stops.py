"""Ways to stop for a person: whoever asks first and whoever asks again; what is true afterwards."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.config.errors import HaltedError, RefusedError
from controller.config.places import StateDir, shipped
from controller.session import control, remote, verbs
from controller.session.control import ControlServer
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.prepared import PreparedPass
from controller.session.runner import Order
from controller.session.service import StoppedError
from controller.session.watcher import Watcher
from controller.stream.spec import HomingTask, StreamOutcome
from safety import latch
from safety.client import GuardSilentError

from .conftest import FakeRunner
from .obliging import Obliging

MACHINE = shipped("machines/boathouse.toml")


class HoldingRunner(FakeRunner):
    """Runs until it is told to stop: on the path it answers stopped, at once it latches as the guard does."""

    def __init__(self, state: StateDir, *, patient: bool = True) -> None:
        super().__init__()
        self._state = state
        self.moving = asyncio.Event()
        self._asked = asyncio.Event()
        self._patient = patient

    async def run(self, order: Order) -> StreamOutcome:
        """Home at once; else go on until somebody stops it."""
        if isinstance(order.tasks[0], HomingTask):
            return await super().run(order)
        self.orders.append(order)
        self.moving.set()
        await self._asked.wait()
        end = "halted" if latch.read(self._state.latch) is not None else "stopped"
        return StreamOutcome(end=end, reason="as asked")

    def ask_stop(self) -> None:
        """The path is long: only an impatient test lets the stop come to its end."""
        super().ask_stop()
        if not self._patient:
            self._asked.set()

    def stop_now(self, reason: str, by: str) -> None:
        """The guard's work."""
        super().stop_now(reason, by)
        latch.write(
            self._state.latch,
            latch.Latch("stop-asked", f"{by} asked: {reason}", "", latch.now_text(), 1, standstill="proved"),
        )
        self._asked.set()


def _signal(number: signal.Signals) -> Callable[[StateDir], None]:
    return lambda _state: os.kill(os.getpid(), number)


def _socket(verb: str, kind: str = "") -> Callable[[StateDir], None]:
    return lambda state: control.ask(state.control_socket, verb, 2.0, kind) and None


CONTROLLED: dict[str, Callable[[StateDir], None]] = {
    "ctrl-c": _signal(signal.SIGINT),
    "sigterm": _signal(signal.SIGTERM),
    "socket": _socket("stop", "controlled"),
}


@pytest.fixture
def state(tmp_path: Path) -> StateDir:
    """A homed machine's folder."""
    made = StateDir.open(tmp_path / "s", "boathouse")

    async def home() -> None:
        await verbs.home(
            MACHINE,
            made.root,
            SimulatedOperator(),
            Watcher(),
            runner_of=lambda *_: HoldingRunner(made),
            signals=False,
        )

    asyncio.run(home())
    return made


def _paint(three, state: StateDir, runner: HoldingRunner, *asks: Callable[[StateDir], None]) -> None:
    """One session that paints, with these requests one after another once it moves; its errors come out."""

    async def session() -> None:
        painting = asyncio.ensure_future(
            verbs.paint(
                three, MACHINE, state.root, SimulatedOperator(), Watcher(), runner_of=lambda *_: runner
            )
        )
        await runner.moving.wait()
        for ask in asks:
            await asyncio.to_thread(ask, state)
            await asyncio.sleep(0.01)  # a signal is taken in the next turn of the loop
        await painting

    asyncio.run(session())


@pytest.mark.parametrize("first", CONTROLLED)
def test_one_request_is_a_stop_on_the_path(first: str, three, state: StateDir) -> None:
    """Ctrl-C, SIGTERM and the socket ask the streamer, nothing latches, and the pass can go on."""
    runner = HoldingRunner(state, patient=False)
    with pytest.raises(StoppedError):
        _paint(three, state, runner, CONTROLLED[first])
    assert runner.calls.count("ask_stop") == 1
    assert not any(call.startswith("stop_now") for call in runner.calls)
    assert latch.read(state.latch) is None
    journal = Journal.read(state.journal)
    assert journal.registered
    journal.close()


@pytest.mark.parametrize("second", CONTROLLED)
@pytest.mark.parametrize("first", CONTROLLED)
def test_a_second_request_is_at_once(first: str, second: str, three, state: StateDir) -> None:
    """Whoever asks again, it is the guard's stop: halted, latched, registration lost, and nothing begins by itself."""
    runner = HoldingRunner(state)
    with pytest.raises(HaltedError):
        _paint(three, state, runner, CONTROLLED[first], CONTROLLED[second])
    assert [call.split()[0] for call in runner.calls if "stop" in call] == ["ask_stop", "stop_now"]
    assert len(runner.orders) == 2  # the homing and the pass; nothing after the stop
    journal = Journal.read(state.journal)
    assert not journal.registered
    journal.close()


def test_the_socket_can_ask_for_an_immediate_stop(three, state: StateDir) -> None:
    """kind immediate goes to the guard with the first request."""
    runner = HoldingRunner(state)
    with pytest.raises(HaltedError):
        _paint(three, state, runner, _socket("stop", "immediate"))
    assert "ask_stop" not in runner.calls


def test_nothing_restarts_by_itself(three, state: StateDir) -> None:
    """After a latch home and paint are refused and open nothing; cleared, paint still wants homing first."""
    with pytest.raises(HaltedError):
        _paint(three, state, HoldingRunner(state), _socket("stop", "immediate"))
    opened: list[HoldingRunner] = []

    def runner_of(*_: object) -> HoldingRunner:
        opened.append(HoldingRunner(state))
        return opened[-1]

    async def again(home: bool) -> None:
        if home:
            await verbs.home(MACHINE, state.root, SimulatedOperator(), Watcher(), runner_of=runner_of)
        else:
            await verbs.paint(three, MACHINE, state.root, SimulatedOperator(), Watcher(), runner_of=runner_of)

    for home in (True, False):
        with pytest.raises(RefusedError, match="stopped"):
            asyncio.run(again(home))
    assert opened == []
    verbs.clear(MACHINE, state.root, reason="stop-asked", person="Ada")
    with pytest.raises(RefusedError, match="not registered"):
        asyncio.run(again(False))
    assert all("open" not in runner.calls for runner in opened)


def test_a_stop_at_once_while_a_person_is_asked_for_halts(three, state: StateDir) -> None:
    """At the prompt nothing moves; an immediate stop there latches, and the session says halted, not interrupted."""
    asked = asyncio.Event()

    class Slow(SimulatedOperator):
        async def load_pen(self, part: PreparedPass, number: int, count: int) -> bool:
            asked.set()
            await asyncio.Event().wait()
            return True

    async def session() -> None:
        made = HoldingRunner(state)
        painting = asyncio.ensure_future(
            verbs.paint(three, MACHINE, state.root, Slow(), Watcher(), runner_of=lambda *_: made)
        )
        await asked.wait()
        await asyncio.to_thread(_socket("stop", "immediate"), state)
        await painting

    with pytest.raises(HaltedError):
        asyncio.run(session())
    journal = Journal.read(state.journal)
    assert not journal.registered
    journal.close()


# giornata stop --gently


class Guard(threading.Thread):
    """Somebody at the stop socket who answers as the guard does and keeps what was asked."""

    def __init__(self, path: Path) -> None:
        super().__init__(daemon=True)
        self.asked: list[dict[str, str]] = []
        self._door = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._door.bind(str(path))
        self._door.listen(4)
        self.start()

    def run(self) -> None:
        """Answer until closed."""
        with contextlib.suppress(OSError):
            while True:
                line, _ = self._door.accept()
                with line:
                    self.asked.append(json.loads(line.recv(4096)))
                    line.send(json.dumps({"stopped": True, "sent": True, "latch": "there"}).encode())

    def close(self) -> None:
        """Stop listening."""
        with contextlib.suppress(OSError):
            self._door.shutdown(socket.SHUT_RDWR)
        self._door.close()
        self.join(5)


@pytest.fixture
def guard(state: StateDir) -> Iterator[Guard]:
    """The guard's end."""
    made = Guard(state.stop_socket)
    yield made
    made.close()


def test_gently_asks_the_service(state: StateDir, guard: Guard) -> None:
    """A service that answers stops on the path; the guard is not asked."""

    async def ask() -> dict[str, object]:
        server = ControlServer(state.control_socket, Obliging())
        await server.open()
        try:
            return await asyncio.to_thread(verbs.stop, MACHINE, state.root, reason="tea", gently=True)
        finally:
            await server.close()

    answer = asyncio.run(ask())
    assert (answer["kind"], answer["why_at_once"]) == ("controlled", "")
    assert guard.asked == []


def test_gently_becomes_at_once_when_the_service_hangs(state: StateDir, guard: Guard) -> None:
    """A service that takes the call and says nothing within a second: the guard stops, and it is said why."""
    with socket.socket(socket.AF_UNIX) as deaf:
        deaf.bind(str(state.control_socket))
        deaf.listen(1)
        answer = verbs.stop(MACHINE, state.root, reason="tea", gently=True)
    assert answer["kind"] == "immediate"
    assert "does not answer within 1 s" in answer["why_at_once"]
    assert [one["stop"] for one in guard.asked] == ["tea"]


def test_gently_without_service_or_guard(state: StateDir) -> None:
    """Nobody there: refused in words that point at the emergency stop."""
    with pytest.raises(RefusedError, match="emergency stop"):
        verbs.stop(MACHINE, state.root, reason="tea", gently=True)


def test_a_guard_that_does_not_answer_may_be_watching_over_motion(
    state: StateDir, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It took the call and says nothing: nobody is told that no session moves the machine."""
    monkeypatch.setattr(verbs, "GUARD_ANSWER_S", 0.05)
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as deaf:
        deaf.bind(str(state.stop_socket))
        deaf.listen(0)
        # From the second on nobody takes the call: its queue is full, and a guard stands behind it all the same.
        for _ in range(3):
            with pytest.raises(GuardSilentError, match="may be moving: use its emergency stop"):
                verbs.stop(MACHINE, state.root, reason="tea")
    with pytest.raises(RefusedError, match="no guard runs"):
        verbs.stop(MACHINE, state.root, reason="tea")


def test_ctrl_c_at_a_services_client_tells_what_the_guard_did_not_do(
    state: StateDir, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A guard that is silent: the service is asked as well, and the person told; so where no bytes went out."""
    asked: list[tuple[object, ...]] = []

    def silent(*_: object) -> dict[str, object]:
        raise GuardSilentError("stop.sock: the guard does not answer within 2 s")

    monkeypatch.setattr("safety.client.request_stop", silent)
    monkeypatch.setattr(control, "ask", lambda *told: asked.append(told[1:]) or {"ok": True})
    stop = remote._stopper(MACHINE, state.root)
    assert "the machine may be moving: use its emergency stop" in stop(True)
    assert asked == [("stop", 2.0, "immediate")]
    monkeypatch.setattr("safety.client.request_stop", lambda *_: {"stopped": True, "sent": False})
    assert stop(True) == (
        "no stop bytes could be sent but the latch stands. the machine may be moving: use its emergency stop"
    )
    monkeypatch.setattr("safety.client.request_stop", lambda *_: {"stopped": True, "sent": True})
    assert stop(True) == ""


def test_at_once_needs_no_service(state: StateDir, guard: Guard) -> None:
    """Without --gently the service is not even asked."""
    assert verbs.stop(MACHINE, state.root, reason="tea")["kind"] == "immediate"
    assert len(guard.asked) == 1
