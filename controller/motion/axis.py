"""What the planner believes of one axis, from command to head: latency, lag, play, belt. Data only.

Owns the parameters and their look-up by place. Frames: *axis mm*, machine mm as belt and gear count them. The motor
stands at head + flank x half the gap, flank +1 where the motor last pushed towards positive mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.config.machine import AXES, Machine

Vector = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class AxisModel:
    """One axis. Tables are straight between their places and constant beyond; an empty belt table is a stiff belt.

    play_mm: whole gap. belt_hz: natural frequency of the head on its belt. belt_damping: damping ratio.
    acceleration_max_mm_s2, speed_max_mm_s: of the motor, in mm of the axis.
    """

    latency_s: float = 0.0
    lag_s: float = 0.0
    play_position_mm: tuple[float, ...] = (0.0,)
    play_mm: tuple[float, ...] = (0.0,)
    belt_position_mm: tuple[float, ...] = ()
    belt_hz: tuple[float, ...] = ()
    belt_damping: float = 0.0
    acceleration_max_mm_s2: float = 2000.0
    speed_max_mm_s: float = 1000.0

    @property
    def has_play(self) -> bool:
        """Whether there is any gap anywhere."""
        return max(self.play_mm) > 0.0

    def gap_mm(self, position_mm: npt.ArrayLike) -> Vector:
        """Whole gap at places of the axis."""
        return np.interp(np.asarray(position_mm, dtype=np.float64), self.play_position_mm, self.play_mm)

    def play_arrays(self) -> tuple[Vector, Vector]:
        """Places in mm, half gaps in mm."""
        return np.array(self.play_position_mm), 0.5 * np.array(self.play_mm)

    def belt_arrays(self) -> tuple[Vector, Vector]:
        """Places in mm, natural angular frequencies in rad/s; both empty for a stiff belt."""
        return np.array(self.belt_position_mm), 2.0 * np.pi * np.array(self.belt_hz)


def axis_models(machine: Machine) -> tuple[AxisModel, AxisModel]:
    """The models of both axes, x first, as the machine file states them."""
    models = []
    for name in AXES:
        axis = machine.axes[name]
        table, belt = axis.play_table, axis.belt
        models.append(
            AxisModel(
                latency_s=axis.latency_ms * 1e-3,
                lag_s=axis.loop_lag_ms * 1e-3,
                play_position_mm=(0.0,) if table is None else tuple(table.position_mm),
                play_mm=(axis.play_mm,) if table is None else tuple(table.play_mm),
                belt_position_mm=() if belt is None else tuple(belt.position_mm),
                belt_hz=() if belt is None else tuple(belt.frequency_hz),
                belt_damping=0.0 if belt is None else belt.damping,
                acceleration_max_mm_s2=axis.acceleration_max_mm_s2,
                speed_max_mm_s=axis.speed_max_mm_s,
            )
        )
    x, y = models
    return x, y
