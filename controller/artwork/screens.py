"""Patterns that are dot screens: a ``pattern`` of one circle is a lattice of dots (SVG 2, 14.3).

Owns which patterns count as screens, and their lattice in canvas mm. A pattern's content is walked like any drawing,
so that transforms, ``use`` and styles inside it count. Whatever is no lattice of one circle is reported.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from controller.artwork.document import children, local_name, reference
from controller.artwork.flatten import FARTHEST_MM
from controller.artwork.limits import Limits
from controller.artwork.look import inherit
from controller.artwork.model import Screen
from controller.artwork.rows import Reports
from controller.artwork.units import (
    Matrix,
    SyntaxMistake,
    Viewport,
    apply,
    compose,
    fit_view_box,
    read_length,
    read_number,
    read_transform,
    read_view_box,
)
from controller.artwork.walk import PatternFill, Place, Walker

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

Box = tuple[float, float, float, float]
Floats = npt.NDArray[np.float64]

CIRCLES_MAX: Final = 100  # circles in one tile, the halves and quarters at its edges counted
_SAME: Final = 1e-6  # of a tile: dots nearer than this are one
_NO_SCREEN: Final = "the pattern is no lattice of one circle; draw its shapes, or give a flat colour"


class NoScreenError(Exception):
    """A pattern that is no dot screen: why."""


def needs_box(walker: Walker, fill: PatternFill) -> bool:
    """Whether the pattern is in units of the bounding box of what it fills. Raises NoScreenError."""
    attributes, _ = _inherited(walker, fill.element)
    return (
        attributes.get("patternUnits", "objectBoundingBox").strip() != "userSpaceOnUse"
        or attributes.get("patternContentUnits", "userSpaceOnUse").strip() == "objectBoundingBox"
    )


def read_screen(walker: Walker, fill: PatternFill, box: Box | None) -> tuple[Screen, str]:
    """The screen (its colour not numbered) and the colour of its dots. Raises NoScreenError, SyntaxMistake.

    ``box``: x, y, width, height of the filled shape in user units, where ``needs_box`` says so.
    """
    attributes, content = _inherited(walker, fill.element)
    in_box = attributes.get("patternUnits", "objectBoundingBox").strip() != "userSpaceOnUse"
    lengths = {}
    for name in ("x", "y", "width", "height"):
        text = attributes.get(name, "0")
        whole = fill.viewport.along("x" if name in ("x", "width") else "y")
        lengths[name] = _share(text) if in_box else read_length(text, whole)
    x, y, width, height = lengths.values()
    if in_box:
        if box is None:
            raise NoScreenError("the shape has no size for the pattern to go by")
        x, y, width, height = x * box[2] + box[0], y * box[3] + box[1], width * box[2], height * box[3]
    if not (width > 0 and height > 0):
        raise NoScreenError("the pattern's tile has no size")
    tile = compose(fill.matrix, read_transform(attributes.get("patternTransform", "")))
    tile = compose(tile, (1.0, 0.0, 0.0, 1.0, x, y))
    inner, viewport = tile, fill.viewport
    if "viewBox" in attributes:
        view = read_view_box(attributes["viewBox"])
        fit = fit_view_box(0.0, 0.0, width, height, view, attributes.get("preserveAspectRatio"))
        inner, viewport = compose(tile, fit), Viewport(view[2], view[3])
    elif attributes.get("patternContentUnits", "userSpaceOnUse").strip() == "objectBoundingBox":
        if box is None:
            raise NoScreenError("the shape has no size for the pattern to go by")
        inner, viewport = compose(tile, (box[2], 0.0, 0.0, box[3], 0.0, 0.0)), Viewport(1.0, 1.0)
    centres, diameter, colour = _circles(walker, content, inner, viewport)
    return _lattice(centres, diameter, tile, (width, height)), colour


def _share(text: str) -> float:
    text = text.strip()
    return read_number(text[:-1]) / 100.0 if text.endswith("%") else read_number(text)


def _inherited(walker: Walker, element: Element) -> tuple[dict[str, str], Element]:
    """A pattern's attributes with those of the patterns it refers to, and the first of them with content."""
    attributes: dict[str, str] = {}
    content = None
    seen: set[int] = set()
    while True:
        seen.add(id(element))
        attributes = {**element.attrib, **attributes}
        if content is None and any(True for _ in children(element)):
            content = element
        link = reference(element)
        if not link:
            break
        target = walker.index.refer(link)
        if target is None or local_name(target.tag) != "pattern" or id(target) in seen or len(seen) > 100:
            raise NoScreenError(
                f"the pattern refers to {link[:80]!r}, which is no other pattern of this drawing"
            )
        element = target
    if content is None:
        raise NoScreenError("the pattern has nothing in it")
    return attributes, content


