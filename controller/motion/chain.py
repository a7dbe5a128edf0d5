"""The inverse chain: from where the head shall be to what the drives are commanded, through lag, play and belt.

Owns the set-up for a machine, the state between chunks, and the figures that planning needs: delays, rests, how fast
an axis may turn. Knows no strokes and no quanta. Frame: axis mm. The loops are in controller/motion/inverse.py, the
shapes of the crossings in easing.py, the model in axis.py, the same chain forwards in forward.py.

Raw head positions are smoothed (kernel.py) so that their derivatives exist; the belt's stretch is added (w, the belt
side of the play); where w turns, the motor crosses the gap; latency and lag are led. A chunk of raw positions gives
as many commanded positions, ``delay_ticks`` later: at the end of tick k the head is at raw position k - delay_ticks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log, sqrt

import numpy as np
import numpy.typing as npt

from controller.motion import easing, inverse
from controller.motion.axis import AxisModel as AxisModel
from controller.motion.axis import axis_models as axis_models
from controller.motion.forward import head_from_motor_mm as head_from_motor_mm
from controller.motion.forward import head_mm as head_mm
from controller.motion.forward import simulate_mm as simulate_mm
from controller.motion.kernel import HALF_SUPPORT_TICKS, SUPPORT, weights

Vector = npt.NDArray[np.float64]

MOTOR_SHARE = 0.5
"""Crossings are laid out with so much of the motor's largest acceleration. The rest is for what the layout does not
know: the lag turns a tick's held velocity into peaks of 1.27 times the mean, and a crossing may fall together with
the end of a stroke. With 0.85 the reference machine's motors were asked for 1.37 times what they have."""

HYSTERESIS_MM = 0.005
"""A wiggle of the belt side smaller than this does not make the motor cross the play."""

TURN_MARGIN = 1.5
"""A turn on a planned curve is no long parabola: it costs up to so many times what the table says."""

LAG_REST = 1.0
"""After a motion the head is given so many time constants of the loop: what an error of the model leaves, dies out."""

_PLACES = 3
"""Belt frequencies, over the axis, for which shapes of crossings are kept."""


@dataclass(frozen=True, slots=True)
class Demand:
    """The most that commands ask of one axis' motor."""

    speed_mm_s: float
    acceleration_mm_s2: float


@dataclass(frozen=True, slots=True)
class Trace:
    """Commands and what they are made of, each (n, axes) mm, at the same ticks.

    motor_mm: where each motor shall be when the command of that tick has come through latency and lag.
    belt_side_mm: the far side of the play at that instant: what the play makes of ``motor_mm``. Where a wiggle
    was too fast for the motor to cross the gap twice, it is still what was wanted.
    """

    commands_mm: Vector
    motor_mm: Vector
    belt_side_mm: Vector


@dataclass(frozen=True, slots=True)
class _Shapes:
    """Tables of crossings for one axis: omegas (k,) in rad per unit of time, tables (k, ratios, columns)."""

    omegas: Vector
    tables: Vector


def _motor(model: AxisModel, gap_mm: float) -> float:
    """Acceleration of a crossing in mm/s^2: less than the share where the motor would become too fast."""
    return min(MOTOR_SHARE * model.acceleration_max_mm_s2, model.speed_max_mm_s**2 / gap_mm)


def _shapes_of(model: AxisModel) -> _Shapes:
    gaps = [gap for gap in model.play_mm if gap > 0.0]
    if not gaps:
        return _Shapes(np.zeros(1), np.zeros((1, len(easing.RATIOS), easing.COLUMNS)))
    if not model.belt_hz:
        return _Shapes(np.zeros(1), easing.shapes(0.0, 0.0)[None])
    units = [sqrt(gap / _motor(model, gap)) for gap in gaps]
    low, high = (2.0 * np.pi * pick(model.belt_hz) * pick(units) for pick in (min, max))
    number = 1 if high < 1.01 * low else _PLACES
    omegas = np.geomspace(low, high, number)
    # Rounded, so that machines of nearly the same belt share what the search has found.
    return _Shapes(
        omegas, np.stack([easing.shapes(float(f"{one:.3g}"), model.belt_damping) for one in omegas])
    )


