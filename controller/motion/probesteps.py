"""Motions that identify an axis, pen up: a staircase of speeds without a reversal, and sharp braking at places.

Owns the settings of both tests and how speed goes over time. Knows no machine, no bus and no reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, pi, sqrt
from typing import Literal

import numpy as np
import numpy.typing as npt

Vector = npt.NDArray[np.float64]

LEVELS = (1.0, 0.3, 0.8, 0.2, 1.0, 0.45, 0.9, 0.0)
"""Speeds of the staircase over the fastest, one after another, from rest to rest."""

DWELLS_S = (0.10, 0.17, 0.07, 0.13, 0.09, 0.15, 0.11, 0.0)
"""How long each of them is held. Uneven, so that no rhythm of the belt is met again and again."""

LIMIT_SHARE = 0.9
"""Of the path's acceleration and jerk, so that no chain has to flatten what is driven."""


@dataclass(frozen=True, slots=True)
class StepsTest:
    """A staircase of speeds there and back along one axis of the canvas, ``repeats`` times.

    along_mm: the middle of the way; across_mm: where the other axis stands, canvas mm. speed_mm_s: the fastest.
    """

    axis: Literal["x", "y"]
    along_mm: float
    across_mm: float
    repeats: int
    speed_mm_s: float
    kind: Literal["steps"] = "steps"


@dataclass(frozen=True, slots=True)
class BrakeTest:
    """One axis driven at speed to each place and braked there as hard as a path may, then at rest.

    places_mm: along the axis; across_mm: where the other axis stands, canvas mm. rest_s: how long it is watched.
    """

    axis: Literal["x", "y"]
    places_mm: tuple[float, ...]
    across_mm: float
    rest_s: float
    speed_mm_s: float
    kind: Literal["brake"] = "brake"


def staircase(speed_mm_s: float, acceleration_mm_s2: float, jerk_mm_s3: float, tick_s: float) -> Vector:
    """Way along the axis at tick ends (k,), mm, from rest at 0 to rest.

    Between two levels the speed goes as half a cosine, v = a + (b - a) (1 - cos(pi t / T)) / 2: the largest
    acceleration is (pi / 2) |b - a| / T and the largest jerk (pi^2 / 2) |b - a| / T^2, and T keeps both.
    """
    acceleration, jerk = LIMIT_SHARE * acceleration_mm_s2, LIMIT_SHARE * jerk_mm_s3
    edges, before = [0.0], 0.0
    pieces: list[tuple[float, float, float, float]] = []  # from, to (mm/s), ramp (s), dwell (s)
    for level, dwell_s in zip(LEVELS, DWELLS_S, strict=True):
        after = level * speed_mm_s
        change = abs(after - before)
        ramp_s = max(0.5 * pi * change / acceleration, pi * sqrt(0.5 * change / jerk))
        pieces.append((before, after, ramp_s, dwell_s))
        edges.append(edges[-1] + ramp_s + dwell_s)
        before = after
    ticks = ceil(edges[-1] / tick_s)
    t_s = tick_s * np.arange(1, ticks + 1)
    way = np.zeros(ticks)
    for begin_s, (low, high, ramp_s, dwell_s) in zip(edges, pieces, strict=False):
        inside = np.clip(t_s - begin_s, 0.0, ramp_s)
        way += low * inside + 0.5 * (high - low) * (inside - ramp_s / pi * np.sin(pi * inside / ramp_s))
        way += high * np.clip(t_s - begin_s - ramp_s, 0.0, dwell_s)
    return way
