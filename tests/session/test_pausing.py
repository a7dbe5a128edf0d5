"""A pause in a session: what may be asked when, what ends it, and what must have happened before the pass goes on."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Literal

import pytest

from controller.config.errors import HaltedError, RefusedError
from controller.config.places import StateDir, shipped
from controller.session import verbs
from controller.session.daemon import recover
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.pausing import Choice, StoppedError
from controller.session.prepared import Prepared, PreparedPass
from controller.session.runner import Order, PauseAt
from controller.session.service import Service
from controller.session.states import DaemonState
from controller.session.watcher import Watcher
from controller.stream.spec import HoldTask, HomingTask, MoveTask, StreamOutcome
from safety import latch

from .conftest import FakeRunner

STANDING = latch.Latch("stop-asked", "a person asked for it", "", latch.now_text(), 1, standstill="proved")


class Resting(FakeRunner):
    """A pass goes on until it is asked to pause or stop, a hold until it is let go; both may be latched into."""

    def __init__(self, state: StateDir) -> None:
        super().__init__(strokes=1)
        self.clock = "real"  # type: ignore[assignment]
        self.moving = asyncio.Event()
        self.holding = asyncio.Event()
        self._state = state
        self._over = asyncio.Event()
        self.whole = False
        self.hold_end: Literal["stopped", "done"] = "stopped"

    async def run(self, order: Order) -> StreamOutcome:
        """See above. A pass that goes on after a pause is painted whole."""
        task = order.tasks[0]
        if isinstance(task, HomingTask | MoveTask):
            return await super().run(order)
        if not isinstance(task, HoldTask):
            self.strokes = 3 if self.whole else 1
            await super().run(order)
            if self.whole:
                return StreamOutcome(end="done")
        (self.holding if isinstance(task, HoldTask) else self.moving).set()
        if isinstance(task, HoldTask):
            self.orders.append(order)
        await self._over.wait()
        self._over.clear()
        self.whole = True
        latched = latch.read(self._state.latch) is not None
        end = self.hold_end if isinstance(task, HoldTask) else "stopped"
        return StreamOutcome(end="halted" if latched else end, reason="as asked")

    def hold_ends(self) -> None:
        """Whatever lasts is over."""
        self._over.set()

    def ask_stop(self) -> None:
        """The present run ends."""
        super().ask_stop()
        self._over.set()

    def ask_pause(self, at: PauseAt) -> None:
        """The same."""
        super().ask_pause(at)
        self._over.set()

    def stop_now(self, reason: str, by: str) -> None:
        """The guard's work."""
        super().stop_now(reason, by)
        latch.write(self._state.latch, STANDING)
        self._over.set()


class Seen(Watcher):
    """Keeps states and notes."""

    def __init__(self) -> None:
        self.states: list[DaemonState] = []
        self.notes: list[str] = []

    async def said(self, text: str) -> None:
        """Wait for a note with these words."""
        while not any(text in note for note in self.notes):  # noqa: ASYNC110 - what is waited for has no event
            await asyncio.sleep(0.001)

    def state(self, state: DaemonState) -> None:
        """Keep it."""
        self.states.append(state)

    def note(self, text: str) -> None:
        """Keep it."""
        self.notes.append(text)


