"""A session's figures stroke by stroke, and along each stroke: largest errors, and where on the path they were.

Owns the way from ticks to places on strokes. A tick's place is its share of the expected way within its stroke's
segment, laid on the stroke's own length: right to a few ticks (lean, play and belt stretch the motors' way a little).
Knows no picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.motion.schedule import SegmentKind
from controller.report.frames import Frame
from controller.report.passdata import PassData
from controller.report.runticks import RunTicks

WHOLE_SHARE = 0.9
"""A segment in which at least this share of a stroke's length was walked is laid on the whole stroke."""

Vector = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

STROKE_DTYPE = np.dtype(
    [
        ("run", "<i4"),
        ("pass_id", "<i4"),
        ("stroke", "<i4"),
        ("at_ns", "<i8"),
        ("ticks", "<i8"),
        ("seconds", "<f8"),
        ("lateness_max_us", "<f8"),
        ("timing_error_ms", "<f8"),
        ("following_max_mm", "<f8"),
        ("contour_max_mm", "<f8"),
    ]
)


def stroke_table(segments: npt.NDArray[np.void]) -> npt.NDArray[np.void]:
    """(s,) STROKE_DTYPE from a segment table: one row for each time that a stroke was painted, in order of time."""
    mine = segments[(segments["kind"] == "stroke") & (segments["stroke"] >= 0) & (segments["pass_id"] >= 0)]
    table = np.zeros(len(mine), dtype=STROKE_DTYPE)
    for name in (
        "run",
        "pass_id",
        "stroke",
        "at_ns",
        "ticks",
        "timing_error_ms",
        "following_max_mm",
        "contour_max_mm",
    ):
        table[name] = mine[name]
    table["seconds"] = mine["planned_ms"] * 1e-3
    table["lateness_max_us"] = mine["max_us"]
    return table


@dataclass(frozen=True, slots=True)
class Pieces:
    """Strokes in pieces, with the largest error of each.

    part: (m,) place of the pass among the session's; stroke: (m,) its stroke; low_mm, high_mm: (m,) of the stroke's
    length; following_mm, contour_mm: (m,), not-a-number where the drives said nothing. Pieces of one stroke stand
    together, in order.
    """

    part: Index
    stroke: Index
    low_mm: Vector
    high_mm: Vector
    following_mm: Vector
    contour_mm: Vector


def pieces_of(passes: Sequence[PassData], ticks: Sequence[RunTicks], piece_mm: float) -> Pieces:
    """The strokes of a session in pieces of at most ``piece_mm``, as far as logs and strokes are there."""
    found: list[npt.NDArray[np.float64]] = []
    for place, part in enumerate(passes):
        if part.strokes is None:
            continue
        lengths = part.strokes.lengths_mm()
        found += [
            np.column_stack([np.full(len(rows), float(place)), rows])
            for one in ticks
            if one.run.id in part.runs
            for rows in _run_pieces(one, part, lengths, piece_mm)
        ]
    whole = np.concatenate([np.zeros((0, 6)), *found])
    return Pieces(
        whole[:, 0].astype(np.int64),
        whole[:, 1].astype(np.int64),
        whole[:, 2],
        whole[:, 3],
        whole[:, 4],
        whole[:, 5],
    )


def _run_pieces(one: RunTicks, part: PassData, lengths: Vector, piece_mm: float) -> list[Vector]:
    """(m, 5) each: stroke, low_mm, high_mm, following_mm, contour_mm; by task, as each has its own schedule."""
    found: list[Vector] = []
    for task in np.unique(one.task).tolist():
        plan = one.plans.get(task)
        segments, from_mm = (part.segments, 0.0) if plan is None else (plan.segments, plan.from_mm)
        if segments is None or not len(segments):
            continue
        known = (one.segment >= 0) & (one.segment < len(segments)) & (one.task == task)
        number = np.where(known, one.segment, 0)
        stroke = segments["stroke"][number]
        # Strokes that the pass does not have any more are laid on nothing.
        known &= (segments["kind"][number] == SegmentKind.STROKE) & (stroke >= 0) & (stroke < len(lengths))
        chosen = np.flatnonzero(known)
        if len(chosen):
            found.append(_pieces(one, chosen, stroke[chosen], lengths, from_mm, piece_mm))
    return found


