"""What is streamed: programs that give, tick by tick, the planned velocities, the head and the segment.

Pure: a program is shown what the drives reported and answers with the next tick. It knows no bus, no clock and
no trim. Velocities are drive units, signed by the drive's direction as in the schedule.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from controller.config.machine import AXES, Machine
from controller.motion.schedule import Schedule, SegmentKind
from controller.register.homing import AxisHomer, AxisHoming, HomingFailure, Phase, failure_code, judge

BLOCK_TICKS = 1024
STOP_SHARE = 0.7
_NOTHING_MM = 1e-12
INPUT_NEGATIVE_LIMIT, INPUT_POSITIVE_LIMIT, INPUT_HOME = 1 << 0, 1 << 1, 1 << 2
LIMITS = INPUT_NEGATIVE_LIMIT | INPUT_POSITIVE_LIMIT


@dataclass(slots=True)
class Seen:
    """What a program may look at: the latest word of both drives. Reused every tick.

    ``fresh``: it came since the last tick. ``head_settled``: the head has answered that it stands as commanded.
    """

    position_counts: list[int]
    inputs: list[int]
    fresh: bool = False
    head_settled: bool = True


class Program(Protocol):
    """One task of the streamer.

    ``step`` prepares the attributes for the next tick and returns True, or returns False when there is nothing
    left to send (the axes have been commanded to rest, the pen is up unless the plan leaves it down).
    ``failure`` says why a program ended early without anybody asking; ``ending``: it was asked to end after its stroke.
    """

    velocity_x: int
    velocity_y: int
    head: int
    segment: int
    stopping: bool
    ending: bool
    failure: str

    def step(self, seen: Seen) -> bool:
        """Prepare the next tick."""
        ...

    def request_stop(self) -> None:
        """Come to rest as soon as the acceleration limit lets, on the path, and lift the pen."""
        ...

    def request_end(self) -> None:
        """End with the pen up after the stroke in work; where none is in work, like ``request_stop``."""
        ...


class HoldProgram:
    """Zero velocity with the pen up for so many ticks, or until asked to end."""

    velocity_x = velocity_y = head = 0
    segment = -1
    failure = ""

    def __init__(self, ticks: int) -> None:
        self.stopping = False
        self.ending = False
        self._left = ticks

    def step(self, seen: Seen) -> bool:  # noqa: ARG002 - there is nothing to look at
        """One tick more."""
        self._left -= 1
        return self._left >= 0 and not self.stopping

    def request_stop(self) -> None:
        """End with the next tick."""
        self.stopping = True

    def request_end(self) -> None:
        """The same."""
        self.stopping = True


class HomingProgram:
    """Homes the axes one after the other and judges each against the previous homing.

    ``results`` holds the axes found so far, in homing order, judged or not; ``failure`` the first refusal,
    ``code`` its entry in the catalogue.
    """

    head = 0
    segment = -1

    def __init__(self, machine: Machine, previous: tuple[AxisHoming, ...] = ()) -> None:
        self.velocity_x = 0
        self.velocity_y = 0
        self.stopping = False
        self.ending = False
        self.failure = ""
        self.failure_kind: HomingFailure | None = None
        self.code = ""
        self.results: list[AxisHoming] = []
        self.verdicts: list[str] = []
        self._machine = machine
        self._previous = {result.axis: result for result in previous}
        self._waiting = list(machine.home_order)
        self._tick_s = machine.tick_ns * 1e-9
        self._homer: AxisHomer | None = None
        self._index = 0
        self._units_per_mm = 0.0
        self._rate_mm_s2 = 0.0
        self._speed_units = 0.0  # of the axis in hand, for a stop
        self._limit_bits = (0, 0)

    def step(self, seen: Seen) -> bool:
        """One tick of the axis in hand."""
        if self.stopping:
            return self._slow_down()
        if self._homer is None and not self._next_axis():
            return False
        homer = self._homer
        assert homer is not None
        inputs = seen.inputs[self._index]
        towards_bit, away_bit = self._limit_bits
        velocity_mm_s = homer.step(
            seen.position_counts[self._index],
            bool(inputs & INPUT_HOME),
            bool(inputs & towards_bit),
            bool(inputs & away_bit),
            fresh=seen.fresh,
        )
        self._set(velocity_mm_s * self._units_per_mm)
        if homer.finished:
            self._close(homer)
        return True

    def request_stop(self) -> None:
        """Slow down to rest; the homing stays unfinished."""
        self.stopping = True

    def request_end(self) -> None:
        """The same: a homing has no strokes."""
        self.stopping = True

    def _next_axis(self) -> bool:
        if not self._waiting or self.failure:
            return False
        name = self._waiting.pop(0)
        axis = self._machine.axes[name]
        self._index = AXES.index(name)
        drive = axis.drive
        counts_per_mm = drive.direction * float(drive.counts_per_mm)
        self._units_per_mm = counts_per_mm / drive.velocity_unit_counts_s
        self._rate_mm_s2 = min(axis.acceleration_max_mm_s2, self._machine.motion.acceleration_mm_s2)
        # The limit inputs are the drive's: negative and positive in its own counting direction.
        negative_first = (INPUT_NEGATIVE_LIMIT, INPUT_POSITIVE_LIMIT)
        self._limit_bits = (
            negative_first if axis.homing.towards * drive.direction < 0 else negative_first[::-1]
        )
        play_mm = axis.play_mm
        if axis.play_table is not None:
            table = axis.play_table
            play_mm = float(np.interp(axis.homing.position_mm, table.position_mm, table.play_mm))
        self._homer = AxisHomer(
            name, axis.homing, counts_per_mm, self._rate_mm_s2, self._tick_s, 0.5 * play_mm
        )
        return True

    def _close(self, homer: AxisHomer) -> None:
        self._homer = None
        self._set(0.0)
        if homer.phase is Phase.FAILED:
            self.failure, self.failure_kind = homer.message, homer.failure
            self.code = failure_code(homer.failure)
            return
        result = homer.result
        self.results.append(result)
        verdict = judge(result, self._previous.get(result.axis), self._machine.axes[result.axis])
        self.verdicts.append(verdict.text)
        if not verdict.accepted:
            self.failure, self.code = verdict.text, verdict.code

    def _slow_down(self) -> bool:
        if self._speed_units == 0.0:
            return False
        step = abs(self._rate_mm_s2 * self._tick_s * self._units_per_mm)
        speed = max(0.0, abs(self._speed_units) - step)
        self._set(math.copysign(speed, self._speed_units) if speed > 0.0 else 0.0)
        return True

    def _set(self, units: float) -> None:
        self._speed_units = units
        rounded = round(units)
        if self._index == 0:
            self.velocity_x, self.velocity_y = rounded, 0
        else:
            self.velocity_x, self.velocity_y = 0, rounded


class PathProgram:
    """Streams ticks ``first_tick`` to ``end_tick`` of a schedule (a pass, or a move).

    After each LOWER or RAISE segment the head must have answered; until then the last position is held (the
    plan stands there), so the ticks that follow are the same, only later.

    **Controlled stop.** The plan is a polyline: between two tick boundaries the planned position runs along a
    straight line. From the request on, the point moves along that same polyline with path speed
    s(n + 1) = s(n) - rate x tick, never faster than the plan itself runs there (so the plan's own braking for a
    corner is kept). Positions are interpolated between boundaries, velocities are their differences, rounded
    with the remainder carried. The rate is ``STOP_SHARE`` of the path's acceleration limit, because the
    curvature of the path may claim its own share at the same time. At rest the pen is lifted.
    """

    def __init__(
        self,
        schedule: Schedule,
        machine: Machine,
        first_tick: int = 0,
        end_tick: int | None = None,
        *,
        label_segments: bool = True,
    ) -> None:
        self.velocity_x = 0
        self.velocity_y = 0
        self.head = 0
        self.segment = -1
        self.stopping = False
        self.ending = False
        self.failure = ""
        self.held_ticks = 0
        self._schedule = schedule
        self._label = label_segments
        self._tick_s = schedule.tick_ns * 1e-9
        self._end = schedule.ticks if end_tick is None else end_tick
        self._at = first_tick  # next tick of the schedule
        self._base = first_tick
        self._x: list[int] = []
        self._y: list[int] = []
        self._head: list[int] = []
        self._segment: list[int] = []
        self._mm_s_x, self._mm_s_y = (
            machine.axes[name].drive.velocity_unit_counts_s / float(machine.axes[name].drive.counts_per_mm)
            for name in AXES
        )
        self._rate_mm_s2 = STOP_SHARE * machine.motion.acceleration_mm_s2
        settle_s = machine.head.settle_up_ms * 1e-3
        self._settle_ticks = math.ceil(settle_s / self._tick_s)
        # Boundaries at which the head must have answered: the ends of LOWER and RAISE segments.
        kinds = schedule.segments["kind"]
        ends = schedule.segments["first_tick"] + schedule.segments["ticks"]
        gated = (kinds == SegmentKind.LOWER) | (kinds == SegmentKind.RAISE)
        self._gates = np.sort(ends[gated & (ends > first_tick) & (ends <= self._end)])
        self._gate_index = 0
        self._gate = int(self._gates[0]) if len(self._gates) else -1
        # State of a controlled stop.
        self._speed_mm_s = 0.0
        self._fraction = 0.0
        self._real = [0.0, 0.0]
        self._sent = [0, 0]
        self._lifting = -1
        self._load()

    @property
    def next_tick(self) -> int:
        """The schedule's tick that would come next."""
        return self._at

    def request_stop(self) -> None:
        """Begin the controlled stop with the next tick. A second request changes nothing."""
        if not self.stopping:
            self.stopping = True
            self._speed_mm_s = math.hypot(self.velocity_x * self._mm_s_x, self.velocity_y * self._mm_s_y)

    def request_end(self) -> None:
        """Let the plan run to where the pen has come up from the stroke in work, where it stands; then end.

        While the pen is up and no stroke is in work, the controlled stop.
        """
        if self.ending or self.stopping:
            return
        self.ending = True
        segments, at = self._schedule.segments, self._at
        ends = segments["first_tick"] + segments["ticks"]
        index = int(np.searchsorted(ends, at, side="right"))
        kind = segments["kind"][index] if index < len(segments) else SegmentKind.TRAVEL
        if (kind == SegmentKind.LOWER and self.head) or kind in (SegmentKind.STROKE, SegmentKind.RAISE):
            raised = ends[segments["kind"] == SegmentKind.RAISE]
            self._end = min(self._end, int(raised[np.searchsorted(raised, at, side="right")]))
        else:
            self.request_stop()

    def step(self, seen: Seen) -> bool:
        """Prepare the next tick of the plan, of the hold, or of the controlled stop."""
        if self.stopping:
            return self._brake(seen)
        at = self._at
        if at == self._gate:
            if not seen.head_settled:
                return self._hold()
            self._next_gate()
        if at >= self._end:
            self.velocity_x = self.velocity_y = 0
            return False
        index = at - self._base
        if index >= len(self._x):
            self._load()
            index = 0
        self.velocity_x = self._x[index]
        self.velocity_y = self._y[index]
        self.head = self._head[index]
        if self._label:
            self.segment = self._segment[index]
        self._at = at + 1
        return True

    def _hold(self) -> bool:
        if self.velocity_x or self.velocity_y:
            self.failure = "expected the plan to stand still while the pen moves, got a plan in motion"
            self.request_stop()
            return True
        self.held_ticks += 1
        return True

    def _next_gate(self) -> None:
        self._gate_index += 1
        more = self._gate_index < len(self._gates)
        self._gate = int(self._gates[self._gate_index]) if more else -1

    def _load(self) -> None:
        """Turn the next block into lists: the tick itself touches no numpy scalar."""
        first, last = self._at, min(self._at + BLOCK_TICKS, self._end)
        velocity = self._schedule.velocity_units[first:last]
        self._x = velocity[:, 0].tolist()
        self._y = velocity[:, 1].tolist()
        self._head = self._schedule.head[first:last].tolist()
        self._segment = self._schedule.segment[first:last].tolist()
        self._base = first

    def _brake(self, seen: Seen) -> bool:
        if self._lifting >= 0:
            return self._lift(seen)
        wanted_mm_s = self._speed_mm_s - self._rate_mm_s2 * self._tick_s
        if wanted_mm_s <= 0.0:
            return self._lift(seen)
        length_mm = wanted_mm_s * self._tick_s
        time_ticks = 1.0
        # Not "above zero": what rounding leaves of the length may be too small to take any more of the tick.
        while time_ticks > 1e-12 and length_mm > _NOTHING_MM and self._at < self._end:
            index = self._at - self._base
            if index >= len(self._x):
                self._load()
                index = 0
            x, y = self._x[index], self._y[index]
            planned_mm = math.hypot(x * self._mm_s_x, y * self._mm_s_y) * self._tick_s
            if planned_mm == 0.0:
                break  # the plan stands here
            share = min(1.0 - self._fraction, time_ticks, length_mm / planned_mm)
            self._real[0] += share * x
            self._real[1] += share * y
            self._fraction += share
            time_ticks -= share
            length_mm -= share * planned_mm
            if self._fraction >= 1.0 - 1e-12:
                self._fraction = 0.0
                self._at += 1
        self._speed_mm_s = wanted_mm_s - length_mm / self._tick_s
        if self._speed_mm_s <= 1e-9:
            return self._lift(seen)
        self.velocity_x = round(self._real[0]) - self._sent[0]
        self.velocity_y = round(self._real[1]) - self._sent[1]
        self._sent[0] += self.velocity_x
        self._sent[1] += self.velocity_y
        return True

    def _lift(self, seen: Seen) -> bool:
        """At rest: pen up, wait until it has settled and answered."""
        self.velocity_x = self.velocity_y = 0
        if self._lifting < 0:
            self._lifting = self._settle_ticks if self.head else 0
            self.head = 0
            return True
        if self._lifting > 0:
            self._lifting -= 1
            return True
        return not seen.head_settled
