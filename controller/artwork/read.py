"""SVG files to ink shapes in canvas mm.

Owns the walk over the document: which element belongs to which ink, what it looks like, and what is left out and
why. Nothing is dropped in silence: what cannot be painted is in ``Artwork.skipped``, what cannot be read is an
``InputError`` naming the element. Knows no pens and no machine. ``docs/artwork.md`` says what a drawing may contain.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import ParseError, fromstring

from controller.artwork import shapes
from controller.artwork.flatten import SegmentTable
from controller.artwork.look import Look, Paint, hindrance, inherit, properties
from controller.artwork.model import Artwork, InkShapes, Skipped
from controller.artwork.units import (
    MM_PER_PX,
    Matrix,
    SyntaxMistake,
    Viewport,
    apply,
    compose,
    fit_view_box,
    read_length,
    read_transform,
    read_view_box,
    stretches,
)
from controller.config.errors import InputError, Mistake
from controller.config.job import Job

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

SVG_NAMESPACE = "{http://www.w3.org/2000/svg}"
DEEPEST: Final = 200
ROUND_WITHIN: Final = 1e-6  # two radii that differ by less than this share are one

_SILENT = frozenset({"title", "desc", "metadata"})
_GROUPS = frozenset({"g", "a", "svg"})
_WHY_NOT = {
    "text": "letters are not outlined here; turn them into paths in the drawing",
    "image": "pictures are not painted",
    "use": "references are not followed; put the shape itself in the drawing",
    "symbol": "symbols are not painted",
    "switch": "conditional content is not painted",
    "foreignObject": "foreign content is not painted",
    "style": "style sheets are not applied; use attributes or style on the elements",
    "script": "scripts are not run",
    "linearGradient": "gradients are not painted",
    "radialGradient": "gradients are not painted",
    "pattern": "patterns are not painted",
    "clipPath": "clipping is not done",
    "mask": "masking is not done",
    "filter": "filters are not applied",
    "marker": "markers are not painted",
}


@dataclass(slots=True)
class _InkCollector:
    """Shapes of one ink while the document is walked: numbers in flat buffers, one string an element."""

    table: SegmentTable = field(default_factory=SegmentTable)
    dots: array[float] = field(default_factory=lambda: array("d"))
    dot_element: array[int] = field(default_factory=lambda: array("i"))
    element_ids: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Place:
    """What an element inherits from where it stands."""

    path: str
    matrix: Matrix
    viewport: Viewport
    look: Look
    ink: str | None
    hidden: bool  # inside something that is not painted by itself, such as defs
    depth: int


class _Reader:
    def __init__(self, job: Job, file: Path) -> None:
        self.file = file
        self.ink_of_group = {ink.group: ink.name for ink in job.inks}
        self.inks = {ink.name: _InkCollector() for ink in job.inks}
        self.skipped: list[Skipped] = []
        self.mistakes: list[Mistake] = []
        self.groups: dict[str, int] = {}

    def skip(self, element_id: str, what: str, why: str) -> None:
        self.skipped.append(Skipped(element_id, what, why))

    def mistake(self, where: str, expected: str, got: str) -> None:
        self.mistakes.append(Mistake(self.file, where, expected, got))

    def walk_children(self, parent: Element, place: _Place) -> None:
        if place.depth > DEEPEST:
            self.mistake(place.path, f"elements nested up to {DEEPEST} deep", "deeper ones")
            return
        seen: dict[str, int] = {}
        for child in parent:
            tag = _local_name(child.tag)
            if tag is None:
                continue  # another vocabulary's element: by the standard it draws nothing
            seen[tag] = seen.get(tag, 0) + 1
            name = child.get("id") or f"{place.path}/{tag}[{seen[tag]}]".lstrip("/")
            self.element(child, tag, name, place)

    def element(self, element: Element, tag: str, name: str, place: _Place) -> None:
        if tag in _SILENT:
            return
        if tag == "defs":
            hidden = _Place(name, place.matrix, place.viewport, place.look, None, True, place.depth + 1)
            self.walk_children(element, hidden)
            return
        if tag in _WHY_NOT:
            self.skip(name, tag, _WHY_NOT[tag])
            return
        if tag not in _GROUPS and tag not in shapes.DRAWN:
            self.skip(name, tag, "not an element that is painted")
            return
        if place.hidden:
            self.skip(name, tag, "inside defs: drawn only where something refers to it")
            return
        found, styled = properties(element.attrib)
        if reason := hindrance(found, styled):
            self.note_groups(element)
            self.skip(name, reason[0], reason[1])
            return
        try:
            matrix = place.matrix
            if "transform" in element.attrib:
                matrix = compose(matrix, read_transform(element.attrib["transform"]))
        except SyntaxMistake as error:
            self.mistake(f"{name} attribute transform", error.expected, error.got)
            return
        look = inherit(place.look, found)
        if tag in _GROUPS:
            self.group(element, tag, name, place, matrix, look)
        else:
            self.shape(element, tag, name, place, matrix, look)

    def note_groups(self, element: Element) -> None:
        """Count the ids of groups in something left out, so that an ink's hidden group is not called missing."""
        for inner in element.iter():
            if _local_name(inner.tag) in _GROUPS and inner.get("id"):
                self.count_group(str(inner.get("id")))

    def count_group(self, group_id: str) -> None:
        self.groups[group_id] = self.groups.get(group_id, 0) + 1

    def group(self, element: Element, tag: str, name: str, place: _Place, matrix: Matrix, look: Look) -> None:
        ink, viewport = place.ink, place.viewport
        if group_id := element.get("id"):
            self.count_group(group_id)
            ink = self.ink_of_group.get(group_id, ink)
        if tag == "svg":
            try:
                inner, viewport = self.inner_viewport(element, viewport)
            except SyntaxMistake as error:
                self.mistake(f"{name} (nested svg)", error.expected, error.got)
                return
            matrix = compose(matrix, inner)
        self.walk_children(element, _Place(name, matrix, viewport, look, ink, False, place.depth + 1))

    def inner_viewport(self, element: Element, outer: Viewport) -> tuple[Matrix, Viewport]:
        x = read_length(element.get("x", "0"), outer.along("x"))
        y = read_length(element.get("y", "0"), outer.along("y"))
        width = read_length(element.get("width", "100%"), outer.along("x"))
        height = read_length(element.get("height", "100%"), outer.along("y"))
        if width <= 0 or height <= 0:
            raise SyntaxMistake("a width and height above zero", f"{width:g} and {height:g}")
        if (text := element.get("viewBox")) is None:
            return (1.0, 0.0, 0.0, 1.0, x, y), Viewport(width, height)
        box = read_view_box(text)
        matrix = fit_view_box(x, y, width, height, box, element.get("preserveAspectRatio"))
        return matrix, Viewport(box[2], box[3])

    def shape(self, element: Element, tag: str, name: str, place: _Place, matrix: Matrix, look: Look) -> None:
        if place.ink is None:
            self.skip(name, tag, "outside every ink's group")
            return
        if not look.visible:
            self.skip(name, "visibility", "visibility is hidden: not seen")
            return
        collector = self.inks[place.ink]
        index = len(collector.element_ids)
        collector.element_ids.append(name)
        mark = collector.table.mark()
        try:
            if tag in ("circle", "ellipse") and look.filled is Paint.FLAT:
                ellipse = shapes.read_ellipse(element, tag, place.viewport)
                if isinstance(ellipse, str):
                    self.skip(name, tag, ellipse)
                    return
                if self.dot(collector, index, name, ellipse, matrix, look):
                    return
            if not self.outlined(tag, name, look):
                return
            collector.table.begin(index, matrix)
            nothing = shapes.draw(element, tag, place.viewport, collector.table)
        except SyntaxMistake as error:
            collector.table.undo(mark)
            self.mistake(f"{name} ({tag})", error.expected, error.got)
            return
        if nothing:
            self.skip(name, tag, nothing)

    def dot(
        self,
        collector: _InkCollector,
        index: int,
        name: str,
        ellipse: tuple[float, float, float, float],
        matrix: Matrix,
        look: Look,
    ) -> bool:
        """Take a filled ellipse as a dot if it is round on the canvas; tells whether it is."""
        x, y, radius_x, radius_y = ellipse
        largest, smallest = stretches(compose(matrix, (radius_x, 0.0, 0.0, radius_y, x, y)))
        if largest - smallest > ROUND_WITHIN * largest:
            return False
        centre = apply(matrix, x, y)
        shapes.check_near(*centre, largest)
        collector.dots.extend((*centre, largest + smallest))
        collector.dot_element.append(index)
        if look.stroked in (Paint.FLAT, Paint.SERVER):
            self.skip(name, "stroke", "a dot is painted in the circle's own size, without its outline")
        return True

    def outlined(self, tag: str, name: str, look: Look) -> bool:
        """Whether the element's outline is drawn; reports what of its look is not."""
        fill = Paint.NONE if tag == "line" else look.filled
        # Without a fill, an outline counts even if no stroke is set: the ink says what it looks like.
        draws = look.stroked in (Paint.FLAT, Paint.SERVER) or (
            fill is Paint.NONE and look.stroked is Paint.UNSET
        )
        only = "; only its outline is painted" if draws else ""
        if fill is Paint.FLAT:
            self.skip(name, "fill", f"fill: not yet painted{only}")
        elif fill is Paint.SERVER:
            self.skip(name, "fill", f"gradients and patterns are not painted{only}")
        elif not draws:
            self.skip(name, tag, "neither filled nor stroked: not seen")
        if draws and look.stroked is Paint.SERVER:
            self.skip(
                name, "stroke colour", "gradients and patterns are not painted; the ink's colour is used"
            )
        if draws and look.dashed:
            self.skip(name, "dashes", "dashes are not painted; the line is drawn through")
        if draws and look.markers:
            self.skip(name, "markers", "markers are not painted; the line is drawn without them")
        return draws


