"""Standstill as a fact: what the positions read off the wire must show before an axis counts as standing.

Pure: positions and instants in, an answer out. Must not know where positions come from, and never takes a word
of the streamer for proof.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from itertools import pairwise

from safety.settings import StandstillAxis


class Standstill:
    """Watches every axis over a sliding window.

    Proved when for every axis the positions cover the whole window and come from at least ``samples`` different
    instants, no two of which lie further apart than half the window, the latest is no older than that, and none lies
    further than ``tolerance_um`` from another. Where positions come so slowly that the window holds fewer, those
    before it are needed, too: the span grows, never the tolerance. Without axes nothing is ever proved. Counters
    wrap: differences are taken modulo their width.
    """

    __slots__ = ("_axes", "_samples", "_seen", "_tolerance_um", "_window_ns")

    def __init__(
        self, axes: Sequence[StandstillAxis], window_ns: int, tolerance_um: float, samples: int
    ) -> None:
        self._axes = tuple(axes)
        self._window_ns = window_ns
        self._tolerance_um = tolerance_um
        self._samples = max(2, samples)
        self._seen: list[deque[tuple[int, int]]] = [deque() for _ in self._axes]

    def add(self, now_ns: int, index: int, counts: int) -> None:
        """Note the position ``counts`` (signed, as wide as the axis' word) of axis ``index`` read at ``now_ns``."""
        seen = self._seen[index]
        width = 1 << (8 * self._axes[index].length_bytes)
        if seen:
            last = seen[-1][1]
            counts = last + (counts - last + width // 2) % width - width // 2
        seen.append((now_ns, counts))
        # One sample at or before the window's start is kept: it is what covers the window. And always enough to count.
        start_ns = now_ns - self._window_ns
        while len(seen) > self._samples and seen[1][0] <= start_ns:
            seen.popleft()

    def proved(self, now_ns: int) -> bool:
        """Do all axes stand, as of ``now_ns``?"""
        return bool(self._axes) and all(self._stands(now_ns, index) for index in range(len(self._axes)))

    def travelled_um(self) -> tuple[float, ...]:
        """How far apart each axis' positions in the window lie; infinite where none has come."""
        return tuple(
            (max(c for _, c in seen) - min(c for _, c in seen)) * axis.resolution_um if seen else float("inf")
            for seen, axis in zip(self._seen, self._axes, strict=True)
        )

    def _stands(self, now_ns: int, index: int) -> bool:
        seen = self._seen[index]
        start_ns = now_ns - self._window_ns
        gap_max_ns = self._window_ns // 2
        if not seen or seen[0][0] > start_ns or now_ns - seen[-1][0] > gap_max_ns:
            return False
        instants = sorted({instant for instant, _ in seen})
        if len(instants) < self._samples:
            return False
        if any(later - before > gap_max_ns for before, later in pairwise(instants)):
            return False
        counts = [position for _, position in seen]
        return (max(counts) - min(counts)) * self._axes[index].resolution_um <= self._tolerance_um
