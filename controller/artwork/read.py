"""SVG files to drawings in canvas mm.

Owns the order of work: the file, its index and style sheets, the walk, the finish; and the drawing's own frame.
Nothing is dropped in silence: what is not painted is in ``skipped``, what cannot be read is an ``InputError`` naming
the element. Knows no pens and no machine. ``docs/artwork.md`` says what a drawing may contain.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from controller.artwork.clips import ClipMaker
from controller.artwork.document import index, parse
from controller.artwork.drawn import as_drawn
from controller.artwork.finish import finish
from controller.artwork.limits import Limits, TooMuchError
from controller.artwork.look import Look, hindrance, inherit, own_notes, valid
from controller.artwork.model import Artwork, Drawing
from controller.artwork.rows import FullError, Reports
from controller.artwork.sheet import ROOT, Sheet
from controller.artwork.units import (
    MM_PER_PX,
    Matrix,
    SyntaxMistake,
    Viewport,
    compose,
    fit_view_box,
    read_length,
    read_transform,
    read_view_box,
)
from controller.artwork.walk import Place, Walker
from controller.config.errors import InputError, Mistake
from controller.config.job import Job

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

LIMITS = Limits()


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


def read_drawing(job: Job, job_path: Path, limits: Limits = LIMITS) -> Drawing:
    """Read the job's drawing; its path is relative to the job file's folder.

    Canvas mm; the drawing's top left corner lies at ``job.origin_mm``. Of the job, only artwork, origin and tolerance
    count. Raises InputError with every mistake found in the file, or with the first limit that it goes beyond.
    """
    file = job_path.parent / job.artwork
    reports = Reports(file, limits)
    try:
        return _read(job, job_path, file, limits, reports)
    except TooMuchError as error:
        raise InputError(
            [Mistake(file, "size", f"at most {error.limit} {error.what}", "more", code="artwork-too-large")]
        ) from error
    except FullError as error:
        raise InputError(reports.mistakes) from error


def _read(job: Job, job_path: Path, file: Path, limits: Limits, reports: Reports) -> Drawing:
    root = parse(file, job_path, limits)
    found_index = index(root)
    sheet = Sheet(limits, valid)
    for name, text, element in found_index.sheets:
        if element.get("type", "text/css").strip().lower() not in ("", "text/css"):
            reports.skip(name, "style", "a style sheet in another language than CSS")
            continue
        try:
            notes = sheet.add(text)
        except SyntaxMistake as error:
            reports.mistake(f"{name} (style)", error.expected, error.got)
            continue
        for what, why in notes:
            reports.skip(name, what, why)
    walker = Walker(found_index, sheet, limits, reports)
    maker = ClipMaker(walker, job.flatten_tolerance_mm)
    try:
        matrix, viewport, size_mm = _root_frame(root, job.origin_mm)
        inner = matrix
        if "transform" in root.attrib:
            inner = compose(matrix, read_transform(root.attrib["transform"]))
        found, reach = walker.properties(root, "svg", ROOT)
        look, look_notes = inherit(Look(), found, viewport, limits)
    except SyntaxMistake as error:
        raise InputError(
            [Mistake(file, "root element svg", error.expected, error.got, code="artwork-syntax")]
        ) from error
    reason = hindrance(found)
    if reason is None and found.values.get("clip-path", "none").lower() != "none":
        reason = "clip-path", "the whole drawing is clipped", True
    if reason:
        raise InputError(
            [
                Mistake(
                    file,
                    "root element svg",
                    "a drawing that is seen as it is",
                    reason[1],
                    code="artwork-not-as-seen",
                )
            ]
        )
    for what, why in (*look_notes, *own_notes(found)):
        reports.skip(root.get("id") or "svg", what, why, "changed")
    place = Place("", inner, viewport, look, reach)
    if found.values.get("overflow", "hidden").lower() not in ("visible", "auto"):
        edge = (MM_PER_PX, 0.0, 0.0, MM_PER_PX, job.origin_mm[0], job.origin_mm[1])
        box = (0.0, 0.0, size_mm[0] / MM_PER_PX, size_mm[1] / MM_PER_PX)
        place = Place("", inner, viewport, look, reach, clip=walker.frame(edge, box, -1))
    walker.group_root(root, place)
    drawing = finish(walker, maker, size_mm, job.flatten_tolerance_mm)
    if reports.mistakes:
        raise InputError(reports.mistakes)
    return drawing


def read_artwork(job: Job, job_path: Path) -> Artwork:
    """Read the job's drawing as drawn: the shapes of every ink in the job's order, in canvas mm.

    Raises InputError with every mistake found in the file, and for inks whose group is missing or there twice.
    """
    return as_drawn(read_drawing(job, job_path), job, job_path)
