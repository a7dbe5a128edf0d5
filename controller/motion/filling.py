"""The loops over every vertex and every tick of a pass: finding equal shapes, laying out raw positions.

Owns the compiled loops that ``instances`` and ``plan`` set up. Knows no machine. Import it late, it needs numba.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.motion.compiled import compiled

Vector = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]


@compiled
def digest_shapes(
    points: Vector, offsets: Index, per_mm: float, digests: npt.NDArray[np.uint64], lengths: Vector
) -> None:
    """Digests (S, 2) of the vertices of every stroke relative to its first, in steps of 1 / ``per_mm``; lengths (S,).

    Two lanes of 64 bits, each mixed by the finaliser of splitmix64 (Steele, Lea and Flood 2014, from memory).
    """
    for s in range(len(offsets) - 1):
        first = offsets[s]
        x0, y0 = points[first, 0], points[first, 1]
        one = np.uint64(0x9E3779B97F4A7C15)
        other = np.uint64(offsets[s + 1] - first)
        length = 0.0
        for i in range(first, offsets[s + 1]):
            x = np.uint64(np.int64(np.rint((points[i, 0] - x0) * per_mm)))
            y = np.uint64(np.int64(np.rint((points[i, 1] - y0) * per_mm)))
            one = (one ^ x) * np.uint64(0xBF58476D1CE4E5B9)
            one = (one ^ (one >> np.uint64(30)) ^ y) * np.uint64(0x94D049BB133111EB)
            one ^= one >> np.uint64(27)
            other = (other ^ y) * np.uint64(0x94D049BB133111EB)
            other = (other ^ (other >> np.uint64(31)) ^ x) * np.uint64(0xBF58476D1CE4E5B9)
            other ^= other >> np.uint64(29)
            if i > first:
                length += np.hypot(points[i, 0] - points[i - 1, 0], points[i, 1] - points[i - 1, 1])
        digests[s, 0], digests[s, 1] = one, other
        lengths[s] = length


@compiled
def fill_strokes(
    here: Vector,
    still: int,
    travel: Vector,
    travel_ticks: Index,
    rest: Index,
    bank: Vector,
    bank_first: Index,
    bank_ticks: Index,
    start: Vector,
    hold: int,
    out: Vector,
) -> None:
    """Raw positions (n, 2) of strokes one after another: still, travel, rest, the shape moved to its place, hold.

    here: (2,) where the holder is before; still: ticks for which it stays there, before each travel.
    travel: (t, 2), all travels one after another; travel_ticks: (S,). rest: (S,) still ticks before each stroke.
    bank: (b, 2) shapes relative to the stroke's start, bank_first and bank_ticks: (S,) where each stroke's lies.
    start: (S, 2) holder where the stroke begins, the last position of its travel. hold: still ticks after it.
    """
    k = 0
    t = 0
    last_x, last_y = here[0], here[1]
    for s in range(len(travel_ticks)):
        for _ in range(still):
            out[k, 0], out[k, 1] = last_x, last_y
            k += 1
        for _ in range(travel_ticks[s]):
            out[k, 0], out[k, 1] = travel[t, 0], travel[t, 1]
            k += 1
            t += 1
        x, y = start[s, 0], start[s, 1]
        for _ in range(rest[s]):
            out[k, 0], out[k, 1] = x, y
            k += 1
        last_x, last_y = x, y
        for b in range(bank_first[s], bank_first[s] + bank_ticks[s]):
            last_x, last_y = x + bank[b, 0], y + bank[b, 1]
            out[k, 0], out[k, 1] = last_x, last_y
            k += 1
        for _ in range(hold):
            out[k, 0], out[k, 1] = last_x, last_y
            k += 1
