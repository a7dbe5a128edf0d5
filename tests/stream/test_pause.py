"""A run that is asked to end after the stroke in work, and one that holds: programs, the loop, the process."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.motion.schedule import SegmentKind
from controller.stream.programs import HoldProgram, PathProgram, Seen
from controller.stream.spec import HoldTask, StreamSpec
from tests.bench.world import World, swing

from .conftest import Rig, machine_with, painted, wave_schedule

MACHINE = machine_with()
WAVES = wave_schedule(MACHINE, 4, 40)
WAIT_S = 30.0


def _ended(at: int, *, stop_at: int | None = None) -> tuple[np.ndarray, PathProgram]:
    """All ticks of four strokes, asked to end before tick ``at`` (and to stop before ``stop_at``)."""
    program, out = PathProgram(WAVES, MACHINE), []
    word = Seen([0, 0], [0, 0], True, True)
    for tick in range(5000):
        if tick == at:
            program.request_end()
        if tick == stop_at:
            program.request_stop()
        if not program.step(word):
            return np.array(out), program
        out.append((program.velocity_x, program.velocity_y, program.head, program.segment))
    raise AssertionError("does not end")


@settings(max_examples=60, deadline=None)
@given(at=st.integers(0, WAVES.ticks - 1))
def test_end_comes_after_the_stroke_in_work_and_before_the_next(at: int) -> None:
    """Law: pen down at that tick, exactly the plan up to where it has come up; pen up, no further stroke is begun. It
    ends at rest with the pen up."""
    out, program = _ended(at)
    assert program.ending
    assert not len(out) or not out[-1][:3].any()
    segments = WAVES.segments
    lowered = segments[segments["kind"] == SegmentKind.LOWER]
    begun = lowered[lowered["first_tick"] < at]["stroke"]
    drawn = out[out[:, 2] == 1][:, 3] if len(out) else np.zeros(0, dtype=int)
    assert set(segments["stroke"][drawn].tolist()) == set(begun.tolist())
    kind = segments["kind"][np.asarray(WAVES.segment)[at]]
    if np.asarray(WAVES.head)[max(at - 1, 0)] or kind == SegmentKind.RAISE:
        raised = segments[(segments["kind"] == SegmentKind.RAISE) & (segments["stroke"] == begun[-1])]
        (one,) = raised
        assert len(out) == one["first_tick"] + one["ticks"]
        assert np.array_equal(out[:, :2], WAVES.velocity_units[: len(out)])
        assert not program.stopping


def test_a_stop_may_follow_a_request_to_end() -> None:
    """Asked to end in the middle of a long stroke, then to stop: rest on the path at once, pen up."""
    middle = int(np.flatnonzero(np.asarray(WAVES.head))[20])
    waited, _ = _ended(middle)
    out, program = _ended(middle, stop_at=middle + 3)
    assert program.stopping
    assert (out[-1][:3] == 0).all()
    assert np.flatnonzero(out[:, :2].any(axis=1))[-1] < np.flatnonzero(waited[:, :2].any(axis=1))[-1]


def test_hold_stands_for_its_ticks_or_until_asked() -> None:
    """Zero velocity, pen up; a stop ends it with the next tick."""
    word = Seen([0, 0], [0, 0], True, True)
    hold = HoldProgram(7)
    assert [hold.step(word) for _ in range(8)] == [True] * 7 + [False]
    hold = HoldProgram(10**9)
    assert hold.step(word)
    hold.request_end()
    assert not hold.step(word)


def test_end_after_the_stroke_in_the_loop(rig: Rig) -> None:
    """The flag in mid-stroke: outcome stopped, disarmed, and no record bears the mark of a stop in progress."""

    def ask(_tick: int) -> None:
        if rig.group.head_goal == 1 and abs(rig.group.motors[0].speed) > 1e4:
            rig.stop.stroke_end = True

    rig.group.before_send = ask
    outcome = rig.run(painted(rig))
    assert (outcome.end, outcome.reason) == ("stopped", "an end after the stroke was asked for")
    assert rig.beats.words == ["arm", "disarm"]
    assert rig.group.head_goal == 0
    records = rig.records()
    assert not (records["flags"] & 2).any()
    strokes = wave_schedule(rig.machine).segments["stroke"]
    assert set(strokes[records["segment"][records["head"] == 1]].tolist()) == {0}


def test_hold_in_the_loop(rig: Rig) -> None:
    """Enabled and armed, a beat with every tick, nothing moves; done after its time."""
    outcome = rig.run(HoldTask(seconds=0.4))
    assert outcome.end == "done"
    records = rig.records()
    assert 0.4e9 <= records["sent_ns"][-1] - records["sent_ns"][0] < 0.6e9
    assert not (records["velocity_units"] - records["trim_units"]).any()
    assert (records["segment"] == -1).all()
    assert rig.beats.words == ["arm", "disarm"]


@pytest.mark.realtime
def test_signals_of_a_pause(tmp_path: Path) -> None:
    """A hold of an hour on a pty: SIGUSR2 ends it under control; after it a stop is still a first one. No latch."""
    with World(4000) as world:
        spec_file, ring = world.prepare(swing(world.machine, 0.2))
        spec = StreamSpec.model_validate_json(spec_file.read_text())
        spec = spec.model_copy(update={"tasks": (HoldTask(seconds=3600.0),)})
        spec_file.write_text(spec.model_dump_json())
        child = subprocess.Popen(
            [sys.executable, "-m", "controller.stream", str(spec_file)], stdout=subprocess.PIPE, text=True
        )
        try:
            assert child.stdout is not None
            assert json.loads(child.stdout.readline())["event"] == "ready"
            while not len(ring.drain().records):
                pass
            child.send_signal(signal.SIGUSR2)
            child.send_signal(signal.SIGTERM)
            said = json.loads(child.stdout.readline())
            assert child.wait(WAIT_S) == 0
        finally:
            child.kill()
            child.wait()
            if child.stdout is not None:
                child.stdout.close()
            ring.close()
            ring.path.unlink(missing_ok=True)
        assert (said["event"], said["end"]) == ("outcome", "stopped"), said
        outcome, _ = world.stream(swing(world.machine, 0.2))
        assert outcome.end == "done", outcome.reason
