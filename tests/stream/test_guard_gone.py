"""The other half of the mutual watch, in real time: the streamer stops by itself when guard or service are gone.

The judge is the simulated gantry's own record of where its motors were.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.stream.ring import Ring
from controller.stream.spec import MoveTask, StreamSpec
from drivers.clock import NS_PER_MS
from drivers.twin.record import MotionRecord
from tests.bench.world import World, swing

from .conftest import MACHINE_FILE

pytestmark = pytest.mark.realtime
WAIT_S = 30.0


class Scene:
    """A streamer in motion under a real guard, started by a service that can be killed."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.twin, self.guard = world._children
        self.service = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
        spec_file, ring = world.prepare(swing(world.machine, 20.0))
        spec = json.loads(spec_file.read_text()) | {"service_pid": self.service.pid}
        spec_file.write_text(json.dumps(spec))
        self.ring: Ring = ring
        self.streamer = subprocess.Popen(
            [sys.executable, "-m", "controller.stream", str(spec_file)], stdout=subprocess.PIPE, text=True
        )

    def say(self) -> dict[str, Any]:
        """The streamer's next line."""
        assert self.streamer.stdout is not None
        return dict(json.loads(self.streamer.stdout.readline()))

    def wait_for_motion(self) -> None:
        """Until both axes are fast."""
        fast = 60 * 5400
        while True:
            records = self.ring.drain().records
            if len(records) and (abs(records[-1]["velocity_units"]) > fast).all():
                return

    def record(self) -> MotionRecord:
        """What the gantry's motors did, up to now."""
        assert self.twin.stdin is not None
        assert self.twin.stdout is not None
        self.twin.stdin.write('{"save": true}\n')
        self.twin.stdin.flush()
        while (said := json.loads(self.twin.stdout.readline() or "{}")).get("event") != "saved":
            assert said.get("event") not in (None, "error", "end", "trouble"), said
        return MotionRecord.load(self.world.folder / "twin" / "motion.npz")

    def close(self) -> None:
        """End what is left; a guard that is stopped could not end in order."""
        for process in (self.streamer, self.service, self.guard):
            process.kill()
            process.wait()
        assert self.streamer.stdout is not None
        self.streamer.stdout.close()
        assert self.service.stdin is not None
        self.service.stdin.close()
        self.ring.close()
        self.ring.path.unlink(missing_ok=True)


def stop_guard(scene: Scene) -> None:
    os.kill(scene.guard.pid, signal.SIGSTOP)


def kill_guard_and_service(scene: Scene) -> None:
    os.kill(scene.guard.pid, signal.SIGKILL)
    os.kill(scene.service.pid, signal.SIGKILL)


@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        (stop_guard, ("expected a word of the guard within 150 ms",)),
        # Whichever it sees first.
        (kill_guard_and_service, ("line is closed", "the service that started this run is gone")),
    ],
)
def test_without_its_guard_the_streamer_brings_the_axes_to_rest(
    trouble: Callable[[Scene], None], words: tuple[str, ...]
) -> None:
    """Guard stopped; guard and service killed at once: halted with that reason, and standstill.

    Nobody but the streamer can have stopped the axes: they rest long before the drives' heartbeat time-out could
    have done anything, or the reason would not be the streamer's own.
    """
    with World(4000) as world:
        scene = Scene(world)
        try:
            assert scene.say()["event"] == "ready"
            scene.wait_for_motion()
            begun_ns = time.monotonic_ns()
            trouble(scene)
            said = scene.say()
            assert said["event"] == "outcome"
            assert said["end"] == "halted", said
            assert any(one in said["reason"] for one in words), said
            assert scene.streamer.wait(WAIT_S) == 0
            record = scene.record()
            assert float(record.travel_mm(begun_ns - 200 * NS_PER_MS, begun_ns).min()) > 0.5, (
                "it was in motion"
            )
            assert record.standstill_ns(begun_ns) is not None
            now_ns = time.monotonic_ns()
            time.sleep(0.3)  # nothing is waited for: this is the time in which nothing may move
            travel_mm = scene.record().travel_mm(now_ns, now_ns + 300 * NS_PER_MS)
            assert travel_mm.tolist() == pytest.approx([0.0, 0.0], abs=1e-3)
        finally:
            scene.close()


def test_a_service_that_is_gone_already_refuses(tmp_path: Path) -> None:
    """A spec whose service has ended: refused in one line before guard or wire are touched."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    spec = StreamSpec(
        run="x", machine_file=str(MACHINE_FILE), channel="/dev/null", tasks=(MoveTask(target_mm=(200, 200)),),
        ring_path=str(tmp_path / "ring"), guard_socket=str(tmp_path / "nobody.sock"),
        latch_path=str(tmp_path / "latch.json"), service_pid=gone.pid,
    )  # fmt: skip
    (tmp_path / "spec.json").write_text(spec.model_dump_json())
    done = subprocess.run(
        [sys.executable, "-m", "controller.stream", str(tmp_path / "spec.json")],
        capture_output=True, text=True, check=False, timeout=WAIT_S,
    )  # fmt: skip
    said = json.loads(done.stdout)
    assert said["end"] == "refused"
    assert f"process {gone.pid}" in said["reason"]
