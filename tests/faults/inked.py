"""The canvas of the simulated gantry, stroke by stroke: which planned stroke each contact of the pen belongs to.

Owns the matching; strokes of the scene must lie further apart than ``NEAR_MM``. Reads nothing of ours but the plan.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.strokes.strokeset import StrokeSet
from drivers.twin.canvas import Canvas

NEAR_MM = 6.0
STEP_MM = 0.25
WHOLE_MM = 1.5
"""A contact that begins and ends so near to a stroke's ends is the whole stroke: the tip follows its holder by less."""


@dataclass(frozen=True)
class Contact:
    """One contact: its stroke (None: of none), from and to where along it (mm), and when the pen touched."""

    stroke: int | None
    from_mm: float
    to_mm: float
    length_mm: float
    begun_ns: int

    @property
    def is_whole(self) -> bool:
        """Whether it is the stroke from its start to its end."""
        return (
            self.stroke is not None and self.from_mm <= WHOLE_MM and self.to_mm >= self.length_mm - WHOLE_MM
        )


def contacts(canvas: Canvas, strokes: StrokeSet) -> list[Contact]:
    """All contacts in the order in which they happened."""
    paths = [_sampled(strokes.stroke_mm(index)) for index in range(len(strokes))]
    offsets = canvas.offsets
    return [
        _match(canvas.points_mm[offsets[index] : offsets[index + 1]], int(canvas.t_ns[offsets[index]]), paths)
        for index in range(canvas.strokes)
    ]


def _sampled(points_mm: npt.NDArray[np.float64]) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Places (n, 2) at most STEP_MM apart, and how far along they are (n,)."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points_mm, axis=0).T))])
    at = np.linspace(0.0, along[-1], int(along[-1] / STEP_MM) + 2)
    return np.stack([np.interp(at, along, points_mm[:, k]) for k in range(2)], axis=1), at


def _match(
    points_mm: npt.NDArray[np.float64],
    begun_ns: int,
    paths: list[tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]],
) -> Contact:
    some = points_mm[np.unique(np.linspace(0, len(points_mm) - 1, 200).astype(int))]
    best: tuple[float, int] = (np.inf, -1)
    nearest: dict[int, npt.NDArray[np.float64]] = {}
    for index, (places, at) in enumerate(paths):
        away = np.hypot(some[:, None, 0] - places[None, :, 0], some[:, None, 1] - places[None, :, 1])
        closest = away.argmin(axis=1)
        best = min(best, (float(np.median(away[np.arange(len(some)), closest])), index))
        nearest[index] = at[closest]
    if best[0] > NEAR_MM:
        return Contact(None, 0.0, 0.0, 0.0, begun_ns)
    at = nearest[best[1]]
    return Contact(best[1], float(at.min()), float(at.max()), float(paths[best[1]][1][-1]), begun_ns)
