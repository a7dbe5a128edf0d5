"""The picture as a browser gets it: all strokes of a prepared job once, small; after that only numbers of strokes.

Owns the format and how much is left out. Knows no service. Points lie on a grid as fine as a screen can show.

Format, little-endian: U32 length of a JSON header, the header (filled up with blanks to a multiple of 4 bytes), then
for each pass ``counts`` (U32, strokes), ``x`` (U16, points) and ``y`` (U16, points), each filled up to 4 bytes. A count
is the stroke's number of points; 0 is a dot with two of them, its centre and a point of its rim on the right. ``x`` and
``y`` are differences from the value before, modulo 65536, running on over all strokes of a pass: what is small packs
well. Header: ``job``; ``origin_mm`` and ``grid_mm`` (canvas mm = origin + grid * value); ``size``, of the whole in grid
units; ``passes`` with ``name``, ``ink``, ``colour``, ``tip_mm``, ``strokes``, ``points``.
"""

from __future__ import annotations

import hashlib
import json
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from controller.session.prepared import Prepared, PreparedPass
from controller.strokes.strokeset import StrokeKind, StrokeSet

STEPS: Final = 8192
"""Steps of the grid along the picture's longer side."""
SPACING: Final = 4.0
"""Points of a curve are so many grid steps apart, about half a pixel of a large screen."""
POINTS_MAX: Final = 400_000
"""With more in all, points are taken further apart, and in the end without corners. Of more than half as many strokes
all ends are sent and nothing else: a browser knows strokes by their number."""
COARSER: Final = 1.6
CORNERS_TO: Final = 64.0
"""Before points are further apart than this, corners go: they would save less than it spoils."""
CORNER_COSINE: Final = float(np.cos(np.radians(20.0)))
"""Where a path turns by more its vertex is a corner, and kept up to that spacing."""
MARGIN: Final = 0.02

U16 = npt.NDArray[np.uint16]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Picture:
    """A prepared job's picture. ``key``: of its contents. ``packed``: the format above, as gzip (RFC 1952)."""

    key: str
    job: str
    packed: bytes
    passes: tuple[PreparedPass, ...]
    points: int


def picture_of(prepared: Prepared) -> Picture:
    """Pack all passes. Raises OSError, ValueError or KeyError when a file of strokes cannot be read."""
    passes = prepared.record.passes
    strokes = [prepared.strokes(one.name) for one in passes]
    low, high = _bounds(passes, strokes)
    side = float(max(*(high - low), 1.0))
    low, high = low - MARGIN * side, high + MARGIN * side
    grid_mm = float((high - low).max()) / STEPS
    paths = [_Paths.of(one, low, grid_mm) for one in strokes]
    del strokes
    spacing, corners = _coarseness(paths)
    parts = [one.packed(spacing, corners) for one in paths]
    header = {
        "job": prepared.record.job,
        "origin_mm": low.tolist(),
        "grid_mm": grid_mm,
        "size": np.ceil((high - low) / grid_mm).astype(int).tolist(),
        "passes": [
            {
                "name": one.name, "ink": one.ink, "colour": one.colour, "tip_mm": one.tip_mm,
                "strokes": len(counts), "points": len(x),
            }
            for one, (counts, x, _) in zip(passes, parts, strict=True)
        ],
    }  # fmt: skip
    raw = _joined(header, parts)
    packer = zlib.compressobj(6, zlib.DEFLATED, 31)
    packed = packer.compress(raw) + packer.flush()
    return Picture(
        hashlib.sha256(raw).hexdigest()[:16],
        prepared.record.job,
        packed,
        passes,
        sum(len(x) for _, x, _ in parts),
    )


def _joined(header: dict[str, Any], parts: Sequence[tuple[npt.NDArray[np.uint32], U16, U16]]) -> bytes:
    text = json.dumps(header, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 4)
    pieces = [struct.pack("<I", len(text)), text]
    for counts, x, y in parts:
        for column in (counts.astype("<u4"), x.astype("<u2"), y.astype("<u2")):
            data = column.tobytes()
            pieces += [data, b"\0" * (-len(data) % 4)]
    return b"".join(pieces)


def _bounds(passes: Sequence[PreparedPass], strokes: Sequence[StrokeSet]) -> tuple[F64, F64]:
    """Corners of all that is painted, canvas mm, half a tip further out."""
    low, high = np.full(2, np.inf), np.full(2, -np.inf)
    for one, those in zip(passes, strokes, strict=True):
        if len(those):
            bounds = np.array(those.bounds_mm())
            half = max(one.tip_mm, one.tip_end_mm) / 2.0
            low, high = np.minimum(low, bounds[:2] - half), np.maximum(high, bounds[2:] + half)
    if not np.isfinite(low).all():
        return np.zeros(2), np.ones(2)
    return low, high


