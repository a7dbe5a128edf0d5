"""The streamer as a process: what it says and how it ends. Real time, on a pty, under a real guard."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from controller.stream.spec import MoveTask, StreamOutcome, StreamSpec
from tests.bench.world import World, swing

from .conftest import MACHINE_FILE

WAIT_S = 30.0


def run_child(argument: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "controller.stream", argument],
        capture_output=True, text=True, check=False, timeout=WAIT_S,
    )  # fmt: skip


def test_a_spec_that_cannot_be_read_is_exit_code_2(tmp_path: Path) -> None:
    """Neither a missing file nor nonsense starts anything; the file is named on standard error."""
    path = tmp_path / "spec.json"
    for content in (None, "{}", "nonsense"):
        if content is not None:
            path.write_text(content)
        done = run_child(str(path))
        assert done.returncode == 2
        assert str(path) in done.stderr
        assert done.stdout == ""


def test_without_a_guard_it_refuses_in_one_line(tmp_path: Path) -> None:
    """No guard socket, or nobody behind it: refused, one outcome line, exit code 0."""
    spec = StreamSpec(
        run="x", machine_file=str(MACHINE_FILE), channel="/dev/null", tasks=(MoveTask(target_mm=(1, 1)),),
        ring_path=str(tmp_path / "ring"), guard_socket=None, latch_path=str(tmp_path / "latch.json"),
    )  # fmt: skip
    for socket in (None, str(tmp_path / "nobody.sock")):
        path = tmp_path / "spec.json"
        path.write_text(spec.model_copy(update={"guard_socket": socket}).model_dump_json())
        done = run_child(str(path))
        assert done.returncode == 0, done.stderr
        (line,) = done.stdout.splitlines()
        said = json.loads(line)
        assert said.pop("event") == "outcome"
        outcome = StreamOutcome.model_validate_json(json.dumps(said))
        assert outcome.end == "refused"
        assert "guard" in outcome.reason


@pytest.mark.realtime
def test_sigterm_in_motion_is_a_controlled_stop(tmp_path: Path) -> None:
    """Ready, then SIGTERM in the schedule: outcome stopped, at rest, disarmed (no latch), then a whole run is done."""
    with World(4000) as world:
        spec_file, ring = world.prepare(swing(world.machine, 20.0))
        child = subprocess.Popen(
            [sys.executable, "-m", "controller.stream", str(spec_file)], stdout=subprocess.PIPE, text=True
        )
        try:
            assert child.stdout is not None
            ready = json.loads(child.stdout.readline())
            assert ready["event"] == "ready"
            assert ready["pid"] == child.pid
            assert ready["guard"] == "armed"
            drained = []
            while not drained or not (drained[-1]["segment"] >= 0).any():
                records = ring.drain().records
                if len(records):
                    drained.append(records)
            child.send_signal(signal.SIGTERM)
            said = json.loads(child.stdout.readline())
            assert child.wait(WAIT_S) == 0
            drained.append(ring.drain().records)
        finally:
            child.kill()
            child.wait()
            if child.stdout is not None:
                child.stdout.close()
            ring.close()
            ring.path.unlink(missing_ok=True)
        assert said["event"] == "outcome"
        assert said["end"] == "stopped", said
        records = np.concatenate(drained)
        assert np.array_equal(records["tick"], np.arange(len(records)))
        assert ((records["flags"] & 2) != 0).any()
        assert not (records["velocity_units"] - records["trim_units"])[-1].any()
        # Nothing is latched: the next life goes to its end, and no tick of it left early.
        outcome, mine = world.stream(swing(world.machine, 0.5))
        assert outcome.end == "done", outcome.reason
        assert (mine["sent_ns"] >= mine["scheduled_ns"]).all()
