"""Jogs and waits of the commissioning: exact ways, gentle ramps, no homing asked for, and an end at every limit."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.stream.jog import BITS, JogProgram
from controller.stream.programs import Seen
from controller.stream.spec import HoldTask, JogTask, MoveTask, WaitTask
from safety.beat import REGISTERED

from .conftest import Rig, machine_with

MACHINE = machine_with()


def jog(distance_mm: float, speed: float = 10.0, acceleration: float = 100.0, axis: str = "x") -> JogTask:
    """A jog at low energy."""
    return JogTask(axis=axis, distance_mm=distance_mm, speed_mm_s=speed, acceleration_mm_s2=acceleration)  # type: ignore[arg-type]


def velocities(program: JogProgram, seen: Seen | None = None) -> np.ndarray:
    """All ticks that a program sends, drive units of x and y."""
    sent = []
    while program.step(seen or Seen([0, 0], [0, 0])):
        sent.append((program.velocity_x, program.velocity_y))
        assert len(sent) < 1_000_000
    return np.array(sent, dtype=np.int64).reshape(-1, 2)


@settings(max_examples=40)
@given(
    distance=st.floats(-40.0, 40.0).filter(lambda mm: abs(mm) > 0.01),
    speed=st.floats(5.0, 600.0),
    acceleration=st.floats(20.0, 5000.0),
    axis=st.sampled_from(["x", "y"]),
)
def test_a_jog_is_a_trapezoid_of_exactly_its_way(
    distance: float, speed: float, acceleration: float, axis: str
) -> None:
    """Its ticks add up to the way on the quantum grid, never above speed and acceleration (to a unit of rounding), on
    its axis alone; it takes no shorter than the textbook's trapezoid, d/v + v/a, or the triangle, 2 sqrt(d/a)."""
    index = ("x", "y").index(axis)
    sent = velocities(JogProgram(jog(distance, speed, acceleration, axis), MACHINE))
    per_mm = MACHINE.quanta_per_mm(axis)
    assert sent[:, index].sum() == round(distance * per_mm)
    assert not sent[:, 1 - index].any()
    tick_s = MACHINE.tick_ns * 1e-9
    units_per_mm_s = abs(per_mm) * tick_s
    assert np.abs(sent).max() <= max(1, speed * units_per_mm_s)
    steps = np.diff(sent[:, index], prepend=0, append=0)
    assert np.abs(steps).max() <= max(1, acceleration * tick_s * units_per_mm_s) + 1
    way = abs(distance)
    bound_s = (
        way / speed + speed / acceleration
        if way > speed**2 / acceleration
        else 2 * math.sqrt(way / acceleration)
    )
    assert len(sent) * tick_s >= bound_s - 3 * tick_s - 0.01 * bound_s


def test_an_unregistered_machine_jogs(rig: Rig) -> None:
    """From wherever it stands, without a homing, to a count; the machine was never called registered."""
    before = [motor.mm for motor in rig.group.motors]
    outcome = rig.run(jog(5.0), jog(-3.0, axis="y"), registered=False)
    assert outcome.end == "done", outcome.reason
    after = [motor.mm for motor in rig.group.motors]
    assert after[0] - before[0] == pytest.approx(5.0, abs=0.01)
    assert after[1] - before[1] == pytest.approx(-3.0, abs=0.01)
    assert not any(beat[-1] & REGISTERED for beat in rig.beats.beats)


@pytest.mark.parametrize(
    ("task", "words"),
    [
        (jog(501.0), "up to 500 mm"),
        (jog(5.0, speed=51.0), "up to 50 mm/s"),
        (jog(5.0, acceleration=5001.0), "up to 5000 mm/s2"),
        (jog(0.0), "above 0"),
        (MoveTask(target_mm=(100.0, 100.0)), "unregistered"),
    ],
)
def test_without_a_homing_only_short_slow_jogs_pass(rig: Rig, task: JogTask | MoveTask, words: str) -> None:
    """Anything else is refused before a drive is touched, beside a jog as well as alone."""
    outcome = rig.run(jog(1.0), task, registered=False)
    assert outcome.end == "refused"
    assert words in outcome.reason
    assert rig.group.calls == []


def test_a_limit_input_ends_a_jog(tmp_path: Path) -> None:
    """Driven towards the low end without knowing where that is: at rest within the ramp's way, and said so."""
    rig = Rig(tmp_path, start_mm=(3.0, 220.0))
    outcome = rig.run(jog(-50.0), registered=False)
    assert outcome.end == "failed"
    assert "a limit input closed on the way" in outcome.reason
    assert -1.5 < rig.group.motors[0].mm < 0.0
    again = Rig(tmp_path, start_mm=(-0.5, 220.0)).run(jog(5.0), registered=False)
    assert again.end == "failed"
    assert "closed before the jog" in again.reason


def test_a_registered_jog_keeps_to_the_soft_limits(rig: Rig) -> None:
    """One that would end beyond does not begin; no latch, since nothing was wrong but the wish."""
    outcome = rig.run(jog(-290.0, speed=100.0))
    assert outcome.end == "failed"
    assert "expected an end from 20 to 3380 mm, got 10.0" in outcome.reason
    assert rig.group.motors[0].mm == pytest.approx(300.0, abs=0.01)
    assert Rig(rig.folder).run(jog(-279.0, speed=100.0)).end == "done"


def test_a_stop_ends_a_jog_on_its_ramp(rig: Rig) -> None:
    """A controlled stop in the middle comes to rest by the jog's own deceleration."""
    rig.group.before_send = lambda tick: setattr(rig.stop, "asked", tick > 250)
    outcome = rig.run(jog(50.0), registered=False)
    assert outcome.end == "stopped"
    assert 8.0 < rig.group.motors[0].mm - 300.0 < 12.0


@pytest.mark.parametrize("name", BITS)
def test_an_input_closed_by_hand_ends_the_wait(rig: Rig, name: str) -> None:
    """The axes stand under power of their own, the person presses, the wait is over; nothing has moved."""
    rig.group.before_send = lambda tick: rig.group.more_inputs.__setitem__(1, BITS[name] if tick > 100 else 0)  # type: ignore[index]
    outcome = rig.run(WaitTask(axis="y", input=name, seconds=5.0), registered=False)  # type: ignore[arg-type]
    assert outcome.end == "done", outcome.reason
    assert not np.array([sent[1] for sent in rig.group.sent]).any()


def test_a_wait_tells_another_switch_silence_and_one_that_is_closed(tmp_path: Path) -> None:
    """Swapped wires, a switch that is not wired and one that hangs are failures in words."""
    wait = WaitTask(axis="y", input="negative-limit", seconds=1.0)
    rig = Rig(tmp_path)
    rig.group.before_send = lambda tick: rig.group.more_inputs.__setitem__(0, 2 if tick > 100 else 0)
    assert "another input closed instead: axis x, positive limit" in rig.run(wait, registered=False).reason
    assert (
        "an open one all the time" in Rig(tmp_path).run(wait, HoldTask(seconds=1.0), registered=False).reason
    )
    closed = Rig(tmp_path)
    closed.group.more_inputs[1] = 1
    assert "expected the input open before" in closed.run(wait, registered=False).reason