class Site:
    """A homed machine, and one session that paints three strokes on it."""

    def __init__(self, folder: Path, three: Prepared, motors: str) -> None:
        self.machine = folder / "boathouse.toml"
        text = shipped("machines/boathouse.toml").read_text()
        self.machine.write_text(f'{text}\n[pause]\nmotors = "{motors}"\n')
        self.state = StateDir.open(folder / "s", "boathouse")
        self.three = three
        self.seen = Seen()
        self.runner = Resting(self.state)
        self.question = ""
        self.answer: asyncio.Future[Choice] = asyncio.get_running_loop().create_future()
        self.asked = asyncio.Event()
        self.service: Service | None = None

    def runner_of(self, *_: object) -> Resting:
        """The session's runner."""
        return self.runner

    async def choose(self, question: str) -> Choice:
        """The person's answer, in their own time."""
        self.question = question
        self.asked.set()
        return await self.answer

    def meanwhile(self, service: Service) -> None:
        """The session has come up."""
        self.service = service
        service.pausing.choose = self.choose

    async def paint(self) -> verbs.Done:
        """The session that paints."""
        return await verbs.paint(
            self.three, self.machine, self.state.root, SimulatedOperator(), self.seen, signals=False,
            runner_of=self.runner_of, meanwhile=self.meanwhile,
        )  # fmt: skip

    async def begun(self) -> tuple[asyncio.Task[verbs.Done], Service]:
        """Homed, and the session that paints in the middle of its pass."""
        await verbs.home(
            self.machine, self.state.root, SimulatedOperator(), Watcher(), signals=False,
            runner_of=lambda *_: FakeRunner(),
        )  # fmt: skip
        painting = asyncio.create_task(self.paint())
        await self.runner.moving.wait()
        assert self.service is not None
        return painting, self.service

    @contextlib.asynccontextmanager
    async def paused(self, at: PauseAt = "stroke-end") -> AsyncIterator[asyncio.Task[verbs.Done]]:
        """The session, its pass paused and the person asked."""
        async with asyncio.timeout(20):
            painting, service = await self.begun()
            service.pausing.ask(at, "test")
            asked = asyncio.create_task(self.asked.wait())
            await asyncio.wait({asked, painting}, return_when=asyncio.FIRST_COMPLETED)
            if painting.done():
                painting.result()
            yield painting

    def journal(self) -> contextlib.closing[Journal]:
        """What is written down."""
        return contextlib.closing(Journal.read(self.state.journal))

    def kinds(self) -> list[str]:
        """What was streamed, in order."""
        return [order.tasks[0].kind for order in self.runner.orders]


@pytest.fixture
async def held(tmp_path: Path, three: Prepared) -> Site:
    """Motors hold in a pause."""
    return Site(tmp_path, three, "hold")


@pytest.fixture
async def off(tmp_path: Path, three: Prepared) -> Site:
    """Motors are off in a pause."""
    return Site(tmp_path, three, "off")


async def test_goes_on_without_homing_where_the_motors_held(held: Site) -> None:
    """Parked, held, asked in the state paused; then the two strokes that are left, and nothing twice."""
    async with held.paused() as painting:
        await held.runner.holding.wait()
        assert held.service is not None
        assert held.service.daemon.state is DaemonState.PAUSED
        assert held.kinds() == ["homing", "schedule", "move", "hold"]
        assert held.runner.orders[2].tasks[0].target_mm == held.service.machine.park_mm
        assert held.question == "1 of 3 strokes are painted. Go on, home first, or stop here?"
        held.answer.set_result("go-on")
        done = await painting
    assert held.kinds()[4:] == ["schedule"]
    assert held.runner.calls.count("ask_pause path") == 1  # the hold was let go
    assert held.runner.calls.count("ask_stop") == 0
    assert [one.painted_now for one in done.passes] == [3]
    with held.journal() as journal:
        (row,) = journal.passes()
        assert journal.finished_strokes(row.id) == [0, 1, 2]
        assert journal.sessions()[-1].end == "done"


async def test_homes_first_when_asked(held: Site) -> None:
    """Between hold and the rest of the pass both axes touch their switches."""
    async with held.paused() as painting:
        held.answer.set_result("home")
        await painting
    assert held.kinds() == ["homing", "schedule", "move", "hold", "homing", "schedule"]