def _local_name(tag: str) -> str | None:
    """The element's name in SVG's vocabulary; None for another's. Files without a namespace are taken as SVG."""
    if tag.startswith(SVG_NAMESPACE):
        return tag[len(SVG_NAMESPACE) :]
    return None if tag.startswith("{") else tag


def _parse(file: Path, job_path: Path) -> Element:
    try:
        data = file.read_bytes()
    except OSError as error:
        raise InputError(
            [Mistake(job_path, "artwork", "a readable SVG file", f"{file} ({error.strerror})")]
        ) from error
    try:
        root: Element = fromstring(data)
    except ParseError as error:
        line, column = error.position
        raise InputError(
            [
                Mistake(
                    file, f"line {line}, column {column + 1}", "well-formed XML", str(error.msg).split(":")[0]
                )
            ]
        ) from error
    except DefusedXmlException as error:
        raise InputError(
            [Mistake(file, "document type", "no entities and no references to other files", str(error))]
        ) from error
    if _local_name(root.tag) != "svg":
        raise InputError([Mistake(file, "root element", "svg", repr(root.tag))])
    return root


def _root_frame(
    root: Element, origin_mm: tuple[float, float]
) -> tuple[Matrix, Viewport, tuple[float, float]]:
    """Map from the root's user units to canvas mm, what percentages mean in it, and the drawing's size in mm."""
    box = read_view_box(root.attrib["viewBox"]) if "viewBox" in root.attrib else None
    size: list[float | None] = []
    for name in ("width", "height"):
        text = root.get(name, "auto").strip()
        # A percentage of a window that is not there means no more than nothing given.
        size.append(None if text == "auto" or text.endswith("%") else read_length(text, None))
    width, height = size
    if box is not None:
        shape = box[2] / box[3]
        if width is None:
            width = box[2] if height is None else height * shape
        if height is None:
            height = width / shape
    if width is None or height is None:
        raise SyntaxMistake("width and height, or a viewBox", "neither")
    if width <= 0 or height <= 0:
        raise SyntaxMistake("a width and height above zero", f"{width:g} and {height:g}")
    matrix: Matrix = (MM_PER_PX, 0.0, 0.0, MM_PER_PX, origin_mm[0], origin_mm[1])
    viewport = Viewport(width, height)
    if box is not None:
        matrix = compose(matrix, fit_view_box(0, 0, width, height, box, root.get("preserveAspectRatio")))
        viewport = Viewport(box[2], box[3])
    return matrix, viewport, (width * MM_PER_PX, height * MM_PER_PX)


