"""Gantries that nobody knows, for identification: drawn at random, driven past the wire, read as a person would.

Owns the drawing of a truth, the streamer's records of a playback, and a person with a ruler at a line that waves. The
fits under test are production's; the truth comes from the [twin] table and reaches nobody but the judge.
"""

from __future__ import annotations

import contextlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.signal import find_peaks

from controller.calibrate.identify import LoopFit, Samples, fit_loop
from controller.calibrate.identify_ring import (
    Ring,
    WaveReading,
    ring_of_line,
    swayed,
    together,
    wave_run_up_mm,
)
from controller.calibrate.values import PoorFit
from controller.config.job import Ink
from controller.config.machine import AXES, Machine
from controller.config.places import shipped
from controller.motion.frames import quanta_to_machine_mm
from controller.motion.plan import plan_pass
from controller.motion.probe import Probe, plan_probe
from controller.motion.probesteps import StepsTest
from controller.motion.schedule import Schedule
from controller.session.identify import samples
from controller.stream.record import TICK_DTYPE
from controller.strokes.strokeset import StrokeKind, StrokeSet
from drivers.twin.playback import Played, play

Vector = npt.NDArray[np.float64]
Axis = Literal["x", "y"]
AXES_BOTH: tuple[Axis, ...] = ("x", "y")

RULER_MM, LOUPE_MM = 0.5, 0.1
"""A length along the wall is read to the nearest half millimetre, a height with a loupe to a tenth (common practice, no
source)."""

BEFORE_MM, AFTER_MM = 150.0, 260.0
COMB_MM = 0.05
"""What a vernier comb resolves; the play is known before lines are let wave."""

BRISK_SHARE, BRISK_JERK_MM_S3 = 0.8, 800_000.0
WAVE_SPEEDS_MM_S = (100.0, 140.0, 200.0)


@dataclass(frozen=True, slots=True)
class Truth:
    """What one axis truly is."""

    lag_ms: float
    latency_ms: float
    frequency_hz: float
    damping: float
    play_mm: float


def drawn(seed: int) -> tuple[Machine, dict[str, Truth]]:
    """A machine whose file takes everything for ideal, and the truth: lag 3 to 30 ms, latency 0.5 to 6 ms with jitter,
    belt 6 to 25 Hz damped by 2 to 10 %, play 0.2 to 1.5 mm, encoder steps of 1 to 40 counts."""
    random = np.random.default_rng(seed)
    file = tomllib.loads(shipped("machines/boathouse.toml").read_text())
    truth = {}
    for axis in AXES:
        file["axes"][axis] |= {"play_mm": 0.0, "loop_lag_ms": 0.0, "latency_ms": 0.0}
        one = Truth(
            float(random.uniform(3.0, 30.0)),
            float(random.uniform(0.5, 6.0)),
            float(random.uniform(6.0, 25.0)),
            float(random.uniform(0.02, 0.10)),
            float(random.uniform(0.2, 1.5)),
        )
        file["twin"]["axes"][axis] |= {
            "loop_lag_ms": one.lag_ms, "latency_ms": one.latency_ms, "play_mm": one.play_mm,
            "latency_jitter_ms": float(random.uniform(0.0, 0.3)),
            "encoder_step_counts": int(random.integers(1, 41)),
            "belt": {"position_mm": [0.0], "frequency_hz": [one.frequency_hz], "damping": one.damping},
        }  # fmt: skip
        truth[axis] = one
    file["twin"]["seed"] = int(random.integers(1, 10_000))
    return Machine.model_validate(file), truth


def played(machine: Machine, schedule: Schedule) -> Played:
    """A schedule on a fresh gantry of the machine's [twin]."""
    assert machine.twin is not None
    start = quanta_to_machine_mm(schedule.start_quanta, machine)
    drives = {axis: machine.axes[axis].drive for axis in AXES}
    down = np.asarray(schedule.head) == 1
    return play(
        drives,
        machine.twin,
        machine.tick_us,
        schedule.velocity_units,
        down,
        (float(start[0]), float(start[1])),
    )


def records_of(machine: Machine, probe: Probe) -> npt.NDArray[np.void]:
    """The streamer's records of a probe: each tick in time, its feedback that of the SYNC before, no trim."""
    schedule = probe.schedule
    counts = played(machine, schedule).counts
    records = np.zeros(schedule.ticks, dtype=TICK_DTYPE)
    tick = np.arange(schedule.ticks)
    records["tick"] = tick
    records["scheduled_ns"] = records["sent_ns"] = 1_000_000_000 + tick * machine.tick_ns
    records["velocity_units"] = schedule.velocity_units
    records["measured_counts"] = counts[np.maximum(tick - 1, 0)]
    records["segment"] = np.repeat(np.arange(len(schedule.segments)), schedule.segments["ticks"])
    records["flags"] = 1
    return records


def steps_samples(machine: Machine, axis: Axis, speed_mm_s: float = 200.0, repeats: int = 3) -> list[Samples]:
    """Commands and readings of the staircase, as the session makes them of its log."""
    width, height = machine.canvas.size_mm
    along, across = (width / 2, height / 2) if axis == "x" else (height / 2, width / 2)
    probe = plan_probe(machine, StepsTest(axis, along, across, repeats, speed_mm_s))
    records = records_of(machine, probe)
    found = []
    for number, part in enumerate(probe.parts):
        rows = np.flatnonzero(records["segment"] == number)
        if part.what:
            found.append(samples(machine, AXES.index(axis), records, int(rows[0]), int(rows[-1]) + 1))
    return found


