"""Hand-made velocity timing, to compare with: what a short script for such a machine does.

Owns the naive schedule. Exactly:

* Every chord of a stroke is sent as one velocity vector, for its length over the stroke's speed rounded to whole
  ticks, at least one; the vector is the chord over those ticks, so that the chord's end is met (kinder than sending
  the speed itself for the rounded time). Velocities are rounded to drive units.
* A stroke has one speed. ``speeds_like`` makes it the mean speed of a planned schedule's same stroke, so that both
  take the same time; at the full painting speed the motors could not follow small circles at all.
* A chord that is longer than two ramps begins and ends with a linear ramp of ``RAMP_S``, both axes alike, so its
  vector keeps its direction. Shorter chords (all curves) have none.
* Ways between strokes are one chord at the travel speed, or slower so that they last two ramps. The pen is lowered
  and raised with the machine's own waiting times; after every way and stroke the drives get ``SETTLE_LAGS`` of their
  lag to come to rest.
* Nothing is done about curvature, acceleration, lag, latency, play or the belt, and no stroke has a lead-in.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.config.machine import AXES, Machine
from controller.motion.frames import canvas_to_machine_mm, quanta_per_mm
from controller.motion.schedule import SEGMENT_DTYPE, Schedule, SegmentKind
from controller.strokes.strokeset import StrokeSet

RAMP_S = 0.1
SETTLE_LAGS = 4.0

Vector = npt.NDArray[np.float64]


def chord_velocities(vector_mm: Vector, speed_mm_s: float, tick_s: float, ramps: bool = False) -> Vector:
    """Ticks (n, 2) in mm/s of one chord. ``ramps``: also where the chord is short, which makes it slower."""
    ticks = max(1, round(float(np.hypot(*vector_mm)) / speed_mm_s / tick_s))
    ramp = round(RAMP_S / tick_s)
    if ramps:
        ticks = max(ticks, ramp)
    elif ticks <= 2 * ramp:
        return np.tile(vector_mm / (ticks * tick_s), (ticks, 1))
    # A ramp of r ticks covers half of their way, so two of them cost r ticks more.
    shape = np.ones(ticks + ramp)
    shape[:ramp] = (np.arange(ramp) + 0.5) / ramp
    shape[-ramp:] = shape[:ramp][::-1]
    return shape[:, None] * vector_mm / (shape.sum() * tick_s)


def speeds_like(planned: Schedule, strokes: StrokeSet) -> Vector:
    """Mean speed (S,) of every stroke in ``planned``."""
    table = planned.segments[planned.segments["kind"] == SegmentKind.STROKE]
    seconds = np.zeros(len(strokes))
    np.add.at(seconds, table["stroke"], table["ticks"] * planned.tick_ns * 1e-9)
    speeds: Vector = strokes.lengths_mm() / seconds
    return speeds


def naive_pass(
    strokes: StrokeSet, speeds_mm_s: npt.ArrayLike, machine: Machine, start_mm: npt.ArrayLike
) -> Schedule:
    """All strokes in order from ``start_mm`` (machine mm), the way back to the park position left out.

    speeds_mm_s: of all strokes, or (S,) of each.
    """
    speeds = np.broadcast_to(np.asarray(speeds_mm_s, dtype=np.float64), (len(strokes),))
    tick_s = machine.tick_us * 1e-6
    settle = round(SETTLE_LAGS * max(machine.axes[axis].loop_lag_ms for axis in AXES) * 1e-3 / tick_s)
    head = machine.head
    rows: list[tuple[int, int, Vector, float]] = []
    here = np.asarray(start_mm, dtype=np.float64)

    def add(kind: SegmentKind, stroke: int, moving: list[Vector], still: int, length: float) -> None:
        rows.append((int(kind), stroke, np.concatenate([*moving, np.zeros((still, 2))]), length))

    for index in range(len(strokes)):
        points = canvas_to_machine_mm(strokes.stroke_mm(index), machine)
        way = points[0] - here
        add(SegmentKind.TRAVEL, index, [chord_velocities(way, machine.motion.travel_speed_mm_s, tick_s, True)],
            settle, float(np.hypot(*way)))  # fmt: skip
        add(SegmentKind.LOWER, index, [], round(head.settle_down_ms * 1e-3 / tick_s), 0.0)
        chords = np.diff(points, axis=0)
        add(SegmentKind.STROKE, index, [chord_velocities(chord, speeds[index], tick_s) for chord in chords],
            settle, float(np.hypot(*chords.T).sum()))  # fmt: skip
        add(SegmentKind.RAISE, index, [], round(head.settle_up_ms * 1e-3 / tick_s), 0.0)
        here = points[-1]

    scale = quanta_per_mm(machine)
    ticks = np.array([len(row[2]) for row in rows])
    table = np.zeros(len(rows), dtype=SEGMENT_DTYPE)
    table["kind"] = [row[0] for row in rows]
    table["stroke"] = [row[1] for row in rows]
    table["ticks"] = ticks
    table["first_tick"] = np.cumsum(ticks) - ticks
    table["length_mm"] = [row[3] for row in rows]
    velocity_mm_s = np.concatenate([row[2] for row in rows])
    start = np.rint(np.asarray(start_mm) * scale).astype(np.int64)
    return Schedule(
        np.rint(velocity_mm_s * tick_s * scale).astype(np.int32),
        table,
        (int(start[0]), int(start[1])),
        machine.tick_ns,
        machine.name,
    )
