"""Measuring as the service decides it, on a runner that answers as told."""

from __future__ import annotations

import pytest

from controller.config.errors import HaltedError, RefusedError
from controller.config.load import load_machine
from controller.config.places import shipped
from controller.motion.probe import LineTest, plan_probe
from controller.session.service import StoppedError
from controller.session.states import DaemonState
from controller.stream.spec import HomingTask, MoveTask, ScheduleTask, StreamOutcome
from drivers.errors import FaultError, LinkError
from safety import latch


@pytest.fixture
def line(tmp_path):
    """A driven line's folder."""
    folder = tmp_path / "line"
    plan_probe(load_machine(shipped("machines/boathouse.toml")), LineTest((100, 100), (200, 150), 200)).save(
        folder
    )
    return folder


async def test_homing_then_the_test_then_park(bench, line) -> None:
    """Homing first, then the schedule with the very offsets of that homing, then the park place; no pass is begun."""
    await bench.service().home()
    bench.runner.orders.clear()
    bench.runner.offsets = {"x": 150.0, "y": -210.0}
    service = bench.service()
    run = await service.measure("line", line)
    homing, driving = bench.runner.orders
    assert homing.tasks == (HomingTask(),)
    assert homing.offset_counts is None
    assert driving.offset_counts == (150.0, -210.0)
    assert driving.tasks == (ScheduleTask(folder=str(line)), MoveTask(target_mm=(120.0, 120.0)))
    assert (run.what, run.pass_id, run.end) == ("line", None, "done")
    assert bench.journal.passes() == []
    assert service.daemon.state is DaemonState.REGISTERED


async def test_refused_before_anything_opens(bench, line) -> None:
    """Never homed, or latched: refused with the remedy, nothing was opened."""
    with pytest.raises(RefusedError, match=r"never homed.*run giornata home"):
        await bench.service().measure("line", line)
    assert bench.runner.calls == []
    await bench.service().home()
    bench.runner.calls.clear()
    latch.write(bench.state.latch, latch.Latch("lease-out", "the lease ended", standstill="proved"))
    with pytest.raises(RefusedError, match=r"lease-out.*giornata clear"):
        await bench.service().measure("line", line)
    assert bench.runner.calls == []


@pytest.mark.parametrize(
    ("end", "error", "registered"),
    [
        ("stopped", StoppedError, True),
        ("refused", LinkError, True),
        ("failed", FaultError, True),
        ("halted", LinkError, False),
    ],
)
async def test_other_ends(bench, line, end: str, error: type[Exception], registered: bool) -> None:
    """A test that does not come to its end is an error; what a halt leaves without a latch is unregistered."""
    await bench.service().home()
    bench.runner.pass_end = StreamOutcome(end=end, reason="axis x: silence")
    with pytest.raises(error, match="axis x: silence"):
        await bench.service().measure("line", line)
    assert bench.journal.registered is registered


async def test_halt_while_measuring(bench, line) -> None:
    """A latch that stands after the run: halted, registration lost."""
    await bench.service().home()
    bench.runner.pass_end = StreamOutcome(end="halted", reason="killed")
    bench.runner.during = lambda: latch.write(
        bench.state.latch, latch.Latch("peer-died", "the streamer died", standstill="proved")
    )
    service = bench.service()
    with pytest.raises(HaltedError, match=r"the streamer died \(peer-died\)"):
        await service.measure("line", line)
    assert service.daemon.state is DaemonState.HALTED
    assert not bench.journal.registered


async def test_a_pen_that_would_come_down_is_no_test(bench, three) -> None:
    """A schedule that lowers the pen is never driven as a test."""
    await bench.service().home()
    bench.runner.orders.clear()
    with pytest.raises(ValueError, match="pen up"):
        await bench.service().measure("line", three.pass_folder("teal-1") / "schedule")
    assert bench.runner.orders == []
