"""Results that are kept for the next time, by what they were made from.

Owns the boundary to whatever keeps them and how paths and orders are put into arrays. Knows no files.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from controller.strokes.order import arrangement
from controller.strokes.paths import Left, Paths
from controller.strokes.strokeset import StrokeSet
from controller.strokes.travel import TravelCost

Arrays = dict[str, npt.NDArray[Any]]


class Keeper(Protocol):
    """Keeps arrays by kind and key."""

    def arrays(self, kind: str, key: str, make: Callable[[], Arrays], /) -> Arrays:
        """What was kept as ``kind`` under ``key``, else what ``make`` gives, kept from then on.

        Equal keys stand for equal results. What comes back has no Python objects in it and is not written to.
        """
        ...


class NothingKept:
    """Makes everything anew."""

    def arrays(self, _kind: str, _key: str, make: Callable[[], Arrays]) -> Arrays:
        """What ``make`` gives."""
        return make()


def key_of(*parts: Any) -> str:
    """A key from arrays, bytes and what JSON can hold; different parts, in kind or order, give different keys."""
    found = hashlib.sha256()
    for part in parts:
        if isinstance(part, np.ndarray):
            what, data = f"{part.dtype.str}{part.shape}", np.ascontiguousarray(part).tobytes()
        elif isinstance(part, bytes):
            what, data = "bytes", part
        else:
            what, data = "json", json.dumps(part, sort_keys=True).encode()
        found.update(f"{what} {len(data)}\n".encode())
        found.update(data)
    return found.hexdigest()


_LEFT = np.dtype(
    [("kind", "U5"), ("x", "f8"), ("y", "f8"), ("width", "f8"), ("length", "f8"), ("painted", "?")]
)


def kept_paths(keeper: Keeper, kind: str, key: str, make: Callable[[], Paths]) -> Paths:
    """Paths that are kept."""

    def arrays() -> Arrays:
        paths = make()
        left = [(one.kind, *one.place_mm, one.width_mm, one.length_mm, one.painted) for one in paths.left]
        return {
            "points_mm": paths.points_mm,
            "offsets": paths.offsets,
            "closed": paths.closed,
            "left": np.array(left, dtype=_LEFT),
        }

    found = keeper.arrays(kind, key, arrays)
    left = tuple(
        Left(kind, (x, y), width, length, painted)
        for kind, x, y, width, length, painted in found["left"].tolist()
    )
    return Paths(found["points_mm"], found["offsets"], found["closed"], left)


def kept_order(
    keeper: Keeper, strokes: StrokeSet, park_mm: tuple[float, float], cost: TravelCost
) -> StrokeSet:
    """``order_strokes`` from and back to ``park_mm``, its outcome kept."""

    def arrays() -> Arrays:
        found = arrangement(strokes, park_mm, park_mm, cost)
        return dict(zip(("order", "backwards", "begin"), found, strict=True)) if found is not None else {}

    key = key_of(strokes.points_mm, strokes.offsets, strokes.kind, list(park_mm), cost.rules())
    found = keeper.arrays("orders", key, arrays)
    return strokes.arranged(found["order"], found["backwards"], found["begin"]) if found else strokes
