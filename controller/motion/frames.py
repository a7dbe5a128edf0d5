"""Canvas mm to nominal machine mm, and axis mm to the quantum grid, and back. Owns these relations; no time, no path.

What lies between machine mm and axis mm is in controller/motion/geometry.py; without tables they are the same.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.config.machine import AXES, Machine

Vector = npt.NDArray[np.float64]


def canvas_to_machine_mm(points_mm: npt.ArrayLike, machine: Machine) -> Vector:
    """Canvas mm (..., 2) to machine mm: the canvas hangs with its top left corner at ``canvas.origin_mm``.

    Nominal: no registration, and no step on to axis mm (controller/motion/geometry.py).
    """
    moved: Vector = np.asarray(points_mm, dtype=np.float64) + np.asarray(machine.canvas.origin_mm)
    return moved


def machine_to_canvas_mm(points_mm: npt.ArrayLike, machine: Machine) -> Vector:
    """Inverse of ``canvas_to_machine_mm``."""
    moved: Vector = np.asarray(points_mm, dtype=np.float64) - np.asarray(machine.canvas.origin_mm)
    return moved


def quanta_per_mm(machine: Machine) -> Vector:
    """Signed grid steps for one mm, (2,), axis order x, y."""
    return np.array([machine.quanta_per_mm(axis) for axis in AXES])


def quanta_to_machine_mm(quanta: npt.ArrayLike, machine: Machine) -> Vector:
    """Quantum grid (..., 2) to axis mm."""
    return np.asarray(quanta, dtype=np.float64) / quanta_per_mm(machine)


def soft_limits_mm(machine: Machine) -> tuple[Vector, Vector]:
    """Lowest and highest axis mm, (2,) each."""
    return (
        np.array([machine.axes[axis].min_mm for axis in AXES]),
        np.array([machine.axes[axis].max_mm for axis in AXES]),
    )
