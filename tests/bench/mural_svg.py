"""The little that the mural's generator needs to write SVG: numbers, curves, elements, groups.

Owns text and curves; knows nothing of what is drawn. Lengths are millimetres of the drawing, x right, y down.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

Point = tuple[float, float]

CANVAS = "#f6efdf"
"""Bare canvas: covers what is below it."""
MOON = "#f2b93b"
SAND = "#dcb98a"
MIST = "#b4c7c9"
CORAL = "#dd6a4b"
BLUE = "#5b8fb0"
TEAL = "#1f7a78"
NIGHT = "#1b2a41"


def number(value: float) -> str:
    """Hundredths of a millimetre, without zeros that say nothing."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def numbers(*values: float) -> str:
    """Several, with blanks between."""
    return " ".join(number(value) for value in values)


class Svg:
    """An SVG document that grows from top to bottom."""

    def __init__(self) -> None:
        self._lines: list[str] = []
        self._depth = 0

    def text(self) -> str:
        """All that was added."""
        return "\n".join(self._lines) + "\n"

    def raw(self, line: str) -> None:
        """One line as it is."""
        self._lines.append("  " * self._depth + line)

    def add(self, tag: str, **attributes: object) -> None:
        """An element without content. ``stroke_width`` becomes ``stroke-width``, ``class_`` ``class``."""
        self.raw(f"<{tag}{_attributes(attributes)}/>")

    @contextmanager
    def inside(self, tag: str, **attributes: object) -> Iterator[None]:
        """An element around all that is added meanwhile."""
        self.raw(f"<{tag}{_attributes(attributes)}>")
        self._depth += 1
        yield
        self._depth -= 1
        self.raw(f"</{tag}>")

    @contextmanager
    def group(self, name: str, **attributes: object) -> Iterator[None]:
        """A group with an id, which a job may name as a layer."""
        with self.inside("g", id=name, **attributes):
            yield

    def path(self, d: str, **attributes: object) -> None:
        """A path."""
        self.add("path", d=d, **attributes)

    def dots(self, dots: Sequence[tuple[float, float, float]], steps_mm: float, prefix: str) -> None:
        """Filled dots (x, y, diameter), as uses of one circle for each size; sizes go by ``steps_mm``."""
        by_size: dict[int, list[Point]] = {}
        for x, y, diameter in dots:
            by_size.setdefault(round(diameter / steps_mm), []).append((x, y))
        with self.inside("defs"):
            for size in sorted(by_size):
                self.add("circle", id=f"{prefix}{size}", r=size * steps_mm / 2.0)
        for size in sorted(by_size):
            for x, y in by_size[size]:
                self.raw(f'<use href="#{prefix}{size}" x="{number(x)}" y="{number(y)}"/>')


def _attributes(attributes: dict[str, object]) -> str:
    return "".join(
        f' {name.rstrip("_").replace("_", "-")}="{number(value) if isinstance(value, float) else value}"'
        for name, value in attributes.items()
    )


def polyline(points: Sequence[Point], *, closed: bool = False) -> str:
    """Path data of straight lines."""
    return "M" + "L".join(numbers(*point) for point in points) + ("Z" if closed else "")


def smooth(points: Sequence[Point], *, closed: bool = False) -> str:
    """Path data of a curve through the points: cubic pieces, each point's tangent along its neighbours."""
    count = len(points)

    def at(row: int) -> Point:
        return points[row % count] if closed else points[min(max(row, 0), count - 1)]

    parts = ["M" + numbers(*points[0])]
    for row in range(count if closed else count - 1):
        before, here, there, after = at(row - 1), at(row), at(row + 1), at(row + 2)
        parts.append(
            "C"
            + numbers(
                here[0] + (there[0] - before[0]) / 6.0,
                here[1] + (there[1] - before[1]) / 6.0,
                there[0] - (after[0] - here[0]) / 6.0,
                there[1] - (after[1] - here[1]) / 6.0,
                *there,
            )
        )
    return "".join(parts) + ("Z" if closed else "")


def wave(
    left: float, right: float, y: float, length: float, height: float, phase: float = 0.0
) -> list[Point]:
    """A sine's points, eight a wave and both ends."""
    count = max(2, math.ceil((right - left) / length * 8.0))
    return [
        (x, y + height * math.sin(2.0 * math.pi * (x / length + phase)))
        for x in (left + (right - left) * step / count for step in range(count + 1))
    ]


def leaf(base: Point, tip: Point, bend: float, width: float) -> str:
    """A blade from base to tip: ``width`` at its base, pointed, its middle ``bend`` to the right of the chord."""
    dx, dy = tip[0] - base[0], tip[1] - base[1]
    length = math.hypot(dx, dy)
    nx, ny = -dy / length, dx / length
    middle = (base[0] + 0.55 * dx + bend * nx, base[1] + 0.55 * dy + bend * ny)
    half = width / 2.0
    one = (base[0] + half * nx, base[1] + half * ny)
    other = (base[0] - half * nx, base[1] - half * ny)
    right = (middle[0] + 0.8 * half * nx, middle[1] + 0.8 * half * ny)
    left = (middle[0] - 0.8 * half * nx, middle[1] - 0.8 * half * ny)
    return f"M{numbers(*one)}Q{numbers(*right, *tip)}Q{numbers(*left, *other)}Z"


def pill(left: float, right: float, y: float, height: float) -> str:
    """A bar with round ends, ``y`` its middle."""
    r = height / 2.0
    return (
        f"M{numbers(left + r, y - r)}H{number(right - r)}A{numbers(r, r)} 0 0 1 {numbers(right - r, y + r)}"
        f"H{number(left + r)}A{numbers(r, r)} 0 0 1 {numbers(left + r, y - r)}Z"
    )