async def test_a_pen_that_cannot_be_primed_is_refused_before_homing_in_a_pause(
    held: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The pen in the head goes on, and its tip waits for the homing as well: what that forbids is said before it."""

    def used_up(
        service: Service, prepared: Prepared, part: PreparedPass, later: object, *, homes: bool
    ) -> None:
        assert (part.name, part.fresh_pen, later, homes) == ("teal-1", False, (), True)
        raise RefusedError("the swatch is used up", "clean it", code="swatch-used-up")

    monkeypatch.setattr("controller.session.pausing.check_places", used_up)
    async with held.paused() as painting:
        held.answer.set_result("home")
        with pytest.raises(RefusedError, match="used up"):
            await painting
    assert held.kinds() == ["homing", "schedule", "move", "hold"]


async def test_homing_in_a_pause_is_judged_as_ever(held: Site) -> None:
    """The machine was pushed by more than may be: refused, unregistered, and the pass does not go on."""
    async with held.paused() as painting:
        held.runner.offsets["x"] += 5000 * 25.4
        held.answer.set_result("home")
        with pytest.raises(RefusedError, match="homing refused"):
            await painting
    assert held.seen.states[-1] is DaemonState.UNREGISTERED
    assert held.kinds()[-1] == "homing"


async def test_goes_on_with_homing_where_the_motors_were_off(off: Site) -> None:
    """No hold; the answer go-on homes all the same, and the note says so beforehand."""
    async with off.paused() as painting:
        assert any("the motors are off, so it homes" in note for note in off.seen.notes)
        off.answer.set_result("go-on")
        await painting
    assert off.kinds() == ["homing", "schedule", "move", "homing", "schedule"]


async def test_motors_that_have_held_out_are_off(held: Site) -> None:
    """The hold has come to its end: it is said, the question stands, and the answer go-on homes."""
    async with held.paused() as painting:
        await held.runner.holding.wait()
        hold = held.runner.orders[-1].tasks[0]
        assert isinstance(hold, HoldTask)
        assert hold.seconds == 1800.0
        held.runner.hold_end = "done"
        held.runner.hold_ends()
        await asyncio.wait_for(held.seen.said("have held for 30 min and are off"), 10)
        assert not painting.done()
        held.answer.set_result("go-on")
        await painting
    assert held.kinds()[3:] == ["hold", "homing", "schedule"]
    assert "ask_pause path" not in held.runner.calls


@pytest.mark.parametrize("motors", ["hold", "off"])
async def test_controlled_stop_while_paused(motors: str, tmp_path: Path, three: Prepared) -> None:
    """Nothing moves any more, nothing latches, the machine stays registered, the pass can go on some other day."""
    site = Site(tmp_path, three, motors)
    async with site.paused() as painting:
        if motors == "hold":
            await site.runner.holding.wait()
        assert site.service is not None
        assert site.service.stop("tea", "test") == "controlled"
        before = site.kinds()
        with pytest.raises(StoppedError, match=r"tea|as asked"):
            await painting
    assert site.kinds() == before
    assert latch.read(site.state.latch) is None
    with site.journal() as journal:
        assert journal.registered
        assert journal.open_pass() is not None
        assert journal.finished_strokes(journal.passes()[0].id) == [0]


@pytest.mark.parametrize("motors", ["hold", "off"])
async def test_immediate_stop_while_paused(motors: str, tmp_path: Path, three: Prepared) -> None:
    """The guard latches: halted, and registration is lost."""
    site = Site(tmp_path, three, motors)
    async with site.paused() as painting:
        if motors == "hold":
            await site.runner.holding.wait()
        assert site.service is not None
        assert site.service.stop("smoke", "test", at_once=True) == "immediate"
        with pytest.raises(HaltedError):
            await painting
    assert site.seen.states[-1] is DaemonState.HALTED
    with site.journal() as journal:
        assert not journal.registered


@pytest.mark.parametrize("motors", ["hold", "off"])
async def test_latch_that_comes_while_paused(motors: str, tmp_path: Path, three: Prepared) -> None:
    """The guard's latch, without a word to the service, ends the pause; an answer at that moment moves nothing."""
    site = Site(tmp_path, three, motors)
    async with site.paused() as painting:
        if motors == "hold":
            await site.runner.holding.wait()
        latch.write(site.state.latch, STANDING)
        site.runner.hold_ends()
        if motors == "hold":
            site.answer.set_result("go-on")
        before = site.kinds()
        with pytest.raises(HaltedError, match="stop-asked"):
            await painting
    assert site.kinds() == before
    assert site.seen.states[-1] is DaemonState.HALTED


async def test_stop_here_ends_the_session(held: Site) -> None:
    """The person's stop at the question: as a controlled stop, the pass stays begun."""
    async with held.paused() as painting:
        held.answer.set_result("stop")
        with pytest.raises(StoppedError, match="the pause was ended"):
            await painting
    assert held.seen.states[-1] is DaemonState.PAUSED
    with held.journal() as journal:
        assert journal.registered
        assert journal.sessions()[-1].end.startswith("stopped")


async def test_stop_after_a_request_to_pause_is_a_stop(held: Site) -> None:
    """Pause, then stop before the stroke has ended: nobody is asked, the session ends."""
    painting, service = await held.begun()
    service.pausing.ask("stroke-end", "test")
    assert service.stop("tea", "test") == "controlled"
    with pytest.raises(RefusedError, match="a stop was asked for"):
        service.pausing.ask("path", "test")
    with pytest.raises(StoppedError):
        await painting
    assert not held.asked.is_set()
    assert "move" not in held.kinds()


async def test_what_cannot_be_paused(held: Site) -> None:
    """Nothing runs, no way to ask a person, outside the limits, paused already: refused in words."""
    async with held.paused("path") as painting:
        assert held.service is not None
        with pytest.raises(RefusedError, match="the pass is paused"):
            held.service.pausing.ask("path", "test")
        held.answer.set_result("go-on")
        await painting
    with pytest.raises(RefusedError, match="no pass is being painted"):
        held.service.pausing.ask("path", "test")


async def test_a_place_to_park_outside_the_limits_is_refused(held: Site) -> None:
    """Before anything is asked of the streamer."""
    painting, service = await held.begun()
    with pytest.raises(RefusedError, match="outside the soft limits of axis y"):
        service.pausing.ask("path", "test", (500.0, 9000.0))
    assert not any(call.startswith("ask_pause") for call in held.runner.calls)
    service.pausing.ask("stroke-end", "test", (500.0, 700.0))
    assert service.pausing.ask("path", "test") == "path"  # sooner, and to the same place
    held.answer.set_result("go-on")
    await painting
    assert [call for call in held.runner.calls if "pause" in call][:2] == [
        "ask_pause stroke-end",
        "ask_pause path",
    ]
    assert next(
        order.tasks[0] for order in held.runner.orders if order.tasks[0].kind == "move"
    ).target_mm == (
        500.0,
        700.0,
    )


@pytest.mark.parametrize("motors", ["hold", "off"])
async def test_service_that_dies_while_paused(motors: str, tmp_path: Path, three: Prepared) -> None:
    """Nobody closed the session: the finished stroke stays finished. Unregistered for the next one where the motors
    held; where they were off there was no run to die in, and it stays as a session's end leaves it."""
    site = Site(tmp_path, three, motors)
    async with site.paused() as painting:
        if motors == "hold":
            await site.runner.holding.wait()
        copy = site.state.journal.with_name("as-left.sqlite")
        with site.journal() as journal:
            rows = journal.finished_strokes(journal.passes()[0].id)
        with (
            contextlib.closing(sqlite3.connect(site.state.journal)) as source,
            contextlib.closing(sqlite3.connect(copy)) as target,
        ):
            source.backup(target)
        site.answer.set_result("stop")
        with pytest.raises(StoppedError):
            await painting
    with contextlib.closing(Journal.open(copy, "boathouse")) as left:
        recover(left, site.state)
        assert left.registered is (motors == "off")
        if motors == "hold":
            assert left.registration_reason == "the service died during a run"
        assert left.open_pass() is not None
        assert left.finished_strokes(left.passes()[0].id) == rows == [0]
