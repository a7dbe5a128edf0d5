"""Heads of every kind on the simulated gantry in virtual time: settings, a world, a run. For tests."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from controller.config.headrules import load_head
from controller.config.machine import Machine
from controller.stream.loop import StopFlag
from controller.stream.ring import Ring
from controller.stream.run import run_stream
from controller.stream.spec import HomingTask, MoveTask, ScheduleTask, StreamOutcome, StreamSpec
from drivers.clock import VirtualClock
from drivers.heads.settings import AnyHead, DescribedHead, DriveOutputHead, NodeHead, SerialHead
from drivers.registry import group_on_link
from drivers.twin.canvas import Pen
from drivers.twin.virtual import VirtualGantry
from safety.events import Stop
from safety.local import LocalGuard
from safety.verdict import Limits

from .conftest import machine_with

HEADS = Path(__file__).parents[2] / "configs" / "heads"
TIMES: dict[str, Any] = {"settle_down_ms": 120.0, "settle_up_ms": 80.0, "without_power": "up"}
TRAVEL = {"kind": "travel", "up_mm": 0.0, "down_mm": 8.0, "window_mm": 0.5, "hold_ms": 20.0}
FORCE = {"kind": "force", "down_n": 3.0, "window_n": 0.3, "up_max_n": 0.1, "hold_ms": 20.0}
LINES: dict[str, Any] = {
    "kind": "serial", "channel": "simulated", "up": "LIFT UP", "down": "LIFT DOWN", "ask": "LIFT?", "accepted": "OK",
    "answers": [
        {"text": "UP {value}", "means": "up"}, {"text": "DOWN {value}", "means": "down"},
        {"text": "MOVING {value}", "means": "between"}, {"text": "FAULT", "means": "fault"},
    ],
}  # fmt: skip


def heads() -> dict[str, AnyHead]:
    """One of each kind and of each way to settle."""
    return {
        "drive-output": DriveOutputHead(axis="x", output_bit=16, down_input_bit=16, up_input_bit=17, **TIMES),
        "node": NodeHead.model_validate(
            {"kind": "node", "node_id": 5, "output_bit": 2, "down_input_bit": 0, "up_input_bit": 1, **TIMES}
        ),
        "node-force": NodeHead.model_validate(
            {
                "kind": "node",
                "node_id": 5,
                "output_bit": 2,
                "up_input_bit": 1,
                "analogue_input": 1,
                "analogue_step": 0.01,
                "settle": FORCE,
                **TIMES,
            }
        ),
        "serial": SerialHead.model_validate(LINES | TIMES),
        "serial-travel": SerialHead.model_validate(LINES | TIMES | {"settle": TRAVEL}),
        "described": DescribedHead.model_validate(
            {
                "kind": "described",
                "head_file": "petrel.toml",
                "device": load_head(HEADS / "petrel.toml"),
                "node_id": 3,
                "channel": "simulated",
                "settle": TRAVEL,
                **TIMES,
            }
        ),
    }


class HeadWorld:
    """Gantry, guard and ring on one virtual clock, with this head."""

    def __init__(self, folder: Path, head: AnyHead) -> None:
        self.machine: Machine = machine_with().model_copy(update={"head": head})
        assert self.machine.twin is not None
        starts_mm = {"x": 400.0, "y": 300.0}
        axes = {
            name: axis.model_copy(update={"start_mm": starts_mm[name]})
            for name, axis in self.machine.twin.axes.items()
        }
        twin = self.machine.twin.model_copy(update={"axes": axes})
        self.folder = folder
        self.clock = VirtualClock()
        self.world = VirtualGantry(self.machine.group_settings(), twin, self.clock)
        self.gantry = self.world.gantry
        self.gantry.load_pen(Pen("moon", "#f0e0c0", 4.0))
        limits = Limits(
            lease_max_ns=25_000_000, beat_late_ns=20_000_000, overrun_ns=20_000_000,
            envelope_um=((16_000, 3_384_000), (16_000, 2_184_000)), speed_max_um_s=(770_000, 770_000),
            following_max_um=(4000, 4000), stop_um_s2=(5_000_000, 5_000_000),
        )  # fmt: skip
        self.guard = LocalGuard(limits, self.clock.now_ns, self._stop, folder / "latch.json")
        self.clock.on_advance(self.guard.advance)
        self.ring = Ring.create(folder / "ring", 1 << 16)
        self.stop = StopFlag()

    def _stop(self, _stop: Stop) -> None:
        self.world.put_stop()

    def run(self, *tasks: HomingTask | MoveTask | ScheduleTask) -> StreamOutcome:
        """Stream the tasks; the machine stands where the schedule begins, and knows it."""
        self.world.link.reopen()
        group = group_on_link(
            self.machine.group_settings(), self.world.link, self.clock, self.world.head_line
        )
        line = self.guard.line()
        spec = StreamSpec(
            run="virtual", machine_file="", channel="virtual", tasks=tasks, ring_path="", guard_socket=None,
            latch_path=str(self.folder / "latch.json"), offset_counts=self._offsets(starts=(400.0, 300.0)),
        )  # fmt: skip
        try:
            return run_stream(spec, self.machine, group, self.clock, self.ring, line, stop=self.stop)
        finally:
            line.close()
            group.close()

    def _offsets(self, starts: tuple[float, float]) -> tuple[float, float]:
        """Raw counts at machine zero, from where the motors stand."""
        found = []
        for (_name, axis), motor, start_mm in zip(
            self.machine.axes.items(), self.gantry.motors, starts, strict=True
        ):
            signed = axis.drive.direction * float(axis.drive.counts_per_mm)
            found.append(motor.position_counts - start_mm * signed)
        return found[0], found[1]
