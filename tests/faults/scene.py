"""The scene in which faults happen: the shipped simulated machine, a short pass with everything in it, its phases.

Owns machine, schedule and the map from phases to ticks (from one undisturbed run). Injects nothing.
"""

from __future__ import annotations

import dataclasses
import math
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from controller.config.job import Ink
from controller.config.machine import Machine
from controller.config.places import shipped
from controller.motion.plan import plan_pass
from controller.motion.schedule import Schedule, SegmentKind
from controller.strokes.strokeset import StrokeKind, StrokeSet
from drivers.twin.parameters import TwinParameters

PHASES = ("homing", "travel", "lead-in", "stroke", "dwell")
PASS_START_MM = (260.0, 210.0)
HOMING_START_MM = (40.0, 40.0)
PHASE_OF = {
    SegmentKind.TRAVEL: "travel",
    SegmentKind.LEAD_IN: "lead-in",
    SegmentKind.LOWER: "dwell",
    SegmentKind.STROKE: "stroke",
    SegmentKind.RAISE: "dwell",
}
# The switches are near and touched twice: homing is a phase like the others here.
EDITS = {"touches": "2", "back_off_mm": "2.0", "park_mm": "[260.0, 210.0]"}


def machine_text() -> str:
    """The shipped machine file with the edits."""
    text = shipped("machines/boathouse.toml").read_text()
    for key, value in EDITS.items():
        text, found = re.subn(rf"^{key} = .*$", f"{key} = {value}", text, flags=re.MULTILINE)
        assert found, key
    return "\n".join(line for line in text.splitlines() if not line.startswith("#:schema")) + "\n"


def strokes() -> StrokeSet:
    """A long line, a circle, a short line and a corner, canvas mm; some 2.5 m of way in all."""
    turns = np.linspace(0.0, 2.0 * math.pi, 37)
    circle = np.stack([330.0 + 30.0 * np.cos(turns), 260.0 + 30.0 * np.sin(turns)], axis=1)
    circle[-1] = circle[0]
    paths = [
        np.array([[60.0, 60.0], [300.0, 80.0]]),
        circle,
        np.array([[900.0, 500.0], [900.0, 530.0]]),
        np.array([[500.0, 300.0], [400.0, 300.0], [400.0, 240.0]]),
    ]
    kinds = [StrokeKind.LINE, StrokeKind.LOOP, StrokeKind.LINE, StrokeKind.LINE]
    return StrokeSet(
        np.concatenate(paths),
        np.concatenate([[0], np.cumsum([len(path) for path in paths])]).astype(np.int64),
        np.array(kinds, dtype=np.uint8),
        np.zeros(len(paths), dtype=np.int32),
        ("waves",),
    )


@dataclass(frozen=True)
class Scene:
    """Machine and pass. ``phase_ticks``: for each phase the ticks of the undisturbed run that belong to it."""

    machine: Machine
    folder: Path
    schedule: Schedule
    phase_ticks: dict[str, list[int]]

    @classmethod
    def build(cls, folder: Path) -> Scene:
        """Plan and save the pass in ``folder``; phases are filled in by ``campaign``'s undisturbed run."""
        machine = Machine.model_validate(tomllib.loads(machine_text()))
        ink = Ink(name="teal", group="waves", colour="#1f7a78", tip_mm=4.0)
        schedule = plan_pass(strokes(), ink, machine, PASS_START_MM)
        schedule.save(folder / "schedule")
        (folder / "machine.toml").write_text(machine_text())
        return cls(machine, folder, schedule, {})

    def with_stops(self, stops: dict[str, Any]) -> Scene:
        """The same with stop loops in the machine file."""
        machine = Machine.model_validate({**tomllib.loads(machine_text()), "stops": stops})
        return dataclasses.replace(self, machine=machine)

    def twin(self, phase: str, seed: int, **axis_x: Any) -> TwinParameters:
        """The gantry for a trial: it stands near the switches for homing, else where the pass begins."""
        assert self.machine.twin is not None
        start = HOMING_START_MM if phase == "homing" else PASS_START_MM
        axes = {
            name: axis.model_copy(update={"start_mm": start[index], **(axis_x if name == "x" else {})})
            for index, (name, axis) in enumerate(self.machine.twin.axes.items())
        }
        return self.machine.twin.model_copy(update={"axes": axes, "seed": seed % 100_000})

    def phase_of_segment(self, segment: int) -> str:
        """What the head does in a segment; moves between have none and are travel."""
        if segment < 0:
            return "travel"
        return PHASE_OF[SegmentKind(int(self.schedule.segments[segment]["kind"]))]