def identified(machine: Machine, axis: Axis) -> LoopFit:
    """Lag and dead time of an axis."""
    step_mm = 1.0 / float(machine.axes[axis].drive.counts_per_mm)
    return fit_loop(steps_samples(machine, axis), step_mm)


def brisk(machine: Machine, fits: Mapping[str, LoopFit], play_mm: Mapping[str, float]) -> Machine:
    """The machine that draws the waving lines: told of its play, as a comb shows it, and of its lag and dead time, so
    that the motor brakes as sharply as planned; its paths as hard as the axes may. Its belts are stiff: what is known
    of them would be taken out."""
    axes = {
        axis: machine.axes[axis].model_copy(
            update={
                "loop_lag_ms": fits[axis].lag_ms,
                "latency_ms": max(fits[axis].dead_ms, 0.0),
                "belt": None,
                "play_mm": round(play_mm[axis] / COMB_MM) * COMB_MM,
            }
        )
        for axis in AXES
    }
    hardest = min(axis.acceleration_max_mm_s2 for axis in axes.values())
    motion = machine.motion.model_copy(
        update={"acceleration_mm_s2": BRISK_SHARE * hardest, "jerk_mm_s3": BRISK_JERK_MM_S3}
    )
    return machine.model_copy(update={"axes": axes, "motion": motion})


def waving_line(machine: Machine, axis: Axis, speed_mm_s: float) -> tuple[Vector, Vector]:
    """A line with a right angle, drawn without a pause: along the axis, then across it. Along and sideways (n,) mm of
    its second leg, from the corner on, as the tip drew it."""
    index = AXES.index(axis)
    corner = np.array(machine.canvas.size_mm) / 2.0
    first, last = corner.copy(), corner.copy()
    first[index] -= BEFORE_MM
    last[1 - index] += AFTER_MM
    points = np.stack([first, corner, last])
    strokes = StrokeSet(
        points, np.array([0, 3]), np.array([StrokeKind.LINE], np.uint8), np.zeros(1, np.int32), ("wave",)
    )
    ink = Ink(name="teal", group="tide", colour="#1f7a78", tip_mm=1.0, paint_speed_mm_s=speed_mm_s)
    done = played(machine, plan_pass(strokes, ink, machine, machine.park_mm))
    tip = done.tip_mm[done.touches]
    along, side = tip[:, 1 - index] - corner[1 - index], tip[:, index] - corner[index]
    # Behind the corner the second axis still gathers speed, before the end it loses it.
    run_up_mm = wave_run_up_mm(speed_mm_s, machine.motion.acceleration_mm_s2, machine.motion.jerk_mm_s3)
    behind = (along > run_up_mm) & (along < AFTER_MM - run_up_mm)
    return along[behind], side[behind]


def read_wave(along_mm: Vector, side_mm: Vector, speed_mm_s: float) -> WaveReading:
    """What a person reads: where crests are, to half a millimetre; heights from crest to trough, to a tenth.

    Crests count as long as they stand twice a tenth above their troughs. Raises PoorFit where there are none to read.
    """
    crests, _ = find_peaks(side_mm, prominence=0.5 * LOUPE_MM)
    troughs, _ = find_peaks(-side_mm, prominence=0.5 * LOUPE_MM)
    heights = []
    for crest in crests:
        after = troughs[troughs > crest]
        if not len(after):
            break
        height = float(np.round((side_mm[crest] - side_mm[after[0]]) / LOUPE_MM) * LOUPE_MM)
        if height < 2.0 * LOUPE_MM:
            break
        heights.append(height)
    count = len(heights)
    if count < 3:
        raise PoorFit("ring-down line", "three waves to read", f"{count}", code="fit-ring-line")
    length = float(np.round((along_mm[crests[count - 1]] - along_mm[crests[0]]) / RULER_MM) * RULER_MM)
    # Half a division at each end and in each reading.
    return WaveReading(
        speed_mm_s, count - 1, length, tuple(enumerate(heights)), length_doubt_mm=RULER_MM,
        height_doubt_mm=LOUPE_MM,
    )  # fmt: skip


def rung(machine: Machine) -> dict[Axis, Ring]:
    """Frequency and damping of both axes from lines at several speeds, those that can be read; an axis without one is
    left out. Read twice, since how far an axis sways along the other's lines comes from its own."""
    readings: dict[Axis, list[WaveReading]] = {"x": [], "y": []}
    for axis, mine in readings.items():
        for speed_mm_s in WAVE_SPEEDS_MM_S:
            with contextlib.suppress(PoorFit):
                mine.append(read_wave(*waving_line(machine, axis, speed_mm_s), speed_mm_s))
    first = {axis: ring for axis, mine in readings.items() if (ring := _together(mine)) is not None}
    acceleration = machine.motion.acceleration_mm_s2
    found: dict[Axis, Ring] = {}
    for axis, mine in readings.items():
        other = first.get("y" if axis == "x" else "x")
        if (ring := _together([swayed(one, acceleration, other) for one in mine])) is not None:
            found[axis] = ring
    return found


def _together(readings: list[WaveReading]) -> Ring | None:
    rings = []
    for one in readings:
        with contextlib.suppress(PoorFit):
            rings.append(ring_of_line(one))
    try:
        return together(rings)
    except PoorFit:
        return None
