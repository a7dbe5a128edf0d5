"""Every kind of head on the simulated gantry: it paints, every controlled stop raises the pen, a lost head halts."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.stream.spec import HomingTask, ScheduleTask
from drivers.clock import VirtualClock
from drivers.registry import group_on_link
from drivers.settings import CanWire
from drivers.twin.virtual import VirtualGantry
from drivers.twin.virtuallinks import VirtualLink

from .conftest import wave_schedule
from .heads import HeadWorld, heads

KINDS = tuple(heads())
MS = 1_000_000


def painting(world: HeadWorld, folder: Path) -> tuple[ScheduleTask]:
    """A short wave."""
    wave_schedule(world.machine, strokes=1).save(folder / "schedule")
    return (ScheduleTask(folder=str(folder / "schedule")),)


def when_down(world: HeadWorld, act: object, *, after_ms: float = 400.0) -> None:
    """Have ``act`` once, so long after the pen has come down."""
    down: list[int] = []
    done: list[bool] = []

    def look(now_ns: int) -> None:
        if world.gantry.lift.is_down and not down:
            down.append(now_ns)
        if down and not done and now_ns >= down[0] + after_ms * MS:
            done.append(True)
            assert callable(act)
            act()

    world.clock.on_advance(look)


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_paints(tmp_path: Path, kind: str) -> None:
    """The pass ends done, its stroke is on the canvas, the pen is up at the end."""
    world = HeadWorld(tmp_path, heads()[kind])
    outcome = world.run(*painting(world, tmp_path))
    assert outcome.end == "done", outcome.reason
    assert world.guard.verdict is None
    assert world.gantry.canvas.strokes == 1
    assert world.gantry.lift.is_up


@pytest.mark.parametrize("kind", KINDS)
def test_a_controlled_stop_raises_the_pen(tmp_path: Path, kind: str) -> None:
    """Asked to stop in a stroke: stopped, no latch, and the true lift is up before the drives lose their power."""
    world = HeadWorld(tmp_path, heads()[kind])

    def ask() -> None:
        assert world.gantry.lift.is_down
        world.stop.asked = True

    when_down(world, ask)
    outcome = world.run(*painting(world, tmp_path))
    assert outcome.end == "stopped", outcome.reason
    assert world.gantry.lift.is_up
    assert world.guard.verdict is None


@pytest.mark.parametrize("kind", ["drive-output", "node", "node-force", "serial-travel", "described"])
def test_a_head_that_sticks_halts_the_pass(tmp_path: Path, kind: str) -> None:
    """The lift jams while it is down: the raise is not answered, the run halts at rest and says so."""
    world = HeadWorld(tmp_path, heads()[kind])
    when_down(world, world.gantry.jam_head, after_ms=20.0)
    outcome = world.run(*painting(world, tmp_path))
    assert outcome.end == "halted"
    assert "head: expected it up" in outcome.reason
    assert "not there within 1000 ms" in outcome.reason
    assert "told to rise and has not answered" in outcome.reason
    now_ns = world.clock.now_ns()
    world.world.link.reopen()
    world.clock.sleep_until_ns(now_ns + 600 * MS)
    travel_mm = world.gantry.record().travel_mm(now_ns + 300 * MS, now_ns + 600 * MS)
    assert travel_mm == pytest.approx([0.0, 0.0], abs=1e-6)


@pytest.mark.parametrize("kind", ["node", "serial", "described"])
def test_a_head_that_falls_silent_in_a_stroke_halts_the_pass(tmp_path: Path, kind: str) -> None:
    """No word of it: never taken for healthy. Both axes stand by the gantry's own record."""
    world = HeadWorld(tmp_path, heads()[kind])
    device = world.gantry.guest or (world.world.head_line and world.world.head_line.device)
    at: list[int] = []

    def fall_silent() -> None:
        at.append(world.clock.now_ns())
        assert device is not None
        device.is_silent = True

    when_down(world, fall_silent)
    outcome = world.run(*painting(world, tmp_path))
    assert outcome.end == "halted"
    assert "head: expected it" in outcome.reason
    assert "no word of it" in outcome.reason or "no heartbeat" in outcome.reason
    assert world.clock.now_ns() - at[0] < 1500 * MS