def _trail_s(model: AxisModel, shapes: _Shapes) -> float:
    """How long the belt side may move after the wanted motion has ended: an exit, and what the damper forgets."""
    trail = 0.0
    for gap in {gap for gap in model.play_mm if gap > 0.0}:
        for row in shapes.tables.reshape(-1, easing.COLUMNS):
            hold = easing.crossing_time(1.0, 1.0, 0.0)
            trail = max(trail, (row[easing.HOLD] + hold + row[easing.EXIT]) * sqrt(gap / _motor(model, gap)))
    if model.belt_hz and model.belt_damping:
        constant = model.belt_damping / (np.pi * min(model.belt_hz))
        trail += constant * log(10.0 / inverse.FORGOTTEN_MM)
    return trail


def crossing_s(model: AxisModel) -> float:
    """Longest time that the motor takes over the gap, from rest to rest; 0 without play."""
    return max(
        (sqrt(gap / _motor(model, gap)) * 2.0 for gap in model.play_mm if gap > 0.0),
        default=0.0,
    )


def reversal_acceleration_mm_s2(model: AxisModel, error_mm: float) -> float:
    """Largest acceleration of a turn that costs the head at most ``error_mm``; infinite without play.

    By the simulated head over a parabola, at the worst place of the axis. Never more than the motor's own share.
    """
    if not model.has_play:
        return float("inf")
    shapes = _shapes_of(model)
    limit = float("inf")
    for gap in {gap for gap in model.play_mm if gap > 0.0}:
        motor = _motor(model, gap)
        for table in shapes.tables:
            errors = TURN_MARGIN * np.maximum.accumulate(table[:, easing.ERROR]) * gap
            limit = min(limit, float(np.interp(error_mm, errors, easing.RATIOS)) * motor)
    return limit


def demand(models: Sequence[AxisModel], commands_mm: npt.ArrayLike, tick_s: float) -> tuple[Demand, ...]:
    """What commanded positions (n, axes) at tick ends ask of each motor, from tick to tick, its lag taken in.

    The speed is that of a tick; the acceleration the change of the motor's velocity from tick to tick, by the lag
    solved exactly for constant commands in a tick. The first position is taken as one of rest.
    """
    velocity = np.diff(np.asarray(commands_mm, dtype=np.float64), axis=0) / tick_s
    found = []
    for axis, model in enumerate(models):
        one = np.append(velocity[:, axis], 0.0)
        acceleration = inverse.largest_acceleration(one, tick_s, model.lag_s)
        found.append(Demand(float(np.abs(one).max(initial=0.0)), float(acceleration)))
    return tuple(found)


