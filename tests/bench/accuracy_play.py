"""Schedules through the simulated gantry's mechanics in virtual time: what the tip painted, stroke by stroke.

Owns cutting the tip's motion into contacts. The mechanics are drivers/twin/playback.py's; the planner's beliefs are
nowhere in here.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.config.machine import AXES, Machine
from controller.motion.frames import quanta_to_machine_mm
from controller.motion.schedule import Schedule
from drivers.twin.playback import Playback

CHUNK_TICKS = 1 << 17
"""So many ticks are played at a time; a whole number of ms with every tick length that the twin takes."""

Vector = npt.NDArray[np.float64]


class Player:
    """One simulated gantry for several schedules on end, from where the first one starts."""

    def __init__(self, machine: Machine, start_quanta: tuple[int, int]) -> None:
        assert machine.twin is not None
        start = quanta_to_machine_mm(start_quanta, machine)
        self._gantry = Playback(
            {axis: machine.axes[axis].drive for axis in AXES},
            machine.twin,
            machine.tick_us,
            (float(start[0]), float(start[1])),
        )

    def paint(self, schedule: Schedule) -> list[Vector]:
        """Canvas mm (n, 2) of every contact of the tip, 1 ms apart, in order of time. Raises RuntimeError when a
        limit switch trips."""
        tips: list[Vector] = []
        touching: list[npt.NDArray[np.bool_]] = []
        for first in range(0, schedule.ticks, CHUNK_TICKS):
            part = slice(first, min(first + CHUNK_TICKS, schedule.ticks))
            played = self._gantry.play(schedule.velocity_units[part], np.asarray(schedule.head[part]) == 1)
            tips.append(played.tip_mm)
            touching.append(played.touches)
        if self._gantry.has_tripped:
            raise RuntimeError("playback: expected no limit switch, got one that tripped")
        return contacts(np.concatenate(tips), np.concatenate(touching))


def contacts(tip_mm: Vector, touches: npt.NDArray[np.bool_]) -> list[Vector]:
    """The runs of rows of ``tip_mm`` (n, 2) in which the tip touches."""
    edges = np.flatnonzero(np.diff(touches.astype(np.int8), prepend=0, append=0))
    return [tip_mm[first:last] for first, last in zip(edges[::2], edges[1::2], strict=True)]


def play_pass(schedule: Schedule, machine: Machine) -> list[Vector]:
    """``Player.paint`` on a fresh gantry."""
    return Player(machine, schedule.start_quanta).paint(schedule)
