"""From the spec's tasks to vetted steps: everything that can be refused is refused here, before anything moves.

Owns the checks of a schedule against the machine (tick, name, soft limits, speeds, where it may begin). Knows no
bus and no time.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.errors import RefusedError
from controller.config.machine import AXES, Machine
from controller.motion.schedule import Schedule, SegmentKind
from controller.stream.spec import (
    HoldTask,
    HomingTask,
    JogTask,
    MoveTask,
    ScheduleTask,
    StreamSpec,
    WaitTask,
)

CHUNK_TICKS = 1 << 18
PREPARE_AGAIN = "Prepare the job again for this machine"

BLIND_SPEED_MAX_MM_S, BLIND_WAY_MAX_MM = 50.0, 500.0
"""A machine that does not know where it stands moves no faster, and by no more at a time."""


@dataclass(frozen=True, slots=True)
class HomingStep:
    """Home all axes."""

    task: int


@dataclass(frozen=True, slots=True)
class MoveStep:
    """Pen up to a point of the quantum grid."""

    task: int
    target_quanta: tuple[int, int]


@dataclass(frozen=True, slots=True)
class PathStep:
    """Stream ticks ``first_tick`` up to ``end_tick`` of a schedule; the machine stands where they begin."""

    task: int
    schedule: Schedule
    first_tick: int
    end_tick: int


@dataclass(frozen=True, slots=True)
class HoldStep:
    """Zero velocity for so many ticks."""

    task: int
    ticks: int


@dataclass(frozen=True, slots=True)
class JogStep:
    """One axis by so much."""

    task: int
    jog: JogTask


@dataclass(frozen=True, slots=True)
class WaitStep:
    """Zero velocity until an input closes, for so many ticks at most."""

    task: int
    wait: WaitTask
    ticks: int


Step = HomingStep | MoveStep | PathStep | HoldStep | JogStep | WaitStep


@dataclass(frozen=True, slots=True)
class Limits:
    """What no tick may exceed, axis order x, y. Positions are quanta, ``low`` below ``high``."""

    low_quanta: tuple[int, int]
    high_quanta: tuple[int, int]
    speed_units: tuple[int, int]

    @classmethod
    def of(cls, machine: Machine) -> Limits:
        """The machine's soft limits (widened by ``command_lead_mm`` and a quantum of rounding) and axis speeds."""
        low, high, speed = [], [], []
        for name in AXES:
            axis = machine.axes[name]
            lead_mm = command_lead_mm(machine, name)
            ends = sorted(
                mm * machine.quanta_per_mm(name) for mm in (axis.min_mm - lead_mm, axis.max_mm + lead_mm)
            )
            low.append(int(np.floor(ends[0])) - 1)
            high.append(int(np.ceil(ends[1])) + 1)
            drive = axis.drive
            units_per_mm_s = float(drive.counts_per_mm) / drive.velocity_unit_counts_s
            speed.append(int(np.ceil(axis.speed_max_mm_s * units_per_mm_s)))
        return cls((low[0], low[1]), (high[0], high[1]), (speed[0], speed[1]))


def command_lead_mm(machine: Machine, name: str) -> float:
    """How far the commanded motor position may be beyond the head's on the way to a stop at a soft limit.

    Half the play, what the belt is stretched by in braking (A / omega^2), and what braking leaves of the lead over the
    lag: y + tau y' with y = -v^2 / 2A is largest at v = A tau, where it is A tau^2 / 2.
    """
    axis, acceleration = machine.axes[name], machine.motion.acceleration_mm_s2
    play = max(axis.play_table.play_mm) if axis.play_table is not None else axis.play_mm
    stretch = 0.0
    if axis.belt is not None:
        stretch = acceleration / (2.0 * np.pi * min(axis.belt.frequency_hz)) ** 2
    return 0.5 * play + stretch + 0.5 * acceleration * (axis.loop_lag_ms * 1e-3) ** 2


def prepare_steps(spec: StreamSpec, machine: Machine) -> tuple[Step, ...]:
    """All steps of the spec, in order, vetted. Raises RefusedError."""
    if not spec.tasks:
        raise RefusedError(
            "expected at least one task, got none", "Name what is to be done", code="nothing-to-do"
        )
    blind = spec.offset_counts is None and not isinstance(spec.tasks[0], HomingTask)
    if blind and not all(isinstance(task, JogTask | WaitTask | HoldTask) for task in spec.tasks):
        raise RefusedError("the machine is unregistered: no homing is known", "Home first", code="not-homed")
    limits = Limits.of(machine)
    steps: list[Step] = []
    for index, task in enumerate(spec.tasks):
        match task:
            case HomingTask():
                steps.append(HomingStep(index))
            case MoveTask():
                steps.append(MoveStep(index, _target_quanta(task, machine)))
            case HoldTask():
                steps.append(HoldStep(index, max(1, round(task.seconds * 1e9 / machine.tick_ns))))
            case JogTask():
                _vet_jog(task, machine, blind=blind)
                steps.append(JogStep(index, task))
            case WaitTask():
                steps.append(WaitStep(index, task, max(1, round(task.seconds * 1e9 / machine.tick_ns))))
            case ScheduleTask():
                path, start = _vet_schedule(task, index, machine, limits)
                steps.extend((MoveStep(index, start), path))
    return tuple(steps)


