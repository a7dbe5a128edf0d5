"""What the artwork holds for each ink: flattened outlines and dots, as flat arrays in canvas mm.

Owns the containers only. Knows no XML and no machine. Frame: canvas mm, x to the right, y downwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class InkShapes:
    """The shapes that one ink paints.

    points_mm: (N, 2) float64, vertices of all outlines one after another; no two neighbours equal.
    offsets: (P + 1,) int64, outline i has vertices offsets[i]:offsets[i + 1], at least two.
    closed: (P,) bool; a closed outline ends on the very point where it starts.
    outline_element: (P,) int32, index into element_ids.
    dot_centre_mm: (D, 2) float64; dot_diameter_mm: (D,) float64; dot_element: (D,) int32.
    element_ids: in document order, ids as the artwork names them or a made-up path (``teal/g[2]/path[5]``).
    tolerance_mm: how far a flattened outline may stray from the true curve.
    """

    points_mm: npt.NDArray[np.float64]
    offsets: npt.NDArray[np.int64]
    closed: npt.NDArray[np.bool_]
    outline_element: npt.NDArray[np.int32]
    dot_centre_mm: npt.NDArray[np.float64]
    dot_diameter_mm: npt.NDArray[np.float64]
    dot_element: npt.NDArray[np.int32]
    element_ids: tuple[str, ...]
    tolerance_mm: float

    def outline_mm(self, index: int) -> npt.NDArray[np.float64]:
        """The vertices (n, 2) of one outline, a view."""
        return self.points_mm[self.offsets[index] : self.offsets[index + 1]]

    @property
    def outlines(self) -> int:
        """Number of outlines."""
        return len(self.offsets) - 1

    @property
    def dots(self) -> int:
        """Number of dots."""
        return len(self.dot_diameter_mm)


@dataclass(frozen=True, slots=True)
class Skipped:
    """Something in the artwork that is not painted: which element, what of it, and why."""

    element_id: str
    what: str
    why: str

    def __str__(self) -> str:
        return f"{self.element_id}: {self.what}: {self.why}"


@dataclass(frozen=True, slots=True)
class Artwork:
    """A whole picture: shapes by ink name (in the job's order), what was left out, and the drawing's own size."""

    inks: dict[str, InkShapes]
    skipped: tuple[Skipped, ...]
    size_mm: tuple[float, float]
