"""Shorter ways with the pen up, from a given order: turn runs around, move short ones, swap neighbouring ones.

Owns the search's outer side: neighbours, how much is tried, and the books. The loops are in ``exchange``. Knows no
strokes: stations with two ends each. The outcome depends on nothing but the input: work is counted in tries, not in
seconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from controller.strokes.travel import Signs, TravelCost

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

LEAST_GAIN: Final = 1e-6
"""A way is shorter than another when it is by this much, in mm or seconds."""

NEIGHBOURS: Final = 8
SPAN: Final = 50_000
"""Runs longer than this are not turned, nor moved farther, while the order is made."""
KICK_SPAN: Final = 1_000
"""The same after a kick, whose neighbourhood is small."""
KICKS_EACH: Final = 3
KICKS_MOST: Final = 10_000
"""So many kicks are tried for each station, and in all at most."""


@dataclass(frozen=True, slots=True)
class Stations:
    """What the way goes through.

    ends_mm: (n, 2, 2), start and end of each. first_sign: (n, 2, 2), where the axes go when it is begun at either.
    reversible: (n,) whether it may be begun at its end. start_mm: where the way begins; end_mm: where it ends, None for
    wherever the last station does.
    """

    ends_mm: Floats
    first_sign: Signs
    reversible: Flags
    start_mm: tuple[float, float]
    end_mm: tuple[float, float] | None

    def __len__(self) -> int:
        return len(self.ends_mm)

    def way(self, order: Ints, backwards: Flags, cost: TravelCost) -> float:
        """Cost of the whole way with the stations in ``order``."""
        if not len(order):
            return 0.0
        first = backwards.astype(np.int64)
        entry, leave = self.ends_mm[order, first], self.ends_mm[order, 1 - first]
        signs = self.first_sign[order, first]
        here = np.concatenate([np.reshape(np.asarray(self.start_mm, dtype=np.float64), (1, 2)), leave[:-1]])
        total = float(cost.links(here, entry, signs).sum())
        if self.end_mm is not None:
            last = np.reshape(np.asarray(self.end_mm, dtype=np.float64), (1, 2))
            total += float(cost.links(leave[-1:], last, np.zeros((1, 2), dtype=np.int8))[0])
        return total


def shortened(
    stations: Stations, order: Ints, backwards: Flags, cost: TravelCost, kicks: int | None = None
) -> tuple[Ints, Flags]:
    """A way no dearer than ``order`` with ``backwards``: local search, then ``kicks`` tries to get out of where it
    ended; KICKS_EACH for each station if not given, KICKS_MOST at most.
    """
    from controller.strokes.exchange import shorten

    count = len(stations)
    if count < 2:
        return order, backwards
    places = np.empty((2 * count + 4, 2))
    places[: 2 * count] = stations.ends_mm.reshape(-1, 2)
    places[2 * count : 2 * count + 2] = stations.start_mm
    places[2 * count + 2 :] = stations.end_mm if stations.end_mm is not None else stations.start_mm
    signs = np.zeros((2 * count + 4, 2), dtype=np.int8)
    signs[: 2 * count] = stations.first_sign.reshape(-1, 2)
    reversible = np.concatenate([stations.reversible, [False, False]])
    to_end = stations.end_mm is not None
    usable = np.stack([np.ones(count, dtype=np.bool_), stations.reversible], axis=1).ravel()
    # Entered: all starts, and ends of what may run backwards; left: the other way round.
    entered = np.concatenate([usable, [False, False, to_end, False]])
    left = np.concatenate([usable.reshape(-1, 2)[:, ::-1].ravel(), [False, True, False, False]])
    rows = min(NEIGHBOURS, count)
    onward, onward_way = _neighbours(places, left, entered, rows)
    back, back_way = _neighbours(places, entered, left, rows)
    tour = np.concatenate([[2 * count], 2 * order + backwards, [2 * count + 2]]).astype(np.int64)
    shorten(
        places,
        signs,
        cost.rules(),
        len(places) if to_end else 2 * count + 2,
        reversible,
        tour,
        onward,
        cost.straight(onward_way),
        back,
        cost.straight(back_way),
        SPAN,
        min(KICKS_EACH * count, KICKS_MOST) if kicks is None else kicks,
        KICK_SPAN,
    )
    inner = tour[1:-1]
    return inner >> 1, (inner & 1).astype(np.bool_)


def _neighbours(places: Floats, of: Flags, among: Flags, rows: int) -> tuple[Ints, Floats]:
    """For the ends ``of`` (e,) the nearest ends ``among`` (e,) of other stations, and how far they are.

    (e, rows) each; -1 and infinity where there is none. Rising distance, the lower number of equally near ones first.
    """
    found = np.full((len(places), rows), -1, dtype=np.int64)
    away = np.full((len(places), rows), np.inf)
    asked, pool = np.flatnonzero(of), np.flatnonzero(among)
    many = min(rows + 2, len(pool))
    far, near = cKDTree(places[pool]).query(places[asked], k=many)
    far, near = np.reshape(far, (-1, many)), pool[np.reshape(near, (-1, many))]
    far = np.where(near >> 1 == asked[:, None] >> 1, np.inf, far)
    ranked = np.lexsort((near, np.round(far, 9)), axis=1)[:, :rows]
    far = np.take_along_axis(far, ranked, axis=1)
    near = np.where(np.isfinite(far), np.take_along_axis(near, ranked, axis=1), -1)
    found[asked, : far.shape[1]], away[asked, : far.shape[1]] = near, far
    return found, away
