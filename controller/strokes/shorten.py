"""Shorter ways with the pen up, from a given order: turn runs around, or let neighbouring runs change places.

Owns the two classical exchanges (2-opt: Croes 1958; Or-opt: Or 1976) for an open way whose stations have an entry and
an exit. Knows no strokes: points are complex numbers, x + iy, in mm. Each step looks at all places for one length of
run at once and carries out those gains that do not touch each other, so the work is in arrays and its outcome depends
on nothing but its input.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

Complex = npt.NDArray[np.complex128]
Ints = npt.NDArray[np.int64]

LEAST_GAIN_MM: Final = 1e-6
LONGEST_MOVED: Final = 3  # strokes in the run that Or-opt moves
WORK: Final = 5_000_000  # places looked at in one sweep and kind of exchange: bounds the reach of large sets
SWEEPS: Final = 40
BIG_SWEEPS: Final = 3  # sweeps for sets whose reach is bounded: the first bring nearly all


class Way:
    """An order of stations being shortened in place.

    ``station`` (n,): which station stands at each place; ``turned`` (n,): whether it is run backwards.
    """

    def __init__(
        self, start: complex, entries: Complex, exits: Complex, reversible: npt.NDArray[np.bool_]
    ) -> None:
        count = len(entries)
        self.station: Ints = np.arange(count)
        self.turned = np.zeros(count, dtype=bool)
        self._entry = entries.copy()
        self._exit = np.concatenate([[start], exits])  # shifted by one: the exit before place k is _exit[k]
        self._reversible = reversible.copy()
        self._sum_up()

    def __len__(self) -> int:
        return len(self.station)

    def length(self) -> float:
        """The whole way with the pen up."""
        return float(self._link.sum())

    def _sum_up(self) -> None:
        """Links as they are, and inside runs that are turned around; running sums of both."""
        self._link = np.abs(self._entry - self._exit[:-1])  # link k leads to place k
        self._turned_entry = np.where(self._reversible, self._exit[1:], self._entry)
        self._turned_exit = np.where(self._reversible, self._entry, self._exit[1:])
        back = np.abs(self._turned_exit[1:] - self._turned_entry[:-1])  # from place k + 1 to place k
        self._forth_sum = np.cumsum(self._link)
        self._back_sum = np.concatenate([[0.0], np.cumsum(back)])

    def turn_runs(self, length: int) -> bool:
        """Turn around all runs of ``length`` strokes that gain by it; tells whether any did."""
        last = len(self) - length  # last place where such a run begins
        first = slice(0, last + 1)
        tail = slice(length - 1, None)
        new = np.abs(self._turned_entry[tail] - self._exit[first])
        new += self._back_sum[tail] - self._back_sum[first]
        new[:-1] += np.abs(self._entry[length:] - self._turned_exit[:last])
        old = self._link[first] + self._forth_sum[tail] - self._forth_sum[first]
        old[:-1] += self._link[length:]
        starts = _apart(old - new, length)
        for i in starts:
            run, shifted = slice(i, i + length), slice(i + 1, i + length + 1)
            turned = self._reversible[run][::-1]
            entry, leave = self._turned_entry[run][::-1].copy(), self._turned_exit[run][::-1].copy()
            self._entry[run], self._exit[shifted] = entry, leave
            self.station[run] = self.station[run][::-1].copy()
            self.turned[run] = self.turned[run][::-1] ^ turned
            self._reversible[run] = turned.copy()
        if len(starts):
            self._sum_up()
        return len(starts) > 0

    def swap_runs(self, left: int, right: int) -> bool:
        """Let neighbouring runs of ``left`` and ``right`` strokes change places where that gains."""
        length = left + right
        last = len(self) - length
        first = slice(0, last + 1)
        middle, middle_end = slice(left, left + last + 1), slice(length, length + last + 1)
        new = np.abs(self._entry[middle] - self._exit[first])
        new += np.abs(self._entry[first] - self._exit[middle_end])
        new[:-1] += np.abs(self._entry[length:] - self._exit[left : left + last])
        old = self._link[first] + self._link[middle]
        old[:-1] += self._link[length:]
        starts = _apart(old - new, length)
        for i in starts:
            index = np.concatenate([np.arange(i + left, i + length), np.arange(i, i + left)])
            run = slice(i, i + length)
            self._entry[run] = self._entry[index]
            self._exit[i + 1 : i + length + 1] = self._exit[index + 1]
            self.station[run], self.turned[run] = self.station[index], self.turned[index]
            self._reversible[run] = self._reversible[index]
        if len(starts):
            self._sum_up()
        return len(starts) > 0

    def shorten(self) -> None:
        """Exchange until nothing within reach gains (or, for large sets, a few times over)."""
        count = len(self)
        reach = min(count, max(WORK // max(count, 1), 1))
        for _ in range(SWEEPS if reach == count else BIG_SWEEPS):
            gained = False
            for length in range(1, reach + 1):
                gained |= self.turn_runs(length)
            for moved in range(1, min(LONGEST_MOVED, count - 1) + 1):
                for over in range(1, min(reach, count - moved) + 1):
                    gained |= self.swap_runs(moved, over)
                    if over > LONGEST_MOVED:  # shorter ones come round with the roles changed
                        gained |= self.swap_runs(over, moved)
            if not gained:
                return


def _apart(gain: npt.NDArray[np.float64], length: int) -> list[int]:
    """Places with a gain, the largest first, such that no two runs of ``length`` share a link."""
    places = np.flatnonzero(gain > LEAST_GAIN_MM)
    if len(places) < 2:
        return [int(place) for place in places]
    chosen: list[int] = []
    blocked = np.zeros(len(gain), dtype=bool)
    for place in places[np.argsort(-gain[places], kind="stable")].tolist():
        if not blocked[place]:
            chosen.append(place)
            blocked[max(place - length, 0) : place + length + 1] = True
    return chosen
