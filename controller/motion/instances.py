"""Equal strokes share one plan: finding them, and planning each shape once, relative to its start.

Owns shapes and their planned, sampled form. Frame: canvas mm relative to the stroke's first vertex. Knows no play and
no belt but by the numbers in ``StrokeRules``, and no order of strokes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from controller.motion.path import Index, Vector, polyline
from controller.motion.pen import Pen, step, step_ticks, turned
from controller.motion.profile import plan_profile
from controller.motion.ticks import sample
from controller.strokes.strokeset import StrokeSet

SAME_PER_MM = 1e6
"""Strokes whose vertices agree to this many steps a mm, relative to the first, are one shape: a nanometre."""

_SIDE = 0.02
"""A direction leaves an axis alone while its part along it is smaller."""


@dataclass(frozen=True, slots=True)
class StrokeRules:
    """What a stroke's plan depends on besides its shape; units in the names.

    reversal_mm_s2: (2,) limits where an axis turns round (infinite: none), held for ``reversal_s``.
    crossing_ticks: rest at a stop where an axis turns round.
    """

    speed_mm_s: float
    acceleration_mm_s2: float
    jerk_mm_s3: float
    corner_angle_deg: float
    corners: Literal["stop", "round"]
    corner_tolerance_mm: float
    reversal_mm_s2: Vector
    reversal_s: float
    crossing_ticks: int
    tick_s: float
    pen: Pen


@dataclass(frozen=True, slots=True)
class Shapes:
    """Which strokes are equal.

    number: (S,) each stroke's shape, counted in the order in which shapes first appear; uses: (K,) strokes of each;
    length_mm: (S,).
    """

    number: Index
    uses: Index
    length_mm: Vector


@dataclass(frozen=True, slots=True)
class Planned:
    """Planned shapes. positions_mm: (k, 2) of the *holder*, relative to the holder's start, at the end of every tick,
    all shapes one after another; ticks: (m,). first_mm: (m, 2) holder's start less the first vertex. last_mm: (m, 2)
    holder's end less holder's start. heading: (m, 2) unit vectors of the first motion."""

    positions_mm: Vector
    ticks: Index
    first_mm: Vector
    last_mm: Vector
    heading: Vector


def find_shapes(strokes: StrokeSet) -> Shapes:
    """Sort ``strokes`` by shape. Takes 24 bytes a stroke and two numbers more, no copy of vertices."""
    from controller.motion.filling import digest_shapes

    count = len(strokes)
    digests = np.empty((count, 2), dtype=np.uint64)
    length = np.empty(count)
    digest_shapes(
        np.ascontiguousarray(strokes.points_mm),
        np.ascontiguousarray(strokes.offsets, dtype=np.int64),
        SAME_PER_MM,
        digests,
        length,
    )
    order = np.lexsort((np.arange(count), digests[:, 1], digests[:, 0]))
    arranged = digests[order]
    new = np.ones(count, dtype=np.bool_)
    new[1:] = np.any(arranged[1:] != arranged[:-1], axis=1)
    group = np.cumsum(new) - 1
    first = order[new]  # the first stroke of each group: lexsort keeps equal ones in order
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first, kind="stable")] = np.arange(len(first))
    number = np.empty(count, dtype=np.int64)
    number[order] = rank[group]
    return Shapes(number, np.bincount(number, minlength=len(first)).astype(np.int64), length)


def plan_shapes(strokes: StrokeSet, which: Index, rules: StrokeRules) -> Planned:
    """Plan the strokes ``which`` (m,), each by itself, at rest at both ends.

    They are laid end to end into one path, so that all are planned in one go; what lies before a stroke is taken
    off its positions again.
    """
    counts = strokes.offsets[which + 1] - strokes.offsets[which]
    begins = strokes.offsets[which]
    number = len(which)
    none = np.zeros((number, 2))
    nothing = Planned(none[:0], np.zeros(number, dtype=np.int64), none - rules.pen.landing_mm, none, none)
    if not number:
        return nothing
    ends = np.cumsum(counts)
    own = np.repeat(np.arange(number), counts)
    source = np.arange(int(ends[-1])) - np.repeat(ends - counts, counts) + np.repeat(begins, counts)
    points = strokes.points_mm[source] - strokes.points_mm[begins][own]
    moved = np.cumsum(points[ends - 1], axis=0)
    before = np.concatenate([np.zeros((1, 2)), moved[:-1]])
    is_vertex = np.ones(len(points), dtype=np.bool_)
    is_vertex[ends[:-1]] = False  # a stroke's first vertex is the last of the one before
    vertices = (points + before[own])[is_vertex]
    last = np.cumsum(counts - 1)
    stop = np.zeros(len(vertices), dtype=np.bool_)
    stop[last] = True
    vertices[last] = moved
    stop[0] = True
    path = polyline(
        vertices,
        stop,
        rules.corner_angle_deg,
        corners=rules.corners,
        corner_tolerance_mm=rules.corner_tolerance_mm,
    )
    if not path.chords:
        return nothing
    profile = plan_profile(
        path,
        rules.speed_mm_s,
        rules.acceleration_mm_s2,
        rules.jerk_mm_s3,
        reversal_mm_s2=rules.reversal_mm_s2 if np.isfinite(rules.reversal_mm_s2).any() else None,
        reversal_s=rules.reversal_s,
    )
    stroke_of_chord = np.repeat(np.arange(number), counts - 1)[path.chord_of_input]
    stroke = stroke_of_chord[profile.run_last_chord]
    drawn = sample(profile, rules.tick_s)
    return _with_pen(drawn.positions_mm, drawn.tangents, drawn.ticks, stroke, before, number, rules)


def _with_pen(
    positions: Vector,
    tangents: Vector,
    ticks: Index,
    stroke: Index,
    before: Vector,
    number: int,
    rules: StrokeRules,
) -> Planned:
    """Rests and the holder's own motions put between the runs; ``stroke`` (r,) owns each run of ``ticks``."""
    pen = rules.pen
    ends = np.cumsum(ticks)
    begin_direction, end_direction = tangents[ends - ticks], tangents[ends - 1]
    inner = np.zeros(len(ticks), dtype=np.bool_)  # runs that another run of the same stroke follows
    inner[:-1] = stroke[1:] == stroke[:-1]
    following = np.concatenate([begin_direction[1:], begin_direction[-1:]])
    sides = [np.where(np.abs(one) > _SIDE, np.sign(one), 0.0) for one in (end_direction, following)]
    turns_round = inner & np.any(sides[0] * sides[1] < 0.0, axis=1)
    rest = np.where(turns_round, rules.crossing_ticks, 0)
    lead_end, lead_begin = pen.lead_mm(end_direction), pen.lead_mm(begin_direction)
    angle = np.arccos(np.clip(np.einsum("ij,ij->i", end_direction, following), -1.0, 1.0))
    around = np.where(inner, angle * float(np.abs(pen.lean_mm).max()), 0.0)
    limits = (rules.acceleration_mm_s2, rules.jerk_mm_s3, rules.tick_s)
    turn = step_ticks(around, *limits)
    opens = np.ones(len(ticks), dtype=np.bool_)
    opens[1:] = ~inner[:-1]
    first_mm = np.tile(-pen.landing_mm, (number, 1))
    glide_mm = lead_begin + pen.landing_mm
    glide = np.where(opens, step_ticks(np.hypot(*glide_mm.T), *limits), 0)

    whole = glide + ticks + rest + turn
    stops = np.cumsum(whole)
    starts = stops - whole
    out = np.empty((int(stops[-1]) if len(stops) else 0, 2))
    place = np.arange(len(positions)) + np.repeat(starts + glide - (ends - ticks), ticks)
    owner = np.repeat(stroke, ticks)
    out[place] = positions - before[owner] + pen.lead_mm(tangents)
    end_mm = positions[ends - 1] - before[stroke]
    if glide.any():
        run, share = _shares(glide)
        out[_places(starts, glide)] = step(share)[:, None] * glide_mm[run] - pen.landing_mm
    if rest.any():
        run, _ = _shares(rest)
        out[_places(starts + glide + ticks, rest)] = (end_mm + lead_end)[run]
    if turn.any():
        run, share = _shares(turn)
        turning = turned(end_direction[run], following[run], step(share))
        out[_places(stops - turn, turn)] = end_mm[run] + pen.lead_mm(turning)

    total = np.bincount(stroke, weights=whole, minlength=number).astype(np.int64)
    heading = np.zeros((number, 2))
    heading[stroke[opens]] = begin_direction[opens]
    last_mm = np.zeros((number, 2))
    closes = ~inner
    last_mm[stroke[closes]] = (end_mm + lead_end)[closes] - first_mm[stroke[closes]]
    out += pen.landing_mm
    # A shape ends where it says that it ends, to the last bit.
    out[np.cumsum(total)[total > 0] - 1] = last_mm[total > 0]
    return Planned(out, total, first_mm, last_mm, heading)


