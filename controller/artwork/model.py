"""A drawing as flat arrays in canvas mm: shapes as they are seen, and the shapes of each ink as they are drawn.

Owns the containers only. Knows no XML and no machine. Frame: canvas mm, x to the right, y downwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

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
    """Something in the artwork that is not painted, or not as it is there: which element, what of it, and why.

    kind: "left out", seen in the drawing and missing on the wall; "changed", painted but not as drawn; "unseen",
    not to be seen in the drawing either.
    """

    element_id: str
    what: str
    why: str
    kind: Literal["left out", "changed", "unseen"] = "left out"

    def __str__(self) -> str:
        return f"{self.element_id}: {self.what}: {self.why}"


@dataclass(frozen=True, slots=True)
class Artwork:
    """A whole picture: shapes by ink name (in the job's order), what was left out, and the drawing's own size."""

    inks: dict[str, InkShapes]
    skipped: tuple[Skipped, ...]
    size_mm: tuple[float, float]


SHAPE_DTYPE: Final = np.dtype(
    [
        ("element", "i4"),
        ("layer", "i4"),
        ("fill", "i4"),
        ("stroke", "i4"),
        ("rule", "u1"),
        ("width_mm", "f8"),
        ("cap", "u1"),
        ("join", "u1"),
        ("miter", "f8"),
        ("dash", "i4"),
        ("clip", "i4"),
        ("pattern", "i4"),
        ("dot_x", "f8"),
        ("dot_y", "f8"),
        ("dot_mm", "f8"),
        ("bare", "?"),
    ]
)
"""One shape of a drawing; ``Drawing`` says what the fields mean."""

NONZERO, EVENODD = 0, 1
BUTT, ROUND, SQUARE = 0, 1, 2
MITER, BEVEL = 0, 2  # a round join is ROUND


@dataclass(frozen=True, slots=True)
class ClipPath:
    """One shape of a clip: its inside, by ``rule``, counts. points_mm (N, 2); offsets (P + 1,).

    clip: row of ``Drawing.clips`` that this shape is itself cut by, -1 none. Every outline counts as closed.
    """

    points_mm: npt.NDArray[np.float64]
    offsets: npt.NDArray[np.int64]
    rule: int
    clip: int = -1


@dataclass(frozen=True, slots=True)
class Clip:
    """What may be seen: the union of ``paths`` (none: nothing), cut by ``Drawing.clips[within]`` if that is not -1.

    frame: it is the edge of a viewport (the drawing's own, a nested svg's, a symbol's) that something reaches beyond.
    Rows named in here are always lower than the clip's own, so that working them out ends.
    """

    paths: tuple[ClipPath, ...]
    within: int = -1
    frame: bool = False


@dataclass(frozen=True, slots=True)
class Screen:
    """A lattice of equal dots: centres at origin + i * pitch_mm[0] + j * pitch_mm[1] for all whole i, j; canvas mm."""

    pitch_mm: tuple[tuple[float, float], tuple[float, float]]
    origin_mm: tuple[float, float]
    diameter_mm: float
    colour: int


@dataclass(frozen=True, slots=True)
class Drawing:
    """A whole drawing as it is seen, flat arrays in canvas mm; inks do not occur in it.

    points_mm: (N, 2) float64, vertices of all outlines; no two neighbours equal.
    offsets: (P + 1,) int64; closed: (P,) bool, a closed outline ends on the very point where it starts.
    shape: (P,) int32, row of ``shapes``, never falling.
    shapes: (S,) SHAPE_DTYPE in document order, later ones lie on top:
        element: into element_ids; layer: into layers;
        fill, stroke: into colours, -1 not there. A fill closes open outlines;
        rule: fill rule, NONZERO or EVENODD;
        width_mm, cap, join, miter: of the stroke (nan, 0, 0, nan without one), after all transforms;
        dash: into dashes, -1 solid; clip: into clips, -1 whole;
        pattern: into screens, -1 flat; ``fill`` is then the colour of the screen's dots;
        dot_x, dot_y, dot_mm: centre and diameter of a circle that is round on the canvas, else nan. A circle that is
            filled flat and not stroked has no outline, it is this circle;
        bare: neither fill nor a word about a stroke. The standard shows no such shape; ``as drawn``, an ink that its
            group names paints its outline.
    colours: "#rrggbb". dashes: mm, the offset first, then lengths of lines and gaps in turn, an even number of them.
    layers: ids of all groups around (``use`` and ``symbol`` too), outermost first.
    group_ids: ids of all groups in the file, each as often as it is given, empty groups too.
    skipped: what is not in the arrays or not as the file has it.
    size_mm: of the drawing. tolerance_mm: how far a flattened outline may stray from the true curve.
    """

    points_mm: npt.NDArray[np.float64]
    offsets: npt.NDArray[np.int64]
    closed: npt.NDArray[np.bool_]
    shape: npt.NDArray[np.int32]
    shapes: npt.NDArray[np.void]
    colours: tuple[str, ...]
    element_ids: tuple[str, ...]
    layers: tuple[tuple[str, ...], ...]
    group_ids: tuple[str, ...]
    dashes: tuple[tuple[float, ...], ...]
    clips: tuple[Clip, ...]
    screens: tuple[Screen, ...]
    skipped: tuple[Skipped, ...]
    size_mm: tuple[float, float]
    tolerance_mm: float

    @property
    def outlines(self) -> int:
        """Number of outlines."""
        return len(self.offsets) - 1

    def outline_mm(self, index: int) -> npt.NDArray[np.float64]:
        """The vertices (n, 2) of one outline, a view."""
        return self.points_mm[self.offsets[index] : self.offsets[index + 1]]

    def first_outline(self) -> npt.NDArray[np.int64]:
        """(S + 1,): shape s has the outlines first[s]:first[s + 1], perhaps none."""
        first: npt.NDArray[np.int64] = np.searchsorted(self.shape, np.arange(len(self.shapes) + 1))
        return first