class Chain:
    """The chain of both axes with its state between chunks.

    start_motor_mm: (2,) where the motors stand. flank: (2,) -1 or +1, the side of its gap on which each motor lies.
    ``head_mm`` is where the head then rests: the first raw positions have to go on from there.

    delay_ticks: at the end of tick k the head is at raw position k - delay_ticks. rest_ticks: still raw ticks after a
    motion until the head has arrived, beside the delay. crossing_ticks: still raw ticks at a corner in which the play
    is taken up without cost. end_ticks: still raw ticks that every chunk must end with. start_ticks: those that it must
    begin with. A chunk that begins with a motion may have to cross the play before; the room for that is in the delay,
    unless ``still_start`` promises ``start_ticks`` at the start of each chunk: the delay is shorter by as much.
    """

    def __init__(
        self,
        models: Sequence[AxisModel],
        tick_s: float,
        start_motor_mm: npt.ArrayLike,
        flank: npt.ArrayLike,
        *,
        still_start: bool = False,
    ) -> None:
        self.models = tuple(models)
        self.tick_s = tick_s
        self.motor_mm = np.array(start_motor_mm, dtype=np.float64).reshape(len(self.models))
        self.flank = np.array(flank, dtype=np.float64).reshape(len(self.models))
        for model, side in zip(self.models, self.flank, strict=True):
            if model.has_play and abs(side) != 1.0:
                raise ValueError(f"flank: expected -1 or +1, got {side:g}")
        self._shapes = [_shapes_of(model) for model in self.models]
        lead = max(crossing_s(model) for model in self.models)
        trail = max(_trail_s(model, shapes) for model, shapes in zip(self.models, self._shapes, strict=True))
        latency = max(model.latency_s for model in self.models)
        self.delay_ticks = HALF_SUPPORT_TICKS + ceil(latency / tick_s - 1e-9)
        lead_ticks = ceil(lead / tick_s - 1e-9)
        self.start_ticks = lead_ticks + 2 if lead_ticks and still_start else 0
        if lead_ticks and not still_start:
            self.delay_ticks += lead_ticks + 2
        self.rest_ticks = HALF_SUPPORT_TICKS + ceil(
            LAG_REST * max(model.lag_s for model in self.models) / tick_s - 1e-9
        )
        self.crossing_ticks = lead_ticks + SUPPORT if lead_ticks else 0
        self.end_ticks = self.delay_ticks + SUPPORT + ceil(trail / tick_s)
        self._cut = []  # per axis: first tap's distance and the weights
        for model in self.models:
            whole = floor(model.latency_s / tick_s + 1e-9)
            phase = max(model.latency_s / tick_s - whole, 0.0)
            self._cut.append((self.delay_ticks - whole, weights(phase, tick_s)))
        self.head_mm = np.array(
            [
                self._head_of(model, motor, side)
                for model, motor, side in zip(self.models, self.motor_mm, self.flank, strict=True)
            ]
        )
        keep = max(back for back, _ in self._cut) + 2
        self._history = np.repeat(self.head_mm[:, None], keep, axis=1)
        self._stretch = np.zeros((len(self.models), 3))

    @staticmethod
    def _head_of(model: AxisModel, motor_mm: float, flank: float) -> float:
        head = float(motor_mm)
        if model.has_play:
            for _ in range(64):
                head = float(motor_mm - flank * 0.5 * model.gap_mm(head))
        return head

    def commands_mm(self, head_raw_mm: npt.ArrayLike) -> Vector:
        """Commanded motor positions (n, 2) at the ends of ticks for raw head positions (n, 2) at the ends of ticks.

        The chunk must go on from the last one, begin with ``start_ticks`` and end with ``end_ticks`` at one place
        (ValueError otherwise).
        """
        return self.trace(head_raw_mm).commands_mm

    def trace(self, head_raw_mm: npt.ArrayLike) -> Trace:
        """``commands_mm`` with what lies between: see ``Trace``."""
        raw = np.asarray(head_raw_mm, dtype=np.float64).reshape(-1, len(self.models))
        n = len(raw)
        if n == 0:
            return Trace(raw, raw, raw)
        joined = np.concatenate([self._history, raw.T], axis=1)
        tail = joined[:, -min(self.end_ticks + 1, joined.shape[1]) :]
        if bool(np.any(tail != tail[:, -1:])):
            raise ValueError(f"chunk: expected {self.end_ticks} still ticks at its end, got fewer")
        if bool(np.any(np.abs(raw[: self.start_ticks] - self.head_mm) > inverse.STILL_MM)):
            raise ValueError(f"chunk: expected {self.start_ticks} still ticks at its start, got fewer")
        commands, motor, belt_side = (np.empty((len(self.models), n)) for _ in range(3))
        for axis in range(len(self.models)):
            self._axis(axis, joined[axis], commands[axis], motor[axis], belt_side[axis])
        self._history = joined[:, joined.shape[1] - self._history.shape[1] :].copy()
        self.head_mm = self._history[:, -1].copy()
        self.motor_mm = commands[:, -1].copy()
        return Trace(*(np.ascontiguousarray(one.T) for one in (commands, motor, belt_side)))

    def _axis(self, axis: int, joined: Vector, commands: Vector, motor: Vector, w: Vector) -> None:
        model, shapes = self.models[axis], self._shapes[axis]
        back, taps = self._cut[axis]
        n = len(w)
        first = self._history.shape[1] - back - 2
        raw = joined[first:]
        w_dot = np.empty(n)
        belt_places, belt_omegas = model.belt_arrays()
        inverse.belt_pass(
            raw, taps, self.tick_s, belt_places, belt_omegas, model.belt_damping, self._stretch[axis], w, w_dot
        )  # fmt: skip
        if not model.has_play:
            np.multiply(w_dot, model.lag_s, out=commands)
            commands += w
            motor[:] = w
            return
        places, half_gaps = model.play_arrays()
        acceleration = MOTOR_SHARE * model.acceleration_max_mm_s2
        crossings = (
            places, half_gaps, acceleration, model.speed_max_mm_s, easing.RATIOS, shapes.omegas, shapes.tables,
            belt_places, belt_omegas,
        )  # fmt: skip
        flank = float(self.flank[axis])
        events, after = inverse.find_turns(w, w_dot, self.tick_s, flank, HYSTERESIS_MM, *crossings)
        inverse.motor_pass(
            w, w_dot, self.tick_s, flank, events, *crossings, model.lag_s, model.belt_damping, motor, commands
        )
        self.flank[axis] = after