@pytest.mark.parametrize("kind", ["serial", "described"])
def test_a_dead_port_is_told_in_the_words_of_the_halt(tmp_path: Path, kind: str) -> None:
    """The port is pulled in a stroke: the pen cannot be raised, and the halt says so."""
    world = HeadWorld(tmp_path, heads()[kind])
    line = world.world.head_line
    assert line is not None

    def pull() -> None:
        line.is_broken = True

    when_down(world, pull)
    outcome = world.run(*painting(world, tmp_path))
    assert outcome.end == "halted"
    assert "hung up" in outcome.reason
    assert "could not be told to rise" in outcome.reason
    assert "may still press" in outcome.reason


def test_a_node_with_a_slow_heartbeat_is_waited_for(tmp_path: Path) -> None:
    """A heartbeat a second, and half a second for an answer: the node's state is known with its next heartbeat."""
    machine = HeadWorld(tmp_path, heads()["node"]).machine
    assert isinstance(machine.wire, CanWire)
    assert machine.twin is not None
    wire = machine.wire.model_copy(update={"heartbeat_ms": 1000, "heartbeat_lost_after_ms": 3000})
    settings = machine.model_copy(update={"wire": wire}).group_settings()
    clock = VirtualClock()
    group = group_on_link(settings, VirtualGantry(settings, machine.twin, clock).link, clock)
    group.configure()
    group.close()


def test_a_dead_bus_is_told_in_the_words_of_the_halt(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pen on a drive's output, and the adapter is pulled in a stroke: nobody says that the pen was told."""
    world = HeadWorld(tmp_path, heads()["drive-output"])
    link = world.world.link
    assert isinstance(link, VirtualLink)
    monkeypatch.setattr(
        world.world, "put_stop", lambda: None
    )  # the same adapter: the guard's stop is lost as well
    when_down(world, link.close)
    outcome = world.run(*painting(world, tmp_path))
    assert outcome.end == "halted"
    assert "simulated wire" in outcome.reason
    assert "could not be told to rise" in outcome.reason


def test_a_node_raises_the_pen_by_itself_when_our_heartbeat_ends(tmp_path: Path) -> None:
    """The bus is cut in a stroke: nothing of ours arrives any more, and the pen is up all the same."""
    world = HeadWorld(tmp_path, heads()["node"])
    link = world.world.link
    assert isinstance(link, VirtualLink)

    def cut() -> None:
        link.plugged = False

    when_down(world, cut)
    outcome = world.run(*painting(world, tmp_path))
    assert outcome.end == "halted"
    world.clock.sleep_until_ns(world.clock.now_ns() + 600 * MS)
    assert world.gantry.lift.is_up


@pytest.mark.parametrize("kind", ["node", "serial", "described"])
def test_a_head_that_does_not_answer_is_refused_before_anything_moves(tmp_path: Path, kind: str) -> None:
    """Silent from the start: refused, naming the head."""
    world = HeadWorld(tmp_path, heads()[kind])
    device = world.gantry.guest or (world.world.head_line and world.world.head_line.device)
    assert device is not None
    device.is_silent = True
    outcome = world.run(HomingTask())
    assert outcome.end == "refused"
    assert "head (" in outcome.reason


@pytest.mark.parametrize("kind", ["node-force", "serial-travel"])
def test_a_head_that_answers_late_is_waited_for(tmp_path: Path, kind: str) -> None:
    """Answers 30 ms late: the plan waits at its gates, nothing is lost, and the pass ends done."""
    world = HeadWorld(tmp_path, heads()[kind])
    device = world.gantry.guest or (world.world.head_line and world.world.head_line.device)
    assert device is not None
    device.late_ns = 30 * MS
    outcome = world.run(*painting(world, tmp_path))
    assert outcome.end == "done", outcome.reason