def _check_groups(reader: _Reader, job: Job, job_path: Path) -> None:
    there = ", ".join(sorted(reader.groups)) or "none has an id"
    for index, ink in enumerate(job.inks):
        count = reader.groups.get(ink.group, 0)
        if count == 0:
            reader.mistakes.append(
                Mistake(
                    job_path,
                    f"inks[{index}].group",
                    f"the id of a group in {reader.file.name} ({there})",
                    repr(ink.group),
                )
            )
        elif count > 1:
            reader.mistake(f"group {ink.group}", "an id given once", f"{count} groups with it")


def read_artwork(job: Job, job_path: Path) -> Artwork:
    """Read the job's drawing; its path is relative to the job file's folder.

    Returns the shapes of every ink in the job's order, in canvas mm (the drawing's top left corner lies at
    ``job.origin_mm``). Raises InputError with every mistake found in the file.
    """
    file = job_path.parent / job.artwork
    root = _parse(file, job_path)
    reader = _Reader(job, file)
    try:
        matrix, viewport, size_mm = _root_frame(root, job.origin_mm)
        if "transform" in root.attrib:
            matrix = compose(matrix, read_transform(root.attrib["transform"]))
    except SyntaxMistake as error:
        raise InputError([Mistake(file, "root element svg", error.expected, error.got)]) from error
    found, styled = properties(root.attrib)
    if reason := hindrance(found, styled):
        raise InputError([Mistake(file, "root element svg", "a drawing that is seen as it is", reason[1])])
    start = root.get("id")
    ink = reader.ink_of_group.get(start) if start else None
    if start:
        reader.count_group(start)
    reader.walk_children(root, _Place("", matrix, viewport, inherit(Look(), found), ink, False, 1))
    _check_groups(reader, job, job_path)
    if reader.mistakes:
        raise InputError(reader.mistakes)
    inks = {
        name: _finish(reader, collector, job.flatten_tolerance_mm) for name, collector in reader.inks.items()
    }
    return Artwork(inks, tuple(reader.skipped), size_mm)


def _finish(reader: _Reader, collector: _InkCollector, tolerance_mm: float) -> InkShapes:
    lines = collector.table.flatten(tolerance_mm)
    for index in np.unique(lines.vanished):
        reader.skip(collector.element_ids[index], "outline", "an outline without length")
    dots = np.frombuffer(collector.dots.tobytes(), dtype=np.float64).reshape(-1, 3)
    return InkShapes(
        lines.points,
        lines.offsets,
        lines.closed,
        lines.element,
        dots[:, :2].copy(),
        dots[:, 2].copy(),
        np.frombuffer(collector.dot_element.tobytes(), dtype=np.int32).copy(),
        tuple(collector.element_ids),
        tolerance_mm,
    )
