"""Strokes as flat arrays: all pen paths of one ink, without one Python object per stroke.

Owns the container and its file format (one .npz). Knows no time and no machine.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.damage import whole

COPY_VERTICES = 1 << 18
"""So many vertices are rearranged at a time."""


class StrokeKind(IntEnum):
    """What a stroke is drawn for."""

    LINE = 0
    LOOP = 1
    DOT = 2


@dataclass(frozen=True, slots=True)
class StrokeSet:
    """Pen paths of one ink, in canvas mm (x right, y down).

    points_mm: (N, 2) float64, all vertices of all strokes one after another; no two neighbours equal.
    offsets: (S + 1,) int64, stroke i has vertices offsets[i]:offsets[i + 1], at least two.
    kind: (S,) uint8 of StrokeKind; a LOOP ends on the point where it starts.
    element: (S,) int32, index into element_ids: the SVG element that it comes from.
    element_ids: ids as the artwork names them (or a made-up path such as ``g[2]/path[5]``).
    """

    points_mm: npt.NDArray[np.float64]
    offsets: npt.NDArray[np.int64]
    kind: npt.NDArray[np.uint8]
    element: npt.NDArray[np.int32]
    element_ids: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.offsets) - 1

    def stroke_mm(self, index: int) -> npt.NDArray[np.float64]:
        """The vertices (n, 2) of one stroke, a view."""
        return self.points_mm[self.offsets[index] : self.offsets[index + 1]]

    def lengths_mm(self) -> npt.NDArray[np.float64]:
        """Length of every stroke (S,), in mm."""
        steps = np.hypot(*np.diff(self.points_mm, axis=0).T)
        along = np.concatenate([[0.0], np.cumsum(steps)])
        lengths: npt.NDArray[np.float64] = along[self.offsets[1:] - 1] - along[self.offsets[:-1]]
        return lengths

    def bounds_mm(self) -> tuple[float, float, float, float]:
        """Smallest x, smallest y, largest x, largest y. Raises ValueError when there is no stroke."""
        low, high = self.points_mm.min(axis=0), self.points_mm.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])

    def take(self, order: npt.NDArray[np.int64]) -> StrokeSet:
        """The same strokes in another order (or a part of them)."""
        return self.arranged(order, np.zeros(len(order), dtype=np.bool_))

    def reversed_where(self, backwards: npt.NDArray[np.bool_]) -> StrokeSet:
        """The same strokes, those with ``backwards`` (S,) run from their last vertex to their first."""
        return self.arranged(np.arange(len(self), dtype=np.int64), backwards)

    def arranged(
        self,
        order: npt.NDArray[np.int64],
        backwards: npt.NDArray[np.bool_],
        begin: npt.NDArray[np.int64] | None = None,
    ) -> StrokeSet:
        """The strokes ``order`` (n,), those with ``backwards`` (n,) run the other way.

        begin: (n,) where given, the vertex at which each stroke begins; other than 0 only for closed strokes, which
        then go round from there. Copies the vertices once, a few strokes at a time.
        """
        counts = np.diff(self.offsets)[order]
        offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        points = np.empty((int(offsets[-1]), 2))
        source = self.offsets[order]
        first = 0
        while first < len(order):
            full = int(np.searchsorted(offsets, offsets[first] + COPY_VERTICES, side="right")) - 1
            last = min(max(full, first + 1), len(order))
            part = slice(first, last)
            count = np.repeat(counts[part], counts[part])
            within = np.arange(offsets[first], offsets[last]) - np.repeat(offsets[part], counts[part])
            within = np.where(np.repeat(backwards[part], counts[part]), count - 1 - within, within)
            if begin is not None:
                shift = np.repeat(begin[part], counts[part])
                within = np.where(shift > 0, (within + shift) % (count - 1), within)
            points[offsets[first] : offsets[last]] = self.points_mm[
                np.repeat(source[part], counts[part]) + within
            ]
            first = last
        return StrokeSet(points, offsets, self.kind[order], self.element[order], self.element_ids)

    def save(self, path: Path) -> None:
        """Write the set to ``path`` (.npz, no pickles)."""
        np.savez(
            path,
            points_mm=self.points_mm,
            offsets=self.offsets,
            kind=self.kind,
            element=self.element,
            element_ids=np.array(self.element_ids, dtype=np.str_),
        )

    @classmethod
    def load(cls, path: Path) -> StrokeSet:
        """Read what ``save`` wrote. Raises OSError, or ValueError that names a file which is damaged."""
        # numpy leaves a file open that it opened itself and finds to be no archive.
        with whole(path), path.open("rb") as stream, np.load(stream, allow_pickle=False) as data:
            found = cls(
                data["points_mm"],
                data["offsets"],
                data["kind"],
                data["element"],
                tuple(str(name) for name in data["element_ids"]),
            )
            found.refuse_misfits()
        return found

    def refuse_misfits(self) -> None:
        """Raises ValueError where the arrays do not belong together."""
        count = len(self)
        ends = self.offsets[[0, -1]].tolist() if self.offsets.ndim == 1 and count >= 0 else []
        if (
            ends != [0, len(self.points_mm)]
            or self.points_mm.shape != (len(self.points_mm), 2)
            or bool(np.any(np.diff(self.offsets) < 1))
            or (self.kind.shape, self.element.shape) != ((count,), (count,))
        ):
            raise ValueError(
                f"expected arrays of one set of strokes, got {count} strokes that do not fit them"
            )


def travel_mm(strokes: StrokeSet, start_mm: tuple[float, float]) -> float:
    """Way with the pen up, in mm: from ``start_mm`` to the first stroke and from each stroke to the next."""
    starts = strokes.points_mm[strokes.offsets[:-1]]
    ends = strokes.points_mm[strokes.offsets[1:] - 1]
    before = np.concatenate([np.reshape(np.asarray(start_mm, dtype=np.float64), (1, 2)), ends])[: len(starts)]
    return float(np.hypot(*(starts - before).T).sum())
