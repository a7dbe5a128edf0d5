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
from dataclasses import dataclass
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
"""With more in all, points are taken further apart."""
COARSER: Final = 1.6
CORNER_COSINE: Final = float(np.cos(np.radians(20.0)))
"""Where a path turns by more its vertex is kept whatever the spacing."""
MARGIN: Final = 0.02

U16 = npt.NDArray[np.uint16]


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
    low, high = _bounds(prepared)
    side = float(max(*(high - low), 1.0))
    low, high = low - MARGIN * side, high + MARGIN * side
    grid_mm = float((high - low).max()) / STEPS
    spacing = SPACING
    while True:
        parts = [_pass(prepared.strokes(one.name), low, grid_mm, spacing) for one in passes]
        points = sum(len(x) for _, x, _ in parts)
        if points <= POINTS_MAX or spacing > STEPS:
            break
        spacing *= COARSER
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
    return Picture(hashlib.sha256(raw).hexdigest()[:16], prepared.record.job, packed, passes, points)


def _joined(header: dict[str, Any], parts: Sequence[tuple[npt.NDArray[np.uint32], U16, U16]]) -> bytes:
    text = json.dumps(header, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 4)
    pieces = [struct.pack("<I", len(text)), text]
    for counts, x, y in parts:
        for column in (counts.astype("<u4"), x.astype("<u2"), y.astype("<u2")):
            data = column.tobytes()
            pieces += [data, b"\0" * (-len(data) % 4)]
    return b"".join(pieces)


def _bounds(prepared: Prepared) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Corners of all that is painted, canvas mm, half a tip further out."""
    low, high = np.full(2, np.inf), np.full(2, -np.inf)
    for one in prepared.record.passes:
        strokes = prepared.strokes(one.name)
        if len(strokes):
            bounds = np.array(strokes.bounds_mm())
            half = max(one.tip_mm, one.tip_end_mm) / 2.0
            low, high = np.minimum(low, bounds[:2] - half), np.maximum(high, bounds[2:] + half)
    if not np.isfinite(low).all():
        return np.zeros(2), np.ones(2)
    return low, high


def _pass(
    strokes: StrokeSet, origin_mm: npt.NDArray[np.float64], grid_mm: float, spacing: float
) -> tuple[npt.NDArray[np.uint32], U16, U16]:
    """Counts (S,) and differences of x and y (P,) of one pass."""
    if not len(strokes):
        empty = np.zeros(0, dtype=np.uint16)
        return np.zeros(0, dtype=np.uint32), empty, empty
    points = (strokes.points_mm - origin_mm) / grid_mm
    starts, ends = strokes.offsets[:-1], strokes.offsets[1:]
    is_dot = strokes.kind == StrokeKind.DOT
    owner = np.repeat(np.arange(len(strokes)), np.diff(strokes.offsets))
    kept = _kept(points, starts, ends, owner, spacing) & ~is_dot[owner]
    low = np.minimum.reduceat(points, starts)[is_dot]
    high = np.maximum.reduceat(points, starts)[is_dot]
    centres = (low + high) / 2.0
    rims = centres + np.column_stack([(high - low).max(axis=1) / 2.0, np.zeros(len(centres))])
    places = np.concatenate([points[kept], centres, rims])
    # By stroke, within it as it runs; a dot's rim after its centre.
    dots = np.flatnonzero(is_dot)
    order = np.argsort(np.concatenate([owner[kept], dots, dots]), kind="stable")
    values = np.clip(np.round(places[order]), 0, 65535).astype(np.int64)
    deltas = np.diff(values, axis=0, prepend=0) % 65536
    counts = np.bincount(owner[kept], minlength=len(strokes)).astype(np.uint32)
    return counts, deltas[:, 0].astype(np.uint16), deltas[:, 1].astype(np.uint16)


def _kept(
    points: npt.NDArray[np.float64], starts: npt.NDArray[np.int64], ends: npt.NDArray[np.int64],
    owner: npt.NDArray[np.int64], spacing: float,
) -> npt.NDArray[np.bool_]:  # fmt: skip
    """Which vertices are sent: both ends of every stroke, corners, and one in every ``spacing`` along it."""
    steps = np.diff(points, axis=0)
    lengths = np.hypot(*steps.T)
    along = np.concatenate([[0.0], np.cumsum(lengths)])
    place = np.floor((along - along[starts][owner]) / spacing)
    kept = np.ones(len(points), dtype=np.bool_)
    kept[1:] = place[1:] != place[:-1]
    turn = np.einsum("ij,ij->i", steps[:-1], steps[1:])
    kept[1:-1] |= turn < CORNER_COSINE * lengths[:-1] * lengths[1:]
    kept[starts] = True
    kept[ends - 1] = True
    return kept


def ranges(numbers: Sequence[int]) -> list[list[int]]:
    """Ascending numbers as runs ``[first, how many]``."""
    values = np.asarray(numbers, dtype=np.int64)
    if not len(values):
        return []
    firsts = np.concatenate([[0], np.flatnonzero(np.diff(values) != 1) + 1])
    counts = np.diff(np.concatenate([firsts, [len(values)]]))
    return np.column_stack([values[firsts], counts]).tolist()  # type: ignore[no-any-return]
