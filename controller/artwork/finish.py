"""From a finished walk to a ``Drawing``: curves flattened, clips and patterns in bounding boxes worked out.

Owns what needs finished outlines, and the weeding out of rows that draw nothing and of clips that cut nothing. Knows
no XML beyond handing elements on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from controller.artwork.clips import ClipMaker, frame_path
from controller.artwork.flatten import Polylines
from controller.artwork.limits import TooMuchError
from controller.artwork.model import Clip, Drawing, Screen
from controller.artwork.screens import Box, NoScreenError, needs_box, read_screen
from controller.artwork.units import Matrix, SyntaxMistake
from controller.artwork.walk import Frame, PatternFill, Walker

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

BOXED_MAX = 10
"""Vertices looked at for bounding boxes, as a multiple of the limit on vertices: groups in groups repeat them."""


@dataclass(slots=True)
class _Shapes:
    """Rows with their outlines."""

    rows: npt.NDArray[np.void]
    lines: Polylines
    first: Indices  # (S + 1,): outlines of row s are first[s]:first[s + 1]

    def outlines(self, rows: Indices) -> Indices:
        """The outlines of the given rows."""
        return _ranges(self.first[rows], self.first[rows + 1])

    def points(self, rows: Indices) -> Indices:
        """The vertices of the given rows, all in their order."""
        outlines = self.outlines(rows)
        return _ranges(self.lines.offsets[outlines], self.lines.offsets[outlines + 1])

    def counts(self, rows: Indices) -> Indices:
        """How many vertices each of the given rows has."""
        counts: Indices = self.lines.offsets[self.first[rows + 1]] - self.lines.offsets[self.first[rows]]
        return counts


def _ranges(first: Indices, last: Indices) -> Indices:
    """All of first[i]:last[i], one after another."""
    counts = last - first
    total = int(counts.sum())
    ends = np.cumsum(counts)
    places: Indices = np.arange(total) - np.repeat(ends - counts, counts) + np.repeat(first, counts)
    return places


def _inverse(matrix: Matrix) -> tuple[Floats, Floats] | None:
    """The map from mm back to user units as (L, e): user = L (mm - e); None where there is none."""
    a, b, c, d, e, f = matrix
    linear = np.array([[a, c], [b, d]])
    if not np.isfinite([*matrix]).all():
        return None
    with np.errstate(all="ignore"):
        determinant = a * d - b * c
        if determinant == 0 or not np.isfinite(determinant):
            return None
        back = np.array([[d, -c], [-b, a]]) / determinant
    return (back, np.array([e, f])) if np.isfinite(back).all() and linear.any() else None


def finish(walker: Walker, maker: ClipMaker, size_mm: tuple[float, float], tolerance_mm: float) -> Drawing:
    """The drawing that a walk has collected. Raises TooMuchError."""
    limits, tables, reports = walker.limits, walker.tables, walker.reports
    lines = tables.segments.flatten(tolerance_mm, limits.vertices)
    rows = tables.shapes()
    for row in np.unique(lines.vanished):
        name = tables.element_ids[rows["element"][row]]
        reports.skip(name, "outline", "an outline without length; for a dot draw a circle", "unseen")
    first = np.searchsorted(lines.element, np.arange(len(rows) + 1))
    shapes = _Shapes(rows, lines, first)
    budget = [BOXED_MAX * limits.vertices]
    for box_clip in walker.box_clips:
        box = _box(
            shapes, np.arange(box_clip.first, max(box_clip.last, box_clip.first)), box_clip.matrix, budget
        )
        maker.in_box(box_clip, box)
    screens = _screens(walker, shapes, budget)
    _frames(walker, shapes)
    _check_dashes(walker, shapes)
    walker.report_unused()
    drawn = (np.diff(first) > 0) | ~np.isnan(rows["dot_mm"])
    drawn &= (rows["fill"] >= 0) | (rows["stroke"] >= 0) | rows["bare"]
    return _drawing(walker, shapes, np.flatnonzero(drawn), screens, size_mm, tolerance_mm)


def _box(shapes: _Shapes, rows: Indices, matrix: Matrix, budget: list[int]) -> Box | None:
    """Bounding box (x, y, width, height) of rows in the user units of ``matrix``; None where there is none."""
    inverse = _inverse(matrix)
    if inverse is None or not len(rows):
        return None
    back, origin = inverse
    points = shapes.points(rows)
    budget[0] -= len(points) + len(rows)
    if budget[0] < 0:
        raise TooMuchError("vertices in bounding boxes in each other", BOXED_MAX * len(shapes.lines.points))
    user = (shapes.lines.points[points] - origin) @ back.T
    dots = shapes.rows[rows]
    dots = dots[~np.isnan(dots["dot_mm"])]
    centre = (np.column_stack([dots["dot_x"], dots["dot_y"]]) - origin) @ back.T
    reach = dots["dot_mm"][:, None] / 2.0 * np.hypot(back[:, 0], back[:, 1])
    corners = np.concatenate([user, centre - reach, centre + reach])
    if not len(corners):
        return None
    low, high = corners.min(axis=0).tolist(), corners.max(axis=0).tolist()
    return low[0], low[1], high[0] - low[0], high[1] - low[1]


def _screens(walker: Walker, shapes: _Shapes, budget: list[int]) -> list[Screen]:
    """Work out the patterns: ``fill`` and ``pattern`` of their rows, and the screens."""
    screens: list[Screen] = []
    known: dict[tuple[int, Matrix, Box | None], tuple[int, int] | str] = {}
    for fill in walker.patterns:
        try:
            box = None
            if needs_box(walker, fill):
                box = _box(shapes, np.array([fill.row]), fill.matrix, budget)
            key = (id(fill.element), fill.matrix, box)
            found = known.get(key)
            if found is None:
                found = known[key] = _screen(walker, fill, box, screens)
        except NoScreenError as error:
            found = str(error)
        except SyntaxMistake as error:
            walker.reports.mistake(f"{fill.name} (pattern)", error.expected, error.got)
            continue
        if isinstance(found, str):
            walker.reports.skip(fill.name, "fill", found)
        else:
            shapes.rows["fill"][fill.row], shapes.rows["pattern"][fill.row] = found
    return screens


def _screen(
    walker: Walker, fill: PatternFill, box: Box | None, screens: list[Screen]
) -> tuple[int, int] | str:
    try:
        screen, colour = read_screen(walker, fill, box)
    except NoScreenError as error:
        return str(error)
    number = walker.tables.colour(colour)
    screens.append(replace(screen, colour=number))
    return number, len(screens) - 1


def _frames(walker: Walker, shapes: _Shapes) -> None:
    """Take shapes and clips that lie inside their viewport out of its clip; of those that remain, make areas.

    Judged by outlines and round shapes, not by how far a stroke's width reaches beyond the edge.
    """
    clip = shapes.rows["clip"]
    order = np.argsort(clip, kind="stable")
    starts = np.searchsorted(clip[order], np.arange(len(walker.clips) + 1))
    waiting: dict[int, list[Indices]] = {
        row: [order[starts[row] : starts[row + 1]]] for row in walker.frames if starts[row] < starts[row + 1]
    }
    for row in sorted(walker.frames, reverse=True):
        frame = walker.frames[row]
        within = walker.clips[row].within
        walker.clips[row] = Clip((frame_path(frame.matrix, frame.box),), within, frame=True)
        if row not in waiting:
            continue
        rows = np.concatenate(waiting[row])
        inside = rows[_inside(shapes, rows, frame.matrix, frame.box)]
        clip[inside] = within
        if within in walker.frames and len(inside):
            waiting.setdefault(within, []).append(inside)
    for row, real in enumerate(walker.clips):
        within = real.within
        if real.frame or not real.paths or within not in walker.frames:
            continue
        points = np.concatenate([path.points_mm for path in real.paths])
        while within in walker.frames and _points_inside(points, walker.frames[within]):
            within = walker.clips[within].within
        walker.clips[row] = replace(real, within=within)


def _points_inside(points: Floats, frame: Frame) -> bool:
    inverse = _inverse(frame.matrix)
    if inverse is None:
        return False
    back, origin = inverse
    x, y, width, height = frame.box
    margin = 1e-6 * max(width, height)
    user = (points - origin) @ back.T - (x, y)
    return bool((user >= -margin).all() and (user <= np.array([width, height]) + margin).all())


def _inside(shapes: _Shapes, rows: Indices, matrix: Matrix, box: Box) -> npt.NDArray[np.bool_]:
    """Which of the rows lie within the box."""
    inverse = _inverse(matrix)
    if inverse is None:
        return np.zeros(len(rows), dtype=bool)
    back, origin = inverse
    x, y, width, height = box
    low, high = np.array([x, y]), np.array([x + width, y + height])
    margin = 1e-6 * max(width, height)
    user = (shapes.lines.points[shapes.points(rows)] - origin) @ back.T
    out = ((user < low - margin) | (user > high + margin)).any(axis=1)
    which = np.repeat(np.arange(len(rows)), shapes.counts(rows))
    inside: npt.NDArray[np.bool_] = np.bincount(which[out], minlength=len(rows)) == 0
    dots = shapes.rows[rows]
    centre = (np.column_stack([dots["dot_x"], dots["dot_y"]]) - origin) @ back.T
    reach = dots["dot_mm"][:, None] / 2.0 * np.hypot(back[:, 0], back[:, 1])
    # A comparison with nan is False: rows without a dot stay inside.
    inside &= ~((centre - reach < low - margin) | (centre + reach > high + margin)).any(axis=1)
    return inside


def _check_dashes(walker: Walker, shapes: _Shapes) -> None:
    """Refuse dashes too many to paint before anybody cuts lines into them. Raises TooMuchError."""
    rows = np.flatnonzero(shapes.rows["dash"] >= 0)
    if not len(rows):
        return
    patterns = list(walker.tables.dashes)
    period = np.array([sum(one[1:]) for one in patterns])
    dashes = np.array([len(one) // 2 for one in patterns])
    which = shapes.points(rows)
    owner = np.repeat(np.arange(len(rows)), shapes.counts(rows))
    step = np.hypot(
        *np.diff(shapes.lines.points[which], axis=0).T
    )  # jumps between outlines count: an upper bound
    length = np.bincount(owner[1:], weights=step, minlength=len(rows))
    dash = shapes.rows["dash"][rows]
    if (length / period[dash] * dashes[dash]).sum() > walker.limits.dashes:
        raise TooMuchError("dashes along all lines", walker.limits.dashes)


def _kept_clips(clips: list[Clip], used: list[int]) -> tuple[list[Clip], dict[int, int]]:
    """The clips that are used, by themselves or by others, each after those it names; and their new rows."""
    rows: dict[int, int] = {-1: -1}
    kept: list[Clip] = []
    for start in used:
        stack = [start]
        while stack:
            row = stack[-1]
            if row in rows:
                stack.pop()
                continue
            clip = clips[row]
            needs = [one for one in (clip.within, *(path.clip for path in clip.paths)) if one not in rows]
            if needs:
                stack.extend(needs)
                continue
            paths = tuple(replace(path, clip=rows[path.clip]) for path in clip.paths)
            rows[row] = len(kept)
            kept.append(replace(clip, paths=paths, within=rows[clip.within]))
            stack.pop()
    return kept, rows


def _drawing(
    walker: Walker,
    shapes: _Shapes,
    kept: Indices,
    screens: list[Screen],
    size_mm: tuple[float, float],
    tolerance_mm: float,
) -> Drawing:
    tables, lines = walker.tables, shapes.lines
    rows = shapes.rows[kept]
    names = tables.element_ids
    if len(kept) < len(shapes.rows):
        names = [names[element] for element in rows["element"]]
        rows["element"] = np.arange(len(kept))
        outlines, points = shapes.outlines(kept), shapes.points(kept)
        counts = np.diff(lines.offsets)[outlines]
        offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        owner = np.repeat(np.arange(len(kept)), np.diff(shapes.first)[kept]).astype(np.int32)
        lines = Polylines(lines.points[points], offsets, lines.closed[outlines], owner, lines.vanished)
    clips, numbers = _kept_clips(walker.clips, np.unique(rows["clip"]).tolist())
    if len(rows):
        used, back = np.unique(rows["clip"], return_inverse=True)
        rows["clip"] = np.array([numbers[int(one)] for one in used])[back]
    return Drawing(
        points_mm=lines.points,
        offsets=lines.offsets,
        closed=lines.closed,
        shape=lines.element,
        shapes=rows,
        colours=tuple(tables.colours),
        element_ids=tuple(names),
        layers=tuple(tables.layers),
        group_ids=tuple(walker.index.group_ids),
        dashes=tuple(tables.dashes),
        clips=tuple(clips),
        screens=tuple(screens),
        skipped=walker.reports.all(),
        size_mm=size_mm,
        tolerance_mm=tolerance_mm,
    )
