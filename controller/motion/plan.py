"""Strokes to the schedule of a pass, and single moves.

Owns the order of things in a pass: travel, lead-in, lower, stroke, raise, and at the end travel to the park
position. Knows no bus; of the head only how long it takes to settle.

The lead-in: belts have play, so an axis that starts a stroke against the direction in which it arrived moves its
motor before its head. Each stroke is therefore approached, pen up, from the side from which each axis will first
move on in the stroke, over more than the play.
"""

from __future__ import annotations

from collections.abc import Callable
from math import ceil
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError, Mistake
from controller.config.job import Ink
from controller.config.machine import AXES, Machine
from controller.motion.frames import (
    canvas_to_machine_mm,
    machine_to_canvas_mm,
    quanta_per_mm,
    quanta_to_machine_mm,
    soft_limits_mm,
)
from controller.motion.path import SHORTEST_MM, Index, Vector, polyline
from controller.motion.profile import plan_profile
from controller.motion.schedule import SEGMENT_DTYPE, Schedule, SegmentKind
from controller.motion.ticks import sample, to_quanta, to_velocities
from controller.strokes.strokeset import StrokeSet

LEAD_IN_MARGIN_MM = 0.2
"""The lead-in is longer than the play by this much, on each axis."""

SIGNIFICANT_OF_PLAY = 0.5
"""An axis moves significantly in a stroke once it has left its starting point by this share of its play..."""

SIGNIFICANT_MM = 0.02
"""...and by at least this much."""

SETTLE_LAGS = 4.0
"""After a motion the drives' velocity loops are given this many of their time constants to arrive (e^-4 = 2 %)."""

CHUNK_VERTICES = 60_000
"""Strokes are planned so many vertices at a time, so that memory does not grow with the picture."""

Progress = Callable[[int, int], None]
"""Called with the number of strokes planned so far and of all strokes."""

_KINDS = np.array(
    [SegmentKind.TRAVEL, SegmentKind.LEAD_IN, SegmentKind.LOWER, SegmentKind.STROKE, SegmentKind.RAISE],
    dtype=np.uint8,
)


def first_directions(strokes: StrokeSet, significant_mm: Vector) -> npt.NDArray[np.int8]:
    """Per stroke and axis (S, 2) the sign of the first significant displacement from the start; 0 = never."""
    counts = np.diff(strokes.offsets)
    away = strokes.points_mm - np.repeat(strokes.points_mm[strokes.offsets[:-1]], counts, axis=0)
    signs = np.zeros((len(strokes), 2), dtype=np.int8)
    for axis in range(2):
        hit = np.flatnonzero(np.abs(away[:, axis]) > significant_mm[axis])
        owner = np.searchsorted(strokes.offsets, hit, side="right") - 1
        stroke, first = np.unique(owner, return_index=True)
        signs[stroke, axis] = np.sign(away[hit[first], axis])
    return signs


def lead_in_points_mm(strokes: StrokeSet, machine: Machine, start_mm: Vector) -> Vector:
    """Machine mm (S, 2) from which every stroke is approached, inside the soft limits.

    An axis that never moves significantly keeps the sign in which it arrives from the last stroke's end
    (``start_mm`` for the first). Beside a soft limit the lead-in may be shorter than the play.
    """
    play = np.array([machine.axes[axis].play_mm for axis in AXES])
    points = canvas_to_machine_mm(strokes.points_mm, machine)
    starts, ends = points[strokes.offsets[:-1]], points[strokes.offsets[1:] - 1]
    came_from = np.concatenate([start_mm.reshape(1, 2), ends[:-1]])
    sign = first_directions(strokes, np.maximum(SIGNIFICANT_OF_PLAY * play, SIGNIFICANT_MM)).astype(
        np.float64
    )
    arriving = np.sign(starts - came_from)
    sign = np.where(sign == 0, np.where(arriving == 0, 1.0, arriving), sign)
    low, high = soft_limits_mm(machine)
    leads: Vector = np.clip(starts - sign * (play + LEAD_IN_MARGIN_MM), low, high)
    return leads


def plan_pass(
    strokes: StrokeSet,
    ink: Ink,
    machine: Machine,
    start_mm: npt.ArrayLike,
    progress: Progress | None = None,
) -> Schedule:
    """All strokes in their order, from ``start_mm`` (machine mm, where the machine stands) to the park position.

    Raises InputError when a stroke leaves the soft limits.
    """
    start = np.asarray(start_mm, dtype=np.float64).reshape(2)
    _refuse_outside(strokes, ink, machine)
    builder = _Builder(machine, start)
    if len(strokes):
        leads = lead_in_points_mm(strokes, machine, start)
        paint_speed = min(ink.paint_speed_mm_s or machine.motion.paint_speed_mm_s, _slower_axis_mm_s(machine))
        position = start
        first = 0
        while first < len(strokes):
            full = np.searchsorted(strokes.offsets, strokes.offsets[first] + CHUNK_VERTICES, side="right") - 1
            last = int(min(max(full, first + 1), len(strokes)))
            position = _plan_strokes(builder, strokes, leads, first, last, position, paint_speed)
            first = last
            if progress is not None:
                progress(first, len(strokes))
    builder.travel(np.asarray(machine.park_mm, dtype=np.float64))
    return builder.finish()


