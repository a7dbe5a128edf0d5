"""A pass whose plan has changed since it was begun: which strokes are the same, by their geometry alone. Pure.

Owns the comparison and its words. A painted stroke that is in the new plan as it was counts as painted; ink of one that
is not stays where it is, and nobody but a person can say whether it matters.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from controller.config.counting import counted

if TYPE_CHECKING:
    from controller.strokes.strokeset import StrokeSet

SAME_MM: Final = 1e-3
"""Places are compared to so much: no pen shows it, and sums of floats in another order do not come so far."""
SHOWN: Final = 12


@dataclass(frozen=True, slots=True)
class Change:
    """What a new plan means for a pass.

    same: painted strokes by their old numbers, to their new ones. gone: painted, and no longer in the plan as they were
    painted. left: to paint, by their new numbers; fresh: those of them that the old plan did not have.
    """

    same: dict[int, int]
    gone: tuple[int, ...]
    left: tuple[int, ...]
    fresh: tuple[int, ...]

    @property
    def words(self) -> tuple[str, ...]:
        """One sentence each, for a person."""
        as_they_are = "it is and counts" if len(self.same) == 1 else "they are and count"
        same = counted(len(self.same), "painted stroke is", "painted strokes are")
        out = [f"{same} in the new plan as {as_they_are} as painted"]
        if self.gone:
            out.append(
                f"{counted(len(self.gone), 'painted stroke is', 'painted strokes are')} changed or left out "
                f"({_some(self.gone)}): {'its' if len(self.gone) == 1 else 'their'} ink stays"
            )
        out.append(f"{counted(len(self.left), 'stroke is', 'strokes are')} to be painted")
        if self.fresh:
            fresh = f"{len(self.fresh)} of them {'is' if len(self.fresh) == 1 else 'are'}"
            out.append(f"{fresh} new or changed ({_some(self.fresh)})")
        return tuple(out)


def digests(strokes: StrokeSet) -> Iterator[bytes]:
    """A digest of every stroke's path and kind, in order; the same for the same path run the other way."""
    for index in range(len(strokes)):
        places = np.round(strokes.stroke_mm(index) / SAME_MM).astype(np.int64)
        one, other = places.tobytes(), places[::-1].tobytes()
        yield hashlib.sha256(bytes([int(strokes.kind[index])]) + min(one, other)).digest()


def change_of(old: StrokeSet, painted: Collection[int], new: StrokeSet) -> Change:
    """Compare two plans of one pass. Equal strokes are paired one to one, in order."""
    places: dict[bytes, list[int]] = defaultdict(list)
    for index, digest in enumerate(digests(new)):
        places[digest].append(index)
    before = list(digests(old))
    known = set(before)
    fresh = tuple(sorted(index for digest, many in places.items() if digest not in known for index in many))
    same: dict[int, int] = {}
    gone: list[int] = []
    for stroke in sorted(painted):
        found = places[before[stroke]]
        if found:
            same[stroke] = found.pop(0)
        else:
            gone.append(stroke)
    taken = set(same.values())
    left = tuple(index for index in range(len(new)) if index not in taken)
    return Change(same, tuple(gone), left, fresh)


def _some(numbers: tuple[int, ...]) -> str:
    shown = ", ".join(map(str, numbers[:SHOWN]))
    return shown if len(numbers) <= SHOWN else f"{shown} and {len(numbers) - SHOWN} more"
