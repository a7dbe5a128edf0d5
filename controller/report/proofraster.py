"""Paint and wanted areas as grey masks, a band of rows at a time: lines are drawn, not computed.

Owns the drawing library's use (Agg, through matplotlib) and the frame's pixels. Shares no geometry with
``controller.report.coverage``: widening, overlaps and areas are the library's, so that one checks the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from controller.report.proofpaint import CHORD_ERROR_MM, DotKind, PassPaint, Stretches
from controller.report.proofwanted import Wanted
from controller.strokes.build import SAME_MM

if TYPE_CHECKING:
    from matplotlib.path import Path as Outline

Floats = npt.NDArray[np.float64]
Pen = Any
"""matplotlib's RendererAgg: the library types no drawing."""
Mask = npt.NDArray[np.uint8]

BAND_PIXELS: Final = 2_000_000
"""A band has about so many pixels."""
HALF: Final = 128
"""A pixel counts as covered from half its area on."""
AT_ONCE: Final = 4096
"""Vertices drawn in one go; the library's own limit is on the cells that a path runs through."""


@dataclass(frozen=True, slots=True)
class Frame:
    """A rectangle of the canvas in square pixels: box_mm x0, y0, x1, y1; the last column and row may reach beyond."""

    box_mm: tuple[float, float, float, float]
    px_per_mm: float

    @property
    def width(self) -> int:
        """Columns."""
        return max(1, math.ceil((self.box_mm[2] - self.box_mm[0]) * self.px_per_mm - 1e-9))

    @property
    def height(self) -> int:
        """Rows."""
        return max(1, math.ceil((self.box_mm[3] - self.box_mm[1]) * self.px_per_mm - 1e-9))

    def bands(self, whole: int = 1) -> Iterator[tuple[int, int]]:
        """First row and row after the last of every band; all but the last have a multiple of ``whole`` rows."""
        step = max(1, BAND_PIXELS // (self.width * whole)) * whole
        for low in range(0, self.height, step):
            yield low, min(low + step, self.height)


class BandDrawer:
    """Draws into rows low to high of a frame."""

    def __init__(self, frame: Frame, low: int, high: int, widest_mm: float) -> None:
        """widest_mm: no line is wider; what lies so near to the band is drawn too."""
        self.frame, self.low, self.high = frame, low, high
        # The library leaves out what of a line's middle lies outside its picture: the picture is made larger.
        self._margin = math.ceil(widest_mm * frame.px_per_mm / 2.0) + 4
        top_mm = frame.box_mm[1] + (low - self._margin) / frame.px_per_mm
        bottom_mm = frame.box_mm[1] + (high + self._margin) / frame.px_per_mm
        self._reach_mm = (top_mm, bottom_mm)

    def paint(self, one: PassPaint) -> Mask:
        """Mask (rows, width), 255 where a pixel is wholly painted."""
        pen = self._pen()
        self._stretches(pen, one.stretches)
        self._dots(pen, one.dots)
        return self._mask(pen)

    def wanted(self, one: Wanted) -> Mask:
        """The same of what should be covered."""
        pen = self._pen()
        self._stretches(pen, one.lines)
        for area in one.areas:
            _, top, _, bottom = area.bounds
            if bottom >= self._reach_mm[0] and top <= self._reach_mm[1]:
                self._fill(pen, _rings(area))
        half = one.diameter_mm / 2.0
        near = (one.centre_mm[:, 1] + half >= self._reach_mm[0]) & (
            one.centre_mm[:, 1] - half <= self._reach_mm[1]
        )
        sizes, which = np.unique(np.round(one.diameter_mm[near], SAME_MM), return_inverse=True)
        for row, diameter in enumerate(sizes.tolist()):
            sides = max(12, math.ceil(math.pi / math.acos(max(0.0, 1.0 - 2 * CHORD_ERROR_MM / diameter))))
            angle = np.arange(sides) * (math.tau / sides)
            ring = diameter / 2.0 * np.column_stack([np.cos(angle), np.sin(angle)])
            rings = one.centre_mm[near][which.reshape(-1) == row][:, None, :] + ring
            step = max(1, AT_ONCE // sides)
            for low in range(0, len(rings), step):
                self._fill(pen, list(rings[low : low + step]))
        return self._mask(pen)

    def _pen(self) -> Pen:
        from matplotlib.backends.backend_agg import RendererAgg

        # At 72 dots an inch the library's points are pixels.
        rows = self.high - self.low + 2 * self._margin
        library: Any = RendererAgg
        return library(self.frame.width + 2 * self._margin, rows, 72.0)

    def _mask(self, pen: Pen) -> Mask:
        margin = self._margin
        alpha = np.asarray(pen.buffer_rgba())[..., 3]
        return alpha[margin : margin + self.high - self.low, margin : margin + self.frame.width].copy()

    def _pixels(self, points_mm: Floats) -> Floats:
        """In the library's frame: its y grows upwards and its picture begins a margin before the band."""
        scale, margin = self.frame.px_per_mm, self._margin
        rows = self.high - self.low + 2 * margin
        return np.column_stack(
            [
                (points_mm[:, 0] - self.frame.box_mm[0]) * scale + margin,
                rows - ((points_mm[:, 1] - self.frame.box_mm[1]) * scale - self.low + margin),
            ]
        )

    def _stretches(self, pen: Pen, stretches: Stretches) -> None:
        boxes = stretches.bounds_mm()
        near = (boxes[:, 3] >= self._reach_mm[0]) & (boxes[:, 1] <= self._reach_mm[1])
        for width in np.unique(stretches.width_mm[near]).tolist():
            some = np.flatnonzero(near & (stretches.width_mm == width))
            ends = np.cumsum(stretches.count[some])
            groups = np.split(some, np.flatnonzero(np.diff(ends // AT_ONCE)) + 1)
            for group in groups:
                rows, which = stretches.rows(group)
                first = np.concatenate([[True], np.diff(which) != 0])
                self._stroke(pen, stretches.points_mm[rows], first, width)

    def _dots(self, pen: Pen, kinds: Sequence[DotKind]) -> None:
        """Many at once where the width is the same: most of the time goes into calls else."""
        for width in sorted({kind.width_mm for kind in kinds}):
            ready: list[Floats] = []
            for kind in kinds:
                if kind.width_mm == width:
                    y, reach = kind.place_mm[:, 1], kind.reach_mm
                    near = (y + reach >= self._reach_mm[0]) & (y - reach <= self._reach_mm[1])
                    ready += list(kind.place_mm[near][:, None, :] + kind.path_mm)
            begin = 0
            ends = np.cumsum([len(path) for path in ready])
            while begin < len(ready):
                full = int(np.searchsorted(ends, (ends[begin - 1] if begin else 0) + AT_ONCE, side="right"))
                some = ready[begin : max(full, begin + 1)]
                first = np.zeros(sum(len(path) for path in some), dtype=np.bool_)
                first[np.cumsum([0, *(len(path) for path in some[:-1])])] = True
                self._stroke(pen, np.concatenate(some), first, width)
                begin += len(some)

    def _stroke(self, pen: Pen, points_mm: Floats, first: npt.NDArray[np.bool_], width_mm: float) -> None:
        gc = self._plain(pen)
        gc.set_linewidth(width_mm * self.frame.px_per_mm)
        gc.set_capstyle("round")
        gc.set_joinstyle("round")
        pen.draw_path(gc, self._outline(points_mm, first), _unmoved())

    def _fill(self, pen: Pen, rings: list[Floats]) -> None:
        gc = self._plain(pen)
        gc.set_linewidth(0.0)
        points = np.vstack(rings)
        first = np.zeros(len(points), dtype=np.bool_)
        first[np.cumsum([0, *(len(ring) for ring in rings[:-1])])] = True
        pen.draw_path(gc, self._outline(points, first), _unmoved(), (0.0, 0.0, 0.0))

    def _plain(self, pen: Pen) -> Any:
        gc = pen.new_gc()
        gc.set_snap(False)
        gc.set_antialiased(True)
        gc.set_foreground((0.0, 0.0, 0.0), isRGBA=False)
        return gc

    def _outline(self, points_mm: Floats, first: npt.NDArray[np.bool_]) -> Outline:
        from matplotlib.path import Path as Outline

        codes = np.where(first, Outline.MOVETO, Outline.LINETO).astype(Outline.code_type)
        path = Outline(self._pixels(points_mm), codes)
        path.should_simplify = False
        return path


def _unmoved() -> Any:
    from matplotlib.transforms import IdentityTransform

    return IdentityTransform()


def _rings(area: Any) -> list[Floats]:
    """Rings of a polygon, holes the other way round, since the library fills what is gone round."""
    whole = shapely.normalize(area)
    return [
        shapely.get_coordinates(ring)
        for part in shapely.get_parts(whole)
        for ring in (part.exterior, *part.interiors)
    ]
