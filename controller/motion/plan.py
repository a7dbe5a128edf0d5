"""Strokes to the schedule of a pass, and single moves.

Owns the order of things in a pass: travel, lead-in, lower, stroke, raise, and at the end travel to the park
position; and the limits that a pass is held to. Knows no bus; of the head only how long it takes to settle.

A pass is planned in chunks of strokes, each from where the holder shall be (canvas mm) over the geometry (axis mm)
and the chain of lag, play and belt (commanded motor positions) to ticks. Commands lead the head: it is at raw
position k when ``Chain.delay_ticks`` more ticks have gone by. So the machine rests before the pen comes down, and
before it goes up, until the head has arrived; no command moves while the pen does.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError, Mistake
from controller.config.job import Ink
from controller.config.machine import AXES, Machine
from controller.motion.approach import SIGNIFICANT_MM, lead_in_points_mm, plan_travels
from controller.motion.frames import quanta_per_mm, quanta_to_machine_mm, soft_limits_mm
from controller.motion.geometry import GeometryMap
from controller.motion.instances import (
    Planned,
    Shapes,
    StrokeRules,
    find_shapes,
    first_directions,
    plan_shapes,
)
from controller.motion.path import SHORTEST_MM, Index, Vector
from controller.motion.pen import Pen, still_ticks
from controller.motion.schedule import SEGMENT_DTYPE, Schedule, ScheduleWriter, SegmentKind
from controller.motion.shaping import shaped_move_mm, shaper
from controller.motion.ticks import to_quanta, to_velocities
from controller.strokes.strokeset import StrokeSet

if TYPE_CHECKING:
    from controller.motion.chain import Chain

CHUNK_TICKS = 150_000
"""Strokes are planned so many ticks at a time, by estimate, so that memory does not grow with the picture."""

CHUNK_VERTICES = 1 << 18
"""Vertices are looked at so many at a time, for the same reason."""

KEPT_TICKS = 4_000_000
"""Plans of shapes that come again are kept up to so many ticks; shapes beyond are planned each time."""

MOVED_MM = 0.01
"""The motor may still move by this while the pen does: what a belt's stretch takes to fade."""

Progress = Callable[[int, int], None]
"""Called with the number of strokes planned so far and of all strokes."""

_KINDS = np.array(
    [SegmentKind.TRAVEL, SegmentKind.LEAD_IN, SegmentKind.LOWER, SegmentKind.STROKE, SegmentKind.RAISE],
    dtype=np.uint8,
)


def plan_pass(
    strokes: StrokeSet,
    ink: Ink,
    machine: Machine,
    start_mm: npt.ArrayLike,
    progress: Progress | None = None,
    folder: Path | None = None,
    registration: npt.ArrayLike | None = None,
) -> Schedule:
    """All strokes in their order, from ``start_mm`` (axis mm, where the motors stand) to the park position.

    folder: where given, the schedule is written there while it is planned, and comes back memory-mapped.
    registration: (2, 3) as controller/motion/geometry.py takes it, None for a canvas that lies where it is said to.
    Raises InputError when a stroke leaves the soft limits or an axis would have to be faster than it may.
    """
    start = np.asarray(start_mm, dtype=np.float64).reshape(2)
    geometry = GeometryMap.of(machine, registration)
    _refuse_outside(strokes, ink, machine, geometry)
    quanta = to_quanta(start, quanta_per_mm(machine))
    writer = ScheduleWriter((int(quanta[0]), int(quanta[1])), machine.tick_ns, machine.name, folder)
    try:
        planner = _Pass(machine, ink, geometry, start, strokes, writer)
        if len(strokes):
            shapes = find_shapes(strokes)
            for first, last in planner.chunks(shapes):
                planner.add_strokes(shapes, first, last)
                if progress is not None:
                    progress(last, len(strokes))
        planner.park()
        return writer.finish()[0]
    finally:
        writer.close()