def _pieces(
    one: RunTicks,
    chosen: Index,
    stroke: npt.NDArray[np.int32],
    lengths: Vector,
    from_mm: float,
    piece_mm: float,
) -> Vector:
    segment = one.segment[chosen]
    begins = np.flatnonzero((np.diff(segment, prepend=-1) != 0) | (np.diff(chosen, prepend=-2) != 1))
    counts = np.diff(np.append(begins, len(chosen)))
    owner = stroke[begins]
    way = np.nan_to_num(one.way_mm[chosen])
    walked = np.cumsum(way)
    walked -= np.repeat(walked[begins] - way[begins], counts)
    total = walked[begins + counts - 1]
    length = np.maximum(lengths[owner] - from_mm, 1e-9)
    whole = total >= WHOLE_SHARE * length
    scale = np.where(whole, length / np.maximum(total, 1e-9), 1.0)
    along = np.minimum(walked * np.repeat(scale, counts), np.repeat(length, counts))
    pieces = np.maximum(np.ceil(length / piece_mm), 1.0)
    size = length / pieces
    number = np.minimum(np.floor(along / np.repeat(size, counts)), np.repeat(pieces - 1.0, counts))
    group = np.repeat(np.arange(len(begins)), counts)
    starts = np.flatnonzero((np.diff(group, prepend=-1) != 0) | (np.diff(number, prepend=-1.0) != 0))
    mine, at = group[starts], number[starts]
    # A fast piece may pass between two ticks: a row reaches to where the next one of its stroke begins.
    last = np.append(mine[1:] != mine[:-1], True)
    high = np.where(last, np.where(whole[mine], pieces[mine], at + 1.0), np.append(at[1:], 0.0))
    following = np.fmax.reduceat(np.hypot(*one.error_mm[chosen].T), starts)
    contour = np.fmax.reduceat(one.contour_mm[chosen], starts)
    return np.column_stack(
        [owner[mine], from_mm + at * size[mine], from_mm + high * size[mine], following, contour]
    )


def strokes_frame(table: npt.NDArray[np.void], passes: Sequence[PassData], zero_ns: int) -> Frame:
    """The table of strokes with names and lengths."""
    by_id = {part.row.id: part for part in passes}
    names = [by_id[number].row.name if number in by_id else "" for number in table["pass_id"].tolist()]
    lengths, elements = np.full(len(table), np.nan), np.full(len(table), "", dtype=object)
    for number in np.unique(table["pass_id"]).tolist():
        strokes = by_id[number].strokes if number in by_id else None
        if strokes is None:
            continue
        mine = np.flatnonzero((table["pass_id"] == number) & (table["stroke"] < len(strokes)))
        chosen = table["stroke"][mine]
        lengths[mine] = strokes.lengths_mm()[chosen]
        elements[mine] = np.array(strokes.element_ids, dtype=object)[strokes.element[chosen]]
    return Frame(
        "strokes",
        {
            "run": table["run"],
            "pass": np.array(names, dtype=np.str_),
            "stroke": table["stroke"],
            "element": elements.astype(np.str_),
            "start_s": (table["at_ns"] - zero_ns) * 1e-9,
            "planned_s": table["seconds"],
            "length_mm": lengths,
            "ticks": table["ticks"],
            "lateness_max_us": table["lateness_max_us"],
            "timing_error_ms": table["timing_error_ms"],
            "following_error_max_mm": table["following_max_mm"],
            "contour_error_max_mm": table["contour_max_mm"],
        },
    )
