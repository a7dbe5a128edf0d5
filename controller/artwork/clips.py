"""Clip paths: ``clipPath`` elements to areas in canvas mm (CSS Masking 1, 5).

Owns what of a clip path counts, in which units, and how clips cut each other. Works for a ``Walker``, whose list of
clips it fills. What cannot be cut truly is left out and reported, for painted whole it would go beyond its edge.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from controller.artwork import shapes
from controller.artwork.document import children, local_name, reference
from controller.artwork.flatten import SegmentTable
from controller.artwork.limits import TooMuchError
from controller.artwork.look import Found, Look, hindrance, inherit, read_url
from controller.artwork.model import Clip, ClipPath
from controller.artwork.rows import made_name
from controller.artwork.sheet import ROOT
from controller.artwork.units import (
    Matrix,
    SyntaxMistake,
    Viewport,
    compose,
    read_length,
    read_transform,
)
from controller.artwork.walk import BoxClip, Place, Walker

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

_WITHOUT_USER_UNITS = Viewport(1.0, 1.0)


class _LeftOutError(Exception):
    """A clip that cannot be worked out: why."""


class ClipMaker:
    """Works out clips for one walk."""

    def __init__(self, walker: Walker, tolerance_mm: float) -> None:
        self._walker = walker
        self._tolerance = tolerance_mm
        self._known: dict[tuple[int, Matrix, Viewport, int], int] = {}
        self._active: list[int] = []
        self._vertices = 0
        walker.clip_of = self.row

    def row(self, target: Element, name: str, matrix: Matrix, viewport: Viewport, within: int) -> int | None:
        """The row of the clip that ``target`` makes of an element with this matrix, itself cut by ``within``.

        None where the element must be left out, which is reported under ``name``. Raises SyntaxMistake.
        """
        try:
            return self._row(target, name, matrix, viewport, within)
        except _LeftOutError as error:
            self._walker.reports.skip(
                name, "clip-path", f"{error}; painted whole it would go beyond its edge"
            )
            return None

    def _row(self, target: Element, name: str, matrix: Matrix, viewport: Viewport, within: int) -> int:
        if id(target) in self._active:
            raise SyntaxMistake("a clipPath that is not cut by itself", repr(target.get("id", "")[:80]))
        if len(self._active) >= self._walker.limits.depth:
            raise TooMuchError("clip paths that cut each other", self._walker.limits.depth)
        self._active.append(id(target))
        try:
            place, found = self._definition(target)
            if reason := hindrance(found):
                raise _LeftOutError(f"its clipPath: {reason[1]}")
            within = self._outer(found, name, matrix, viewport, within)
            if target.get("clipPathUnits", "userSpaceOnUse").strip() == "objectBoundingBox":
                row = self._walker.add_clip(Clip((), within))
                first = len(self._walker.tables)
                self._walker.box_clips.append(BoxClip(row, target, name, matrix, within, first))
                return row
            key = (id(target), matrix, viewport, within)
            if key not in self._known:
                paths = self._paths(target, place, matrix, viewport)
                self._known[key] = self._walker.add_clip(Clip(paths, within))
            return self._known[key]
        finally:
            self._active.pop()

    def in_box(self, clip: BoxClip, box: tuple[float, float, float, float] | None) -> None:
        """Work out a clip in units of a bounding box (x, y, width, height; None: nothing there)."""
        try:
            place, _ = self._definition(clip.element)
            paths: tuple[ClipPath, ...] = ()
            if box is not None and box[2] > 0 and box[3] > 0:
                matrix = compose(clip.matrix, read_transform(clip.element.get("transform", "")))
                matrix = compose(matrix, (box[2], 0.0, 0.0, box[3], box[0], box[1]))
                paths = self._paths(clip.element, place, matrix, _WITHOUT_USER_UNITS, moved=True)
        except _LeftOutError as error:
            self._walker.reports.skip(clip.name, "clip-path", f"{error}; nothing of it is painted")
        except SyntaxMistake as error:
            self._walker.reports.mistake(f"{clip.name} (clip-path)", error.expected, error.got)
        else:
            self._walker.clips[clip.row] = Clip(paths, clip.within)

    def _definition(self, target: Element) -> tuple[Place, Found]:
        """What ``target`` inherits from where it is defined, and its own properties."""
        walker = self._walker
        look, reach = Look(), ROOT
        found = Found({}, frozenset())
        for element in (*walker.index.ancestors.get(id(target), ()), target):
            found, reach = walker.properties(element, local_name(element.tag) or "", reach)
            look, _ = inherit(look, found, _WITHOUT_USER_UNITS)
        return Place("", (1.0, 0.0, 0.0, 1.0, 0.0, 0.0), _WITHOUT_USER_UNITS, look, reach), found

    def _outer(self, found: Found, name: str, matrix: Matrix, viewport: Viewport, within: int) -> int:
        """The row of the clip that a clip path's own ``clip-path`` makes, else ``within``."""
        text = found.values.get("clip-path", "none")
        if text.lower() in ("none", ""):
            return within
        url = read_url(text)
        target = self._walker.index.refer(url[0]) if url and not url[1] else None
        if target is None or local_name(target.tag) != "clipPath":
            raise _LeftOutError("its clip is cut by something that is no clipPath of this drawing")
        return self._row(target, name, matrix, viewport, within)

    def _paths(
        self, target: Element, place: Place, matrix: Matrix, viewport: Viewport, moved: bool = False
    ) -> tuple[ClipPath, ...]:
        if not moved:
            matrix = compose(matrix, read_transform(target.get("transform", "")))
        found: list[ClipPath] = []
        for child, tag, number in children(target):
            if tag in ("title", "desc", "metadata", "animate", "set", "animateTransform"):
                continue
            name = made_name(child.get("id"), target.get("id", "clipPath"), tag, number)
            self._child(child, tag, name, Place(name, matrix, viewport, place.look, place.reach), found)
        return tuple(found)

    def _child(
        self, child: Element, tag: str, name: str, place: Place, out: list[ClipPath], used: bool = False
    ) -> None:
        """Add what one child of a clip path lets through."""
        walker = self._walker
        walker.count_one(child)
        if tag not in shapes.DRAWN and (tag != "use" or used):
            raise _LeftOutError(f"its clipPath has a {tag[:40]} in it")
        found, _ = walker.properties(child, tag, place.reach)
        if found.values.get("display", "").lower() == "none":
            return
        if (reason := hindrance(found)) and reason[0] != "opacity":
            raise _LeftOutError(f"in its clipPath, {name}: {reason[1]}")
        matrix = compose(place.matrix, read_transform(child.get("transform", "")))
        look, _ = inherit(place.look, found, place.viewport)
        within = self._outer(found, name, matrix, place.viewport, -1)
        if within >= 0 and any(box.row == within for box in walker.box_clips):
            raise _LeftOutError(f"in its clipPath, {name} is cut in units of its own bounding box")
        if tag == "use":
            target = walker.index.refer(reference(child) or "")
            if target is None:
                raise _LeftOutError(f"in its clipPath, {name} refers to nothing in this drawing")
            x, y = (read_length(child.get(axis, "0"), place.viewport.along(axis)) for axis in ("x", "y"))
            inner = Place(name, compose(matrix, (1.0, 0.0, 0.0, 1.0, x, y)), place.viewport, look, ROOT)
            first = len(out)
            self._child(target, local_name(target.tag) or "", name, inner, out, used=True)
            if within >= 0:
                self._cut_again(out, first, within)
            return
        if not look.visible:
            return
        table = SegmentTable()
        table.begin(0, matrix)
        shapes.draw(walker.attributes(child, found), tag, place.viewport, table)
        lines = table.flatten(self._tolerance, walker.limits.vertices - self._vertices)
        self._vertices += len(lines.points)
        out.append(ClipPath(lines.points, lines.offsets, look.clip_rule, within))

    def _cut_again(self, out: list[ClipPath], first: int, within: int) -> None:
        """Let what a ``use`` in a clip path repeats be cut by the use's own clip as well."""
        for place in range(first, len(out)):
            path = out[place]
            if path.clip >= 0:
                row = self._walker.add_clip(
                    Clip((ClipPath(path.points_mm, path.offsets, path.rule, path.clip),), within)
                )
                # The same shape, cut by itself cut by both: the area that all three share.
                out[place] = ClipPath(path.points_mm, path.offsets, path.rule, row)
            else:
                out[place] = ClipPath(path.points_mm, path.offsets, path.rule, within)


def frame_path(matrix: Matrix, box: tuple[float, float, float, float]) -> ClipPath:
    """The edge of a viewport (x, y, width, height under ``matrix``) as a path."""
    x, y, width, height = box
    a, b, c, d, e, f = matrix
    corners = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y)])
    points = corners @ np.array([[a, b], [c, d]]) + (e, f)
    return ClipPath(points, np.array([0, 5], dtype=np.int64), 0)
