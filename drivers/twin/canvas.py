"""The canvas: what the tip really touched, as data that grows without Python objects.

Owns the marks and their file. A stroke is one contact of the tip: from the instant the lift arrives below to the
instant it is told to rise. Points are the tip's true places in canvas mm (true mm minus the canvas' true origin), at
most 1 ms apart while the head moves. Knows nothing of what was planned.

``canvas.npz`` (numpy, uncompressed): ``points_mm`` (N, 2) float64, ``t_ns`` (N,) int64, ``offsets`` (S + 1,) int64
(stroke s is points offsets[s]:offsets[s+1]), ``ink`` (S,) int32 index into ``ink_names`` (K,) str, ``ink_colours``
(K,) str (any CSS colour), ``ink_tip_mm`` (K,) float64; ``size_mm`` (2,) float64.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Self

import numpy as np
import numpy.typing as npt

from drivers.twin.column import Column
from drivers.twin.record import Floats, Instants, write_npz


@dataclass(frozen=True, slots=True)
class Pen:
    """What is in the holder."""

    ink: str
    colour: str
    tip_mm: float


class Canvas:
    """Marks on a sheet of ``size_mm``, in canvas mm."""

    def __init__(self, size_mm: tuple[float, float]) -> None:
        self.size_mm = size_mm
        self.pens: list[Pen] = []
        self._pen: int | None = None
        self._points = Column(np.float64, 2)
        self._t = Column(np.int64)
        self._starts = Column(np.int64)
        self._ink = Column(np.int32)

    @property
    def points_mm(self) -> Floats:
        """(N, 2) all points of all strokes."""
        return self._points.view()

    @property
    def t_ns(self) -> Instants:
        """(N,) instants of the points."""
        return self._t.view()

    @property
    def offsets(self) -> Instants:
        """(S + 1,) stroke s is points offsets[s]:offsets[s+1]."""
        return np.append(self._starts.view(), self._points.length).astype(np.int64)

    @property
    def ink(self) -> npt.NDArray[np.int32]:
        """(S,) index into ``pens`` of each stroke."""
        return self._ink.view()

    @property
    def strokes(self) -> int:
        """Number of contacts."""
        return self._starts.length

    def stroke_mm(self, index: int) -> Floats:
        """Points (n, 2) of one stroke."""
        offsets = self.offsets
        return self.points_mm[offsets[index] : offsets[index + 1]]

    @property
    def pen(self) -> Pen | None:
        """What is in the holder."""
        return None if self._pen is None else self.pens[self._pen]

    def load_pen(self, pen: Pen | None) -> None:
        """Put a pen into the holder, or take it out."""
        if pen is None:
            self._pen = None
            return
        if pen not in self.pens:
            self.pens.append(pen)
        self._pen = self.pens.index(pen)

    def begin(self, t_ns: int, x_mm: float, y_mm: float) -> bool:
        """The tip touches. Returns False (and keeps nothing) when the holder is empty."""
        if self._pen is None:
            return False
        self._starts.extend([self._points.length])
        self._ink.extend([self._pen])
        self.extend(np.array([t_ns], dtype=np.int64), np.array([[x_mm, y_mm]]))
        return True

    def extend(self, t_ns: Instants, points_mm: Floats) -> None:
        """More of the stroke: instants (n,), points (n, 2); what is not later than the last point is dropped."""
        if self._t.length and self._points.length > int(self._starts.view()[-1]):
            later = t_ns > self._t.view()[-1]
            t_ns, points_mm = t_ns[later], points_mm[later]
        self._t.extend(t_ns)
        self._points.extend(points_mm)

    def save(self, path: Path) -> None:
        """Write ``canvas.npz``; the old file stays whole until the new one is."""
        write_npz(
            path,
            {
                "points_mm": self.points_mm,
                "t_ns": self.t_ns,
                "offsets": self.offsets,
                "ink": self.ink,
                "ink_names": np.array([pen.ink for pen in self.pens], dtype=np.str_),
                "ink_colours": np.array([pen.colour for pen in self.pens], dtype=np.str_),
                "ink_tip_mm": np.array([pen.tip_mm for pen in self.pens], dtype=np.float64),
                "size_mm": np.array(self.size_mm, dtype=np.float64),
            },
        )

    @classmethod
    def load(cls, path: Path) -> Self:
        """Read what ``save`` wrote; the holder is empty. Another file raises OSError,
        KeyError, ValueError, EOFError or BadZipFile."""
        with path.open("rb") as file, np.load(file, allow_pickle=False) as data:
            size = data["size_mm"]
            canvas = cls((float(size[0]), float(size[1])))
            rows = zip(data["ink_names"], data["ink_colours"], data["ink_tip_mm"], strict=True)
            canvas.pens = [Pen(str(name), str(colour), float(tip)) for name, colour, tip in rows]
            canvas._points.extend(data["points_mm"])
            canvas._t.extend(data["t_ns"])
            canvas._starts.extend(data["offsets"][:-1])
            canvas._ink.extend(data["ink"])
        return canvas