def plan_move(machine: Machine, start_mm: npt.ArrayLike, target_mm: npt.ArrayLike) -> Schedule:
    """Pen up, straight from ``start_mm`` to ``target_mm`` (axis mm); one still tick when they are the same.

    The motors' own S-curve: where the play lies does not matter to a move, what follows takes it up. Shaped by
    ``motion.travel_shaping``. Raises InputError when the target is outside the soft limits. The start may be: a
    machine that was pushed beyond them must be able to come back.
    """
    start = np.asarray(start_mm, dtype=np.float64).reshape(2)
    target = np.asarray(target_mm, dtype=np.float64).reshape(2)
    low, high = soft_limits_mm(machine)
    scale = quanta_per_mm(machine)
    rounding = 1.0 / np.abs(scale)  # a limit that came through the quantum grid is still inside
    if not bool(np.all((target >= low - rounding) & (target <= high + rounding))):
        raise InputError(
            [
                Mistake(
                    Path(machine.name),
                    "target",
                    _limits_words(machine),
                    f"({target[0]:g}, {target[1]:g})",
                    code="move-outside",
                )
            ]
        )
    quanta = to_quanta(start, scale)
    writer = ScheduleWriter((int(quanta[0]), int(quanta[1])), machine.tick_ns, machine.name, None)
    positions = _move_mm(machine, start, target)
    still = positions if len(positions) else start[None]
    writer.add_ticks(to_velocities(quanta, to_quanta(still, scale)))
    table = np.zeros(1, dtype=SEGMENT_DTYPE)
    table["kind"], table["stroke"], table["ticks"] = SegmentKind.TRAVEL, -1, len(still)
    table["length_mm"] = np.hypot(*(target - start)) if len(positions) else 0.0
    writer.add_segments(table)
    return writer.finish()[0]


def plan_move_quanta(
    machine: Machine, start_quanta: tuple[int, int], target_quanta: tuple[int, int]
) -> Schedule:
    """``plan_move`` between points of the quantum grid, exact at both ends."""
    return plan_move(
        machine, quanta_to_machine_mm(start_quanta, machine), quanta_to_machine_mm(target_quanta, machine)
    )


def _move_mm(machine: Machine, start_mm: Vector, target_mm: Vector) -> Vector:
    """Positions (k, 2) of a straight move at the ends of its ticks; none when there is no way to go."""
    if float(np.hypot(*(target_mm - start_mm))) <= SHORTEST_MM:
        return np.empty((0, 2))
    motion = machine.motion
    shapers = []
    for index, name in enumerate(AXES):
        belt = machine.axes[name].belt
        if belt is None:
            shapers.append((np.ones(1), np.zeros(1)))
            continue
        frequency = float(np.interp(target_mm[index], belt.position_mm, belt.frequency_hz))
        shapers.append(shaper(motion.travel_shaping, frequency, belt.damping))
    return shaped_move_mm(
        start_mm,
        target_mm,
        motion.travel_speed_mm_s,
        motion.acceleration_mm_s2,
        motion.jerk_mm_s3,
        machine.tick_us * 1e-6,
        (shapers[0], shapers[1]),
    )


def _limits_words(machine: Machine) -> str:
    x, y = machine.axes["x"], machine.axes["y"]
    return f"machine x from {x.min_mm:g} to {x.max_mm:g} and y from {y.min_mm:g} to {y.max_mm:g} mm"


def _refuse_outside(strokes: StrokeSet, ink: Ink, machine: Machine, geometry: GeometryMap) -> None:
    """Every vertex lies within the soft limits; one mistake for each element that does not."""
    low, high = soft_limits_mm(machine)
    mistakes: dict[int, Mistake] = {}
    for first in range(0, len(strokes.points_mm), CHUNK_VERTICES):
        canvas = strokes.points_mm[first : first + CHUNK_VERTICES]
        finite = np.where(np.isfinite(canvas), canvas, 0.0)
        axes = np.where(np.isfinite(canvas), geometry.to_axes(finite), np.nan)
        outside = ~np.all((axes >= low) & (axes <= high), axis=1)  # not-a-number is outside as well
        if not outside.any():
            continue
        bad = np.flatnonzero(outside)
        owner = strokes.element[np.searchsorted(strokes.offsets, first + bad, side="right") - 1]
        elements, at = np.unique(owner, return_index=True)
        for element, (x, y), (u, v) in zip(
            elements.tolist(), axes[bad[at]].tolist(), canvas[bad[at]].tolist(), strict=True
        ):
            mistakes.setdefault(
                element,
                Mistake(
                    Path(f"ink {ink.name}"),
                    strokes.element_ids[element],
                    _limits_words(machine),
                    f"({x:.3f}, {y:.3f}), on the canvas ({u:.3f}, {v:.3f})",
                    code="plan-outside-travel",
                ),
            )
    if mistakes:
        raise InputError([mistakes[element] for element in sorted(mistakes)])


