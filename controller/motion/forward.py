"""The believed chain forwards: from commanded positions or motor readings to where the head is.

Owns the simulation; shares only the model (controller/motion/axis.py) with the inverse chain, no formula of it.

Velocities are constant in a tick, so every stage has a closed form in a step: the lag is an exponential, the play an
operator on the motor's position (w = max(u - r, min(u + r, w))), and while w moves at constant velocity the head
swings freely about it: q = y - w obeys q'' + 2 z omega q' + omega^2 q = 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import exp

import numpy as np
import numpy.typing as npt

from controller.motion.axis import AxisModel
from controller.motion.compiled import compiled

Vector = npt.NDArray[np.float64]

SUBSTEPS = 20
"""Steps in a tick of ``head_mm``."""


@compiled
def _table(places: Vector, values: Vector, at: float) -> float:
    return float(np.interp(at, places, values)) if len(places) > 1 else float(values[0])


@compiled
def _mechanics(
    motor: float,
    dt: float,
    state: Vector,
    places: Vector,
    half_gaps: Vector,
    belt_places: Vector,
    belt_omegas: Vector,
    damping: float,
) -> None:
    """One step with the motor arriving at ``motor``. state: belt side w, head y, head velocity."""
    w = state[0]
    half = _table(places, half_gaps, w)
    moved = max(motor - half, min(motor + half, w))
    if len(places) > 1 and moved != w:  # the gap is the one of the place arrived at
        for _ in range(4):
            half = _table(places, half_gaps, moved)
            moved = max(motor - half, min(motor + half, w))
    state[0] = moved
    if len(belt_places) == 0:
        state[2] = (moved - state[1]) / dt
        state[1] = moved
        return
    omega = _table(belt_places, belt_omegas, state[1])
    slope = (moved - w) / dt
    q, p = state[1] - w, state[2] - slope
    damped = omega * np.sqrt(1.0 - damping * damping)
    decay, c, s = exp(-damping * omega * dt), np.cos(damped * dt), np.sin(damped * dt)
    share = damping * omega / damped * s
    state[1] = moved + decay * (q * (c + share) + p * s / damped)
    state[2] = slope + decay * (p * (c - share) - q * omega * omega / damped * s)


@compiled
def _from_commands(
    commands: Vector,
    start_motor: float,
    start_head: float,
    tick_s: float,
    latency_s: float,
    lag_s: float,
    places: Vector,
    half_gaps: Vector,
    belt_places: Vector,
    belt_omegas: Vector,
    damping: float,
    substeps: int,
    head: Vector,
    motor_out: Vector,
) -> None:
    """Fill head and motor (ticks x substeps,) at instants (i + 1) tick / substeps after the first command."""
    dt = tick_s / substeps
    late = int(np.floor(latency_s / dt))
    part = latency_s - late * dt  # the velocity changes inside a step, ``part`` after its beginning
    motor, velocity = start_motor, 0.0
    state = np.array([start_head, start_head, 0.0])
    for i in range(len(head)):
        # The step from i dt to (i + 1) dt: the old command until i dt + part, then the next one.
        for piece in range(2):
            length = part if piece == 0 else dt - part
            if length <= 0.0:
                continue
            at = i - late - 1 + piece
            tick = at // substeps
            wanted = 0.0
            if at >= 0:
                before = start_motor if tick == 0 else commands[tick - 1]
                wanted = (commands[tick] - before) / tick_s
            if lag_s > 0.0:
                fade = exp(-length / lag_s)
                motor += wanted * length + (velocity - wanted) * lag_s * (1.0 - fade)
                velocity = wanted + (velocity - wanted) * fade
            else:
                motor += wanted * length
            _mechanics(motor, length, state, places, half_gaps, belt_places, belt_omegas, damping)
        head[i], motor_out[i] = state[1], motor


@compiled
def _from_motor(
    motor: Vector,
    start_head: float,
    tick_s: float,
    places: Vector,
    half_gaps: Vector,
    belt_places: Vector,
    belt_omegas: Vector,
    damping: float,
    substeps: int,
    head: Vector,
) -> None:
    state = np.array([start_head, start_head, 0.0])
    head[0] = start_head
    for i in range(1, len(motor)):
        for k in range(1, substeps + 1):
            at = motor[i - 1] + (motor[i] - motor[i - 1]) * (k / substeps)
            _mechanics(
                at, tick_s / substeps, state, places, half_gaps, belt_places, belt_omegas, damping
            )  # fmt: skip
        head[i] = state[1]


def _start_head_mm(model: AxisModel, motor_mm: float, flank: float) -> float:
    """The head at rest: half a gap behind the motor, the gap taken where the head then is."""
    head = motor_mm
    for _ in range(8):
        head = motor_mm - flank * 0.5 * float(model.gap_mm(head))
    return head


def simulate_mm(
    models: Sequence[AxisModel],
    commands_mm: npt.ArrayLike,
    tick_s: float,
    start_motor_mm: npt.ArrayLike,
    flank: npt.ArrayLike,
    substeps: int = SUBSTEPS,
) -> tuple[Vector, Vector]:
    """Head and motor, each (n x substeps, axes), at even instants; the last of every ``substeps`` ends a tick.

    commands_mm: (n, axes) commanded motor positions at the ends of ticks. start_motor_mm: where the motor rests before.
    flank: -1 or +1 by axis, the side of its gap on which each motor lies (0: in the middle).
    """
    commands = np.ascontiguousarray(np.asarray(commands_mm, dtype=np.float64).T)
    start = np.broadcast_to(np.asarray(start_motor_mm, dtype=np.float64), (len(models),))
    side = np.broadcast_to(np.asarray(flank, dtype=np.float64), (len(models),))
    head = np.empty((len(models), commands.shape[1] * substeps))
    motor = np.empty_like(head)
    for axis, model in enumerate(models):
        _from_commands(
            commands[axis],
            float(start[axis]),
            _start_head_mm(model, float(start[axis]), float(side[axis])),
            tick_s,
            model.latency_s,
            model.lag_s,
            *model.play_arrays(),
            *model.belt_arrays(),
            model.belt_damping,
            substeps,
            head[axis],
            motor[axis],
        )
    return head.T, motor.T


def head_mm(
    models: Sequence[AxisModel],
    commands_mm: npt.ArrayLike,
    tick_s: float,
    start_motor_mm: npt.ArrayLike,
    flank: npt.ArrayLike,
) -> Vector:
    """Where the head is at the end of every tick, (n, axes) axis mm; see ``simulate_mm``."""
    head, _ = simulate_mm(models, commands_mm, tick_s, start_motor_mm, flank)
    return np.ascontiguousarray(head[SUBSTEPS - 1 :: SUBSTEPS])


def head_from_motor_mm(
    models: Sequence[AxisModel], motor_mm: npt.ArrayLike, tick_s: float, flank: npt.ArrayLike
) -> Vector:
    """Where the head is at each reading of the motors, (n, axes) axis mm, at rest at the first one.

    motor_mm: (n, axes) readings ``tick_s`` apart; straight between them. flank: as in ``simulate_mm``.
    """
    motor = np.ascontiguousarray(np.asarray(motor_mm, dtype=np.float64).T)
    side = np.broadcast_to(np.asarray(flank, dtype=np.float64), (len(models),))
    head = np.empty_like(motor)
    for axis, model in enumerate(models):
        if motor.shape[1] == 0:
            break
        _from_motor(
            motor[axis],
            _start_head_mm(model, float(motor[axis, 0]), float(side[axis])),
            tick_s,
            *model.play_arrays(),
            *model.belt_arrays(),
            model.belt_damping,
            SUBSTEPS,
            head[axis],
        )
    return np.ascontiguousarray(head.T)


def way_behind_play_mm(
    models: Sequence[AxisModel], motor_mm: npt.ArrayLike, flank: npt.ArrayLike = 0.0
) -> Vector:
    """How far the heads have gone in the plane at each of the motors' places, (n,) mm, counted from the first.

    motor_mm: (n, axes) axis mm, straight between. Play alone is counted: where a motor crosses its gap the head stands.
    flank: as in ``simulate_mm``; not known (0), it is right from the first crossing on.
    """
    stiff = [replace(model, belt_position_mm=(), belt_hz=()) for model in models]
    head = head_from_motor_mm(stiff, motor_mm, 1.0, flank)
    steps = np.sqrt(np.sum(np.diff(head, axis=0) ** 2, axis=1))
    return np.concatenate([np.zeros(min(1, len(head))), np.cumsum(steps)])