def _vet_jog(task: JogTask, machine: Machine, *, blind: bool) -> None:
    axis = machine.axes[task.axis]
    # Placed, where it ends is judged when it begins (``tasks``); the home switch may lie outside the soft limits.
    span_mm = 1.05 * (axis.max_mm - axis.min_mm)
    bounds = (
        ("way", abs(task.distance_mm), min(BLIND_WAY_MAX_MM, span_mm) if blind else span_mm, "mm"),
        ("speed", task.speed_mm_s, min(BLIND_SPEED_MAX_MM_S, axis.speed_max_mm_s) if blind else axis.speed_max_mm_s,
         "mm/s"),
        ("acceleration", task.acceleration_mm_s2, axis.acceleration_max_mm_s2, "mm/s2"),
    )  # fmt: skip
    for what, value, most, unit in bounds:
        if not 0.0 < value <= most:
            raise RefusedError(
                f"jog: axis {task.axis}: expected a {what} above 0 and up to {most:g} {unit}, got {value:g}",
                "Choose less; without a homing only short, slow ways are driven" if blind else "Choose less",
                code="jog-setting",
            )


def _target_quanta(task: MoveTask, machine: Machine) -> tuple[int, int]:
    quanta = [round(mm * machine.quanta_per_mm(name)) for name, mm in zip(AXES, task.target_mm, strict=True)]
    for name, mm in zip(AXES, task.target_mm, strict=True):
        axis = machine.axes[name]
        rounding_mm = 1.0 / abs(machine.quanta_per_mm(name))
        if not axis.min_mm - rounding_mm <= mm <= axis.max_mm + rounding_mm:
            raise RefusedError(
                f"move: axis {name}: expected a target from {axis.min_mm} to {axis.max_mm} mm, got {mm}",
                "Choose a target within the soft limits",
                code="move-outside",
            )
    return quanta[0], quanta[1]


def _vet_schedule(
    task: ScheduleTask, index: int, machine: Machine, limits: Limits
) -> tuple[PathStep, tuple[int, int]]:
    folder = Path(task.folder)
    try:
        schedule = Schedule.load(folder)
    except (OSError, ValueError, KeyError) as error:
        raise RefusedError(
            f"{folder}: expected a whole schedule, got {error}", PREPARE_AGAIN, code="prepared-damaged"
        ) from None
    if schedule.machine != machine.name or schedule.tick_ns != machine.tick_ns:
        raise RefusedError(
            f"{folder}: expected a schedule for {machine.name} at {machine.tick_ns} ns a tick, "
            f"got {schedule.machine} at {schedule.tick_ns}",
            PREPARE_AGAIN,
            code="prepared-other-machine",
        )
    count = len(schedule.segments)
    first = task.first_segment
    last = count - 1 if task.last_segment is None else task.last_segment
    if not 0 <= first <= last < count:
        raise RefusedError(
            f"{folder}: expected segments within 0 to {count - 1}, got {first} to {last}",
            PREPARE_AGAIN,
            code="prepared-damaged",
        )
    begin, end = schedule.segments[first], schedule.segments[last]
    if begin["kind"] in (SegmentKind.STROKE, SegmentKind.RAISE):
        raise RefusedError(
            f"{folder}: segment {first}: expected to begin with the pen up, got the middle of a stroke",
            "Begin with the travel of that stroke",
            code="prepared-damaged",
        )
    first_tick = int(begin["first_tick"])
    end_tick = int(end["first_tick"]) + int(end["ticks"])
    start = _quanta_at(schedule, first_tick)
    _vet_ticks(schedule, first_tick, end_tick, start, limits, folder)
    return PathStep(index, schedule, first_tick, end_tick), start


def _quanta_at(schedule: Schedule, tick: int) -> tuple[int, int]:
    """Planned position at the boundary before ``tick``, exact."""
    x, y = schedule.start_quanta
    for first in range(0, tick, CHUNK_TICKS):
        part = schedule.velocity_units[first : min(first + CHUNK_TICKS, tick)]
        sums = part.sum(axis=0, dtype=np.int64)
        x, y = x + int(sums[0]), y + int(sums[1])
    return x, y


def _vet_ticks(
    schedule: Schedule,
    first_tick: int,
    end_tick: int,
    start: tuple[int, int],
    limits: Limits,
    folder: Path,
) -> None:
    at: npt.NDArray[np.int64] = np.array(start, dtype=np.int64)
    low, high = np.array(limits.low_quanta), np.array(limits.high_quanta)
    speed = np.array(limits.speed_units)
    for first in range(first_tick, end_tick, CHUNK_TICKS):
        part = schedule.velocity_units[first : min(first + CHUNK_TICKS, end_tick)].astype(np.int64)
        where = at + np.cumsum(part, axis=0)
        # A plan may come back from beyond a soft limit, never go further out.
        outside = ((where < low) & (part < 0)) | ((where > high) & (part > 0))
        for wrong, what in ((outside, "the soft limits"), (np.abs(part) > speed, "the axis' largest speed")):
            if bool(wrong.any()):
                tick, axis = np.argwhere(wrong)[0]
                raise RefusedError(
                    f"{folder}: tick {first + int(tick)}: axis {AXES[int(axis)]}: expected motion within {what}, "
                    "got a tick beyond",
                    PREPARE_AGAIN,
                    code="plan-beyond-limits",
                )
        at = where[-1]