def plan_move(machine: Machine, start_mm: npt.ArrayLike, target_mm: npt.ArrayLike) -> Schedule:
    """Pen up, straight from ``start_mm`` to ``target_mm`` (machine mm); one still tick when they are the same.

    Raises InputError when the target is outside the soft limits. The start may be: a machine that was pushed
    beyond them must be able to come back.
    """
    target = np.asarray(target_mm, dtype=np.float64).reshape(2)
    low, high = soft_limits_mm(machine)
    rounding = 1.0 / np.abs(
        quanta_per_mm(machine)
    )  # a limit that came through the quantum grid is still inside
    if not bool(np.all((target >= low - rounding) & (target <= high + rounding))):
        raise InputError(
            [Mistake(Path(machine.name), "target", _limits_words(machine), f"({target[0]:g}, {target[1]:g})")]
        )
    builder = _Builder(machine, np.asarray(start_mm, dtype=np.float64).reshape(2))
    builder.travel(target, at_least_one_tick=True)
    return builder.finish()


def plan_move_quanta(
    machine: Machine, start_quanta: tuple[int, int], target_quanta: tuple[int, int]
) -> Schedule:
    """``plan_move`` between points of the quantum grid, exact at both ends."""
    return plan_move(
        machine, quanta_to_machine_mm(start_quanta, machine), quanta_to_machine_mm(target_quanta, machine)
    )


def still_ticks(machine: Machine, duration_ms: float) -> int:
    """Whole ticks that last at least ``duration_ms``."""
    return ceil(duration_ms * 1000.0 / machine.tick_us - 1e-9)


def _settle_ticks(machine: Machine) -> int:
    return still_ticks(machine, SETTLE_LAGS * max(machine.axes[axis].loop_lag_ms for axis in AXES))


def _slower_axis_mm_s(machine: Machine) -> float:
    return min(machine.axes[axis].speed_max_mm_s for axis in AXES)


def _limits_words(machine: Machine) -> str:
    x, y = machine.axes["x"], machine.axes["y"]
    return f"machine x from {x.min_mm:g} to {x.max_mm:g} and y from {y.min_mm:g} to {y.max_mm:g} mm"


def _refuse_outside(strokes: StrokeSet, ink: Ink, machine: Machine) -> None:
    points = canvas_to_machine_mm(strokes.points_mm, machine)
    low, high = soft_limits_mm(machine)
    inside = np.all((points >= low) & (points <= high), axis=1)  # not-a-number is outside as well
    if bool(inside.all()):
        return
    bad = np.flatnonzero(~inside)
    owner = strokes.element[np.searchsorted(strokes.offsets, bad, side="right") - 1]
    elements, first = np.unique(owner, return_index=True)
    canvas = machine_to_canvas_mm(points[bad[first]], machine)
    raise InputError(
        [
            Mistake(
                Path(f"ink {ink.name}"),
                strokes.element_ids[int(element)],
                _limits_words(machine),
                f"({x:.3f}, {y:.3f}), on the canvas ({u:.3f}, {v:.3f})",
            )
            for element, (x, y), (u, v) in zip(
                elements.tolist(), points[bad[first]].tolist(), canvas.tolist(), strict=True
            )
        ]
    )


