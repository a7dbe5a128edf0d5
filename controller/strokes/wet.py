"""Where paint is wet: a raster of the canvas that keeps by when each place has dried.

Owns the raster and what counts as touching it. Knows no passes. It may take strokes for touching that pass each
other at up to 3 cells more than the two tips' half widths; it misses none.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter

from controller.strokes.strokeset import StrokeSet

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CELL_MM: Final = 2.0
CELLS_MOST: Final = 4_000_000
CHUNK: Final = 1 << 18
"""So many chords are followed at a time."""

NEVER: Final = -math.inf


class WetCanvas:
    """By ink painted, the instant at which each cell on the middle of its strokes has dried, in seconds.

    size_mm: the canvas. What lies outside it counts for the cells along its edge.
    """

    def __init__(self, size_mm: tuple[float, float]) -> None:
        self.cell_mm = max(CELL_MM, math.sqrt(size_mm[0] * size_mm[1] / CELLS_MOST))
        self._shape = (
            max(math.ceil(size_mm[1] / self.cell_mm), 1),
            max(math.ceil(size_mm[0] / self.cell_mm), 1),
        )
        self._layers: list[tuple[Floats, float]] = []

    def copy(self) -> WetCanvas:
        """The same as it is; what is painted on one is not on the other."""
        other = WetCanvas.__new__(WetCanvas)
        other.cell_mm, other._shape, other._layers = self.cell_mm, self._shape, list(self._layers)
        return other

    def paint(self, strokes: StrokeSet, dry_s: Floats, tip_mm: float) -> None:
        """An ink is painted with a tip of ``tip_mm``, its strokes dry at ``dry_s`` (S,)."""
        layer = np.full(self._shape, NEVER)
        for cells, owner in self._cells(strokes):
            np.maximum.at(layer.reshape(-1), cells, dry_s[owner])
        self._layers.append((layer, tip_mm))

    def release_s(self, strokes: StrokeSet, tip_mm: float, from_s: float) -> Floats:
        """By when all that touches each stroke (S,) has dried, drawn with ``tip_mm``; -inf where it is by ``from_s``.

        Layers that have dried by then are forgotten.
        """
        release = np.full(len(strokes), NEVER)
        self._layers = [one for one in self._layers if float(one[0].max()) > from_s]
        if not self._layers:
            return release
        wet = np.full(self._shape, NEVER)
        for layer, other_mm in self._layers:
            reach = (0.5 * (tip_mm + other_mm)) / self.cell_mm + math.sqrt(2.0)
            rows, columns = np.nonzero(layer > from_s)
            pad = math.ceil(reach)
            window = (
                slice(max(int(rows.min()) - pad, 0), int(rows.max()) + pad + 1),
                slice(max(int(columns.min()) - pad, 0), int(columns.max()) + pad + 1),
            )
            across = np.arange(-pad, pad + 1)
            disc = np.hypot(*np.meshgrid(across, across)) <= reach
            grown = maximum_filter(layer[window], footprint=disc, mode="constant", cval=NEVER)
            np.maximum(wet[window], grown, out=wet[window])
        for cells, owner in self._cells(strokes):
            np.maximum.at(release, owner, wet.reshape(-1)[cells])
        return np.where(release > from_s, release, NEVER)

    def _cells(self, strokes: StrokeSet) -> Iterator[tuple[Ints, Ints]]:
        """Cells that the middles of the strokes go through, and whose stroke it is; steps of half a cell at most."""
        points, last = strokes.points_mm, np.zeros(len(strokes.points_mm), dtype=np.bool_)
        last[strokes.offsets[1:] - 1] = True
        chords = np.flatnonzero(~last)
        for first in range(0, len(chords), CHUNK):
            at = chords[first : first + CHUNK]
            way = points[at + 1] - points[at]
            steps = np.maximum(np.ceil(np.hypot(*way.T) * 2.0 / self.cell_mm), 1.0).astype(np.int64) + 1
            row = np.repeat(np.arange(len(at)), steps)
            share = np.arange(len(row)) - np.repeat(np.cumsum(steps) - steps, steps)
            place = points[at[row]] + way[row] * (share / (steps[row] - 1))[:, None]
            column, line = np.floor(place / self.cell_mm).astype(np.int64).T
            cells = np.clip(line, 0, self._shape[0] - 1) * self._shape[1]
            cells += np.clip(column, 0, self._shape[1] - 1)
            owner = np.searchsorted(strokes.offsets, at[row], side="right") - 1
            yield cells, owner.astype(np.int64)
