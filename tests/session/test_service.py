"""The service's decisions, on a runner that answers as told."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from controller.config.errors import HaltedError, RefusedError
from controller.config.places import StateDir
from controller.session.daemon import locked, recover
from controller.session.journal import Journal
from controller.session.prepared import PreparedPass
from controller.session.service import StoppedError
from controller.session.states import DaemonState
from controller.session.watcher import Watcher
from controller.stream.spec import HomingTask, MoveTask, ScheduleTask, StreamOutcome
from drivers.errors import FaultError, LinkError
from safety import latch


async def _homed(bench) -> None:
    await bench.service().home()
    bench.runner.orders.clear()


async def test_pass_is_streamed_with_the_homing_before_it(bench, three) -> None:
    """Pen, homing, then the whole schedule with the very offsets of that homing; journalled as finished."""
    await _homed(bench)
    bench.runner.offsets = {"x": 150.0, "y": -210.0}
    service = bench.service()
    (result,) = await service.paint(three, ["teal-1"])
    assert (result.state, result.painted_now) == ("finished", 3)
    homing, painting = bench.runner.orders
    assert homing.tasks == (HomingTask(),)
    assert {one.axis: one.offset_counts for one in homing.previous_homing} == {"x": 100.0, "y": -200.0}
    assert painting.offset_counts == (150.0, -210.0)
    (task,) = painting.tasks
    assert (task.first_segment, task.last_segment) == (0, None)
    assert bench.runner.calls == ["open", "open", "pen teal"]
    assert service.daemon.state is DaemonState.REGISTERED
    assert service.status()["strokes"] == 3


async def test_homing_and_priming_tell_nothing_of_the_pass_before(bench, three) -> None:
    """Behind a painted pass: its ticks and strokes are neither the homing's nor those of a schedule of no pass."""
    await _homed(bench)
    seen: list[dict[str, int]] = []

    def look() -> None:
        seen.append(
            {name: service.status()[name] for name in ("ticks", "ticks_sent", "strokes", "strokes_finished")}
        )

    class Looking(Watcher):
        def homing_begun(self) -> None:
            look()

    service = bench.service(Looking())
    await service.paint(three, ["teal-1"])
    seen.clear()
    await service.home()
    assert seen == [{"ticks": 0, "ticks_sent": 0, "strokes": 0, "strokes_finished": 0}]
    await service.paint(three, ["teal-1"], again=True)
    seen.clear()
    bench.runner.during = look
    await service.drive("prime-teal", three.pass_folder("teal-1") / "schedule", three.part("teal-1"))
    ticks = three.schedule("teal-1").ticks
    assert seen == [{"ticks": ticks, "ticks_sent": 0, "strokes": 0, "strokes_finished": 0}]


async def test_unregistered_is_refused_before_anything_opens(bench, three) -> None:
    """Never homed: refused with the remedy; the runner was not even opened."""
    with pytest.raises(RefusedError, match=r"never homed.*run giornata home"):
        await bench.service().paint(three, ["teal-1"])
    assert bench.runner.calls == []


async def test_latched_is_refused_before_anything_opens(bench, three) -> None:
    """A latch refuses painting and homing with its reason."""
    await _homed(bench)
    bench.runner.calls.clear()
    latch.write(bench.state.latch, latch.Latch("lease-out", "the lease ended", standstill="proved"))
    for verb in (bench.service().paint(three, ["teal-1"]), bench.service().home()):
        with pytest.raises(RefusedError, match=r"the lease ended \(lease-out\).*giornata clear"):
            await verb
    assert bench.runner.calls == []


async def test_stopped_pass_resumes_with_what_is_missing(bench, three) -> None:
    """After a controlled stop with one stroke finished, the next run streams from the second's travel on."""
    await _homed(bench)
    bench.runner.strokes, bench.runner.pass_end = 1, StreamOutcome(end="stopped", reason="SIGTERM")
    service = bench.service()
    with pytest.raises(StoppedError):
        await service.paint(three, ["teal-1"])
    assert service.daemon.state is DaemonState.PAUSED
    bench.runner.strokes, bench.runner.pass_end = 3, StreamOutcome(end="done")
    (result,) = await bench.service().paint(three, ["teal-1"])
    assert (result.strokes, result.painted_now) == (3, 2)
    (task,) = bench.runner.orders[-1].tasks
    assert task.first_segment == 5
    assert len(bench.journal.passes()) == 1


