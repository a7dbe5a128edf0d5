"""A tip's width as it wears: by the metres painted, from measurements.

Owns the curve and the widths that follow from it. Knows no strokes beyond their lengths, no machine.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

Floats = npt.NDArray[np.float64]

QUANTUM_MM: Final = 0.02
"""Widths are rounded to whole steps of this, so that dots painted at about the same time share one path."""
ROUNDS: Final = 50


@dataclass(frozen=True, slots=True)
class WearCurve:
    """Width of the line by metres painted since the tip was new, both measured; at least one pair.

    Between measurements: piecewise cubic Hermite with Fritsch and Carlson's slopes (scipy), which rises where the
    measurements rise and never beyond them. Before the first and after the last the width stays as measured there.
    Raises ValueError for metres that do not rise or widths that are not above 0.
    """

    metres: tuple[float, ...]
    widths_mm: tuple[float, ...]

    def __post_init__(self) -> None:
        metres, widths = np.asarray(self.metres), np.asarray(self.widths_mm)
        if len(metres) != len(widths) or not len(metres):
            raise ValueError(f"expected as many widths as metres, got {len(widths)} and {len(metres)}")
        if not (np.isfinite(metres).all() and (np.diff(metres) > 0.0).all() and metres[0] >= 0.0):
            raise ValueError("expected metres that rise from 0 or more")
        if not (np.isfinite(widths).all() and (widths > 0.0).all()):
            raise ValueError("expected widths above 0")

    @property
    def measured_to_m(self) -> float:
        """Up to how many metres the tip was measured."""
        return self.metres[-1]

    def width_mm(self, metres: npt.ArrayLike) -> Floats:
        """Width at each of ``metres``."""
        at = np.clip(np.asarray(metres, dtype=np.float64), self.metres[0], self.metres[-1])
        if len(self.metres) == 1:
            return np.full(at.shape, self.widths_mm[0])
        width: Floats = PchipInterpolator(self.metres, self.widths_mm)(at)
        return width

    def quantised_mm(self, metres: npt.ArrayLike, quantum_mm: float = QUANTUM_MM) -> Floats:
        """Width at each of ``metres``, to the nearest whole ``quantum_mm``; at least one."""
        steps = np.maximum(np.round(self.width_mm(metres) / quantum_mm), 1.0)
        # Divided and not multiplied where that is exact, so that 40 steps of 0.02 are 0.8 to the last bit.
        width: Floats = np.round(steps * quantum_mm, 9)
        return width

    def from_metres(self, begin_m: float, quantum_mm: float = QUANTUM_MM) -> Callable[[float], float]:
        """The width by millimetres painted after ``begin_m`` metres, for ``flat_paths``."""

        def width(painted_mm: float) -> float:
            return float(self.quantised_mm(begin_m + painted_mm / 1000.0, quantum_mm))

        return width


def widths_in_turn_mm(
    curve: WearCurve,
    length_mm: Callable[[float], Floats],
    count: int,
    begin_m: float = 0.0,
    quantum_mm: float = QUANTUM_MM,
) -> Floats:
    """Width (count,) of the tip as it begins each of ``count`` strokes that follow one another.

    length_mm: lengths (count,) of all strokes if the tip were as wide as given. A wider tip paints less way, so the
    width decides the way and the way the width; both are worked out in turn until no width changes. begin_m: metres
    that the tip has painted before. Raises ValueError where that does not settle (a tip that wears by a quantum
    within a stroke).
    """
    if count == 0:
        return np.empty(0)
    width = np.full(count, curve.quantised_mm(begin_m, quantum_mm))
    known: dict[float, Floats] = {}
    for _ in range(ROUNDS):
        lengths = np.empty(count)
        for one in np.unique(width):
            key = float(one)
            if key not in known:
                known[key] = np.asarray(length_mm(key), dtype=np.float64)
            lengths[width == one] = known[key][width == one]
        painted = begin_m + np.concatenate([[0.0], np.cumsum(lengths)[:-1]]) / 1000.0
        again = curve.quantised_mm(painted, quantum_mm)
        if (again == width).all():
            return width
        width = again
    raise ValueError(f"expected widths that settle: the tip wears by {quantum_mm} mm within a few strokes")


def wear_curve(metres: Sequence[float], widths_mm: Sequence[float]) -> WearCurve:
    """The curve of a tip's table in a job file."""
    return WearCurve(tuple(map(float, metres)), tuple(map(float, widths_mm)))