def _plan_strokes(
    builder: _Builder,
    strokes: StrokeSet,
    leads_mm: Vector,
    first: int,
    last: int,
    position_mm: Vector,
    paint_speed_mm_s: float,
) -> Vector:
    """Plan strokes first..last - 1 in one go; returns where the last one ends (machine mm)."""
    machine = builder.machine
    number = last - first
    offsets = strokes.offsets[first : last + 1] - strokes.offsets[first]
    counts = np.diff(offsets)
    points = canvas_to_machine_mm(strokes.points_mm[strokes.offsets[first] : strokes.offsets[last]], machine)
    # One chain of vertices: where we stand, then for each stroke its lead-in point and its vertices.
    begins = offsets[:-1] + np.arange(number) + 1  # of each stroke's lead-in point in the chain
    vertices = np.empty((1 + number + len(points), 2))
    is_lead = np.zeros(len(vertices), dtype=np.bool_)
    is_lead[begins] = True
    is_point = ~is_lead
    is_point[0] = False
    vertices[0] = position_mm
    vertices[is_lead] = leads_mm[first:last]
    vertices[is_point] = points
    stop = is_lead.copy()
    stop[begins + 1] = True  # the stroke's first vertex
    stop[begins + counts] = True  # and its last
    # Segments 0..4 of each stroke; of them only travel, lead-in and stroke have chords.
    segment = np.repeat(5 * np.arange(number), counts + 1) + int(SegmentKind.STROKE)
    chord_begins = begins - 1  # the travel's chord, then the lead-in's
    segment[chord_begins] = 5 * np.arange(number) + int(SegmentKind.TRAVEL)
    segment[chord_begins + 1] = 5 * np.arange(number) + int(SegmentKind.LEAD_IN)
    speed = np.where(segment % 5 == SegmentKind.STROKE, paint_speed_mm_s, machine.motion.travel_speed_mm_s)
    settle = _settle_ticks(machine)
    still = np.tile(
        [
            0,
            settle,
            still_ticks(machine, machine.head.settle_down_ms),
            settle,
            still_ticks(machine, machine.head.settle_up_ms),
        ],
        number,
    )
    stroke = np.repeat(np.arange(first, last), 5)
    builder.add(vertices, stop, segment, speed, np.tile(_KINDS, number), stroke, still)
    end: Vector = vertices[-1]
    return end


class _Builder:
    """Collects planned stretches as arrays; one Schedule at the end."""

    def __init__(self, machine: Machine, start_mm: Vector) -> None:
        self.machine = machine
        self._scale = quanta_per_mm(machine)
        start = to_quanta(start_mm, self._scale)
        self._start = (int(start[0]), int(start[1]))
        self._position_mm = start_mm
        self._position_quanta = start
        self._velocities: list[npt.NDArray[np.int32]] = []
        self._segments: list[npt.NDArray[np.void]] = []
        self._count = 0
        self._tick = 0

    def travel(self, target_mm: Vector, at_least_one_tick: bool = False) -> None:
        """Pen up and straight to ``target_mm``."""
        stands = float(np.hypot(*(target_mm - self._position_mm))) <= SHORTEST_MM
        self.add(
            np.stack([self._position_mm, target_mm]),
            np.ones(2, dtype=np.bool_),
            np.zeros(1, dtype=np.int64),
            np.array([self.machine.motion.travel_speed_mm_s]),
            _KINDS[:1],
            np.array([-1]),
            np.array([1 if at_least_one_tick and stands else 0]),
        )

    def add(
        self,
        vertices_mm: Vector,
        stop: npt.NDArray[np.bool_],
        segment_of_chord: Index,
        speed_mm_s: Vector,
        kind: npt.NDArray[np.uint8],
        stroke: Index,
        still: Index,
    ) -> None:
        """Plan a chain of chords; ``kind``, ``stroke`` and ``still`` (ticks at rest at its end) are by segment.

        Segments without any tick are left out.
        """
        motion = self.machine.motion
        path = polyline(vertices_mm, stop, motion.corner_angle_deg)
        owner = segment_of_chord[path.chord_of_input]
        segments = len(kind)
        moving = np.zeros(segments, dtype=np.int64)
        velocities = np.empty((0, 2), dtype=np.int32)
        length = np.bincount(owner, weights=path.length_mm, minlength=segments)
        if path.chords:
            profile = plan_profile(path, speed_mm_s[path.chord_of_input], motion.acceleration_mm_s2)
            boundaries = sample(profile, self.machine.tick_us * 1e-6)
            moving = np.bincount(
                owner[profile.run_last_chord], weights=boundaries.ticks, minlength=segments
            ).astype(np.int64)
            quanta = to_quanta(boundaries.positions_mm, self._scale)
            velocities = to_velocities(self._position_quanta, quanta)
            self._position_quanta = quanta[-1]
        ticks = moving + still
        first = np.cumsum(ticks) - ticks
        out = np.zeros((int(ticks.sum()), 2), dtype=np.int32)
        out[np.arange(len(velocities)) + np.repeat(first - (np.cumsum(moving) - moving), moving)] = velocities
        real = ticks > 0
        table = np.zeros(int(real.sum()), dtype=SEGMENT_DTYPE)
        table["kind"], table["stroke"] = kind[real], stroke[real]
        table["first_tick"], table["ticks"] = self._tick + first[real], ticks[real]
        table["length_mm"] = length[real]
        self._velocities.append(out)
        self._segments.append(table)
        self._count += len(table)
        self._tick += len(out)
        self._position_mm = vertices_mm[-1]

    def finish(self) -> Schedule:
        """The whole as one schedule."""
        segments = np.concatenate(self._segments)
        return Schedule(
            np.concatenate(self._velocities),
            segments,
            self._start,
            self.machine.tick_ns,
            self.machine.name,
        )
