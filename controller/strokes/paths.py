"""Pen paths of one area or line as flat arrays, what no tip can reach, and their way into a set of strokes.

Owns the container that every technique returns. Knows no inks, no order, no time, no machine.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from controller.strokes.strokeset import StrokeKind, StrokeSet

Floats = npt.NDArray[np.float64]

LeftKind = Literal["neck", "thin", "speck", "line"]


@dataclass(frozen=True, slots=True)
class Left:
    """A place where the tip is too wide for what is drawn.

    kind: "neck", a strait between two wider parts; "thin", a spike or a hair that is thinner than the tip over more
    than a tip's width; "speck", an area that is nowhere as wide as the tip nor as long; "line", a band narrower than
    the tip.
    place_mm: (x, y) in its middle. width_mm: of what is drawn there, at its widest. length_mm: along its middle.
    painted: by one stroke along its middle, as wide as the tip; else it stays bare.
    """

    kind: LeftKind
    place_mm: tuple[float, float]
    width_mm: float
    length_mm: float
    painted: bool


@dataclass(frozen=True, slots=True)
class Paths:
    """Pen paths in canvas mm, in the order in which they are meant to be painted.

    points_mm: (N, 2) float64, vertices of all paths one after another; no two neighbours equal.
    offsets: (P + 1,) int64, path i has vertices offsets[i]:offsets[i + 1], at least two.
    closed: (P,) bool; a closed path ends on the very point where it starts.
    left: what the tip is too wide for.
    """

    points_mm: Floats
    offsets: npt.NDArray[np.int64]
    closed: npt.NDArray[np.bool_]
    left: tuple[Left, ...] = ()

    def __len__(self) -> int:
        return len(self.offsets) - 1

    def path_mm(self, index: int) -> Floats:
        """The vertices (n, 2) of one path, a view."""
        return self.points_mm[self.offsets[index] : self.offsets[index + 1]]

    def lengths_mm(self) -> Floats:
        """Length (P,) of every path."""
        if not len(self):
            return np.empty(0)
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(self.points_mm, axis=0).T))])
        lengths: Floats = along[self.offsets[1:] - 1] - along[self.offsets[:-1]]
        return lengths


def make_paths(lines: Iterable[Floats], left: Sequence[Left] = ()) -> Paths:
    """Paths from their vertices, each (n, 2). Neighbours that coincide become one; a path without length is dropped.

    A path counts as closed if its ends are equal to the last bit.
    """
    kept = []
    for line in lines:
        moved = np.ones(len(line), dtype=np.bool_)
        moved[1:] = (np.diff(line, axis=0) != 0.0).any(axis=1)
        clean = np.asarray(line, dtype=np.float64)[moved]
        if len(clean) > 1:
            kept.append(clean)
    counts = np.array([len(line) for line in kept], dtype=np.int64)
    return Paths(
        np.concatenate(kept) if kept else np.empty((0, 2)),
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        np.array([bool((line[0] == line[-1]).all()) and len(line) > 3 for line in kept], dtype=np.bool_),
        tuple(left),
    )


def join_paths(parts: Sequence[Paths]) -> Paths:
    """All paths of ``parts``, one part after another."""
    if not parts:
        return make_paths([])
    counts = np.concatenate([np.diff(part.offsets) for part in parts])
    return Paths(
        np.concatenate([part.points_mm for part in parts]),
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        np.concatenate([part.closed for part in parts]),
        tuple(one for part in parts for one in part.left),
    )


def strokes_of(parts: Sequence[Paths], elements: Sequence[int], element_ids: tuple[str, ...]) -> StrokeSet:
    """A set of strokes from ``parts``, all paths of part i coming from element ``elements[i]`` of ``element_ids``."""
    whole = join_paths(parts)
    counts = [len(part) for part in parts]
    return StrokeSet(
        whole.points_mm,
        whole.offsets,
        np.where(whole.closed, StrokeKind.LOOP, StrokeKind.LINE).astype(np.uint8),
        np.repeat(np.asarray(elements, dtype=np.int32), counts),
        element_ids,
    )


def join_strokes(parts: Sequence[StrokeSet]) -> StrokeSet:
    """All strokes of ``parts``, which share their ``element_ids``, one part after another.

    Raises ValueError where the ids differ or there is no part.
    """
    if not parts or any(part.element_ids != parts[0].element_ids for part in parts):
        raise ValueError("expected sets of strokes with the same element_ids, at least one")
    counts = np.concatenate([np.diff(part.offsets) for part in parts])
    return StrokeSet(
        np.concatenate([part.points_mm for part in parts]),
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        np.concatenate([part.kind for part in parts]),
        np.concatenate([part.element for part in parts]),
        parts[0].element_ids,
    )