async def test_hole_in_the_middle_is_painted_alone(bench, three) -> None:
    """With the outer strokes finished only the middle one is streamed, then the head goes to its park place."""
    await _homed(bench)
    bench.runner.strokes, bench.runner.pass_end = 1, StreamOutcome(end="stopped")
    with pytest.raises(StoppedError):
        await bench.service().paint(three, ["teal-1"])
    row = bench.journal.open_pass()
    assert row is not None
    bench.journal.finish_strokes(row.id, bench.journal.runs()[-1].id, [(2, 9)])
    bench.runner.pass_end = StreamOutcome(end="done")
    await bench.service().paint(three, ["teal-1"])
    part, park = bench.runner.orders[-1].tasks
    assert isinstance(part, ScheduleTask)
    assert (part.first_segment, part.last_segment) == (5, 9)
    assert park == MoveTask(target_mm=(120.0, 120.0))


async def test_halt_during_a_pass(bench, three) -> None:
    """A latch that stands after a run: halted, registration lost, pass halted, and finished strokes kept."""
    await _homed(bench)
    bench.runner.strokes, bench.runner.pass_end = 2, StreamOutcome(end="halted", reason="killed")
    bench.runner.during = lambda: latch.write(
        bench.state.latch, latch.Latch("peer-died", "the streamer died", standstill="proved")
    )
    service = bench.service()
    with pytest.raises(HaltedError, match=r"the streamer died \(peer-died\)"):
        await service.paint(three, ["teal-1"])
    assert service.daemon.state is DaemonState.HALTED
    assert not bench.journal.registered
    (row,) = bench.journal.passes()
    assert (row.state, bench.journal.finished_strokes(row.id)) == ("halted", [0, 1])
    assert "peer-died" in next(event.text for event in bench.journal.events() if event.kind == "latch")


async def test_done_with_a_latch_is_halted_all_the_same(bench, three) -> None:
    """Whatever the streamer says, a standing latch decides."""
    await _homed(bench)
    bench.runner.during = lambda: latch.write(
        bench.state.latch, latch.Latch("stop-asked", "a person asked", standstill="proved")
    )
    with pytest.raises(HaltedError):
        await bench.service().paint(three, ["teal-1"])
    assert not bench.journal.registered


@pytest.mark.parametrize(
    ("end", "error", "registered"),
    [("refused", LinkError, True), ("failed", FaultError, True), ("halted", LinkError, False)],
)
async def test_other_ends(bench, three, end: str, error: type[Exception], registered: bool) -> None:
    """A run that did not begin, could not end, or halted without any latch: an error each, the pass stays open."""
    await _homed(bench)
    bench.runner.strokes, bench.runner.pass_end = 0, StreamOutcome(end=end, reason="axis x: silence")
    service = bench.service()
    with pytest.raises(error, match="axis x: silence"):
        await service.paint(three, ["teal-1"])
    assert bench.journal.registered is registered
    row = bench.journal.open_pass()
    assert row is not None
    assert row.state == "stopped"
    expected = DaemonState.PAUSED if registered else DaemonState.UNREGISTERED
    assert service.daemon.state is expected


async def test_refused_homing_unregisters(bench, three) -> None:
    """Touches that spread too far are refused by the tolerance of the file, written down, and nothing is painted."""
    await _homed(bench)
    bench.runner.spread_mm = 0.2
    service = bench.service()
    with pytest.raises(RefusedError, match=r"spread over 0\.200 mm"):
        await service.paint(three, ["teal-1"])
    assert service.daemon.state is DaemonState.UNREGISTERED
    assert not bench.journal.registered
    assert [row.accepted for row in bench.journal.homings()] == [True, True, False, False]
    assert all(isinstance(order.tasks[0], HomingTask) for order in bench.runner.orders)