def _rules_of(machine: Machine, ink: Ink, crossing_ticks: int) -> StrokeRules:
    from controller.motion.chain import axis_models, crossing_s, reversal_acceleration_mm_s2

    motion = machine.motion
    models = axis_models(machine)
    slower_axis_mm_s = min(machine.axes[axis].speed_max_mm_s for axis in AXES)
    return StrokeRules(
        speed_mm_s=min(ink.paint_speed_mm_s or motion.paint_speed_mm_s, slower_axis_mm_s),
        acceleration_mm_s2=motion.acceleration_mm_s2,
        jerk_mm_s3=motion.jerk_mm_s3,
        corner_angle_deg=motion.corner_angle_deg,
        corners=motion.corners,
        corner_tolerance_mm=motion.corner_tolerance_mm,
        reversal_mm_s2=np.array(
            [reversal_acceleration_mm_s2(model, motion.reversal_error_mm) for model in models]
        ),
        reversal_s=max(crossing_s(model) for model in models),
        crossing_ticks=crossing_ticks,
        tick_s=machine.tick_us * 1e-6,
        pen=Pen.of(machine),
    )


class _Pass:
    """A pass in the making: plans stretches one after another and hands them to the writer.

    ``_here`` is where the holder was last sent, canvas mm; ``_quanta`` the last planned command.
    """

    def __init__(
        self,
        machine: Machine,
        ink: Ink,
        geometry: GeometryMap,
        start_mm: Vector,
        strokes: StrokeSet,
        writer: ScheduleWriter,
    ) -> None:
        from controller.motion.chain import Chain, axis_models

        self._machine, self._ink, self._geometry = machine, ink, geometry
        self._strokes, self._writer = strokes, writer
        self._scale = quanta_per_mm(machine)
        self._park = np.array(machine.park_mm)
        goal = geometry.to_axes(strokes.points_mm[0]) if len(strokes) else self._park
        # On which side of its play each motor lies is not known here; the first travel takes it up.
        flank = np.where(goal < start_mm, -1.0, 1.0)
        self._chain: Chain = Chain(
            axis_models(machine), machine.tick_us * 1e-6, start_mm, flank, still_start=True
        )
        self._rules = _rules_of(machine, ink, self._chain.crossing_ticks)
        self._here = geometry.to_canvas(self._chain.head_mm)
        self._quanta = to_quanta(start_mm, self._scale)
        self._fastest = np.array(
            [np.ceil(machine.axes[name].speed_max_mm_s * abs(self._scale[i]) * machine.tick_us * 1e-6)
             for i, name in enumerate(AXES)]
        )  # fmt: skip
        self._lower = still_ticks(machine, machine.head.settle_down_ms)
        self._raise = still_ticks(machine, machine.head.settle_up_ms)
        arrive = self._chain.delay_ticks + self._chain.rest_ticks
        self._still = self._chain.start_ticks
        self._rest_before = arrive
        # Chunks end with a pen raised, and the chain wants so much rest there.
        self._rest_after = max(arrive, self._chain.end_ticks - self._raise)
        self._kept: dict[int, Planned] = {}
        self._kept_ticks = 0

    def chunks(self, shapes: Shapes) -> Iterator[tuple[int, int]]:
        """First and last + 1 of the strokes to plan together: enough by estimate, and at least one."""
        each = shapes.length_mm / (self._rules.speed_mm_s * self._rules.tick_s)
        each += 0.5 * np.diff(self._strokes.offsets) + self._still + self._rest_before + self._rest_after + 50
        total = np.concatenate([[0.0], np.cumsum(each)])
        first = 0
        while first < len(each):
            full = int(np.searchsorted(total, total[first] + CHUNK_TICKS, side="right")) - 1
            last = min(max(full, first + 1), len(each))
            yield first, last
            first = last

    def add_strokes(self, shapes: Shapes, first: int, last: int) -> None:
        """Plan strokes first..last - 1 and add them to the schedule."""
        from controller.motion.filling import fill_strokes

        strokes, number = self._strokes, last - first
        planned, which = self._planned(shapes, first, last)
        bank_ends = np.cumsum(planned.ticks)
        ticks = planned.ticks[which]
        start = strokes.points_mm[strokes.offsets[first:last]] + planned.first_mm[which]
        end = start + planned.last_mm[which]
        came = np.concatenate([self._here[None], end[:-1]])
        faint, clear = (
            first_directions(planned.positions_mm, planned.ticks, share * SIGNIFICANT_MM)
            for share in (0.5, 2.0)
        )
        signs = faint[which].astype(np.float64)
        lead = lead_in_points_mm(came, start, signs, planned.heading[which], self._machine, self._geometry)
        travels = plan_travels(came, lead, start, self._machine, self._geometry)
        # Where it is not plain that the lead-in leaves no play to take up, there is room for that before the stroke.
        plain = np.all(faint == clear, axis=1)[which]
        plain &= np.all((signs == 0) | (signs * (start - lead) > 2.0 * SIGNIFICANT_MM), axis=1)
        table = np.zeros((number, len(_KINDS)), dtype=SEGMENT_DTYPE)
        table["kind"] = _KINDS
        table["stroke"] = np.arange(first, last)[:, None]
        table["length_mm"][:, SegmentKind.TRAVEL] = travels.length_mm
        table["length_mm"][:, SegmentKind.LEAD_IN] = travels.lead_mm
        table["length_mm"][:, SegmentKind.STROKE] = shapes.length_mm[first:last]
        begun = copy.deepcopy(self._chain)
        for room in (np.where(plain, 0, self._still), np.full(number, self._still)):
            table["ticks"] = np.stack(
                [
                    self._still + travels.ticks - travels.lead_ticks,
                    travels.lead_ticks + self._rest_before,
                    np.full(number, self._lower),
                    room + ticks + self._rest_after,
                    np.full(number, self._raise),
                ],
                axis=1,
            )
            raw = np.empty((int(table["ticks"].sum()), 2))
            fill_strokes(
                self._here,
                self._still,
                travels.positions_mm,
                travels.ticks,
                self._rest_before + self._lower + room,
                planned.positions_mm,
                (bank_ends - planned.ticks)[which],
                ticks,
                start,
                self._rest_after + self._raise,
                raw,
            )
            quanta = to_quanta(self._chain.commands_mm(self._geometry.to_axes(raw)), self._scale)
            velocities = to_velocities(self._quanta, quanta)
            moved_mm = self._moved_at_the_pen(velocities, table.ravel())
            if moved_mm == 0.0:
                break
            self._chain = copy.deepcopy(begun)
        else:
            raise RuntimeError(
                f"expected motors at rest while the pen moves, got {moved_mm:.4f} mm of motion"
            )
        self._here = raw[-1].copy()
        self._write(velocities, quanta, table.ravel())

    def park(self) -> None:
        """Travel to the park position and end exactly there."""
        from controller.motion.chain import Chain

        chain = self._chain
        target = chain.head_mm.copy()
        for sign in (1.0, -1.0):
            # Where the head rests when the motor has come to the park position in this direction.
            rest = Chain(chain.models, chain.tick_s, self._park, np.full(2, sign)).head_mm
            beyond = sign * (rest - chain.head_mm) > 0.0
            target[beyond] = rest[beyond]
        goal = self._geometry.to_canvas(target)[None]
        if float(np.abs(target - chain.head_mm).max()) > SHORTEST_MM:
            travels = plan_travels(self._here[None], goal, goal, self._machine, self._geometry)
            raw = np.concatenate(
                [
                    np.repeat(self._here[None], self._still, axis=0),
                    travels.positions_mm,
                    np.repeat(goal, chain.end_ticks, axis=0),
                ]
            )
            commands = chain.commands_mm(self._geometry.to_axes(raw))
        else:
            commands = np.empty((0, 2))
        # Within the play, or less than the chain's hysteresis: the motor alone goes the rest of the way.
        left = self._park - chain.motor_mm
        if np.any(np.abs(left) > 1.0 / np.abs(self._scale)):
            commands = np.concatenate([commands, _move_mm(self._machine, chain.motor_mm, self._park)])
        if not len(commands):
            return
        commands[-1] = self._park
        table = np.zeros(1, dtype=SEGMENT_DTYPE)
        table["kind"], table["stroke"], table["ticks"] = SegmentKind.TRAVEL, -1, len(commands)
        table["length_mm"] = np.hypot(*(goal[0] - self._here))
        quanta = to_quanta(commands, self._scale)
        self._write(to_velocities(self._quanta, quanta), quanta, table)

    def _planned(self, shapes: Shapes, first: int, last: int) -> tuple[Planned, Index]:
        """The shapes of a chunk, planned or kept, and which of them each stroke is."""
        numbers, begins, which = np.unique(shapes.number[first:last], return_index=True, return_inverse=True)
        known = np.array([number in self._kept for number in numbers.tolist()], dtype=np.bool_)
        fresh = plan_shapes(self._strokes, first + begins[~known], self._rules)
        if not known.any():
            order = np.arange(len(numbers))
            together = fresh
        else:
            old = [self._kept[number] for number in numbers[known].tolist()]
            together = Planned(
                *(
                    np.concatenate([getattr(one, field) for one in (fresh, *old)])
                    for field in ("positions_mm", "ticks", "first_mm", "last_mm", "heading")
                )
            )
            order = np.empty(len(numbers), dtype=np.int64)
            order[~known] = np.arange(len(numbers) - len(old))
            order[known] = np.arange(len(numbers) - len(old), len(numbers))
        self._keep(shapes, numbers[~known], fresh)
        return together, order[which.reshape(-1)]

    def _keep(self, shapes: Shapes, numbers: Index, fresh: Planned) -> None:
        """Keep what is used more than once, as far as there is room."""
        ends = np.cumsum(fresh.ticks)
        for at in np.flatnonzero(shapes.uses[numbers] > 1).tolist():
            ticks = int(fresh.ticks[at])
            if self._kept_ticks + ticks > KEPT_TICKS:
                continue
            self._kept_ticks += ticks
            one = slice(at, at + 1)
            self._kept[int(numbers[at])] = Planned(
                fresh.positions_mm[ends[at] - ticks : ends[at]].copy(),
                fresh.ticks[one].copy(),
                fresh.first_mm[one].copy(),
                fresh.last_mm[one].copy(),
                fresh.heading[one].copy(),
            )

    def _write(
        self,
        velocities: npt.NDArray[np.int32],
        quanta: npt.NDArray[np.int64],
        table: npt.NDArray[np.void],
    ) -> None:
        self._refuse_fast(velocities)
        self._quanta = quanta[-1]
        table["first_tick"] = self._writer.ticks + np.cumsum(table["ticks"]) - table["ticks"]
        self._writer.add_ticks(velocities)
        self._writer.add_segments(table[table["ticks"] > 0])

    def _refuse_fast(self, velocities: npt.NDArray[np.int32]) -> None:
        largest = np.abs(velocities).max(axis=0, initial=0)
        mistakes = [
            Mistake(
                Path(self._machine.name),
                f"axes.{name}.speed_max_mm_s",
                f"at least {largest[i] / abs(self._scale[i]) / self._rules.tick_s:.1f} mm/s for ink "
                f"{self._ink.name}, with what lag, play and belt add to travel and paint speed",
                f"{self._machine.axes[name].speed_max_mm_s:g} mm/s",
                code="plan-too-fast",
            )
            for i, name in enumerate(AXES)
            if largest[i] > self._fastest[i]
        ]
        if mistakes:
            raise InputError(mistakes)

    def _moved_at_the_pen(self, velocities: npt.NDArray[np.int32], table: npt.NDArray[np.void]) -> float:
        """How far the motors are sent while the pen goes up or down, in mm; what fades of a belt's stretch is none.

        At the end of such a segment, where the streamer may wait for the pen, they must be still altogether.
        """
        moves = (table["ticks"] > 0) & (
            (table["kind"] == SegmentKind.LOWER) | (table["kind"] == SegmentKind.RAISE)
        )
        if not moves.any():
            return 0.0
        ends = np.cumsum(table["ticks"])
        first, last = (ends - table["ticks"])[moves], ends[moves]
        sums = np.zeros((len(velocities) + 1, 2), dtype=np.int64)
        np.cumsum(np.abs(velocities), axis=0, dtype=np.int64, out=sums[1:])
        moved = float(((sums[last] - sums[first]) / np.abs(self._scale)).max())
        return moved if moved > MOVED_MM or bool(np.any(velocities[last - 1] != 0)) else 0.0
