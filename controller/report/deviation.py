"""How far the painted lines are from the planned ones, stroke by stroke.

Owns the matching of contacts to strokes and the distances. Knows files only as ``Painted`` and ``StrokeSet``; no time
but as a window, no pictures.

A contact belongs to the stroke whose start, end and length it has; a contact that was cut short (a stop), to a
stroke that begins where it does. Distances are measured to chords: a tree over samples of all planned paths finds
the neighbourhood (strokes are kept apart by a third coordinate), then the chords of the nearest samples are
measured. The result is exact but where a stroke crosses itself, and there at most half a sample's distance too long.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from controller.report.painted import Painted
from controller.strokes.strokeset import StrokeKind, StrokeSet

SAMPLE_MM = 0.2
"""Distance of the samples on the planned paths."""

SAME_STROKE_MM = 6.0
"""Start, end and length of a contact together differ from its stroke's by less than this."""

SAME_START_MM = 3.0
"""A contact cut short begins within this of its stroke's start."""

CHUNK_POINTS = 300_000
"""So many points are measured at a time."""

_APART_MM = 1e4
_LENGTH_WEIGHT = 0.25

Vector = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

DEVIATION_DTYPE = np.dtype(
    [
        ("contacts", "<i4"),  # how often the stroke was painted
        ("off_max_mm", "<f8"),  # farthest painted point from the planned path
        ("off_rms_mm", "<f8"),
        ("missed_mm", "<f8"),  # farthest planned point from what was painted
        ("closing_gap_mm", "<f8"),  # last painted point from the first, of a loop
    ]
)


@dataclass(frozen=True, slots=True)
class Measured:
    """Painted against planned, of one ink.

    strokes: (S,) DEVIATION_DTYPE; not-a-number where nothing was painted (or the stroke is no loop).
    points_mm, distance_mm: (n, 2), (n,) every painted point that belongs to a stroke, and its distance from it.
    stroke: (n,) that stroke. stray: contacts that belong to none.
    """

    strokes: npt.NDArray[np.void]
    points_mm: Vector
    distance_mm: Vector
    stroke: Index
    stray: Index

    @property
    def painted(self) -> npt.NDArray[np.bool_]:
        """(S,) whether the stroke was painted at all."""
        done: npt.NDArray[np.bool_] = self.strokes["contacts"] > 0
        return done


def stroke_deviations(
    painted: Painted, strokes: StrokeSet, ink: str, window_ns: tuple[int, int] | None = None
) -> npt.NDArray[np.void]:
    """(S,) DEVIATION_DTYPE of the contacts of ``ink`` (within ``window_ns``) against ``strokes``, canvas mm."""
    return measure(painted, strokes, ink, window_ns).strokes


def measure(
    painted: Painted, strokes: StrokeSet, ink: str, window_ns: tuple[int, int] | None = None
) -> Measured:
    """Match contacts to strokes and measure both ways."""
    table = np.zeros(len(strokes), dtype=DEVIATION_DTYPE)
    for name in ("off_max_mm", "off_rms_mm", "missed_mm", "closing_gap_mm"):
        table[name] = np.nan
    chosen = painted.of(ink, window_ns)
    nothing = Measured(table, np.empty((0, 2)), np.empty(0), np.empty(0, dtype=np.int64), chosen)
    if not len(chosen) or not len(strokes):
        return nothing
    owner = match_contacts(painted, chosen, strokes)
    stray, chosen, owner = chosen[owner < 0], chosen[owner >= 0], owner[owner >= 0]
    if not len(chosen):
        return nothing
    counts = np.diff(painted.offsets)[chosen]
    rows = _ranges(painted.offsets[chosen], counts)
    points = painted.points_mm[rows]
    stroke = np.repeat(owner, counts)
    chord_stroke = np.repeat(np.arange(len(strokes)), np.diff(strokes.offsets) - 1)
    planned_a, planned_b = _chords(strokes.points_mm, strokes.offsets)
    distance = _distances(points, stroke, planned_a, planned_b, chord_stroke)

    table["contacts"] = np.bincount(owner, minlength=len(strokes))
    done = table["contacts"] > 0
    off = np.zeros(len(strokes))
    np.maximum.at(off, stroke, distance)
    total = np.bincount(stroke, minlength=len(strokes))
    square = np.bincount(stroke, weights=distance**2, minlength=len(strokes))
    table["off_max_mm"][done] = off[done]
    table["off_rms_mm"][done] = np.sqrt(square[done] / total[done])

    # The other way round: from samples of the planned paths to the painted chords of the same stroke.
    samples, sampled = _sampled(planned_a, planned_b, chord_stroke)
    wanted = done[sampled]
    samples, sampled = samples[wanted], sampled[wanted]
    painted_a, painted_b = _chords(points, np.concatenate([[0], np.cumsum(counts)]))
    painted_stroke = np.repeat(owner, np.maximum(counts - 1, 1))
    missed_distance = _distances(samples, sampled, painted_a, painted_b, painted_stroke)
    missed = np.zeros(len(strokes))
    np.maximum.at(missed, sampled, missed_distance)
    table["missed_mm"][done] = missed[done]

    first, last = painted.offsets[chosen], painted.offsets[chosen + 1] - 1
    gap = np.hypot(*(painted.points_mm[last] - painted.points_mm[first]).T)
    loops = strokes.kind[owner] == StrokeKind.LOOP
    # Contacts are in order of time: the latest one of a stroke is written last.
    table["closing_gap_mm"][owner[loops]] = gap[loops]
    return Measured(table, points, distance, stroke, stray)


