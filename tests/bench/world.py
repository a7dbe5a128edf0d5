"""The world a timing run needs: simulated gantry, guard and streamer as real processes, and spinners for load.

Owns starting and ending them (by pid, never by name). Knows nothing of figures.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from controller.config.load import load_machine
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir, shipped
from controller.motion.schedule import SEGMENT_DTYPE, Schedule, SegmentKind
from controller.session.guarding import guard_settings
from controller.stream.ring import Ring
from controller.stream.spec import ScheduleTask, StreamOutcome, StreamSpec
from drivers.registry import stop_plan
from drivers.twin.settings import TwinSettings
from safety import latch
from safety.client import GuardUnreachableError, request_quit

CENTRE_MM = (1200.0, 900.0)
SWING_MM = (180.0, 140.0)
PERIODS_S = (9.0, 7.0)
RAMP_S = 1.0
STARTED_WITHIN_S = 20.0


def machine_at(tick_us: int, folder: Path) -> tuple[Machine, Path]:
    """The shipped simulated machine with another tick; its file, since the streamer reads it from disk."""
    text = shipped("machines/boathouse.toml").read_text()
    lines = [f"tick_us = {tick_us}" if line.startswith("tick_us") else line for line in text.splitlines()]
    path = folder / f"machine-{tick_us}.toml"
    path.write_text("\n".join(line for line in lines if not line.startswith("#:schema")) + "\n")
    return load_machine(path), path


def swing(machine: Machine, seconds: float) -> Schedule:
    """Both axes on slow sines, pen up, fading in and out: every tick has another velocity on both axes."""
    tick_s = machine.tick_ns * 1e-9
    ticks = max(2, round(seconds / tick_s))
    time_s = np.arange(ticks + 1) * tick_s
    fade = np.clip(np.minimum(time_s, time_s[-1] - time_s) / RAMP_S, 0.0, 1.0)
    fade = fade * fade * fade * (10.0 - 15.0 * fade + 6.0 * fade * fade)
    quanta = np.stack(
        [
            np.rint(
                (CENTRE_MM[index] + SWING_MM[index] * fade * np.sin(2 * np.pi * time_s / PERIODS_S[index]))
                * machine.quanta_per_mm(name)
            )
            for index, name in enumerate(AXES)
        ],
        axis=1,
    ).astype(np.int64)
    segments = np.zeros(1, dtype=SEGMENT_DTYPE)
    segments["kind"], segments["stroke"], segments["ticks"] = SegmentKind.TRAVEL, -1, ticks
    return Schedule(
        np.diff(quanta, axis=0).astype(np.int32),
        segments,
        (int(quanta[0, 0]), int(quanta[0, 1])),
        machine.tick_ns,
        machine.name,
    )


class Spinners:
    """Programs that do nothing but keep every core busy, at normal priority."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._processes: list[subprocess.Popen[bytes]] = []

    def __enter__(self) -> Self:
        program = "while True: pass"
        self._processes = [subprocess.Popen([sys.executable, "-c", program]) for _ in range(self._count)]
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for process in self._processes:
            process.kill()
        for process in self._processes:
            process.wait()


class World:
    """Simulated gantry and guard for one machine file; streams schedules through the real child."""

    def __init__(self, tick_us: int) -> None:
        self._home = tempfile.TemporaryDirectory(prefix="giornata-bench-")
        self.folder = Path(self._home.name)
        self.machine, self.machine_file = machine_at(tick_us, self.folder)
        self._state = StateDir(self.folder)
        (self.folder / "run").mkdir(exist_ok=True)
        self._children: list[subprocess.Popen[str]] = []
        self.channel = ""
        self._runs = 0

    def __enter__(self) -> Self:
        try:
            self._open()
        except BaseException:
            self._close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._close()

    def _open(self) -> None:
        settings = self.machine.group_settings()
        assert self.machine.twin is not None
        twin_file = self.folder / "twin.json"
        twin_file.write_text(
            TwinSettings(
                group=settings,
                parameters=self.machine.twin,
                state_dir=str(self.folder / "twin"),
                parent_pid=os.getpid(),
            ).model_dump_json()
        )
        self.channel = str(self._start("drivers.twin", str(twin_file))["channel"])
        guard_file = self.folder / "guard.json"
        plan = stop_plan(settings, self.channel)
        guard_settings(self.machine, self._state, plan, os.getpid()).dump(guard_file)
        self._start("safety.guard", str(guard_file))

    def _start(self, module: str, argument: str) -> dict[str, Any]:
        process = subprocess.Popen(
            [sys.executable, "-m", module, argument],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        self._children.append(process)
        assert process.stdout is not None
        ready = json.loads(process.stdout.readline() or "{}")
        if ready.get("event") != "ready":
            raise RuntimeError(f"{module}: expected it ready, got {ready or 'its end'}")
        return dict(ready)

    def prepare(self, schedule: Schedule) -> tuple[Path, Ring]:
        """Write schedule and spec of one run; the spec's file and the ring its streamer will write to."""
        self._runs += 1
        folder = self.folder / f"schedule-{self._runs}"
        schedule.save(folder)
        shared = Path("/dev/shm") if Path("/dev/shm").is_dir() else self.folder
        ring = Ring.create(shared / f"giornata-bench-{os.getpid()}-{self._runs}", schedule.ticks + 16_384)
        spec = StreamSpec(
            run=f"bench-{self._runs}",
            machine_file=str(self.machine_file),
            channel=self.channel,
            tasks=(ScheduleTask(folder=str(folder)),),
            ring_path=str(ring.path),
            guard_socket=str(self._state.beat_socket),
            latch_path=str(self._state.latch),
            # The simulated drives have absolute encoders that read zero at machine zero.
            offset_counts=(0.0, 0.0),
            service_pid=os.getpid(),
        )
        spec_file = self.folder / f"spec-{self._runs}.json"
        spec_file.write_text(spec.model_dump_json())
        return spec_file, ring

    def stream(
        self, schedule: Schedule, module: str = "controller.stream", *more: str
    ) -> tuple[StreamOutcome, npt.NDArray[np.void]]:
        """Stream a schedule in a child of its own; the outcome and the records of the schedule's ticks."""
        spec_file, ring = self.prepare(schedule)
        try:
            done = subprocess.run(
                [sys.executable, "-m", module, str(spec_file), *more],
                capture_output=True,
                text=True,
                check=False,
            )
            said = [json.loads(line) for line in done.stdout.splitlines()]
            last = said[-1] if said else {}
            if last.pop("event", "") != "outcome":
                standing = latch.read(self._state.latch)
                why = f"{standing.reason}: {standing.text}" if standing else done.stderr.strip() or "silence"
                raise RuntimeError(f"streamer: expected an outcome, got its end ({done.returncode}): {why}")
            records = ring.drain().records
        finally:
            ring.close()
            ring.path.unlink(missing_ok=True)
        return StreamOutcome.model_validate_json(json.dumps(last)), records[records["segment"] >= 0]

    def _close(self) -> None:
        with contextlib.suppress(GuardUnreachableError):
            request_quit(self._state.stop_socket)
        for process in reversed(self._children):
            assert process.stdin is not None
            process.stdin.close()
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
            try:
                process.wait(5.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            assert process.stdout is not None
            process.stdout.close()
        self._home.cleanup()
