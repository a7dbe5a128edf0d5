"""Where the holder has to be so that the pen's tip is where the picture wants it.

Owns lean and landing. Frame: canvas mm, x right, y down. Knows no axes and no ticks but as a number of steps.

A pen has clearance in its holder and bends: drawn, its tip trails the holder by ``lean`` (along x and along y), so
the holder runs ahead of the tip in its direction. Pressed down, the tip lands off the holder's centre by
``landing``. Both changes of the holder, from the landing place to the lean at a stroke's beginning, and around the
resting tip where the stroke turns, are made while the tip rests: within its clearance the holder moves freely.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
import numpy.typing as npt

from controller.config.machine import Machine

Vector = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

SHARE_OF_LIMITS = 0.5
"""The holder's own motions take so much of the limits of acceleration and jerk: the pen shall not be torn along."""

_PEAK_ACCELERATION, _PEAK_JERK = 10.0 / 3.0**0.5, 60.0
"""Of the step 10 s^3 - 15 s^4 + 6 s^5: largest second derivative, largest third."""


@dataclass(frozen=True, slots=True)
class Pen:
    """lean_mm: (2,) how far the holder leads, by axis; landing_mm: (2,) the tip from the holder's centre."""

    lean_mm: Vector
    landing_mm: Vector

    @classmethod
    def of(cls, machine: Machine) -> Pen:
        """The pen of ``machine``."""
        return cls(np.array(machine.pen.lean_mm), np.array(machine.pen.landing_mm))

    @property
    def is_stiff(self) -> bool:
        """Whether the tip is where the holder is."""
        return not (self.lean_mm.any() or self.landing_mm.any())

    def lead_mm(self, direction: Vector) -> Vector:
        """Holder less tip (..., 2) while the tip is drawn in ``direction`` (..., 2 unit vectors).

        A tip dragged about in an elliptic clearance trails straight behind, by the ellipse's radius in that direction.
        With a clearance along one axis only, it is the part of the direction along that axis.
        """
        if self.lean_mm.all():
            radius = 1.0 / np.hypot(direction[..., 0] / self.lean_mm[0], direction[..., 1] / self.lean_mm[1])
            lead: Vector = direction * radius[..., None]
        else:
            lead = self.lean_mm * direction
        return lead


def step(share: npt.ArrayLike) -> Vector:
    """From 0 to 1 as ``share`` goes from 0 to 1, at rest with no acceleration at both ends."""
    s = np.clip(np.asarray(share, dtype=np.float64), 0.0, 1.0)
    stepped: Vector = s * s * s * (10.0 + s * (6.0 * s - 15.0))
    return stepped


def step_ticks(
    distance_mm: npt.ArrayLike, acceleration_mm_s2: float, jerk_mm_s3: float, tick_s: float
) -> Index:
    """Whole ticks that a ``step`` over each distance takes within its share of the limits; 0 for no distance."""
    distance = np.abs(np.asarray(distance_mm, dtype=np.float64))
    seconds = np.maximum(
        np.sqrt(_PEAK_ACCELERATION * distance / (SHARE_OF_LIMITS * acceleration_mm_s2)),
        np.cbrt(_PEAK_JERK * distance / (SHARE_OF_LIMITS * jerk_mm_s3)),
    )
    ticks: Index = np.ceil(seconds / tick_s - 1e-9).astype(np.int64)
    return ticks


def turned(before: Vector, after: Vector, share: Vector) -> Vector:
    """Directions (n, 2) between ``before`` and ``after`` (n, 2 unit vectors), turned the shorter way by ``share``."""
    begin = np.arctan2(before[:, 1], before[:, 0])
    turn = np.arctan2(
        before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], np.einsum("ij,ij->i", before, after)
    )
    angle = begin + share * turn
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def still_ticks(machine: Machine, duration_ms: float) -> int:
    """Whole ticks that last at least ``duration_ms``."""
    return ceil(duration_ms * 1000.0 / machine.tick_us - 1e-9)