def _shares(ticks: Index) -> tuple[Index, Vector]:
    """For every tick of stretches of so many ``ticks``: which stretch, and the share of it at the tick's end."""
    owner = np.repeat(np.arange(len(ticks)), ticks)
    number = np.arange(1, len(owner) + 1) - np.repeat(np.cumsum(ticks) - ticks, ticks)
    return owner, number / ticks[owner]


def _places(starts: Index, ticks: Index) -> Index:
    """Indices of stretches of ``ticks`` that begin at ``starts``, one after another."""
    places: Index = np.arange(int(ticks.sum())) + np.repeat(starts - (np.cumsum(ticks) - ticks), ticks)
    return places


def first_directions(away_mm: Vector, counts: Index, significant_mm: npt.ArrayLike) -> npt.NDArray[np.int8]:
    """By stroke and axis (S, 2) the sign of the first significant displacement; 0 = never.

    away_mm: (k, 2) displacements from each stroke's start, in order of time, ``counts`` (S,) of them for each.
    """
    threshold = np.broadcast_to(np.asarray(significant_mm, dtype=np.float64), (2,))
    ends = np.cumsum(counts)
    signs = np.zeros((len(counts), 2), dtype=np.int8)
    for axis in range(2):
        hit = np.flatnonzero(np.abs(away_mm[:, axis]) > threshold[axis])
        owner = np.searchsorted(ends, hit, side="right")
        stroke, first = np.unique(owner, return_index=True)
        signs[stroke, axis] = np.sign(away_mm[hit[first], axis])
    return signs