def match_contacts(painted: Painted, chosen: Index, strokes: StrokeSet) -> Index:
    """For each chosen contact the stroke that it is (part of), -1 for none."""
    first, last = painted.offsets[chosen], painted.offsets[chosen + 1] - 1
    steps = np.hypot(*np.diff(painted.points_mm, axis=0, prepend=painted.points_mm[:1]).T)
    along = np.cumsum(steps)
    length = along[last] - along[first]
    starts, ends = strokes.points_mm[strokes.offsets[:-1]], strokes.points_mm[strokes.offsets[1:] - 1]
    planned = np.column_stack([starts, ends, _LENGTH_WEIGHT * strokes.lengths_mm()])
    seen = np.column_stack([painted.points_mm[first], painted.points_mm[last], _LENGTH_WEIGHT * length])
    distance, nearest = cKDTree(planned).query(seen)
    owner = np.where(distance <= SAME_STROKE_MM, nearest, -1).astype(np.int64)
    short = np.flatnonzero(owner < 0)
    if len(short):
        distance, nearest = cKDTree(starts).query(painted.points_mm[first[short]])
        owner[short] = np.where(distance <= SAME_START_MM, nearest, -1)
    return owner


def _ranges(begins: Index, counts: Index) -> Index:
    """All of begins[i] : begins[i] + counts[i], one after another."""
    ends = np.cumsum(counts)
    rows: Index = np.arange(int(ends[-1])) + np.repeat(begins - (ends - counts), counts)
    return rows


def _chords(points: Vector, offsets: Index) -> tuple[Vector, Vector]:
    """Both ends of every chord; a line of one point is one chord without length."""
    counts = np.diff(offsets)
    pieces = np.maximum(counts - 1, 1)
    first = _ranges(offsets[:-1], pieces)
    second = np.where(np.repeat(counts > 1, pieces), first + 1, first)
    return points[first], points[second]


def _sampled(a: Vector, b: Vector, owner: Index) -> tuple[Vector, Index]:
    """Points along the chords, ends included, at most ``SAMPLE_MM`` apart; with each the chord's owner."""
    points, chord = _samples(a, b)
    return points, owner[chord]


def _samples(a: Vector, b: Vector) -> tuple[Vector, Index]:
    length = np.hypot(*(b - a).T)
    pieces = np.maximum(np.ceil(length / SAMPLE_MM), 1).astype(np.int64)
    chord = np.repeat(np.arange(len(a)), pieces + 1)
    step = _ranges(np.zeros(len(a), dtype=np.int64), pieces + 1)
    share = step / pieces[chord]
    return a[chord] + share[:, None] * (b - a)[chord], chord


def _distances(points: Vector, owner: Index, a: Vector, b: Vector, chord_owner: Index) -> Vector:
    """Distance of each point to the nearest chord of the same owner."""
    samples, chord = _samples(a, b)
    tree = cKDTree(np.column_stack([samples, _APART_MM * chord_owner[chord]]))
    # Several neighbours: near a crossing the nearest sample may lie on the other branch.
    neighbours = min(6, len(samples))
    best = np.full(len(points), np.inf)
    for begin in range(0, len(points), CHUNK_POINTS):
        part = slice(begin, begin + CHUNK_POINTS)
        place = np.column_stack([points[part], _APART_MM * owner[part]])
        _, nearest = tree.query(place, k=neighbours, workers=-1)
        for column in np.asarray(nearest).reshape(len(place), neighbours).T:
            found = _to_chord(points[part], a[chord[column]], b[chord[column]])
            best[part] = np.minimum(best[part], found)
    return best


def _to_chord(points: Vector, a: Vector, b: Vector) -> Vector:
    """Distance of each point to its chord."""
    along = b - a
    square = np.einsum("ij,ij->i", along, along)
    share = np.einsum("ij,ij->i", points - a, along) / np.where(square > 0, square, 1.0)
    foot = a + np.clip(share, 0.0, 1.0)[:, None] * along
    distance: Vector = np.hypot(*(points - foot).T)
    return distance