async def test_difference_needs_a_persons_word(bench) -> None:
    """A homing 1 mm from the last is refused; with a person's word it is accepted and the difference kept."""
    await _homed(bench)
    bench.runner.offsets = {"x": 100.0 + 5400.0, "y": -200.0}
    with pytest.raises(RefusedError, match="differs by"):
        await bench.service().home()
    rows = await bench.service().home(accept_difference=True)
    # 324 000 counts for 60 mm of travel a turn: 5400 counts a mm.
    assert {row.axis: row.difference_mm for row in rows} == {"x": pytest.approx(1.0), "y": pytest.approx(0.0)}
    assert bench.journal.registered


async def test_person_declines(bench, three) -> None:
    """No pen, no motion: not even homing; the machine stays registered."""
    await _homed(bench)

    async def no(_ink: PreparedPass, _number: int, _count: int) -> bool:
        return False

    bench.operator.load_pen = no
    service = bench.service()
    with pytest.raises(StoppedError, match="teal pen was not confirmed"):
        await service.paint(three, ["teal-1"])
    assert bench.runner.orders == []
    assert service.daemon.state is DaemonState.REGISTERED


async def test_stop_while_waiting_for_a_person(bench, three) -> None:
    """Ctrl-C at the prompt ends the session without motion."""
    await _homed(bench)

    asked = asyncio.Event()

    async def never(_ink: PreparedPass, _number: int, _count: int) -> bool:
        asked.set()
        await asyncio.Event().wait()
        return True

    bench.operator.load_pen = never
    service = bench.service()
    painting = asyncio.ensure_future(service.paint(three, ["teal-1"]))
    await asked.wait()
    assert service.daemon.state is DaemonState.WAITING
    service.stop("SIGINT", "signal")
    with pytest.raises(StoppedError):
        await painting
    assert bench.runner.orders == []
    assert "SIGINT by signal" in [event.text for event in bench.journal.events()]


async def test_stop_goes_to_the_streamer_then_to_the_guard(bench, three) -> None:
    """During a run the first stop asks the streamer, the second the guard."""
    await _homed(bench)
    service = bench.service()

    def twice() -> None:
        service.stop("SIGINT", "signal")
        service.stop("SIGINT", "signal")

    bench.runner.during, bench.runner.pass_end = twice, StreamOutcome(end="stopped")
    with pytest.raises(StoppedError):
        await service.paint(three, ["teal-1"])
    assert bench.runner.calls[-2:] == ["ask_stop", "stop_now SIGINT signal"]


async def test_error_in_a_run_is_written_down(bench, three) -> None:
    """A bug while a run lasts ends the run as died; nothing is left open in the journal but the pass."""
    await _homed(bench)

    def bug() -> None:
        raise ZeroDivisionError

    bench.runner.during = bug
    with pytest.raises(ZeroDivisionError):
        await bench.service().paint(three, ["teal-1"])
    assert bench.journal.runs()[-1].end == "died"
    assert bench.journal.finished_strokes(bench.journal.passes()[0].id) == [0, 1, 2]


def test_recovery_after_a_dead_service(bench, three) -> None:
    """What a dead service left open is ended, and a machine that was in a run is no longer registered."""
    asyncio.run(_homed(bench))
    session = bench.journal.begin_session("paint")
    recover(bench.journal, bench.state)
    assert bench.journal.registered  # it died, but not in a run
    bench.journal.begin_run(session, "homing", lambda number: Path(str(number)))
    recover(bench.journal, bench.state)
    assert not bench.journal.registered
    assert bench.journal.runs()[-1].end == "died"
    assert all(row.ended_ms is not None for row in bench.journal.sessions())


def test_lock_names_its_holder_and_goes_with_it(tmp_path: Path) -> None:
    """A second lock is refused with verb and pid of the first; after the first it is free."""
    state = StateDir.open(tmp_path / "s", "boathouse")
    with locked(state, "paint"):
        with pytest.raises(RefusedError, match=r"giornata paint, pid \d+"), locked(state, "home"):
            pass
        state.lock.write_text("scribble")
        with pytest.raises(RefusedError, match="of unknown pid"), locked(state, "home"):
            pass
    with locked(state, "home"):
        pass
    Journal.open(state.journal, "boathouse").close()