def _circles(
    walker: Walker, content: Element, matrix: Matrix, viewport: Viewport
) -> tuple[Floats, float, str]:
    """Centres (n, 2) and diameter in mm, and the colour, of the equal circles that a pattern's content is."""
    limits = replace(Limits(), drawn=10 * CIRCLES_MAX, clips=0, segments=CIRCLES_MAX, reports=CIRCLES_MAX)
    inner = Walker(walker.index, walker.sheet, limits, Reports(walker.reports.file, limits))
    inner.clip_of = _no_clip
    place = Place("", matrix, viewport)
    for element in (*walker.index.ancestors.get(id(content), ()), content):
        found, reach = walker.properties(element, local_name(element.tag) or "", place.reach)
        look, _ = inherit(place.look, found, viewport)
        place = replace(place, look=look, reach=reach)
    inner.used = {id(one): True for one in walker.index.ancestors.get(id(content), ())} | {id(content): True}
    inner.children(content, place)
    if inner.reports.mistakes:
        mistake = inner.reports.mistakes[0]
        raise SyntaxMistake(f"in the pattern, {mistake.where}: {mistake.expected}", mistake.got)
    if any(one.kind == "left out" for one in inner.reports.skipped) or inner.patterns:
        raise NoScreenError(_NO_SCREEN)
    shapes = inner.tables.shapes()
    flat = (shapes["fill"] >= 0) & (shapes["stroke"] < 0) & ~shapes["bare"] & (shapes["clip"] < 0)
    if not len(shapes) or not (flat & ~np.isnan(shapes["dot_mm"])).all():
        raise NoScreenError(_NO_SCREEN)
    if len(shapes) > CIRCLES_MAX or len(np.unique(shapes["fill"])) > 1:
        raise NoScreenError(_NO_SCREEN)
    diameters = shapes["dot_mm"]
    if np.ptp(diameters) > 1e-6 * diameters.max():
        raise NoScreenError("the pattern's dots differ in size; draw them as circles")
    colour = list(inner.tables.colours)[int(shapes["fill"][0])]
    return np.column_stack([shapes["dot_x"], shapes["dot_y"]]), float(diameters[0]), colour


def _no_clip(*_: object) -> None:
    raise NoScreenError("the pattern's dots are clipped; draw them as shapes")


def _lattice(centres: Floats, diameter: float, tile: Matrix, size: tuple[float, float]) -> Screen:
    """The lattice that a tile of ``size`` under ``tile`` with circles at ``centres`` repeats."""
    width, height = size
    a, b, c, d = tile[:4]
    steps = np.array([[a * width, b * width], [c * height, d * height]])  # rows: along and down, mm
    if not np.isfinite(steps).all() or abs(np.linalg.det(steps)) < 1e-9 or np.abs(steps).max() > FARTHEST_MM:
        raise NoScreenError("the pattern's tile has no size on the canvas")
    corner = np.array(apply(tile, 0.0, 0.0))
    places = np.linalg.solve(steps.T, (centres - corner).T).T  # in tiles
    classes: list[Floats] = []
    for place in places:
        if not any(_whole(place - one) for one in classes):
            classes.append(place % 1.0)
    if len(classes) > 2:
        raise NoScreenError(_NO_SCREEN)
    for one in classes:
        _check_whole_dots(one, places, steps, diameter / 2.0)
    if len(classes) == 2:
        apart = (classes[1] - classes[0]) % 1.0
        middle = [min(abs(part - 0.5), 1.0) < _SAME for part in apart]
        level = [_whole(np.array([part])) for part in apart]
        if middle == [True, True]:
            steps = np.array([(steps[0] + steps[1]) / 2.0, (steps[1] - steps[0]) / 2.0])
        elif middle[0] and level[1]:
            steps = np.array([steps[0] / 2.0, steps[1]])
        elif middle[1] and level[0]:
            steps = np.array([steps[0], steps[1] / 2.0])
        else:
            raise NoScreenError(_NO_SCREEN)
    origin = corner + classes[0] @ np.array([[a * width, b * width], [c * height, d * height]])
    first, second = steps.tolist()
    return Screen((tuple(first), tuple(second)), (float(origin[0]), float(origin[1])), diameter, -1)


def _whole(part: Floats) -> bool:
    return bool((np.abs(part - np.round(part)) < _SAME).all())


def _check_whole_dots(one: Floats, places: Floats, steps: Floats, radius: float) -> None:
    """Refuse a dot that its tile's edge cuts: each copy that reaches into the tile must be drawn in it."""
    heights = abs(np.linalg.det(steps)) / np.hypot(
        steps[::-1, 0], steps[::-1, 1]
    )  # between opposite edges, mm
    reach = radius / heights
    if reach.max() > 3.0:
        raise NoScreenError("the pattern's dots are much larger than its tile")
    spans = [range(math.floor(-reach[i]) - 1, math.ceil(1.0 + reach[i]) + 1) for i in (0, 1)]
    for i in spans[0]:
        for j in spans[1]:
            copy = one + np.array([i, j])
            if _distance_to_tile(copy, steps) < radius * (1.0 - 1e-6) and not any(
                (np.abs(copy - place) < _SAME).all() for place in places
            ):
                raise NoScreenError("the pattern's dots are cut by the edge of its tile; draw whole dots")


def _distance_to_tile(place: Floats, steps: Floats) -> float:
    """Distance (mm) of a place (in tiles) from the tile 0..1 x 0..1; 0 inside."""
    if ((place >= 0) & (place <= 1)).all():
        return 0.0
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) @ steps
    point = place @ steps
    ends = np.roll(corners, -1, axis=0)
    along = ends - corners
    share = np.clip(((point - corners) * along).sum(axis=1) / (along**2).sum(axis=1), 0.0, 1.0)
    return float(np.hypot(*(point - corners - share[:, None] * along).T).min())
