"""SVG's basic shapes and paths to outlines (SVG 2, chapters 9 and 10).

Owns the geometry attributes of each element; ``element`` is the mapping of its attributes, with what styles set
worked in. Writes to a ``PathSink``; knows no inks, looks or mm beyond the bound on coordinates.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import svgelements

from controller.artwork.flatten import FARTHEST_MM
from controller.artwork.pathdata import EllipseArc, PathSink, read_path, write_segments
from controller.artwork.units import SyntaxMistake, Viewport, read_length, read_numbers

Attributes = Mapping[str, str]

DRAWN: Final = frozenset({"path", "circle", "ellipse", "rect", "line", "polyline", "polygon"})


def check_near(x_mm: float, y_mm: float, radius_mm: float) -> None:
    """Refuse a dot that lies or reaches beyond any picture. Raises SyntaxMistake."""
    if not max(abs(x_mm), abs(y_mm), radius_mm) <= FARTHEST_MM:
        raise SyntaxMistake(
            f"coordinates within {FARTHEST_MM:g} mm of the canvas' corner",
            f"centre ({x_mm:g}, {y_mm:g}) mm, radius {radius_mm:g} mm",
        )


def _length(element: Attributes, name: str, whole: float, default: str = "0") -> float:
    try:
        return read_length(element.get(name, default), whole)
    except SyntaxMistake as error:
        raise SyntaxMistake(f"in {name} {error.expected}", error.got) from error


def _size(element: Attributes, name: str, whole: float) -> float:
    size = _length(element, name, whole)
    if size < 0:
        raise SyntaxMistake(f"in {name} a length of zero or more", repr(element.get(name)))
    return size


def read_ellipse(
    element: Attributes, tag: str, viewport: Viewport
) -> tuple[float, float, float, float] | str:
    """Centre and radii (cx, cy, rx, ry) in user units, or why there is nothing to draw."""
    x = _length(element, "cx", viewport.along("x"))
    y = _length(element, "cy", viewport.along("y"))
    if tag == "circle":
        radius_x = radius_y = _size(element, "r", viewport.along("r"))
    else:
        radius_x, radius_y = _two_radii(element, viewport)
    if radius_x == 0 or radius_y == 0:
        return "a radius of zero: nothing to draw"
    return x, y, radius_x, radius_y


def _two_radii(element: Attributes, viewport: Viewport) -> tuple[float, float]:
    """rx and ry, where one that is not given (or ``auto``) follows the other."""
    radii: list[float | None] = [
        None if element.get(name, "auto").strip() == "auto" else _size(element, name, viewport.along(way))
        for name, way in (("rx", "x"), ("ry", "y"))
    ]
    radius_x, radius_y = radii
    if radius_x is None:
        radius_x = radius_y
    if radius_y is None:
        radius_y = radius_x
    return radius_x or 0.0, radius_y or 0.0


def draw(element: Attributes, tag: str, viewport: Viewport, sink: PathSink) -> str | None:
    """Write the element's outlines to ``sink``; why there are none, or None. Raises SyntaxMistake."""
    if tag == "path":
        data = element.get("d", "")
        read_path(data, sink)
        return None if data.strip() not in ("", "none") else "no path data"
    if tag in ("circle", "ellipse"):
        ellipse = read_ellipse(element, tag, viewport)
        if isinstance(ellipse, str):
            return ellipse
        x, y, radius_x, radius_y = ellipse
        sink.move(x + radius_x, y)
        sink.arc(EllipseArc(x, y, radius_x, radius_y, 0.0, 0.0, math.tau), x + radius_x, y)
        sink.close()
        return None
    if tag == "rect":
        return _rectangle(element, viewport, sink)
    if tag == "line":
        sink.move(_length(element, "x1", viewport.along("x")), _length(element, "y1", viewport.along("y")))
        sink.line(_length(element, "x2", viewport.along("x")), _length(element, "y2", viewport.along("y")))
        return None
    return _points(element, tag, sink)


def _rectangle(element: Attributes, viewport: Viewport, sink: PathSink) -> str | None:
    x, y = _length(element, "x", viewport.along("x")), _length(element, "y", viewport.along("y"))
    width, height = (
        _size(element, "width", viewport.along("x")),
        _size(element, "height", viewport.along("y")),
    )
    if width == 0 or height == 0:
        return "a width or height of zero: nothing to draw"
    # The library knows the radii's limits and the order of corners (SVG 2, 9.2).
    rectangle = svgelements.Rect(x, y, width, height, *_two_radii(element, viewport))
    write_segments(rectangle.segments(transformed=False), sink)
    return None


def _points(element: Attributes, tag: str, sink: PathSink) -> str | None:
    try:
        values = read_numbers(element.get("points", ""))
    except SyntaxMistake as error:
        raise SyntaxMistake(f"in points {error.expected}", error.got) from error
    if len(values) % 2:
        raise SyntaxMistake("in points an even count of numbers", f"{len(values)}")
    if not values:
        return "no points"
    sink.move(values[0], values[1])
    for index in range(2, len(values), 2):
        sink.line(values[index], values[index + 1])
    if tag == "polygon":
        sink.close()
    return None
