"""Real processes for real-time trials: simulated gantry, guard, streamer, and a stand-in for the service.

Owns starting them and ending them by pid. Guard and streamer know the service by its pid alone, so a sleeping process
stands for it here; what happens to a real one is in ``sessions.py``. One gantry lives through many trials.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Self

import numpy as np

from controller.config.load import load_machine
from controller.config.machine import AXES
from controller.config.places import StateDir
from controller.motion.schedule import SEGMENT_DTYPE, Schedule, SegmentKind
from controller.session.guarding import guard_settings
from controller.session.stopinputs import gpio_inputs
from controller.stream.loop import FLAG_STOPPING
from controller.stream.ring import Ring
from controller.stream.spec import ScheduleTask, StreamSpec
from drivers.registry import stop_plan
from drivers.settings import InputReaderSettings
from drivers.twin.record import MotionRecord
from drivers.twin.settings import TwinSettings
from safety import client, latch
from safety.modem import INPUT_LINES
from tests.faults.scene import machine_text
from tests.faults.stutter import Stutter
from tests.safety import guard_with_ports

CENTRE_MM = (900.0, 700.0)
SWING_MM = (170.0, 130.0)
PERIODS_S = (2.6, 2.2)
SECONDS = 4.0
FADE_S = 0.5
TWIN_PRIORITY = 60
STARTED_WITHIN_S = 30.0
_STOPS = """
[stops]
debounce_ms = 2.0
[[stops.inputs]]
kind = "drive-input"
name = "belt"
axis = "y"
bit = 18
[[stops.inputs]]
kind = "modem-line"
name = "button"
device = "%s"
line = "dsr"
[[stops.inputs]]
kind = "gpio"
name = "fence"
chip = "/dev/gpiochip9"
line = 17
"""


class Spoken:
    """A child that speaks JSON lines."""

    def __init__(self, *words: str, environment: Mapping[str, str] | None = None) -> None:
        self.process = subprocess.Popen(
            [sys.executable, *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            env={**os.environ, **(environment or {})},
        )
        self._rest = b""

    @property
    def pid(self) -> int:
        """Process id."""
        return self.process.pid

    @property
    def lives(self) -> bool:
        """Whether it has not ended."""
        return self.process.poll() is None

    def tell(self, **command: Any) -> None:
        """One line."""
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(command).encode() + b"\n")
        self.process.stdin.flush()

    def hear(self, *events: str, timeout_s: float = STARTED_WITHIN_S) -> dict[str, Any]:
        """The next line with one of these events. Raises RuntimeError at its end or when none comes in time."""
        assert self.process.stdout is not None
        descriptor = self.process.stdout.fileno()
        end_s = time.monotonic() + timeout_s
        while True:
            while b"\n" in self._rest:
                line, self._rest = self._rest.split(b"\n", 1)
                said = dict(json.loads(line))
                if said.get("event") in events:
                    return said
            if not select.select([descriptor], [], [], max(0.0, end_s - time.monotonic()))[0]:
                raise RuntimeError(
                    f"{self.process.args}: expected {events} within {timeout_s:g} s, got silence"
                )
            piece = os.read(descriptor, 65536)
            if not piece:
                raise RuntimeError(f"{self.process.args}: expected {events}, got its end")
            self._rest += piece

    def end(self) -> None:
        """SIGKILL and collect."""
        if self.lives:
            self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


class RealSite:
    """Everything of the real-time trials. Use as a context manager.

    ``world``: where the gantry keeps its record (in ``folder`` if None): not part of what runs on the computer.
    ``loops``: the machine has stop loops, on a drive, on a serial port made of a file, and on a made-up GPIO chip.
    """

    def __init__(self, folder: Path, *, world: Path | None = None, loops: bool = False) -> None:
        self.folder = folder / "real"
        self.folder.mkdir(exist_ok=True)
        self.world = world or self.folder
        self.loops = loops
        self.port = self.folder / "port"
        self.machine_file = self.folder / "machine.toml"
        self.machine_file.write_text(machine_text() + (_STOPS % self.port if loops else ""))
        self.machine = load_machine(self.machine_file)
        self.state = StateDir(self.folder)
        (self.folder / "run").mkdir(exist_ok=True)
        schedule = _swing(self)
        schedule.save(self.folder / "schedule")
        mm_s = [
            self.machine.axes[name].drive.velocity_unit_counts_s
            / float(self.machine.axes[name].drive.counts_per_mm)
            for name in AXES
        ]
        self.top_mm_s = float(np.hypot(*(schedule.velocity_units * mm_s).T).max())
        self.twin: Spoken | None = None
        self.channel = ""
        self.twin_folder = self.folder
        self.guard: Spoken | None = None
        self.streamer: Spoken | None = None
        self.service: subprocess.Popen[bytes] | None = None
        self.reader: Spoken | None = None
        self.stutter: Stutter | None = None
        self.ring: Ring | None = None
        self.runs = 0
        self._seen = 0
        self._lives_of_twin = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.clear()
        self.end_twin()

    def fresh_twin(self) -> None:
        """A new gantry, at the schedule's start, with a record of its own."""
        self.end_twin()
        self._lives_of_twin += 1
        assert self.machine.twin is not None
        axes = {
            name: axis.model_copy(update={"start_mm": CENTRE_MM[index]})
            for index, (name, axis) in enumerate(self.machine.twin.axes.items())
        }
        self.twin_folder = self.world / f"twin-{self._lives_of_twin}"
        settings = self.folder / "twin.json"
        settings.write_text(
            TwinSettings(
                group=self.machine.group_settings(),
                parameters=self.machine.twin.model_copy(update={"axes": axes}),
                state_dir=str(self.twin_folder),
                parent_pid=os.getpid(),
            ).model_dump_json()
        )
        self.twin = Spoken("-m", "tests.faults.troubled_twin", str(settings))
        self.channel = str(self.twin.hear("ready")["channel"])
        # Real drives keep time whatever the computer does; see controller/session/simulated.py.
        with contextlib.suppress(OSError):
            os.sched_setscheduler(self.twin.pid, os.SCHED_FIFO, os.sched_param(TWIN_PRIORITY))

    def end_twin(self) -> None:
        """The gantry ends."""
        if self.twin is not None:
            self.twin.end()
            self.twin = None

    def begin(
        self,
        *,
        module: tuple[str, ...] = (),
        guard: tuple[str, ...] = ("-m", "safety.guard"),
        environment: Mapping[str, str] | None = None,
    ) -> None:
        """Start service, guard and streamer, and wait until the streamer is armed."""
        if self.twin is None or not self.twin.lives:
            self.fresh_twin()
        self.runs += 1
        for part in (*self.folder.glob("latch.json*"), *self.folder.glob("ballast")):
            part.unlink()  # a full disk leaves a latch that was not finished
        self.service = subprocess.Popen(["sleep", "1000"], start_new_session=True)
        plan = stop_plan(self.machine.group_settings(), self.channel)
        guard_file = self.folder / "guard.json"
        guard_settings(self.machine, self.state, plan, self.service.pid).dump(guard_file)
        if self.loops:
            self._close_loops()
            guard = (str(Path(guard_with_ports.__file__)),)
        self.guard = Spoken(*guard, str(guard_file), environment=environment)
        self.guard.hear("ready")
        if self.loops:
            self._start_reader()
        ring_path = self.folder / "ring"
        ring_path.unlink(missing_ok=True)
        self.ring = Ring.create(ring_path, 1 << 14)
        self._seen = 0
        spec = StreamSpec(
            run=f"trial-{self.runs}",
            machine_file=str(self.machine_file),
            channel=self.channel,
            tasks=(ScheduleTask(folder=str(self.folder / "schedule")),),
            ring_path=str(ring_path),
            guard_socket=str(self.state.beat_socket),
            latch_path=str(self.state.latch),
            offset_counts=(0.0, 0.0),
            service_pid=self.service.pid,
        )
        spec_file = self.folder / "spec.json"
        spec_file.write_text(spec.model_dump_json())
        name, *more = module or ("controller.stream",)
        self.streamer = Spoken("-m", name, str(spec_file), *more, environment=environment)
        said = self.streamer.hear("ready", "outcome")
        if said["event"] == "outcome":
            raise RuntimeError(f"streamer: expected it ready, got {said}")

    def _close_loops(self) -> None:
        assert self.twin is not None
        self.twin.tell(belt=True)
        self.twin.hear("belt")
        self.put_port(INPUT_LINES["dsr"])

    def put_port(self, bits: int) -> None:
        """The serial port's input lines, changed in one step."""
        beside = self.port.with_suffix(".new")
        beside.write_text(str(bits))
        beside.replace(self.port)

    def _start_reader(self) -> None:
        settings = self.folder / "inputs.json"
        settings.write_text(
            InputReaderSettings(
                input_socket=str(self.state.input_socket),
                inputs=gpio_inputs(self.machine),
                debounce_ms=self.machine.stops.debounce_ms,
            ).model_dump_json()
        )
        self.reader = Spoken("-m", "tests.faults.gpio_reader", str(settings))
        self.reader.hear("ready")
        end_s = time.monotonic() + STARTED_WITHIN_S
        while True:
            inputs = client.request_status(self.state.stop_socket)["inputs"]
            assert isinstance(inputs, dict)
            if not any(one["open"] for one in inputs.values()):
                return
            if time.monotonic() > end_s:
                raise RuntimeError(f"expected closed stop loops, got {inputs}")
            time.sleep(0.01)

    def await_ticks(self, ticks: int) -> None:
        """Until so many ticks of the schedule have been sent."""
        assert self.ring is not None
        end_s = time.monotonic() + 20.0
        while self._seen < ticks:
            records = self.ring.drain().records
            self._seen += int((records["segment"] >= 0).sum())
            if time.monotonic() > end_s or (self.streamer is not None and not self.streamer.lives):
                standing = latch.read(self.state.latch)
                why = f"latch: {standing.reason}: {standing.text}" if standing is not None else "no latch"
                why += f"; streamer: {self.outcome(1.0).get('reason', 'silent')}"
                raise RuntimeError(f"expected {ticks} ticks of the schedule, got {self._seen} ({why})")
            time.sleep(0.003)

    def last_sent_ns(self) -> int:
        """When the last tick left that was not read before; 0 for none."""
        assert self.ring is not None
        records = self.ring.drain().records
        return int(records["sent_ns"][-1]) if len(records) else 0

    def first_stopping_ns(self) -> int | None:
        """When the first tick of a stop on the path left, of those that were not read before."""
        assert self.ring is not None
        records = self.ring.drain().records
        stopping = records["sent_ns"][(records["flags"] & FLAG_STOPPING) != 0]
        return int(stopping[0]) if len(stopping) else None

    def outcome(self, timeout_s: float) -> dict[str, Any]:
        """What the streamer says at its end; empty when it says nothing."""
        assert self.streamer is not None
        try:
            return self.streamer.hear("outcome", timeout_s=timeout_s)
        except RuntimeError:
            return {}

    def record(self) -> MotionRecord:
        """What the gantry says has truly moved."""
        assert self.twin is not None
        self.twin.tell(save=True)
        self.twin.hear("saved")
        return MotionRecord.load(self.twin_folder / "motion.npz")

    def left_operation_ns(self) -> list[int | None]:
        """When each drive left operation, as the gantry knows."""
        assert self.twin is not None
        self.twin.tell(status=True)
        return list(self.twin.hear("status")["left_operation_ns"])

    def clear(self) -> None:
        """End what is left of a trial, stopped processes included; the gantry lives on."""
        if self.stutter is not None:
            self.stutter.end()
            self.stutter = None
        for one in (self.streamer, self.guard, self.reader):
            if one is not None:
                one.end()
        self.streamer = self.guard = self.reader = None
        if self.service is not None:
            self.service.kill()
            self.service.wait()
            self.service = None
        if self.ring is not None:
            self.ring.close()
            self.ring = None

    def signal(self, number: signal.Signals, *who: int) -> None:
        """One signal to these processes, as fast as can be."""
        for pid in who:
            os.kill(pid, number)


def _swing(site: RealSite) -> Schedule:
    """Both axes on fast sines, pen up, fading in and out: up to half a metre a second."""
    machine = site.machine
    tick_s = machine.tick_ns * 1e-9
    ticks = round(SECONDS / tick_s)
    time_s = np.arange(ticks + 1) * tick_s
    fade = np.clip(np.minimum(time_s, time_s[-1] - time_s) / FADE_S, 0.0, 1.0)
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