def _coarseness(paths: Sequence[_Paths]) -> tuple[float, bool]:
    """The finest spacing with which all have no more than POINTS_MAX points, and whether corners are kept. Infinite, so
    that ends are left, where no spacing is enough."""
    for corners, coarsest in ((True, CORNERS_TO), (False, np.inf)):
        fewest = sum(one.count(np.inf, corners) for one in paths)
        spacing = SPACING
        while fewest <= POINTS_MAX and spacing <= coarsest:
            # Beyond the longest stroke it comes to the fewest.
            if sum(one.count(spacing, corners) for one in paths) <= POINTS_MAX:
                return spacing, corners
            spacing *= COARSER
    return np.inf, False


@dataclass(frozen=True, slots=True)
class _Paths:
    """The strokes of one pass on the grid, as fine as they are ever sent.

    strokes: how many. points (P, 2), owner (P,): vertices of all but dots, each with its stroke. along (P,): grid steps
    from its stroke's start. is_end, is_corner (P,). dots (D,): strokes that are dots; discs (D, 2, 2): centre and rim.
    """

    strokes: int
    points: F64
    owner: I64
    along: F64
    is_end: Flags
    is_corner: Flags
    dots: I64
    discs: F64

    @classmethod
    def of(cls, strokes: StrokeSet, origin_mm: F64, grid_mm: float) -> _Paths:
        """From canvas mm."""
        none = np.zeros(0, dtype=np.int64)
        if not len(strokes):
            no = none.astype(np.bool_)
            return cls(0, np.zeros((0, 2)), none, np.zeros(0), no, no, none, np.zeros((0, 2, 2)))
        points = (strokes.points_mm - origin_mm) / grid_mm
        starts, ends = strokes.offsets[:-1], strokes.offsets[1:]
        is_dot = strokes.kind == StrokeKind.DOT
        low = np.minimum.reduceat(points, starts)[is_dot]
        high = np.maximum.reduceat(points, starts)[is_dot]
        centres = (low + high) / 2.0
        rims = centres + np.column_stack([(high - low).max(axis=1) / 2.0, np.zeros(len(centres))])
        owner = np.repeat(np.arange(len(strokes)), np.diff(strokes.offsets))
        steps = np.diff(points, axis=0)
        lengths = np.hypot(*steps.T)
        travelled = np.concatenate([[0.0], np.cumsum(lengths)])
        is_corner = np.zeros(len(points), dtype=np.bool_)
        turn = np.einsum("ij,ij->i", steps[:-1], steps[1:])
        is_corner[1:-1] = turn < CORNER_COSINE * lengths[:-1] * lengths[1:]
        is_end = np.zeros(len(points), dtype=np.bool_)
        is_end[starts] = is_end[ends - 1] = True
        every = cls(
            len(strokes), points, owner, travelled - travelled[starts][owner], is_end, is_corner,
            np.flatnonzero(is_dot), np.stack([centres, rims], axis=1),
        )  # fmt: skip
        kept = every.kept(SPACING, corners=True) & ~is_dot[owner]
        return replace(
            every, points=points[kept], owner=owner[kept], along=every.along[kept], is_end=is_end[kept],
            is_corner=is_corner[kept],
        )  # fmt: skip

    def kept(self, spacing: float, corners: bool) -> Flags:
        """Which vertices are sent (P,): both ends of every stroke, corners, and one in every ``spacing`` along it."""
        kept = self.is_end | self.is_corner if corners else self.is_end.copy()
        place = np.floor(self.along / spacing)
        kept[1:] |= place[1:] != place[:-1]
        return kept

    def count(self, spacing: float, corners: bool) -> int:
        """How many points are sent, dots' two included."""
        return int(np.count_nonzero(self.kept(spacing, corners))) + 2 * len(self.dots)

    def packed(self, spacing: float, corners: bool) -> tuple[npt.NDArray[np.uint32], U16, U16]:
        """Counts (S,) and differences of x and y (P,)."""
        kept = self.kept(spacing, corners)
        places = np.concatenate([self.points[kept], self.discs[:, 0], self.discs[:, 1]])
        # By stroke, within it as it runs; a dot's rim after its centre.
        order = np.argsort(np.concatenate([self.owner[kept], self.dots, self.dots]), kind="stable")
        values = np.clip(np.round(places[order]), 0, 65535).astype(np.int64)
        deltas = np.diff(values, axis=0, prepend=0) % 65536
        counts = np.bincount(self.owner[kept], minlength=self.strokes).astype(np.uint32)
        return counts, deltas[:, 0].astype(np.uint16), deltas[:, 1].astype(np.uint16)


def ranges(numbers: Sequence[int]) -> list[list[int]]:
    """Ascending numbers as runs ``[first, how many]``."""
    values = np.asarray(numbers, dtype=np.int64)
    if not len(values):
        return []
    firsts = np.concatenate([[0], np.flatnonzero(np.diff(values) != 1) + 1])
    counts = np.diff(np.concatenate([firsts, [len(values)]]))
    return np.column_stack([values[firsts], counts]).tolist()  # type: ignore[no-any-return]
